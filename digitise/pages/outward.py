"""A strongly bowed page, followed from its corner marks inward and outward, a strip of print at a time.

Between the marks such a page may lie a row or more from where they say, so that a search around that place finds the
wrong row. Bends are smooth: from print whose place is known, that of the next few centimetres can be foretold well
enough. Points are (x, y) page millimetres.
"""

from __future__ import annotations

import numpy as np

from digitise.pages.flatten import Views, Warp, grid_shape, spline_grid
from digitise.pages.matching import anchors_mm, match
from digitise.pages.smooth import NEIGHBOURS, agreeing
from digitise.sheets.layout import Layout

STRIP_MM = 14.0  # beyond what is known
FARTHEST_MM = 60.0  # of the next print from what is known
ROUNDS = 40
PX_PER_MM = 3.0
PATCH_MM, SEARCH_MM = 3.5, 4.5  # less than half of the narrowest row
GOOD = 0.5


def followed(views: Views, layout: Layout, homography: np.ndarray) -> np.ndarray:
    """Displacement (rows, columns, 2) in mm of the page on the grid of `Warp`, by print found on from the marks.

    Parameters
    ----------
    homography : (3, 3) ndarray
        Page mm to photo px by all four corner marks.
    """
    size, corners = layout.page_size_mm, anchors_mm(layout)
    known = np.array([c for m in layout.fiducials for c in m.corners_mm], np.float32)
    off, left = np.zeros_like(known), np.ones(len(corners), bool)
    shift = np.zeros((*grid_shape(size), 2), np.float32)
    for _ in range(ROUNDS):
        if not left.any():
            break
        apart = np.linalg.norm(corners[:, None] - known[None], axis=2).min(axis=1)
        nearest = float(apart[left].min())
        if nearest > FARTHEST_MM:
            break
        next_ones = np.flatnonzero(left & (apart < max(STRIP_MM, nearest + STRIP_MM / 2)))
        left[next_ones] = False
        warp, at = Warp(homography, shift), corners[next_ones]
        image = views.flat(warp, size, PX_PER_MM)
        moved, scores = match(image, layout, at, px_per_mm=PX_PER_MM, patch_mm=PATCH_MM, search_mm=SEARCH_MM)
        good = scores > GOOD
        if good.sum() > NEIGHBOURS:
            good[good] = agreeing(at[good], moved[good])
        if not good.any():
            continue
        known = np.vstack([known, at[good]])
        off = np.vstack([off, moved[good] + warp.shift_at(at[good] + moved[good])])
        shift = spline_grid(known, off, size)
    return shift
