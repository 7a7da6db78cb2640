"""Handwriting from drawing code: hurried block capitals and digits in endlessly many styles.

Each character is one or more skeletons; a skeleton is a few points a stroke. A style bends the points in its
own lasting way (`DrawnStyle.seed`), and every written instance bends them a little more, so that a page looks
written by one person and no two characters on it are the same. No font and no recorded writing is used.
"""

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

Strokes = tuple[np.ndarray, ...]

# Points "x,y" in hundredths of the character's height, y down; "!" marks a corner, " | " lifts the pencil,
# " / " separates the ways in which different people write the character.
_SKELETONS = {
    "0": "36,2 12,14 2,50 14,90 38,99 60,78 64,36 48,7 28,2 / 28,0 54,10 62,46 46,92 20,98 3,66 6,24"
    " 30,1 40,3 / 46,5 22,1 4,34 6,78 28,99 54,84 62,44 50,10 38,2",
    "1": "28,0 26,100 / 4,26 30,0! 28,100 / 6,24 32,0! 30,100 | 4,100 60,98 / 16,14 30,0! 30,100",
    "2": "5,22 18,4 44,1 58,18 48,46 24,76 2,98! 64,97 / 6,24 22,3 48,3 56,24 42,58 18,90 5,93 10,80"
    " 26,84 44,97 68,93 / 6,16 30,0 56,10 54,34 30,66 2,98! 60,100",
    "3": "6,10 28,0 52,7 54,28 26,46! 56,56 60,82 34,100 3,90 / 6,2 58,2! 28,40! 54,48 62,74 40,99 4,92"
    " / 8,6 38,0 54,16 44,38 22,46 46,50 60,70 48,96 20,100 4,92",
    "4": "12,2 5,60! 66,58 | 48,20 46,100 / 44,2 3,64! 68,64 | 46,4 44,100 / 68,66 2,66! 46,2! 45,100 /"
    " 10,0 8,36 16,54 54,50 | 56,2 52,100",
    "5": "14,3 9,45! 38,40 60,60 54,90 24,100 2,90 | 13,3 60,1 / 58,2 14,4! 9,46! 40,40 60,62 48,94"
    " 20,100 2,92 / 56,0 16,6 12,42! 46,44 56,72 38,98 4,96",
    "6": "48,2 20,28 4,68 20,98 46,96 58,74 42,54 18,62 8,78 / 40,0 10,42 4,80 26,100 52,88 50,62 26,54"
    " 6,74 / 52,6 30,2 8,40 4,78 26,100 54,86 52,60 28,52 8,70",
    "7": "4,4 60,2! 24,100 / 3,4 60,2! 26,100 | 12,52 56,46 / 5,18 7,3! 62,3! 40,44 28,100 / 2,8 34,3"
    " 60,6! 36,50 30,100",
    "8": "54,14 34,0 10,12 16,38 46,56 60,80 34,100 6,86 16,60 46,38 56,16 48,8 / 32,2 9,18 28,47 54,26"
    " 36,2 | 30,48 4,74 30,100 58,76 34,48 / 8,4 50,66 54,88 30,100 8,82 22,56 50,24 46,4 20,0 8,8",
    "9": "54,20 34,1 8,16 10,42 34,50 54,26! 57,60 42,92 14,98 / 54,18 30,1 6,22 16,48 40,46 56,14!"
    " 49,100 / 56,10 30,0 6,24 18,48 46,40 58,8! 52,54 34,100",
    "A": "0,100 34,0! 68,100 | 14,64 56,62 / 2,100 12,28 34,1 56,26 64,100 | 6,60 62,57 / 0,100 38,0!"
    " 62,100 | 62,66 12,68 / 32,0 0,100 | 32,2 70,100 | 12,66 58,62",
    "B": "6,2 4,98 | 4,4 44,2 52,24 32,46 6,48! 50,54 60,80 38,99 2,98 / 5,98 6,2! 42,3 50,26 8,47!"
    " 56,56 56,92 3,98 / 8,0 6,100 | 6,2 46,10 44,40 8,50 | 8,50 54,60 54,90 4,100",
    "C": "60,16 36,0 8,24 4,66 24,98 60,86 / 54,6 22,4 3,44 14,92 40,100 60,84 / 58,20 40,2 12,16 2,56"
    " 20,96 58,94",
    "D": "8,2 6,98 | 2,4 44,8 64,46 44,90 2,98 / 6,98 7,2! 48,12 62,52 40,92 3,98 / 8,0 8,100! 46,92"
    " 62,50 42,8 0,3",
    "E": "56,2 8,3! 6,98! 60,97 | 8,50 48,48 / 58,10 26,0 10,24 34,46! 6,62 10,94 60,92 / 8,0 6,100 |"
    " 8,2 58,0 | 7,50 46,48 | 5,99 60,98 / 8,0 6,98! 58,98 | 8,2 56,1 | 7,48 48,50",
    "F": "8,2 6,100 | 6,3 60,0 | 7,48 48,46 / 60,2 8,4! 6,100 | 6,50 46,48 / 6,0 8,100 | 4,2 34,4 62,-2"
    " | 8,46 44,46",
    "G": "60,16 34,0 6,26 6,72 30,100 58,86 60,58! 32,58 / 60,14 30,2 4,40 14,92 46,98 60,58! 34,60 |"
    " 60,56 61,100 / 58,10 24,4 3,50 20,96 54,88 58,62 | 36,60 72,58",
    "H": "6,0 4,100 | 60,0 60,100 | 4,50 62,48 / 4,0 6,100 | 62,2 58,100 | 6,54 60,46 / 8,0 4,100!"
    " 10,52 58,46! 60,0! 58,100",
    "I": "24,0 22,100 / 24,2 24,98 | 2,2 46,0 | 0,99 48,98 / 20,0 22,100 | 4,0 38,2 | 4,100 40,98",
    "J": "44,0 46,70 30,100 4,84 / 44,2 44,72 28,100 4,82 | 16,2 70,0 / 50,0 44,80 20,100 2,78",
    "K": "6,0 4,100 | 56,2 8,54! 60,100 / 6,0 6,100 | 58,0 10,52 | 20,44 60,98 / 8,2 4,100 | 60,4 14,46"
    " 10,56! 30,62 62,100",
    "L": "8,0 4,98! 56,97 / 10,0 6,90 14,98 56,94 / 6,0 8,100! 50,100",
    "M": "2,100 8,2! 36,64! 64,0! 70,100 / 6,0 4,100 | 6,2 38,58! 68,0! 70,100 / 0,100 20,0! 38,72!"
    " 56,0! 78,100 / 4,100 8,6 22,8 36,60! 48,8 62,6 68,100",
    "N": "4,100 6,0! 58,98! 60,0 / 6,0 4,100 | 6,0 60,100! 62,0 / 2,100 12,2! 50,100! 66,0",
    "O": "38,2 10,16 2,54 18,92 44,98 68,72 66,32 46,5 28,3 / 30,0 62,14 70,52 48,94 18,94 2,58 10,18"
    " 36,1",
    "P": "6,2 4,100 | 4,4 46,2 56,26 40,50 6,52 / 7,100 6,4! 44,1 56,24 38,50 6,52 / 8,0 6,100 | 2,4"
    " 40,0 58,18 46,44 8,56",
    "Q": "38,2 10,16 2,52 18,88 44,94 66,70 64,30 44,4 28,3 | 38,66 70,104 / 34,0 62,16 66,54 44,92"
    " 16,90 2,54 10,16 38,1 | 34,76 50,74 74,100",
    "R": "6,2 4,100 | 4,4 46,2 54,24 36,48 6,50! 58,100 / 6,100 6,3! 46,3 52,28 8,52! 60,98 / 8,0 6,100"
    " | 4,2 44,4 50,30 10,50 | 20,50 60,100",
    "S": "56,14 32,0 8,18 22,44 50,58 56,84 28,100 2,86 / 58,8 26,2 8,24 30,46 54,66 42,96 4,94 / 52,4"
    " 18,6 8,30 40,48 58,72 36,100 2,94",
    "T": "30,2 28,100 | 0,3 62,0 / 0,4 64,2 | 32,2 34,100 / 2,2 60,4 | 34,2 28,100",
    "U": "4,0 4,66 24,99 50,88 58,60! 58,0 / 4,0 4,70 26,98 54,80 58,62 | 58,0 60,100 / 2,0 6,76 30,100"
    " 54,78 60,0",
    "V": "0,0 30,100! 62,0 / 2,4 28,98! 50,20 66,2",
    "W": "0,0 16,100! 38,30! 58,100! 80,0 / 0,0 10,84 26,94 38,40! 48,92 66,86 76,0 / 0,0 20,100! 40,6!"
    " 60,100! 78,0",
    "X": "2,0 60,100 | 60,0 0,100 / 60,2 2,98 | 4,4 62,100 / 4,2 26,46 62,96 | 62,0 34,50 2,98",
    "Y": "2,0 30,48 | 62,0 22,100 / 2,0 32,48! 62,0 | 32,48 30,100 / 2,0 10,36 34,46 58,6 | 60,2 50,60"
    " 24,100",
    "Z": "4,2 60,0! 2,98! 62,97 / 4,2 60,0! 2,98! 62,97 | 14,52 52,48 / 2,6 34,0 58,4! 2,96! 30,94"
    " 62,100",
    ".": "0,0 2,5 / 0,0 4,1",
    "-": "0,0 50,-2 100,-3 / 0,3 60,-1 100,0",
    ":": "2,0 4,6 | 1,94 3,100",
    "/": "52,0 0,100 / 60,0 34,52 0,100",
    ",": "20,0 22,50 0,100",
    "'": "12,0 0,100",
    "+": "50,0 48,100 | 0,50 100,48",
    "(": "30,0 0,50 28,100",
    ")": "0,0 30,46 2,100",
}  # fmt: skip
PUNCTUATION = ".-:/,'+()"
CHARACTERS = frozenset(_SKELETONS)
TICKS = ("tick", "cross", "blob", "line")
STRIKES = ("line", "double", "zigzag", "cross", "scribble")
UNUSUAL_TICKS = ("vee", "dot", "scribble", "large cross")
UNUSUAL_STRIKES = ("slash", "backslash", "short line", "slashes", "three", "wave", "coil", "large cross")
SINGLE_LINES = ("line", "slash", "backslash", "short line")  # of all strikes: each may be part of a character

_STEP = 0.025


@dataclass(frozen=True, slots=True)
class DrawnStyle:
    """What stays the same in one person's writing.

    ``seed`` fixes which way each character is written and how its points are bent. ``slant`` is the run to
    the right per unit of height, ``aspect`` the factor on widths, ``roundness`` in [0, 1] how far corners are
    cut, ``size`` the character height as a share of the box height, ``tremor`` the shake and ``haste`` in
    [0, 1] the difference from one instance to the next, both as a share of the height.
    """

    seed: int
    slant: float
    aspect: float
    roundness: float
    size: float
    tremor: float
    haste: float


def drawn_style(rng: np.random.Generator) -> DrawnStyle:
    """A person's style at random."""
    return DrawnStyle(
        seed=int(rng.integers(2**31)),
        slant=float(np.clip(rng.normal(0.06, 0.13), -0.22, 0.4)),
        aspect=float(np.exp(rng.normal(0.0, 0.16))),
        roundness=float(rng.beta(1.6, 2.2)),
        size=float(rng.uniform(0.56, 0.9)),
        tremor=float(rng.uniform(0.002, 0.010)),
        haste=float(rng.beta(2.0, 2.5)),
    )


@dataclass(frozen=True, slots=True)
class DrawnHand:
    """A hand (see `digitise.simulate.hand`) that writes with drawing code in one style."""

    style: DrawnStyle

    @property
    def name(self) -> str:
        """A name that tells styles apart."""
        return f"drawn/{self.style.seed}"

    @property
    def size(self) -> float:
        """Usual character height as a share of the box height."""
        return self.style.size

    def character(self, char: str, rng: np.random.Generator) -> Strokes:
        """One instance of ``char`` (0-9, A-Z and ``.-:/,'+()``); `KeyError` for any other."""
        style = self.style
        strokes = _skeleton(char, style, rng)
        if char not in PUNCTUATION:
            strokes = [_bend(points, char, i, style, rng) for i, points in enumerate(strokes)]
        return _instance([_ink(p, corner, style.roundness) for p, corner in strokes], style, rng)


def drawn_punctuation(char: str, rng: np.random.Generator) -> Strokes:
    """One of ``.-:/,'+()`` in a style drawn from ``rng``; `KeyError` for another sign."""
    if char not in PUNCTUATION:
        raise KeyError(char)
    return DrawnHand(drawn_style(rng)).character(char, rng)


def unit_frame(strokes: Iterable[np.ndarray]) -> Strokes:
    """Move and scale strokes: top left of the bounding box at the origin, longer side 1 (a point stays)."""
    lines = [np.asarray(s, np.float64).reshape(-1, 2) for s in strokes]
    points = np.concatenate(lines)
    low, side = points.min(axis=0), float(np.ptp(points, axis=0).max())
    return tuple(((line - low) / (side or 1.0)).astype(np.float32) for line in lines)


_Skeleton = tuple[np.ndarray, np.ndarray]


def _skeleton(char: str, style: DrawnStyle, rng: np.random.Generator) -> list[_Skeleton]:
    """The strokes' points (N, 2) and corner marks (N,) in this writer's usual way; seldom another way."""
    ways = _SKELETONS[char].split(" / ")
    own = np.random.default_rng((style.seed, ord(char)))
    usual = int(own.integers(len(ways)))
    strays = rng.random() < 0.04 + 0.08 * style.haste
    way = ways[int(rng.integers(len(ways))) if strays else usual]
    return [_parse(stroke) for stroke in way.split(" | ")]


def _parse(stroke: str) -> _Skeleton:
    marks = stroke.split()
    points = np.array([[float(v) for v in mark.rstrip("!").split(",")] for mark in marks]) / 100
    corner = np.array([mark.endswith("!") for mark in marks])
    corner[[0, -1]] = True
    return points, corner


def _bend(skeleton: _Skeleton, char: str, stroke: int, style: DrawnStyle, rng: np.random.Generator) -> _Skeleton:
    """Move the points: by the writer's own lasting amounts, then by this instance's."""
    points, corner = skeleton
    own = np.random.default_rng((style.seed, ord(char), stroke, zlib.crc32(points.tobytes())))
    lasting = own.normal(0, 0.028, points.shape)
    passing = rng.normal(0, 0.010 + 0.028 * style.haste, points.shape)
    return points + lasting + passing, corner


def _ink(points: np.ndarray, corner: np.ndarray, roundness: float) -> np.ndarray:
    """The drawn line: a spline from corner to corner, in even steps, with corners cut by ``roundness``."""
    places = np.flatnonzero(corner)
    parts = [_smooth_line(points[a : b + 1]) for a, b in pairwise(places)]
    line = _even_steps(np.concatenate([parts[0], *(part[1:] for part in parts[1:])]))
    return _smoothed(line, sigma_steps=0.4 + 2.0 * roundness)


def _smooth_line(points: np.ndarray) -> np.ndarray:
    """A Catmull-Rom curve through the points (N, 2); two points are returned as they are."""
    if len(points) == 2:
        return points
    ends = np.concatenate([[2 * points[0] - points[1]], points, [2 * points[-1] - points[-2]]])
    t = np.linspace(0, 1, 12, endpoint=False)[:, None]
    parts = []
    for p0, p1, p2, p3 in zip(ends[:-3], ends[1:-2], ends[2:-1], ends[3:], strict=True):
        a, b, c = p2 - p0, 2 * p0 - 5 * p1 + 4 * p2 - p3, 3 * (p1 - p2) + p3 - p0
        parts.append(p1 + 0.5 * t * (a + t * (b + t * c)))
    return np.concatenate([*parts, points[-1:]])


def steadied(line: np.ndarray) -> np.ndarray:
    """A recorded line (N, 2) of the unit frame in even steps, without the fine jags of a tablet."""
    return _smoothed(_even_steps(line), sigma_steps=0.9) if len(line) > 1 else line


def _even_steps(line: np.ndarray) -> np.ndarray:
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.linspace(0, gone[-1], max(6, int(gone[-1] / _STEP)))
    return np.stack([np.interp(at, gone, line[:, i]) for i in (0, 1)], axis=1)


def _smoothed(line: np.ndarray, *, sigma_steps: float) -> np.ndarray:
    """Gaussian smoothing along the line; the ends stay where they are."""
    reach = min(int(3 * sigma_steps) + 1, len(line) - 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_steps) ** 2)
    before = 2 * line[0] - line[reach:0:-1]
    after = 2 * line[-1] - line[-2 : -reach - 2 : -1]
    padded = np.concatenate([before, line, after])
    return np.stack([np.convolve(padded[:, i], kernel / kernel.sum(), mode="valid") for i in (0, 1)], axis=1)


def _instance(lines: list[np.ndarray], style: DrawnStyle, rng: np.random.Generator) -> Strokes:
    """One hurried instance: ends over- or undershot, lines unsteady, the whole slanted and turned."""
    turn = rng.normal(0, 0.03 + 0.05 * style.haste)
    shear = style.slant + rng.normal(0, 0.03)
    wide = style.aspect * np.exp(rng.normal(0, 0.05 + 0.05 * style.haste))
    turning = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = turning @ np.array([[wide, -shear], [0, 1]])
    written = [_overshot(line, 0.012 + 0.035 * style.haste, rng) for line in lines]
    return unit_frame([_unsteady(line, style, rng) @ matrix.T for line in written])


def _overshot(line: np.ndarray, amount: float, rng: np.random.Generator) -> np.ndarray:
    """Carry each end on along its own direction, or stop short of it."""
    line = line.copy()
    for end, inner in ((0, 3), (-1, -4)):
        direction = line[end] - line[inner]
        length = float(np.hypot(*direction))
        if length > 0.03:
            fade = np.array([1.0, 0.6, 0.25])[:, None]
            rows = slice(0, 3) if end == 0 else slice(-1, -4, -1)
            line[rows] += fade * direction / length * rng.normal(0.3 * amount, amount)
    return line


def _unsteady(line: np.ndarray, style: DrawnStyle, rng: np.random.Generator) -> np.ndarray:
    """Slow wobble over the length of the stroke, and fine tremor."""
    t = np.linspace(0, 1, len(line))
    knots = np.linspace(0, 1, 5)
    wobble = rng.normal(0, 0.005 + 0.010 * style.haste, (2, 5))
    shake = rng.normal(0, style.tremor, (2, len(line) + 2))
    fine = (shake[:, :-2] + shake[:, 1:-1] + shake[:, 2:]) / 3
    return line + np.stack([np.interp(t, knots, wobble[i]) + fine[i] for i in (0, 1)], axis=1)


def hand_line(ends: np.ndarray, rng: np.random.Generator, *, bow: float) -> np.ndarray:
    """A hand-drawn line from ``ends[0]`` to ``ends[1]``: bent, a little shaky, now and then with a hook."""
    t = np.linspace(0, 1, 14)[:, None]
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]])
    shake = np.convolve(rng.normal(0, 0.006, 18), np.ones(5) / 5, mode="valid")[:, None]
    line = ends[0] + t * along + (4 * t * (1 - t) * rng.normal(0, bow) + shake) * across
    if rng.random() < 0.2:
        line = line + np.maximum(t - 0.8, 0) ** 2 * rng.normal(0, 1.1) * across
    return line.astype(np.float32)


def dash_stroke(box_mm: Sequence[float], *, rng: np.random.Generator) -> Strokes:
    """A dash on its own, as some write for nothing: one level stroke near the middle of the box."""
    x, y, width, height = box_mm
    length = min(width * rng.uniform(0.45, 0.8), height * rng.uniform(0.5, 1.1))
    middle = np.array([x + width / 2, y + height * rng.uniform(0.4, 0.6)])
    half = np.array([length / 2, length / 2 * rng.normal(0, 0.08)])
    return (hand_line(np.array([middle - half, middle + half]), rng, bow=0.03),)


def ditto_strokes(box_mm: Sequence[float], *, rng: np.random.Generator) -> Strokes:
    """A ditto mark: two short strokes side by side near the middle of the box."""
    x, y, width, height = box_mm
    tall, apart, lean = (
        height * rng.uniform(0.2, 0.32),
        height * rng.uniform(0.12, 0.22),
        rng.normal(0.1, 0.2),
    )
    middle = np.array([x + width * rng.uniform(0.4, 0.6), y + height * rng.uniform(0.35, 0.55)])
    strokes = []
    for side in (-0.5, 0.5):
        half = np.array([-lean, 1.0]) * tall / 2 * rng.uniform(0.85, 1.15)
        centre = middle + np.array([side * apart, rng.normal(0, 0.03) * height])
        strokes.append(hand_line(np.array([centre - half, centre + half]), rng, bow=0.05))
    return tuple(strokes)


def tick_strokes(style: str, box_mm: Sequence[float], *, rng: np.random.Generator) -> Strokes:
    """A deliberate mark in a tick box, in one of the `TICKS` or `UNUSUAL_TICKS` styles."""
    x, y, width, height = box_mm
    side = min(width, height)
    size = side * rng.uniform(0.6, 0.95)
    centre = np.array([x + width / 2, y + height / 2]) + rng.normal(0, 0.06, 2) * side
    shapes = {
        "tick": [[[-0.5, 0.1], [-0.2, 0.5], [0.55, -0.5]]],
        "cross": [[[-0.45, -0.45], [0.45, 0.45]], [[0.45, -0.45], [-0.45, 0.45]]],
        "line": [[[-0.4, 0.4], [0.4, -0.4]]] if rng.random() < 0.6 else [[[-0.45, 0.05], [0.45, -0.05]]],
        "vee": [[[-0.4, -0.4], [-0.05, 0.45], [0.4, -0.45]]],
        "large cross": [[[-0.6, -0.6], [0.6, 0.6]], [[0.6, -0.6], [-0.6, 0.6]]],
    }
    if style == "blob":
        return (_zigzag(centre - size * 0.3, centre + size * 0.3, legs=int(rng.integers(7, 12)), rng=rng),)
    if style == "scribble":
        return (_zigzag(centre - size * 0.42, centre + size * 0.42, legs=int(rng.integers(9, 24)), rng=rng),)
    if style == "dot":
        return (_coil(centre, centre, size * float(rng.uniform(0.14, 0.3)), turns=int(rng.integers(3, 6))),)
    strokes = []
    for shape in shapes[style]:
        corners = centre + size * (np.array(shape) + rng.normal(0, 0.06, (len(shape), 2)))
        parts = [hand_line(corners[i : i + 2], rng, bow=0.04) for i in range(len(corners) - 1)]
        strokes.append(_even_steps(np.concatenate(parts)))
    return tuple(strokes)


def strike_strokes(style: str, extent_mm: Sequence[float], *, rng: np.random.Generator) -> Strokes:
    """What strikes out an entry of extent [x, y, width, height]: one of the `STRIKES` or `UNUSUAL_STRIKES`.

    All but the short line go past both ends.
    """
    x, y, width, height = extent_mm
    beyond = height * rng.uniform(0.1, 0.35, 2)
    low, high = np.array([x - beyond[0], y]), np.array([x + width + beyond[1], y + height])
    if style == "zigzag":
        legs = int(np.clip((high[0] - low[0]) / np.clip(0.28 * height, 0.8, 1.6), 6, 40))
        return (_zigzag(low, high, legs=legs, rng=rng),)
    if style == "scribble":  # to and fro along the entry, from top to bottom
        turned = _zigzag(low[::-1], high[::-1], legs=int(rng.integers(5, 11)), rng=rng)
        return (turned[:, ::-1],)
    if style == "cross":
        corners = np.array([[low, high], [[low[0], high[1]], [high[0], low[1]]]])
        return tuple(hand_line(ends + rng.normal(0, 0.08, (2, 2)) * height, rng, bow=0.02) for ends in corners)
    if style in UNUSUAL_STRIKES:
        return _unusual_strike(style, low, high, rng)
    tilt = rng.normal(0, 0.1, 2) * height
    strokes = []
    for level in [0.5] if style == "line" else [0.36, 0.64]:
        heights = y + height * (level + rng.normal(0, 0.03, 2)) + tilt * (-1, 1)
        ends = np.stack([[low[0], high[0]] + rng.normal(0, 0.04, 2) * height, heights], axis=1)
        strokes.append(hand_line(ends, rng, bow=0.015))
    return tuple(strokes)


def _unusual_strike(style: str, low: np.ndarray, high: np.ndarray, rng: np.random.Generator) -> Strokes:
    """One of the `UNUSUAL_STRIKES` through an entry between two corners."""
    (left, top), (right, bottom) = low, high
    height, middle = bottom - top, (top + bottom) / 2 + rng.normal(0, 0.06) * (bottom - top)
    if style == "wave":
        turns, swell = max(2.0, 1.5 * (right - left) / height), height * rng.uniform(0.1, 0.22)
        across = np.linspace(left, right, 60)
        return (np.stack([across, middle + swell * np.sin(np.linspace(0, 2 * np.pi * turns, 60))], axis=1),)
    if style == "coil":
        turns = int(max(3, round(2.5 * (right - left) / height)))
        return (
            _coil(np.array([left, middle]), np.array([right, middle]), height * rng.uniform(0.2, 0.38), turns=turns),
        )
    aside = rng.uniform(0.2, 0.4) * height
    slash, up = [[left, bottom], [right, top]], 0.2 * height
    lines = {
        "slash": [slash],
        "backslash": [[[left, top], [right, bottom]]],
        "slashes": [[[x + aside * i, y] for x, y in slash] for i in (-0.5, 0.5)],
        "short line": [[[left + 0.15 * height, middle], [right - 0.15 * height, middle + rng.normal(0, 0.1) * height]]],
        "three": [[[left, top + share * height], [right, top + share * height]] for share in (0.25, 0.5, 0.75)],
        "large cross": [
            [[left - up, top - up], [right + up, bottom + up]],
            [[right + up, top - up], [left - up, bottom + up]],
        ],
    }[style]
    return tuple(hand_line(np.array(ends) + rng.normal(0, 0.05, (2, 2)) * height, rng, bow=0.02) for ends in lines)


def _coil(begin: np.ndarray, end: np.ndarray, radius: float, *, turns: int) -> np.ndarray:
    """Rings drawn one after the other on the way from one middle to another; where these are one, ever wider ones."""
    t = np.linspace(0, 1, 24 * turns)[:, None]
    size = radius * (t if np.array_equal(begin, end) else 1.0)
    angle = 2 * np.pi * turns * t
    return begin + t * (end - begin) + size * np.concatenate([np.cos(angle), np.sin(angle)], axis=1)


def scrawl(box_mm: Sequence[float], *, rng: np.random.Generator) -> Strokes:
    """A scrawl that nobody can read: one wandering line through most of the box."""
    x, y, width, height = box_mm
    turns = int(rng.integers(8, 13))
    low, span = np.array([x + 0.12 * width, y + 0.15 * height]), np.array([0.76 * width, 0.7 * height])
    points = rng.random((turns, 2))
    points[:, 0] = 0.35 * points[:, 0] + 0.65 * np.linspace(0, 1, turns)
    return (_smooth_line(low + span * points),)


def _zigzag(low: np.ndarray, high: np.ndarray, *, legs: int, rng: np.random.Generator) -> np.ndarray:
    """A scribble to and fro between two corners, from left to right."""
    across = np.linspace(low[0], high[0], legs + 1)
    upper = np.arange(legs + 1) % 2 == int(rng.integers(2))
    points = np.stack([across, np.where(upper, low[1], high[1])], axis=1)
    wild = rng.normal(0, 1, points.shape) * (0.25 * (high[0] - low[0]) / legs, 0.09 * (high[1] - low[1]))
    return _smooth_line(points + wild)
