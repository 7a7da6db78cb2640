"""Corner marks whose outline is seen but whose code is not read: light lies across them, or the paper bends there.

Which mark is missing is known from the others of its sheet, so it need not be read, only recognised: what the outline
holds is compared with the mark that should be there. Pictures are (row, column), corners (x, y).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

import cv2
import numpy as np

from digitise.sheets.sheet import mark_modules

ALIKE = 0.7  # correlation with the mark: 13 that were not read had 0.74 to 0.93, 5,456 other outlines at most 0.62
MODULE_PX, BEYOND_PX = 5, 3  # side of a module in what is compared, and how far the outline may lie from its place
SIZES = (1 / 3, 2.0)  # side of an outline in sides of the sheet's other marks


@lru_cache(maxsize=256)
def _pattern(mark_id: int) -> np.ndarray:
    """A mark as a picture, light across it left out, (side, side) float32."""
    light = (~mark_modules(mark_id)).astype(np.float32)
    side = len(light) * MODULE_PX
    return _even(cv2.GaussianBlur(cv2.resize(light, (side, side), interpolation=cv2.INTER_NEAREST), (0, 0), 1.0))


def _even(picture: np.ndarray) -> np.ndarray:
    """A picture without what changes slowly across it."""
    return picture - cv2.GaussianBlur(picture, (0, 0), 2 * MODULE_PX)


def _unfolded(gray: np.ndarray, quad: np.ndarray, side: int) -> np.ndarray:
    """What an outline, (4, 2) px, holds, and `BEYOND_PX` around it; a square of `side` and that."""
    low, high = BEYOND_PX - 0.5, BEYOND_PX + side - 0.5
    square = np.float32([(low, low), (high, low), (high, high), (low, high)])
    whole = side + 2 * BEYOND_PX
    way = cv2.getPerspectiveTransform(quad.astype(np.float32), square)
    return _even(cv2.warpPerspective(gray, way, (whole, whole), borderMode=cv2.BORDER_REPLICATE).astype(np.float32))


def recognised(
    gray: np.ndarray, quads: Iterable[np.ndarray], ids: Sequence[int], side_px: float
) -> list[tuple[int, np.ndarray]]:
    """The marks of `ids` among outlines of the photograph, each with its corners (4, 2) px in the mark's own order.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray
    quads : iterable of (4, 2) ndarray
        Outlines whose code was not read, px, clockwise.
    ids : sequence of int
        The marks that are missing.
    side_px : float
        Side of the sheet's other marks.
    """
    best: dict[int, tuple[float, np.ndarray]] = {}
    for quad in quads:
        side = float(np.linalg.norm(quad - np.roll(quad, 1, axis=0), axis=1).mean())
        if not SIZES[0] < side / side_px < SIZES[1]:
            continue
        held = _unfolded(gray, quad, len(_pattern(ids[0])))
        for mark_id in ids:
            for turn in range(4):
                turned = np.ascontiguousarray(np.rot90(_pattern(mark_id), turn))
                alike = float(cv2.matchTemplate(held, turned, cv2.TM_CCOEFF_NORMED).max())
                if alike > best.get(mark_id, (ALIKE,))[0]:
                    best[mark_id] = alike, np.roll(quad, turn, axis=0)
    return [(mark_id, corners) for mark_id, (_, corners) in best.items()]
