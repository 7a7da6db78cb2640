"""Risk-coverage curves and reliability diagrams: counted by hand, then true of any readings; and the files they give."""

from __future__ import annotations

import csv
import json
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from digitise.adapt.evaluate import Judged, Truth, calibration_error, score
from digitise.adapt.measured import MOST_POINTS, reliability, risk_coverage
from digitise.cli import main
from digitise.report.drawing import Dot, Line, Shape, Words
from digitise.report.measure_plots import figures, reliability_figure, risk_by_kind_figure, risk_figure


def _judged(
    confidence: float, *, right: bool = True, accepted: bool = True, doubtful: bool = False, kind="code", truth=None
):
    return Judged(kind, confidence, accepted, right, truth or Truth("BK"), doubtful)


READINGS = st.lists(
    st.builds(
        _judged,
        st.sampled_from([0.2, 0.5, 0.9, 0.99, 0.999]) | st.floats(0, 1),
        right=st.booleans(),
        accepted=st.booleans(),
        doubtful=st.booleans(),
        kind=st.sampled_from(["code", "number", "text"]),
        truth=st.sampled_from([Truth("BK"), Truth(None, True)]),
    ),
    max_size=60,
)


def test_risk_by_hand() -> None:
    """Two sure and right, then a wrong and a right one of one confidence, then a doubtful one that never counts."""
    rows = [_judged(0.99), _judged(0.99), _judged(0.8, right=False), _judged(0.8), _judged(1.0, doubtful=True)]
    first, second = risk_coverage(rows)

    assert (first.confidence, first.cells, first.share, first.wrong, first.rate) == (0.99, 2, 0.4, 0, 0.0)
    assert (second.confidence, second.cells, second.share, second.wrong, second.rate) == (0.8, 4, 0.8, 1, 0.25)


def test_bounds_are_the_published_ones() -> None:
    """8 wrong of 21,619: 0.160 to 0.729 per 1,000 (Paulsen et al. 2012, doi:10.1371/journal.pone.0035087)."""
    (point,) = risk_coverage([_judged(0.9, right=i >= 8) for i in range(21_619)])

    assert (1000 * point.rate, 1000 * point.low, 1000 * point.high) == pytest.approx((0.370, 0.160, 0.729), abs=6e-4)


def test_a_cell_that_only_a_person_may_decide_is_wrong_when_accepted() -> None:
    (point,) = risk_coverage([_judged(0.9, truth=Truth(None, True))])

    assert point.wrong == 1


def test_long_curves_are_thinned_and_keep_their_ends() -> None:
    """5,000 confidences, at most so many points; the last counts every reading."""
    points = risk_coverage([_judged(i / 5000, right=i % 3 > 0) for i in range(5000)])

    assert len(points) <= MOST_POINTS
    assert points[0].cells == 1
    assert (points[-1].cells, points[-1].wrong) == (5000, 1667)


@given(READINGS)
def test_any_curve_counts_upwards_and_ends_at_the_readings_without_a_reason(rows: list[Judged]) -> None:
    points = risk_coverage(rows)
    free = [j for j in rows if not j.doubtful]

    assert [p.cells for p in points] == sorted({p.cells for p in points})
    assert all(p.low <= p.rate <= p.high and p.confidence >= 0 for p in points)
    assert [p.confidence for p in points] == sorted({j.confidence for j in free}, reverse=True)
    assert (points[-1].cells if points else 0) == len(free)


def test_bins_by_hand() -> None:
    """Thirty readings: two a bin; equal confidences are joined into one bin of twenty, the others keep five bins."""
    rows = [_judged(0.5 + i / 100, right=i % 2 == 0) for i in range(10)] + [_judged(0.99)] * 20
    bins = reliability(rows)

    assert [b.cells for b in bins] == [2, 2, 2, 2, 2, 20]
    assert bins[0].stated == pytest.approx(0.505)
    assert (bins[0].right, bins[0].seen) == (1, 0.5)
    assert (bins[-1].right, bins[-1].high) == (20, 1.0)
    assert bins[-1].low == pytest.approx(0.025 ** (1 / 20))  # Clopper-Pearson when all are right


@given(READINGS)
def test_bins_hold_every_reading_and_explain_the_calibration_error(rows: list[Judged]) -> None:
    """It is their mean distance."""
    bins = reliability(rows)

    assert sum(b.cells for b in bins) == len(rows)
    assert sum(b.right for b in bins) == sum(j.right for j in rows)
    if rows:
        found = sum(b.cells * abs(b.stated - b.seen) for b in bins) / len(rows)
        assert found == pytest.approx(calibration_error(rows), abs=1e-9)


# --- figures ---------------------------------------------------------------------------------------------

MANY = [
    _judged(0.9 + 0.0009 * (i % 110), right=i % 50 > 0, accepted=i % 110 > 40, kind="code" if i % 3 else "tally")
    for i in range(900)
]


@pytest.mark.parametrize("draw", [risk_figure, risk_by_kind_figure, reliability_figure])
def test_nothing_is_drawn_outside_the_figure(draw) -> None:
    """Every mark lies on the paper; every number of the figure is in its rows."""
    drawing, data = draw(MANY)
    places = []
    for item in drawing.items:
        match item:
            case Line():
                places += [(item.x1, item.y1), (item.x2, item.y2)]
            case Shape():
                places += item.points
            case Dot() | Words():
                places.append((item.x, item.y))

    assert all(-1 <= x <= drawing.width + 1 and -1 <= y <= drawing.height + 1 for x, y in places)
    assert {len(row) for row in data} == {len(data[0])}


@pytest.mark.parametrize("draw", [risk_figure, risk_by_kind_figure, reliability_figure])
def test_figures_name_axes_units_and_intervals(draw) -> None:
    """Read by themselves they say what is shown: title, both axes with units, what the band or bar is."""
    words = " ".join(i.text for i in draw(MANY)[0].items if isinstance(i, Words))

    assert "(%)" in words
    assert "per 1,000" in words or "Right (%)" in words
    assert "95 % interval" in words
    assert "cells" in words


def test_the_point_of_the_thresholds_is_a_diamond_when_nothing_accepted_is_wrong() -> None:
    """Shape, not colour, tells nought from some."""

    def diamonds(rows) -> int:
        drawing, _ = risk_figure(rows)
        return sum(isinstance(i, Shape) and len(i.points) == 4 and i.line_width == 1.7 for i in drawing.items)

    assert diamonds([_judged(0.9)] * 5) == diamonds([_judged(0.9)] * 5 + [_judged(0.9, right=False)]) + 1


def test_kinds_of_few_cells_have_no_panel() -> None:
    """Ninety-nine cells draw no curve by themselves, a hundred do; free text never."""
    assert risk_by_kind_figure([_judged(0.9)] * 99 + [_judged(0.9, kind="text")] * 300) is None
    assert risk_by_kind_figure([_judged(0.9)] * 100) is not None
    assert figures([_judged(0.9, kind="text")] * 300) == []


def test_evaluate_writes_the_figures(photograph, layout, tmp_path, capsys) -> None:
    """One photographed sheet with its truth: each figure as SVG, PNG and CSV; the numbers add up to its cells."""
    import hashlib

    taken = photograph("site")
    photo, truth, plots = tmp_path / "site.jpg", tmp_path / "truth.json", tmp_path / "new" / "plots"
    photo.write_bytes(taken.jpeg)
    cells = {a.cell: {"value": a.value, "mark": a.mark, "must_flag": a.must_flag} for a in taken.answers}
    digest = hashlib.sha256(taken.jpeg).hexdigest()
    truth.write_text(json.dumps({"photos": [{"sha256": digest, "cells": cells}]}), encoding="utf-8")
    code = main(["evaluate", str(photo), "--truth", str(truth), "--plots", str(plots)])

    assert code == 0
    assert "Drawn in" in capsys.readouterr().err
    for name in ("risk-coverage", "reliability"):
        assert ET.parse(plots / f"{name}.svg").getroot().tag.endswith("svg")  # noqa: S314 - our own file
        assert (plots / f"{name}.png").read_bytes().startswith(b"\x89PNG")
    with (plots / "reliability.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))

    assert sum(int(r["cells"]) for r in rows) == sum(c.kind != "text" for c in layout("site").cells) > 0


def test_a_file_is_no_folder_for_plots(tmp_path, capsys) -> None:
    """It is said before anything is read."""
    for name in ("site.jpg", "plots"):
        (tmp_path / name).write_text("words", encoding="utf-8")
    (tmp_path / "truth.json").write_text('{"photos": []}', encoding="utf-8")
    args = ["evaluate", str(tmp_path / "site.jpg"), "--truth", str(tmp_path / "truth.json")]

    assert main([*args, "--plots", str(tmp_path / "plots")]) == 2
    assert "is a file; choose a folder" in capsys.readouterr().err


def test_no_known_cell_draws_nothing_and_says_so(tmp_path, capsys) -> None:
    (tmp_path / "site.jpg").write_text("words", encoding="utf-8")
    (tmp_path / "truth.json").write_text('{"photos": []}', encoding="utf-8")
    plots = tmp_path / "plots"
    main(["evaluate", str(tmp_path / "site.jpg"), "--truth", str(tmp_path / "truth.json"), "--plots", str(plots)])

    assert "nothing was drawn" in capsys.readouterr().err
    assert not plots.exists()


def test_score_and_curve_agree() -> None:
    """Where the threshold is one confidence for all, the curve passes through the point of the thresholds."""
    rows = [_judged(0.5 + i / 300, right=i % 9 > 0, accepted=i >= 60) for i in range(150)]
    found = score(rows)
    point = next(p for p in risk_coverage(rows, most=10_000) if p.cells == found.accepted)

    assert (point.share, 1000 * point.rate) == pytest.approx((found.accepted_share, found.silent_per_1000))
