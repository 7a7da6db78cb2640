"""Digits that did not find their boxes: one that lies between two of them, or two side by side in one.

The networks see a box at a time, and each of these looks whole to them: a digit is lost, or counted for its neighbour.
"""

from __future__ import annotations

import itertools

import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.bare import STEP
from digitise.reader.ink import InkPage
from digitise.reader.pieces import pieces_of
from digitise.sheets.layout import Cell

TALL = 0.35  # of its box's height is a digit; less is a broken end of one, a dash, a speck
ALIKE = 0.8  # of the taller one's height at least is the other of two digits in one box: less is a part of it
BETWEEN = 0.15  # of a box's width: so near the middle between two boxes lies a digit that might be of either
BROAD = 1.15  # of a box's width: so broad are only two digits that touch, each in its box
OVERLAP_MM = 0.6  # at most do two digits in one box, one of which may lean over the other
BESIDE = 0.2  # of a box's width at least are their middles apart


def misplaced(page: InkPage, cell: Cell, threshold: float) -> bool:
    """Whether it is open which box a digit of a cell belongs to, or whether all digits have a box to themselves."""
    pieces = pieces_of((page.crop(cell.box_mm)[::STEP, ::STEP] > threshold).view(np.uint8))
    mm, (left, _, _, height) = STEP / FLAT_PX_PER_MM, cell.box_mm
    x, _, width, high = pieces.boxes.T * mm
    broad = BROAD * cell.characters_mm[0][2]
    tall = 1 + np.flatnonzero((high[1:] > TALL * height) & (width[1:] < broad))
    starts, ends, middles = left + x[tall], left + (x + width)[tall], left + pieces.centres[tall, 0] * mm
    boxes = [(bx, bx + bw) for bx, _, bw, _ in cell.characters_mm]
    for middle in middles:
        if any(abs(middle - (b + c) / 2) < BETWEEN * (b - a) for (a, b), (c, _) in itertools.pairwise(boxes)):
            return True
    for a, b in boxes:
        own = [i for i, middle in enumerate(middles) if a <= middle <= b]
        for i, j in itertools.permutations(own, 2):
            beside = starts[j] > ends[i] - OVERLAP_MM and middles[j] - middles[i] > BESIDE * (b - a)
            if beside and min(high[tall[[i, j]]]) > ALIKE * max(high[tall[[i, j]]]):
                return True
    return False
