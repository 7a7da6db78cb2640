"""Count tally strokes by their contours.

The contours of the marks in a box say how much was written and how large it is, and part rows of strokes one above
another; `strokes` tells upright strokes and bars apart in each row. Each bar is one stroke (the fifth). Nothing here is
learned; `tally_network` is the independent second opinion.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import InkPage, pixel_box
from digitise.reader.strokes import count_row
from digitise.sheets.layout import Box, Cell

REACH_MM = 2.0  # strokes that run over the rule are shown this far
FOLLOW_MM = 5.0  # and followed this far to find out whose they are
SPECK_MM = 1.5  # shorter marks are no strokes
EDGE_MM = 1.75  # of bare paper kept around what is written
LEVEL, FLAT_MM = 2.2, 2.5  # times as broad as high is a mark that lies level, and so broad one that was drawn so
LOW, LOW_MM = 0.5, 3.0  # of the tallest mark's height, and so high: strokes that a bar joins are higher
TWO_RINGS, LEVEL_RINGS = 0.45, 0.25  # of a mark's breadth and height: so far apart and so level stand two rings
SQUARE = 0.88  # of the least rectangle around it fills the inside of a frame; that of a nought fills pi / 4 = 0.79
GRAIN_MM = 0.2  # blur (sigma) that closes a line of pencil which rough paper broke into grains


@dataclass(frozen=True, slots=True)
class StrokeCount:
    """What the contours say: `count` strokes, of which `bars` lie across; `zero` when a lone dash or ring was found.

    `ink_mm2` is the area of pencil that belongs to the box, `longest_mm` its longest mark, `firm_mm2` the area that is
    dark enough to be nothing else. `parting` strokes may be two, one upon the other; `faint` further bars may be none.
    `marks` stand apart; `flat` of several lie level and touch no stroke. A ring is `odd` that has corners, or is two.
    `softened`: counted without the paper's grain, since as it is the ink gave another count than the learned counter.
    """

    count: int
    bars: int
    zero: bool
    ink_mm2: float
    longest_mm: float
    firm_mm2: float = 0.0
    parting: int = 0
    faint: int = 0
    marks: int = 0
    flat: int = 0
    odd: bool = False
    softened: bool = False


def own_ink(page: InkPage, cell: Cell) -> np.ndarray:
    """Ink of marks most of which lie in the box, (H, W) float32, the box grown by `REACH_MM` on each side."""
    x0, y0, x1, y1 = pixel_box(cell.box_mm, FOLLOW_MM)
    pad = [max(0, -y0), 0, max(0, -x0), 0]
    region = page.ink[max(0, y0) : y1, max(0, x0) : x1]
    pad[1], pad[3] = (y1 - y0) - region.shape[0] - pad[0], (x1 - x0) - region.shape[1] - pad[2]
    region = np.pad(region, ((pad[0], pad[1]), (pad[2], pad[3]))) if any(pad) else region
    shown = slice(*(np.array([1, -1]) * int(round((FOLLOW_MM - REACH_MM) * FLAT_PX_PER_MM))))
    mask = region > ink_threshold(page)
    if not cv2.hasNonZero(mask.view(np.uint8)):
        return region[shown, shown]
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    edge = int(round(FOLLOW_MM * FLAT_PX_PER_MM)) - 2
    inside = slice(edge, -edge), slice(edge, -edge)
    within, whole = (np.bincount(labels[part][mask[part]], minlength=count) for part in (inside, ...))
    foreign = (within < 0.5 * whole).view(np.uint8)
    region, drop = region[shown, shown], foreign.take(labels[shown, shown])
    if not cv2.hasNonZero(drop):
        return region
    region = region.copy()
    region[cv2.dilate(drop, np.ones((5, 5), np.uint8)).view(bool)] = 0.0
    return region


def _bands(mask: np.ndarray) -> list[tuple[int, int]]:
    """Rows of writing one above another: (first, last + 1) image rows, parted where the ink thins out."""
    profile = mask.sum(axis=1).astype(np.float64)
    smooth = np.convolve(profile, np.ones(5) / 5, mode="same")
    least = max(SPECK_MM * FLAT_PX_PER_MM, 4)
    inked = smooth > 0.3 * smooth.max(initial=0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inked.astype(np.int8), [0]))))
    bands = [(int(s), int(e)) for s, e in zip(edges[::2], edges[1::2], strict=True) if e - s >= least]
    if len(bands) < 2:
        return [(0, len(mask))]
    cuts = [0, *((a[1] + b[0]) // 2 for a, b in itertools.pairwise(bands)), len(mask)]
    return list(itertools.pairwise(cuts))


def _ring(mask: np.ndarray) -> tuple[bool, bool]:
    """Whether a lone mark is a closed ring, a written zero, and whether it is an odd one: with corners, as a frame of
    four strokes, or two rings side by side that touch.
    """
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    holes = sorted((c for c, node in zip(contours, tree[0], strict=True) if node[3] >= 0), key=cv2.contourArea)
    if not holes:
        return False, False
    outer = [cv2.boundingRect(c) for c, node in zip(contours, tree[0], strict=True) if node[3] < 0]
    _, _, w, h = max(outer, key=lambda box: box[2] * box[3])
    area, around = cv2.contourArea(holes[-1]), math.prod(cv2.minAreaRect(holes[-1])[1])
    first, second = (np.mean(c, axis=(0, 1)) for c in (holes[-1], holes[-2 if len(holes) > 1 else -1]))
    (right, down), (near, level) = np.abs(first - second), (TWO_RINGS * w, LEVEL_RINGS * h)
    odd = area > SQUARE * around or bool(right > near and down < level)
    return area > 0.35 * w * h and h > 2.0 * FLAT_PX_PER_MM, odd


def _marks_mm(mask: np.ndarray, least_mm: float) -> list[Box]:
    """The box around each connected mark at least so long, found by its contour."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    boxes = ([v / FLAT_PX_PER_MM for v in cv2.boundingRect(c)] for c in contours)
    return [(x, y, w, h) for x, y, w, h in boxes if math.hypot(w, h) >= least_mm]


def _apart(marks: Sequence[Box]) -> int:
    """How many marks stand clear of the box around the largest and are half as high: rings, not parts of one."""
    x, y, w, h = largest = max(marks, key=lambda box: box[2] * box[3])
    others = (m for m in marks if m is not largest and m[3] > h / 2)
    return 1 + sum(m[0] > x + w or m[0] + m[2] < x or m[1] > y + h or m[1] + m[3] < y for m in others)


def count_strokes(ink: np.ndarray, threshold: float) -> StrokeCount:
    """Count the strokes in a tally box.

    Parameters
    ----------
    ink : (H, W) float32 ndarray
        Ink of the box at `FLAT_PX_PER_MM`, rules removed (`own_ink`).
    threshold : float
        Ink above this is pencil.
    """
    mask = (ink > threshold).view(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    marks = _marks_mm(mask, SPECK_MM)
    if not marks:
        return StrokeCount(0, 0, False, 0.0, 0.0)
    area = cv2.countNonZero(mask) / FLAT_PX_PER_MM**2
    longest = max(math.hypot(w, h) for _, _, w, h in marks)
    firm = float(np.count_nonzero(ink > 2 * threshold)) / FLAT_PX_PER_MM**2
    used = _part_in_use(mask)
    mask, ink = mask[used], ink[used]
    counts = [count_row(ink[top:bottom], threshold) for top, bottom in _bands(mask)]
    strokes, crossing = sum(c.uprights for c in counts), sum(c.bars for c in counts)
    level = [(w, h) for _, _, w, h in marks if w > LEVEL * h]
    ring, odd = _ring(mask) if len(marks) == 1 else (False, False)
    if ring or (len(marks) == 1 and strokes == 0 and level):
        return StrokeCount(0, 0, True, area, longest, firm, marks=1, odd=odd)
    parting, faint = sum(c.parting for c in counts), sum(c.faint for c in counts)
    low = max(LOW_MM, LOW * max(h for _, _, _, h in marks))
    flat = sum(w > FLAT_MM and h < low for w, h in level) if len(marks) > 1 else 0
    apart = _apart(marks)
    return StrokeCount(strokes + crossing, crossing, False, area, longest, firm, parting, faint, apart, flat, odd)


def count_without_grain(ink: np.ndarray, threshold: float) -> StrokeCount:
    """As `count_strokes`, of softened ink: on rough paper, and by a trembling hand, one stroke looks like several."""
    return count_strokes(cv2.GaussianBlur(ink, (0, 0), GRAIN_MM * FLAT_PX_PER_MM), threshold)


def _part_in_use(mask: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns of a mask that hold something, and a little around."""
    spare = int(EDGE_MM * FLAT_PX_PER_MM)
    x, y, width, height = cv2.boundingRect(mask)
    return slice(max(0, y - spare), y + height + spare), slice(max(0, x - spare), x + width + spare)
