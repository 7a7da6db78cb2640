"""Pencil apart from paper: the flat page becomes ink, printed rules removed.

Ink is darkness relative to the paper around it, in [0, 1]; 0 is bare paper. Where print is pale, it counts for more.
Arrays are (row, column) at `FLAT_PX_PER_MM` pixels a millimetre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.exposure import LEAST_PRINT, mark_black
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.sheets.layout import Box, Layout

RULE_SLACK_MM = 0.22  # how far a printed rule may lie from its place and still be removed whole
THICK_MM, MOST_SLACK_MM = 0.62, 0.45  # breadth of a rule in a clear photograph, or less; copied again, it is thicker
RULE_INK, LONG_MM, MOST_RULES = 0.35, 8.0, 40  # darkness of a rule, length of those measured, and how many
REDUCE = 4  # paper is measured at so many times fewer pixels a side
STRIP_PX = 128  # rows at a time; a multiple of `REDUCE`
PAPER_MM = 7.0  # pencil and rules are narrower than this, shadows and glare wider
EDGE_PX, UNEVEN = 1.0, 0.02  # softening of paper, at that size, where a shadow ends, and how much more it darkens there
EVERY, BROAD_MM = 3, 3.0  # flat pixels to one that pencil is measured by, and what no line of a pencil is as broad as
FEWEST = 66  # of such pixels that say how dark the pencil is: a few strokes
LEAST_INK = 0.07  # darkness: what is paler is no ink, however even the paper
PALEST, DARKEST = 0.15, 0.85  # pencil that networks and counters know
FULL_PRINT = 0.75  # darkness of the corner marks in a clear photograph, or more


@dataclass(frozen=True, slots=True, eq=False)
class InkPage:
    """Ink of a whole page, float32 (H, W), and the darkness of this page's pencil.

    `noise` is the spread of bare paper; `core` is the usual darkness of a stroke's core (0 when nothing is written),
    and `pencil` the same as networks know it, from `PALEST` to `DARKEST` (0.5 when nothing is written). So far beyond
    a rule's printed breadth, `slack_mm`, ink was removed with it. `paper` is the picture with strokes and rules filled
    by the paper around them, uint8 (H / `REDUCE`, W / `REDUCE`).
    """

    ink: np.ndarray
    noise: float
    pencil: float
    slack_mm: float = RULE_SLACK_MM
    paper: np.ndarray = field(default_factory=lambda: np.empty((0, 0), np.uint8))
    core: float = 1.0

    def crop(self, box_mm: Box, margin_mm: float = 0.0) -> np.ndarray:
        """A view of the ink in a box grown by a margin, clipped at the page's edge."""
        x0, y0, x1, y1 = pixel_box(box_mm, margin_mm)
        return self.ink[max(0, y0) : y1, max(0, x0) : x1]


def pixel_box(box_mm: Box, margin_mm: float = 0.0) -> tuple[int, int, int, int]:
    """(x0, y0, x1, y1) in flat pixels of a box grown by a margin; ends exclusive."""
    x, y, w, h = box_mm
    scale = FLAT_PX_PER_MM
    return (
        int(round((x - margin_mm) * scale)),
        int(round((y - margin_mm) * scale)),
        int(round((x + w + margin_mm) * scale)),
        int(round((y + h + margin_mm) * scale)),
    )


def paper_kernel() -> np.ndarray:
    """A disc broader than pencil and rules, uint8, for pictures at a `REDUCE`th of the size."""
    side = int(PAPER_MM * FLAT_PX_PER_MM / REDUCE) | 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))


def filled_paper(image: np.ndarray) -> np.ndarray:
    """The picture with strokes and rules filled by the paper around them, uint8 (H / 4, W / 4)."""
    small = cv2.resize(image, None, fx=1 / REDUCE, fy=1 / REDUCE, interpolation=cv2.INTER_AREA)
    return cv2.morphologyEx(cv2.medianBlur(small, 3), cv2.MORPH_CLOSE, paper_kernel())


def paper_brightness(filled: np.ndarray) -> np.ndarray:
    """Brightness of the bare paper, float32 of the same shape, from `filled_paper`.

    Softened broadly, since paper has grain; where that smears a shadow's edge over the paper beside it, only a little.
    """
    even = cv2.GaussianBlur(filled.astype(np.float32), (0, 0), len(paper_kernel()) / 4)
    beyond = cv2.subtract(cv2.GaussianBlur(filled, (0, 0), EDGE_PX), even, dtype=cv2.CV_32F)
    allowed = np.float32(UNEVEN) * even
    even += beyond
    even -= np.minimum(np.maximum(beyond, -allowed), allowed)
    return even


def _darkness(image: np.ndarray, paper: np.ndarray) -> np.ndarray:
    """Darkness relative to the paper, (H, W) float32 in [0, 1]; a strip at a time, for the processor's cache."""
    height, width = image.shape
    ink = np.empty((height, width), np.float32)
    padded = cv2.copyMakeBorder(np.maximum(paper, 8.0), 1, 1, 0, 0, cv2.BORDER_REPLICATE)
    across = cv2.resize(padded, (width, len(padded)))
    for top in range(0, height, STRIP_PX):
        rows = slice(top, min(height, top + STRIP_PX))
        near = across[top // REDUCE : top // REDUCE + STRIP_PX // REDUCE + 2]
        light = cv2.resize(near, (width, REDUCE * len(near)))[REDUCE : REDUCE + rows.stop - top]
        strip = cv2.divide(image[rows], light, dst=ink[rows], dtype=cv2.CV_32F)
        cv2.threshold(strip, 1.0, 0.0, cv2.THRESH_TRUNC, dst=strip)
        np.subtract(np.float32(1.0), strip, out=strip)
    return ink


def _slack_mm(ink: np.ndarray, layout: Layout) -> float:
    """How far beyond their printed breadth rules are removed: further where a copier, or much ink, made them thick."""
    scale, half, found = FLAT_PX_PER_MM, round(FLAT_PX_PER_MM), []
    long = [r for r in layout.rules if max(abs(r.x1 - r.x0), abs(r.y1 - r.y0)) > LONG_MM]
    for rule in long[:: 1 + len(long) // MOST_RULES]:
        upright = rule.x0 == rule.x1
        at = round((rule.x0 if upright else rule.y0) * scale)
        ends = sorted((rule.y0, rule.y1) if upright else (rule.x0, rule.x1))
        run = slice(int((ends[0] + 1) * scale), int((ends[1] - 1) * scale), 4)
        across = slice(max(0, at - half), at + half + 1)
        part = ink[run, across] if upright else ink[across, run].T
        if part.size:
            found.append(np.count_nonzero(np.median(part, axis=0) > RULE_INK) / scale)
    thick = float(np.median(found)) if found else 0.0
    return float(np.clip(RULE_SLACK_MM + (thick - THICK_MM) / 2, RULE_SLACK_MM, MOST_SLACK_MM))


@lru_cache(maxsize=64)
def _rule_places(layout: Layout, slack_mm: float) -> tuple[tuple[bool, slice, int, int, np.ndarray], ...]:
    """Of each rule: whether it is upright, its run, the first row across it and the one after the last, and weights."""
    scale, out = FLAT_PX_PER_MM, []
    for rule in layout.rules:
        half = (rule.width_mm / 2 + slack_mm) * scale
        upright = rule.x0 == rule.x1
        at = (rule.x0 if upright else rule.y0) * scale
        ends = sorted((rule.y0, rule.y1) if upright else (rule.x0, rule.x1))
        a, b = int(np.floor(at - half)), int(np.ceil(at + half))
        s, e = int(ends[0] * scale - half), int(np.ceil(ends[1] * scale + half))
        t = np.linspace(0, 1, b - a + 2, dtype=np.float32)[1:-1, None]
        out.append((upright, slice(max(0, s), e), a, b, t))
    return tuple(out)


def _print_darkness(ink: np.ndarray, layout: Layout) -> float:
    """How dark the black borders of the corner marks are, by the clearest of them; `FULL_PRINT` where none is seen."""
    seen = (mark_black(ink, mark) for mark in layout.fiducials)
    return max((black for black in seen if black is not None), default=FULL_PRINT)


def _with_contrast(ink: np.ndarray, layout: Layout) -> None:
    """Where mist, a veil of light or the camera has made print pale, pencil is too: both are set right. In place."""
    darkness = _print_darkness(ink, layout)
    if LEAST_PRINT < darkness < FULL_PRINT:
        np.minimum(np.multiply(ink, np.float32(FULL_PRINT / darkness), out=ink), np.float32(1.0), out=ink)


def _remove_rules(ink: np.ndarray, layout: Layout, slack_mm: float) -> None:
    """Replace each printed rule by what lies on its two sides, so that strokes across it survive. In place."""
    for upright, run, a, b, t in _rule_places(layout, slack_mm):
        view = ink[run].T if upright else ink[:, run]
        if a < 2 or b + 2 > view.shape[0]:
            continue
        before, after = (np.float32(0.5) * (view[i] + view[i + 1]) for i in (a - 2, b))
        view[a:b] = before + t * (after - before)


def _remove_dots(ink: np.ndarray, layout: Layout, slack_mm: float) -> None:
    radius = int(np.ceil((0.55 + slack_mm) * FLAT_PX_PER_MM))
    for x, y in layout.dots_mm:
        cv2.circle(ink, (int(x * FLAT_PX_PER_MM), int(y * FLAT_PX_PER_MM)), radius, 0.0, -1)


def _broad(ink: np.ndarray, boxes: Sequence[tuple[int, int, int, int]], least: float) -> np.ndarray:
    """Which of every `EVERY`th pixel in these boxes is ink broader than a line, as a narrow shadow is; (N,) bool."""
    inked = (ink[::EVERY, ::EVERY] > least).view(np.uint8)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (int(BROAD_MM * FLAT_PX_PER_MM / EVERY) | 1,) * 2)
    broad = cv2.dilate(cv2.erode(inked, disc), disc).view(bool)
    parts = []
    for x0, y0, x1, y1 in boxes:
        rows, columns = (np.arange(first, last, EVERY) // EVERY for first, last in ((y0, y1), (x0, x1)))
        parts.append(broad[np.ix_(rows, columns)].ravel())
    return np.concatenate(parts)


def _usual_core(
    ink: np.ndarray, boxes: Sequence[tuple[int, int, int, int]], values: np.ndarray, least: float
) -> float | None:
    """Usual darkness of the cores of strokes, by what is darker than `least` of the pixels in these boxes; None where
    hardly anything is.
    """
    inked = values > least
    lines = inked & ~_broad(ink, boxes, least)
    written = values[lines if np.count_nonzero(lines) > FEWEST else inked]
    return float(np.percentile(written, 75)) if len(written) > FEWEST else None


def extract_ink(image: np.ndarray, layout: Layout) -> InkPage:
    """Ink of a flattened page.

    Parameters
    ----------
    image : (H, W) uint8 ndarray
        The flat page at `FLAT_PX_PER_MM`.
    """
    paper = filled_paper(image)
    ink = _darkness(image, paper_brightness(paper))
    _with_contrast(ink, layout)
    slack_mm = _slack_mm(ink, layout)
    _remove_rules(ink, layout, slack_mm)
    _remove_dots(ink, layout, slack_mm)
    boxes = [pixel_box(c.box_mm) for c in layout.cells]
    values = np.concatenate([ink[y0:y1:EVERY, x0:x1:EVERY].ravel() for x0, y0, x1, y1 in boxes])
    noise = float(np.median(values)) + 1e-3
    core = _usual_core(ink, boxes, values, max(0.10, 6 * noise))
    pencil = 0.5 if core is None else float(np.clip(core, PALEST, DARKEST))
    if core is None or core < PALEST:
        core = _usual_core(ink, boxes, values, max(LEAST_INK, 5 * noise)) or 0.0
    return InkPage(ink, noise, pencil, slack_mm, paper, core)
