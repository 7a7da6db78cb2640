"""How somebody tallies: the strokes of a count, four uprights and a bar across them.

Strokes are (N, 2) polylines of points (x, y) in mm on the page, y down; boxes are [x, y, width, height].
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitise.simulate.drawn_hand import Strokes, hand_line


@dataclass(frozen=True, slots=True)
class TallyManner:
    """How somebody tallies, lengths in mm before any squeezing.

    ``lean`` is the strokes' run to the right per unit of height (positive: tops to the right). ``reach`` is
    the stroke length as a share of the row height. ``bar_slope`` is the share of a stroke's length by which
    the fifth falls (negative: rises) on its way across the four. ``one_row`` squeezes up to a fifth before
    starting a second row; ``small`` writes half-height rows from the first stroke on. ``crowding`` in [0, 1]
    is how readily neighbouring strokes touch. The bar goes ``beyond`` the outer strokes by this range of shares
    of the spacing (negative: it ends before them), ``curve`` is how far strokes bow to the right as a share of their
    length, ``uneven`` a factor on how much their lengths and heights differ. Strokes are drawn ``apart_mm`` from the
    one before along most of their length, so that nobody takes two for one.
    """

    lean: float
    reach: float
    spacing_mm: float
    gap_mm: float
    bar_slope: float
    one_row: bool
    small: bool
    crowding: float
    beyond: tuple[float, float] = (0.35, 0.75)
    curve: float = 0.0
    uneven: float = 1.0
    apart_mm: float = 0.0


def tally_manner(rng: np.random.Generator) -> TallyManner:
    """A tallying manner at random."""
    rises = rng.random() < 0.6
    spacing = float(rng.uniform(1.3, 2.3))
    return TallyManner(
        lean=float(rng.normal(0.08, 0.12)),
        reach=float(rng.uniform(0.62, 0.9)),
        spacing_mm=spacing,
        gap_mm=spacing * float(rng.uniform(1.2, 2.2)),
        bar_slope=float(rng.uniform(0.15, 0.95)) * (-1.0 if rises else 1.0),
        one_row=bool(rng.random() < 0.3),
        small=bool(rng.random() < 0.3),
        crowding=float(rng.beta(1.2, 5.0)),
    )


def unusual_tally_manner(rng: np.random.Generator, *, line_mm: float) -> TallyManner:
    """A manner at random of those that few people have: wide, leaning, level bars, bars that end early or go far.

    Strokes ``line_mm`` wide stand far enough apart to be told apart, but where many are squeezed into a box.
    """
    spacing = max(1.8 * line_mm, float(np.exp(rng.uniform(np.log(1.1), np.log(4.5)))))
    slopes = (rng.normal(0, 0.08), rng.uniform(0.08, 1.1), -rng.uniform(0.08, 1.1))
    least = -0.3 if rng.random() < 0.1 else float(rng.uniform(0.0, 0.45))
    return TallyManner(
        lean=float(np.clip(rng.normal(0.05, 0.2), -0.45, 0.45)),
        reach=float(rng.uniform(0.45, 0.96)),
        spacing_mm=spacing,
        gap_mm=spacing * float(rng.uniform(1.1, 2.4)),
        bar_slope=float(rng.choice(slopes)),
        one_row=bool(rng.random() < 0.5),
        small=bool(rng.random() < 0.15),
        crowding=float(rng.beta(1.2, 5.0)) if spacing > 2.2 * line_mm else 0.0,
        beyond=(least, least + float(rng.uniform(0.05, 0.6))),
        curve=float(rng.normal(0, 0.1)) if rng.random() < 0.4 else 0.0,
        uneven=float(rng.uniform(0.5, 2.5)),
        apart_mm=1.4 * line_mm,
    )


_MARGIN_MM, _LEAST_ROW_MM, _LEAST_SPACING_MM, _LEAST_GAP_MM = 0.8, 3.2, 0.95, 1.3


def most_tally(box_mm: Sequence[float]) -> int:
    """The highest count that `tally_strokes` fits into a box in any manner."""
    _x, _y, width, height = box_mm
    pitch = 3 * _LEAST_SPACING_MM + _LEAST_GAP_MM
    return 5 * _groups_in_row(width, pitch, _LEAST_GAP_MM) * max(1, int(height / _LEAST_ROW_MM))


def tally_strokes(
    count: int,
    box_mm: Sequence[float],
    *,
    rng: np.random.Generator,
    manner: TallyManner,
    sloppiness: float = 0.3,
) -> Strokes:
    """The ``count`` strokes of a tally in a box [x, y, width, height] in mm, in the order of writing.

    Four near-vertical strokes, the fifth struck across them, then a gap. A new row starts when one is full;
    rows and spacing shrink as far as they must. Raises `ValueError` above `most_tally`.
    """
    x, y, _width, height = box_mm
    rows, per_row, spacing, gap = _tally_plan(count, box_mm, manner)
    row_mm = height / rows
    used = min(per_row, -(-count // 5)) * (3 * spacing + gap)
    start = x + _MARGIN_MM + rng.uniform(0, 0.6) + rng.beta(1, 3) * max(0.0, min(6.0, box_mm[2] - 2 - used))
    strokes: list[np.ndarray] = []
    for group in range(-(-count // 5)):
        row, place = divmod(group, per_row)
        if place == 0:
            pen = start + abs(manner.lean) * row_mm * 0.25
        top = y + row * row_mm + row_mm * (1 - manner.reach) * rng.uniform(0.35, 0.65)
        size = min(5, count - 5 * group)
        strokes += _tally_group(size, (pen, top), row_mm * manner.reach, spacing, rng, manner, sloppiness)
        pen += 3 * spacing + gap * rng.uniform(0.88, 1.12)
    return tuple(strokes)


def _groups_in_row(width: float, pitch: float, gap: float) -> int:
    return int((width - 2 * _MARGIN_MM + 0.5 * gap) / pitch)


def _tally_plan(count: int, box_mm: Sequence[float], manner: TallyManner) -> tuple[int, int, float, float]:
    """Number of rows, groups to a full row, spacing and gap in mm: the writer's own, or squeezed to fit."""
    _x, _y, width, height = box_mm
    groups, most_rows = -(-count // 5), max(1, int(height / _LEAST_ROW_MM))
    fewest_rows = 2 if manner.small and height > 2.5 * _LEAST_ROW_MM else 1
    for squeeze in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.25, 0.0):
        spacing = max(_LEAST_SPACING_MM, squeeze * manner.spacing_mm)
        gap = max(_LEAST_GAP_MM, squeeze * manner.gap_mm)
        rows_allowed = 1 if manner.one_row and squeeze >= 0.8 else most_rows
        for rows in range(fewest_rows, max(fewest_rows, rows_allowed) + 1):
            per_row = _groups_in_row(width, 3 * spacing + gap, gap)
            if per_row * rows >= groups:
                return rows, per_row, spacing, gap
    raise ValueError(f"a tally of {count} does not fit a box {width:.1f} by {height:.1f} mm")


def _tally_group(
    size: int,
    corner: tuple[float, float],
    length: float,
    spacing: float,
    rng: np.random.Generator,
    manner: TallyManner,
    sloppiness: float,
) -> list[np.ndarray]:
    """Up to four uprights from the pen's place (x of the first one's middle, y of the tops), and the bar."""
    wild = 0.35 + sloppiness
    uprights, middles = [], []
    for _ in range(min(size, 4)):
        along = spacing * (1 - 0.45 * manner.crowding * (rng.random() < manner.crowding))
        step = max(along * rng.normal(1, 0.14 * wild), 0.62 * spacing)
        middle = middles[-1] + step if middles else corner[0]
        middles.append(middle)
        uneven = manner.uneven * wild
        mine = length * float(np.clip(rng.normal(1, 0.1 * uneven), 0.6, 1.25))
        lean = manner.lean + rng.normal(0, 0.035 * wild)
        top = corner[1] + rng.normal(0, 0.05 * uneven) * length
        ends = np.array([[middle + lean * mine / 2, top], [middle - lean * mine / 2, top + mine]])
        line = _curved(hand_line(ends, rng, bow=0.035 * wild), manner.curve)
        if uprights and manner.apart_mm:
            aside = _too_near(line, uprights[-1], min(manner.apart_mm, 0.8 * spacing))
            line[:, 0] += aside
            middles[-1] += aside
        uprights.append(line)
    if size < 5:
        return uprights
    return [*uprights, _bar(middles, corner[1], length, spacing, rng, manner)]


def _too_near(line: np.ndarray, before: np.ndarray, least: float) -> float:
    """How far to the right a stroke must go to stand `least` from the one before along seven tenths of its height."""
    top, bottom = max(line[:, 1].min(), before[:, 1].min()), min(line[:, 1].max(), before[:, 1].max())
    heights = np.linspace(top, bottom, 11)
    mine, other = (np.interp(heights, *one[np.argsort(one[:, 1])].T[::-1]) for one in (line, before))
    return max(0.0, least - float(np.quantile(mine - other, 0.3)))


def _curved(line: np.ndarray, curve: float) -> np.ndarray:
    """A line (N, 2) bowed to the right by the share ``curve`` of its height, ends where they were."""
    if curve == 0:
        return line
    t = np.linspace(0, 1, len(line))
    bow = 4 * t * (1 - t) * curve * (line[-1, 1] - line[0, 1])
    return (line + np.stack([bow, np.zeros(len(line))], axis=1)).astype(line.dtype)


def _bar(
    middles: list[float],
    top: float,
    length: float,
    spacing: float,
    rng: np.random.Generator,
    manner: TallyManner,
) -> np.ndarray:
    """The fifth stroke: across all four uprights and a little beyond, at the writer's slope more or less."""
    beyond = spacing * rng.uniform(*manner.beyond, 2)
    left, right = middles[0] - beyond[0], middles[-1] + beyond[1]
    steepest = min(1.05 * length, 1.2 * (right - left))
    fall = float(np.clip(length * manner.bar_slope * rng.normal(1, 0.2), -steepest, steepest))
    centre = top + length * rng.normal(0.5, 0.06)
    lean = manner.lean * fall / 2
    ends = np.array([[left + lean, centre - fall / 2], [right - lean, centre + fall / 2]])
    if rng.random() < 0.15:
        ends = ends[::-1]
    return hand_line(ends, rng, bow=0.03)
