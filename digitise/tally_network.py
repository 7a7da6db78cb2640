"""A learned stroke counter, independent of the contours: strokes per patch of the box, summed.

The network (``models/tally.onnx``) is fully convolutional, so a box may be of any size. It gives a map of strokes per
patch, and evidence that the box is void (crossed out) or holds a written zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.characters import load_network

REDUCE = 2  # the network sees half the flat page's resolution
STRIDE = 4  # pixels of its input to one patch of its map


@dataclass(frozen=True, slots=True)
class LearnedCount:
    """Expected number of strokes, and probabilities that the box is void or holds a written zero."""

    strokes: float
    void: float
    zero: float


def network_input(ink: np.ndarray, pencil: float) -> np.ndarray:
    """The (h, w) float32 picture the network sees, sides multiples of `STRIDE`; `ink` as from `tally.own_ink`."""
    height, width = (max(STRIDE, int(round(v / REDUCE / STRIDE)) * STRIDE) for v in ink.shape)
    small = cv2.resize(ink, (width, height), interpolation=cv2.INTER_AREA)
    return np.clip(small / pencil, 0.0, 1.5).astype(np.float32)


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return load_network("tally.onnx")


def learned_counts(pictures: list[np.ndarray]) -> list[LearnedCount]:
    """Count the strokes in each picture; pictures of one size are read together."""
    out: list[LearnedCount | None] = [None] * len(pictures)
    sizes: dict[tuple[int, int], list[int]] = {}
    for i, picture in enumerate(pictures):
        sizes.setdefault(picture.shape, []).append(i)
    for places in sizes.values():
        network = _network()
        network.setInput(np.ascontiguousarray(np.stack([pictures[i] for i in places])[:, None]))
        maps = network.forward()
        for i, (density, void, zero) in zip(places, maps, strict=True):
            out[i] = LearnedCount(float(density.sum()), *(float(1 / (1 + np.exp(-m.max()))) for m in (void, zero)))
    return out
