"""Readings against the truth, counted by hand, and the bounds of what was counted, by outside numbers."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from digitise.adapt.evaluate import (
    BINS,
    Judged,
    PhotoTruth,
    Truth,
    as_it_should,
    calibration_bins,
    calibration_error,
    judge,
    read_truth,
    report,
    same_value,
    score,
    slices,
)
from digitise.reader.reading import PhotoResult, Reading


def _judged(
    *, right: bool = True, accepted: bool = True, confidence: float = 0.99, kind: str = "code", truth=None
) -> Judged:
    return Judged(kind, confidence, accepted, right, truth or Truth("BK"))


SAME = [
    (7, 7, True),
    (7, 8, False),
    (8.0, 8, True),
    (8.5, 8.5, True),
    ("BK", "BK", True),
    ("BK", "YB", False),
    (None, None, True),
    (0, None, False),
    (None, 0, False),
    (False, 0, False),
    (0, False, False),
    (True, 1, False),
    (True, True, True),
    (False, False, True),
    (None, False, False),
    ("7", 7, True),
    (0.1 + 0.2, 0.3, True),
]


@pytest.mark.parametrize(("read", "truth", "same"), SAME)
def test_values_are_told_apart_where_it_matters(read, truth, same: bool) -> None:
    """A blank is not 0, no is not 0; 8 and 8.0 are one number."""
    assert same_value(read, truth) is same


def test_readings_are_judged_cell_by_cell() -> None:
    """Accepted means not flagged; a cell whose truth nobody knows is left out."""
    readings = [
        Reading("a", "code", "BK", 0.99, False, ()),
        Reading("b", "number", 7, 0.6, True, ()),
        Reading("c", "tick", True, 0.9, False, ()),
    ]
    found = judge(readings, {"a": Truth("BK"), "b": Truth(8)})

    assert found == [Judged("code", 0.99, True, True, Truth("BK")), Judged("number", 0.6, False, False, Truth(8))]


SILENT = [
    (True, True, False, False),
    (False, True, False, True),
    (False, False, False, False),
    # accepted although only a person may decide, whatever was read:
    (True, True, True, True),
    (True, False, True, False),
]


@pytest.mark.parametrize(("right", "accepted", "must_flag", "silent"), SILENT)
def test_a_silent_error_is_accepted_and_wrong_or_not_to_be_accepted(right, accepted, must_flag, silent) -> None:
    assert _judged(right=right, accepted=accepted, truth=Truth(None, must_flag)).wrong_accepted is silent


def test_score_by_hand() -> None:
    """Ten cells: eight accepted, one of them wrong; two left to a person, one of them wrong."""
    found = score(
        [_judged()] * 7 + [_judged(right=False)] + [_judged(accepted=False), _judged(accepted=False, right=False)]
    )

    assert (found.cells, found.right, found.accepted, found.silent) == (10, 8, 8, 1)
    assert found.right_share == 0.8
    assert found.accepted_share == 0.8
    assert found.silent_per_1000 == 125.0


@given(st.integers(0, 30), st.integers(1, 300))
def test_bounds_are_those_of_clopper_and_pearson(silent: int, more: int) -> None:
    """scipy's exact binomial interval on the same counts (Clopper & Pearson 1934, doi:10.1093/biomet/26.4.404)."""
    from scipy.stats import binomtest

    found = score([_judged(right=False)] * silent + [_judged()] * more)
    exact = binomtest(silent, silent + more).proportion_ci(method="exact")

    assert found.silent_low == pytest.approx(1000 * exact.low, abs=1e-6)
    assert found.silent_high == pytest.approx(1000 * exact.high, abs=1e-6)


PUBLISHED = [
    pytest.param(8, 21_619, (0.370, 0.160, 0.729), id="single-keying"),
    pytest.param(1, 21_619, (0.046, 0.001, 0.258), id="double-keying"),
    pytest.param(2, 297, (6.734, 0.817, 24.113), id="single-keying-of-characters"),
    pytest.param(1, 297, (3.367, 0.085, 18.616), id="double-keying-of-characters"),
]


@pytest.mark.parametrize(("errors", "fields", "published"), PUBLISHED)
def test_published_keying_errors_get_their_published_rates(errors: int, fields: int, published: tuple) -> None:
    """Errors per 1,000 fields keyed by hand, with their 95 % bounds, to the published three decimals.

    Paulsen, Overgaard & Lauritsen 2012, doi:10.1371/journal.pone.0035087 (abstract); the counts are those that give
    its rates, about 21,619 fields and 297 character fields.
    """
    found = score([_judged(right=False)] * errors + [_judged()] * (fields - errors))

    assert (found.silent_per_1000, found.silent_low, found.silent_high) == pytest.approx(published, abs=6e-4)


def test_nothing_accepted_has_no_rate() -> None:
    """No accepted cell: rates are not numbers, and the table says so in words."""
    found = score([_judged(accepted=False)])

    assert math.isnan(found.silent_per_1000)
    assert math.isnan(found.silent_low)
    assert "none accepted" in report([_judged(accepted=False)])
    assert score([]).cells == 0
    assert math.isnan(score([]).right_share)


# --- calibration -----------------------------------------------------------------------------------------


def _rows(confidence, right) -> list[Judged]:
    return [_judged(confidence=float(c), right=bool(r)) for c, r in zip(confidence, right, strict=True)]


def test_calibration_error_by_hand() -> None:
    """Fifteen readings, one a bin: confidence near 0.8, twelve right: 0.2 for twelve, 0.8 for three, in the mean."""
    assert BINS == 15
    rows = _rows(0.8 + 1e-9 * np.arange(15), [True] * 12 + [False] * 3)
    assert calibration_error(rows) == pytest.approx((12 * 0.2 + 3 * 0.8) / 15)


def test_readings_of_one_confidence_are_one_bin() -> None:
    """Right as often as they say they are nothing is off, whichever come first."""
    confidence, right = np.repeat([0.5, 0.8], [20, 50]), np.arange(70) % 10 < np.repeat([5, 8], [20, 50])
    for order in (np.arange(70), np.arange(70)[::-1], np.argsort(right, kind="stable")):
        rows = _rows(confidence[order], right[order])
        assert calibration_error(rows) == pytest.approx(0, abs=1e-9)
        assert [len(stated) for stated, _ in calibration_bins(rows)] == [20, 50]


def test_calibration_error_is_nought_for_the_honest_and_large_for_the_vain() -> None:
    """1,500 readings in bins of one confidence each, right exactly so often; and all sure, half of them wrong."""
    confidence = np.repeat(np.arange(1, 16) / 20, 100)
    right = np.concatenate([np.arange(100) < 100 * c - 1e-9 for c in np.arange(1, 16) / 20])

    assert calibration_error(_rows(confidence, right)) == pytest.approx(0, abs=1e-9)
    assert calibration_error(_rows([1.0] * 300, [True, False] * 150)) == pytest.approx(0.5, abs=0.01)
    assert math.isnan(calibration_error([]))


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60), st.randoms())
def test_calibration_error_is_a_share_whatever_the_order(rows, random) -> None:
    found = calibration_error(_rows(*zip(*rows, strict=True)))
    random.shuffle(rows)

    assert 0 <= found <= 1
    assert calibration_error(_rows(*zip(*rows, strict=True))) == pytest.approx(found, abs=1e-9)


# --- tables ----------------------------------------------------------------------------------------------


def test_slices_hold_the_right_cells() -> None:
    """Six cells of known kind and truth, each in the slices it belongs to."""
    rows = [
        _judged(kind="tally", truth=Truth(3)),
        _judged(kind="tally", truth=Truth(17)),
        _judged(kind="tally", truth=Truth(None)),
        _judged(kind="tick", truth=Truth(False)),
        _judged(kind="text", truth=Truth("REEF")),
        _judged(kind="tally", truth=Truth(None, True)),
    ]
    found = {name: len(part) for name, part in slices(rows).items()}

    assert found == {
        "all cells": 6,
        "all but free text": 5,
        "tally": 4,
        "text": 1,
        "tick": 1,
        "tally 1-10": 1,
        "tally 11-40": 1,
        "blank": 2,
        "crossed out or unreadable": 1,
    }


def test_report_counts_photographs_and_cells() -> None:
    """One line for the photographs, one for each slice, with the rate and its bounds."""
    results = [
        PhotoResult("a", "0", "read", ()),
        PhotoResult("b", "1", "retake", ("x",)),
        PhotoResult("c", "2", "read", ()),
    ]
    lines = report([_judged()] * 8 + [_judged(right=False)] * 2, results).splitlines()

    assert lines[0] == "3 photographs: 2 read, 1 to take again, 0 unreadable"
    assert lines[2].split()[:6] == ["all", "cells", "10", "80.00%", "100.0%", "2"]
    assert "200.00 (25.21-556.10)" in lines[2]


def test_every_sheet_in_a_photograph_counts_for_its_truth() -> None:
    """Read whole it is as it should be, and only then: with one of two sheets, or another status, it is not."""
    first, second = (
        PhotoResult("a", "0", "read", (), readings=(Reading(i, "code", "BK", 1, False, ()),)) for i in "xy"
    )
    truth = PhotoTruth("read", {"x": Truth("BK"), "y": Truth("BK")})

    assert as_it_should(replace(first, others=(second,)), truth)
    assert not as_it_should(first, truth)
    assert as_it_should(replace(first, status="retake"), replace(truth, expect="retake"))
    assert not as_it_should(replace(first, others=(second,)), replace(truth, expect="retake"))


# --- manifests -------------------------------------------------------------------------------------------


def test_truth_is_read_by_digest(tmp_path) -> None:
    """Missing marks are plain, missing expectations 'read'."""
    path = tmp_path / "manifest.json"
    path.write_text(
        json.dumps(
            {
                "photos": [
                    {
                        "sha256": "ab",
                        "cells": {"x": {"value": None, "mark": "struck", "must_flag": True}, "y": {"value": 7}},
                    },
                    {"sha256": "cd", "expect": "retake", "cells": {}},
                ]
            }
        ),
        encoding="utf-8",
    )

    assert read_truth(path) == {
        "ab": PhotoTruth("read", {"x": Truth(None, True, "struck"), "y": Truth(7)}),
        "cd": PhotoTruth("retake", {}),
    }


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"photos": [{}]}', '{"photos": 3}', '{"photos": [{"sha256": "a", "cells": []}]}']
)
def test_a_file_that_is_no_manifest_is_named(tmp_path, text: str) -> None:
    path = tmp_path / "manifest.json"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(ValueError, match=r"manifest\.json: not a manifest of photographs with 'sha256' and 'cells'"):
        read_truth(path)


def test_a_missing_manifest_is_named(tmp_path) -> None:
    with pytest.raises(ValueError, match=r"nowhere\.json: not a manifest"):
        read_truth(tmp_path / "nowhere.json")
