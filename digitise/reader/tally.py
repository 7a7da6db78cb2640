"""Count tally strokes by their contours.

Ink in the box is split by direction: upright strokes, and bars that lie across them. Upright strokes that touch are
told apart by scanning rows. Each bar is one stroke (the fifth). Nothing here is learned; `tally_network` is the
independent second opinion.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import InkPage, pixel_box
from digitise.reader.pieces import pieces_of
from digitise.sheets.layout import Cell

REACH_MM = 2.0  # strokes that run over the rule are shown this far
FOLLOW_MM = 5.0  # and followed this far to find out whose they are
SPECK_MM = 1.5  # shorter marks are no strokes
PROBE_MM = 2.4  # length of the line that must fit inside a stroke along its direction
ACROSS_DEG = 22.0  # a bar leans at least so far from the strokes it crosses
CRUMB_MM = 0.8  # what a removed bar leaves may be shorter
JOIN_MM = 0.9  # pieces that meet within this are one stroke
UPRIGHT_DEG = 36.0  # from the vertical; what leans further is a bar
PERSIST_MM = 0.5  # rows over which a number of strokes side by side must hold


@dataclass(frozen=True, slots=True)
class StrokeCount:
    """What the contours say: `count` strokes, of which `bars` lie across; `zero` when a lone dash or ring was found.

    `ink_mm2` is the area of pencil that belongs to the box, `longest_mm` its longest mark, `firm_mm2` the area that is
    dark enough to be nothing else.
    """

    count: int
    bars: int
    zero: bool
    ink_mm2: float
    longest_mm: float
    firm_mm2: float = 0.0


def own_ink(page: InkPage, cell: Cell) -> np.ndarray:
    """Ink of marks most of which lie in the box, (H, W) float32, the box grown by `REACH_MM` on each side."""
    x0, y0, x1, y1 = pixel_box(cell.box_mm, FOLLOW_MM)
    pad = [max(0, -y0), 0, max(0, -x0), 0]
    region = page.ink[max(0, y0) : y1, max(0, x0) : x1]
    pad[1], pad[3] = (y1 - y0) - region.shape[0] - pad[0], (x1 - x0) - region.shape[1] - pad[2]
    region = np.pad(region, ((pad[0], pad[1]), (pad[2], pad[3]))) if any(pad) else region
    shown = slice(*(np.array([1, -1]) * int(round((FOLLOW_MM - REACH_MM) * FLAT_PX_PER_MM))))
    mask = region > ink_threshold(page)
    if not cv2.hasNonZero(mask.view(np.uint8)):
        return region[shown, shown]
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    edge = int(round(FOLLOW_MM * FLAT_PX_PER_MM)) - 2
    inside = slice(edge, -edge), slice(edge, -edge)
    within, whole = (np.bincount(labels[part][mask[part]], minlength=count) for part in (inside, ...))
    foreign = (within < 0.5 * whole).view(np.uint8)
    region, drop = region[shown, shown], foreign.take(labels[shown, shown])
    if not cv2.hasNonZero(drop):
        return region
    region = region.copy()
    region[cv2.dilate(drop, np.ones((5, 5), np.uint8)).view(bool)] = 0.0
    return region


@lru_cache(maxsize=4)
def _probes(length_px: int) -> tuple[tuple[tuple[float, np.ndarray], ...], tuple[tuple[float, np.ndarray], ...]]:
    """Line kernels as (lean from the vertical in degrees, kernel): upright ones, and those of bars."""
    upright, across = [], []
    for lean in np.arange(-90.0, 90.0, 9.0):
        kernel = np.zeros((length_px, length_px), np.uint8)
        middle = (length_px - 1) / 2
        dx, dy = middle * np.sin(np.radians(lean)), middle * np.cos(np.radians(lean))
        start, end = (middle - dx, middle + dy), (middle + dx, middle - dy)
        cv2.line(kernel, tuple(int(round(v)) for v in start), tuple(int(round(v)) for v in end), 1, 1)
        (upright if abs(lean) <= UPRIGHT_DEG else across).append((float(lean), kernel))
    return tuple(upright), tuple(across)


def _along(mask: np.ndarray, probes: tuple[tuple[float, np.ndarray], ...]) -> np.ndarray:
    """Pixels of the mask through which one of the probing lines fits."""
    out = np.zeros_like(mask)
    for _, kernel in probes:
        fits = cv2.erode(mask, kernel)
        if cv2.hasNonZero(fits):
            out |= cv2.dilate(fits, kernel)
    return out


def _bands(mask: np.ndarray) -> list[tuple[int, int]]:
    """Rows of writing one above another: (first, last + 1) image rows, parted where the ink thins out."""
    profile = mask.sum(axis=1).astype(np.float64)
    smooth = np.convolve(profile, np.ones(5) / 5, mode="same")
    least = max(SPECK_MM * FLAT_PX_PER_MM, 4)
    inked = smooth > 0.3 * smooth.max(initial=0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inked.astype(np.int8), [0]))))
    bands = [(int(s), int(e)) for s, e in zip(edges[::2], edges[1::2], strict=True) if e - s >= least]
    if len(bands) < 2:
        return [(0, len(mask))]
    cuts = [0, *((a[1] + b[0]) // 2 for a, b in itertools.pairwise(bands)), len(mask)]
    return list(itertools.pairwise(cuts))


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """One connected piece: its own mask, middle and size in pixels, and how far it leans from the vertical, degrees."""

    mask: np.ndarray
    x: float
    y: float
    length: float
    lean: float


def _by_group(mask: np.ndarray, groups: np.ndarray, least_mm: float) -> dict[int, list[_Piece]]:
    """Connected pieces at least so high, by the label of the group of marks that each is part of."""
    out: dict[int, list[_Piece]] = {}
    found = pieces_of(mask)
    boxes, areas, centres = (v.tolist() for v in (found.boxes, found.areas, found.centres))
    for i in range(1, len(boxes)):
        x, y, w, h = boxes[i]
        if h < least_mm * FLAT_PX_PER_MM:
            continue
        own = found.labels[y : y + h, x : x + w] == i
        moments = cv2.moments(own.view(np.uint8), binaryImage=True)
        # The long axis by second moments, as an angle from the x axis, y down.
        angle = 0.5 * math.atan2(2 * moments["mu11"], moments["mu20"] - moments["mu02"])
        lean = (math.degrees(angle) + 180.0) % 180.0 - 90.0
        piece = _Piece(own, *centres[i], *((math.hypot(w - 1, h - 1), lean) if areas[i] >= 3 else (0.0, 0.0)))
        out.setdefault(int(groups[y, x + int(own[0].argmax())]), []).append(piece)
    return out


def _beside(piece: _Piece) -> int:
    """How many strokes side by side a piece is: its runs, in the rows where it has most of them."""
    hold = max(1, int(PERSIST_MM * FLAT_PX_PER_MM))
    if len(piece.mask) < hold:
        return 1
    runs = piece.mask[:, 0] + (piece.mask[:, 1:] & ~piece.mask[:, :-1]).sum(axis=1)
    return max(1, int(np.sort(runs)[-hold]))


def _strokes_in(uprights: list[_Piece], middle: float) -> tuple[int, float]:
    """Upright strokes in one connected group of marks, and their common lean in degrees.

    What a bar cuts in two is joined again: pieces are followed along the common lean to the row `middle`, and those
    that meet there are one stroke. A piece broader than a stroke is as many as its rows show side by side.
    """
    weight = sum(p.length**2 for p in uprights)
    if not weight:
        return 0, 0.0
    lean = sum(p.lean * p.length**2 for p in uprights) / weight
    slope = math.tan(math.radians(lean))
    total, last = 0, -math.inf
    for x, beside in sorted((p.x - (middle - p.y) * slope, _beside(p)) for p in uprights):
        if x - last < JOIN_MM * FLAT_PX_PER_MM and beside == 1:
            continue
        total, last = total + beside, x
    return total, lean


def _bars_across(bars: list[_Piece], lean: float) -> int:
    """Bars in a group whose uprights lean so: long enough, and clearly across them."""
    long = (p for p in bars if p.length >= 1.6 * PROBE_MM * FLAT_PX_PER_MM)
    return sum(abs((p.lean - lean + 90.0) % 180.0 - 90.0) >= ACROSS_DEG for p in long)


def _is_ring(mask: np.ndarray) -> bool:
    """Whether a lone mark is a closed ring: a written zero."""
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if tree is None:
        return False
    holes = [cv2.contourArea(c) for c, node in zip(contours, tree[0], strict=True) if node[3] >= 0]
    outer = [cv2.boundingRect(c) for c, node in zip(contours, tree[0], strict=True) if node[3] < 0]
    _, _, w, h = max(outer, key=lambda box: box[2] * box[3])
    return bool(holes) and max(holes) > 0.35 * w * h and h > 2.0 * FLAT_PX_PER_MM


def _sizes_mm(mask: np.ndarray, least_mm: float) -> list[tuple[float, float]]:
    """Width and height of each connected mark at least so long, found by its contour."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    sizes = (cv2.boundingRect(c)[2:] for c in contours)
    return [(w / FLAT_PX_PER_MM, h / FLAT_PX_PER_MM) for w, h in sizes if math.hypot(w, h) / FLAT_PX_PER_MM >= least_mm]


def count_strokes(ink: np.ndarray, threshold: float) -> StrokeCount:
    """Count the strokes in a tally box.

    Parameters
    ----------
    ink : (H, W) float32 ndarray
        Ink of the box at `FLAT_PX_PER_MM`, rules removed (`own_ink`).
    threshold : float
        Ink above this is pencil.
    """
    mask = (ink > threshold).view(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    marks = _sizes_mm(mask, SPECK_MM)
    if not marks:
        return StrokeCount(0, 0, False, 0.0, 0.0)
    area = cv2.countNonZero(mask) / FLAT_PX_PER_MM**2
    longest = max(math.hypot(w, h) for w, h in marks)
    firm = float(np.count_nonzero(ink > 2 * threshold)) / FLAT_PX_PER_MM**2
    mask = _part_in_use(mask)
    counts = [_count_band(mask[top:bottom]) for top, bottom in _bands(mask)]
    strokes, crossing = (sum(c) for c in zip(*counts, strict=True))
    if len(marks) == 1 and (_is_ring(mask) or (strokes == 0 and marks[0][0] > 2.2 * marks[0][1])):
        return StrokeCount(0, 0, True, area, longest, firm)
    return StrokeCount(strokes + crossing, crossing, False, area, longest, firm)


def _part_in_use(mask: np.ndarray) -> np.ndarray:
    """The mask without the empty rows and columns at its ends, but for half a probing line and a little."""
    spare = int(1.35 * PROBE_MM * FLAT_PX_PER_MM) // 2 + 3
    x, y, width, height = cv2.boundingRect(mask)
    return mask[max(0, y - spare) : y + height + spare, max(0, x - spare) : x + width + spare]


def _count_band(band: np.ndarray) -> tuple[int, int]:
    """Upright strokes in a row of writing, and bars across them, counted in each connected group of marks."""
    probe = int(PROBE_MM * FLAT_PX_PER_MM) | 1
    across = _along(band, _probes(int(1.35 * probe) | 1)[1])
    upright = _along(band, _probes(probe)[0]) & (1 - cv2.dilate(across, np.ones((3, 3), np.uint8))) & band
    groups = pieces_of(band)
    uprights, bars = _by_group(upright, groups.labels, CRUMB_MM), _by_group(across & band, groups.labels, 0.0)
    strokes, crossing = 0, 0
    for i, (_, top, width, height) in enumerate(groups.boxes.tolist()):
        if i == 0 or math.hypot(width, height) < SPECK_MM * FLAT_PX_PER_MM:
            continue
        beside, lean = _strokes_in(uprights.get(i, []), top + (height - 1) / 2)
        strokes += beside
        if beside >= 2:
            crossing += _bars_across(bars.get(i, []), lean)
    return strokes, crossing
