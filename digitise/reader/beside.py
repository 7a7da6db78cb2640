"""Writing beside a box: an entry that did not find its place, a note on why it is empty, "about" before a number.

What runs over from the box is its own. Print stands around boxes too. Where it stands the layout says, and no ink
counts there, neither for what is written beside a box nor for what belongs to one. Nor does what lies where the paper
itself goes from bright to dark: the edge of a shadow or of a finger.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.bare import STEP, bare_paper, pixels_around, printed_mm
from digitise.reader.ink import REDUCE, InkPage
from digitise.reader.pieces import pieces_of
from digitise.sheets.layout import Box, Layout

REACH_MM = 4.0  # to the left and right of a box, or of its unit
UNIT_MM = 6.0  # wide at most: more is a caption
CLEAR_MM = 0.9  # around boxes and print: their own strokes run over so far, and a bent page moves them
LEAST_MM2 = 1.0  # of pencil: a letter of 3 mm has more
SPECK_MM2 = 0.25  # of one mark at most: grain in a deep shadow
STEEP, MOSTLY = 0.1, 0.5  # change of the paper's light within a millimetre, and share of a mark where it is so steep


def written_beside(page: InkPage, layout: Layout, threshold: float) -> frozenset[str]:
    """Ids of the cells to whose left or right something is written, where neither a box nor print is."""
    bare, boxes = bare_paper(layout, CLEAR_MM), ~bare_paper(layout, CLEAR_MM, words=False)
    return frozenset(i for i, box in _with_units(layout).items() if _beside(page, bare, boxes, box, threshold))


@lru_cache(maxsize=64)
def _with_units(layout: Layout) -> dict[str, Box]:
    """Boxes by the ids of their cells, but words; grown over a unit on their right, as a percent sign is."""
    printed = [printed_mm(text) for text in layout.texts]
    out = {}
    for cell in layout.cells:
        x, y, width, height = cell.box_mm
        ends = [
            left + wide
            for left, top, wide, high in printed
            if x + width <= left < x + width + REACH_MM and top < y + height and top + high > y and wide < UNIT_MM
        ]
        if cell.kind != "text":
            out[cell.id] = (x, y, max([x + width, *ends]) - x, height)
    return out


def _beside(page: InkPage, bare: np.ndarray, boxes: np.ndarray, box: Box, threshold: float) -> bool:
    x0, y0, x1, y1 = pixels_around(box, REACH_MM, 0.0)
    bare, boxes = bare[y0:y1, x0:x1], boxes[y0:y1, x0:x1]
    rows, columns = (
        slice(STEP * first, STEP * (first + n), STEP) for first, n in zip((y0, x0), bare.shape, strict=True)
    )
    mask, least = page.ink[rows, columns] > threshold, LEAST_MM2 * (FLAT_PX_PER_MM / STEP) ** 2
    if np.count_nonzero(mask & bare) <= least:
        return False
    labels = pieces_of(mask.view(np.uint8)).labels
    outside, whole = (
        np.bincount(labels[where], minlength=labels.max() + 1) for where in (mask & bare, mask & (bare | boxes))
    )
    written = (2 * outside > whole) & (whole > SPECK_MM2 * (FLAT_PX_PER_MM / STEP) ** 2)
    if outside[written].sum() <= least:
        return False
    steep = np.bincount(labels[mask & _steep(page.paper, rows, columns)], minlength=len(whole))
    return bool(outside[written & (steep < MOSTLY * whole)].sum() > least)


def _steep(paper: np.ndarray, rows: slice, columns: slice) -> np.ndarray:
    """Where on the paper light falls off within a millimetre; bool, at these flat pixels."""
    ends = (rows.start, rows.stop), (columns.start, columns.stop)
    (y0, y1), (x0, x1) = ((max(0, first // REDUCE - 2), last // REDUCE + 2) for first, last in ends)
    part = paper[y0:y1, x0:x1]
    near = np.ones((3, 3), np.uint8)
    high, low = cv2.dilate(part, near).astype(np.float32), cv2.erode(part, near)
    found = high - low > STEEP * high
    at = ((np.arange(s.start, s.stop, s.step) // REDUCE - first) for s, first in ((rows, y0), (columns, x0)))
    return found[np.ix_(*(np.clip(v, 0, n - 1) for v, n in zip(at, found.shape, strict=True)))]
