"""A learned stroke counter, independent of the contours: strokes per patch of the box, summed.

The network (``models/tally.onnx``) is fully convolutional, so a box may be of any size. It gives a map of strokes per
patch, and evidence that the box is void (crossed out) or holds a written zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.reader.characters import load_network

FAINT = 0.35  # a box whose ink nowhere reaches this share of the page's pencil holds no stroke
BEYOND, STEP = 16, 32  # columns shown past the last ink; widths are whole steps, so that boxes are read together
REDUCE = (4, 1)  # rows and columns of the flat page to one of the network's: strokes stand side by side
PATCH = (2, 4)  # rows and columns of its input to one patch of its map: 1 mm by 0.5 mm


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


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return load_network("tally.onnx")


def _inked_columns(picture: np.ndarray) -> int:
    """Columns up to a little past the last ink, whole `STEP`s; 0 for a box without any stroke."""
    inked = np.flatnonzero(picture.max(axis=0) > FAINT)
    return min(picture.shape[1], -(-(int(inked[-1]) + BEYOND) // STEP) * STEP) if len(inked) else 0


def learned_counts(pictures: list[np.ndarray]) -> list[LearnedCount]:
    """Count the strokes in each picture; those of one size are read together, empty ones not at all."""
    out = [NOTHING] * len(pictures)
    sizes: dict[tuple[int, int], list[int]] = {}
    for i, picture in enumerate(pictures):
        if columns := _inked_columns(picture):
            sizes.setdefault((len(picture), columns), []).append(i)
    network = _network()
    for (_, columns), places in sizes.items():
        network.setInput(np.ascontiguousarray(np.stack([pictures[i][:, :columns] for i in places])[:, None]))
        maps = network.forward()
        for i, (density, void, zero) in zip(places, maps, strict=True):
            out[i] = LearnedCount(float(density.sum()), *(float(1 / (1 + np.exp(-m.max()))) for m in (void, zero)))
    return out
