"""Rules about when, how deep and where."""

from __future__ import annotations

import datetime
from collections.abc import Iterator

from digitise.completeness.case import Case, Fault, refs
from digitise.sheets.protocol import is_known
from digitise.store import CellNow
from digitise.surveys.places import Place, distance_m, on_earth
from digitise.surveys.plan import SitePlan
from digitise.surveys.survey import Transect
from digitise.wording import listed, thousands

HALF_A_DAY = 720  # minutes


def _minutes(clock: object) -> int | None:
    try:
        hours, minutes = str(clock).split(":")
        return 60 * int(hours) + int(minutes)
    except ValueError:
        return None


def _entered(transect: Transect, name: str) -> dict[str, CellNow]:
    """The line's entered fields with this id, by sheet."""
    cells = ((i.partition("/"), c) for i, c in transect.fields.items() if c.state == "entered")
    return {sheet: c for (sheet, _, own), c in cells if own == name and is_known(name, c.kind)}


def wait(case: Case) -> Iterator[Fault]:
    """Counts that started too soon after the line was laid."""
    limit = case.rules["wait"].limit
    for transect in case.survey.transects:
        started, lines = _entered(transect, "start"), _entered(transect, "laid")
        for name, start in started.items():
            if (laid := lines.get(name)) is None:
                continue
            began, down = _minutes(start.value), _minutes(laid.value)
            if began is None or down is None:
                continue
            if began - down < -HALF_A_DAY:  # laid before midnight, counted after
                began += 2 * HALF_A_DAY
            if began - down >= limit:
                continue
            if began < down:
                text = f"started {start.value}, before the line was laid at {laid.value}"
            else:
                text = f"started {start.value}, {began - down} minutes after the line was laid at {laid.value}"
            yield Fault(case.place(start), text, refs(start, laid))


def depths(case: Case) -> Iterator[Fault]:
    """Depths of one line that differ too much."""
    limit = case.rules["depths"].limit
    for transect in case.survey.transects:
        cells = list(_entered(transect, "depth").values())
        if len(cells) > 1:
            low, high = min(cells, key=lambda c: c.value), max(cells, key=lambda c: c.value)
            if high.value - low.value > limit + 1e-9:
                names = [case.survey.protocol.sheets[c.cell.split("/")[0]].title for c in (low, high)]
                text = f"{low.value:g} m on {names[0]}, {high.value:g} m on {names[1]}"
                yield Fault(f"T{transect.number}, {high.label}", text, refs(low, high))


def depth_range(case: Case) -> Iterator[Fault]:
    """Depths outside what the plan says of the site."""
    if case.site is None or case.site.depth_m is None:
        return
    least, most = case.site.depth_m
    for cell in case.fields("depth"):
        if not least <= cell.value <= most:
            yield Fault(case.place(cell), f"{cell.value:g} m, at a site of {least:g} to {most:g} m", refs(cell))


def _position(case: Case, site: SitePlan) -> tuple[tuple[float, float] | None, tuple[CellNow, ...]]:
    """Latitude and longitude in degrees (negative south and west) and their cells; None while any is not entered.

    On a sheet without a cell for the hemisphere it is taken to be the site's.
    """
    degrees, cells = [], []
    for name, hemisphere in (("latitude", "north-south"), ("longitude", "east-west")):
        number = case.field(name)
        if number is None:
            return None, ()
        cells.append(number)
        sign = -1 if getattr(site, name) < 0 else 1
        if signs := case.survey.protocol.signs(hemisphere):
            letter = case.field(hemisphere)
            if letter is None or letter.value not in signs:
                return None, ()
            cells.append(letter)
            sign = signs[letter.value]
        degrees.append(sign * number.value)
    return (degrees[0], degrees[1]), tuple(cells)


def inside_radius(case: Case) -> Iterator[Fault]:
    """A position outside the site's radius."""
    site = case.site
    if site is None or site.radius_m is None:
        return
    place, cells = _position(case, site)
    if place is None:
        return
    if not on_earth(*place):
        text = f"latitude {place[0]:g}, longitude {place[1]:g}: at most 90 and 180 degrees are possible"
        yield Fault(case.place(cells[0]), text, refs(*cells))
        return
    away = distance_m(Place(*place), Place(site.latitude, site.longitude))
    if away > site.radius_m:
        shown = f"{thousands(round(away))} m" if away < 10_000 else f"{thousands(round(away / 1000))} km"
        text = f"{shown} from {site.name}, whose radius is {site.radius_m:g} m"
        yield Fault(case.place(cells[0]), text, refs(*cells))


def _day(cell: CellNow) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(str(cell.value))
    except ValueError:
        return None


def future(case: Case) -> Iterator[Fault]:
    """Dates that have not come yet."""
    for cell in (c for c in case.survey.cells if c.kind == "date" and c.state == "entered"):
        day = _day(cell)
        if day is not None and day > case.today:
            yield Fault(case.place(cell), f"{day} lies after today, {case.today}", refs(cell))


def dates(case: Case) -> Iterator[Fault]:
    """Sheets with different dates."""
    cells = case.fields("date")
    days = sorted({str(c.value) for c in cells})
    if len(days) > 1:
        yield Fault(case.place(cells[0]), f"found {listed(days)}", refs(*cells))


def planned(case: Case) -> Iterator[Fault]:
    """Another date or site than the pack was printed for."""
    if case.planned is None:
        return
    cell = case.field("date")
    if cell is not None and case.planned.date is not None and str(cell.value) != case.planned.date.isoformat():
        yield Fault(case.place(cell), f"{cell.value}, planned for {case.planned.date}", refs(cell))
    named, wanted = case.site, case.plan.site(case.planned.site)
    cell = case.field("site")
    if cell is not None and named is not None and named.code != wanted.code:
        yield Fault(case.place(cell), f"{named.name}, planned for {wanted.name}", refs(cell))
