"""Own cells set, keep or stop a threshold: counted by hand, then what no cells can do; and the way of a whole store."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept import NOW
from stores import decided_sheet

from digitise.adapt.known_acceptance import FILE, known_acceptance
from digitise.adapt.recalibrate import TARGETS, OwnCell, fit_threshold, recalibrated
from digitise.cli import main
from digitise.reader.calibration import (
    MOST_BYTES,
    NEVER,
    Acceptance,
    AcceptanceError,
    Curve,
    networks_digest,
    read_acceptance,
    shipped_acceptance,
)
from digitise.store import Store

OLD = Acceptance(
    {
        "code": Curve((0.0, 3.0), (0.5, 0.999), 0.99, 0.004, 0.05, 900, 1, 0.0038),
        "tally-alone": Curve((0.0, 3.0), (0.5, 0.999), NEVER, 0.004, 0.05, 0, 0, 1.0),
    },
    "simulated for a test",
)


def _cells(n: int, *, wrong: int = 0, group="code", score=0.9995, accepted=True, pages=100, known=True, first=0):
    """`n` cells on `pages` pages, `wrong` of them, each on another page, read wrongly."""
    return [OwnCell(group, (first + i) % pages, score, accepted, (i >= wrong) if known else None) for i in range(n)]


def _needed(target: float, delta: float) -> int:
    """Cells without an error that show a rate below `target`."""
    return math.ceil(math.log(delta) / math.log(1 - target))


@pytest.mark.parametrize(("n", "target"), [(747, None), (748, 0.004), (1496, 0.004), (1497, 0.004), (2995, 0.001)])
def test_cells_without_an_error_prove_what_their_number_can(n: int, target: float | None) -> None:
    """ln 0.05 / ln(1 - 0.004) = 747.4, for 0.001 2,994.2: the published 2,995."""
    new, (verdict,) = recalibrated(_cells(n), OLD, about="made up")

    assert verdict.state == ("kept" if target is None else "set")
    assert new.curves["code"].target == (target or OLD.curves["code"].target)
    if target:
        curve = new.curves["code"]
        assert (curve.accepted, curve.errors) == (n, 0)
        assert curve.bound == pytest.approx(1 - 0.05 ** (1 / n))
        assert curve.bound <= target


def test_cells_that_score_below_nine_in_ten_prove_nothing() -> None:
    """Fifty right ones at 0.5, which no threshold accepts, beside a thousand that it does."""
    new, (verdict,) = recalibrated(_cells(1000) + _cells(50, score=0.5), OLD, about="made up")

    assert verdict.state == "set"
    assert new.curves["code"].accepted == 1000


def test_too_few_cells_keep_the_old_threshold_and_say_how_many_are_lacking() -> None:
    """921 audited cells would bound 0.004 at half the risk; forty are here."""
    new, (verdict,) = recalibrated(_cells(40), OLD, about="made up")

    assert new.curves == OLD.curves
    assert verdict.state == "kept"
    assert f"some {_needed(0.004, 0.025) - 40} more audited cells" in verdict.words
    assert "40 audited and 0 reviewed cells, 0 of them read wrongly" in verdict.words


def test_cells_that_contradict_a_threshold_stop_it() -> None:
    """Five wrong of sixty audited: under 4 in 1,000 that happens about once in 200,000 times."""
    new, (verdict,) = recalibrated(_cells(60, wrong=5), OLD, about="made up")

    assert verdict.state == "stopped"
    assert new.curves["code"].threshold == NEVER
    assert not new.judge("code", 1.0)[1]
    assert "5 of 60 settled cells" in verdict.words
    assert "code left to people" in new.basis


def test_one_error_among_few_is_no_contradiction() -> None:
    """One of sixty: under 4 in 1,000 it happens about once in five times."""
    new, (verdict,) = recalibrated(_cells(60, wrong=1), OLD, about="made up")

    assert verdict.state == "kept"
    assert new.curves == OLD.curves


def test_a_group_that_was_never_accepted_is_opened_only_by_proof() -> None:
    """Nothing of it was accepted, so nothing of it was audited: reviewed cells alone never open it."""
    reviewed = _cells(5000, group="tally-alone", accepted=False)
    new, (verdict,) = recalibrated(reviewed, OLD, about="made up")

    assert verdict.state == "kept"
    assert new.curves["tally-alone"].threshold == NEVER


def test_reviewed_cells_alone_prove_nothing_about_accepted_ones() -> None:
    """Ten thousand doubtful cells that people confirmed, and not one audit."""
    cells = _cells(10_000, accepted=False, score=0.9) + _cells(10_000, known=False)

    assert fit_threshold(cells, target=0.004) is None


def test_strata_are_weighted_by_what_they_put_above_the_threshold() -> None:
    """19 readings in 20 were accepted and 1,500 of them audited; 100 of the others were reviewed, all right.

    0.95 (1 - 0.025^(1/1500)) + 0.05 (1 - 0.025^(1/100)) = 0.0041, by hand: 0.00233 + 0.00181.
    """
    cells = _cells(1500) + _cells(400, known=False) + _cells(100, accepted=False)
    curve = fit_threshold(cells, target=0.0042)

    assert curve.bound == pytest.approx(0.95 * (1 - 0.025 ** (1 / 1500)) + 0.05 * (1 - 0.025 ** (1 / 100)))
    assert fit_threshold(cells, target=0.004) is None


def test_errors_that_lie_on_one_page_count_for_more_than_their_number() -> None:
    """Six errors of 8,000 cells on 80 pages: alone on six pages they pass, all on one page they do not."""
    spread = [
        OwnCell("code", i % 80, 0.9995, True, not (i < 80 and i % 80 in (1, 4, 7, 10, 13, 16))) for i in range(8000)
    ]
    heaped = [OwnCell("code", i % 80, 0.9995, True, not (i % 80 == 1 and i < 480)) for i in range(8000)]

    assert sum(not c.right for c in spread) == sum(not c.right for c in heaped) == 6
    assert fit_threshold(spread, target=0.004).design_effect == pytest.approx(1.0, abs=0.1)
    assert fit_threshold(heaped, target=0.004) is None


def test_a_threshold_leaves_the_doubtful_ones_out_where_they_are_often_wrong() -> None:
    """One reading in twenty scores 0.5 and is wrong every other time: nine in ten are accepted, those are not."""
    rng = np.random.default_rng(5)
    sure = [OwnCell("code", i % 90, 0.9995, True, True) for i in range(3800)]
    poor = [OwnCell("code", i % 90, 0.5, False, bool(rng.random() < 0.5)) for i in range(200)]
    new, (verdict,) = recalibrated(sure + poor, OLD, about="made up")

    assert verdict.state == "set"
    assert new.judge("code", 0.9995)[1]
    assert not new.judge("code", 0.5)[1]


def test_the_promise_is_kept_in_simulation() -> None:
    """True rate 0.5 %, target 0.4 %: 200 samples of 2,000 cells, of which at most 5 % and some luck may pass."""
    rng = np.random.default_rng(11)
    passed = 0
    for _ in range(200):
        right = rng.random(2000) >= 0.005
        cells = [
            OwnCell("code", i % 100, float(s), True, bool(r))
            for i, (s, r) in enumerate(zip(rng.uniform(0.9, 1, 2000), right, strict=True))
        ]
        passed += fit_threshold(cells, target=0.004) is not None
    assert passed <= 18  # binomial(200, 0.05): 18 or fewer with chance 0.99


@given(st.integers(0, 400), st.integers(0, 30), st.booleans())
def test_own_cells_never_loosen_the_promise(n: int, wrong: int, accepted: bool) -> None:
    new, _ = recalibrated(_cells(n, wrong=min(n, wrong), accepted=accepted), OLD, about="made up")

    for name, curve in new.curves.items():
        assert curve.threshold == NEVER or curve.target <= OLD.curves[name].target
    assert min(TARGETS) < OLD.curves["code"].target


# --- files -----------------------------------------------------------------------------------------------


def test_the_file_says_what_it_was_set_on(tmp_path) -> None:
    """Own cells, how many, the bound they prove, and what stays as before."""
    path = tmp_path / "own.json"
    new, _ = recalibrated(_cells(800), OLD, about="800 audited cells on 100 pages of reef, settled 2026-03-28")
    path.write_text(new.to_json(), encoding="utf-8")
    found = read_acceptance(path)

    assert found == new
    assert found.networks == networks_digest()
    assert found.basis.startswith(
        "own cells: 800 audited cells on 100 pages of reef, settled 2026-03-28; code set on 800"
    )
    assert "at most 3.7 of 1,000 wrong with 95% confidence" in found.basis
    assert "the rest as before (simulated for a test)" in found.basis
    assert found.notes[0].startswith("code: set anew")


CURVE = {
    "knots": [1.0],
    "probability": [0.9],
    "threshold": 0.5,
    "target": 0.1,
    "delta": 0.05,
    "accepted": 1,
    "errors": 0,
    "bound": 0.9,
}
BAD = [
    pytest.param(b"\xff\xd8 a photograph", id="no-json"),
    pytest.param(b"[]", id="a-list"),
    pytest.param(b"{}", id="nothing"),
    pytest.param(b'{"basis": "x", "curves": {}}', id="no-curve"),
    pytest.param(b'{"basis": "x", "curves": {"code": {"knots": [1]}}}', id="half-a-curve"),
    pytest.param(b"[" * 100_000, id="deep"),
    pytest.param(b" " * (MOST_BYTES + 1), id="large"),
    *(
        pytest.param(json.dumps({"basis": "x", "curves": {"code": CURVE | change}}).encode(), id=name)
        for name, change in {
            "threshold-nan": {"threshold": float("nan")},
            "threshold-0": {"threshold": 0},
            "threshold-words": {"threshold": "low"},
            "falling": {"knots": [1, 2], "probability": [0.9, 0.8]},
            "uneven": {"knots": [1, 2]},
            "beyond-1": {"probability": [1.5]},
            "no-knots": {"knots": [], "probability": []},
            "unknown": {"colour": 3},
        }.items()
    ),
]


@pytest.mark.parametrize("content", BAD)
def test_a_file_without_thresholds_is_refused_in_words(tmp_path, capsys, content: bytes) -> None:
    """What, where, what to do; and nothing is read with it or put into the store."""
    path, photo = tmp_path / "own.json", tmp_path / "a.jpg"
    path.write_bytes(content)
    photo.write_bytes(b"words")
    code = main(["read", str(photo), "--store", str(tmp_path / "store"), "--acceptance", str(path)])
    said = capsys.readouterr().err

    assert code == 2
    assert "own.json: holds no thresholds that can be used" in said
    assert "digitise calibrate" in said
    assert not (tmp_path / "store" / FILE).exists()


def test_a_missing_file_is_named(tmp_path, capsys) -> None:
    (tmp_path / "a.jpg").write_bytes(b"words")

    assert main(["read", str(tmp_path / "a.jpg"), "--acceptance", str(tmp_path / "nowhere.json")]) == 2
    assert "nowhere.json: cannot be read" in capsys.readouterr().err


def test_thresholds_of_other_networks_are_refused(tmp_path) -> None:
    """A score of another network means something else."""
    path = tmp_path / "own.json"
    path.write_text(Acceptance(OLD.curves, "own cells: made up", "0" * 16).to_json(), encoding="utf-8")

    with pytest.raises(AcceptanceError, match="set for other networks"):
        read_acceptance(path)


# --- a whole store ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def reviewed(photograph, tmp_path_factory):
    """A store with one photographed fish sheet, everything decided as it was written."""
    folder = tmp_path_factory.mktemp("whole") / "reef"
    return folder, decided_sheet(folder, photograph("fish"))


def _answer(folder, truth, *, wrongly: bool) -> None:
    with Store.open(folder) as store:
        sizes = dict.fromkeys((s for s in store.audits.strata() if s != "person"), 10_000)
        audit = store.audits.draw_strata(sizes, by="Ben", now=NOW, rng=np.random.default_rng(1))
        for one in store.audits.cells(audit.id):
            value = truth[one.cell].value
            if wrongly and one.kind == "tally":
                value = (value or 0) + 1
            state = "blank" if value is None else "entered"
            store.audits.answer(one.id, value=value, state=state, by="Ben", now=NOW)


def _copy(folder, tmp_path):
    import shutil

    return shutil.copytree(folder, tmp_path / "reef")


def test_calibrate_without_an_audit_changes_nothing_and_says_what_to_do(reviewed, tmp_path, capsys) -> None:
    store, out = _copy(reviewed[0], tmp_path), tmp_path / "own.json"

    assert main(["calibrate", "--store", str(store), "--out", str(out), "--jobs", "1"]) == 1
    said = capsys.readouterr()
    assert "draw one on the Audit screen" in said.err
    assert "the old ones stay" in said.err
    assert not out.exists()


def test_calibrate_on_one_page_is_too_little(reviewed, tmp_path, capsys) -> None:
    """Every accepted cell of a sheet was audited and is right: read again, counted, and far too few."""
    store, out = _copy(reviewed[0], tmp_path), tmp_path / "own.json"
    _answer(store, reviewed[1], wrongly=False)

    assert main(["calibrate", "--store", str(store), "--out", str(out), "--jobs", "1"]) == 1
    said = capsys.readouterr()
    assert "more audited cells without a wrong one are needed" in said.out
    assert "0 of them read wrongly" in said.out
    assert not out.exists()


def test_audits_that_contradict_stop_acceptance_and_the_store_keeps_to_it(
    reviewed, tmp_path, capsys, photograph
) -> None:
    """A clerk finds every tally wrong: from then on tallies of this store go to a person, and its pages say why."""
    store, out, photo = _copy(reviewed[0], tmp_path), tmp_path / "own.json", tmp_path / "inverts.jpg"
    _answer(store, reviewed[1], wrongly=True)
    assert main(["calibrate", "--store", str(store), "--out", str(out), "--jobs", "1"]) == 0
    said = capsys.readouterr()
    own = read_acceptance(out)
    assert "tally: no longer accepted" in said.out or "blank: no longer accepted" in said.out
    assert own.basis.startswith("own cells:")
    assert "on 1 page of reef, settled 2026-03-28" in own.basis

    photo.write_bytes(photograph("invertebrate").jpeg)
    assert main(["read", str(photo), "--store", str(store), "--acceptance", str(out), "--jobs", "1"]) == 0
    assert "1 pages of the store were read with other thresholds" in capsys.readouterr().err
    assert known_acceptance(store) == own
    stopped = {g for g, c in own.curves.items() if c.threshold == NEVER != shipped_acceptance().curves[g].threshold}
    with Store.open(store) as opened:
        new = next(p for p in opened.pages() if p.sheet == "invertebrate")
        tallies = [r for r in opened.readings(new.id) if r.kind == "tally"]
        assert new.acceptance_basis == own.basis
        assert stopped & {"tally", "blank"}
        assert [r.cell for r in tallies if r.value is None and "blank" in stopped and not r.flagged] == []
        assert [r.cell for r in tallies if r.value is not None and "tally" in stopped and not r.flagged] == []
