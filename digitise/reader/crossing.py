"""Lines that nobody needs for writing: from one cell to another, and straight across what is written.

A code in one box looks whole where a line struck down a column begins or ends, or an arrow says that two entries
change places; a line across two letters, or all strokes of a tally, looks like a bar of theirs; the end of a line
drawn down empty tallies looks like a stroke. Ink is that of `digitise.reader.ink`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.bare import STEP
from digitise.reader.ink import InkPage
from digitise.reader.pieces import pieces_of
from digitise.sheets.layout import Box, Cell, Layout

WITHIN_MM = 0.6  # from a box's rules inward: ink here is in the box
LEAST_MM2 = 0.5  # of one mark in each of two cells
BROKEN_MM = 1.0  # of a line at the most, where it crosses a rule aslant that was removed
AROUND_MM = 5.0  # of all codes: so far outside an arrow from one to another is followed
LEVEL_MM = 2.5  # of such a line, or more: it would join the letters that touch it
ACROSS = 0.8  # of a cell's width: so long runs no stroke of a letter
RULE_LEFT_MM = 1.0  # from a box's upper and lower rule: what is left there of one out of its place is no line
STEEPEST_DEG, TURN_DEG = 40.0, 2.5  # of a line across, and from one direction tried to the next
STEEPEST_SLASH_DEG = 60.0  # of a line from one box to the next
DEEP, HALF_WAY = 0.45, 0.2  # of a box's width and height: so deep in both it lies, and so near half-way up between
BARE_MM, MOSTLY = 0.5, 0.8  # of paper in a line that goes on behind it, and share of a line that is inked
LONGER_THAN_A_BAR_MM, ALL_STROKES = 12.0, 0.85  # of a line across a tally, and share of its breadth
STEEPEST_BAR = 1.2  # rows a column of such a line
NEXT_ROW_MM, DEEP_MM = 6.0, 3.0  # to the row below at most; so deep in both lies a line from one to the other

_SCALE = FLAT_PX_PER_MM / STEP
_CLOSED = int(BROKEN_MM * _SCALE) + 1


def _climbs(steepest_deg: float) -> np.ndarray:
    """Rows a column of the directions tried, (N,)."""
    return np.tan(np.radians(np.arange(-steepest_deg, steepest_deg + TURN_DEG, TURN_DEG)))


_CLIMBS, _SLASHES = _climbs(STEEPEST_DEG), _climbs(STEEPEST_SLASH_DEG)


def between_codes(page: InkPage, layout: Layout, threshold: float) -> frozenset[str]:
    """Ids of the code cells that one mark lies in together: a line down a column, an arrow from one to another.

    Strokes of tallies, and digits beside them, run into the next row by themselves.
    """
    cells = [c for c in layout.cells if c.kind == "code"]
    if len(cells) < 2:
        return frozenset()
    low, high = np.min([c.box_mm[:2] for c in cells], axis=0), np.max([_end(c.box_mm) for c in cells], axis=0)
    ends = np.maximum(low - AROUND_MM, 0), high + AROUND_MM
    (x0, y0), (x1, y1) = (np.rint(v * _SCALE).astype(int) for v in ends)
    mask = _mask(page.ink[: STEP * y1, : STEP * x1], threshold)[y0:, x0:]
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((_CLOSED, _CLOSED), np.uint8))
    boxes = [(c.box_mm[0] - x0 / _SCALE, c.box_mm[1] - y0 / _SCALE, *c.box_mm[2:]) for c in cells]
    for box in boxes:
        _cut_rules(mask, box)
    count, labels = cv2.connectedComponents(mask, connectivity=8)
    holds = [_inside(labels, box, count) for box in boxes]
    many = np.sum(holds, axis=0) > 1
    return frozenset(c.id for c, inside in zip(cells, holds, strict=True) if (inside & many).any())


def down_rows(page: InkPage, layout: Layout, threshold: float) -> frozenset[str]:
    """Ids of the tallies and numbers, one above the other, that one mark lies deep in together: a line down some rows,
    a bracket, an arrow to the next. A stroke that is too long ends soon in the next row.
    """
    out = set()
    for upper, lower in _rows(layout):
        x, y, w, _ = upper.box_mm
        bottom, top = _end(upper.box_mm)[1], lower.box_mm[1]
        middle = int((bottom + top) / 2 * FLAT_PX_PER_MM)
        if page.ink[middle, int(x * FLAT_PX_PER_MM) : int((x + w) * FLAT_PX_PER_MM)].max(initial=0.0) <= threshold:
            continue
        found = pieces_of(_mask(page.crop((x, y, w, _end(lower.box_mm)[1] - y)), threshold)).boxes[1:]
        above, below = (bottom - y - DEEP_MM) * _SCALE, (top - y + DEEP_MM) * _SCALE
        if ((found[:, 1] <= above) & (found[:, 1] + found[:, 3] >= below)).any():
            out |= {upper.id, lower.id}
    return frozenset(out)


@lru_cache(maxsize=64)
def _rows(layout: Layout) -> tuple[tuple[Cell, Cell], ...]:
    """Tallies and numbers, each with the one of its kind close below it."""
    columns: dict[tuple[str, float, float], list[Cell]] = {}
    for cell in layout.cells:
        if cell.kind in ("tally", "number"):
            columns.setdefault((cell.kind, cell.box_mm[0], cell.box_mm[2]), []).append(cell)
    ordered = (sorted(cells, key=lambda c: c.box_mm[1]) for cells in columns.values())
    pairs = (pair for cells in ordered for pair in itertools.pairwise(cells))
    return tuple((a, b) for a, b in pairs if b.box_mm[1] - _end(a.box_mm)[1] <= NEXT_ROW_MM)


def _end(box: Box) -> tuple[float, float]:
    return box[0] + box[2], box[1] + box[3]


def _cut_rules(mask: np.ndarray, box: Box) -> None:
    """Take away level lines along a box's upper and lower rule. In place."""
    x, y, w, h = box
    for rule in (y, y + h):
        x0, x1, y0, y1 = (max(0, int(v * _SCALE)) for v in (x, x + w, rule - RULE_LEFT_MM, rule + RULE_LEFT_MM))
        band = mask[y0:y1, x0:x1]
        band &= ~cv2.morphologyEx(band, cv2.MORPH_OPEN, np.ones((1, int(LEVEL_MM * _SCALE)), np.uint8))


def _mask(ink: np.ndarray, threshold: float) -> np.ndarray:
    return (ink[::STEP, ::STEP] > threshold).view(np.uint8)


def _inside(labels: np.ndarray, box: Box, count: int) -> np.ndarray:
    """Which of the marks have enough ink well inside a box, (count,) bool; bare paper is none."""
    x, y, w, h = box
    x0, y0, x1, y1 = (int(v * _SCALE) for v in (x + WITHIN_MM, y + WITHIN_MM, x + w - WITHIN_MM, y + h - WITHIN_MM))
    inside = np.bincount(labels[y0:y1, x0:x1].ravel(), minlength=count) >= LEAST_MM2 * _SCALE**2
    inside[0] = False
    return inside


def line_across(page: InkPage, box: Box, threshold: float) -> bool:
    """Whether a straight line, level or aslant, runs across nearly the whole width of a cell of several boxes."""
    x, y, width, height = box
    inner = (x, y + RULE_LEFT_MM, width, height - 2 * RULE_LEFT_MM)
    mask, least = _mask(page.crop(inner), threshold), ACROSS * width * _SCALE
    anywhere = np.flatnonzero(mask.any(axis=0))
    if not len(anywhere) or _longest_run(anywhere) < least:
        return False
    exact = np.pad(_along_lines(mask, _CLIMBS), ((0, 0), (1, 1), (0, 0)))
    lines = exact[:, :-2] | exact[:, 1:-1] | exact[:, 2:]
    long = np.count_nonzero(lines, axis=2) >= least * MOSTLY
    return any(_longest_run(np.flatnonzero(line)) >= least for line in lines[long])


def line_between(page: InkPage, boxes: Sequence[Box], threshold: float) -> bool:
    """Whether a straight line, level or a slash, goes from the middle of one of a cell's boxes to that of the next.

    Shorter than what is written, it strikes it out all the same. Letters touch, but hardly any have strokes so long.
    """
    return any(_joins(page, *pair, threshold) for pair in itertools.pairwise(boxes))


def _joins(page: InkPage, left: Box, right: Box, threshold: float) -> bool:
    (x, y, width, height), end = left, right[0]
    middle, deep = (x + width + end) / 2, (end - x - width) / 2 + DEEP * width
    mask = _mask(page.crop((middle - deep, y, 2 * deep, height)), threshold)
    if not mask.any(axis=0).all():
        return False
    half_way = slice(int((0.5 - HALF_WAY) * len(mask)), int((0.5 + HALF_WAY) * len(mask)) + 1)
    return bool(_along_lines(mask, _SLASHES)[:, half_way].all(axis=2).any())


def line_over_strokes(ink: np.ndarray, threshold: float) -> bool:
    """Whether one line goes across all strokes of a tally of several groups: no bar of five is so long.

    `ink` is that of the box, (H, W), as from `digitise.reader.tally.own_ink`.
    """
    mask = _mask(ink, threshold)
    _, _, breadth, _ = cv2.boundingRect(mask)
    least = max(LONGER_THAN_A_BAR_MM * _SCALE, ALL_STROKES * breadth)
    if breadth < least:
        return False
    found = cv2.HoughLinesP(mask, 1, np.pi / 90, int(3.5 * _SCALE), minLineLength=least, maxLineGap=2)
    if found is None:
        return False
    across, down = np.abs(found.reshape(-1, 4)[:, 2:] - found.reshape(-1, 4)[:, :2]).T
    return bool(((across >= least) & (down <= STEEPEST_BAR * across)).any())


def _along_lines(mask: np.ndarray, climbs: np.ndarray) -> np.ndarray:
    """Which columns are inked on the straight line through each row of the middle one, (climbs, rows, columns) bool."""
    rows, columns = np.nonzero(mask)
    levels = np.rint(rows - np.outer(climbs, columns - mask.shape[1] // 2)).astype(np.intp)
    within = (levels >= 0) & (levels < len(mask))
    climb, point = np.nonzero(within)
    inked = np.zeros((len(climbs), *mask.shape), bool)
    inked[climb, levels[within], columns[point]] = True
    return inked


def _longest_run(columns: np.ndarray) -> int:
    """How many columns the longest run of inked ones, in order, spans, small gaps and all."""
    breaks = np.flatnonzero(np.diff(columns) > BARE_MM * _SCALE)
    starts, ends = np.append(0, breaks + 1), np.append(breaks, len(columns) - 1)
    return int((columns[ends] - columns[starts]).max()) + 1
