"""Draws a site's surveys along time: small plots side by side, each value with its interval."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import pairwise

from digitise.report.axes import date_ticks, ticks
from digitise.report.drawing import FAINT, GRID, INK, PAPER, RULE, SEA, Drawing, Item, Line, Shape, Words, box, moved
from digitise.report.paint import shortened, width_of
from digitise.report.plots import legend, mark

MOST_TIMES = 4.0  # an axis ends at so many times the largest value, however far an interval goes


@dataclass(frozen=True, slots=True)
class TimeDot:
    """One survey of a site. `earlier` results were imported, not read from sheets here."""

    day: dt.date
    value: float
    low: float | None = None
    high: float | None = None
    earlier: bool = False


@dataclass(frozen=True, slots=True)
class TimePlot:
    """A site's surveys along time. `unit` stands at the axis."""

    name: str
    title: str
    unit: str
    dots: tuple[TimeDot, ...]
    percent: bool = False


def draw_times(plots: tuple[TimePlot, ...], width: float, keys: tuple[tuple[str, str], ...], *, name: str, title: str):
    """Small plots side by side on one time axis each, sharing their days; one `Drawing`."""
    columns = 1 if width < 500 else min(2, len(plots))
    gap, high = 26.0, 158.0
    wide = (width - gap * (columns - 1)) / columns
    days = sorted({d.day for p in plots for d in p.dots})
    items: list[Item] = []
    for i, plot in enumerate(plots):
        dx, dy = (i % columns) * (wide + gap), (i // columns) * high
        items += [moved(item, dx, dy) for item in _times(plot, days, wide, high - 24)]
    foot = high * (-(-len(plots) // columns))
    below, height = legend(keys, width)
    items += [moved(item, 0, foot) for item in below]
    return Drawing(name, title, width, foot + height, tuple(items))


def _time_top(plot: TimePlot) -> float:
    """The end of a value axis; intervals that go far beyond every value are cut, so that the values can be told apart.

    >>> _time_top(TimePlot("", "", "", (TimeDot(dt.date(2026, 1, 1), 10.0, 1.0, 900.0),)))
    40.0
    """
    value = max((d.value for d in plot.dots), default=0.0)
    high = max((d.high for d in plot.dots if d.high is not None), default=0.0)
    top = min(1.06 * max(value, high), MOST_TIMES * value) if value else 1.06 * high
    return min(top or 1.0, 100.0) if plot.percent else top or 1.0


def cut_short(plots: tuple[TimePlot, ...]) -> bool:
    """Whether an interval goes beyond its axis."""
    return any(d.high is not None and d.high > _time_top(p) for p in plots for d in p.dots)


def _beyond(x: float, y: float) -> list[Item]:
    """The end of an interval that goes on: an arrowhead."""
    return [Shape(((x - 4, y + 6), (x + 4, y + 6), (x, y - 1)), SEA)]


def _times(plot: TimePlot, days: list[dt.date], width: float, height: float) -> list[Item]:
    top = _time_top(plot)
    left, right, head, foot = 34.0, width - 12, 24.0, height - 18
    span = max((days[-1] - days[0]).days, 1)

    def across(day: dt.date) -> float:
        return left + 14 + (right - left - 28) * ((day - days[0]).days / span if len(days) > 1 else 0.5)

    def up(value: float) -> float:
        return foot - (foot - head) * value / top

    title = shortened(plot.title, 11, width - 70, bold=True)
    out: list[Item] = [Words(0, 10, title, 11, INK, bold=True)]
    out.append(Words(width_of(title, 11, bold=True) + 7, 10, plot.unit, 9, FAINT))
    for value in ticks(top, 4):
        y = up(value)
        out += [Line(left, y, right, y, GRID, 1), Words(left - 6, y + 3.4, f"{value:g}", 9.5, FAINT, "end")]
    out.append(Line(left, foot, right, foot, RULE, 0.8))
    marked = date_ticks(days, 5) or [(days[0], days[0].isoformat())]
    if len(marked) == 1 and len(days) > 1:
        marked = [(d, d.isoformat()) for d in (days[0], days[-1])]
    for day, words in marked:
        x = across(day)
        inside = min(x, width - width_of(words, 9.5) / 2)  # the last date is not cut off
        out += [Line(x, foot, x, foot + 3, RULE, 0.8), Words(inside, foot + 14, words, 9.5, FAINT, "middle")]
    dots = sorted(plot.dots, key=lambda d: d.day)
    for a, b in pairwise(dots):
        out.append(Line(across(a.day), up(a.value), across(b.day), up(b.value), RULE, 1))
    for d in dots:
        x = across(d.day)
        if d.low is not None and d.high is not None:
            low, high = up(d.low), up(min(d.high, top))
            out += [Line(x, low, x, high, SEA, 1.8), Line(x - 3.5, low, x + 3.5, low, SEA, 1.5)]
            out += _beyond(x, high) if d.high > top else [Line(x - 3.5, high, x + 3.5, high, SEA, 1.5)]
        y = up(d.value)
        out.append(
            box(x - 3.4, y - 3.4, 6.8, 6.8, fill=PAPER, stroke=FAINT, line_width=1.5)
            if d.earlier
            else mark(x, y, hollow=d.low is None, none=False)
        )
    return out
