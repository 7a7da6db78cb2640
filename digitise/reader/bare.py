"""Where a sheet is bare paper: neither a box to write in nor print, by its layout."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.sheets.layout import Box, Layout, Text

STEP = 2  # flat pixels to one looked at
POINT_MM = 25.4 / 72
BROADEST = 0.66  # of a caption's size: no letter of its is broader on the average
LINE = 1.3  # of a caption's size from one of its lines to the next

_SCALE = FLAT_PX_PER_MM / STEP


@lru_cache(maxsize=64)
def bare_paper(layout: Layout, clear_mm: float, *, words: bool = True) -> np.ndarray:
    """What lies at least `clear_mm` from all boxes and print, (H, W) bool, every `STEP`th pixel of the flat page.

    Without `words`, printed words are taken for bare paper too.
    """
    width, height = (round(v * _SCALE) for v in layout.page_size_mm)
    bare = np.ones((height, width), bool)
    rules = [(min(r.x0, r.x1), min(r.y0, r.y1), abs(r.x1 - r.x0), abs(r.y1 - r.y0)) for r in layout.rules]
    printed = [printed_mm(text) for text in layout.texts] if words else []
    dots = [(x, y, 0.0, 0.0) for x, y in layout.dots_mm]
    marks = [mark.box_mm for mark in layout.fiducials]
    for box in (*(c.box_mm for c in layout.cells), *printed, *rules, *dots, *marks, layout.qr_mm):
        x0, y0, x1, y1 = pixels_around(box, clear_mm, clear_mm)
        bare[y0:y1, x0:x1] = False
    return bare


def pixels_around(box: Box, beside_mm: float, above_mm: float) -> tuple[int, int, int, int]:
    """(x0, y0, x1, y1) in `bare_paper` of a box grown to the sides and up and down, ends exclusive."""
    x, y, w, h = box
    ends = (x - beside_mm, y - above_mm, x + w + beside_mm, y + h + above_mm)
    return tuple(max(0, int(v * _SCALE)) for v in ends)


def printed_mm(text: Text) -> Box:
    """The most that a caption takes up."""
    size = text.size_pt * POINT_MM
    width = min(text.width_mm, BROADEST * size * len(text.text))
    left = text.x - {"left": 0.0, "centre": width / 2, "right": width}[text.align]
    return left, text.y - size, width, LINE * size * text.lines
