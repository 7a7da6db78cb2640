"""Hands that nobody has: the strokes of a real hand bent as another person might have drawn them.

Few people are in any stroke file, and a reader trained on them alone knows their shapes by heart. A restyled hand
keeps what makes a character (which strokes, in which order) and changes what differs among writers: slant and
proportions, how round corners are, where strokes begin and end, how they stand to each other. One character is
restyled the same way all over a page, with a little less of the same from one example to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from digitise.simulate.hand import Hand, Strokes, unit_frame

_STEPS = 40  # points along a restyled stroke
_DEEP = 3  # waves of the bending field each way


@dataclass(frozen=True, slots=True, eq=False)
class RestyledHand:
    """`hand` restyled; ``seed`` says how, ``strength`` how much (1 is another person, 0.3 another mood)."""

    hand: Hand
    seed: int
    strength: float

    @property
    def name(self) -> str:
        """Whose hand, and how it was restyled."""
        return f"{self.hand.name} restyled {self.seed}"

    @property
    def size(self) -> float:
        """Usual character height as a share of the box height."""
        return self.hand.size

    def character(self, char: str, rng: np.random.Generator) -> Strokes:
        """One example of ``char``, restyled."""
        own = np.random.default_rng([self.seed, ord(char)])
        once = restyled(self.hand.character(char, rng), own, self.strength)
        return restyled(once, rng, 0.3 * self.strength)


def restyled(strokes: Strokes, rng: np.random.Generator, strength: float) -> Strokes:
    """Strokes of one character in the unit frame, bent at random; dots stay dots."""
    bent = [_redrawn(s, rng, strength) if len(s) > 2 and _length(s) > 0.05 else s for s in strokes]
    if len(bent) > 1:
        bent = [_moved(s, rng, strength) for s in bent]
    low = np.min([s.min(axis=0) for s in bent], axis=0)
    field = rng.normal(0, 0.03 * strength, (_DEEP, _DEEP, 2))
    lean, narrow = rng.normal(0, 0.14 * strength), np.exp(rng.normal(0, 0.17 * strength))
    shape = np.array([[narrow, lean], [0.0, 1.0]])
    return unit_frame([_bent(s - low, field) @ shape.T for s in bent])


def _length(stroke: np.ndarray) -> float:
    return float(np.hypot(*np.diff(stroke, axis=0).T).sum())


def _along(stroke: np.ndarray) -> np.ndarray:
    """The same stroke with points at equal distances."""
    at = np.concatenate([[0.0], np.hypot(*np.diff(stroke, axis=0).T).cumsum()])
    goal = np.linspace(0, at[-1], _STEPS)
    return np.stack([np.interp(goal, at, stroke[:, i]) for i in (0, 1)], axis=1)


def _redrawn(stroke: np.ndarray, rng: np.random.Generator, strength: float) -> np.ndarray:
    """A stroke with its corners rounder or sharper, its course swung, and its ends shorter or longer."""
    line = _along(stroke)
    line = line + np.clip(rng.normal(-0.1, 0.4 * strength), -0.9, 0.7) * (line - _smooth(line))
    steps = np.diff(line, axis=0)
    s = np.linspace(0, 1, len(steps))
    swing = rng.normal(0, 0.13 * strength) * np.sin(2 * np.pi * (rng.uniform(0.4, 1.4) * s + rng.random()))
    cos, sin = np.cos(swing), np.sin(swing)
    steps = np.stack([cos * steps[:, 0] - sin * steps[:, 1], sin * steps[:, 0] + cos * steps[:, 1]], axis=1)
    course = np.concatenate([[[0.0, 0.0]], steps.cumsum(axis=0)])
    line = course + line.mean(axis=0) - course.mean(axis=0)
    for end in (0, -1):
        line = _ended(line if end else line[::-1], rng.normal(0.01, 0.045 * strength))
        line = line if end else line[::-1]
    return line


def _smooth(line: np.ndarray) -> np.ndarray:
    ends = np.concatenate([np.repeat(line[:1], 3, 0), line, np.repeat(line[-1:], 3, 0)])
    weights = np.array([1, 2, 3, 4, 3, 2, 1]) / 16
    return np.stack([np.convolve(ends[:, i], weights, "valid") for i in (0, 1)], axis=1)


def _ended(line: np.ndarray, more: float) -> np.ndarray:
    """A line made longer (shorter where negative) at its last point by so much."""
    if more < 0:
        keep = max(len(line) // 2, round(len(line) * (1 + more / max(_length(line), 1e-6))))
        return line[:keep]
    way = line[-1] - line[-4]
    return np.concatenate([line, line[-1:] + min(more, 0.12) * way / max(float(np.hypot(*way)), 1e-6)])


def _moved(stroke: np.ndarray, rng: np.random.Generator, strength: float) -> np.ndarray:
    """One stroke of several, a little elsewhere."""
    turn, grow = rng.normal(0, 0.06 * strength), np.exp(rng.normal(0, 0.06 * strength))
    middle = stroke.mean(axis=0)
    spin = grow * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (stroke - middle) @ spin.T + middle + rng.normal(0, 0.025 * strength, 2)


def _bent(stroke: np.ndarray, field: np.ndarray) -> np.ndarray:
    """Points moved by a smooth field: a few waves over the character."""
    waves = [np.cos(np.pi * np.outer(stroke[:, i], np.arange(_DEEP))) for i in (0, 1)]
    return stroke + np.einsum("ni,nj,ijk->nk", waves[0], waves[1], field)
