"""A second simulator, written apart: it shares with `digitise.simulate` the answers and the writers, and nothing that draws.

A reader learns its simulator. So here pencil is plain lines of one width and darkness a page, 0.35 to 0.9 mm, tallies are drawn
by their own few lines, the camera is a turned and tilted plane with a slow wave, and light is one gradient. What is
struck out, written over or rubbed out is drawn anew too. It is coarser than the first simulator, and other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf
from digitise.sheets.spelling import spelled
from digitise.simulate.answers import Answer
from digitise.simulate.hand import Hand

PX_PER_MM = 12.0
FRAME_PX = (3024, 4032)
_SUBPIXEL = 4  # bits


@dataclass(frozen=True, slots=True)
class _Tally:
    """How somebody tallies: lengths in mm, `reach` as a share of the row, `lean` to the right a unit of height."""

    spacing: float
    gap: float
    reach: float
    lean: float
    rises: bool


class _Writer:
    """Somebody with a pencil over a page of ink, (H, W) float32, 255 where nothing is written."""

    def __init__(self, shape: tuple[int, int], hand: Hand, rng: np.random.Generator) -> None:
        self.ink = np.full(shape, 255.0, np.float32)
        self.hand, self.rng = hand, rng
        self.width_mm, self.gray = rng.uniform(0.35, 0.9), rng.uniform(45, 140)
        self.ticks_by_cross = rng.random() < 0.5
        self.tally_manner = _Tally(
            rng.uniform(1.2, 2.2), rng.uniform(2, 4), rng.uniform(0.6, 0.85), rng.normal(0.08, 0.1), rng.random() < 0.6
        )

    def line(self, points: Sequence[tuple[float, float]] | np.ndarray) -> None:
        """A line through points (x, y) in mm."""
        px = np.round(np.asarray(points, np.float64) * PX_PER_MM * 2**_SUBPIXEL).astype(np.int32)
        gray = float(np.clip(self.gray + self.rng.normal(0, 4), 0, 250))
        width = max(1, round(self.width_mm * PX_PER_MM))
        cv2.polylines(self.ink, [px.reshape(-1, 1, 2)], False, gray, width, cv2.LINE_AA, _SUBPIXEL)

    def character(self, char: str, box: Sequence[float]) -> None:
        x, y, w, h = box
        strokes = self.hand.character(char, self.rng)
        points = np.concatenate(strokes)
        low, size = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 1e-6)
        scale = min(h * self.rng.uniform(0.55, 0.85) / max(size[1], 0.25 * size.max()), 0.85 * w / size[0])
        corner = (x + (w - size[0] * scale) / 2, y + (h - size[1] * scale) / 2) + self.rng.normal(0, 0.04, 2) * (w, h)
        for stroke in strokes:
            placed = (np.asarray(stroke) - low) * scale + corner
            self.line(placed if len(placed) > 1 else np.vstack([placed, placed + 0.1]))

    def tally(self, count: int, box: Sequence[float]) -> None:
        x, y, w, h = box
        manner, groups = self.tally_manner, math.ceil(count / 5)
        pitch = 3 * manner.spacing + manner.gap
        rows = 1 if groups * pitch < w - 1.5 else 2
        in_row = math.ceil(groups / rows)
        squeeze = min(1.0, (w - 2.5) / (in_row * pitch))
        for group in range(groups):
            row, column = divmod(group, in_row)
            left = x + 1 + column * pitch * squeeze + self.rng.normal(0, 0.1)
            self._tally_group(
                min(5, count - 5 * group), left, y + h / rows * (row + 0.5), h / rows, manner.spacing * squeeze
            )

    def _tally_group(self, count: int, left: float, middle: float, row: float, spacing: float) -> None:
        noise, half = self.rng.normal, self.tally_manner.reach * row / 2
        for i in range(min(4, count)):
            foot = left + i * spacing + noise(0, 0.12)
            top, bottom = middle - half + noise(0, 0.04 * row), middle + half + noise(0, 0.04 * row)
            over = (self.tally_manner.lean + noise(0, 0.05)) * (bottom - top)
            self.line([(foot + over, top), (foot + over / 2 + noise(0, 0.12), (top + bottom) / 2), (foot, bottom)])
        if count == 5:
            rise = 0.7 * half if self.tally_manner.rises else -0.7 * half
            ends = left - 0.6 + noise(0, 0.1), left + 3 * spacing + 0.7 + noise(0, 0.15)
            self.line([(ends[0], middle + rise), (ends[1], middle - rise)])

    def tick(self, box: Sequence[float]) -> None:
        x, y, w, h = box
        if self.ticks_by_cross:
            self.line([(x + 0.2 * w, y + 0.2 * h), (x + 0.8 * w, y + 0.8 * h)])
            self.line([(x + 0.8 * w, y + 0.2 * h), (x + 0.2 * w, y + 0.8 * h)])
        else:
            self.line([(x + 0.2 * w, y + 0.5 * h), (x + 0.42 * w, y + 0.8 * h), (x + 0.85 * w, y + 0.15 * h)])

    def words(self, text: str, box: Sequence[float]) -> None:
        x, y, _, h = box
        for i, char in enumerate(text):
            if char != " ":
                self.character(char, (x + 1 + 0.6 * h * i, y, 0.6 * h, h))

    def strike(self, box: Sequence[float]) -> None:
        """Two strokes through everything in a box, or a zigzag over it."""
        x, y, w, h = box
        if self.rng.random() < 0.5:
            for at in (0.4, 0.6):
                self.line([(x + 0.05 * w, y + (at + 0.1) * h), (x + 0.95 * w, y + (at - 0.1) * h)])
        else:
            steps = max(5, int(w / 1.2))
            self.line([(x + w * i / steps, y + h * (0.25 if i % 2 else 0.75)) for i in range(steps + 1)])

    def rub_out(self, box: Sequence[float]) -> None:
        """An eraser leaves a tenth to a quarter of what was written, and a veil."""
        x0, y0, x1, y1 = (
            round(v * PX_PER_MM) for v in (box[0] - 1, box[1] - 1, box[0] + box[2] + 1, box[1] + box[3] + 1)
        )
        part = self.ink[y0:y1, x0:x1]
        part[:] = 255 - (255 - part) * self.rng.uniform(0.1, 0.25) - self.rng.uniform(0, 5)


def photograph(
    protocol: Protocol, layout: Layout, answers: Sequence[Answer], hand: Hand, rng: np.random.Generator
) -> bytes:
    """A photograph of a filled page, as the bytes of a JPEG file."""
    identity = identity_for(layout, "ABCDEF", int(layout.per_transect))
    print_out = rasterise(sheet_pdf(protocol, [(layout, identity)]), PX_PER_MM).astype(np.float32)
    writer = _Writer(print_out.shape, hand, rng)
    cells = {c["id"]: c for c in layout.to_json()["cells"]}
    for answer in answers:
        _write(writer, cells[answer.cell], answer)
    soft = cv2.GaussianBlur(writer.ink, (0, 0), rng.uniform(0.45, 1.2))
    grain = cv2.GaussianBlur(rng.standard_normal(soft.shape).astype(np.float32), (0, 0), 1.2)
    ink = 255 - (255 - soft) * np.clip(1 + 0.5 * grain, 0.3, 1.25)
    return _shot(print_out * ink / 255, rng)


def _write(writer: _Writer, cell: dict, answer: Answer) -> None:
    """What somebody does in one cell; marks as in `digitise.simulate.answers`."""
    box, rng = cell["box_mm"], writer.rng
    if answer.mark == "ditto":
        for at in (0.45, 0.55):
            writer.line([(box[0] + at * box[2], box[1] + 0.3 * box[3]), (box[0] + at * box[2], box[1] + 0.5 * box[3])])
    elif answer.mark == "unreadable":
        steps = np.linspace(0.1, 0.9, 12)
        writer.line([(box[0] + s * box[2], box[1] + rng.uniform(0.2, 0.8) * box[3]) for s in steps])
    elif answer.mark == "dash_zero":
        left, middle = box[0] + 3, box[1] + box[3] / 2
        writer.line([(left, middle), (left + 3, middle + rng.normal(0, 0.2))])
    elif answer.mark == "overwritten":
        _entry(writer, cell, answer.written)
        _entry(writer, cell, answer.written if cell["kind"] in ("tick", "text") else _other(cell, answer.written, rng))
    else:
        if answer.mark == "erased_rewritten":
            _entry(writer, cell, _other(cell, answer.written, rng))
            writer.rub_out(box)
        _entry(writer, cell, answer.written)
        if answer.mark == "struck":
            writer.strike(box)


def _other(cell: dict, written: object, rng: np.random.Generator) -> object:
    """Something else that the cell may hold."""
    if cell["kind"] == "code":
        return str(rng.choice([c for c in cell["choices"] if c != written]))
    if cell["kind"] in ("tally", "number"):
        return int(rng.choice([n for n in range(1, 10) if n != written]))
    return written


def _entry(writer: _Writer, cell: dict, value: object) -> None:
    kind, box = cell["kind"], cell["box_mm"]
    if value is None or value is False:
        return
    if kind == "tick":
        writer.tick(box)
    elif kind == "text":
        writer.words(str(value), box)
    elif kind == "tally" and value > 0:
        writer.tally(int(value), box)
    elif kind == "tally":
        writer.character("0", (box[0] + 2, box[1], 6, box[3]))
    else:
        for char, one in zip(spelled(cell, value), cell["characters_mm"], strict=True):
            if char != " ":
                writer.character(char, one)


def _shot(page: np.ndarray, rng: np.random.Generator) -> bytes:
    """A plane seen from somewhere in front of a striped table."""
    width, height = FRAME_PX
    high, wide = page.shape
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
    turn = np.radians(rng.choice([0, 90, 180, 270]) + rng.uniform(-25, 25))
    turned = (corners - corners.mean(axis=0)) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    tilt, around = np.radians(rng.uniform(0, 25)), rng.uniform(0, 2 * np.pi)
    axis = np.array([np.cos(around), np.sin(around)])
    along = turned @ axis
    seen = (turned - np.outer(along, axis) * (1 - np.cos(tilt))) / (1 + np.sin(tilt) * along / (1.1 * high))[:, None]
    low, top = seen.min(axis=0), seen.max(axis=0)
    scale = rng.uniform(0.8, 0.97) * min(width / (top[0] - low[0]), height / (top[1] - low[1]))
    placed = ((seen - (low + top) / 2) * scale + (width / 2, height / 2) + rng.normal(0, 10, 2)).astype(np.float32)
    back = cv2.getPerspectiveTransform(placed, corners)
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    depth = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    at_x = ((back[0, 0] * x + back[0, 1] * y + back[0, 2]) / depth).astype(np.float32)
    at_y = ((back[1, 0] * x + back[1, 1] * y + back[1, 2]) / depth).astype(np.float32)
    swing, length = rng.uniform(0, 1.2) * PX_PER_MM, rng.uniform(0.8, 2) * high
    at_x += (swing * np.sin(2 * np.pi * at_y / length + rng.uniform(0, 6))).astype(np.float32)
    at_y += (0.6 * swing * np.sin(2 * np.pi * at_x / length + rng.uniform(0, 6))).astype(np.float32)
    smooth = cv2.GaussianBlur(page, (0, 0), max(0.1, 0.45 / scale))
    shot = cv2.remap(smooth, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=-1)
    stripes = rng.standard_normal((height // 60, width // 8)).astype(np.float32)
    table = rng.uniform(40, 170) + 8 * cv2.resize(stripes, FRAME_PX, interpolation=cv2.INTER_CUBIC)
    shot = np.where(shot < 0, table, shot * rng.uniform(0.75, 0.95))
    shot *= 1 + rng.uniform(0, 0.25) * ((x / width - 0.5) * axis[0] + (y / height - 0.5) * axis[1])
    shot = cv2.GaussianBlur(shot, (0, 0), rng.uniform(0.5, 1.6))
    shot += rng.standard_normal(shot.shape).astype(np.float32) * rng.uniform(1.5, 6)
    tint = np.array([rng.uniform(0.85, 1), 1.0, rng.uniform(0.95, 1.05)])
    picture = np.clip(shot[..., None] * tint, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(72, 93))])[1].tobytes()
