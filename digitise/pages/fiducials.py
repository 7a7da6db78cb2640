"""Find the corner marks of sheets in a photograph."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.unread_marks import recognised
from digitise.sheets.sheet import MARK_DICTIONARY

SMALLEST_SIDE_PX = 700  # the first picture searched has its longer side at least so long, and less than twice that
LARGEST_SIDE_PX = 2600  # nor is any larger one searched thoroughly
LEAST_PX = 12  # side of a mark in a picture of full size, which is searched when hardly any mark was seen before
QUICKLY = 2  # so many pictures, each twice the size of the one before, are searched quickly
AROUND, CLEAR_PX = 3.0, 90.0  # sides of a mark around its likely place, and its side in the picture searched there
ROOMY = 0.2  # sheets whose marks span less of the picture than this leave room for a smaller one
_SQUARE = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)  # corners of a page and of a mark, in their order


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
        corners = self.corners_px.tolist()
        return sum(map(math.dist, corners, (*corners[1:], corners[0]))) / 4


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """A detector of marks, and the ids that its answers stand for: (N,) int, those of its dictionary."""

    detector: cv2.aruco.ArucoDetector
    ids: np.ndarray


@lru_cache(maxsize=32)
def _search(*, quick: bool = False, least: float = 0.02, slots: frozenset[int] | None = None) -> _Search:
    """A search that tries three widths of neighbourhood to part dark from light; a quick one tries one.

    `least` is the smallest outline of a mark that is taken for one, in longer sides of the picture. Only marks of
    `slots` are looked for: the fewer, the quicker; None is for all.
    """
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin = 15 if quick else 9
    parameters.adaptiveThreshWinSizeMax = 15 if quick else 41
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.minMarkerPerimeterRate = least
    parameters.errorCorrectionRate = 0.5
    every = cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY)
    ids = np.arange(len(every.bytesList))
    if slots is None:
        return _Search(cv2.aruco.ArucoDetector(every, parameters), ids)
    ids = ids[np.isin(ids // 4, list(slots))]
    few = cv2.aruco.Dictionary(every.bytesList[ids], every.markerSize, every.maxCorrectionBits)
    return _Search(cv2.aruco.ArucoDetector(few, parameters), ids)


def _refined(gray: np.ndarray, corners: np.ndarray) -> np.ndarray:
    side = float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean())
    half = int(np.clip(side / 10, 2, 10))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.02)
    return cv2.cornerSubPix(gray, corners.astype(np.float32).reshape(-1, 1, 2), (half, half), (-1, -1), stop).reshape(
        4, 2
    )


def _by_sheet(marks: list[FoundMark]) -> list[list[FoundMark]]:
    """The marks of each page identity."""
    return [[m for m in marks if m.slot == slot] for slot in {m.slot for m in marks}]


def _all_seen(marks: list[FoundMark]) -> bool:
    """Whether every sheet of which a mark is seen shows all its marks."""
    sheets = _by_sheet(marks)
    return bool(sheets) and all(len({sum(m.corner == c for m in own) for c in range(4)}) == 1 for own in sheets)


def _roomy(marks: list[FoundMark], shape: tuple[int, int]) -> bool:
    """Whether the sheets seen span so little of the picture that a smaller one may lie beside them."""
    sheets = _by_sheet(marks)
    hulls = [cv2.convexHull(np.vstack([m.corners_px for m in own]).astype(np.float32)) for own in sheets]
    areas = (cv2.contourArea(h) * (2 if len(own) == 3 else 1) for h, own in zip(hulls, sheets, strict=True))
    return sum(areas) < ROOMY * shape[0] * shape[1]


class Sizes:
    """A photograph at full, half, quarter ... size, each made when first asked for."""

    def __init__(self, gray: np.ndarray):
        self._levels = [gray]

    @property
    def full(self) -> np.ndarray:
        """The photograph itself, (H, W) uint8."""
        return self._levels[0]

    def level(self, times: int) -> np.ndarray:
        """The photograph, halved so many times."""
        while len(self._levels) <= times:
            self._levels.append(halved(self._levels[-1]))
        return self._levels[times]


def _smaller(sizes: Sizes) -> list[np.ndarray]:
    """The picture, its half, and so on down to the smallest that is searched."""
    out = [sizes.full]
    while max(out[-1].shape) >= 2 * SMALLEST_SIDE_PX and min(out[-1].shape) >= 64:
        out.append(sizes.level(len(out)))
    return out


def _at_most(gray: np.ndarray, scale: float) -> np.ndarray:
    return cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else gray


def _scale(gray: np.ndarray, small: np.ndarray) -> float:
    """How many pixels of the picture go into one of its smaller likeness: whole where it was made by halving."""
    scale = max(gray.shape) / max(small.shape)
    return round(scale) if abs(scale - round(scale)) < 0.02 else scale


def halved(gray: np.ndarray) -> np.ndarray:
    """A picture at half size, an odd last row or column left out."""
    height, width = gray.shape
    even = gray[: height // 2 * 2, : width // 2 * 2]
    return cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA)


def _added(found: list[FoundMark], gray: np.ndarray, small: np.ndarray, search: _Search) -> list[FoundMark]:
    """`found` with the marks that are seen in `small`, a smaller likeness of `gray`."""
    out, scale = list(found), _scale(gray, small)
    quads, at, unread = search.detector.detectMarkers(small)
    for quad, mark_id in zip(quads, [] if at is None else search.ids[at.ravel()], strict=True):
        _add(out, gray, int(mark_id), (quad.reshape(4, 2) + 0.5) * scale - 0.5)
    outlines = [(quad.reshape(4, 2) + 0.5) * scale - 0.5 for quad in unread]
    for own in _by_sheet(out):
        seen = Counter(m.id for m in own)
        lacking = [i for i in range(4 * own[0].slot, 4 * own[0].slot + 4) if seen[i] < max(seen.values())]
        if lacking:
            side = statistics.fmean(m.side_px for m in own)
            for mark_id, corners in recognised(gray, outlines, lacking, side):
                _add(out, gray, mark_id, corners)
    return out


def _add(marks: list[FoundMark], gray: np.ndarray, mark_id: int, rough: np.ndarray) -> None:
    """A mark near these corners, unless it is among the marks already."""
    same = [m for m in marks if m.id == mark_id]
    if all(np.linalg.norm((m.corners_px - rough).mean(axis=0)) > 0.5 * m.side_px for m in same):
        marks.append(FoundMark(mark_id, _refined(gray, rough)))


def _crossing(marks: dict[int, FoundMark], corner: int) -> np.ndarray | None:
    """Where the mark of a sheet's `corner` should lie, in pixels: where its neighbours' middle lines meet.

    None where they do not meet.
    """
    lines = []
    for neighbour in ((corner - 1) % 4, (corner + 1) % 4):
        seen = marks[neighbour].corners_px
        way = ((_SQUARE - 0.5) @ (_SQUARE[corner] - _SQUARE[neighbour])) @ seen
        lines.append((seen.mean(axis=0), way / np.linalg.norm(way)))
    (p, u), (q, v) = lines
    area = u[0] * v[1] - u[1] * v[0]
    return None if abs(area) < 0.2 else p + u * ((q[0] - p[0]) * v[1] - (q[1] - p[1]) * v[0]) / area


def _beside_three(found: list[FoundMark], gray: np.ndarray) -> tuple[list[FoundMark], bool]:
    """Look for the fourth mark of each sheet of which three are seen; False when another lacks more than that."""
    out = found
    for own in _by_sheet(found):
        marks = {m.corner: m for m in own}
        if len(marks) == len(own) == 4:
            continue
        if not len(marks) == len(own) == 3:
            return out, False
        place = _crossing(marks, next(iter({0, 1, 2, 3} - set(marks))))
        if place is None:
            return out, False
        side = float(np.mean([m.side_px for m in own]))
        (x0, y0), (x1, y1) = (np.clip(place + d * AROUND * side, 0, gray.shape[::-1]).astype(int) for d in (-1, 1))
        part = gray[y0:y1, x0:x1]
        if min(part.shape) > side:
            corner = np.array([x0, y0])
            near = [FoundMark(m.id, m.corners_px - corner) for m in out]
            new = _added(near, part, _at_most(part, CLEAR_PX / side), _search(least=1 / AROUND))[len(near) :]
            out = [*out, *(FoundMark(m.id, m.corners_px + corner) for m in new)]
    return out, True


def find_marks(gray: np.ndarray, slots: Iterable[int] | None = None) -> list[FoundMark]:
    """The marks in a photograph, (H, W) uint8: see `marks_in`."""
    return marks_in(Sizes(gray), slots)


def marks_in(sizes: Sizes, slots: Iterable[int] | None = None) -> list[FoundMark]:
    """Corner marks at any rotation, corners refined at full resolution.

    A small picture is searched first, quickly; more is done only while a mark seems to be missing. Where three of a
    sheet are seen, the fourth is looked for where it should lie. Marks too small to be read by are found for what they
    tell: that the sheet is too far away.

    Parameters
    ----------
    sizes : Sizes
        The photograph.
    slots : iterable of int, optional
        Page identities that are known. Where all marks of a sheet of one of these are seen at once, others are not
        looked for.

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
    gray, found = sizes.full, []
    known = None if slots is None else frozenset(slots)
    for small in _smaller(sizes)[: -QUICKLY - 1 : -1]:
        found = _added(found, gray, small, _search(quick=True, slots=known))
        done = _all_seen(found)
        if found and not done:
            found, done = _beside_three(found, gray)
        if done and not _roomy(found, gray.shape):
            break
    if not done:
        found = _added(found, gray, _at_most(gray, LARGEST_SIDE_PX / max(gray.shape)), _search())
    if len(found) < 2 and max(gray.shape) > LARGEST_SIDE_PX:
        found = _added(found, gray, gray, _search(quick=True, least=4 * LEAST_PX / max(gray.shape)))
    return sorted(found, key=lambda m: -m.side_px)
