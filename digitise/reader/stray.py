"""Marks that nobody meant: edges of shadows, stains, creases and hairs that run through a cell, what was rubbed out.

They cannot be told from writing by the shape that they leave inside one box, so they are looked for around it. What is
found puts a cell before a person and changes no value. Ink is that of `digitise.reader.ink`, boxes are page
millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.exposure import MARGIN_MM
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.bare import STEP, bare_paper
from digitise.reader.ink import PALEST, REDUCE, InkPage, paper_kernel, pixel_box
from digitise.reader.pieces import Pieces, pieces_of
from digitise.sheets.layout import RULE_MM, Box, Cell, Layout

BROAD_MM, BROADEST_MM = 2.25, 4.5  # no line of a pencil is so broad, and no letter, crossed bars or all
BROAD_INK = 1.5  # times the threshold of ink: blunt pencils run together below it
BROAD_MM2 = 1.0  # of such ink in a cell
PALE = 0.8  # of the page's pencil: strokes that run together are darker, a shadow's edge is paler
BEYOND_MM2 = 3.0  # of broad ink around a box, which no writing leaves there
BEYOND_MM = 1.5  # a line that ends so far outside a box on two opposite sides runs through it
BEYOND_CHARACTERS_MM = 0.6  # outside a box of characters: strokes of a tally are longer than their box more often
FAR_MM, FAR_TICK_MM = 4.0, 8.0  # so far beyond its box no stroke of a tally, and no tick, overruns
WITHIN_MM = 0.6  # from a box's rules inward: ink here is in the box
LEAST_MM2 = 0.5  # of one mark in a box
FIRM, LEAST_FIRM = 0.78, 0.2  # share of the page's pencil, and of a mark's area that is so dark; an eraser leaves less
FAINT_MM, FAINT_MM2 = 3.0, 1.0  # longer than a speck or a fold leaves: of one mark that is not nothing, however faint
FAINTEST, GRAINS = 0.03, 5.0  # darkness of such a mark; where paper is grainy, so many times its spread
PALE_MM, PALE_MM2, PALE_FAINTEST, PALE_GRAINS = 2.5, 0.7, 0.015, 4.0  # the same where all pencil of the page is pale
RISES = 1.25  # times what counts as ink: pale pencil that an eraser has passed does not rise so far
BRIGHTER = 0.05  # than the paper around it, by this share: of a mark whose graphite reflects the light
AROUND_MM = 5.0
LIT_MM, LIT_MM2 = 4.0, 3.0  # of a strip of light at least: it may hide a whole stroke
ALONG_MM, END_MM = 2.5, 1.0  # of a rule's length that a mark lies along, and at a box's top and bottom not looked at

BARE_MM, EDGE_MM = 2.0, 5.0  # so far from all that is printed, and from the page's edge, paper tells what it is like
SPECK_MM = (0.8, 4.0)  # length of specks: fibres in the paper, sand, a copier's dirt; what is longer may be a note
AS_LONG, MANY = 0.9, 0.05  # of a mark's length: specks that may be one too; so many of them in its box are no chance
FEWEST_SPECKS = 6
RING_MM, RINGED = (0.6, 4.0), 0.8  # how far outside a box a ring passes its sides, and share of a side's middle half
LOW = 0.5  # of its breadth: what is less high is no letter

_SCALE = FLAT_PX_PER_MM / STEP


def _mask(page: InkPage, threshold: float, box: Box, grown_mm: float) -> tuple[np.ndarray, tuple[float, float]]:
    """Ink in and around a box, uint8 at half size, and where the box's corner lies in it, pixels (x, y)."""
    x, y, w, h = box
    left, top, right, bottom = (int(round(v * FLAT_PX_PER_MM)) for v in (x, y, x + w, y + h))
    grown = int(round(grown_mm * FLAT_PX_PER_MM))
    x0, y0 = max(0, left - grown), max(0, top - grown)
    ink = page.ink[y0 : bottom + grown : STEP, x0 : right + grown : STEP]
    return (ink > threshold).view(np.uint8), ((left - x0) / STEP, (top - y0) / STEP)


def broad_ink(page: InkPage, layout: Layout, threshold: float) -> frozenset[str]:
    """Ids of cells with ink broader than any line of a pencil, that is no writing: a shadow's edge, a stain.

    Strokes of a blunt pencil that run together are as dark as the pencil and stay in their box. A tick box may be
    filled in; there, only ink that is as broad around the box tells.
    """
    x0, y0, x1, y1 = _around(layout)
    ink = page.ink[y0:y1:STEP, x0:x1:STEP]
    mask = (ink > BROAD_INK * threshold).view(np.uint8)
    side = int(BROAD_MM * _SCALE) | 1
    line = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    broad = cv2.erode(mask, line)
    if not cv2.hasNonZero(broad):
        return frozenset()
    broad, corner = cv2.dilate(broad, line), (x0 // STEP, y0 // STEP)
    areas = cv2.integral(broad)
    area = _sums_mm2(areas, layout.cells, 0.0, corner=corner)
    found = np.flatnonzero(area > BROAD_MM2)
    if not len(found):
        return frozenset()
    cells, area = [layout.cells[i] for i in found], area[found]
    inmost = cv2.distanceTransform(mask, cv2.DIST_L2, 3) > BROADEST_MM / 2 * _SCALE
    around = _sums_mm2(areas, cells, BEYOND_MM, corner=corner) - area
    pale = _sums_mm2(cv2.integral(ink * broad), cells, 0.0, corner=corner) < PALE * page.pencil * area
    inside = _sums_mm2(cv2.integral(inmost.view(np.uint8)), cells, 0.0, corner=corner)
    no_writing = pale | (around > BEYOND_MM2) | (inside > 0)
    stray = np.where([c.kind == "tick" for c in cells], around > BROAD_MM2 / 2, no_writing)
    return frozenset(c.id for c, out in zip(cells, stray, strict=True) if out)


def _around(layout: Layout) -> tuple[int, int, int, int]:
    """(x0, y0, x1, y1) in flat pixels of all cells and of what around them tells of broad ink, ends exclusive."""
    boxes, grown = np.array([c.box_mm for c in layout.cells]), BEYOND_MM + BROADEST_MM
    low, high = (boxes[:, :2] - grown).min(axis=0), (boxes[:, :2] + boxes[:, 2:] + grown).max(axis=0)
    first = np.maximum(low * FLAT_PX_PER_MM, 0).astype(int) // STEP * STEP
    return (*first.tolist(), *(high * FLAT_PX_PER_MM).astype(int).tolist())


def _sums_mm2(sums: np.ndarray, cells: Sequence[Cell], grown_mm: float, *, corner: tuple[int, int]) -> np.ndarray:
    """What the integral image of a part of the page, from `corner` (x, y) px on, has of each cell's box, grown on all
    sides, by area, (cells,).
    """
    boxes, limit = np.array([c.box_mm for c in cells]), np.array(sums.shape[::-1]) - 1
    ends = boxes[:, :2] - grown_mm, boxes[:, :2] + boxes[:, 2:] + grown_mm
    (x0, y0), (x1, y1) = (np.clip((np.maximum(v, 0) * _SCALE).astype(int) - corner, 0, limit).T for v in ends)
    return (sums[y1, x1] - sums[y0, x1] - sums[y1, x0] + sums[y0, x0]) / _SCALE**2


def runs_through(page: InkPage, box: Box, threshold: float, *, beyond_mm: float = BEYOND_MM) -> bool:
    """Whether one mark in a box goes on beyond two opposite sides of it, as a crease or a line drawn down a column."""
    mask, (left, top) = _mask(page, threshold, box, BEYOND_MM + 0.75)
    beyond = beyond_mm * _SCALE
    ends = (left - beyond, left + box[2] * _SCALE + beyond), (top - beyond, top + box[3] * _SCALE + beyond)
    if not any(_reaches(np.flatnonzero(mask.any(axis=axis)), *both) for axis, both in enumerate(ends)):
        return False
    found = pieces_of(mask)
    inside = _inside(found, (left, top), box)
    first, last = found.boxes[:, :2], found.boxes[:, :2] + found.boxes[:, 2:]
    low, high = np.array(ends).T
    through = ((first <= low) & (last >= high)).any(axis=1)
    return bool((through & (inside >= LEAST_MM2))[1:].any())


def runs_out(page: InkPage, box: Box, threshold: float, *, far_mm: float = FAR_MM) -> bool:
    """Whether a mark in a box goes on far beyond it on any side, as a hair does, or a line into another row."""
    mask, corner = _mask(page, threshold, box, far_mm + 0.5)
    found, far = pieces_of(mask), far_mm * _SCALE
    low, high = np.array(corner) - far, np.array(corner) + np.array(box[2:]) * _SCALE + far
    first, last = found.boxes[:, :2], found.boxes[:, :2] + found.boxes[:, 2:]
    out = ((first <= low) | (last >= high)).any(axis=1)
    return bool((out & (_inside(found, corner, box) >= LEAST_MM2))[1:].any())


def _reaches(inked: np.ndarray, low: float, high: float) -> bool:
    """Whether ink in these columns, or rows, lies as far out as a mark must on both sides."""
    return bool(len(inked)) and inked[0] <= low and inked[-1] + 1 >= high


def _inside(found: Pieces, corner: tuple[float, float], box: Box) -> np.ndarray:
    """Area of each piece well inside a box whose corner lies there, (N,) mm2."""
    rim = WITHIN_MM * _SCALE
    x0, y0 = int(corner[0] + rim), int(corner[1] + rim)
    x1, y1 = int(corner[0] + box[2] * _SCALE - rim), int(corner[1] + box[3] * _SCALE - rim)
    return np.bincount(found.labels[y0:y1, x0:x1].ravel(), minlength=len(found.areas)) / _SCALE**2


def rubbed_out(page: InkPage, box: Box, threshold: float) -> bool:
    """Whether all the ink in a box that was read is far fainter than the page's pencil, as an eraser leaves it.

    Pencil that is pale all over a page is measured by itself, however pale.
    """
    ink, firm = page.crop(box, -0.4), FIRM * page.pencil
    if 0 < page.core < PALEST:
        firm = max(FIRM * page.core, RISES * threshold)
    return bool(np.count_nonzero(ink > firm) <= LEAST_FIRM * np.count_nonzero(ink > threshold))


def faintly_written(page: InkPage, box: Box) -> bool:
    """Whether a box read as blank holds a mark far fainter than the page's pencil: another's, or a rubbed-out entry.

    What counts as ink beside firm pencil leaves such marks out; here bare paper alone is the measure. Where all pencil
    of the page is pale, or hardly any is seen, an entry may be no more than a piece of such a mark.
    """
    ink = page.crop(box, -WITHIN_MM)
    if not ink.size:
        return False
    softened = cv2.GaussianBlur(ink, (0, 0), 1.0)
    if page.core < PALEST:
        least = max(PALE_GRAINS * page.noise, PALE_FAINTEST)
        return _holds_a_mark(softened > least, FLAT_PX_PER_MM, PALE_MM, PALE_MM2)
    return _holds_a_mark(softened > max(GRAINS * page.noise, FAINTEST), FLAT_PX_PER_MM)


def shines(image: np.ndarray, cell: Cell) -> bool:
    """Whether a cell of a flat page, (H, W) uint8, that was read as blank holds a mark brighter than the paper around.

    Graphite reflects the light of a low sun or a lamp, and is then as pale as paper or paler.
    """
    for box in cell.characters_mm or (cell.box_mm,):
        x0, y0, x1, y1 = pixel_box(box, -MARGIN_MM)
        if x1 - x0 < STEP or y1 - y0 < STEP:
            continue
        small = cv2.resize(image[y0:y1, x0:x1], None, fx=1 / STEP, fy=1 / STEP, interpolation=cv2.INTER_AREA)
        small = small.astype(np.float32)
        paper = _mean_around(np.maximum(small, _mean_around(small)))  # dark marks filled
        if _holds_a_mark(small > (1 + BRIGHTER) * paper, _SCALE):
            return True
    return False


def lit_strips(page: InkPage) -> np.ndarray:
    """Where paper is brighter than on both sides of the place, uint8 of 0 and 1 at a `REDUCE`th of the size.

    A fold in a plastic cover, or water, reflects light in strips that hide pencil and leave the printed rules dark.
    What is narrower than half a millimetre, as a sharpened edge is, does not count.
    """
    around = cv2.morphologyEx(page.paper, cv2.MORPH_OPEN, paper_kernel())
    return (page.paper > (1 + max(BRIGHTER, 2 * page.noise)) * around).view(np.uint8)


def lit(strips: np.ndarray, box: Box) -> bool:
    """Whether one of the `lit_strips` lies in a box."""
    x0, y0, x1, y1 = (v // REDUCE for v in pixel_box(box, -MARGIN_MM))
    inside = strips[max(0, y0) : y1, max(0, x0) : x1] > 0
    return _holds_a_mark(inside, FLAT_PX_PER_MM / REDUCE, LIT_MM, LIT_MM2)


def _mean_around(small: np.ndarray) -> np.ndarray:
    side = int(AROUND_MM * _SCALE) | 1
    return cv2.blur(small, (side, side), borderType=cv2.BORDER_REFLECT)


def _holds_a_mark(mask: np.ndarray, px_per_mm: float, long_mm: float = FAINT_MM, large_mm2: float = FAINT_MM2) -> bool:
    """Whether one piece of a mask, (H, W) bool, is larger than what a speck or a fold leaves."""
    if not mask.any():
        return False
    found = pieces_of(mask.view(np.uint8))
    length = np.hypot(*found.boxes[1:, 2:].T) / px_per_mm
    return bool(((length > long_mm) & (found.areas[1:] > large_mm2 * px_per_mm**2)).any())


def along_rule(page: InkPage, box: Box, threshold: float, usual: tuple[float, float] = (0.0, 0.0)) -> bool:
    """Whether a mark lies along one of a box's upright rules, as what is left of a rule that is not in its place does.

    A stroke so near a rule is partly removed with it, so its count is in doubt too. Outside the box a mark is darker
    than is `usual` there.
    """
    least = (threshold + usual[0], threshold, threshold, threshold + usual[1])
    for dark, limit in zip(_beside_rules(page, box), least, strict=True):
        edges = np.flatnonzero(np.diff(np.concatenate(([False], dark > limit, [False]))))
        if (np.diff(edges)[::2] > ALONG_MM * FLAT_PX_PER_MM).any():
            return True
    return False


def usual_outside(page: InkPage, boxes: Sequence[Box]) -> tuple[float, float]:
    """Ink just outside the left and the right rule of most of these boxes: blur fills the gap between two rules."""
    if not boxes:
        return 0.0, 0.0
    beside = [_beside_rules(page, box) for box in boxes]
    return tuple(float(np.median([np.median(one[side]) for one in beside])) for side in (0, -1))


def _beside_rules(page: InkPage, box: Box) -> list[np.ndarray]:
    """Ink in the columns where what was removed of a box's upright rules ends, from left to right."""
    x, y, w, h = box
    scale, half = FLAT_PX_PER_MM, RULE_MM / 2 + page.slack_mm
    rows = slice(round((y + END_MM) * scale), round((y + h - END_MM) * scale))
    ends = [(rule - half, rule + half) for rule in (x - RULE_MM / 2, x + w + RULE_MM / 2)]
    columns = [at for low, high in ends for at in (int(np.floor(low * scale)) - 1, int(np.ceil(high * scale)))]
    return [page.ink[rows, at] for at in columns]


def joined(page: InkPage, box: Box, other: Box, threshold: float) -> bool:
    """Whether one mark lies in two boxes side by side, so that it speaks in both."""
    x0, y0 = min(box[0], other[0]), min(box[1], other[1])
    x1, y1 = (max(box[i] + box[i + 2], other[i] + other[i + 2]) for i in (0, 1))
    both = (x0, y0, x1 - x0, y1 - y0)
    mask, (left, top) = _mask(page, threshold, both, 0.5)
    before, after = sorted((box, other))
    gap = (before[0] + before[2] - WITHIN_MM, after[0] + WITHIN_MM)
    if not mask[:, slice(*(int(left + (v - x0) * _SCALE) for v in gap))].any(axis=0).all():
        return False  # bare paper between the two
    found = pieces_of(mask)
    corners = ((left + (b[0] - x0) * _SCALE, top + (b[1] - y0) * _SCALE) for b in (box, other))
    first, second = (_inside(found, at, b) >= LEAST_MM2 for at, b in zip(corners, (box, other), strict=True))
    return bool((first & second)[1:].any())


def ringed(page: InkPage, box: Box, threshold: float) -> bool:
    """Whether a line passes at least three sides of a box, outside it: somebody drew a ring around a box to tick."""
    x, y, w, h = box
    near, far = RING_MM
    deep = far - near
    beside = ((x - far, y + h / 4, deep, h / 2), 1), ((x + w + near, y + h / 4, deep, h / 2), 1)
    across = ((x + w / 4, y - far, w / 2, deep), 0), ((x + w / 4, y + h + near, w / 2, deep), 0)
    inked = ((page.crop(strip) > threshold).any(axis=axis) for strip, axis in (*beside, *across))
    return sum(bool(line.size) and bool(line.mean() > RINGED) for line in inked) >= 3


def lies_flat(page: InkPage, box: Box, threshold: float) -> bool:
    """Whether what is written in a box is far broader than high, as a dash or a ditto mark is and no letter."""
    mask = page.crop(box, -WITHIN_MM) > threshold
    _, _, width, height = cv2.boundingRect(mask.view(np.uint8)) if mask.any() else (0, 0, 0, 0)
    return height < LOW * width


@lru_cache(maxsize=64)
def _between_head_and_foot(layout: Layout) -> np.ndarray:
    """Bare paper well inside the page, below its head and above its foot; uint8 at half size."""
    width, height = layout.page_size_mm
    marks = [layout.qr_mm, *(m.box_mm for m in layout.fiducials)]
    head, foot = max(y + h for _, y, _, h in marks if y < height / 2), min(y for _, y, _, _ in marks if y > height / 2)
    top, bottom = int((head + BARE_MM) * _SCALE), int((foot - BARE_MM) * _SCALE)
    left, right = int(EDGE_MM * _SCALE), int((width - EDGE_MM) * _SCALE)
    bare = bare_paper(layout, BARE_MM)
    mask = np.zeros(bare.shape, np.uint8)
    mask[top:bottom, left:right] = bare[top:bottom, left:right]
    return mask


def _lengths_mm(mask: np.ndarray) -> np.ndarray:
    return np.hypot(*pieces_of(mask).boxes[1:, 2:].T) / _SCALE if mask.any() else np.empty(0)


def specks_mm(page: InkPage, layout: Layout, threshold: float) -> np.ndarray:
    """Lengths of the specks on bare paper, (N,) ascending: of marks that lie where nobody is asked to write."""
    bare = _between_head_and_foot(layout)
    ink = page.ink[::STEP, ::STEP][: bare.shape[0], : bare.shape[1]]
    found = _lengths_mm((ink > threshold).view(np.uint8) & bare[: ink.shape[0], : ink.shape[1]])
    return np.sort(found[(found > SPECK_MM[0]) & (found < SPECK_MM[1])])


def inked_paper(page: InkPage, layout: Layout, least: float) -> float:
    """Share of the bare paper that is darker than `least`, where nobody is asked to write; in [0, 1]."""
    bare = _between_head_and_foot(layout)
    ink = page.ink[::STEP, ::STEP][: bare.shape[0], : bare.shape[1]]
    bare = bare[: ink.shape[0], : ink.shape[1]]
    return np.count_nonzero((ink > least) & (bare > 0)) / max(1, np.count_nonzero(bare))


def only_specks(page: InkPage, layout: Layout, box: Box, threshold: float, specks: np.ndarray) -> bool:
    """Whether all the ink in a box lies in pieces such as the paper around has so many of that they say nothing."""
    if len(specks) < FEWEST_SPECKS:
        return False
    found = _lengths_mm((page.crop(box, -WITHIN_MM)[::STEP, ::STEP] > threshold).view(np.uint8))
    longest = max(found, default=0.0)
    as_long = len(specks) - np.searchsorted(specks, AS_LONG * longest)
    bare_mm2 = cv2.countNonZero(_between_head_and_foot(layout)) / _SCALE**2
    return bool(as_long >= FEWEST_SPECKS and as_long * box[2] * box[3] > MANY * bare_mm2)
