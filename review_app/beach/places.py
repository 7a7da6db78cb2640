"""Where on a refused photograph the trouble is: outlines in fractions of the picture, found from its corner marks."""

from __future__ import annotations

import re
from functools import lru_cache

import cv2
import numpy as np

from digitise.batch.batch import known_protocols
from digitise.pages.fiducials import FoundMark, find_marks
from digitise.pages.page import CORNER_NAMES
from digitise.sheets.layout import Layout
from digitise.store import Store
from review_app import bounded

LEAST_MARKS = 2  # one mark alone, a few millimetres wide, does not tell where on the picture the rest of the sheet lies
Outline = tuple[tuple[float, float], ...]
_ZONE = re.compile(r"(upper|middle|lower) (left|right|middle)|(centre)")
_MARGIN_MM = 9.0  # around a corner mark, so that the outline stands free of it


def _own_marks(marks: list[FoundMark], layouts: list[Layout]) -> tuple[Layout, list[FoundMark]] | None:
    """The sheet with most marks in the picture."""
    best: tuple[Layout, list[FoundMark]] | None = None
    for layout in layouts:
        own = {m.corner: m for m in marks if m.slot == layout.slot}
        if own and (best is None or len(own) > len(best[1])):
            best = layout, list(own.values())
    return best


def _to_photo(layout: Layout, marks: list[FoundMark]) -> np.ndarray | None:
    """Page millimetres to photograph pixels, (3, 3); None when the marks do not fit one plane."""
    flat = np.array([c for m in marks for c in layout.fiducials[m.corner].corners_mm], np.float64)
    seen = np.vstack([m.corners_px for m in marks])
    return cv2.findHomography(flat, seen, 0)[0]


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)


def zones_mm(text: str, size_mm: tuple[float, float]) -> list[np.ndarray]:
    """Ninths of a page that a sentence names ("lower right", "centre"), each (4, 2) in millimetres."""
    width, height = size_mm
    out = []
    for down, across, centre in _ZONE.findall(text):
        column = 1 if centre else {"left": 0, "middle": 1, "right": 2}[across]
        row = 1 if centre else {"upper": 0, "middle": 1, "lower": 2}[down]
        out.append(_rectangle(column * width / 3, row * height / 3, (column + 1) * width / 3, (row + 1) * height / 3))
    return out


def _missing_mm(layout: Layout, marks: list[FoundMark], text: str) -> list[np.ndarray]:
    lacking = [i for i, name in enumerate(CORNER_NAMES) if i not in {m.corner for m in marks} and name in text]
    boxes = [layout.fiducials[i].box_mm for i in lacking]
    return [_rectangle(x - _MARGIN_MM, y - _MARGIN_MM, x + w + _MARGIN_MM, y + h + _MARGIN_MM) for x, y, w, h in boxes]


def _inside(points: np.ndarray) -> np.ndarray:
    """An outline cut at the picture's edges; one that lies outside becomes a strip along the nearest edge."""
    cut = np.clip(points, 0.01, 0.99)
    if np.ptp(cut, axis=0).min() > 0.02:
        return cut
    x, y = np.clip(points.mean(axis=0), 0.06, 0.94)
    return _rectangle(x - 0.05, y - 0.05, x + 0.05, y + 0.05)


def outlines(gray: np.ndarray, layouts: list[Layout], text: str) -> tuple[Outline, ...]:
    """Outlines of what a refusal's sentence speaks of; none where fewer than two corner marks were found.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray
        The upright photograph.
    text : str
        The refusal's sentences: they name corners or ninths of the page.

    Returns
    -------
    tuple of outlines
        Each of four (x, y) in fractions of the picture's width and height, kept inside it.
    """
    found = _own_marks(find_marks(gray), layouts)
    if found is None:
        return ()
    layout, marks = found
    matrix = _to_photo(layout, marks) if len(marks) >= LEAST_MARKS else None
    if matrix is None:
        return ()
    areas = _missing_mm(layout, marks, text) or zones_mm(text, layout.page_size_mm)
    size = np.array(gray.shape[::-1], np.float64)
    out = []
    for area in areas:
        points = cv2.perspectiveTransform(area.reshape(-1, 1, 2), matrix).reshape(-1, 2) / size
        if np.isfinite(points).all():
            out.append(tuple((round(float(x), 4), round(float(y), 4)) for x, y in _inside(points)))
    return tuple(out)


@lru_cache(maxsize=300)
def of_photo(store: Store, sha256: str, text: str) -> tuple[Outline, ...]:
    """Outlines on a kept photograph that was refused with `text`."""
    photo = bounded.decode(store.original(sha256), sha256)
    return outlines(photo.gray, known_protocols(store=store).layouts, text) if photo else ()
