"""A learned stroke counter, independent of the contours: strokes per patch of the box, summed.

The network (``models/tally.onnx``) is fully convolutional, so a box may be of any size. It gives a map of strokes per
patch, and evidence that the box is void (crossed out) or holds a written zero. Where it does not plainly say what the
contours say, a second one (``models/tally_second.onnx``), trained apart, says as much.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.reader.characters import load_network

FAINT = 0.35  # a box whose ink nowhere reaches this share of the page's pencil holds no stroke
BEYOND, STEP = 16, 32  # columns shown past the last ink; widths are whole steps, so that boxes are read together
REDUCE = (4, 1)  # rows and columns of the flat page to one of the network's: strokes stand side by side
PATCH = (2, 4)  # rows and columns of its input to one patch of its map: 1 mm by 0.5 mm
NETWORKS = ("tally.onnx", "tally_second.onnx")
SAME, NO_OTHER = 0.15, 0.02  # so near the contours' count, and so unlikely void or zero, it is plain


@dataclass(frozen=True, slots=True)
class LearnedCount:
    """Expected number of strokes, and probabilities that the box is void or holds a written zero."""

    strokes: float
    void: float
    zero: float


NOTHING = LearnedCount(0.0, 0.0, 0.0)


def network_input(ink: np.ndarray, pencil: float) -> np.ndarray:
    """The (h, w) float32 picture the network sees, sides multiples of `PATCH`; `ink` as from `tally.own_ink`."""
    height, width = (max(p, int(round(v / r / p)) * p) for v, r, p in zip(ink.shape, REDUCE, PATCH, strict=True))
    small = cv2.resize(ink, (width, height), interpolation=cv2.INTER_AREA)
    return np.clip(small / pencil, 0.0, 1.5).astype(np.float32)


@lru_cache(maxsize=len(NETWORKS))
def _network(name: str) -> cv2.dnn.Net:
    return load_network(name, cv2.dnn.ENGINE_CLASSIC)


def _inked_columns(picture: np.ndarray) -> int:
    """Columns up to a little past the last ink, whole `STEP`s; 0 for a box without any stroke."""
    inked = np.flatnonzero(picture.max(axis=0) > FAINT)
    return min(picture.shape[1], -(-(int(inked[-1]) + BEYOND) // STEP) * STEP) if len(inked) else 0


def _maps(pictures: Sequence[np.ndarray], places: Iterable[int], name: str) -> dict[int, np.ndarray]:
    """A network's maps, (3, h, w), of the pictures at these places; those of one size are read together."""
    sizes: dict[tuple[int, int], list[int]] = {}
    for i in places:
        if columns := _inked_columns(pictures[i]):
            sizes.setdefault((len(pictures[i]), columns), []).append(i)
    network, out = _network(name), {}
    for (_, columns), those in sizes.items():
        network.setInput(np.ascontiguousarray(np.stack([pictures[i][:, :columns] for i in those])[:, None]))
        out |= dict(zip(those, network.forward(), strict=True))
    return out


def _count(*maps: np.ndarray) -> LearnedCount:
    """What networks say together: the mean of their sums, and of each one's strongest evidence, wherever that lies."""
    strokes = np.mean([one[0].sum() for one in maps])
    void, zero = np.mean([one[1:].max(axis=(1, 2)) for one in maps], axis=0)
    return LearnedCount(float(strokes), *(float(1 / (1 + np.exp(-mark))) for mark in (void, zero)))


def learned_counts(pictures: Sequence[np.ndarray], contours: Sequence[int]) -> list[LearnedCount]:
    """Count the strokes in each picture, `contours` being what else was counted there; empty ones are not looked at."""
    first = _maps(pictures, range(len(pictures)), NETWORKS[0])
    counts = {i: _count(maps) for i, maps in first.items()}
    unsure = [i for i, count in counts.items() if not _plain(count, contours[i])]
    for i, second in _maps(pictures, unsure, NETWORKS[1]).items():
        counts[i] = _count(first[i], second)
    return [counts.get(i, NOTHING) for i in range(len(pictures))]


def _plain(count: LearnedCount, other: int) -> bool:
    return other > 0 and abs(count.strokes - other) < SAME and max(count.void, count.zero) < NO_OTHER
