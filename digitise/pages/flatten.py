"""A curled page becomes flat: a smooth dense warp from printed corners to where the layout says they are.

Points are (x, y); page coordinates in millimetres, photo coordinates in pixels; arrays are (row, column). The
warp starts as the homography of the corner marks. Corners of printed boxes are then looked for around where the
homography puts them, and a smooth displacement field is fitted to what is found, coarse to fine. One corner in
five takes no part in the fit; how far these lie from where they should be is the residual.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.fiducials import Sizes
from digitise.pages.matching import anchors_mm, edges_mm, match
from digitise.pages.smooth import agreeing, polynomial_on_grid, robust_polynomial, thin_plate
from digitise.sheets.layout import Layout

GRID_MM = 2.0
STRIP_NODES = 24  # rows of the grid that are sampled at a time
EDGE_MM = 6.0  # the flattened raster's grid reaches this far beyond the paper
COARSE_STEPS = ((3, 2.0, 4.0, 8.0), (5, 3.0, 3.5, 2.5))  # degree, px/mm, patch and search in mm
NEAR, WIDE, LAST = (4.0, 1.2), (3.0, 2.4), (4.0, 0.8)  # px/mm, search in mm
MARGIN_MM = 10.0  # of the paper, where little is printed
BESIDE_MM = 10.0  # about a row: cells that lie one away from their place strain what is beside them
EDGE_PATCH_MM = 2.5  # half a side: the rule of the next row lies within, so that one is not taken for the other
SETTLED_MM = 0.25  # corrections below this need no further round
SURE_SHARE = 0.85  # of the fitted corners found, and none of them far away: no wider search is needed
COARSE_CORNERS = 90  # about so many are enough for the coarse fit
LEAST_CORNERS = 20
HELD_EVERY, HELD_APART_MM = 5, 12.0  # of corners held out: a box is less than so high
LEAST_JUDGED, ON_MM = 8, 1.0  # corners that tell the residual; so near a cell's box, a corner belongs to it
FIRM = 0.8  # of the page's usual score has a corner with nothing written across it; of one with less
NEARBY_MM, NEARLY = 0.5, 0.8  # that is seen so near its place, by such a share of the best score, it lies there
ASTRAY_MM = 0.8  # a printed corner this far from its place is not where it should be
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

    def strain(self, layout: Layout) -> float:
        """How much the displacement changes from one millimetre to the next: 97th percentile.

        Taken over what is written in and `BESIDE_MM` around, the paper's margins left out: where nothing is printed,
        nothing holds the warp, and nothing is read.
        """
        boxes = np.array([c.box_mm for c in layout.cells])
        low, high = boxes[:, :2].min(axis=0) - BESIDE_MM, (boxes[:, :2] + boxes[:, 2:]).max(axis=0) + BESIDE_MM
        ends = np.maximum(low, MARGIN_MM), np.minimum(high, np.array(layout.page_size_mm) - MARGIN_MM)
        (x0, y0), (x1, y1) = (np.round((v + EDGE_MM) / GRID_MM).astype(int) for v in ends)
        across, down = (np.diff(self.shift_mm[y0 : y1 + 1, x0 : x1 + 1], axis=a) / GRID_MM for a in (1, 0))
        squares = np.square(across[:-1]).sum(axis=2) + np.square(down[:, :-1]).sum(axis=2)
        return float(np.sqrt(np.percentile(squares, 97)))

    def maps(self, size_mm: tuple[float, float], px_per_mm: float) -> Iterator[tuple[slice, np.ndarray, np.ndarray]]:
        """Photo x and y for each pixel of a flat raster (H, W), some rows at a time: (rows, x, y), float32.

        Pixel centres lie at half steps. `px_per_mm` times `GRID_MM` must be whole: a node's square becomes so many
        pixels. A strip at a time stays in the processor's cache.
        """
        step = int(round(px_per_mm * GRID_MM))
        height, width = (int(round(v * px_per_mm)) for v in size_mm[::-1])
        rows, columns = (int(np.ceil(v / GRID_MM)) + 2 for v in size_mm[::-1])
        y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
        centres = (np.stack([x, y], axis=-1).reshape(-1, 2) - 0.5) * GRID_MM
        px = cv2.split(self.photo_px(centres).astype(np.float32).reshape(rows, columns, 2))
        for row in range(0, rows - 2, STRIP_NODES):
            top, nodes = row * step, slice(row, row + STRIP_NODES + 2)
            count = min(STRIP_NODES * step, height - top)
            large = [cv2.resize(v[nodes], (columns * step, len(v[nodes]) * step)) for v in px]
            yield slice(top, top + count), *(v[step : step + count, step : step + width] for v in large)


@dataclass(frozen=True, slots=True, eq=False)
class Flattened:
    """A flat page: `image` (H, W) uint8 at `FLAT_PX_PER_MM`, and how well its printed corners lie.

    `residual_mm` is the 95th percentile distance at corners held out of the fit (nan when too few were found),
    `matched` the share of these that were found. `found_mm` (N, 2) and `lost_mm` (M, 2) are the printed points,
    corners and places along rules, that were and were not seen where they should be.
    """

    image: np.ndarray
    warp: Warp
    residual_mm: float
    matched: float
    found_mm: np.ndarray = field(default_factory=lambda: np.empty((0, 2), np.float32))
    lost_mm: np.ndarray = field(default_factory=lambda: np.empty((0, 2), np.float32))


def _nodes(rows: int, columns: int) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    return np.stack([x, y], axis=-1) * GRID_MM - EDGE_MM


def _project(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points.reshape(-1, 1, 2).astype(np.float64), homography).reshape(-1, 2)


def grid_shape(size_mm: tuple[float, float]) -> tuple[int, int]:
    """Rows and columns of the displacement grid for a page size."""
    return tuple(int(np.ceil((v + 2 * EDGE_MM) / GRID_MM)) + 1 for v in size_mm[::-1])


def _sample(gray: np.ndarray, warp: Warp, size_mm: tuple[float, float], px_per_mm: float) -> np.ndarray:
    flat = np.empty([int(round(v * px_per_mm)) for v in size_mm[::-1]], np.uint8)
    for rows, x, y in warp.maps(size_mm, px_per_mm):
        cv2.remap(gray, x, y, cv2.INTER_LINEAR, dst=flat[rows], borderMode=cv2.BORDER_REPLICATE)
    return flat


def _native_px_per_mm(homography: np.ndarray, size_mm: tuple[float, float]) -> float:
    x, y = size_mm[0] / 2, size_mm[1] / 2
    origin, right, down = _project(homography, np.array([(x, y), (x + 1, y), (x, y + 1)]))
    (ax, ay), (bx, by) = right - origin, down - origin
    return float(np.sqrt(abs(ax * by - ay * bx)))


class Views(Sizes):
    """A photograph from which flat pages are sampled."""

    def flat(self, warp: Warp, size_mm: tuple[float, float], px_per_mm: float) -> np.ndarray:
        """The page as the warp has it, sampled from the smallest picture that still holds the detail."""
        level, native = 0, _native_px_per_mm(warp.homography, size_mm)
        while native / 2 >= 0.95 * px_per_mm and min(self.level(level).shape) >= 128:
            level, native = level + 1, native / 2
        scale = 0.5**level
        centre = np.array([[scale, 0, 0.5 * scale - 0.5], [0, scale, 0.5 * scale - 0.5], [0, 0, 1]])
        return _sample(self.level(level), Warp(centre @ warp.homography, warp.shift_mm), size_mm, px_per_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Printed:
    """What is looked for on a page, in mm: corners (N, 2), the marks' last, and points along rules with their ways.

    `fitted` (N,) says which corners may be fitted, `judged` which of the others tell the residual; `coarse` are enough
    of the former for the large bends.
    """

    corners: np.ndarray
    fitted: np.ndarray
    judged: np.ndarray
    coarse: np.ndarray
    edges: np.ndarray
    ways: np.ndarray


@lru_cache(maxsize=64)
def _printed(layout: Layout) -> _Printed:
    points = anchors_mm(layout)
    marks = np.array([c for m in layout.fiducials for c in m.corners_mm], np.float32)
    fitted = np.concatenate([~_held_out(points), np.ones(len(marks), bool)])
    step = max(1, round(fitted.sum() / COARSE_CORNERS))
    coarse = np.vstack([points[fitted[: len(points)]][::step], marks])
    corners = np.vstack([points, marks])
    judged = ~fitted & ~_of_words(layout, corners)
    return _Printed(corners, fitted, judged if judged.sum() >= LEAST_JUDGED else ~fitted, coarse, *edges_mm(layout))


def _held_out(points: np.ndarray) -> np.ndarray:
    """About one corner in five that takes no part in the fit, (N,) bool; never two sides by side of a box."""
    held: list[int] = []
    for i, point in enumerate(points):
        apart = np.linalg.norm(points[held] - point, axis=1)
        if i >= HELD_EVERY * len(held) + 2 and (apart > HELD_APART_MM).all():
            held.append(i)
    return np.isin(np.arange(len(points)), held)


def _of_words(layout: Layout, corners: np.ndarray) -> np.ndarray:
    """Which corners belong to lines of words only, (N,) bool: a person reads these, a little out of place or not."""

    def on(words: bool) -> np.ndarray:
        boxes = np.array([c.box_mm for c in layout.cells if (c.kind == "text") == words]).reshape(-1, 4)
        low, high = boxes[:, :2] - ON_MM, boxes[:, :2] + boxes[:, 2:] + ON_MM
        return ((corners[:, None] > low) & (corners[:, None] < high)).all(axis=2).any(axis=1)

    return on(True) & ~on(False)


def _coarse(views: Views, layout: Layout, warp: Warp) -> Warp:
    """The page's large bends, by polynomials through its printed corners."""
    size, printed = layout.page_size_mm, _printed(layout)
    rows, columns = warp.shift_mm.shape[:2]
    nodes = _nodes(rows, columns)
    for degree, px_per_mm, patch, search in COARSE_STEPS:
        image = views.flat(warp, size, px_per_mm)
        shifts, scores = match(image, layout, printed.coarse, px_per_mm=px_per_mm, patch_mm=patch, search_mm=search)
        good = scores > 0.45
        good[good] = agreeing(printed.coarse[good], shifts[good])
        if good.sum() < LEAST_CORNERS:
            break
        at = printed.coarse[good]
        solution, _ = robust_polynomial(at, shifts[good] + warp.shift_at(at), size, degree, 0.4)
        low, high = at.min(axis=0) - 8, at.max(axis=0) + 8
        reach = (np.clip(v, a, b) for v, a, b in zip((nodes[0, :, 0], nodes[:, 0, 1]), low, high, strict=True))
        shift = polynomial_on_grid(*reach, solution, size, degree).astype(np.float32)
        warp = Warp(warp.homography, shift)
    return warp


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """Printed points (N, 2) mm that were seen near their place, how far off (N, 2) mm, and the share of the corners."""

    points: np.ndarray
    off: np.ndarray
    share: float

    @property
    def largest_mm(self) -> float:
        """98th percentile of the distances."""
        return float(np.percentile(np.linalg.norm(self.off, axis=1), 98))


def _found(views: Views, layout: Layout, warp: Warp, scale: float, search: float) -> _Found | None:
    """What is seen of the printed points as the warp has the page; None of too few."""
    printed, image = _printed(layout), views.flat(warp, layout.page_size_mm, scale)
    corners = printed.corners[printed.fitted]
    shifts, scores = match(image, layout, corners, px_per_mm=scale, patch_mm=2.5, search_mm=search)
    good = scores > 0.5
    seen, moved = corners[good], shifts[good]
    good[good] = agreeing(seen, moved) | agreeing(seen, moved, neighbours=3)
    if good.sum() < LEAST_CORNERS:
        return None
    at, moved, share = corners[good], shifts[good], float(good.mean())
    edges, ways = printed.edges, printed.ways
    if not len(edges):
        return _Found(at, moved, share)
    bowed, sharp = match(image, layout, edges, px_per_mm=scale, patch_mm=EDGE_PATCH_MM, search_mm=search, along=ways)
    # Along its rule an edge point is taken to move as the corners around it do.
    bowed += ways * (thin_plate(at, moved, edges, SMOOTHING) * ways).sum(axis=1, keepdims=True)
    seen = sharp > 0.65
    points, off = np.vstack([at, edges[seen]]), np.vstack([moved, bowed[seen]])
    kept = agreeing(points, off)
    kept[: len(at)] = True
    return _Found(points[kept], off[kept], share)


def spline_grid(points: np.ndarray, off: np.ndarray, size_mm: tuple[float, float]) -> np.ndarray:
    """Displacements (N, 2) mm at page points, as a smooth spline on the grid of a `Warp`, (rows, columns, 2)."""
    rows, columns = grid_shape(size_mm)
    coarse = _nodes(rows, columns)[::3, ::3]
    extra = thin_plate(points, off, coarse.reshape(-1, 2), SMOOTHING).reshape(*coarse.shape)
    return _upsampled(extra, (rows, columns))


def _bent(warp: Warp, found: _Found | None, size_mm: tuple[float, float]) -> Warp:
    """The warp with a spline through what was found added."""
    if found is None:
        return warp
    return Warp(warp.homography, warp.shift_mm + spline_grid(found.points, found.off, size_mm))


def _fine(views: Views, layout: Layout, warp: Warp) -> Warp:
    """What is left after the coarse fit, by splines through corners and rules."""
    size, found = layout.page_size_mm, _found(views, layout, warp, *NEAR)
    if found is None or found.share < SURE_SHARE or found.largest_mm > NEAR[1] / 2:
        warp = _bent(warp, _found(views, layout, warp, *WIDE), size)
        found = _found(views, layout, warp, *NEAR)
    warp = _bent(warp, found, size)
    if found is not None and found.largest_mm >= SETTLED_MM:
        warp = _bent(warp, _found(views, layout, warp, *LAST), size)
    return warp


def _upsampled(coarse: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Values at every third node, interpolated to every node (beyond the last, held)."""
    affine = np.float32([[1 / 3, 0, 0], [0, 1 / 3, 0]])
    return cv2.warpAffine(
        coarse, affine, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def _checked(flat: np.ndarray, warp: Warp, layout: Layout) -> Flattened:
    """The flat page with what its printed points say of it."""
    printed = _printed(layout)
    half = cv2.resize(flat, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    how = {"px_per_mm": FLAT_PX_PER_MM / 2, "patch_mm": 2.0}
    shifts, scores = match(half, layout, printed.corners, search_mm=1.25, **how)
    pale = scores < FIRM * np.median(scores)
    far = np.flatnonzero(pale & (np.linalg.norm(shifts, axis=1) > NEARBY_MM))
    if len(far):  # strokes of a pencil across a corner look a little like one too
        shifts[far], nearby = match(half, layout, printed.corners[far], search_mm=NEARBY_MM, **how)
        scores[far] = np.where(nearby > NEARLY * scores[far], nearby, 0.0)
    _, sharp = match(half, layout, printed.edges, search_mm=0.5, along=printed.ways, **how)
    held = np.flatnonzero(printed.judged)
    seen = held[scores[held] > 0.5]
    error = np.linalg.norm(shifts, axis=1)
    residual = float(np.percentile(error[seen], 95)) if len(seen) >= 4 else float("nan")
    found = np.concatenate([(scores > 0.5) & (error < ASTRAY_MM), sharp > 0.5])
    points = np.vstack([printed.corners, printed.edges])
    return Flattened(flat, warp, residual, len(seen) / max(1, len(held)), points[found], points[~found])


def flatten_views(
    views: Views, layout: Layout, homography: np.ndarray, *, shift_mm: np.ndarray | None = None
) -> Flattened:
    """Flatten the page of `layout` out of a photograph.

    Parameters
    ----------
    homography : (3, 3) ndarray
        Page mm to photo px from the corner marks.
    shift_mm : (rows, columns, 2) ndarray, optional
        The page's large bends, see `Warp`, where they are known; else they are looked for.
    """
    if shift_mm is None:
        still = np.zeros((*grid_shape(layout.page_size_mm), 2), np.float32)
        warp = _coarse(views, layout, Warp(homography, still))
    else:
        warp = Warp(homography, shift_mm)
    warp = _fine(views, layout, warp)
    return _checked(_sample(views.full, warp, layout.page_size_mm, FLAT_PX_PER_MM), warp, layout)
