"""A pencil on paper: draws strokes on the raster of a page, and rubs them out.

Canvases are (rows, columns) uint8, white 255; strokes are (N, 2) polylines of points (x, y) in mm on the
page, origin at its top left. Both functions change the canvas in place and touch only the part they need.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True, slots=True)
class Pencil:
    """A pencil and how it is pressed.

    ``width_mm`` is the line width (0.4 to 0.9), ``darkness`` the share of light a firm line takes away (0.35
    for a hard lead, 0.95 for a soft one), ``grain`` in [0, 1] how much of the paper's tooth shows and
    ``pressure`` in [0, 1] how unevenly the hand presses.
    """

    width_mm: float = 0.55
    darkness: float = 0.7
    grain: float = 0.5
    pressure: float = 0.35

    def __post_init__(self) -> None:
        """Refuse a pencil that leaves no line, or shares outside [0, 1]."""
        if self.width_mm <= 0:
            raise ValueError(f"width_mm is {self.width_mm}, expected more than 0")
        for name in ("darkness", "grain", "pressure"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} is {getattr(self, name)}, expected 0 to 1")


def any_pencil(rng: np.random.Generator) -> Pencil:
    """A pencil at random, from a hard sharp one to a soft blunt one."""
    return Pencil(*_drawn(rng, (0.4, 0.9), (0.35, 0.95), (0.2, 0.9), (0.15, 0.6)))


def unusual_pencil(rng: np.random.Generator) -> Pencil:
    """A pencil or pen at random, from a sharp point to grease pencils and felt pens that no paper's tooth shows in."""
    return Pencil(*_drawn(rng, (0.28, 1.0), (0.3, 1.0), (0.0, 0.9), (0.0, 0.7)))


def _drawn(rng: np.random.Generator, *ranges: tuple[float, float]) -> list[float]:
    """A number from each range, as a `Pencil` takes them: width, darkness, grain and pressure."""
    return [float(rng.uniform(low, high)) for low, high in ranges]


def draw(
    canvas: np.ndarray,
    strokes_mm: Iterable[np.ndarray],
    *,
    pencil: Pencil,
    px_per_mm: float,
    rng: np.random.Generator,
) -> None:
    """Draw the strokes of one entry on the canvas, which it darkens by multiplication.

    Graphite over graphite or print takes away less light than on bare paper. Strokes off the canvas are cut
    at its edge.
    """
    strokes = [np.asarray(s, np.float64).reshape(-1, 2) * px_per_mm for s in strokes_mm if len(s)]
    window = _window(strokes, 1.5 * pencil.width_mm * px_per_mm + 2, canvas.shape)
    if window is None:
        return
    left, top, right, bottom = window
    layer = np.zeros((bottom - top, right - left), np.float32)
    for stroke in strokes:
        _lay_stroke(layer, stroke - (left, top), pencil, px_per_mm, rng)
    _rub_on_paper(layer, pencil, px_per_mm, rng)
    part = canvas[top:bottom, left:right]
    bare = part.astype(np.float32) / 255
    part[:] = np.rint(part * (1 - layer * (0.35 + 0.65 * bare)))


def erase(
    canvas: np.ndarray,
    box_mm: Sequence[float],
    *,
    clean: np.ndarray,
    px_per_mm: float,
    rng: np.random.Generator,
    ghost: tuple[float, float] = (0.10, 0.25),
) -> None:
    """Rub out what was written inside ``box_mm`` [x, y, width, height].

    ``clean`` is the whole page before the writing, of the canvas's shape: print does not rub out. What
    stays is a patchy ghost with ``ghost`` (least, most) of the former darkness, and a faint smear along the
    rubbing.
    """
    x, y, width, height = box_mm
    corners = np.array([[x, y], [x + width, y + height]]) * px_per_mm
    window = _window([corners], 1, canvas.shape)
    if window is None:
        return
    left, top, right, bottom = window
    paper = clean[top:bottom, left:right].astype(np.float32)
    part = canvas[top:bottom, left:right]
    ink = 1 - np.minimum(part / np.maximum(paper, 1), 1).astype(np.float32)
    low, high = sorted(rng.uniform(*ghost, 2))
    kept = low + (high - low) * _noise(ink.shape, 1.5 * px_per_mm, rng)
    inner = np.zeros(ink.shape, np.float32)
    rim = max(1, int(0.6 * px_per_mm))
    inner[rim:-rim, rim:-rim] = 0.16 * rng.uniform(0.5, 1.0)
    smeared = cv2.blur(inner, (2 * rim + 1, 2 * rim + 1), borderType=cv2.BORDER_CONSTANT)
    left_over = ink * kept + smeared * _smear(ink, px_per_mm, rng)
    part[:] = np.rint(paper * (1 - np.minimum(left_over, 1)))


def _window(lines: list[np.ndarray], margin: float, shape: tuple[int, ...]) -> tuple[int, int, int, int] | None:
    """Left, top, right, bottom in px round all points, cut at the canvas; None where nothing is left."""
    if not lines:
        return None
    points = np.concatenate(lines)
    left, top = np.maximum(np.floor(points.min(axis=0) - margin), 0).astype(int)
    right, bottom = np.minimum(np.ceil(points.max(axis=0) + margin) + 1, shape[1::-1]).astype(int)
    return (left, top, right, bottom) if right > left and bottom > top else None


def _lay_stroke(
    layer: np.ndarray, stroke: np.ndarray, pencil: Pencil, px_per_mm: float, rng: np.random.Generator
) -> None:
    """Add one stroke's pressure (0 to 1) to the layer, drawn at twice the size and then reduced."""
    line = _dense(stroke, 0.25 * px_per_mm)
    press = _pressure(len(line), pencil, rng)
    width = pencil.width_mm * px_per_mm * (0.7 + 0.3 * press) * rng.uniform(0.92, 1.08)
    window = _window([line], float(width.max()) + 2, layer.shape)
    if window is None:
        return
    left, top, right, bottom = window
    fine = np.zeros((2 * (bottom - top), 2 * (right - left)), np.uint8)
    ends = np.rint(((line - (left, top)) * 2 + 0.5) * 16).astype(int).tolist()
    shades, widths = np.rint(255 * press).astype(int).tolist(), np.rint(2 * width).astype(int).tolist()
    for i in range(max(len(ends) - 1, 1)):
        end = ends[min(i + 1, len(ends) - 1)]
        cv2.line(fine, ends[i], end, shades[i], max(widths[i], 1), cv2.LINE_AA, 4)
    soft = cv2.resize(fine, (right - left, bottom - top), interpolation=cv2.INTER_AREA)
    mine = cv2.GaussianBlur(soft, (0, 0), max(0.05 * px_per_mm, 0.3)).astype(np.float32) / 255
    part = layer[top:bottom, left:right]
    part[:] = np.maximum(part, mine) + 0.22 * np.minimum(part, mine)


def _dense(stroke: np.ndarray, step: float) -> np.ndarray:
    """Points along the polyline at most ``step`` px apart; a lone point becomes a dab."""
    if len(stroke) == 1:
        return np.concatenate([stroke, stroke + 0.3 * step])
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(stroke, axis=0).T))])
    at = np.linspace(0, gone[-1], max(2, int(np.ceil(gone[-1] / step)) + 1))
    return np.stack([np.interp(at, gone, stroke[:, i]) for i in (0, 1)], axis=1)


def _pressure(count: int, pencil: Pencil, rng: np.random.Generator) -> np.ndarray:
    """Pressure at each point: uneven from stroke to stroke and along it, lighter at both ends."""
    t = np.linspace(0, 1, count)
    whole = 1 - pencil.pressure * 0.5 * rng.beta(1.5, 4)
    along = np.interp(t, np.linspace(0, 1, 5), 1 - pencil.pressure * 0.7 * rng.beta(1.3, 3, 5))
    landing, leaving = rng.uniform(0.5, 1.0, 2) * min(1.0, 0.4 + pencil.pressure) * (0.5, 0.7)
    fade = 1 - landing * np.clip(1 - t / 0.06, 0, 1) - leaving * np.clip(1 - (1 - t) / 0.12, 0, 1)
    return np.clip(whole * along * fade, 0.15, 1)


def _rub_on_paper(layer: np.ndarray, pencil: Pencil, px_per_mm: float, rng: np.random.Generator) -> None:
    """Turn pressure into the share of light taken away: a light touch marks only the tops of the paper."""
    fine, coarse = (_noise(layer.shape, size_mm * px_per_mm, rng) for size_mm in (0.13, 0.5))
    tooth = 0.7 * fine + 0.3 * coarse
    missed = pencil.grain * np.clip(1.55 * tooth - 0.75 * layer, 0, 1)
    layer *= pencil.darkness * (1 - missed)
    np.minimum(layer, 0.985, out=layer)


def _noise(shape: tuple[int, ...], size_px: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth noise in [0, 1] with features of about ``size_px``."""
    rows, columns = (max(2, int(side / max(size_px, 1)) + 2) for side in shape[:2])
    coarse = rng.random((rows, columns), np.float32)
    return cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def _smear(ink: np.ndarray, px_per_mm: float, rng: np.random.Generator) -> np.ndarray:
    """The removed graphite dragged to and fro along one direction."""
    reach = max(3, int(2.2 * px_per_mm))
    angle = rng.normal(-0.3, 0.4)
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
    half = np.array([np.cos(angle), np.sin(angle)]) * reach
    first, last = (np.rint(reach + sign * half).astype(int).tolist() for sign in (-1, 1))
    cv2.line(kernel, first, last, 255, max(1, int(0.4 * px_per_mm)))
    weights = kernel.astype(np.float32) / float(kernel.sum())
    return cv2.filter2D(ink, -1, weights, borderType=cv2.BORDER_CONSTANT)
