"""The parts about all surveys together: what was surveyed and where, side by side, and along time."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

from digitise.earlier import EarlierResult
from digitise.report.blocks import Block, Bullets, Cell, Figure, Heading, Notice, Paragraph, Part, Table, Text
from digitise.report.plots import NARROW, WIDE, Plot, PlotRow
from digitise.report.short_part import impacts_table
from digitise.report.site_map import MapSite, draw_map
from digitise.report.survey_part import COVER_AXIS, cover_row, figure, with_keys
from digitise.report.time_plots import TimeDot, TimePlot, cut_short, draw_times
from digitise.report.together import Together, Visit
from digitise.report.words import surveys_of_sites
from digitise.results import SurveyResults
from digitise.surveys.roster import nearly, site_key
from digitise.wording import listed, plural

MOST_COVERS, MOST_DENSITIES = 6, 4  # drawn along time for one site: groups first; the commonest animals
MOST_ROWS = 36  # of a comparison in one figure
MOST_COMPARED = 200  # sites whose names are compared with each other


def where_part(told: Together) -> Part:
    """What was surveyed: a map, and one row a survey."""
    visits = told.visits
    blocks: list[Block] = [Heading(1, "What was surveyed", "surveyed")]
    blocks.append(Paragraph(_what(visits), "lead"))
    blocks += (
        [Notice("open", "Nearly the same name", words)] if (words := _alike([v.site for v in visits if v.site])) else []
    )
    sites = list(dict.fromkeys(MapSite(v.name, v.place) for v in visits if v.place))
    sites = list({site_key(s.name): s for s in sites}.values())
    if sites:
        head = ("site", "latitude", "longitude")
        data = (head, *((s.name, s.place.latitude, s.place.longitude) for s in sites))
        caption = (
            "Sites by the coordinates on their site sheets; coast and depth were not surveyed and are not drawn. "
            "Equirectangular projection, true to scale at the middle latitude."
        )
        blocks.append(Figure(draw_map(sites, WIDE), draw_map(sites, NARROW), caption, data))
    off = [f"{v.name}, {v.day}: {v.why_no_place}" for v in visits if v.place is None]
    if off:
        blocks += [Paragraph("Not on the map, because the position is not known:", "small"), Bullets(tuple(off))]
    blocks.append(_surveys_table(visits, f"{100 * told.level:g} %"))
    return Part(tuple(blocks), "surveyed")


def _what(visits: Sequence[Visit]) -> str:
    days = sorted(v.date for v in visits if v.date)
    when = "" if not days else f" on {days[0]}" if days[0] == days[-1] else f" from {days[0]} to {days[-1]}"
    return (
        f"{surveys_of_sites([v.site for v in visits])}{when}; "
        f"{plural(sum(v.transects for v in visits), 'transect')} in all. "
        "The sampling unit is the transect: the intervals of a site are about differences between its transects."
    )


def _alike(names: Sequence[str]) -> str:
    """Which names of sites are nearly the same, in a sentence; empty where none are, and where they are too many."""
    sites = list({site_key(name): name for name in names}.values())
    pairs = combinations(sites, 2) if len(sites) <= MOST_COMPARED else ()
    found = [f"{a} and {b}" for a, b in pairs if nearly(a, b)]
    if not found:
        return ""
    return (
        f"{'; '.join(found)} are counted as different sites here. If they are one, correct the name on its site sheet."
    )


def _surveys_table(visits: Sequence[Visit], level: str) -> Table:
    headlines = list(dict.fromkeys(label for v in visits for label, _ in v.covers))[:3]
    head = ("Site", "Date", "Transects", *(f"{h}, %" for h in headlines), "Unread cells")
    rows = []
    for v in visits:
        covers = dict(v.covers)
        of = f"{v.unread} of {v.cells}"
        cells: list[Cell] = [v.name, v.day, str(v.transects), *(covers.get(name, "–") for name in headlines)]
        rows.append(("", (*cells, Text(of, "not") if v.unread else of)))
    told = f", with headline covers and their {level} intervals between transects" if headlines else ""
    return Table(head, tuple(rows), f"Surveys{told}.", words=(0, 1))


def comparison_part(newest: Sequence[SurveyResults], *, surveys: int) -> Part | None:
    """Headline covers of several surveys side by side: the `newest` of each site, of so many `surveys`."""
    headlines = list(dict.fromkeys(g.label for r in newest for line in r.lines for g in line.groups))
    if len(newest) < 2 or not headlines:
        return None
    lead = (
        "Overlapping intervals are no test of change: sites differ, and lines laid anew differ too. Compare "
        "surveys made in one season, with equal lines and equal waits."
    )
    if len(newest) < surveys:
        lead = f"The newest survey of each site. {lead}"
    blocks: list[Block] = [Heading(1, "Side by side", "side-by-side"), Paragraph(lead)]
    at_once = max(1, MOST_ROWS // (len(newest) + 1))
    groups = [headlines[i : i + at_once] for i in range(0, len(headlines), at_once)]
    for i, names in enumerate(groups, start=1):
        for part in range(0, len(newest), MOST_ROWS):
            blocks.append(
                _comparison(newest[part : part + MOST_ROWS], names, f"side-by-side-{i}-{part // MOST_ROWS + 1}")
            )
    return Part((*blocks, *impacts_table(newest)), "side-by-side")


def _comparison(results: Sequence[SurveyResults], headlines: Sequence[str], name: str) -> Figure:
    rows, data = [], [("variable", "survey", "value", "low", "high", "lowest", "highest")]
    for headline in headlines:
        rows.append(PlotRow(headline, None, bold=True))
        found = [(r, g) for r in results for line in r.lines for g in line.groups if g.label == headline]
        for one, g in found:
            row = cover_row(one.name, False, g)
            rows.append(row)
            data.append((headline, row.label, row.value, row.low, row.high, g.site.lowest, g.site.highest))
    plot = Plot(name, "Headline covers, site by site", COVER_AXIS, tuple(rows), percent=True)
    drawn = figure(with_keys(plot, "transects", f"{100 * results[0].level:g} %"))
    return replace(drawn, data=tuple(data))


# Along time


def trends_part(
    results: Sequence[SurveyResults], visits: Sequence[Visit], earlier: Sequence[EarlierResult]
) -> Part | None:
    """Each site with results on two dates or more: its covers and densities along time, imported ones told apart."""
    there: dict[str, list[int]] = {}  # dated surveys of each site, of which one site's are held at a time
    spelt = {site_key(e.site): e.site for e in earlier}
    for i, visit in enumerate(visits):
        spelt[site_key(visit.name)] = visit.name
        if visit.date is not None and visit.site is not None:
            there.setdefault(site_key(visit.name), []).append(i)
    there |= {site: [] for site in map(site_key, dict.fromkeys(e.site for e in earlier)) if site not in there}
    blocks: list[Block] = []
    number = 0
    for site, places in there.items():
        before = [e for e in earlier if site_key(e.site) == site]
        surveys = [results[i] for i in places]
        series = _series(surveys, before)
        own = {key: dots for key, dots in series.items() if len({d.day for d in dots}) > 1}
        if own:
            level = 100 * results[0].level if results else 95
            alone = [key.title for key, dots in series.items() if key not in own and _has_earlier(dots)]
            drawn = _trend_figure(number, spelt[site], own, level, alone)
            words = " ".join(filter(None, (drawn.caption, _categories_differ(surveys))))
            blocks += [Heading(2, spelt[site]), replace(drawn, caption=words)]
        number += bool(series)
    if not blocks:
        return None
    lead = (
        "Means over transects, survey by survey. A line only joins the dots: no trend is fitted or tested here, and "
        "with fewer than five surveys no test could show one."
    )
    return Part((Heading(1, "Along time", "along-time"), Paragraph(lead), *blocks), "along-time")


def _interval_words(level: float, dots: Sequence[TimeDot]) -> str:
    given = " (of earlier results: as computed from their transects, or as given)"
    there = any(d.earlier and d.low is not None for d in dots)
    return f"{level:g} % interval between transects" + (given if there else "")


class _Variable(NamedTuple):
    """What is measured, the same in every edition of a protocol whatever is printed for it."""

    sheet: str
    id: str
    percent: bool
    is_group: bool = False


class _Key(NamedTuple):
    """A variable along time as it is told: its newest label, with the sheet where others of the site bear it too."""

    title: str
    unit: str
    percent: bool


def _series(results: Sequence[SurveyResults], earlier: Sequence[EarlierResult]) -> dict[_Key, list[TimeDot]]:
    """What one site's surveys say of each variable, day by day.

    Earlier results join the variable that bears their label now, else the one that ever did; where it is not clear
    which, they stand alone.
    """
    found: dict[_Variable, list[TimeDot]] = {}
    told: dict[_Variable, tuple[str, str]] = {}  # the newest label, and of which sheet
    named: dict[tuple[str, bool], dict[_Variable, None]] = {}  # by all labels that there were
    for r in results:
        for variable, label, of, dot in _dots(r, dt.date.fromisoformat(r.survey.date)):
            told[variable] = label, of
            named.setdefault((label, variable.percent), {})[variable] = None
            if dot.value is not None:
                found.setdefault(variable, []).append(dot)
    labels = Counter((label, v.percent) for v, (label, _) in told.items())
    titles = {
        v: label if labels[label, v.percent] == 1 else f"{label} ({of})"
        for v, (label, of) in told.items()
        if v in found
    }
    alike = Counter((title, v.percent) for v, title in titles.items())
    keys, out = {}, {}
    for v, title in titles.items():
        own = title if alike[title, v.percent] == 1 else f"{told[v][0]} ({v.sheet}/{v.id})"
        keys[v] = _Key(own, _unit(v.percent), v.percent)
        out[keys[v]] = found[v]
    for one in earlier:
        ever = [v for v in named.get((one.label, one.is_cover), ()) if v in keys]
        now = [v for v in ever if told[v][0] == one.label]
        meant = now if len(now) == 1 else ever
        key = keys[meant[0]] if len(meant) == 1 else _Key(one.label, one.unit_words, one.is_cover)
        out.setdefault(key, []).append(TimeDot(one.day, one.value, one.low, one.high, earlier=True))
    return {key: sorted(dots, key=lambda d: (d.earlier, d.day)) for key, dots in out.items()}


def _unit(percent: bool) -> str:
    return "cover, %" if percent else "per 100 m²"


def _dots(r: SurveyResults, day: dt.date) -> Iterator[tuple[_Variable, str, str, TimeDot]]:
    """One survey's covers and densities, their labels, and of which sheet or its groups; also what is not known."""
    for line in r.lines:
        for one in (*line.groups, *line.categories):
            e, of = one.site.cover, f"{line.title}, group" if one.is_group else line.title
            dot = TimeDot(day, e.value, e.low, e.high)
            yield _Variable(line.sheet, one.id, True, one.is_group), one.label, of, dot
    for d in r.densities:
        e = d.site.density
        low = None if e.method and "one-sided" in e.method else e.low
        dot = TimeDot(day, e.value, low, e.high if low is not None else None)
        yield _Variable(d.sheet, d.id, False), d.label, d.title, dot


def _categories_differ(surveys: Sequence[SurveyResults]) -> str:
    """Which categories only some of one site's surveys had, by sheet: their totals may hold others."""
    had: dict[str, list[dict[str, str]]] = {}
    for r in surveys:
        for line in r.lines:
            had.setdefault(line.sheet, []).append({one.id: one.label for one in line.categories})
    some = dict.fromkeys(
        next(o[i] for o in reversed(own) if i in o)
        for own in had.values()
        for i in dict.fromkeys(i for one in own for i in one)
        if any(i not in o for o in own)
    )
    there = f"Only some of these surveys had {listed(list(some))} as a category"
    return f"{there}; what totals and other codes hold may differ." if some else ""


def _chosen(series: dict[_Key, list[TimeDot]]) -> list[tuple[_Key, list[TimeDot]]]:
    """The first covers, groups before categories; then the animals counted most; those with earlier results first."""
    covers = [(key, dots) for key, dots in series.items() if key.percent]
    others = [(key, dots) for key, dots in series.items() if not key.percent]
    common = sorted(others, key=lambda one: -sum(d.value for d in one[1]) / len(one[1]))
    picked = []
    for own, most in ((covers, MOST_COVERS), (common, MOST_DENSITIES)):
        first = [key for key, dots in sorted(own, key=lambda one: not _has_earlier(one[1]))[:most]]
        picked += [one for one in own if one[0] in first]
    return picked


def _has_earlier(dots: Sequence[TimeDot]) -> bool:
    return any(d.earlier for d in dots)


def _trend_figure(i: int, site: str, series: dict[_Key, list[TimeDot]], level: float, alone: Sequence[str]) -> Figure:
    """The variables of a site that are drawn; the caption names the others, and those of one earlier day `alone`."""
    chosen = _chosen(series)
    plots = tuple(
        TimePlot(f"{i}-{n}", key.title, key.unit, tuple(dots), key.percent) for n, (key, dots) in enumerate(chosen)
    )
    dots = [d for p in plots for d in p.dots]
    keys = [
        ("site", "mean over transects", any(not d.earlier and d.low is not None for d in dots)),
        ("interval", _interval_words(level, dots), any(d.low is not None for d in dots)),
        ("beyond", "goes on beyond the axis: see the tables", cut_short(plots)),
        ("alone", "one transect, or none seen: no interval drawn", any(not d.earlier and d.low is None for d in dots)),
        ("earlier", "earlier result, imported", any(d.earlier for d in dots)),
    ]
    shown = tuple((key, words) for key, words, there in keys if there)
    title = f"{site} along time: " + ", ".join(p.title for p in plots)
    wide, narrow = (
        draw_times(plots, width, shown, name=f"along-time-{i + 1}", title=title) for width in (WIDE, NARROW)
    )
    head = ("variable", "unit", "date", "value", "low", "high", "imported")
    rows = tuple((p.title, p.unit, d.day.isoformat(), d.value, d.low, d.high, d.earlier) for p in plots for d in p.dots)
    left = len(series) - len(chosen)
    caption = f"{plural(left, 'more variable')} in the tables." if left else ""
    names = {key for key, _ in chosen}
    untold = [key.title for key, dots in series.items() if key not in names and _has_earlier(dots)]
    if untold := [*untold, *alone]:
        caption += f" Earlier results that are not drawn, and are in no table: {', '.join(untold)}."
    return Figure(wide, narrow, caption, (head, *rows))
