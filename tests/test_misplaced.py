"""Digits that did not find their boxes put a cell before a person; those that did, or only touch, do not."""

from __future__ import annotations

import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import Page
from digitise.reader.calibration import shipped_acceptance
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import extract_ink
from digitise.reader.misplaced import misplaced
from digitise.reader.read import decode_page
from digitise.simulate.drawn_hand import DrawnHand, drawn_style, hand_line
from digitise.simulate.hand import in_box
from digitise.simulate.pencil import Pencil, draw

PENCIL = Pencil(width_mm=0.6, darkness=0.75)
WATER = "site/temperature"  # two boxes, a printed point in a gap, one box


def _page(one, canvas: np.ndarray) -> Page:
    return Page(one, None, canvas, None, FLAT_PX_PER_MM, 0.2, frozenset())


def _is_misplaced(printed, layout, lines: list[tuple[float, float, float, float]]) -> bool:
    """Of lines (x0, y0, x1, y1) drawn where the water's temperature stands, in parts of its first box."""
    one, rng, canvas = layout("site"), np.random.default_rng(4), printed("site").copy()
    cell = one.by_id[WATER]
    x, y, width, height = cell.characters_mm[0]
    for line in lines:
        ends = np.array(line).reshape(2, 2) * (width, height) + (x, y)
        draw(canvas, (hand_line(ends, rng, bow=0.0),), pencil=PENCIL, px_per_mm=FLAT_PX_PER_MM, rng=rng)
    ink = extract_ink(canvas, one)
    return misplaced(ink, cell, ink_threshold(ink))


def _ones(*places: float) -> list[tuple[float, float, float, float]]:
    return [(x, 0.2, x, 0.8) for x in places]


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        pytest.param([], False, id="nothing"),
        pytest.param(_ones(0.5, 1.5), False, id="one-in-each"),
        pytest.param(_ones(0.25, 1.25), False, id="both-to-the-left"),
        pytest.param(_ones(0.95), True, id="on-the-line-between"),
        pytest.param([(0.95, 0.45, 0.95, 0.6)], False, id="a-short-mark-between"),
        pytest.param(_ones(1.2, 1.7), True, id="two-in-one-box"),
        pytest.param([(1.2, 0.2, 1.55, 0.8), (1.4, 0.2, 1.75, 0.8)], False, id="two-parts-one-over-the-other"),
        pytest.param([(1.2, 0.1, 1.2, 0.9), (1.7, 0.5, 1.7, 0.9)], False, id="a-shorter-part-beside"),
        pytest.param(_ones(1.5, 1.52), False, id="one-drawn-twice"),
        pytest.param([*_ones(0.4, 1.6), (0.4, 0.5, 1.6, 0.5)], False, id="two-that-touch"),
    ],
)
def test_a_digit_between_boxes_or_two_in_one_is_seen(printed, layout, lines, expected: bool) -> None:
    assert _is_misplaced(printed, layout, lines) is expected


def test_a_digit_over_the_printed_point_is_seen(printed, layout) -> None:
    """As any that lies nearer to the middle between two boxes than to that of one."""
    first, second, third = layout("site").by_id[WATER].characters_mm
    gap = (second[0] + second[2] + third[0]) / 2

    assert _is_misplaced(printed, layout, _ones((gap - first[0]) / first[2]))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("apart", [True, False])
def test_two_digits_in_one_box_are_for_a_person(printed, layout, seed: int, apart: bool) -> None:
    """72.1 with a box for each digit is read; with the 7 and the 2 in the second box nothing is accepted."""
    one, rng, canvas = layout("site"), np.random.default_rng(seed), printed("site").copy()
    hand, (first, second, third) = DrawnHand(drawn_style(rng)), one.by_id[WATER].characters_mm
    x, y, width, height = second
    halves = (x, y, width / 2, height), (x + width / 2, y, width / 2, height)
    for char, box in zip("721", (*((first, second) if apart else halves), third), strict=True):
        strokes = in_box(hand.character(char, rng), box, rng=rng, size=0.6, sloppiness=0.0)
        draw(canvas, strokes, pencil=PENCIL, px_per_mm=FLAT_PX_PER_MM, rng=rng)
    group, decoded = decode_page(_page(one, canvas))[WATER]
    _, accepted = shipped_acceptance().judge(group, decoded.score, doubtful=bool(decoded.reasons))

    assert ("misplaced" not in decoded.reasons and decoded.value == 72.1) if apart else not accepted


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        ([(0.2, 0.2, 0.4, 0.8), (0.42, 0.2, 0.62, 0.8)], True),
        ([(0.5, 0.1, 0.5, 0.48), (0.55, 0.6, 0.55, 0.98)], False),
        ([(0.2, 0.1, 0.25, 0.9), (0.6, 0.4, 0.65, 0.9)], False),
    ],
    ids=["one leans over the other", "one that broke in two", "a part of one, much shorter"],
)
def test_two_digits_in_a_box_stand_beside_each_other_and_are_alike_in_height(printed, layout, lines, found) -> None:
    assert _is_misplaced(printed, layout, lines) is found


def test_the_strokes_beside_it_settle_where_a_total_stands(printed, layout, reef) -> None:
    """A 4 on the line between its boxes goes to a person by itself, not beside four strokes."""
    one, canvas = layout("fish"), printed("fish").copy()
    name = f"fish/{reef.sheets['fish'].rows[0].id}/0-10"
    rng = np.random.default_rng(2)
    hand, cell = DrawnHand(drawn_style(rng)), one.by_id[f"{name}/total"]
    x, y, width, height = cell.characters_mm[0]
    strokes = in_box(hand.character("4", rng), (x + width / 2, y, width, height), rng=rng, size=0.6, sloppiness=0.0)
    draw(canvas, strokes, pencil=PENCIL, px_per_mm=FLAT_PX_PER_MM, rng=rng)
    alone = decode_page(_page(one, canvas))[f"{name}/total"][1]
    left, top, _, tall = one.by_id[f"{name}/tally"].box_mm
    for i in range(4):
        ends = np.array([[left + 5 + 2.5 * i, top + 0.2 * tall], [left + 5 + 2.5 * i, top + 0.8 * tall]])
        draw(canvas, (hand_line(ends, rng, bow=0.0),), pencil=PENCIL, px_per_mm=FLAT_PX_PER_MM, rng=rng)
    beside = decode_page(_page(one, canvas))[f"{name}/total"][1]

    assert "misplaced" in alone.reasons
    assert (beside.value, beside.reasons) == (4, ())
