"""Where the printed corners and rules of a page lie in a nearly flat picture of it.

Points are (x, y) page millimetres; arrays are (row, column). A picture "at p px/mm" has the page's origin at the outer
corner of its first pixel.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from digitise.sheets.layout import Layout


@lru_cache(maxsize=64)
def anchors_mm(layout: Layout) -> np.ndarray:
    """Printed corners, (N, 2) mm (`Layout.corners_mm`)."""
    return np.array(layout.corners_mm, dtype=np.float32).reshape(-1, 2)


@lru_cache(maxsize=64)
def edges_mm(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    """Points along long rules, (N, 2) mm, and each rule's direction, (N, 2) unit vectors.

    A rule bows between its corners when the paper waves; these points tell how far, across the rule only.
    """
    points, ways = [], []
    for r in layout.rules:
        length = max(abs(r.x1 - r.x0), abs(r.y1 - r.y0))
        count = int((length - 8.0) // 9.0)
        way = ((r.x1 - r.x0) / length, (r.y1 - r.y0) / length)
        for i in range(count):
            at = 4.0 + (length - 8.0) * (i + 0.5) / count
            points.append((min(r.x0, r.x1) + at * abs(way[0]), min(r.y0, r.y1) + at * abs(way[1])))
            ways.append((abs(way[0]), abs(way[1])))
    return np.array(points, np.float32).reshape(-1, 2), np.array(ways, np.float32).reshape(-1, 2)


@lru_cache(maxsize=64)
def _drawing(layout: Layout, px_per_mm: float) -> np.ndarray:
    """The page's rules and marks drawn flat, (H, W) uint8, softened as a photograph would."""
    from digitise.sheets.sheet import mark_modules

    over = 4
    scale = px_per_mm * over
    height, width = (int(round(v * px_per_mm)) * over for v in layout.page_size_mm[::-1])
    flat = np.full((height, width), 255, np.uint8)
    for r in layout.rules:
        half = r.width_mm / 2
        a = (int(round((min(r.x0, r.x1) - half) * scale)), int(round((min(r.y0, r.y1) - half) * scale)))
        b = (int(round((max(r.x0, r.x1) + half) * scale)) - 1, int(round((max(r.y0, r.y1) + half) * scale)) - 1)
        cv2.rectangle(flat, a, b, 0, -1)
    for mark in layout.fiducials:
        x, y, w, _ = (int(round(v * scale)) for v in mark.box_mm)
        black = mark_modules(mark.id).astype(np.uint8) * 255
        flat[y : y + w, x : x + w] = 255 - cv2.resize(black, (w, w), interpolation=cv2.INTER_NEAREST)
    small = cv2.resize(flat, (width // over, height // over), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), 0.12 * px_per_mm)


def _peaks(scores: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Best of each map, (N,), and its place (N, 2) as (x, y), sub-pixel by a parabola; `scores` is (N, h, w)."""
    count, height, width = scores.shape
    flat = scores.reshape(count, -1)
    each, at = np.arange(count), flat.argmax(axis=1)
    y, x = at // width, at % width
    place = np.stack([x, y], axis=1).astype(np.float32)
    for axis, (where, size, step) in enumerate(((x, width, 1), (y, height, width))):
        inner = np.flatnonzero((where > 0) & (where < size - 1))
        before, here, after = (flat[each[inner], at[inner] + d] for d in (-step, 0, step))
        bend = before - 2 * here + after
        place[inner, axis] += np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    return flat[each, at], place


def match(
    image: np.ndarray,
    layout: Layout,
    points_mm: np.ndarray,
    *,
    px_per_mm: float,
    patch_mm: float,
    search_mm: float,
    along: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Displacement (N, 2) in mm of each printed point in a nearly flat image, and its score (N,), at most 1.

    With `along` (N, 2), unit vectors of the rules the points lie on, only across those is searched.
    """
    drawing = _drawing(layout, px_per_mm)
    half, reach = int(round(patch_mm * px_per_mm)), int(round(search_mm * px_per_mm))
    border = half + reach + 1
    padded = cv2.copyMakeBorder(image, border, border, border, border, cv2.BORDER_REPLICATE)
    template = cv2.copyMakeBorder(drawing, border, border, border, border, cv2.BORDER_CONSTANT, value=255)
    places = np.round(points_mm * px_per_mm).astype(int) + border
    if along is None:
        scores, shifts = _everywhere(padded, template, places, half, reach)
        return shifts / px_per_mm, scores
    shifts, scores = np.zeros((len(points_mm), 2), np.float32), np.zeros(len(points_mm), np.float32)
    upright = along[:, 1] > 0.5
    for axis, members in enumerate((np.flatnonzero(upright), np.flatnonzero(~upright))):
        pictures = (padded, template) if axis else (padded.T, template.T)
        rows, columns = places[members].T[[axis, 1 - axis]]
        scores[members], shifts[members, axis] = _up_and_down(*pictures, rows, columns, half, reach)
    return shifts / px_per_mm, scores


def _everywhere(
    padded: np.ndarray, template: np.ndarray, places: np.ndarray, half: int, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """Best score (N,) of each patch, and how far (N, 2) px from its place, at most `reach` each way."""
    maps = np.empty((len(places), 2 * reach + 1, 2 * reach + 1), np.float32)
    far = half + reach
    for score, (x, y) in zip(maps, places.tolist(), strict=True):
        patch = template[y - half : y + half + 1, x - half : x + half + 1]
        area = padded[y - far : y + far + 1, x - far : x + far + 1]
        cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED, score)
    if not len(maps):
        return np.zeros(0, np.float32), np.zeros((0, 2), np.float32)
    scores, place = _peaks(maps)
    return scores, place - np.float32(reach)


def _up_and_down(
    padded: np.ndarray, template: np.ndarray, rows: np.ndarray, columns: np.ndarray, half: int, reach: int
) -> tuple[np.ndarray, np.ndarray]:
    """As `_everywhere`, but patches move along columns only: score (N,) and rows moved (N,)."""
    side = 2 * half + 1
    if not len(rows):
        return np.zeros(0, np.float32), np.zeros(0, np.float32)
    areas = sliding_window_view(padded, (side + 2 * reach, side))[rows - half - reach, columns - half]
    patches = sliding_window_view(template, (side, side))[rows - half, columns - half].astype(np.float32)
    areas = areas.astype(np.float32)
    patches -= patches.mean(axis=(1, 2), keepdims=True)
    sums, squares = (_window_sums(v.sum(axis=2), side) for v in (areas, areas * areas))
    spread = np.maximum(squares - sums * sums / side**2, 0.0) * np.square(patches).sum(axis=(1, 2))[:, None]
    product = np.stack([np.einsum("nij,nij->n", areas[:, i : i + side], patches) for i in range(2 * reach + 1)], axis=1)
    maps = np.where(spread > 1.0, product / np.sqrt(np.maximum(spread, 1.0)), 0.0)
    scores, place = _peaks(maps[:, :, None])
    return scores, place[:, 1] - np.float32(reach)


def _window_sums(values: np.ndarray, length: int) -> np.ndarray:
    """Sums of every `length` values in turn along rows, float64."""
    total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
    return total[:, length:] - total[:, :-length]
