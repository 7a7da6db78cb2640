"""Digits that are kept as pictures, traced back to pen strokes: more hands than files of pen strokes hold.

Pictures come in the IDX format of old character collections. Each is thinned to the middle line of its strokes; where
lines meet, those that go on most nearly straight become one stroke. Which way the pen went is not known, nor needed:
strokes are drawn again as ink.
"""

from __future__ import annotations

import gzip
import json
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from skimage.morphology import skeletonize

ENLARGED = 6  # times as large a picture is thinned
INKED = 0.4  # of the darkest ink: the edge of a stroke
PLAIN_PX, SPUR_PX = 9, 10  # an arc's direction is taken from so much of its end; shorter loose ends are no strokes
SPECK = 0.06  # of the character's size: shorter strokes beside others are dust
STRAIGHT = -0.3  # cosine between two arcs that leave a meeting point: above, they are no one stroke
REACH = 5  # points each way over which a thinned line is smoothed
EVERY = 3  # points of the thinned line from one point of a stroke to the next
MIXED = 600  # pictures that count as one writer: who wrote which is not known

Arc = list[tuple[int, int]]


def read_idx(path: Path) -> np.ndarray:
    """The array of bytes in an IDX file, gzipped or not; `ValueError` for any other file."""
    content = path.read_bytes()
    content = gzip.decompress(content) if content[:2] == b"\x1f\x8b" else content
    if content[:3] != b"\x00\x00\x08":
        raise ValueError(f"{path}: not an IDX file of bytes")
    sizes = np.frombuffer(content, ">u4", content[3], 4)
    return np.frombuffer(content, np.uint8, offset=4 + 4 * content[3]).reshape(sizes)


def traced(picture: np.ndarray) -> list[np.ndarray]:
    """Strokes of a character, each (N, 2) of (x, y) in pixels; `picture` (H, W) uint8 has ink bright on black."""
    padded = np.pad(picture, 2)
    large = cv2.resize(padded, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
    large = cv2.GaussianBlur(large, (0, 0), 0.35 * ENLARGED)
    thin = skeletonize(large > INKED * large.max())
    arcs, ends, middles = _arcs(thin)
    strokes = [_smooth(chain) for chain in _joined(arcs, ends, middles) if len(chain) > 1]
    sizes = [float(np.ptp(s, axis=0).max()) for s in strokes]
    return [s for s, size in zip(strokes, sizes, strict=True) if size >= SPECK * max(sizes)]


def _arcs(thin: np.ndarray) -> tuple[list[Arc], list[list[int]], np.ndarray]:
    """Lines between meeting points of a thinned picture, (x, y) in order; the meeting point at both ends of each, -1
    for none; and where meeting points are, (M, 2)."""
    near = cv2.filter2D(thin.astype(np.uint8), cv2.CV_8U, np.ones((3, 3)), borderType=cv2.BORDER_CONSTANT) - thin
    meeting = cv2.dilate((thin & (near > 2)).astype(np.uint8), np.ones((3, 3))) & thin
    _, which, _, middles = cv2.connectedComponentsWithStats(meeting, connectivity=8)
    count, parts = cv2.connectedComponents((thin & (meeting == 0)).astype(np.uint8), connectivity=8)
    arcs, ends = [], []
    for part in range(1, count):
        line = _walk(np.argwhere(parts == part)[:, ::-1])
        at = [_touching(which, line[0]), _touching(which, line[-1])]
        if len(line) == 1 and at[0] >= 0:
            at[1] = -1
        arcs.append(line)
        ends.append(at)
    return arcs, ends, middles


def _walk(points: np.ndarray) -> Arc:
    """The points of one line in order, from an end where it has one."""
    left = {tuple(p) for p in points.tolist()}
    steps = [(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)]

    def around(p: tuple[int, int]) -> list[tuple[int, int]]:
        return [q for dx, dy in steps if (q := (p[0] + dx, p[1] + dy)) in left]

    at = min(left, key=lambda p: (len(around(p)) != 1, p))
    closed = len(around(at)) != 1 and len(left) > 2
    line = [at]
    left.discard(at)
    while found := around(at):
        at = found[0]
        left.discard(at)
        line.append(at)
    return [*line, line[0]] if closed else line


def _touching(which: np.ndarray, point: tuple[int, int]) -> int:
    x, y = point
    return int(which[y - 1 : y + 2, x - 1 : x + 2].max()) or -1


def _joined(arcs: list[Arc], ends: list[list[int]], middles: np.ndarray) -> list[np.ndarray]:
    """Arcs put together into strokes: at a meeting point the straightest pairs go on as one."""
    lines = [np.array(a, float) for a in arcs]
    loose = [min(e) < 0 <= max(e) and len(a) < SPUR_PX for a, e in zip(arcs, ends, strict=True)]
    meets: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for i, at in enumerate(ends):
        for side in (0, 1):
            if at[side] >= 0 and not loose[i]:
                meets[at[side]].append((i, side))
    on: dict[tuple[int, int], tuple[int, int]] = {}
    for those in meets.values():
        ways = [_leaving(lines[i], side) for i, side in those]
        pairs = sorted((float(a @ b), p, q) for p, a in enumerate(ways) for q, b in enumerate(ways[:p]))
        taken: set[int] = set()
        for cosine, p, q in pairs:
            if cosine < STRAIGHT and not taken & {p, q}:
                taken |= {p, q}
                on[those[p]], on[those[q]] = those[q], those[p]
    return _chains(lines, ends, middles, on, loose)


def _leaving(line: np.ndarray, side: int) -> np.ndarray:
    """Unit direction in which a line leaves the meeting point at its start (0) or end (1)."""
    line = line if side == 0 else line[::-1]
    far = line[min(len(line) - 1, PLAIN_PX)]
    way = far - line[0] if len(line) > 1 else np.zeros(2)
    return way / max(float(np.hypot(*way)), 1e-9)


def _chains(
    lines: list[np.ndarray],
    ends: list[list[int]],
    middles: np.ndarray,
    on: dict[tuple[int, int], tuple[int, int]],
    loose: Sequence[bool],
) -> list[np.ndarray]:
    used = list(loose)
    chains = []
    starts = [(i, s) for i in range(len(lines)) for s in (0, 1) if (i, s) not in on]
    for i, side in [*starts, *((i, 0) for i in range(len(lines)))]:
        parts: list[np.ndarray] = []
        while not used[i]:
            used[i] = True
            parts += _with_meetings(lines[i], ends[i], middles, side)
            if (i, 1 - side) not in on:
                break
            i, side = on[i, 1 - side]
        if parts:
            chains.append(np.concatenate(parts))
    return chains


def _with_meetings(line: np.ndarray, at: list[int], middles: np.ndarray, side: int) -> list[np.ndarray]:
    """A line from the given side on, with the meeting points at its ends."""
    first, last = (at[0], at[1]) if side == 0 else (at[1], at[0])
    whole = [line if side == 0 else line[::-1]]
    if first >= 0:
        whole.insert(0, middles[first][None])
    if last >= 0:
        whole.append(middles[last][None])
    return whole


def _smooth(line: np.ndarray) -> np.ndarray:
    """A line without the steps of pixels, with fewer points; its ends stay."""
    if len(line) > REACH:
        before, after = 2 * line[:1] - line[REACH:0:-1], 2 * line[-1:] - line[-2 : -REACH - 2 : -1]
        whole = np.concatenate([before, line, after])
        weights = np.exp(-0.5 * (np.arange(-REACH, REACH + 1) / (REACH / 2)) ** 2)
        line = np.stack([np.convolve(whole[:, k], weights / weights.sum(), "valid") for k in (0, 1)], axis=1)
    return line[np.unique(np.append(np.arange(0, len(line), EVERY), len(line) - 1))]


def trace(images: Path, labels: Path, out: Path, *, skip: int = 0, leave_out: str = "") -> int:
    """Write a stroke file of the digits in two IDX files; returns how many.

    The first `skip` pictures and the digits of `leave_out` are not wanted.
    """
    pictures, said = read_idx(images), read_idx(labels)
    written = 0
    with gzip.open(out, "wt", encoding="utf-8") as lines:
        for i in range(skip, len(pictures)):
            strokes = traced(pictures[i]) if str(said[i]) not in leave_out else []
            if not strokes:
                continue
            low = np.min([s.min(axis=0) for s in strokes], axis=0)
            scale = 1000 / max(float(np.ptp(np.concatenate(strokes), axis=0).max()), 1.0)
            points = [np.round((s - low) * scale).astype(int).tolist() for s in strokes]
            row = {"label": str(said[i]), "writer": f"pictures/{i // MIXED:04d}", "strokes": points}
            lines.write(json.dumps(row, separators=(",", ":")) + "\n")
            written += 1
    return written
