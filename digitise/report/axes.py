"""Ticks at round numbers, on a plain axis, a square-root axis and along time."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence


def ticks(top: float, most: int) -> list[float]:
    """Round numbers from 0 to at most `top`, `most` steps or fewer."""
    raw = top / max(1, most)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(s * size for s in (1, 2, 2.5, 5, 10) if s * size >= raw * (1 - 1e-9))
    return [round(i * step, 10) for i in range(int(top / step + 1e-9) + 1)]


def root_ticks(top: float, most: int) -> list[float]:
    """Round numbers about evenly spaced on a square-root axis."""
    out = [0.0]
    for value in (s * 10.0**e for e in range(-1, 6) for s in (1, 2, 5)):
        if value <= top and value**0.5 - out[-1] ** 0.5 >= 0.9 * top**0.5 / most:
            out.append(value)
    return out


def date_ticks(days: Sequence[dt.date], most: int) -> list[tuple[dt.date, str]]:
    """First days of years or months that lie within the span of `days`, with their words."""
    first, last = min(days), max(days)
    if (last - first).days > 500:
        every = max(1, math.ceil((last.year - first.year + 1) / most))
        years = [y for y in range(first.year, last.year + 2) if y % every == 0]
        return [(dt.date(y, 1, 1), str(y)) for y in years if first <= dt.date(y, 1, 1) <= last]
    months = [(first.year * 12 + first.month - 1 + i) for i in range((last - first).days // 28 + 3)]
    every = max(1, math.ceil(len(months) / most))
    found = [dt.date(m // 12, m % 12 + 1, 1) for m in months[::every]]
    return [(d, f"{d:%b %Y}") for d in found if first <= d <= last]
