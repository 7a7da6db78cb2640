"""A curled page becomes flat: a smooth dense warp from printed corners to where the layout says they are.

Points are (x, y); page coordinates in millimetres, photo coordinates in pixels; arrays are (row, column). The
warp starts as the homography of the corner marks. Corners of printed boxes are then looked for around where the
homography puts them, and a smooth displacement field is fitted to what is found, coarse to fine. One corner in
five takes no part in the fit; how far these lie from where they should be is the residual.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.layout import Layout

GRID_MM = 2.0
EDGE_MM = 6.0  # the flattened raster's grid reaches this far beyond the paper
COARSE_PX_PER_MM = 4.0
FINE_PX_PER_MM = 6.0
FLAT_PX_PER_MM = 8.0
SMOOTHING = 4e-4  # of the thin-plate spline, in its own units (points in 100 mm)


@dataclass(frozen=True, slots=True, eq=False)
class Warp:
    """Where each page millimetre lies in the photo.

    `homography` maps page mm to photo px; `shift_mm` (rows, columns, 2) is added to page points first, sampled
    every `GRID_MM` from (-EDGE_MM, -EDGE_MM).
    """

    homography: np.ndarray
    shift_mm: np.ndarray

    def photo_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Map (N, 2) page millimetres to (N, 2) photo pixels."""
        points = np.asarray(points_mm, dtype=np.float32).reshape(-1, 2)
        return _project(self.homography, points + self.shift_at(points))

    def shift_at(self, points_mm: np.ndarray) -> np.ndarray:
        """Displacement (N, 2) in mm at page points, bilinear between grid nodes."""
        at = ((points_mm + EDGE_MM) / GRID_MM).astype(np.float32)
        return cv2.remap(
            self.shift_mm,
            at[:, 0].reshape(-1, 1),
            at[:, 1].reshape(-1, 1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).reshape(-1, 2)

    def maps(self, size_mm: tuple[float, float], px_per_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Photo x and y for each pixel of a flat raster, (H, W) float32 each; pixel centres at half steps."""
        rows, columns = self.shift_mm.shape[:2]
        nodes = _nodes(rows, columns)
        px = _project(self.homography, (nodes + self.shift_mm).reshape(-1, 2)).reshape(rows, columns, 2)
        height, width = (int(round(v * px_per_mm)) for v in size_mm[::-1])
        step = 1.0 / (px_per_mm * GRID_MM)
        start = (EDGE_MM + 0.5 / px_per_mm) / GRID_MM
        affine = np.float32([[step, 0, start], [0, step, start]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return tuple(
            cv2.warpAffine(
                np.ascontiguousarray(px[:, :, i], dtype=np.float32),
                affine,
                (width, height),
                flags=flags,
                borderMode=cv2.BORDER_REPLICATE,
            )
            for i in (0, 1)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Flattened:
    """A flat page: `image` (H, W) uint8 at `FLAT_PX_PER_MM`, and how well its printed corners lie.

    `residual_mm` is the 95th percentile distance at corners held out of the fit (nan when none was found),
    `matched` the share of printed corners found.
    """

    image: np.ndarray
    warp: Warp
    residual_mm: float
    matched: float


def _nodes(rows: int, columns: int) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    return np.stack([x, y], axis=-1) * GRID_MM - EDGE_MM


def _project(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points.reshape(-1, 1, 2).astype(np.float64), homography).reshape(-1, 2)


def grid_shape(size_mm: tuple[float, float]) -> tuple[int, int]:
    """Rows and columns of the displacement grid for a page size."""
    return tuple(int(np.ceil((v + 2 * EDGE_MM) / GRID_MM)) + 1 for v in size_mm[::-1])


@lru_cache(maxsize=64)
def anchors_mm(layout: Layout) -> np.ndarray:
    """Printed corners, (N, 2) mm: ends of long rules, where two meet at a right angle."""
    ends = [
        (p, r)
        for r in layout.rules
        if max(abs(r.x1 - r.x0), abs(r.y1 - r.y0)) > 2.9
        for p in ((r.x0, r.y0), (r.x1, r.y1))
    ]
    corners: dict[tuple[float, float], set[bool]] = {}
    for (x, y), rule in ends:
        corners.setdefault((round(x, 2), round(y, 2)), set()).add(rule.x0 == rule.x1)
    found = sorted(point for point, ways in corners.items() if len(ways) == 2)
    return np.array(found, dtype=np.float32).reshape(-1, 2)


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
    from digitise.sheet import mark_modules

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


def _peak(score: np.ndarray) -> tuple[float, float, float]:
    """Best score and its sub-pixel (x, y)."""
    _, best, _, (x, y) = cv2.minMaxLoc(score)

    def _vertex(a: float, b: float, c: float) -> float:
        bend = a - 2 * b + c
        return 0.5 * (a - c) / bend if bend < -1e-9 else 0.0

    dx = _vertex(*score[y, x - 1 : x + 2]) if 0 < x < score.shape[1] - 1 else 0.0
    dy = _vertex(*score[y - 1 : y + 2, x]) if 0 < y < score.shape[0] - 1 else 0.0
    return best, x + dx, y + dy


def _match(
    image: np.ndarray,
    layout: Layout,
    points_mm: np.ndarray,
    *,
    px_per_mm: float,
    patch_mm: float,
    search_mm: float,
    along: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Displacement (N, 2) in mm of each printed point in a nearly flat image, and its score (N,).

    With `along` (N, 2), unit vectors of the rules the points lie on, only across those is searched.
    """
    drawing = _drawing(layout, px_per_mm)
    half, reach = int(round(patch_mm * px_per_mm)), int(round(search_mm * px_per_mm))
    border = half + reach + 1
    padded = cv2.copyMakeBorder(image, border, border, border, border, cv2.BORDER_REPLICATE)
    template = cv2.copyMakeBorder(drawing, border, border, border, border, cv2.BORDER_CONSTANT, value=255)
    shifts, scores = np.zeros((len(points_mm), 2), np.float32), np.zeros(len(points_mm), np.float32)
    for i, (x, y) in enumerate(np.round(points_mm * px_per_mm).astype(int) + border):
        rx, ry = (reach, reach) if along is None else (int(reach * along[i, 1]), int(reach * along[i, 0]))
        patch = template[y - half : y + half + 1, x - half : x + half + 1]
        area = padded[y - half - ry : y + half + ry + 1, x - half - rx : x + half + rx + 1]
        if patch.shape[0] < 2 * half + 1 or area.shape[:2] != (2 * (half + ry) + 1, 2 * (half + rx) + 1):
            continue
        scores[i], dx, dy = _peak(cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED))
        shifts[i] = (dx - rx) / px_per_mm, (dy - ry) / px_per_mm
    return shifts, scores


def _monomials(points_mm: np.ndarray, size_mm: tuple[float, float], degree: int) -> np.ndarray:
    u, v = (2 * points_mm / np.asarray(size_mm) - 1).T
    return np.stack([u**i * v**j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1)


def _robust_polynomial(
    points: np.ndarray, shifts: np.ndarray, size_mm: tuple[float, float], degree: int, tolerance_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Polynomial coefficients (terms, 2) by iteratively reweighted least squares, and the kept points' mask."""
    basis = _monomials(points, size_mm, degree)
    weight = np.ones(len(points))
    ridge = 1e-3 * np.eye(basis.shape[1])
    for _ in range(12):
        weighted = basis * weight[:, None]
        solution = np.linalg.solve(weighted.T @ basis + ridge, weighted.T @ shifts)
        error = np.linalg.norm(basis @ solution - shifts, axis=1)
        scale = max(tolerance_mm, 2.0 * float(np.median(error)))
        weight = 1.0 / (1.0 + (error / scale) ** 4)
    return solution, error < max(3 * tolerance_mm, 2 * scale)


def _agreeing(points: np.ndarray, shifts: np.ndarray) -> np.ndarray:
    """Which points moved as their nearest neighbours did, (N,) bool."""
    if len(points) < 8:
        return np.zeros(len(points), bool)
    distance = np.linalg.norm(points[:, None] - points[None], axis=2)
    nearest = np.argsort(distance, axis=1)[:, 1:8]
    usual = np.median(shifts[nearest], axis=1)
    spread = np.median(np.linalg.norm(shifts[nearest] - usual[:, None], axis=2), axis=1)
    return np.linalg.norm(shifts - usual, axis=1) < np.maximum(0.3, 3 * spread)


def _radial(distance: np.ndarray) -> np.ndarray:
    return np.where(distance > 0, distance**2 * np.log(np.maximum(distance, 1e-9)), 0.0)


def _thin_plate(points: np.ndarray, shifts: np.ndarray, at: np.ndarray, smoothing: float) -> np.ndarray:
    """Smoothing thin-plate spline through scattered displacements, evaluated at `at` (M, 2).

    References
    ----------
    Wahba (1990), Spline Models for Observational Data, SIAM, ch. 2.4. doi:10.1137/1.9781611970128
    """
    scale = 100.0
    p, q = points / scale, at / scale
    n = len(p)
    kernel = _radial(np.linalg.norm(p[:, None] - p[None], axis=2)) + smoothing * np.eye(n)
    plane = np.column_stack([np.ones(n), p])
    system = np.block([[kernel, plane], [plane.T, np.zeros((3, 3))]])
    solution = np.linalg.solve(system, np.vstack([shifts, np.zeros((3, 2))]))
    return (
        _radial(np.linalg.norm(q[:, None] - p[None], axis=2)) @ solution[:n]
        + np.column_stack([np.ones(len(q)), q]) @ solution[n:]
    )


def _sample(gray: np.ndarray, warp: Warp, size_mm: tuple[float, float], px_per_mm: float) -> np.ndarray:
    map_x, map_y = warp.maps(size_mm, px_per_mm)
    return cv2.remap(gray, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _scaled(warp: Warp, scale: float) -> Warp:
    """The same warp for a photo reduced by `scale`."""
    centre = np.array([[scale, 0, 0.5 * scale - 0.5], [0, scale, 0.5 * scale - 0.5], [0, 0, 1]])
    return Warp(centre @ warp.homography, warp.shift_mm)


def _native_px_per_mm(homography: np.ndarray, size_mm: tuple[float, float]) -> float:
    x, y = size_mm[0] / 2, size_mm[1] / 2
    origin, right, down = _project(homography, np.array([(x, y), (x + 1, y), (x, y + 1)]))
    (ax, ay), (bx, by) = right - origin, down - origin
    return float(np.sqrt(abs(ax * by - ay * bx)))


def _reduced(gray: np.ndarray, warp: Warp, size_mm: tuple[float, float], px_per_mm: float) -> tuple[np.ndarray, Warp]:
    """The photo and warp at a scale fit for sampling at `px_per_mm` without aliasing."""
    scale = min(1.0, 1.25 * px_per_mm / max(_native_px_per_mm(warp.homography, size_mm), 1e-6))
    if scale > 0.8:
        return gray, warp
    return cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), _scaled(warp, scale)


def flatten(gray: np.ndarray, layout: Layout, homography: np.ndarray) -> Flattened:
    """Flatten the page of `layout` out of a photograph.

    Parameters
    ----------
    gray : (H, W) uint8 ndarray
    homography : (3, 3) ndarray
        Page mm to photo px from the corner marks.
    """
    size = layout.page_size_mm
    rows, columns = grid_shape(size)
    nodes = _nodes(rows, columns).reshape(-1, 2)
    points = anchors_mm(layout)
    fitted = np.ones(len(points), bool)
    fitted[2::5] = False
    marks = np.array([c for m in layout.fiducials for c in m.corners_mm], np.float32)
    both = np.vstack([points, marks])
    use = np.concatenate([fitted, np.ones(len(marks), bool)])
    warp = Warp(homography, np.zeros((rows, columns, 2), np.float32))
    small, small_warp = _reduced(gray, warp, size, COARSE_PX_PER_MM)
    for degree, search in ((3, 5.0), (5, 2.0)):
        image = _sample(small, Warp(small_warp.homography, warp.shift_mm), size, COARSE_PX_PER_MM)
        shifts, scores = _match(image, layout, both, px_per_mm=COARSE_PX_PER_MM, patch_mm=4.0, search_mm=search)
        good = use & (scores > 0.45)
        if good.sum() < 20:
            break
        total = shifts[good] + warp.shift_at(both[good])
        solution, _ = _robust_polynomial(both[good], total, size, degree, 0.4)
        reach = np.clip(nodes, both[good].min(axis=0) - 8, both[good].max(axis=0) + 8)
        shift = _monomials(reach, size, degree) @ solution
        warp = Warp(homography, shift.reshape(rows, columns, 2).astype(np.float32))
    small, small_warp = _reduced(gray, warp, size, FINE_PX_PER_MM)
    edges, ways = edges_mm(layout)
    for search in (1.5, 0.8):
        image = _sample(small, Warp(small_warp.homography, warp.shift_mm), size, FINE_PX_PER_MM)
        shifts, scores = _match(image, layout, both, px_per_mm=FINE_PX_PER_MM, patch_mm=2.5, search_mm=search)
        good = use & (scores > 0.5)
        good[good] = _agreeing(both[good], shifts[good])
        if good.sum() < 20:
            break
        at, moved = both[good], shifts[good]
        largest = float(np.percentile(np.linalg.norm(moved, axis=1), 98))
        if len(edges):
            bowed, sharp = _match(
                image, layout, edges, px_per_mm=FINE_PX_PER_MM, patch_mm=1.5, search_mm=search, along=ways
            )
            # Along its rule an edge point is taken to move as the corners around it do.
            carried = _thin_plate(at, moved, edges, SMOOTHING)
            bowed += ways * (carried * ways).sum(axis=1, keepdims=True)
            seen = sharp > 0.6
            near = np.vstack([at, edges[seen]]), np.vstack([moved, bowed[seen]])
            kept = _agreeing(*near)
            kept[: len(at)] = True
            at, moved = near[0][kept], near[1][kept]
            largest = max(largest, float(np.percentile(np.linalg.norm(moved, axis=1), 98)))
        coarse = nodes.reshape(rows, columns, 2)[::3, ::3]
        extra = _thin_plate(at, moved, coarse.reshape(-1, 2), SMOOTHING).reshape(*coarse.shape)
        warp = Warp(homography, warp.shift_mm + _upsampled(extra.astype(np.float32), (rows, columns)))
        if largest < 0.25:
            break
    flat = _sample(gray, warp, size, FLAT_PX_PER_MM)
    held = points[~fitted]
    shifts, scores = _match(flat, layout, held, px_per_mm=FLAT_PX_PER_MM, patch_mm=2.0, search_mm=1.2)
    seen = scores > 0.5
    error = np.linalg.norm(shifts[seen], axis=1)
    residual = float(np.percentile(error, 95)) if len(error) >= 4 else float("nan")
    return Flattened(flat, warp, residual, float(seen.mean()) if len(held) else 0.0)


def _upsampled(coarse: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Values at every third node, interpolated to every node (beyond the last, held)."""
    affine = np.float32([[1 / 3, 0, 0], [0, 1 / 3, 0]])
    return cv2.warpAffine(
        coarse, affine, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
