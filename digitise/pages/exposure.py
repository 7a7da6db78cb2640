"""Whether the light on a flat page lets pencil be seen: not burnt out with the paper, not lost in grain.

Images are (H, W) uint8 at `FLAT_PX_PER_MM`; places on the page are millimetres.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.sheets.layout import Layout

WHITE = 244  # the middle grey of a page whose paper is white all over: scanned, copied, or burnt out
MARGIN_MM = 0.8  # from a box's rules inward: so far printed edges do not reach
LEAST_DARK = 0.12  # darkness of the darkest 1/200 of a box in which something may be written
SURE_DARK = 0.40  # pencil usually darker than this on white paper was not about to burn out
SATURATED = 252  # grey value of light that washes out what is written
CLIPPED_SHARE = 0.2  # of a box so bright: pencil may be gone there
MOST_GRAIN = 0.10  # spread of bare paper, of its own brightness; a hard pencil takes 0.35 of the light
DARK, DIM = 40, 70  # middle grey of a picture, and of a page, in which too little light is to blame


def _insides(image: np.ndarray, layout: Layout) -> Iterator[np.ndarray]:
    """What lies inside the rules of each box for a character, or of a cell without such."""
    for x, y, w, h in (box for c in layout.cells for box in c.characters_mm or (c.box_mm,)):
        ends = (y + MARGIN_MM, y + h - MARGIN_MM, x + MARGIN_MM, x + w - MARGIN_MM)
        top, bottom, left, right = (max(0, int(v * FLAT_PX_PER_MM)) for v in ends)
        if (inside := image[top:bottom, left:right]).size:
            yield inside


def burnt_out(image: np.ndarray, layout: Layout) -> bool:
    """Whether a page is white all over and shows no pencil, or only pencil so faint that other pencil may be gone.

    Where light has washed out no box, and even the faintest pencil is far from vanishing, none is gone.
    """
    if np.median(image[::16, ::16]) < WHITE:
        return False
    insides = list(_insides(image, layout))
    darkness = np.array([1 - np.percentile(inside, 0.5) / 255 for inside in insides])
    written = darkness[darkness > LEAST_DARK]
    if not len(written) or np.median(written) >= SURE_DARK:
        return not len(written)
    clipped = max(np.mean(inside[::2, ::2] >= SATURATED) for inside in insides)
    return bool(clipped > CLIPPED_SHARE or np.percentile(written, 10) < 2 * LEAST_DARK)


def grain(image: np.ndarray) -> float:
    """Spread of the paper between neighbouring pixels, as a share of its brightness.

    A median of what changes from pixel to pixel, so that what is printed and written counts for little. Whole greys:
    on paper of grey 30 it is known to about a hundredth.
    """
    some = np.ascontiguousarray(image[::16])
    change = cv2.absdiff(some[:, 2:], some[:, :-2])
    return _middle(change) / 0.954 / max(1.0, _middle(some))  # 0.6745 sqrt(2): a normal one's median change


def _middle(values: np.ndarray) -> float:
    """Median of whole greys, between them by counting."""
    below = np.cumsum(cv2.calcHist([values], [0], None, [256], [0, 256]))
    half = below[-1] / 2
    at = int(np.searchsorted(below, half))
    before = below[at - 1] if at else 0
    return max(0.0, at - 0.5 + (half - before) / (below[at] - before))
