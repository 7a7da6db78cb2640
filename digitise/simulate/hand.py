"""Hands: the pen strokes with which somebody writes a character.

A *hand* has a ``name``, a usual ``size`` (character height as a share of the box height) and the method
``character(char, rng)``. Strokes are (N, 2) float32 polylines of points (x, y) with y down. A character's
strokes stand in a unit frame: the top left of their bounding box is the origin, its longer side is 1.

Two kinds of hand exist: `StrokeHand`, one writer of a file of recorded pen strokes, and
`digitise.simulate.drawn_hand.DrawnHand`, which needs no file.
"""

import gzip
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from digitise.simulate.drawn_hand import (
    PUNCTUATION,
    Strokes,
    drawn_punctuation,
    steadied,
    unit_frame,
)

_THIN = frozenset("1I")
_WIDEST, _NARROWEST, _FEWEST_POINTS = 3.0, 0.15, 4


class Hand(Protocol):
    """Somebody who writes."""

    @property
    def name(self) -> str:
        """Who this is."""

    @property
    def size(self) -> float:
        """Usual character height as a share of the height of the box written in."""

    def character(self, char: str, rng: np.random.Generator) -> Strokes:
        """Strokes of one written ``char`` in the unit frame."""


@dataclass(frozen=True, slots=True, eq=False)
class StrokeHand:
    """One writer of a stroke file.

    ``examples`` maps a character to what this writer wrote for it, in the unit frame. ``pool`` holds the
    writers who may lend a character that this one lacks; see `pooled`.
    """

    name: str
    examples: Mapping[str, tuple[Strokes, ...]]
    pool: Mapping[str, "StrokeHand"]

    @property
    def size(self) -> float:
        """Usual character height as a share of the box height: 0.58 to 0.88, fixed by the name."""
        return 0.58 + 0.30 * _share(f"size {self.name}")

    def character(self, char: str, rng: np.random.Generator) -> Strokes:
        """One of this writer's examples of ``char``, at random; a substitute's where there is none.

        The substitute for a character is always the same writer of the pool. Punctuation, which stroke files
        of characters lack, is drawn. Raises `KeyError` where nobody in the pool writes ``char``.
        """
        if char not in self.examples and char in PUNCTUATION:
            return drawn_punctuation(char, rng)
        written = self.examples.get(char) or self._substitute(char).examples[char]
        return unit_frame([steadied(line) for line in written[int(rng.integers(len(written)))]])

    def _substitute(self, char: str) -> "StrokeHand":
        able = [n for n, other in self.pool.items() if n != self.name and char in other.examples]
        if not able:
            raise KeyError(f"no example of {char!r} by {self.name} or the {len(self.pool)} hands of its pool")
        return self.pool[min(able, key=lambda name: _share(f"{char} {self.name} {name}"))]


def load_hands(path: Path | str) -> dict[str, StrokeHand]:
    """Read a stroke file: gzipped JSON lines with ``label``, ``writer`` and ``strokes`` (lists of [x, y]).

    Examples that are plainly broken are left out (no points; too few of them, or an impossible shape, for
    anything but a 1 or an I). The hands have empty pools: join those of one split with `pooled`, so that no
    character is lent from one split to another. Writers come in the order of their names.
    """
    found: dict[str, dict[str, list[Strokes]]] = {}
    with gzip.open(path, "rt", encoding="utf-8") as lines:
        for line in lines:
            row = json.loads(line)
            strokes = [np.asarray(s, np.float64).reshape(-1, 2) for s in row["strokes"] if len(s)]
            if _is_whole(row["label"], strokes):
                examples = found.setdefault(row["writer"], {})
                examples.setdefault(row["label"], []).append(unit_frame(strokes))
    return {
        name: StrokeHand(name, {char: tuple(all_) for char, all_ in sorted(found[name].items())}, {})
        for name in sorted(found)
    }


def pooled(hands: Mapping[str, StrokeHand], names: Iterable[str]) -> dict[str, StrokeHand]:
    """The hands of ``names``, each able to borrow the characters it lacks from the others of ``names``."""
    pool = {name: hands[name] for name in sorted(names)}
    return {name: StrokeHand(name, hand.examples, pool) for name, hand in pool.items()}


def split_writers(names: Iterable[str]) -> tuple[list[str], list[str], list[str]]:
    """Split writers into (train, calibrate, test), about 70, 15 and 15 of a hundred.

    The collection a writer belongs to (the name before the first "/") is split in these shares too. Names
    are dealt out in the order of their hash, so the split does not depend on the order given. Collections
    too small to fill every part alone are filled on from the one before.
    """
    names = sorted(set(names))
    by_collection = sorted(names, key=lambda n: (_share(n.split("/")[0]), n.split("/")[0], _share(n)))
    parts: tuple[list[str], list[str], list[str]] = ([], [], [])
    for rank, name in enumerate(by_collection):
        turn = (rank * 7) % 20  # 7 and 20 share no factor: every run of 20 holds each turn once, well spread
        parts[0 if turn < 14 else 1 if turn < 17 else 2].append(name)
    return tuple(sorted(part) for part in parts)


def _is_whole(label: str, strokes: list[np.ndarray]) -> bool:
    if not strokes:
        return False
    points = np.concatenate(strokes)
    width, height = np.ptp(points, axis=0)
    if width == 0 and height == 0:
        return label == "1"
    if label in _THIN:
        return bool(width <= _WIDEST * height)
    return bool(len(points) >= _FEWEST_POINTS and _NARROWEST * height <= width <= _WIDEST * height)


def _share(text: str) -> float:
    """A number in [0, 1) that depends on nothing but the text."""
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big") / 2**64


def in_box(
    strokes: Strokes,
    box_mm: Sequence[float],
    *,
    rng: np.random.Generator,
    size: float,
    sloppiness: float,
    overrun: bool = False,
) -> Strokes:
    """Put a character of the unit frame into its box [x, y, width, height]: strokes in mm on the page.

    ``size`` is the height as a share of the box height. The character stands a little off the middle and
    turned, more so with ``sloppiness`` in [0, 1], and at most 9 % of the box height beyond the rule; with
    ``overrun`` up to a third of its own extent lies beyond one side, the most of it in the box.
    """
    x, y, width, height = box_mm
    tall = height * float(np.clip(size * rng.normal(1, 0.04 + 0.1 * sloppiness), 0.5, 1.0))
    written = _turned(strokes, rng.normal(0, 0.02 + 0.1 * sloppiness))
    low, extent = _extent(written)
    scale = min(tall / max(extent[1], 0.05), 0.92 * width / max(extent[0], 0.05), 1.2 * tall)
    extent = extent * scale
    corner = np.array([x, y]) + (np.array([width, height]) - extent) / 2
    corner = corner + rng.normal(0, 0.03 + 0.07 * sloppiness, 2) * height
    allowed = (0.01 + 0.08 * sloppiness) * height
    for beyond in (0.0,) if overrun else (allowed, 0.0):
        corner = np.clip(corner, (x - beyond, y - beyond), (x + width, y + height) - extent + beyond)
        placed = tuple((s - low) * scale + corner for s in written)
        if share_inside(placed, box_mm) > 0.85:
            break
    return _pushed_over(placed, box_mm, rng) if overrun else placed


def share_inside(strokes: Strokes, box_mm: Sequence[float]) -> float:
    """Share of the strokes' points inside a box."""
    points = np.concatenate(strokes) - box_mm[:2]
    return float(np.mean(((points >= -1e-6) & (points <= np.array(box_mm[2:]) + 1e-6)).all(axis=1)))


def _pushed_over(strokes: Strokes, box_mm: Sequence[float], rng: np.random.Generator) -> Strokes:
    """Move a character over one side of its box, at least three fifths of its points staying inside."""
    low, extent = _extent(strokes)
    axis = int(rng.random() < 0.5) if extent[0] > 0.45 * box_mm[3] else 1
    forward = rng.random() < 0.6
    beyond = extent[axis] * rng.uniform(0.22, 0.34)
    while True:
        shift = np.zeros(2)
        shift[axis] = box_mm[axis] - low[axis] - beyond
        if forward:
            shift[axis] = box_mm[axis] + box_mm[axis + 2] - low[axis] - extent[axis] + beyond
        moved = tuple(s + shift for s in strokes)
        if share_inside(moved, box_mm) >= 0.6:
            return moved
        beyond *= 0.8


# Place in a line of capitals: top, height and width as shares of the capitals' height.
_PLACES = {
    ".": (0.94, 0.07, 0.08), ",": (0.86, 0.28, 0.15), "'": (0.0, 0.25, 0.12), "-": (0.5, 0.08, 0.4),
    ":": (0.35, 0.55, 0.1), "/": (-0.05, 1.1, 0.6), "+": (0.25, 0.55, 0.55), "(": (-0.05, 1.15, 0.35),
    ")": (-0.05, 1.15, 0.35),
}  # fmt: skip


def on_line(
    hand: Hand,
    text: str,
    box_mm: Sequence[float],
    *,
    rng: np.random.Generator,
    size: float,
    sloppiness: float,
) -> list[Strokes]:
    """Write capitals along a line in a box: one entry of strokes in mm for each character but spaces.

    A box higher than 14 mm is taken as several lines. The writing is squeezed, and then made smaller, as far
    as the box asks. Raises `KeyError` for a character the hand cannot write, `ValueError` for a text far too
    long.
    """
    x, y, width, height = box_mm
    lines = max(1, round(height / 9)) if height > 14 else 1
    tall = min(height / lines * size, 6.5)
    glyphs = [_on_baseline(hand.character(c, rng), c, tall, rng, sloppiness) if c != " " else () for c in text]
    steps = [_extent(g)[1][0] + tall * rng.uniform(0.16, 0.34) if g else 0.55 * tall for g in glyphs]
    tight, places = _wrapped(text, steps, width - 2.5, lines)
    drift = rng.normal(0, 0.01 + 0.015 * sloppiness)
    written = []
    for glyph, (row, pen) in zip(glyphs, places, strict=True):
        base = y + (row + 0.5) * height / lines + 0.5 * tall + drift * pen
        foot = np.array([x + 1.2 + pen, base + rng.normal(0, 0.02 + 0.05 * sloppiness) * tall])
        if glyph:
            written.append(tuple(s * (tight, min(1.0, 1.3 * tight)) + foot for s in glyph))
    return written


def _wrapped(text: str, steps: Sequence[float], room: float, lines: int) -> tuple[float, list[tuple[int, float]]]:
    """A factor on widths that makes the text fit, and each character's row and x, broken between words."""
    words = [len(word) for word in text.split(" ")]
    for tight in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4):
        row, pen, places = 0, 0.0, []
        for length in words:
            word = [tight * step for step in steps[len(places) : len(places) + length + 1]]
            if pen > 0 and pen + sum(word[:length]) > room:
                row, pen = row + 1, 0.0
            places += [(row, pen + sum(word[:i])) for i in range(len(word))]
            pen += sum(word)
        if row < lines and max(p + tight * s for (_, p), s in zip(places, steps, strict=True)) <= room + 1:
            return tight, places
    raise ValueError(f"{text!r} does not fit {lines} line(s) of {room:.0f} mm")


def _on_baseline(strokes: Strokes, char: str, tall: float, rng: np.random.Generator, sloppiness: float) -> Strokes:
    """A character from x = 0 on, its foot on y = 0, in capitals ``tall`` mm high."""
    written = _turned(strokes, rng.normal(0, 0.02 + 0.06 * sloppiness))
    low, extent = _extent(written)
    top, height, width = _PLACES.get(char, (0.0, rng.normal(1, 0.03 + 0.06 * sloppiness), 1.15))
    scale = min(height * tall / max(extent[1], 0.02), width * tall / max(extent[0], 0.02))
    sunk = top + height - 1 if char in _PLACES else rng.normal(0, 0.02)
    foot = extent[1] * scale
    return tuple((s - low) * scale + (0, sunk * tall - foot) for s in written)


def _turned(strokes: Strokes, angle: float) -> Strokes:
    cos, sin = np.cos(angle), np.sin(angle)
    return tuple(s @ np.array([[cos, sin], [-sin, cos]]) for s in strokes)


def _extent(strokes: Strokes) -> tuple[np.ndarray, np.ndarray]:
    """Top left corner and (width, height) of the strokes' bounding box."""
    points = np.concatenate(strokes)
    return points.min(axis=0), np.ptp(points, axis=0)
