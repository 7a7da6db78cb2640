"""Strokes of one row are told apart however they lean and touch, and bars by the gaps they darken.

Rows are drawn here with OpenCV's lines, not with the simulator's pencil, so that what is counted is known by construction.
"""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM as PX
from digitise.reader.strokes import RowCount, count_row

THRESHOLD = 0.3  # of a pencil of darkness 1, as on pages
HEIGHT_MM = 6.0


def _row(strokes, *, width_mm: float = 0.5) -> np.ndarray:
    """Lines ((x0, y0), (x1, y1)) in millimetres, drawn with round ends and a soft edge."""
    fine = 4
    right = max(x for line in strokes for x, _ in line) + 3.0
    canvas = np.zeros((int((HEIGHT_MM + 4) * PX * fine), int((right + 3) * PX * fine)), np.uint8)
    for line in strokes:
        a, b = (tuple(round((v + 2.0) * PX * fine) for v in point) for point in line)
        cv2.line(canvas, a, b, 255, round(width_mm * PX * fine), cv2.LINE_AA)
    small = cv2.resize(canvas, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small.astype(np.float32) / 255, (0, 0), 1.0)


def _upright(x: float, lean_deg: float = 0.0) -> tuple[tuple[float, float], tuple[float, float]]:
    off = math.tan(math.radians(lean_deg)) * HEIGHT_MM / 2
    return (x + off, 0.0), (x - off, HEIGHT_MM)


def _side_by_side(count: int, apart_mm: float, lean_deg: float = 0.0) -> list:
    return [_upright(4.0 + i * apart_mm, lean_deg) for i in range(count)]


@pytest.mark.parametrize("lean_deg", [-30, -15, 0, 15, 30])
@pytest.mark.parametrize("count", [1, 2, 4, 7])
def test_upright_strokes_are_counted_however_they_lean(count: int, lean_deg: float) -> None:
    assert count_row(_row(_side_by_side(count, 1.6, lean_deg)), THRESHOLD) == RowCount(count, 0)


@pytest.mark.parametrize("apart_mm", [0.75, 0.85])
def test_strokes_whose_ink_touches_stay_apart(apart_mm: float) -> None:
    row = _row(_side_by_side(4, apart_mm), width_mm=0.55)
    between = row[row.shape[0] // 2, round((2 + 4 + apart_mm / 2) * PX)]
    assert between > THRESHOLD, "the drawing is meant to leave no paper between strokes"
    assert count_row(row, THRESHOLD) == RowCount(4, 0)


@pytest.mark.parametrize("slope", [-1.2, -0.5, 0.0, 0.5, 1.2])  # millimetres down for each one to the right
@pytest.mark.parametrize("lean_deg", [-15, 0, 15])
def test_a_line_across_four_strokes_is_one_bar(slope: float, lean_deg: float) -> None:
    middle = 4.0 + 1.5 * 1.4
    bar = tuple((middle + x, HEIGHT_MM / 2 + slope * x) for x in (-2.4, 2.4))
    assert count_row(_row([*_side_by_side(4, 1.4, lean_deg), bar]), THRESHOLD) == RowCount(4, 1)


@pytest.mark.parametrize("apart_mm", [3.5, 4.0, 4.5])
@pytest.mark.parametrize("lean_deg", [-10, 10])
def test_a_bar_across_strokes_that_stand_wide_apart_is_one(apart_mm: float, lean_deg: float) -> None:
    """Four strokes and a bar are five in a large hand too: the other counter is used to narrow ones, and may say four."""
    bar = ((3.0, 4.5), (5.0 + 3 * apart_mm, 1.5))
    assert count_row(_row([*_side_by_side(4, apart_mm, lean_deg), bar]), THRESHOLD) == RowCount(4, 1)


def test_two_groups_have_a_bar_each_and_what_follows_none() -> None:
    first, second = _side_by_side(4, 1.4), [_upright(12.0 + i * 1.4) for i in range(4)]
    bars = [((4.0 + at - 0.5, 4.5), (4.0 + at + 4.7, 1.5)) for at in (0.0, 8.0)]
    loose = [_upright(20.0), _upright(21.5)]
    assert count_row(_row([*first, *second, *bars, *loose]), THRESHOLD) == RowCount(10, 2)


def test_a_hook_into_one_gap_is_no_bar() -> None:
    hook = ((4.0, HEIGHT_MM), (4.0 + 1.0, HEIGHT_MM - 1.0))
    assert count_row(_row([*_side_by_side(3, 1.6), hook]), THRESHOLD) == RowCount(3, 0)


def test_strokes_that_meet_at_one_end_are_two() -> None:
    assert count_row(_row([((4.0, 0.0), (5.0, HEIGHT_MM)), ((6.0, 0.0), (5.0, HEIGHT_MM))]), THRESHOLD) == RowCount(
        2, 0
    )


def test_one_stroke_upon_another_is_told_where_the_two_part() -> None:
    whole = ((5.0, 0.0), (5.0, HEIGHT_MM))
    assert count_row(_row([whole, ((5.7, 0.0), (5.0, 3.5))]), THRESHOLD) == RowCount(1, 0, parting=1)
    assert count_row(_row([whole]), THRESHOLD) == RowCount(1, 0)


def test_bare_paper_has_no_strokes() -> None:
    grain = np.random.default_rng(3).normal(0.0, 0.05, (70, 200)).astype(np.float32)
    assert count_row(grain, THRESHOLD) == RowCount(0, 0)


def test_a_row_and_its_mirror_hold_as_many_strokes() -> None:
    rng = np.random.default_rng(11)
    for count in range(1, 13):
        places = itertools.accumulate(rng.uniform(1.3, 2.2, count))
        row = _row([_upright(3.0 + x, float(rng.uniform(-6, 6))) for x in places])
        assert (
            count_row(row, THRESHOLD) == count_row(np.ascontiguousarray(row[:, ::-1]), THRESHOLD) == RowCount(count, 0)
        )


@pytest.mark.parametrize(("share", "bars", "faint"), [(1.0, 1, 0), (0.45, 0, 1), (0.1, 0, 0)])
def test_a_bar_drawn_lightly_is_told_apart_from_a_sure_one_and_from_none(share: float, bars: int, faint: int) -> None:
    """A bar as dark as the strokes is a bar, one of half their darkness may be, and a tenth of it is paper."""
    strokes, bar = _side_by_side(4, 1.6), ((3.2, 4.6), (9.6, 1.6))
    barred, bare = _row([*strokes, bar]), _row(strokes)
    bare = np.pad(bare, ((0, 0), (0, barred.shape[1] - bare.shape[1])))
    row = np.maximum(bare, share * barred)
    assert count_row(row, THRESHOLD) == RowCount(4, bars, 0, faint)
