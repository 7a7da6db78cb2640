"""Whether the rows of a flat page are its own: each was not taken for the one above or below it.

Boxes of a table look alike, so a page that is bent by half a row or more may be flattened a row off, with nearly all
print where the layout has some. Then one row of boxes lies beyond the table, where the layout has bare paper.
Images are (H, W) uint8 at half of `FLAT_PX_PER_MM`.
"""

from __future__ import annotations

from collections import defaultdict
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.sheets.layout import Box, Layout

FEWEST = 3  # boxes of one size below each other, evenly, that make a column
EVEN_MM = 0.1
CLEAR_MM = 0.5  # around a place that is bare in print
NEAR_MM = 2.0  # how far from its place a line is looked for
THIN_MM = 1.75  # broader than any printed line; shadows and thumbs are broader still
LINE = 0.1  # of the paper's light that a line takes at least
LINE_SHARE = 0.9  # of a side's length; printed words leave gaps
ENDS_MM = 1.0  # at both ends of a side not looked at

_SCALE = FLAT_PX_PER_MM / 2


@lru_cache(maxsize=64)
def places_beyond(layout: Layout) -> tuple[Box, ...]:
    """Where one more box would be above and below each column of boxes, as far as no line is printed there."""
    columns = defaultdict(list)
    for cell in layout.cells:
        x, y, w, h = cell.box_mm
        columns[round(x, 1), round(w, 1), round(h, 1)].append(y)
    out = []
    for (x, w, h), tops in columns.items():
        tops = sorted(tops)
        for ends in (tops[:FEWEST], tops[::-1][:FEWEST]):
            steps = np.diff(ends)
            if len(steps) < FEWEST - 1 or np.ptp(steps) > EVEN_MM:
                continue
            box = (x, ends[0] - float(steps[0]), w, h)
            if _is_bare(layout, box):
                out.append(box)
    return tuple(out)


def _is_bare(layout: Layout, box: Box) -> bool:
    """Whether no line and no corner mark is printed in a box and around it, and all of it is on the page."""
    x0, y0, x1, y1 = box[0] - CLEAR_MM, box[1] - CLEAR_MM, box[0] + box[2] + CLEAR_MM, box[1] + box[3] + CLEAR_MM
    lines = [(min(r.x0, r.x1), min(r.y0, r.y1), max(r.x0, r.x1), max(r.y0, r.y1)) for r in layout.rules]
    marks = [(x, y, x + w, y + h) for x, y, w, h in (m.box_mm for m in layout.fiducials)]
    printed = any(a < x1 and c > x0 and b < y1 and d > y0 for a, b, c, d in (*lines, *marks))
    return y0 > 0 and y1 < layout.page_size_mm[1] and not printed


def boxes_beyond(half: np.ndarray, layout: Layout) -> int:
    """In how many of `places_beyond` a box is seen, and none half a box beside it, as on lined paper."""
    return sum(_is_box(half, box) and not any(_is_box(half, b) for b in _beside(box)) for box in places_beyond(layout))


def _beside(box: Box) -> tuple[Box, Box]:
    """The places half a box's height above and below it."""
    x, y, w, h = box
    return (x, y - h / 2, w, h), (x, y + h / 2, w, h)


def _is_box(half: np.ndarray, box: Box) -> bool:
    """Whether thin lines run along all four sides of a box."""
    x, y, w, h = box
    reach = NEAR_MM + THIN_MM
    left, top = max(0, int((x - reach) * _SCALE)), max(0, int((y - reach) * _SCALE))
    part = half[top : int((y + h + reach) * _SCALE), left : int((x + w + reach) * _SCALE)]
    side = int(THIN_MM * _SCALE) | 1
    thin = cv2.morphologyEx(part, cv2.MORPH_BLACKHAT, np.ones((side, side), np.uint8))
    lines = thin > LINE * np.percentile(part, 90)
    across = (x * _SCALE - left, (x + w) * _SCALE - left)
    down = (y * _SCALE - top, (y + h) * _SCALE - top)
    sides = [(lines, at, across) for at in down] + [(lines.T, at, down) for at in across]
    return all(_runs_along(*side) for side in sides)


def _runs_along(lines: np.ndarray, at: float, ends: tuple[float, float]) -> bool:
    """Whether a level line is seen near a row, over nearly all of its length."""
    near, inset = round(NEAR_MM * _SCALE), ENDS_MM * _SCALE
    rows = slice(max(0, round(at) - near), round(at) + near + 1)
    band = lines[rows, round(ends[0] + inset) : round(ends[1] - inset)]
    thick = cv2.dilate(band.astype(np.uint8), np.ones((3, 1), np.uint8))  # a line may lean by a pixel
    return bool(thick.size) and float(thick.mean(axis=1).max()) > LINE_SHARE
