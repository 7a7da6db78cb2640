"""A map of the sites from their coordinates alone: graticule, scale bar, north arrow; no coast.

An equirectangular projection about the sites' middle latitude: true to scale there, and within a few tenths of a per
cent over a reserve. Names are set where they cover neither a dot nor each other, or left to the list beside the map.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from digitise.report.drawing import FAINT, GRID, INK, PAPER, RULE, SEA, Dot, Drawing, Item, Line, Shape, Words, box
from digitise.report.paint import shortened, width_of
from digitise.surveys.places import EARTH_RADIUS_M, Place, bounds

LEAST_M = 2000.0  # a map shows at least so much from side to side
_STEPS = (
    1 / 3600,
    2 / 3600,
    5 / 3600,
    10 / 3600,
    20 / 3600,
    30 / 3600,
    1 / 60,
    2 / 60,
    5 / 60,
    10 / 60,
    20 / 60,
    30 / 60,
)
_STEPS = (*_STEPS, 1, 2, 5, 10, 20, 30)


@dataclass(frozen=True, slots=True)
class MapSite:
    """A dot with its name."""

    name: str
    place: Place


@dataclass(frozen=True, slots=True)
class _View:
    """Degrees to points: the frame's corner and size in points, its west and north edge, points a degree each way."""

    x: float
    y: float
    width: float
    height: float
    west: float
    north: float
    per_degree_x: float
    per_degree_y: float

    def at(self, longitude: float, latitude: float) -> tuple[float, float]:
        east = (longitude - self.west) % 360
        return self.x + east * self.per_degree_x, self.y + (self.north - latitude) * self.per_degree_y


def draw_map(sites: Sequence[MapSite], width: float) -> Drawing:
    """The map, `width` points wide with its labels; one site or more."""
    height = min(max(0.42 * width, 230.0), 300.0)
    view = _view([s.place for s in sites], width, height)
    items: list[Item] = [box(view.x, view.y, view.width, view.height, fill="#eef6fa")]
    items += _graticule(view)
    items.append(box(view.x, view.y, view.width, view.height, stroke=RULE, line_width=0.9))
    items += _names(sites, view)
    for site in sites:
        x, y = view.at(site.place.longitude, site.place.latitude)
        items.append(Dot(x, y, 4.4, SEA, PAPER, 1.4))
    items += [*_scale_bar(view), *_north(view)]
    title = f"Map of {len(sites)} site{'s' if len(sites) > 1 else ''}: " + ", ".join(s.name for s in sites[:8])
    return Drawing("map", title, width, height, tuple(items))


def _view(places: Sequence[Place], width: float, height: float) -> _View:
    west, south, east, north = bounds(places)
    middle_x, middle_y = west + ((east - west) % 360) / 2, (north + south) / 2
    shrink = max(math.cos(math.radians(middle_y)), 0.02)
    metre = 360 / (2 * math.pi * EARTH_RADIUS_M)  # degrees of latitude
    left, top, wide, high = 52.0, 6.0, width - 60, height - 28
    span_x = max(((east - west) % 360) * shrink * 1.5, LEAST_M * metre)
    span_y = max((north - south) * 1.6, LEAST_M * metre * high / wide)
    scale = min(wide / span_x, high / span_y)  # points a degree of latitude
    per_x = scale * shrink
    return _View(left, top, wide, high, middle_x - wide / 2 / per_x, middle_y + high / 2 / scale, per_x, scale)


def _graticule(view: _View) -> list[Item]:
    out: list[Item] = []
    step = next((s for s in _STEPS if s * view.per_degree_x >= 92), 30)
    first = math.ceil(view.west / step)
    while (x := view.x + (first * step - view.west) * view.per_degree_x) < view.x + view.width - 1:
        longitude = (first * step + 180) % 360 - 180
        words = _degrees(longitude, "EW", step)
        out.append(Line(x, view.y, x, view.y + view.height, GRID, 1))
        if x + width_of(words, 9) / 2 < view.x + view.width + 8:
            out.append(Words(x, view.y + view.height + 14, words, 9, FAINT, "middle"))
        first += 1
    step = next((s for s in _STEPS if s * view.per_degree_y >= 56), 30)
    south = view.north - view.height / view.per_degree_y
    for i in range(math.ceil(south / step), math.floor(view.north / step) + 1):
        y = view.y + (view.north - i * step) * view.per_degree_y
        if view.y + 5 < y < view.y + view.height - 5:
            out.append(Line(view.x, y, view.x + view.width, y, GRID, 1))
            out.append(Words(view.x - 5, y + 3, _degrees(i * step, "NS", step), 9, FAINT, "end"))
    return out


def _degrees(value: float, letters: str, step: float) -> str:
    """ "5°30.2′N": as fine as the lines are apart."""
    letter = letters[0] if value >= 0 else letters[1]
    seconds = round(abs(value) * 3600)
    degrees, rest = divmod(seconds, 3600)
    minutes, seconds = divmod(rest, 60)
    if step >= 1:
        return f"{degrees}°{letter}"
    if step >= 1 / 60 - 1e-9:
        return f"{degrees}°{minutes:02d}′{letter}"
    return f"{degrees}°{minutes:02d}′{seconds:02d}″{letter}"


def _names(sites: Sequence[MapSite], view: _View) -> list[Item]:
    """Names beside their dots, right, left, above or below, where there is room."""
    dots = [view.at(s.place.longitude, s.place.latitude) for s in sites]
    taken = [(x - 6, y - 6, x + 6, y + 6) for x, y in dots]
    taken.append((view.x + view.width - 34, view.y, view.x + view.width, view.y + 44))  # the north arrow
    taken.append((view.x, view.y + view.height - 26, view.x + 150, view.y + view.height))  # the scale bar
    out: list[Item] = []
    for site, (x, y) in zip(sites, dots, strict=True):
        text = shortened(site.name, 10, 150)
        wide = width_of(text, 10, bold=True)
        choices = ((x + 9, y + 3.5), (x - 9 - wide, y + 3.5), (x - wide / 2, y - 9), (x - wide / 2, y + 17))
        for left, base in choices:
            spot = (left - 2, base - 9, left + wide + 2, base + 3)
            inside = spot[0] > view.x and spot[2] < view.x + view.width and spot[1] > view.y + 2
            if inside and spot[3] < view.y + view.height and not any(_overlap(spot, t) for t in taken):
                taken.append(spot)
                out.append(Words(left, base, text, 10, INK, bold=True))
                break
    return out


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _scale_bar(view: _View) -> list[Item]:
    metres = view.per_degree_y * 360 / (2 * math.pi * EARTH_RADIUS_M)  # points a metre
    length = max(s * 10**e for e in range(7) for s in (1, 2, 5) if s * 10**e * metres <= 120 or (s, e) == (1, 0))
    words = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    x, y, end = view.x + 10, view.y + view.height - 10, view.x + 10 + length * metres
    return [
        Line(x, y, end, y, INK, 1.6),
        Line(x, y - 4, x, y + 0.8, INK, 1.2),
        Line(end, y - 4, end, y + 0.8, INK, 1.2),
        Words((x + end) / 2, y - 4, words, 9, INK, "middle"),
    ]


def _north(view: _View) -> list[Item]:
    x, y = view.x + view.width - 17, view.y + 12
    return [
        Shape(((x, y), (x + 5, y + 15), (x, y + 11.5), (x - 5, y + 15)), fill=INK),
        Words(x, y + 26, "N", 9.5, INK, "middle", bold=True),
    ]
