"""Whether the light on a flat page lets pencil be seen: not burnt out with the paper, not lost in grain.

Images are (H, W) uint8 at `FLAT_PX_PER_MM`; places on the page are millimetres.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from digitise.flatten import FLAT_PX_PER_MM
from digitise.layout import Layout

WHITE = 244  # the middle grey of a page whose paper is white all over: scanned, copied, or burnt out
MARGIN_MM = 0.8  # from a box's rules inward: so far printed edges do not reach
LEAST_DARK = 0.12  # darkness of the darkest 1/200 of a box in which something may be written
SURE_DARK = 0.40  # pencil usually darker than this on white paper was not about to burn out
MOST_GRAIN = 0.15  # spread of bare paper, of its own brightness; a hard pencil takes 0.35 of the light
DARK, DIM = 40, 70  # middle grey of a picture, and of a page, in which too little light is to blame


def _insides(image: np.ndarray, layout: Layout) -> Iterator[np.ndarray]:
    """What lies inside the rules of each box for a character, or of a cell without such."""
    for x, y, w, h in (box for c in layout.cells for box in c.characters_mm or (c.box_mm,)):
        ends = (y + MARGIN_MM, y + h - MARGIN_MM, x + MARGIN_MM, x + w - MARGIN_MM)
        top, bottom, left, right = (max(0, int(v * FLAT_PX_PER_MM)) for v in ends)
        if (inside := image[top:bottom, left:right]).size:
            yield inside


def burnt_out(image: np.ndarray, layout: Layout) -> bool:
    """Whether a page is white all over and shows no pencil, or only pencil so faint that other pencil may be gone."""
    if np.median(image[::16, ::16]) < WHITE:
        return False
    darkness = np.array([1 - np.percentile(inside, 0.5) / 255 for inside in _insides(image, layout)])
    written = darkness[darkness > LEAST_DARK]
    return not len(written) or float(np.median(written)) < SURE_DARK


def grain(image: np.ndarray, layout: Layout) -> float:
    """Spread of the paper between neighbouring pixels, as a share of its brightness; median of the boxes."""
    spreads = []
    for inside in _insides(image, layout):
        some = inside[::3].astype(np.int16)
        change = np.abs(some[:, 2:] - some[:, :-2])
        spreads.append(np.median(change) / 0.954 / max(1.0, float(np.median(some))))  # 0.6745 sqrt(2) for a normal one
    return float(np.median(spreads)) if spreads else 0.0
