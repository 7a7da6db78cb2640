"""Marks that no pencil makes; ink is drawn on an empty page, so that the answers can be seen in the test."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.doubts import doubts_of
from digitise.reader.ink import InkPage, extract_ink
from digitise.reader.read import decode_page, read_page
from digitise.reader.stray import (
    along_rule,
    broad_ink,
    faintly_written,
    joined,
    lies_flat,
    ringed,
    rubbed_out,
    runs_through,
    shines,
    usual_outside,
)
from digitise.sheets.layout import Cell

BOX, NEXT = (60.0, 60.0, 16.0, 8.0), (77.0, 60.0, 8.0, 8.0)
THRESHOLD = 0.2


def _page(*lines: tuple[float, float, float, float], width_mm: float = 0.6, ink: float = 0.6) -> InkPage:
    """A page with straight lines from (x0, y0) to (x1, y1), mm."""
    raster = np.zeros((2376, 1680), np.float32)
    for x0, y0, x1, y1 in lines:
        ends = [tuple(round(v * FLAT_PX_PER_MM) for v in p) for p in ((x0, y0), (x1, y1))]
        cv2.line(raster, *ends, ink, round(width_mm * FLAT_PX_PER_MM))
    return InkPage(raster, 0.01, ink)


@pytest.mark.parametrize(
    ("line", "through"),
    [
        pytest.param((66, 50, 70, 78), True, id="a-crease-from-above-to-below"),
        pytest.param((50, 63, 90, 65), True, id="a-hair-from-left-to-right"),
        pytest.param((66, 59, 67, 69), False, id="a-stroke-that-overruns-both-rules-a-little"),
        pytest.param((66, 62, 67, 80), False, id="a-stroke-that-overruns-one-rule-far"),
        pytest.param((62, 64, 74, 64), False, id="a-dash"),
        pytest.param((58, 50, 58, 78), False, id="a-line-beside-the-box"),
    ],
)
def test_a_line_runs_through_a_box_that_it_leaves_on_two_opposite_sides(line, through: bool) -> None:
    assert runs_through(_page(line), BOX, THRESHOLD) is through


def test_faint_line_is_not_ink() -> None:
    assert not runs_through(_page((66, 50, 70, 78), ink=0.1), BOX, THRESHOLD)


@pytest.mark.parametrize(
    ("line", "along"),
    [
        pytest.param((60.1, 61, 60.5, 67), True, id="left-of-a-rule-that-leans-away-from-its-place"),
        pytest.param((59.2, 60, 59.2, 68), True, id="a-rule-that-lies-outside"),
        pytest.param((76.8, 60, 76.9, 68), True, id="on-the-other-side"),
        pytest.param((61.8, 61, 62.0, 67), False, id="a-stroke-near-the-rule"),
        pytest.param((59, 66, 64, 62), False, id="a-bar-across-the-rule"),
        pytest.param((60.2, 61, 60.2, 63), False, id="a-short-mark"),
    ],
)
def test_what_lies_along_an_upright_rule_may_be_the_rule(line, along: bool) -> None:
    """Where a page is bent more than its flattening follows, part of a rule stays and looks like a stroke."""
    assert along_rule(_page(line), BOX, THRESHOLD) is along


def test_blur_that_fills_the_gap_beside_every_box_is_no_mark_along_its_rule() -> None:
    """A phone that moved level smears the rules of two neighbours into one; a stroke there is darker still. What is left
    inside a box may be counted, and is in doubt however many boxes have it.
    """
    boxes = [(60.0, y, 16.0, 8.0) for y in (60.0, 72.0, 84.0, 96.0)]
    gaps = _page(*((77.0, y, 77.0, y + 8) for _, y, _, _ in boxes), ink=0.25)
    stroke = _page((77.0, 61.0, 77.0, 67.0))
    both = replace(gaps, ink=1 - (1 - gaps.ink) * (1 - stroke.ink))
    within = _page(*((75.4, y, 75.4, y + 8) for _, y, _, _ in boxes), ink=0.25)

    def found(page: InkPage) -> list[bool]:
        usual = usual_outside(page, boxes)
        return [along_rule(page, box, THRESHOLD, usual) for box in boxes]

    assert [along_rule(gaps, box, THRESHOLD) for box in boxes] == [True] * 4
    assert found(gaps) == [False] * 4
    assert found(both) == [True, False, False, False]
    assert found(within) == [True] * 4


@pytest.mark.parametrize(
    ("lines", "one"),
    [
        pytest.param([(70, 66, 82, 62)], True, id="a-crease-over-both"),
        pytest.param([(70, 64, 74, 64), (79, 64, 83, 64)], False, id="a-dash-in-each"),
        pytest.param([(66, 62, 66, 67), (77.2, 62, 82, 66)], False, id="a-stroke-and-a-digit"),
    ],
)
def test_one_mark_in_two_boxes_speaks_twice(lines, one: bool) -> None:
    """A crease over a tally and its total would read as a dash in both, and each would vouch for the other."""
    assert joined(_page(*lines), BOX, NEXT, THRESHOLD) is one


def test_broad_ink_is_a_shadow_and_crossing_strokes_are_not(layouts) -> None:
    layout = next(one for one in layouts if one.sheet == "site" and one.paper == "A4")
    shaded, written = layout.cells[0], layout.cells[5]
    x, y, w, h = shaded.box_mm
    u, v, _, high = written.box_mm
    page = _page((x - 10, y + h, x + w + 10, y), width_mm=5.0)
    strokes = _page(*((u + 1.5 + 1.6 * k, v + 1, u + 1.5 + 1.6 * k, v + high - 1) for k in range(4)), width_mm=0.9)
    both = InkPage(np.maximum(page.ink, strokes.ink), 0.01, 0.6)

    assert shaded.id in broad_ink(both, layout, THRESHOLD)
    assert written.id not in broad_ink(both, layout, THRESHOLD)
    assert broad_ink(strokes, layout, THRESHOLD) == frozenset()


def test_strokes_of_a_blunt_pencil_may_run_together(layouts) -> None:
    """Seven strokes and a bar, so broad that no paper is left between them; as pale as a shadow they are one."""
    layout = next(one for one in layouts if one.sheet == "fish" and one.paper == "A4")
    tally = next(c for c in layout.cells if c.kind == "tally")
    x, y, _, h = tally.box_mm
    uprights = ((x + 2 + 1.0 * k, y + h / 2 - 1.4, x + 2 + 1.0 * k, y + h / 2 + 1.4) for k in range(7))
    page = _page(*uprights, (x + 1, y + h / 2 + 1, x + 9, y + h / 2 - 1), width_mm=1.0)

    assert broad_ink(page, layout, THRESHOLD) == frozenset()
    assert tally.id in broad_ink(InkPage(0.7 * page.ink, 0.01, 0.6), layout, THRESHOLD)


def test_a_stain_as_dark_as_pencil_is_told_by_its_breadth(layouts) -> None:
    layout = next(one for one in layouts if one.sheet == "fish" and one.paper == "A4")
    tally = next(c for c in layout.cells if c.kind == "tally")
    x, y, _, h = tally.box_mm
    page = _page((x + 6, y + h / 2, x + 12, y + h / 2), width_mm=5.5)

    assert broad_ink(page, layout, THRESHOLD) == {tally.id}


def test_a_tick_box_filled_in_is_a_mark_and_a_stain_over_it_is_none(layouts) -> None:
    layout = next(one for one in layouts if one.sheet == "site" and one.paper == "A4")
    ticks = [c for c in layout.cells if c.kind == "tick"]
    filled, stained = ticks[0], ticks[-1]
    x, y, w, h = filled.box_mm
    u, v, wide, high = stained.box_mm
    inside = _page((x + 3, y + h / 2, x + w - 3, y + h / 2), width_mm=3.5)
    beyond = _page((u - 6, v + high / 2, u + wide + 6, v + high / 2), width_mm=3.5)
    both = InkPage(np.maximum(inside.ink, beyond.ink), 0.01, 0.6)

    found = broad_ink(both, layout, THRESHOLD)

    assert filled.id not in found
    assert stained.id in found


@pytest.mark.parametrize(("share", "left"), [(0.45, True), (0.7, True), (0.85, False), (1.0, False)])
def test_ink_far_fainter_than_the_pages_pencil_was_rubbed_out(share: float, left: bool) -> None:
    """A stroke at this share of the pencil; firm is what reaches 0.78 of it."""
    page = _page((66, 62, 67, 67), ink=share * 0.6)

    assert rubbed_out(InkPage(page.ink, 0.01, 0.6), BOX, 0.3 * 0.6) is left


def test_what_is_read_where_no_ink_is_was_rubbed_out() -> None:
    """The network may see a ghost that is fainter than any ink."""
    assert rubbed_out(_page((10, 10, 20, 20)), BOX, THRESHOLD)


@pytest.mark.parametrize(
    ("line", "ink", "seen"),
    [
        pytest.param((66, 61.5, 67, 67), 0.12, True, id="a-stroke-a-fifth-as-dark-as-the-pencil"),
        pytest.param((66, 61.5, 67, 67), 0.045, True, id="a-stroke-by-the-hardest-pencil"),
        pytest.param((66, 61.5, 67, 67), 0.025, False, id="as-pale-as-paper-may-be"),
        pytest.param((66, 64, 66.5, 64.5), 0.6, False, id="a-speck"),
        pytest.param((66, 50, 67, 61), 0.12, False, id="a-neighbours-stroke-that-ends-here"),
    ],
)
def test_a_faint_mark_in_a_blank_box_is_not_nothing(line, ink: float, seen: bool) -> None:
    assert faintly_written(InkPage(_page(line, ink=ink).ink, 0.005, 0.6), BOX) is seen


@pytest.mark.parametrize(("core", "seen"), [(0.6, False), (0.12, True), (0.0, True)])
def test_where_all_pencil_is_pale_or_none_is_seen_a_short_faint_stroke_is_not_nothing(core: float, seen: bool) -> None:
    page = _page((66, 62.5, 66.4, 65.2), ink=0.024, width_mm=0.4)

    assert faintly_written(InkPage(page.ink, 0.003, max(0.15, core), core=core), BOX) is seen


@pytest.mark.parametrize(
    ("line", "share", "seen"),
    [
        pytest.param((66, 62, 67, 67), 1.15, True, id="a-stroke-that-reflects-the-light"),
        pytest.param((66, 62, 67, 67), 1.02, False, id="as-bright-as-paper-may-be"),
        pytest.param((66, 64, 66.5, 64.5), 1.15, False, id="a-speck"),
        pytest.param((60, 58, 76, 58), 1.15, False, id="beside-the-box"),
        pytest.param((66, 62, 67, 67), 0.6, False, id="dark-pencil"),
    ],
)
def test_a_mark_brighter_than_its_paper_shines(line, share: float, seen: bool) -> None:
    """On paper of grey 180 that falls off to the right by a fifth, as under a lamp, and beside dark rules."""
    image = np.tile(np.linspace(200, 160, 1680), (2376, 1))
    x, y, w, h = (round(v * FLAT_PX_PER_MM) for v in BOX)
    cv2.rectangle(image, (x - 1, y - 1), (x + w, y + h), 40.0, 3)
    stroke = np.zeros(image.shape, np.uint8)
    cv2.line(stroke, *(tuple(round(v * FLAT_PX_PER_MM) for v in p) for p in (line[:2], line[2:])), 1, 5)
    image[stroke > 0] *= share

    assert shines(np.rint(image).astype(np.uint8), Cell("a/b", "text", BOX, "A")) is seen


def test_entries_by_a_faint_pencil_beside_a_dark_one_go_to_a_person(layouts, printed, page_of) -> None:
    """Three strokes a fifth as dark as those of the next rows read as blank, which nobody may take for nothing seen."""
    layout = next(one for one in layouts if one.sheet == "fish" and one.paper == "A4")
    image, (first, *others) = printed("fish").copy(), [c for c in layout.cells if c.kind == "tally"][:6]
    for cell in (first, *others[1:]):
        x, y, _, h = (round(v * FLAT_PX_PER_MM) for v in cell.box_mm)
        for k in range(3):
            at = x + 24 + 14 * k
            cv2.line(image, (at, y + 16), (at, y + h - 16), 190 if cell is first else 35, 5, cv2.LINE_AA)
    read = {r.cell: r for r in read_page(page_of(layout, image))}

    assert read[first.id].flagged
    assert (read[others[0].id].value, read[others[0].id].flagged) == (None, False)


@pytest.mark.parametrize(
    ("axes_mm", "arc", "ring"),
    [
        pytest.param((11, 7), (0, 360), True, id="a-ring"),
        pytest.param((11, 7), (40, 320), True, id="a-ring-open-on-one-side"),
        pytest.param((11, 7), (0, 180), False, id="half-a-ring"),
        pytest.param((7, 3), (0, 360), False, id="a-ring-inside-the-box"),
        pytest.param((16, 12), (0, 360), False, id="a-ring-around-more-than-the-box"),
    ],
)
def test_a_ring_around_a_box_is_seen(axes_mm, arc, ring: bool) -> None:
    page = _page()
    axes = tuple(round(v * FLAT_PX_PER_MM) for v in axes_mm)
    centre = tuple(round(v * FLAT_PX_PER_MM) for v in (BOX[0] + BOX[2] / 2, BOX[1] + BOX[3] / 2))
    cv2.ellipse(page.ink, centre, axes, 0, *arc, 0.6, 5)
    assert ringed(page, BOX, THRESHOLD) is ring


def test_writing_on_two_sides_of_a_box_is_no_ring() -> None:
    """Printed words above a box and another box's entry beside it."""
    assert not ringed(_page((60, 58, 76, 58), (78, 60, 78, 68)), BOX, THRESHOLD)


def test_a_tick_box_in_a_ring_goes_to_a_person_and_an_empty_one_does_not(printed, layout, page_of) -> None:
    one = layout("site")
    image = printed("site").copy()
    x, y, w, h = one.by_id["site/cloud"].box_mm
    centre, axes = (round((x + w / 2) * 8), round((y + h / 2) * 8)), (round(w * 8 * 0.68), round(h * 8 * 0.68))
    cv2.ellipse(image, centre, axes, 0, 0, 360, 90, 5, cv2.LINE_AA)
    readings = {r.cell: r for r in read_page(page_of(one, image))}

    assert readings["site/cloud"].flagged
    assert [readings[f"site/{i}"].flagged for i in ("sun", "rain", "wind", "current", "boats")] == [False] * 5


@pytest.mark.parametrize(
    ("lines", "flat"),
    [
        pytest.param([(62, 64, 74, 64)], True, id="a-dash"),
        pytest.param([(61, 64, 66, 64), (67, 63, 67, 65), (68.5, 63, 68.5, 65), (70, 64, 75, 64)], True, id="ditto"),
        pytest.param([(64, 61, 64, 67), (64, 61, 70, 61), (64, 64, 68, 64)], False, id="an-F"),
        pytest.param([(61, 61, 63, 67), (63, 67, 66, 62), (66, 62, 69, 67), (69, 67, 72, 61)], False, id="a-broad-W"),
        pytest.param([], False, id="nothing"),
    ],
)
def test_what_lies_flat_is_no_letter(lines, flat: bool) -> None:
    assert lies_flat(_page(*lines), BOX, THRESHOLD) is flat


def test_a_letter_as_flat_as_a_dash_goes_to_a_person(printed, layout, page_of) -> None:
    """A K beside a dash with a hook, 1.6 mm high and 6 mm broad, is no sure KL; beside a plain L it is."""
    one = layout("substrate")
    first, second = one.by_id["substrate/4"].characters_mm
    for high, flagged in ((1.6, True), (6.0, False)):
        image = printed("substrate").copy()
        x, y, w, h = first
        left, right, top, foot = x + 2.5, x + w - 2.5, y + 2, y + h - 2
        middle = (left, y + h / 2)
        lines = [[(left, top), (left, foot)], [(right, top), middle, (right, foot)]]
        x, y, w, h = second
        left, top = x + (w - 6) / 2, y + (h - high) / 2
        lines.append([(left, top), (left, top + high), (left + 6, top + high)])
        for line in lines:
            cv2.polylines(image, [np.round(np.array(line) * 8).astype(np.int32)], False, 90, 5, cv2.LINE_AA)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == "substrate/4")

        assert (reading.value, reading.flagged) == ("KL", flagged)


def test_a_count_with_a_stroke_along_the_rule_and_no_total_goes_to_a_person(printed, layout, page_of) -> None:
    """Three strokes, the first of them 0.5 mm or 2 mm from the left rule."""
    one = layout("fish")
    cell = next(c for c in one.cells if c.kind == "tally")
    for first, doubt in ((0.5, True), (2.0, False)):
        image = printed("fish").copy()
        x, y, _, h = cell.box_mm
        for at in (first, first + 2, first + 4):
            ends = [(round((x + at) * 8), round(v * 8)) for v in (y + 2, y + h - 2)]
            cv2.line(image, *ends, 90, 5, cv2.LINE_AA)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

        assert reading.value == 3
        assert ("near-rule" in reading.reasons) is doubt


def test_a_gap_between_rules_that_is_dark_all_over_a_page_puts_no_count_in_doubt(printed, layout, page_of) -> None:
    one, image = layout("fish"), printed("fish").copy()
    tallies = [c for c in one.cells if c.kind == "tally"]
    for cell in tallies:
        x, y, _, h = cell.box_mm
        for at in (4.0, 7.0):
            cv2.line(image, *[(round((x + at) * 8), round(v * 8)) for v in (y + 2, y + h - 2)], 90, 5, cv2.LINE_AA)
    page = page_of(one, image)
    cells, ink = decode_page(page), extract_ink(image, one)
    assert "near-rule" not in doubts_of(ink, page, cells).values()
    for cell in tallies:
        x, y, w, h = cell.box_mm
        ink.ink[round(y * 8) : round((y + h) * 8), round((x + w + 0.5) * 8) : round((x + w + 1.0) * 8)] = 0.3

    assert "near-rule" not in doubts_of(ink, page, cells).values()


@pytest.mark.parametrize(("beyond_mm", "doubt"), [(6.0, True), (2.5, False)])
def test_a_line_that_ends_in_a_tally_box_and_comes_from_afar_is_no_sure_stroke(
    printed, layout, page_of, beyond_mm: float, doubt: bool
) -> None:
    """A hair that ends in an empty box may be counted for a stroke; a stroke may overrun the rule a little."""
    one = layout("fish")
    cell = next(c for c in one.cells if c.kind == "tally")
    image, (x, y, _, h) = printed("fish").copy(), cell.box_mm
    ends = [(round(v * 8), round(w * 8)) for v, w in ((x + 20, y + 1.5), (x + 20 + beyond_mm / 3, y + h + beyond_mm))]
    cv2.line(image, *ends, 90, 4, cv2.LINE_AA)
    reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

    assert reading.value == 1
    assert ("line-drawn" in reading.reasons) is doubt


@pytest.mark.parametrize(("beyond_mm", "doubt"), [(12.0, True), (5.0, False)])
def test_a_line_that_ends_in_a_tick_box_and_comes_from_afar_is_no_sure_tick(
    printed, layout, page_of, beyond_mm: float, doubt: bool
) -> None:
    """ "I looked for every row" would turn blank rows into none seen; the long arm of a tick may leave its box."""
    one = layout("fish")
    image, (x, y, w, h) = printed("fish").copy(), one.by_id["fish/none-seen"].box_mm
    ends = [(round(v * 8), round(u * 8)) for v, u in ((x - beyond_mm, y - 0.4 * beyond_mm), (x + w - 2, y + h - 1.5))]
    cv2.line(image, *ends, 90, 4, cv2.LINE_AA)
    reading = next(r for r in read_page(page_of(one, image)) if r.cell == "fish/none-seen")

    assert reading.value is True
    assert ("line-drawn" in reading.reasons) is doubt


def test_a_line_drawn_down_through_a_box_of_digits_goes_to_a_person(printed, layout, page_of) -> None:
    """As a ditto mark: it leaves the box by 0.8 mm above and below. A tall one that reaches both rules does not."""
    one = layout("site")
    for beyond, flagged in ((0.8, True), (-0.5, False)):
        image = printed("site").copy()
        x, y, w, h = one.by_id["site/team"].box_mm
        ends = [(round((x + w / 2) * 8), round(v * 8)) for v in (y - beyond, y + h + beyond)]
        cv2.line(image, *ends, 90, 5, cv2.LINE_AA)
        reading = next(r for r in read_page(page_of(one, image)) if r.cell == "site/team")

        assert reading.value == 1
        assert ("unsure" in reading.reasons) is flagged


def _lines(image: np.ndarray, lines, grey: int, width_px: int) -> None:
    for ends in lines:
        cv2.line(image, *(tuple(round(float(v) * 8) for v in p) for p in ends), grey, width_px, cv2.LINE_AA)


@pytest.mark.parametrize("fibres", [0, 900])
def test_a_mark_no_larger_than_the_papers_fibres_goes_to_a_person(printed, layout, page_of, fibres: int) -> None:
    """Three fibres in a box to tick look like a mark; on paper without any others, they are one. A cross stays one."""
    one = layout("invertebrate")
    image, rng = printed("invertebrate").copy(), np.random.default_rng(3)
    (x, y, w, h), (left, top, wide, high) = boxes = [
        one.by_id[f"invertebrate/{i}/0-10/tick"].box_mm for i in ("anchor-damage", "fishing-gear")
    ]
    kept = [image[int(b * 8) : int((b + d) * 8), int(a * 8) : int((a + c) * 8)].copy() for a, b, c, d in boxes]
    for place, turn in zip(rng.uniform((12, 45), (198, 270), (fibres, 2)), rng.uniform(0, np.pi, fibres), strict=True):
        half = rng.uniform(0.8, 1.2) * np.array([np.cos(turn), np.sin(turn)])
        _lines(image, [(place - half, place + half)], 90, 4)
    for (a, b, c, d), bare in zip(boxes, kept, strict=True):
        image[int(b * 8) : int((b + d) * 8), int(a * 8) : int((a + c) * 8)] = bare
    middle = np.array((x + w / 2, y + h / 2))
    fibre = [((-2.4, 0.2), (-1, 1.4)), ((0.1, 1.6), (1, 0.1)), ((1.6, -0.9), (2.4, -2.5))]
    _lines(image, [(middle + p, middle + q) for p, q in fibre], 90, 4)
    across = ((left + 2, top + 2), (left + wide - 2, top + high - 2))
    _lines(image, [across, ((left + wide - 2, top + 2), (left + 2, top + high - 2))], 90, 4)
    readings = {r.cell.split("/")[1]: r for r in read_page(page_of(one, image)) if r.cell.endswith("0-10/tick")}

    assert readings["anchor-damage"].value is True
    assert readings["anchor-damage"].flagged is bool(fibres)
    assert (readings["fishing-gear"].value, readings["fishing-gear"].flagged) == (True, False)


@pytest.mark.parametrize(
    ("wide_mm", "share", "doubt"),
    [
        pytest.param(2.0, 0.15, True, id="a-fold-that-reflects-light"),
        pytest.param(0.3, 0.15, False, id="an-edge-that-was-sharpened"),
        pytest.param(2.0, 0.02, False, id="a-ripple-of-light"),
        pytest.param(30.0, 0.15, False, id="a-patch-of-sun"),
    ],
)
def test_a_strip_of_light_through_a_cell_may_hide_a_stroke(printed, layout, page_of, wide_mm, share, doubt) -> None:
    """Three strokes, and beside them the strip, from above the box to below it; the rules stay dark."""
    one = layout("fish")
    cell = next(c for c in one.cells if c.kind == "tally")
    x, y, _, h = cell.box_mm
    image = np.clip(printed("fish"), 0, 190)
    _lines(image, [((x + at, y + 2), (x + at, y + h - 2)) for at in (3, 5, 7)], 90, 5)
    strip = image[:, round((x + 8.5) * 8) : round((x + 8.5 + wide_mm) * 8)]
    strip[strip > 150] = round(190 * (1 + share))
    reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

    assert reading.value == 3
    assert ("hard-to-see" in reading.reasons) is doubt


@pytest.mark.parametrize(("total", "shown"), [(6, False), (5, True), (None, True)])
def test_a_strip_of_light_hides_nothing_where_the_total_says_the_same(written, layout, page_of, total, shown) -> None:
    """Six strokes under a strip beside them: settled by a written 6, not by a 5, and not without a total."""
    one = layout("fish")
    cell = next(c for c in one.cells if c.kind == "tally")
    other = cell.id.replace("/tally", "/total")
    image = np.clip(
        written("fish", {cell.id: 6} | ({} if total is None else {other: total}), hand=5, seed=3).image, 0, 190
    )
    x, _, w, _ = cell.box_mm
    strip = image[:, round((x + w - 6) * 8) : round((x + w - 4) * 8)]
    strip[strip > 150] = round(190 * 1.15)
    reading = next(r for r in read_page(page_of(one, image)) if r.cell == cell.id)

    assert reading.value == 6
    assert reading.flagged is shown
