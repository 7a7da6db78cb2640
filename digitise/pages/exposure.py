"""Whether the light on a flat page lets pencil be seen: not burnt out with the paper, not lost in grain or mist.

Images are (H, W) uint8 at `FLAT_PX_PER_MM`; places on the page are millimetres.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.sheets.layout import Fiducial, Layout

WHITE = 244  # the middle grey of a page whose paper is white all over: scanned, copied, or burnt out
MARGIN_MM = 0.8  # from a box's rules inward: so far printed edges do not reach
LEAST_DARK = 0.12  # darkness of the darkest 1/200 of a box in which something may be written
SURE_DARK = 0.40  # pencil usually darker than this on white paper was not about to burn out
SATURATED = 252  # grey value of light that washes out what is written
CLIPPED_SHARE = 0.2  # of a box so bright: pencil may be gone there
CRUMB_MM, MOST_CRUMBS = 1.0, 0.02  # pieces shorter than any stroke, and their share of all that is written
SHORT_MM, MOST_SHORT = 3.5, 0.05  # shorter than nearly all: what is left where the smallest were taken away
FEWEST_SHORT = 6  # of them: fewer may be meant
LEAST_PRINT = 0.2  # darkness of the clearest corner mark's black; a hard pencil takes less than half of that
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
    """Whether a page is white all over and shows no pencil, or only what is left of it.

    Pencil that light, a copier or a scanning app has all but washed out breaks into crumbs before it goes, however dark
    these are made; an app that removes specks leaves the longer ones. Whole strokes are trusted when they are dark, or
    when even the faintest are far from vanishing and light has washed out all boxes or none: of a box in brighter light
    others tell nothing.
    """
    if np.median(image[::16, ::16]) < WHITE:
        return False
    insides = list(_insides(image, layout))
    darkness = np.array([1 - np.percentile(inside, 0.5) / 255 for inside in insides])
    written = darkness[darkness > LEAST_DARK]
    if not len(written) or _broken(insides):
        return True
    if np.median(written) >= SURE_DARK:
        return False
    clipped = [np.mean(inside[::2, ::2] >= SATURATED) for inside in insides]
    uneven = np.percentile(clipped, 5) < CLIPPED_SHARE < max(clipped)
    return bool(uneven or np.percentile(written, 10) < 2 * LEAST_DARK)


def _broken(insides: list[np.ndarray]) -> bool:
    """Whether too much of all that is dark in the boxes lies in crumbs, or in pieces that are short."""
    lengths, areas = [], []
    for inside in insides:
        dark = (inside < (1 - LEAST_DARK) * 255).view(np.uint8)
        pieces = cv2.connectedComponentsWithStats(dark, connectivity=8)[2][1:]
        lengths.append(np.hypot(pieces[:, cv2.CC_STAT_WIDTH], pieces[:, cv2.CC_STAT_HEIGHT]) / FLAT_PX_PER_MM)
        areas.append(pieces[:, cv2.CC_STAT_AREA])
    length, area = np.concatenate(lengths), np.concatenate(areas)
    crumbs, short = length < CRUMB_MM, length < SHORT_MM
    much = area[crumbs].sum() > MOST_CRUMBS * area.sum()
    return bool(much or (short.sum() >= FEWEST_SHORT and area[short].sum() > MOST_SHORT * area.sum()))


def mark_black(picture: np.ndarray, mark: Fiducial) -> float | None:
    """Median of a corner mark's black border in a flat picture, (H, W); None where the mark lies outside."""
    x, y, w, h = mark.box_mm
    inset = w / 12  # to the middle of a border one sixth wide
    ends = (y + inset, y + h - inset, x + inset, x + w - inset)
    top, bottom, left, right = (max(0, int(round(v * FLAT_PX_PER_MM))) for v in ends)
    part = picture[top:bottom, left:right]
    return float(np.median(np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]]))) if part.size else None


def print_darkness(image: np.ndarray, layout: Layout) -> float:
    """Share of the paper's light that the black of the clearest corner mark takes away; 1 where no mark is."""
    seen = []
    for mark in layout.fiducials:
        x, y, w, h = (int(v * FLAT_PX_PER_MM) for v in mark.box_mm)
        around = image[max(0, y - h // 3) : y + h + h // 3, max(0, x - w // 3) : x + w + w // 3]
        if (black := mark_black(image, mark)) is not None:
            seen.append(1 - black / max(1.0, float(np.percentile(around, 90))))
    return max(seen, default=1.0)


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
