"""Writing beside a box: an entry that did not find its place, a note on why it is empty, "about" before a number.

What runs over from the box is its own. Print stands around boxes too. Where it stands the layout says, and no ink
counts there.
"""

from __future__ import annotations

import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.bare import STEP, bare_paper, pixels_around
from digitise.reader.ink import InkPage
from digitise.reader.pieces import pieces_of
from digitise.sheets.layout import Box, Layout

REACH_MM = 4.0  # to the left and right of a box
CLEAR_MM = 0.9  # around boxes and print: their own strokes run over so far, and a bent page moves them
LEAST_MM2 = 1.0  # of pencil: a letter of 3 mm has more


def written_beside(page: InkPage, layout: Layout, threshold: float) -> frozenset[str]:
    """Ids of the cells to whose left or right something is written, where neither a box nor print is."""
    bare = bare_paper(layout, CLEAR_MM)
    return frozenset(c.id for c in layout.cells if c.kind != "text" and _beside(page, bare, c.box_mm, threshold))


def _beside(page: InkPage, bare: np.ndarray, box: Box, threshold: float) -> bool:
    x0, y0, x1, y1 = pixels_around(box, REACH_MM, 0.0)
    bare = bare[y0:y1, x0:x1]
    rows, columns = (
        slice(STEP * first, STEP * (first + n), STEP) for first, n in zip((y0, x0), bare.shape, strict=True)
    )
    mask, least = page.ink[rows, columns] > threshold, LEAST_MM2 * (FLAT_PX_PER_MM / STEP) ** 2
    if np.count_nonzero(mask & bare) <= least:
        return False
    labels = pieces_of(mask.view(np.uint8)).labels
    outside, whole = (np.bincount(labels[where], minlength=labels.max() + 1) for where in (mask & bare, mask))
    return bool(outside[2 * outside > whole].sum() > least)
