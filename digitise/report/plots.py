"""Dot-and-interval plots: one row a category, or one dot a survey along time.

A filled dot and a line with caps are the mean and its interval, open circles single transects, a pale dashed band what
missing points could do, a dotted line a one-sided limit. Shape and line style carry the meaning; colour only helps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from digitise.report.axes import root_ticks, ticks
from digitise.report.drawing import (
    BAND,
    BAND_EDGE,
    FAINT,
    GRID,
    INK,
    PAPER,
    RULE,
    SEA,
    Dot,
    Drawing,
    Item,
    Line,
    Shape,
    Words,
    box,
    diamond,
    moved,
)
from digitise.report.paint import shortened, width_of, wrapped

SQUARE_ROOT_FROM = 8.0  # end of the longest interval over the median beyond which the axis is a square root
WIDE, NARROW = 700.0, 350.0
ROW, SIZE = 23.0, 11.0


@dataclass(frozen=True, slots=True)
class PlotRow:
    """One row. `value` None draws `text` alone; `bounds` is the pale band; `one_sided` a limit for none seen."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    singles: tuple[float, ...] = ()
    bounds: tuple[float, float] | None = None
    one_sided: bool = False
    bold: bool = False
    text: str = ""

    @property
    def alone(self) -> bool:
        """One transect and no interval: drawn hollow."""
        return self.value is not None and self.low is None and len(self.singles) <= 1


@dataclass(frozen=True, slots=True)
class Plot:
    """Rows with an axis. `gap_after` is the number of rows before a gap, 0 for none. Percentages end at 100.

    `keys` are (key, words) for the legend; keys are those of `KEYS`, or empty for words alone.
    """

    name: str
    title: str
    axis: str
    rows: tuple[PlotRow, ...]
    gap_after: int = 0
    percent: bool = False
    keys: tuple[tuple[str, str], ...] = ()


def is_square_root(plot: Plot) -> bool:
    """Whether the axis is a square root: one row, or its interval, would press the others against zero."""
    values = sorted(r.value for r in plot.rows if r.value)
    return not plot.percent and len(values) > 2 and _top(plot) > SQUARE_ROOT_FROM * values[len(values) // 2]


def _top(plot: Plot) -> float:
    ends = [v for r in plot.rows for v in (r.value, r.high, *r.singles, *(r.bounds or ())) if v is not None]
    top = 1.04 * max(ends, default=1.0) or 1.0
    return min(top, 100.0) if plot.percent else top


def draw(plot: Plot, width: float = WIDE) -> Drawing:
    """The plot with its legend below. Values are written out at the right where `width` leaves room for them."""
    narrow = width < 500
    longest = max(width_of(r.label, SIZE, bold=r.bold) for r in plot.rows)
    left = min(longest + 14, 0.4 * width)
    written = 0.0 if narrow else max(width_of(r.text, SIZE, bold=r.bold) for r in plot.rows) + 14
    right = width - max(written, 16.0)
    places = [
        8 + ROW * (i + 0.5 + (0.5 if plot.gap_after and i >= plot.gap_after else 0)) for i in range(len(plot.rows))
    ]
    foot = places[-1] + ROW * 0.5 + 4
    scale = _Scale(_top(plot), left, right, root=is_square_root(plot))
    items = _frame(plot, scale, foot, most=4 if narrow else 8)
    for row, y in zip(plot.rows, places, strict=True):
        items.append(
            Words(left - 8, y + 4, shortened(row.label, SIZE, left - 10, bold=row.bold), SIZE, INK, "end", row.bold)
        )
        items += _row(row, scale, y)
        if row.text and (not narrow or row.value is None):
            x = right + 10 if not narrow else left + 4
            items.append(Words(x, y + 4, row.text, SIZE, INK if row.value is not None else FAINT, bold=row.bold))
    keys, height = legend(plot.keys, width)
    items += [moved(k, 0, foot + 42) for k in keys]
    return Drawing(plot.name, plot.title, width, foot + 42 + height, tuple(items))


@dataclass(frozen=True, slots=True)
class _Scale:
    top: float
    left: float
    right: float
    root: bool

    def __call__(self, value: float) -> float:
        share = max(0.0, value) / self.top
        return self.left + (self.right - self.left) * (share**0.5 if self.root else share)


def _frame(plot: Plot, scale: _Scale, foot: float, *, most: int) -> list[Item]:
    out: list[Item] = []
    for value in root_ticks(scale.top, most) if scale.root else ticks(scale.top, most):
        x = scale(value)
        out += [Line(x, 4, x, foot, GRID, 1), Words(x, foot + 14, f"{value:g}", 10, FAINT, "middle")]
    out.append(Line(scale.left, foot, scale.right, foot, RULE, 0.8))
    middle = (scale.left + scale.right) / 2
    half = width_of(plot.axis, 10) / 2
    out.append(Words(max(half, middle), foot + 29, plot.axis, 10, FAINT, "middle"))
    return out


def _row(row: PlotRow, scale: _Scale, y: float) -> list[Item]:
    out: list[Item] = []
    if row.bounds is not None:
        a, b = (scale(v) for v in row.bounds)
        out.append(box(a, y - 7, b - a, 14, fill=BAND, stroke=BAND_EDGE, line_width=0.7, dash=(3, 2)))
    if row.low is not None and row.high is not None:
        out += _limit(scale(row.high), y, scale(0)) if row.one_sided else _interval(scale(row.low), scale(row.high), y)
    if len(row.singles) > 1:
        out += [Dot(scale(v), y + 6.2, 2.1, PAPER, FAINT, 1) for v in row.singles]
    if row.value is not None:
        out.append(mark(scale(row.value), y, hollow=row.alone, none=row.one_sided))
    return out


def _interval(a: float, b: float, y: float) -> list[Item]:
    return [Line(a, y, b, y, SEA, 2), *(Line(x, y - 4, x, y + 4, SEA, 1.6) for x in (a, b))]


def _limit(x: float, y: float, zero: float) -> list[Item]:
    return [Line(zero, y, x, y, FAINT, 1.4, (1.4, 2)), Line(x, y - 4, x, y + 4, FAINT, 1.4)]


def mark(x: float, y: float, *, hollow: bool, none: bool) -> Item:
    """A value: filled with an interval, hollow without one, a diamond where none were seen."""
    if none:
        return diamond(x, y, 4.2, fill=PAPER, stroke=FAINT, line_width=1.4)
    return Dot(x, y, 3.6, PAPER if hollow else SEA, SEA, 1.6)


# Legend

KEYS: dict[str, tuple[Item, ...]] = {
    "site": (Dot(15, 0, 3.6, SEA, SEA, 1.6),),
    "interval": tuple(_interval(3, 27, 0)),
    "single": (Dot(10, 0, 2.1, PAPER, FAINT, 1), Dot(20, 0, 2.1, PAPER, FAINT, 1)),
    "alone": (Dot(15, 0, 3.6, PAPER, SEA, 1.6),),
    "band": (box(3, -5, 24, 10, fill=BAND, stroke=BAND_EDGE, line_width=0.7, dash=(3, 2)),),
    "none": (*_limit(27, 0, 5), diamond(6, 0, 4.2, fill=PAPER, stroke=FAINT, line_width=1.4)),
    "together": (Line(3, 0, 27, 0, RULE, 1.2, (2, 2)),),
    "beyond": (Line(3, 0, 22, 0, SEA, 2), Shape(((20, -4), (20, 4), (27, 0)), SEA)),
    "earlier": (box(11.6, -3.4, 6.8, 6.8, fill=PAPER, stroke=FAINT, line_width=1.5),),
}


def legend(
    keys: tuple[tuple[str, str], ...], width: float, *, icons: Mapping[str, tuple[Item, ...]] = KEYS
) -> tuple[list[Item], float]:
    """(items, height): keys with their words in rows, wrapped at `width`; `icons` has the marks of each key."""
    out: list[Item] = []
    x, y, step = 0.0, 8.0, 15.0
    for key, words in keys:
        icon = 34.0 if key else 0.0
        lines = wrapped(words, 9.5, width - icon) if words else []
        wide = icon + max((width_of(line, 9.5) for line in lines), default=0.0)
        if x and x + wide > width:
            x, y = 0.0, y + step
        out += [moved(item, x, y - 3.2) for item in icons.get(key, ())]
        for i, line in enumerate(lines):
            out.append(Words(x + icon, y + 12 * i, line, 9.5, FAINT))
        if len(lines) > 1:
            x, y = 0.0, y + 12 * (len(lines) - 1) + step
        else:
            x += wide + 18
    if not x and keys:
        y -= step
    return out, y + 6 if keys else 0.0


# Changes


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A change with its limits, and those that hold for all rows together; `text` is written at the right.

    Without a value, the name of what the rows below are of.
    """

    label: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    together: tuple[float, float] | None = None
    text: str = ""


def draw_changes(
    rows: tuple[ChangeRow, ...], width: float, keys: tuple[tuple[str, str], ...], *, title: str
) -> Drawing:
    """Changes around a line at no change, symmetric, so that gains and losses are seen alike."""
    narrow = width < 500
    left = min(max(width_of(r.label, SIZE, bold=r.value is None) for r in rows) + 14, 0.42 * width)
    written = 0.0 if narrow else max(width_of(r.text, SIZE) for r in rows) + 14
    right = width - max(written, 14.0)
    ends = [abs(v) for r in rows for v in (r.value, r.low, r.high, *(r.together or ())) if v is not None]
    scale = _Around(min(100.0, 1.04 * max(ends, default=1.0)) or 1.0, left, right)
    foot = 8 + ROW * len(rows) + 4
    items = _frame_around(scale, foot, most=2 if narrow else 4)
    for i, row in enumerate(rows):
        y, bold = 8 + ROW * (i + 0.5), row.value is None
        items.append(Words(left - 8, y + 4, shortened(row.label, SIZE, left - 10, bold=bold), SIZE, INK, "end", bold))
        items += _change(row, scale, y)
        if row.value is not None and not narrow:
            items.append(Words(right + 10, y + 4, row.text, SIZE, INK))
    below, height = legend(keys, width)
    items += [moved(k, 0, foot + 42) for k in below]
    return Drawing("changes", title, width, foot + 42 + height, tuple(items))


@dataclass(frozen=True, slots=True)
class _Around:
    """An axis with no change in its middle, to `top` on both sides."""

    top: float
    left: float
    right: float

    @property
    def middle(self) -> float:
        return (self.left + self.right) / 2

    def __call__(self, value: float) -> float:
        return self.middle + (self.right - self.left) / 2 * max(-1.0, min(1.0, value / self.top))


def _frame_around(scale: _Around, foot: float, *, most: int) -> list[Item]:
    out: list[Item] = []
    for value in sorted({s * v for v in ticks(scale.top, most) for s in (-1, 1)}):
        x, color = scale(value), RULE if value == 0 else GRID
        out.append(Line(x, 4, x, foot, color, 1.4 if value == 0 else 1))
        out.append(Words(x, foot + 14, "0" if value == 0 else f"{value:+g}", 10, FAINT, "middle"))
    out.append(Words(scale.middle, foot + 29, "change, points of cover", 10, FAINT, "middle"))
    return out


def _change(row: ChangeRow, scale: _Around, y: float) -> list[Item]:
    """A change with both pairs of its limits; nothing where the row is the name of those below."""
    out: list[Item] = []
    if row.value is None:
        return out
    if row.together is not None:
        a, b = (scale(v) for v in row.together)
        out.append(Line(a, y, b, y, RULE, 1.2, (2, 2)))
    if row.low is not None and row.high is not None:
        out += _interval(scale(row.low), scale(row.high), y)
    out.append(mark(scale(row.value), y, hollow=row.low is None, none=False))
    return out
