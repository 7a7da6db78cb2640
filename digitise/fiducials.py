"""Find the corner marks of sheets in a photograph."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.sheet import MARK_DICTIONARY

SEARCH_SIDES_PX = (1600, 2600, 700)  # long sides of the reduced pictures searched in turn (the last for blurred ones)


@dataclass(frozen=True, slots=True, eq=False)
class FoundMark:
    """A corner mark in the photograph: `corners_px` (4, 2) float, (x, y), clockwise from the mark's top left."""

    id: int
    corners_px: np.ndarray

    @property
    def slot(self) -> int:
        """Page identity shared by the four marks of a sheet."""
        return self.id // 4

    @property
    def corner(self) -> int:
        """Which corner of the page, clockwise from the top left."""
        return self.id % 4

    @property
    def side_px(self) -> float:
        """Mean side length in pixels."""
        return float(np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=0), axis=1).mean())


@lru_cache(maxsize=1)
def _detector() -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 9
    parameters.adaptiveThreshWinSizeMax = 41
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = 0.02
    parameters.errorCorrectionRate = 0.5
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY), parameters)


def _refined(gray: np.ndarray, corners: np.ndarray) -> np.ndarray:
    side = float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())
    half = int(np.clip(side / 10, 2, 10))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.02)
    return cv2.cornerSubPix(gray, corners.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), stop).reshape(
        4, 2
    )


def _most_of_one_sheet(marks: list[FoundMark]) -> int:
    return max((len({m.corner for m in marks if m.slot == s}) for s in {m.slot for m in marks}), default=0)


def find_marks(gray: np.ndarray) -> list[FoundMark]:
    """Corner marks at any rotation, corners refined at full resolution.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray

    Returns
    -------
    list of FoundMark
        Largest first; empty when none is seen. An id seen twice is kept twice: two sheets of one kind.

    Notes
    -----
    Square marks coded by a dictionary with guaranteed distance [1]_.

    References
    ----------
    .. [1] Garrido-Jurado et al. (2014), Pattern Recognition 47, 2280-2292. doi:10.1016/j.patcog.2014.01.005
    """
    found: list[FoundMark] = []
    for side in SEARCH_SIDES_PX:
        scale = min(1.0, side / max(gray.shape))
        small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else gray
        quads, ids, _ = _detector().detectMarkers(small)
        seen = [
            FoundMark(int(i), _refined(gray, (q.reshape(4, 2) + 0.5) / scale - 0.5))
            for q, i in zip(quads, [] if ids is None else ids.ravel(), strict=True)
        ]
        found = max(found, seen, key=_most_of_one_sheet)
        if _most_of_one_sheet(found) >= 4:
            break
    return sorted(found, key=lambda m: -m.side_px)
