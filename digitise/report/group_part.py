"""The part about groups of sites: headline covers of the newest year in a figure, every year in a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from digitise.report.blocks import Block, Bullets, Cell, Figure, Heading, Paragraph, Part, Table
from digitise.report.plots import Plot, PlotRow
from digitise.report.survey_part import figure, with_keys
from digitise.report.words import COCHRAN, cover_text, one_sided, span
from digitise.results.groups import NO_SURVEY, GroupValue
from digitise.wording import number, plural

MOST_ROWS = 36  # of the figure
MOST_YEARS, MOST_DENSITIES = 4, 8  # columns of a group's table; of animals seen, the commonest first


@dataclass(frozen=True, slots=True)
class Groups:
    """What a report says of groups of sites: of its own surveys, or `of_all` in the store where it has some of many.

    `unplaced` of all surveys have no site or no date yet. There are no `values` while so many surveys are `waiting` to
    be worked out.
    """

    values: tuple[GroupValue, ...] = ()
    of_all: bool = False
    unplaced: int = 0
    waiting: int = 0


def group_part(groups: Groups) -> Part | None:
    """What groups of sites say together; None without any."""
    values, unplaced = groups.values, groups.unplaced
    if groups.waiting:
        words = (
            f"They rest on all surveys, and the results of {groups.waiting} of these are worked out now, in the "
            "background. Open this page again in a minute or two. Should it stay so, the store's folder may take no "
            "more files: 'digitise doctor' looks at it."
        )
        return Part((Heading(1, "Groups of sites", "groups"), Paragraph(words)), "groups")
    if not values:
        return None
    level = f"{100 * values[0].estimate.level:g} %"
    of = "of all surveys, also those that are not on this page," if groups.of_all else "in this report"
    lead = (
        f"Means over sites, each standing with its last survey of the year {of} and counting once. Intervals "
        "cover differences between sites: here the site is the sampling unit, not the transect."
    )
    if unplaced:
        verb = "is" if unplaced == 1 else "are"
        lead += f" {plural(unplaced, 'survey')} whose site or date is not entered yet {verb} in no group."
    blocks: list[Block] = [Heading(1, "Groups of sites", "groups"), Paragraph(lead)]
    blocks += _figure(values, level)
    for group in dict.fromkeys(v.group for v in values):
        blocks += _group([v for v in values if v.group == group], level)
    return Part(tuple(blocks), "groups")


def _headline(v: GroupValue) -> bool:
    return v.quantity == "cover" and v.kind == "group"


def _figure(values: Sequence[GroupValue], level: str) -> list[Figure]:
    """Headline covers of each group in its newest year, with single sites."""
    newest = {v.group: max(o.year for o in values if o.group == v.group) for v in values}
    shown = [v for v in values if _headline(v) and v.year == newest[v.group] and v.estimate.value is not None]
    rows: list[PlotRow] = []
    for label in dict.fromkeys(v.label for v in shown):
        rows.append(PlotRow(label, None, bold=True))
        for v in (v for v in shown if v.label == label):
            e, sites = v.estimate, tuple(value for _, value in v.sites)
            rows.append(PlotRow(f"{v.group}, {v.year}", e.value, e.low, e.high, sites, text=cover_text(e)))
    if not rows:
        return []
    axis = "cover, mean over sites, % of legible points"
    plot = Plot("groups", "Headline covers of groups of sites", axis, tuple(rows[:MOST_ROWS]), percent=True)
    head = ("group", "year", "variable", "value", "low", "high", "sites", "single_sites")
    data = tuple(
        (v.group, v.year, v.label, v.estimate.value, v.estimate.low, v.estimate.high, len(v.sites), _singles(v))
        for v in shown
    )
    more = "Not all groups fit here; the tables have them." if len(rows) > MOST_ROWS else ""
    return [replace(figure(with_keys(plot, "sites", level, sampled="site")), caption=more, data=(head, *data))]


def _singles(v: GroupValue) -> str:
    return "; ".join(f"{site} {value:.10g}" for site, value in v.sites)


def _group(values: Sequence[GroupValue], level: str) -> list[Block]:
    years = sorted({v.year for v in values})[-MOST_YEARS:]
    there, surveyed = [], {}
    for year in years:
        own = [v for v in values if v.year == year]
        sites = {site for v in own for site, _ in (*v.sites, *v.left_out)}
        away = {site for v in own for site, why in v.left_out if why == NO_SURVEY}
        surveyed[year] = len(sites) - len(away)
        words = f"{year}: {surveyed[year]} of {plural(len(sites), 'site')}"
        there.append(f"{words}; none known of {', '.join(sorted(away))}" if away else words)
    chosen, left = _chosen(values)
    by_year = {(*_variable(v), v.year): v for v in values}
    rows = [
        ("", (label, *(_cell(by_year.get((*key, year)), surveyed[year]) for year in years)))
        for key, label in chosen.items()
    ]
    caption = f"{values[0].group}: means over sites and their {level} intervals between sites."
    if left:
        caption += f" {plural(left, 'more variable')}, and why sites are left out, in groups.csv."
    head = ("Variable", *map(str, years))
    return [Heading(2, values[0].group), Bullets(tuple(there)), Table(head, tuple(rows), caption, words=(0,))]


_Variable = tuple[str, str, str, str]


def _variable(v: GroupValue) -> _Variable:
    return v.quantity, v.sheet, v.id, v.kind


def _chosen(values: Sequence[GroupValue]) -> tuple[dict[_Variable, str], int]:
    """Headline covers and the commonest animals seen, with their words; and how many variables are not among them."""
    every = {_variable(v): v for v in values}
    covers = {k: v for k, v in every.items() if _headline(v)} or {k: v for k, v in every.items() if k[0] == "cover"}
    means = {k: _mean(values, k) for k in every if k[0] == "density"}
    animals = sorted((k for k, mean in means.items() if mean > 0), key=lambda k: -means[k])
    shown = {k: f"{v.label}, %" for k, v in covers.items()}
    shown |= {k: f"{every[k].label}, {every[k].estimate.unit.replace('m2', 'm²')}" for k in animals[:MOST_DENSITIES]}
    return shown, len(every) - len(shown)


def _mean(values: Sequence[GroupValue], key: _Variable) -> float:
    known = [v.estimate.value or 0.0 for v in values if _variable(v) == key]
    return sum(known) / len(known)


def _cell(v: GroupValue | None, of: int) -> Cell:
    if v is None or v.estimate.value is None:
        return "–"
    e, sites = v.estimate, len(v.sites)
    few = "" if sites == of else f", {plural(sites, 'site')}"
    if one_sided(e):
        return f"none seen (below {number(e.high)}){few}"
    return f"{number(e.value)} ({span(e)}){few}" if e.has_interval else f"{number(e.value)} (no interval){few}"


def group_methods(values: Sequence[GroupValue]) -> list[str]:
    """What was done with groups of sites; nothing without any."""
    if not values:
        return []
    text = (
        "A group of sites has in a calendar year the mean over its sites, each with its last survey of that year and "
        "counting once, however many its transects; sites without a value are left out and named in groups.csv. Its "
        "interval is that of a site over transects, with sites in the place of transects: between sites, taken as a "
        f"random sample of the group ({COCHRAN}). One site gives no interval, and neither does cover that is alike at "
        "all sites to half a point, or 0 there: that few sites agree is no proof that there is no spread. None seen of "
        "an animal is bounded by counting alone, which holds only for animals not in groups. Only decided cells count."
    )
    return [text]
