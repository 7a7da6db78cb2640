"""What can be seen of a flat page: how sharp it is, and which cells are hidden or not where they should be.

Images are (H, W) uint8 at `FLAT_PX_PER_MM`; places on the page are millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.exposure import SATURATED, WHITE
from digitise.pages.fiducials import halved
from digitise.pages.flatten import FLAT_PX_PER_MM, Flattened
from digitise.sheets.layout import Layout

STROKE_MM = 0.5  # a pencil stroke
STEP_MM = 0.5  # between the places where a cell's printed frame is looked at
FAINT = 0.4  # of the page's usual contrast: beside a frame fainter than this, faint pencil is not seen
FAINTEST = 0.05  # nor is one with less contrast than this
VEILED = 0.6  # of the clear cells' contrast: a veil that takes more from a frame may take faint pencil whole
LOST_SHARE = 0.12  # of one side of a frame
LOST_MM = 3.0  # on one side of a frame
BESIDE_MM = 1.5  # printed points so near a cell are its own
DARKEST_PAPER = 0.42  # of the page's usual paper; a shadow that takes two thirds of the light leaves about 0.6
NEAR_MM, WIDE_MM = 0.55, 1.2  # how far around a place its darkest and brightest are looked for
DARK_MM2 = 0.3  # of something broad and dark in or beside a cell
CLEAR, MOST_UNCLEAR = 0.55, 0.1  # of the usual contrast: print seen so well lies in shadow, not under something; of its
LEAST_SEEN = 4  # places so many at least, of which this share may be paler
BLOWN_SHARE, BLOWN_MM2 = 0.08, 20.0  # of a cell: more than this washed out hides it
BARE_SIDE, MARGIN, BARE_LEAST = 160, 0.12, 0.05  # places each way; of paper, at each edge; of a picture, as paper
TABLE_GRAYS = 20  # between paper and what lies around it
BARE_SHARE, BARE_GRAYS = 0.8, 1.5  # of an empty page differs by less from a smooth light; blurred sheets by 2.6 or more
HALO_MM = 1.2  # narrower bands of white beside dark lines are sharpening
BRIGHT = 1.06  # times the page's usual paper: light reflected from the sheet


@dataclass(frozen=True, slots=True)
class Unseen:
    """Ids of cells that cannot be trusted: under glare, something else or a veil, or not where the layout says.

    `evenness` is the contrast of the page's paler printed sides, level or upright ones, as a share of the others'.
    """

    glare: frozenset[str] = frozenset()
    covered: frozenset[str] = frozenset()
    veiled: frozenset[str] = frozenset()
    astray: frozenset[str] = frozenset()
    evenness: float = 1.0

    @property
    def all(self) -> frozenset[str]:
        """Cells hidden for any of these reasons."""
        return self.glare | self.covered | self.veiled | self.astray

    @property
    def main_reason(self) -> str:
        """The photo reason that fits most of them."""
        reasons = ("glare", "covered", "veiled", "not-flat")
        counts = (len(c) for c in (self.glare, self.covered, self.veiled, self.astray))
        return max(zip(counts, reasons, strict=True))[1]


@dataclass(frozen=True, slots=True, eq=False)
class _Frames:
    """Places on the printed frames of a page's cells: (N, 2) mm, which side (N,) each is on, which cell a side's is.

    `level` (N,) says which places lie on level sides.
    """

    points_mm: np.ndarray
    side: np.ndarray
    cell: np.ndarray
    level: np.ndarray


@lru_cache(maxsize=64)
def _frames(layout: Layout) -> _Frames:
    points, sides, cells, level = [], [], [], []
    for index, cell in enumerate(layout.cells):
        x, y, w, h = cell.box_mm
        for flat, at, start, end in ((1, y, x, x + w), (1, y + h, x, x + w), (0, x, y, y + h), (0, x + w, y, y + h)):
            steps = np.arange(start + 0.4, end - 0.39, STEP_MM)
            line = _printed_at(layout, at, start, end, flat=bool(flat))
            if line is None or not len(steps):
                continue
            across = np.full(len(steps), line)
            points.append(np.stack([steps, across] if flat else [across, steps], axis=1))
            sides.append(np.full(len(steps), len(cells)))
            level.append(np.full(len(steps), bool(flat)))
            cells.append(index)
    if not points:
        return _Frames(np.empty((0, 2)), np.empty(0, int), np.empty(0, int), np.empty(0, bool))
    return _Frames(np.vstack(points), np.concatenate(sides), np.array(cells), np.concatenate(level))


def _printed_at(layout: Layout, at: float, start: float, end: float, *, flat: bool) -> float | None:
    """Where across the page the rule of a cell's side lies; None where none is printed there."""
    for rule in layout.rules:
        level = rule.y0 == rule.y1
        place, ends = (rule.y0, (rule.x0, rule.x1)) if level else (rule.x0, (rule.y0, rule.y1))
        if level == flat and abs(place - at) < 0.6 and min(ends) < start + 1 and max(ends) > end - 1:
            return place
    return None


def _darkest_and_brightest(half: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Darkest grey within `NEAR_MM` and brightest within `WIDE_MM` of each pixel."""
    scale = FLAT_PX_PER_MM / 2
    near, wide = (np.ones((int(2 * v * scale) | 1,) * 2, np.uint8) for v in (NEAR_MM, WIDE_MM))
    return cv2.erode(half, near), cv2.dilate(half, wide)


def _area_mm2(mask: np.ndarray, layout: Layout, grown_mm: float) -> np.ndarray:
    """Area of a half-size mask, (H, W) bool, in each cell's box grown on all sides, (cells,) mm2."""
    sums = cv2.integral(mask.view(np.uint8))
    boxes = np.array([c.box_mm for c in layout.cells])
    low, high = boxes[:, :2] - grown_mm, boxes[:, :2] + boxes[:, 2:] + grown_mm
    limit = np.array(sums.shape[::-1]) - 1
    (x0, y0), (x1, y1) = (np.clip((v * FLAT_PX_PER_MM / 2).astype(int), 0, limit).T for v in (low, high))
    return (sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]) / (FLAT_PX_PER_MM / 2) ** 2


def _blown(half: np.ndarray, layout: Layout) -> np.ndarray:
    """Which cells light has washed out in part, on a page whose paper is not white all over; (cells,) bool."""
    bright = (half >= SATURATED).view(np.uint8)
    if not cv2.hasNonZero(bright) or np.median(half[::8, ::8]) >= WHITE:
        return np.zeros(len(layout.cells), bool)
    area = np.array([c.box_mm[2] * c.box_mm[3] for c in layout.cells])
    side = int(HALO_MM * FLAT_PX_PER_MM / 2) | 1
    white = cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    return _area_mm2(white, layout, 0.0) > np.minimum(BLOWN_SHARE * area, BLOWN_MM2)


def _at(picture: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    """Values of a half-size picture at page points."""
    x, y = (points_mm * (FLAT_PX_PER_MM / 2)).astype(int).T
    return picture[np.clip(y, 0, picture.shape[0] - 1), np.clip(x, 0, picture.shape[1] - 1)]


def _contrast(dark: np.ndarray, bright: np.ndarray, layout: Layout) -> np.ndarray:
    """How dark the printed frames are at the places of `_frames`, as a share of the paper beside them, (N,)."""
    points = _frames(layout).points_mm
    return 1.0 - _at(dark, points) / np.maximum(_at(bright, points), np.float32(1.0))


def _usual(seen: np.ndarray, layout: Layout) -> tuple[float, float]:
    """Usual contrast of the page's level and of its upright printed sides: where the phone moved, they differ."""
    level = _frames(layout).level
    return tuple(max(1e-3, float(np.median(own))) if len(own) else 1.0 for own in (seen[level], seen[~level]))


def _faded(lost: np.ndarray, layout: Layout) -> np.ndarray:
    """Which cells have a printed side that fades, or is missing, over part of its length; (cells,) bool."""
    frames = _frames(layout)
    out = np.zeros(len(layout.cells), bool)
    if not len(frames.side):
        return out
    length = np.bincount(frames.side, minlength=len(frames.cell))
    missing = np.bincount(frames.side, weights=lost, minlength=len(frames.cell))
    out[frames.cell[(missing > LOST_SHARE * length) | (missing * STEP_MM >= LOST_MM)]] = True
    return out


def _brightness(bright: np.ndarray, lost: np.ndarray, layout: Layout) -> tuple[np.ndarray, float]:
    """How bright each cell is where its print is lost, or in its middle where none is, (cells,), and what is usual."""
    middles = np.array([(x + w / 2, y + h / 2) for x, y, w, h in (c.box_mm for c in layout.cells)])
    paper, frames = _at(bright, middles).astype(np.float32), _frames(layout)
    usual = float(np.median(paper))
    own, at_lost = frames.cell[frames.side[lost]], _at(bright, frames.points_mm[lost])
    count = np.bincount(own, minlength=len(paper))
    sums = np.bincount(own, weights=at_lost, minlength=len(paper))
    return np.where(count > 0, sums / np.maximum(count, 1), paper), usual


def _veiled(seen: np.ndarray, layout: Layout) -> np.ndarray:
    """Which cells have frames much paler than the page's clear ones; (cells,) bool.

    `seen` is contrast as a share of what is usual for sides of that direction.
    """
    frames = _frames(layout)
    if not len(frames.side):
        return np.zeros(len(layout.cells), bool)
    own = frames.cell[frames.side]
    count = np.bincount(own, minlength=len(layout.cells))
    contrast = np.bincount(own, weights=seen, minlength=len(layout.cells)) / np.maximum(count, 1)
    return (count > 0) & (contrast < VEILED * np.percentile(contrast[count > 0], 90))


def _shaded(dark: np.ndarray, seen: np.ndarray, layout: Layout) -> np.ndarray:
    """Which cells show their frames as clearly where it is `dark`, (H, W) bool at half size, as elsewhere; (cells,).

    In full sun a shadow takes nine tenths of the light, and is then as dark as skin. `seen` is as for `_veiled`. Where
    hardly any of a cell's own frame is dark, what is seen all over the dark place counts.
    """
    frames = _frames(layout)
    _, labels = cv2.connectedComponents(dark.view(np.uint8))
    place = _at(labels, frames.points_mm)
    there = place > 0
    unclear = seen[there] < CLEAR
    of_cell, place = frames.cell[frames.side[there]], place[there]
    own, places = len(layout.cells), int(labels.max()) + 1
    count, lost = np.bincount(of_cell, minlength=own), np.bincount(of_cell, weights=unclear, minlength=own)
    clear = np.bincount(place, weights=unclear, minlength=places) <= MOST_UNCLEAR * np.bincount(place, minlength=places)
    clear &= np.bincount(place, minlength=places) >= LEAST_SEEN
    left = _area_mm2(dark & ~clear[labels], layout, WIDE_MM) > DARK_MM2
    return np.where(count >= LEAST_SEEN, lost <= MOST_UNCLEAR * count, (lost == 0) & ~left)


def _astray(flattened: Flattened, layout: Layout) -> np.ndarray:
    """Which cells have a third or more of their printed corners and rules elsewhere than they should be; (cells,)."""
    boxes = np.array([c.box_mm for c in layout.cells])

    def beside(points: np.ndarray) -> np.ndarray:
        low, high = boxes[:, None, :2] - BESIDE_MM, boxes[:, None, :2] + boxes[:, None, 2:] + BESIDE_MM
        return ((points[None] > low) & (points[None] < high)).all(axis=2).sum(axis=1)

    lost = beside(flattened.lost_mm)
    if lost.max(initial=0) < 2:
        return np.zeros(len(boxes), bool)
    return (lost >= 2) & (2 * lost >= beside(flattened.found_mm))


def unseen_cells(flattened: Flattened, layout: Layout) -> Unseen:
    """Cells whose printed frame has faded far below the page's usual contrast, or does not lie where it should."""
    half = halved(flattened.image)
    dark, bright = _darkest_and_brightest(half)
    no_paper = bright < DARKEST_PAPER * np.median(bright[::8, ::8])  # no pencil is so broad
    blown, under_dark = _blown(half, layout), _area_mm2(no_paper, layout, WIDE_MM) > DARK_MM2
    seen = _contrast(dark, bright, layout)
    both = _usual(seen, layout)
    usual = np.where(_frames(layout).level, *both)
    if under_dark.any():
        under_dark &= ~_shaded(no_paper, seen / usual, layout)
    lost = seen < np.maximum(FAINTEST, FAINT * usual)
    faded, astray = _faded(lost, layout) | blown | under_dark, _astray(flattened, layout)
    veiled = _veiled(seen / usual, layout) & ~faded
    brightness, paper = _brightness(bright, lost, layout)
    lit = blown | (brightness > min(BRIGHT * paper, 253.0))
    paler, clearer = sorted(both)
    mist = clearer < FAINTEST / FAINT
    misty = faded & ~lit & ~under_dark & mist
    ids = np.array([c.id for c in layout.cells])
    kinds = (faded & lit, faded & ~lit & ~misty, veiled | misty, astray & ~faded & ~veiled)
    return Unseen(*(frozenset(ids[k].tolist()) for k in kinds), 1.0 if mist else paler / clearer)


def edge_widths_mm(image: np.ndarray, layout: Layout) -> np.ndarray:
    """Median widths, in mm, of each corner mark's level and upright outer edges in the flat page, (marks, 2).

    NaN where none is seen.
    """
    out = np.full((len(layout.fiducials), 2), np.nan)
    for index, mark in enumerate(layout.fiducials):
        x, y, w, h = mark.box_mm
        for way, (picture, along, across) in enumerate(((image, (x, w), (y, h)), (image.T, (y, h), (x, w)))):
            widths = []
            for low in (True, False):
                centre = int((across[0] if low else across[0] + across[1]) * FLAT_PX_PER_MM)
                start, end = (int(v * FLAT_PX_PER_MM) for v in (along[0] + 2, along[0] + along[1] - 2))
                strip = picture[max(0, centre - 10) : centre + 10, start:end]
                if strip.size and strip.shape[0] == 20:
                    widths.append(_rise(strip.mean(axis=1), falling=low))
            if known := [w for w in widths if w is not None]:
                out[index, way] = np.median(known) / FLAT_PX_PER_MM
    return out


def edge_width_mm(widths: np.ndarray) -> float:
    """Usual width of a page's printed edges in the worse direction, by `edge_widths_mm`; infinite where none is seen.

    A phone that moved blurs edges across its way and leaves those along it sharp.
    """
    seen = [own for own in (way[~np.isnan(way)] for way in widths.T) if len(own)]
    return max((float(np.median(own)) for own in seen), default=float("inf"))


def _rise(profile: np.ndarray, *, falling: bool) -> float | None:
    """Width of a step in samples: its height over its steepest slope (2.5 sigma of a Gaussian blur); None if faint."""
    values = profile[::-1] if falling else profile
    height = float(np.sort(values[-5:])[2] - np.sort(values[:5])[2])  # between the medians
    if height < 25:
        return None
    return height / max(float(np.diff(values).max()), 1e-3)


def outside_cells(flattened: Flattened, layout: Layout, shape: tuple[int, int]) -> list[str]:
    """Ids of cells with a corner outside the photograph, whose (height, width) is `shape`."""
    height, width = shape
    corners = np.array(
        [[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in (c.box_mm for c in layout.cells)],
        np.float32,
    )
    px = flattened.warp.photo_px(corners.reshape(-1, 2)).reshape(-1, 4, 2)
    inside = (px >= 0).all(axis=2) & (px[:, :, 0] <= width - 1) & (px[:, :, 1] <= height - 1)
    return [c.id for c, ok in zip(layout.cells, inside.all(axis=1), strict=True) if not ok]


def looks_blurred(gray: np.ndarray) -> bool:
    """Whether nothing in the picture is sharp across or down: even its steepest edges rise over many pixels."""
    scale = min(1.0, 1600 / max(gray.shape))
    small = cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float32)
    return _soft_across(small) or _soft_across(small.T)


def is_bare(gray: np.ndarray) -> bool:
    """Whether a picture is of paper in even light with nothing on it: a sheet's back, scanned, or lying on a table.

    The paper's edges are left out. What remains beside a smooth light of second degree is hardly more than grain; of
    blurred sheets, however soft, more is left.
    """
    small = cv2.resize(gray, (BARE_SIDE, BARE_SIDE), interpolation=cv2.INTER_AREA)
    y, x = (v / BARE_SIDE for v in np.nonzero(_bright_piece(small)))
    if len(x) < BARE_LEAST * small.size:
        return False
    light = small[(y * BARE_SIDE).astype(int), (x * BARE_SIDE).astype(int)].astype(np.float64)
    smooth = np.stack([np.ones_like(x), x, y, x * y, x * x, y * y], axis=1)
    some = np.full(len(light), True)
    for _ in range(2):  # the second time without what stands out
        fitted = smooth @ np.linalg.lstsq(smooth[some], light[some], rcond=None)[0]
        left = np.abs(light - fitted)
        some = left <= np.quantile(left, BARE_SHARE)
    return float(np.quantile(left, BARE_SHARE)) < BARE_GRAYS


def _bright_piece(small: np.ndarray) -> np.ndarray:
    """Where the largest bright piece of a picture lies, without its edges; all of it where nothing is much darker."""
    soft = cv2.GaussianBlur(small, (0, 0), 2)
    bright = soft > cv2.threshold(soft, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[0]
    if bright.all() or not bright.any() or soft[bright].mean() - soft[~bright].mean() < TABLE_GRAYS:
        bright[:] = True
    _, pieces, about, _ = cv2.connectedComponentsWithStats(bright.view(np.uint8))
    piece = (pieces == 1 + about[1:, cv2.CC_STAT_AREA].argmax()).view(np.uint8)
    whole = np.zeros_like(piece)
    cv2.fillConvexPoly(whole, cv2.convexHull(cv2.findNonZero(piece)), 1)
    margin = int(MARGIN * np.sqrt(np.count_nonzero(whole)))
    return cv2.erode(whole, np.ones((2 * margin + 1,) * 2, np.uint8), borderValue=0) > 0


def _soft_across(small: np.ndarray) -> bool:
    if small.shape[1] <= 8:
        return False
    near = np.abs(small[:, 1:] - small[:, :-1])
    far = np.abs(small[:, 8:] - small[:, :-8])
    contrast = float(np.percentile(far, 99.8))
    return contrast > 20 and float(np.percentile(near, 99.8)) < 0.3 * contrast


def place_words(box_or_point: tuple[float, ...], size_mm: tuple[float, float]) -> str:
    """Where on the page, in words: "upper left", "middle right", "centre"."""
    x, y = box_or_point[:2]
    if len(box_or_point) == 4:
        x, y = x + box_or_point[2] / 2, y + box_or_point[3] / 2
    across = ("left", "", "right")[min(2, max(0, int(3 * x / size_mm[0])))]
    down = ("upper", "middle", "lower")[min(2, max(0, int(3 * y / size_mm[1])))]
    return f"{down} {across}" if across else {"middle": "centre"}.get(down, f"{down} middle")


def where(layout: Layout, ids: list[str]) -> str:
    """The one or two parts of the page in which most of these cells lie, in words."""
    words = [place_words(layout.by_id[i].box_mm, layout.page_size_mm) for i in sorted(ids)]
    return " and ".join(sorted(dict.fromkeys(words), key=lambda w: -words.count(w))[:2])
