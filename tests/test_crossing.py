"""Lines from one code to another and across one; ink is drawn on an empty page, so that the answers can be seen."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader import read
from digitise.reader.crossing import between_codes, line_across, line_between, line_over_strokes
from digitise.reader.ink import InkPage
from digitise.reader.read import read_page
from digitise.reader.tally import StrokeCount
from digitise.reader.tally_network import LearnedCount

BOX = (60.0, 60.0, 20.0, 13.0)
THRESHOLD = 0.2
K = [[(0, 0), (0, 7)], [(5, 0), (0, 3.5), (5, 7)]]
L = [[(0, 0), (0, 7), (5, 7)]]


def _page(*lines) -> InkPage:
    """A page with lines through these points, mm."""
    raster = np.zeros((2376, 1680), np.float32)
    _draw(raster, lines, 0.6)
    return InkPage(raster, 0.01, 0.6)


def _draw(raster: np.ndarray, lines, ink: float) -> None:
    for line in lines:
        points = np.round(np.array(line, float) * FLAT_PX_PER_MM).astype(np.int32)
        cv2.polylines(raster, [points], False, ink, 5, cv2.LINE_AA)


def _code(cell) -> list[list[tuple[float, float]]]:
    """KL as strokes on the page, mm."""
    lines = []
    for (x, y, w, h), letter in zip(cell.characters_mm, (K, L), strict=True):
        lines += [[(x + (w - 5) / 2 + u, y + (h - 7) / 2 + v) for u, v in stroke] for stroke in letter]
    return lines


@pytest.mark.parametrize(
    ("lines", "across"),
    [
        pytest.param([[(61, 66), (79, 67)]], True, id="level"),
        pytest.param([[(61, 71), (79, 62)]], True, id="aslant"),
        pytest.param([[(61, 66), (70, 66.5)], [(70.3, 66.5), (79, 67)]], True, id="with-a-small-gap"),
        pytest.param([[(62, 63), (68, 63)], [(72, 63), (78, 63)]], False, id="bars-of-two-letters"),
        pytest.param([[(61, 72.7), (79, 72.7)]], False, id="what-is-left-of-the-lower-rule"),
        pytest.param([[(61, 62), (65, 70), (70, 63), (75, 70), (79, 62)]], False, id="a-broad-W"),
        pytest.param([[(66, 50), (68, 80)]], False, id="upright"),
    ],
)
def test_a_line_across_both_letters_is_no_stroke_of_theirs(lines, across: bool) -> None:
    assert line_across(_page(*lines), BOX, THRESHOLD) is across


@pytest.mark.parametrize(
    ("lines", "between"),
    [
        pytest.param([[(65, 66), (75, 67)]], True, id="level"),
        pytest.param([[(65, 71), (75, 62)]], True, id="a-slash"),
        pytest.param([[(65, 61), (75, 71)]], True, id="the-other-way"),
        pytest.param([[(62, 66), (73, 66)]], False, id="from-one-letter-to-the-next-one's-edge"),
        pytest.param([[(65, 71), (75, 71.5)]], False, id="feet-of-two-letters"),
        pytest.param([[(62, 63), (68, 63)], [(72, 63), (78, 63)]], False, id="bars-of-two-letters"),
        pytest.param([[(64, 62), (70, 70), (76, 62)]], False, id="two-strokes-that-meet"),
        pytest.param([[(68, 50), (72, 80)]], False, id="upright"),
    ],
)
def test_a_line_from_one_letter_to_the_next_is_no_stroke_of_theirs(lines, between: bool) -> None:
    x, y, width, height = BOX
    boxes = [(x, y, width / 2, height), (x + width / 2, y, width / 2, height)]
    assert line_between(_page(*lines), boxes, THRESHOLD) is between


@pytest.mark.parametrize("two", [("4", "4.5"), ("19", "19.5")], ids=["in-the-first-column", "in-the-last"])
def test_one_mark_in_two_codes_is_told_and_an_overrun_is_not(layout, two) -> None:
    """An arrow beside two codes, its ends in both boxes, whole and broken where it crossed the rules; a letter that
    hangs 2 mm over its rule touches no other.
    """
    one = layout("substrate")
    (x, y, w, h), (_, below, _, _) = (one.by_id[f"substrate/{n}"].box_mm for n in two)
    arrow = [(-4, y + h / 2), (2, y + h / 2 + 1), (2, below + h / 2 - 1), (-4, below + h / 2)]
    arrow = [(x + w + u, v) for u, v in arrow]
    hanging = [(x + 5, y + 4), (x + 5, y + h + 2)]

    whole = _page(arrow)
    broken = InkPage(whole.ink.copy(), 0.01, 0.6)
    rule = round((x + w) * FLAT_PX_PER_MM)
    broken.ink[:, rule - 3 : rule + 4] = 0.0

    assert between_codes(whole, one, THRESHOLD) == {f"substrate/{n}" for n in two}
    assert between_codes(broken, one, THRESHOLD) == {f"substrate/{n}" for n in two}
    assert between_codes(_page(hanging), one, THRESHOLD) == frozenset()


def test_letters_that_touch_what_is_left_of_a_rule_are_not_one_mark(layout) -> None:
    """The lower rule of one box and the upper of the next, out of place, and a stroke from each letter to the next."""
    one = layout("substrate")
    (x, y, w, h), (_, below, _, _) = (one.by_id[f"substrate/{n}"].box_mm for n in (4, "4.5"))
    rules = [[(x, y + h + 0.4), (x + w, y + h + 0.4)], [(x, below - 0.4), (x + w, below - 0.4)]]
    letters = [[(x + 4, y + 3), (x + 4, y + h)], [(x + 15, below), (x + 15, below + 8)]]
    gap = [[(x + w - 1, y + h + 0.4), (x + w - 1, below - 0.4)]]

    assert between_codes(_page(*rules, *letters, *gap), one, THRESHOLD) == frozenset()


def test_a_code_struck_out_by_a_line_is_null_and_what_stood_there_is_named(printed, layout, page_of) -> None:
    """A plain KL; the same behind a line half as dark, which its own bars look like."""
    one = layout("substrate")
    cell = one.by_id["substrate/4"]
    x, y, w, h = cell.box_mm
    for struck in (False, True):
        image = printed("substrate").copy()
        if struck:
            _draw(image, [[(x + 1, y + h / 2 - 0.5), (x + w - 1, y + h / 2 + 0.5)]], 160)
        _draw(image, _code(cell), 90)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

        assert (reading.value, reading.flagged) == ((None, True) if struck else ("KL", False))
        assert "KL" in [value for value, _ in reading.candidates]
        assert ("crossed-out" in reading.reasons) is struck


def test_a_code_whose_letters_a_line_joins_is_suggested_and_goes_to_a_person(printed, layout, page_of) -> None:
    """A plain KL; the same with a short line, not as dark, from the middle of its K to that of its L: both stay plain."""
    one = layout("substrate")
    cell = one.by_id["substrate/4"]
    (x, y, w, h), (beside, *_) = cell.characters_mm
    for struck in (False, True):
        image = printed("substrate").copy()
        _draw(image, _code(cell), 90)
        if struck:
            _draw(image, [[(x + w / 2 - 0.5, y + h / 2 + 2), (beside + w / 2 - 0.5, y + h / 2 - 2)]], 150)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

        assert (reading.value, reading.flagged) == ("KL", struck)
        assert ("crossed-out" in reading.reasons) is struck


def test_a_line_down_a_column_leaves_no_code_accepted_where_it_begins_and_ends(printed, layout, page_of) -> None:
    """Through three codes, from the middle of the first to the middle of the third; the middle one is struck out."""
    one = layout("substrate")
    cells = [one.by_id[f"substrate/{n}"] for n in (3, "3.5", 4)]
    first, middle, last = (c.box_mm for c in cells)
    image = printed("substrate").copy()
    for cell in cells:
        _draw(image, _code(cell), 90)
    at = first[0] + first[2] / 2 + 2  # beside the printed divider
    _draw(image, [[(at, first[1] + first[3] / 2), (at, last[1] + last[3] / 2)]], 90)
    found = {r.cell: r for r in read_page(page_of(one, image))}

    assert [found[c.id].reasons for c in cells] == [("line-drawn",), ("crossed-out",), ("line-drawn",)]
    assert found[cells[1].id].value is None
    assert "KL" in [value for value, _ in found[cells[1].id].candidates]


def _tally(groups: tuple[int, ...], *, bars: bool = True) -> list[list[tuple[float, float]]]:
    """Groups of upright strokes 2 mm apart, those of four with a bar across, from (2, 2) mm on."""
    lines, x = [], 2.0
    for group in groups:
        lines += [[(x + 2 * k, 2), (x + 2 * k, 10)] for k in range(group)]
        lines += [[(x - 1, 9), (x + 2 * group - 1, 3)]] if bars and group == 4 else []
        x += 2 * group + 2
    return lines


@pytest.mark.parametrize(
    ("lines", "over"),
    [
        pytest.param(_tally((4, 3)), False, id="eight"),
        pytest.param([*_tally((4, 3)), [(1, 10), (18, 3)]], True, id="eight-struck-out"),
        pytest.param([*_tally((4, 4, 2)), [(1, 6), (26, 6.5)]], True, id="twelve-struck-out-level"),
        pytest.param(_tally((10,), bars=False), False, id="ten-without-bars"),
        pytest.param([*_tally((4, 4), bars=False), [(1, 6), (9, 6)], [(11, 6), (19, 6)]], False, id="two-level-bars"),
        pytest.param([], False, id="nothing"),
    ],
)
def test_a_line_over_all_groups_is_no_bar_of_one(lines, over: bool) -> None:
    raster = np.zeros((104, 320), np.float32)
    _draw(raster, lines, 0.6)

    assert line_over_strokes(raster, THRESHOLD) is over


def test_a_struck_out_count_is_null_though_both_counters_are_sure(printed, layout, page_of, monkeypatch) -> None:
    """Eight strokes, plain and under a slash, that both counters take for eight, as they do by some hands."""
    one = layout("fish")
    tally = next(c for c in one.cells if c.kind == "tally")
    monkeypatch.setattr(read, "contour_count", lambda *_: StrokeCount(8, 1, False, 20.0, 9.0, 20.0))
    monkeypatch.setattr(read, "learned_counts", lambda pictures, _: [LearnedCount(8.0, 0.0, 0.0)] * len(pictures))
    for struck in (False, True):
        image = printed("fish").copy()
        lines = [*_tally((4, 3)), *([[(1, 10), (18, 3)]] if struck else [])]
        _draw(image, [[(tally.box_mm[0] + x, tally.box_mm[1] + y) for x, y in line] for line in lines], 90)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == tally.id)

        assert (reading.value, "crossed-out" in reading.reasons) == ((None, True) if struck else (8, False))
        assert reading.candidates[0][0] == 8
