"""Find the corner marks of sheets in a photograph."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.sheet import MARK_DICTIONARY

SMALLEST_SIDE_PX = 700  # the first picture searched has its longer side at least so long, and less than twice that
LARGEST_SIDE_PX = 2600  # nor is any larger one searched
ROOMY = 0.2  # sheets whose marks span less of the picture than this leave room for a smaller one


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


@lru_cache(maxsize=2)
def _detector(quick: bool = False) -> cv2.aruco.ArucoDetector:
    """A detector that tries three widths of neighbourhood to part dark from light; a quick one tries one."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 15 if quick else 9
    parameters.adaptiveThreshWinSizeMax = 15 if quick else 41
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


def _all_seen(marks: list[FoundMark]) -> bool:
    """Whether every sheet of which a mark is seen shows all its marks."""
    slots = [[m for m in marks if m.slot == s] for s in {m.slot for m in marks}]
    return bool(slots) and all(len({sum(m.corner == c for m in own) for c in range(4)}) == 1 for own in slots)


def _roomy(marks: list[FoundMark], shape: tuple[int, int]) -> bool:
    """Whether the marks seen span so little of the picture that a smaller sheet may lie beside them."""
    slots = [[m for m in marks if m.slot == s] for s in {m.slot for m in marks}]
    hulls = (cv2.convexHull(np.vstack([m.corners_px for m in own]).astype(np.float32)) for own in slots)
    return sum(cv2.contourArea(h) for h in hulls) < ROOMY * shape[0] * shape[1]


def _searches(gray: np.ndarray) -> Iterator[tuple[bool, np.ndarray]]:
    """Pictures to search, and whether quickly: a small one twice, then the largest that is searched at all."""
    small = gray
    while max(small.shape) >= 2 * SMALLEST_SIDE_PX and min(small.shape) >= 64:
        small = halved(small)
    yield True, small
    yield False, small
    scale = min(1.0, LARGEST_SIDE_PX / max(gray.shape))
    if small is not gray:
        yield False, cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else gray


def _scale(gray: np.ndarray, small: np.ndarray) -> float:
    """How many pixels of the picture go into one of its smaller likeness: whole where it was made by halving."""
    scale = max(gray.shape) / max(small.shape)
    return round(scale) if abs(scale - round(scale)) < 0.02 else scale


def halved(gray: np.ndarray) -> np.ndarray:
    """A picture at half size, an odd last row or column left out."""
    height, width = gray.shape
    even = gray[: height // 2 * 2, : width // 2 * 2]
    return cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA)


def find_marks(gray: np.ndarray) -> list[FoundMark]:
    """Corner marks at any rotation, corners refined at full resolution.

    A small picture is searched first, quickly; more is done only while a mark seems to be missing.

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
    for quick, small in _searches(gray):
        scale = _scale(gray, small)
        quads, ids, _ = _detector(quick).detectMarkers(small)
        for quad, mark_id in zip(quads, [] if ids is None else ids.ravel(), strict=True):
            rough = (quad.reshape(4, 2) + 0.5) * scale - 0.5
            known = [m for m in found if m.id == mark_id]
            if all(np.linalg.norm((m.corners_px - rough).mean(axis=0)) > 0.5 * m.side_px for m in known):
                found.append(FoundMark(int(mark_id), _refined(gray, rough)))
        if _all_seen(found) and not _roomy(found, gray.shape):
            break
    return sorted(found, key=lambda m: -m.side_px)
