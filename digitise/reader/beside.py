"""Writing beside an empty box: an entry that did not find its place, or a note on why the box was left empty.

Print stands around boxes too. Where it stands the layout says, and no ink counts there.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.ink import InkPage
from digitise.sheets.layout import Box, Cell, Layout, Text

REACH_MM = 4.0  # to the left and right of a box
CLEAR_MM = 0.9  # around boxes and print: their own strokes run over so far, and a bent page moves them
LEAST_MM2 = 1.0  # of pencil: a letter of 3 mm has more
POINT_MM = 0.3528
BROADEST = 0.66  # of a caption's size: no letter of its is broader on the average
LINE = 1.3  # of a caption's size from one of its lines to the next

_STEP = 2  # flat pixels to one looked at
_SCALE = FLAT_PX_PER_MM / _STEP


@lru_cache(maxsize=16)
def _bare(layout: Layout) -> np.ndarray:
    """Where neither boxes nor print are, (H, W) bool at half size."""
    width, height = (round(v * _SCALE) for v in layout.page_size_mm)
    bare = np.ones((height, width), bool)
    dots = [(x, y, 0.0, 0.0) for x, y in layout.dots_mm]
    marks = [mark.box_mm for mark in layout.fiducials]
    for box in (*(c.box_mm for c in layout.cells), *map(_printed, layout.texts), *dots, *marks, layout.qr_mm):
        x0, y0, x1, y1 = _around(box, CLEAR_MM, CLEAR_MM)
        bare[y0:y1, x0:x1] = False
    return bare


def _printed(text: Text) -> Box:
    """The most that a caption takes up."""
    size = text.size_pt * POINT_MM
    width = min(text.width_mm, BROADEST * size * len(text.text))
    left = text.x - {"left": 0.0, "centre": width / 2, "right": width}[text.align]
    return left, text.y - size, width, LINE * size * text.lines


def _around(box: Box, beside_mm: float, above_mm: float) -> tuple[int, int, int, int]:
    x, y, w, h = box
    ends = (x - beside_mm, y - above_mm, x + w + beside_mm, y + h + above_mm)
    return tuple(max(0, int(v * _SCALE)) for v in ends)


def written_beside(page: InkPage, layout: Layout, cell: Cell, threshold: float) -> bool:
    """Whether something is written to the left or right of a cell, where neither a box nor print is."""
    if cell.kind == "text":
        return False
    x0, y0, x1, y1 = _around(cell.box_mm, REACH_MM, 0.0)
    bare = _bare(layout)[y0:y1, x0:x1]
    rows, columns = (
        slice(_STEP * first, _STEP * (first + n), _STEP) for first, n in zip((y0, x0), bare.shape, strict=True)
    )
    return bool(np.count_nonzero(page.ink[rows, columns][bare] > threshold) > LEAST_MM2 * _SCALE**2)
