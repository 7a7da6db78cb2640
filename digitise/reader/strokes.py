"""Strokes in one row of a tally: upright ones, and bars across them.

The row is sheared until its strokes stand upright. Each upright stroke is then a dark ridge that runs down the picture,
told from its neighbours even where their ink touches. A bar is what darkens the gaps between neighbouring strokes one
after another, along a line.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.pieces import pieces_of

MOST_LEAN_DEG = 42  # of the strokes of a row, from the vertical
LEAN_BLUR_DEG = 5.0  # strokes of one row differ about so much
LEANS_MORE = 0.42  # columns a row of the sheared picture by which no upright stroke of the row leans
AROUND_MM, ALONG_MM = 0.62, 0.62  # blurs (sigma) across strokes, to find what is darker than around, and along
RIDGE = 0.38  # of the darkest ridges: paler ones are what a bar leaves, smeared along the strokes
SHORT_MM, SHORT = 1.5, 0.42  # a shorter ridge is no stroke, nor one so much shorter than the row's long ones
TWO_BESIDE = 0.15  # of a ridge's rows that must show two lines for it to be two strokes
GAP_MM = 5.0  # strokes farther apart have no bar in common
DARK = 0.6  # of the pencil in the row: a bar in a gap is so dark
STANDS_OUT = 0.22  # and by so much darker than the gap is elsewhere
GROUP = 4  # strokes that a bar goes across: with fewer there is none to be looked for
FAINT = 0.5  # as dark, and standing out as much: a bar drawn so lightly may be one
CLEAR = 0.5  # of the way from the gap's own ink to its darkest: where a bar begins and ends
TALL = 0.5  # of the gap's height, and two rows: what is taller is no bar
STEEP = 2.2  # rows a column by which no bar climbs
BENT = 0.9  # rows a column by which a bar may climb otherwise in one gap than in the one before
LEAST_GAPS = 2  # that a bar crosses


@dataclass(frozen=True, slots=True)
class Upright:
    """An upright stroke: from row `top` up to `bottom`, at column ``start + slope * row``.

    `parts` says that it shows two lines somewhere: it may be two strokes, one upon the other.
    """

    start: float
    slope: float
    top: int
    bottom: int
    parts: bool = False

    def column(self, row: float | np.ndarray) -> float | np.ndarray:
        """Where it stands in a row."""
        return self.start + self.slope * row

    @property
    def middle(self) -> float:
        """Where it stands half way down."""
        return self.column((self.top + self.bottom) / 2)


@dataclass(frozen=True, slots=True)
class RowCount:
    """Strokes in one row; `parting` are those upright ones that may be two, `faint` further bars that may be none."""

    uprights: int
    bars: int
    parting: int = 0
    faint: int = 0


def count_row(ink: np.ndarray, threshold: float) -> RowCount:
    """Upright strokes in a row of a tally, and bars across them.

    Parameters
    ----------
    ink : (H, W) float32 ndarray
        Ink of the row at `FLAT_PX_PER_MM`.
    threshold : float
        Ink above this is pencil.
    """
    straight = _sheared(ink, _lean(ink))
    pencil = straight[straight > threshold]
    if not len(pencil):
        return RowCount(0, 0)
    uprights = _uprights(straight, threshold)
    core = _share(pencil, 0.7)
    bars, faint = _bars(straight, uprights, threshold, core), 0
    if len(uprights) >= GROUP * (bars + 1):
        faint = max(0, _bars(straight, uprights, threshold, FAINT * core) - bars)
    return RowCount(len(uprights), bars, sum(stroke.parts for stroke in uprights), faint)


def _share(values: np.ndarray, share: float) -> float:
    """The value that this share of them is below."""
    at = int(share * (len(values) - 1))
    return float(np.partition(values, at)[at])


def _lean(ink: np.ndarray) -> float:
    """Columns that the row's strokes lean to the left with each row down, by the directions of their edges."""
    soft = cv2.GaussianBlur(cv2.resize(ink, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    across, down = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    size, angle = cv2.cartToPolar(across, down, angleInDegrees=True)
    degree = ((angle.ravel() + 90.0) % 180.0).astype(np.intp)
    weight = np.bincount(np.minimum(degree, 179), weights=np.square(size.ravel()), minlength=180)
    reach = np.arange(-12, 13)
    smooth = np.convolve(weight, np.exp(-0.5 * (reach / LEAN_BLUR_DEG) ** 2), mode="same")
    first = 90 - MOST_LEAN_DEG
    return math.tan(math.radians(first + int(smooth[first : 91 + MOST_LEAN_DEG].argmax()) + 0.5 - 90.0))


def _sheared(ink: np.ndarray, lean: float) -> np.ndarray:
    """The row with its strokes upright, wider by what they leaned."""
    height, width = ink.shape
    spare = int(abs(lean) * height / 2) + 3
    move = np.float32([[1, lean, spare - lean * (height - 1) / 2], [0, 1, 0]])
    return cv2.warpAffine(ink, move, (width + 2 * spare, height), flags=cv2.INTER_LINEAR)


def _ridges(straight: np.ndarray, threshold: float) -> np.ndarray:
    """Where ink is darkest in its row and stays so along the strokes, (H, W) bool."""
    around = cv2.GaussianBlur(straight, (0, 0), sigmaX=AROUND_MM * FLAT_PX_PER_MM, sigmaY=0.01)
    sharp = np.maximum(2 * straight - around, 0.0)
    along = cv2.GaussianBlur(sharp, (0, 0), sigmaX=1.2, sigmaY=ALONG_MM * FLAT_PX_PER_MM)
    dark = _share(along[straight > threshold], 0.9)
    ridge = (along > max(RIDGE * dark, 0.6 * threshold)) & (cv2.GaussianBlur(straight, (0, 0), 1.0) > 0.8 * threshold)
    ridge[:, 1:-1] &= (along[:, 1:-1] >= along[:, :-2]) & (along[:, 1:-1] > along[:, 2:])
    ridge[:, [0, -1]] = False
    return ridge


def _uprights(straight: np.ndarray, threshold: float) -> list[Upright]:
    """Upright strokes from left to right."""
    ridge = _ridges(straight, threshold)
    pieces = pieces_of(cv2.dilate(ridge.view(np.uint8), np.ones((3, 3), np.uint8)))
    boxes = pieces.boxes.tolist()
    heights = sorted(box[3] for box in boxes[1:])
    if not heights:
        return []
    long = heights[-max(1, len(heights) // 3)]
    out: list[Upright] = []
    for i, (x, y, width, height) in enumerate(boxes):
        if i and height >= max(SHORT * long, SHORT_MM * FLAT_PX_PER_MM):
            own = (pieces.labels[y : y + height, x : x + width] == i) & ridge[y : y + height, x : x + width]
            out += _strokes_along(own, x, y)
    return sorted(out, key=lambda stroke: stroke.middle)


def _strokes_along(own: np.ndarray, left: int, top: int) -> list[Upright]:
    """The strokes of one ridge, whose own lines are `own`: as many as enough of its rows show side by side."""
    height = len(own)
    hold = min(max(4, int(TWO_BESIDE * height)), height)
    lines = np.sort(own.sum(axis=1))
    beside = max(1, int(lines[-hold]))
    rows, columns = np.nonzero(own)
    if beside > 1:
        parts = np.array_split(np.sort(columns), beside)
        return [Upright(left + float(np.median(part)), 0.0, top, top + height) for part in parts]
    slope = _slope(rows, columns)
    if abs(slope) > LEANS_MORE:
        return []
    start = left + float(columns.mean()) - slope * (top + float(rows.mean()))
    return [Upright(start, slope, top, top + height, bool(lines[-1] > 1))]


def _slope(rows: np.ndarray, columns: np.ndarray) -> float:
    """Columns a row of the straight line through a ridge."""
    off = rows - rows.mean()
    spread = float(off @ off)
    return float(off @ columns) / spread if spread else 0.0


def _bars(straight: np.ndarray, uprights: Sequence[Upright], threshold: float, pencil: float) -> int:
    """Lines across at least `LEAST_GAPS` neighbouring gaps between strokes."""
    soft = cv2.blur(straight, (3, 3))
    bars, going = 0, []  # of each line: the row in the last gap, rows a column (None at first), gaps so far
    for left, right in itertools.pairwise(uprights):
        apart = max(right.middle - left.middle, 1.0)
        near = apart <= GAP_MM * FLAT_PX_PER_MM
        places = list(_dark_places(soft, left, right, threshold, pencil)) if near else []
        longer = []
        for row, climb, gaps in going:
            steps = [(abs(place - row - (climb or 0.0) * apart), place) for place in places]
            off, place = min(steps, default=(math.inf, 0.0))
            if off <= (STEEP if climb is None else BENT) * apart + 3:
                places.remove(place)
                longer.append((place, (place - row) / apart, gaps + 1))
            else:
                bars += gaps >= LEAST_GAPS
        going = longer + [(place, None, 1) for place in places]
    return bars + sum(gaps >= LEAST_GAPS for _, _, gaps in going)


def _dark_places(soft: np.ndarray, left: Upright, right: Upright, threshold: float, pencil: float) -> Iterator[float]:
    """Rows in which the gap between two strokes is as dark as pencil, and darker than elsewhere."""
    first, last = min(left.top, right.top), max(left.bottom, right.bottom)
    rows = np.arange(max(0, first - 3), min(len(soft), last + 3))
    columns = np.rint((left.column(rows) + right.column(rows)) / 2).astype(np.intp)
    gap = soft[rows, np.clip(columns, 1, soft.shape[1] - 2)]
    darkest = float(gap.max())
    bare = _share(gap, 0.35)
    if darkest <= DARK * pencil or darkest - bare <= STANDS_OUT * pencil:
        return
    dark = gap > max(bare + CLEAR * (darkest - bare), threshold)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], dark.view(np.int8), [0]))))
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if 2 <= end - start <= TALL * (last - first) + 2:
            yield float(rows[start] + rows[end - 1]) / 2
