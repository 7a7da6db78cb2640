"""From surveys to numbers: percent cover, density and impacts, each with what its interval covers.

The sampling unit is the transect. A site's interval is the spread between its transects; one transect has none.
Unread, illegible and blank points shrink the denominator and are bounded without assumptions; unread belts are left
out; neither is ever a zero. Pandas is imported only when a table is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.cover import CategoryCover, SiteCover, TransectPoints, site_cover, transect_cover
from digitise.density import BeltCount, Segment, SiteDensity, belt_density, belt_from_segments, site_density
from digitise.intervals import Estimate
from digitise.protocol import BeltSheet, LineSheet, RowSpec
from digitise.rows import RULE
from digitise.survey import Count, Survey, Transect

if TYPE_CHECKING:
    import pandas as pd

PER_M2 = 100.0


@dataclass(frozen=True, slots=True)
class CoverLine:
    """Cover of one category, or of a group of categories: the site, and each transect by name."""

    id: str
    label: str
    code: str
    group: str
    is_group: bool
    site: CategoryCover
    transects: tuple[tuple[str, CategoryCover], ...]


@dataclass(frozen=True, slots=True)
class LineResult:
    """One line sheet: groups and categories in the protocol's order, and the points behind them."""

    sheet: str
    title: str
    groups: tuple[CoverLine, ...]
    categories: tuple[CoverLine, ...]
    points: tuple[TransectPoints, ...]
    site: SiteCover


@dataclass(frozen=True, slots=True)
class DensityLine:
    """Density of one row of a belt sheet, per `PER_M2` square metres: the site, and each belt."""

    sheet: str
    title: str
    id: str
    label: str
    is_impact: bool
    site: SiteDensity
    belts: tuple[tuple[BeltCount, Estimate], ...]


@dataclass(frozen=True, slots=True)
class ImpactLine:
    """A percentage or tick row: (transect, segment, value or None, state) for each segment."""

    sheet: str
    title: str
    id: str
    label: str
    kind: str
    values: tuple[tuple[str, str, int | bool | None, str], ...]


@dataclass(frozen=True, slots=True)
class SheetQuality:
    """Cells of one sheet over all transects. `by_rule + by_person + unread == cells`; blank and illegible are among
    them. `photos` counts the pages that were read.
    """

    title: str
    photos: int
    cells: int
    by_rule: int
    by_person: int
    unread: int
    illegible: int
    blank: int


@dataclass(frozen=True, slots=True)
class SurveyResults:
    """Everything reported of one survey."""

    survey: Survey
    level: float
    lines: tuple[LineResult, ...]
    densities: tuple[DensityLine, ...]
    impacts: tuple[ImpactLine, ...]
    quality: tuple[SheetQuality, ...]

    @property
    def name(self) -> str:
        """The site's name, or the pack while that is not entered."""
        return self.survey.site or f"Pack {self.survey.pack}"

    @property
    def provisional(self) -> bool:
        """Whether anything is still missing that a person could supply."""
        return bool(self.survey.unread or self.survey.missing)


def survey_results(survey: Survey, *, level: float = 0.95) -> SurveyResults:
    """Cover, density, impacts and data quality of one survey. `level` is the confidence of the intervals."""
    sheets = survey.protocol.sheets
    lines = [_line(survey, name, s, level) for name, s in sheets.items() if isinstance(s, LineSheet)]
    belts = [(name, s) for name, s in sheets.items() if isinstance(s, BeltSheet)]
    return SurveyResults(
        survey, level, tuple(x for x in lines if x is not None),
        tuple(d for name, s in belts for d in _densities(survey, name, s, level)),
        tuple(i for name, s in belts for i in _impacts(survey, name, s)), _quality(survey))


# Cover

def transect_points(transect: Transect, sheet: str, names: Mapping[str, str]) -> TransectPoints:
    """Points of one line, counted under the names that `names` gives each category.

    A point on a page nobody photographed counts as unread.
    """
    points = transect.points[sheet]
    counts = dict.fromkeys(names.values(), 0)
    for point in points:
        if point.category is not None:
            counts[names[point.category]] += 1
    states = [p.state for p in points]
    return TransectPoints(
        transect.name, counts, sum(counts.values()), len(points), states.count("unread") + states.count("missing"),
        states.count("illegible"), states.count("blank"))


def _line(survey: Survey, name: str, sheet: LineSheet, level: float) -> LineResult | None:
    """One line sheet's covers; None when no transect has the sheet."""
    used = [t for t in survey.transects if name in t.points]
    if not used:
        return None
    points = tuple(transect_points(t, name, {c.id: c.id for c in sheet.categories}) for t in used)
    site = site_cover(points, level=level)
    alone = [transect_cover(p) for p in points]
    categories = tuple(
        CoverLine(c.id, c.label, c.code, c.group or "", False, site.covers[i],
                  tuple((p.transect, covers[i]) for p, covers in zip(points, alone, strict=True)))
        for i, c in enumerate(sheet.categories))
    return LineResult(name, sheet.title, _groups(used, name, sheet, level), categories, points, site)


def _groups(used: Sequence[Transect], name: str, sheet: LineSheet, level: float) -> tuple[CoverLine, ...]:
    """Covers of groups of two categories or more, each with an interval of its own."""
    members = [c.group for c in sheet.categories if c.group]
    groups = [g for g in dict.fromkeys(members) if members.count(g) > 1]
    names = {c.id: c.group if c.group in groups else c.id for c in sheet.categories}
    points = [transect_points(t, name, names) for t in used]
    site = {c.category: c for c in site_cover(points, level=level).covers}
    alone = [{c.category: c for c in transect_cover(p)} for p in points]
    return tuple(CoverLine(g, g, "", g, True, site[g],
                           tuple((p.transect, covers[g]) for p, covers in zip(points, alone, strict=True)))
                 for g in groups)


# Density and impacts

def _densities(survey: Survey, name: str, sheet: BeltSheet, level: float) -> list[DensityLine]:
    out = []
    for row in (*sheet.rows, *sheet.impacts):
        if row.kind == "count" and any(name in t.sheets for t in survey.transects):
            belts = [_belt(t, name, row) for t in survey.transects]
            alone = tuple((b, belt_density(b, per_m2=PER_M2, level=level)) for b in belts)
            out.append(DensityLine(name, sheet.title, row.id, row.label, row in sheet.impacts,
                                   site_density(belts, per_m2=PER_M2, level=level), alone))
    return out


def _belt(transect: Transect, sheet: str, row: RowSpec) -> BeltCount:
    counts = [c for c in transect.counts if c.sheet == sheet and c.row == row.id]
    if not counts:
        return BeltCount(transect.name, None, 0.0, note="sheet not photographed")
    return belt_from_segments(transect.name, [Segment(c.count, c.area_m2) for c in counts], note=_why_unknown(counts))


def _why_unknown(counts: Sequence[Count]) -> str:
    """"10-20 m unread", for the segments without a count."""
    return ", ".join(f"{c.segment} m {c.state}" for c in counts if c.count is None)


def _impacts(survey: Survey, name: str, sheet: BeltSheet) -> list[ImpactLine]:
    out = []
    for row in (*sheet.rows, *sheet.impacts):
        values = tuple((t.name, i.segment, i.value, i.state) for t in survey.transects for i in t.impacts
                       if i.sheet == name and i.row == row.id)
        if values:
            out.append(ImpactLine(name, sheet.title, row.id, row.label, row.kind, values))
    return out


def _quality(survey: Survey) -> tuple[SheetQuality, ...]:
    out = []
    for name, sheet in survey.protocol.sheets.items():
        ids = {p.id for p in survey.pages if p.sheet == name}
        cells = [c for c in survey.cells if c.page_id in ids]
        states = [c.state for c in cells]
        rule = sum(c.by == RULE for c in cells)
        unread = states.count("unread")
        out.append(SheetQuality(sheet.title, len(ids), len(cells), rule, len(cells) - rule - unread, unread,
                                states.count("illegible"), states.count("blank")))
    return tuple(out)


# Tables

def cover_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percent cover, one row a number: each category and group, for each transect and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("transect" or "site") and ``transect`` (empty for the site);
    ``category`` (id), ``label``, ``code``, ``kind`` ("category" or "group"); ``points`` of it among the ``legible`` of
    the ``planned`` points, of which ``unread``, ``illegible`` and ``blank``; ``cover_percent``; ``low_percent`` and
    ``high_percent`` at ``confidence``, with ``interval_covers`` saying which uncertainty ("between-transect"; empty
    without an interval) and ``method``; ``se_percent``; ``lowest_percent`` and ``highest_percent`` if none or all of
    the missing points were of the category; ``transects`` behind the number; ``note``.
    """
    import pandas as pd

    rows = [row for r in results for line in r.lines for one in (*line.groups, *line.categories)
            for row in _cover_rows(r, line, one)]
    return pd.DataFrame(rows, columns=_COVER_COLUMNS)


_COVER_COLUMNS = [
    "pack", "site", "date", "sheet", "level", "transect", "category", "label", "code", "kind", "points", "legible",
    "planned", "unread", "illegible", "blank", "cover_percent", "low_percent", "high_percent", "confidence",
    "interval_covers", "method", "se_percent", "lowest_percent", "highest_percent", "transects", "note"]


def _of(results: SurveyResults, sheet: str) -> dict:
    survey = results.survey
    return {"pack": survey.pack, "site": survey.site or "", "date": survey.date or "", "sheet": sheet}


def _cover_rows(results: SurveyResults, line: LineResult, one: CoverLine) -> list[dict]:
    named = _of(results, line.sheet) | {"category": one.id, "label": one.label, "code": one.code,
                                        "kind": "group" if one.is_group else "category"}
    by_name = {p.transect: p for p in line.points}
    rows = [named | _cover_row(cover, [by_name[name]]) | {"level": "transect", "transect": name, "transects": 1}
            for name, cover in one.transects]
    whole = {"level": "site", "transect": "", "transects": len(line.site.transects)}
    return [*rows, named | _cover_row(one.site, line.points) | whole]


def _cover_row(cover: CategoryCover, points: Sequence[TransectPoints]) -> dict:
    e = cover.cover
    return {
        "points": cover.points, "legible": sum(p.legible for p in points), "planned": sum(p.planned for p in points),
        "unread": sum(p.unread for p in points), "illegible": sum(p.illegible for p in points),
        "blank": sum(p.blank for p in points), "cover_percent": e.value, "low_percent": e.low, "high_percent": e.high,
        "confidence": e.level if e.has_interval else None, "interval_covers": e.scope if e.has_interval else "",
        "method": e.method, "se_percent": e.se, "lowest_percent": cover.lowest, "highest_percent": cover.highest,
        "note": e.note}


def density_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Density, one row a number: each row of each belt sheet, for each belt and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("belt" or "site") and ``transect`` (empty for the site); ``taxon``
    (the row's id), ``label``, ``kind`` ("taxon" or "impact"); ``count`` on ``area_m2`` (what was read) of
    ``planned_m2``; ``density`` with ``low`` and ``high`` in ``unit`` at ``confidence``, with ``interval_covers`` saying
    which uncertainty ("between-transect", or "Poisson floor, if unclustered") and ``method``; ``se``; ``floor_low``
    and ``floor_high``, the exact Poisson interval of the pooled count (site only); ``transects`` behind the number;
    ``left_out`` belts without a count, with why; ``note``. An unknown count is empty, never 0.
    """
    import pandas as pd

    rows = [row for r in results for one in r.densities for row in _density_rows(r, one)]
    return pd.DataFrame(rows, columns=_DENSITY_COLUMNS)


_DENSITY_COLUMNS = [
    "pack", "site", "date", "sheet", "level", "transect", "taxon", "label", "kind", "count", "area_m2", "planned_m2",
    "density", "low", "high", "unit", "confidence", "interval_covers", "method", "se", "floor_low", "floor_high",
    "transects", "left_out", "note"]


def _density_rows(results: SurveyResults, one: DensityLine) -> list[dict]:
    named = _of(results, one.sheet) | {"taxon": one.id, "label": one.label,
                                       "kind": "impact" if one.is_impact else "taxon"}
    rows = [named | _density_row(e) | {
        "level": "belt", "transect": belt.transect, "count": belt.count, "area_m2": belt.area_m2,
        "planned_m2": belt.planned_m2, "transects": 1, "left_out": ""} for belt, e in one.belts]
    site = one.site
    known = bool(site.transects)
    return [*rows, named | _density_row(site.density) | {
        "level": "site", "transect": "", "count": site.count if known else None, "area_m2": site.area_m2,
        "planned_m2": sum(b.planned_m2 or 0.0 for b, _ in one.belts), "floor_low": site.floor.low,
        "floor_high": site.floor.high, "transects": len(site.transects),
        "left_out": "; ".join(f"{name}: {why}" for name, why in site.left_out),
        "note": "; ".join(filter(None, (site.density.note, *site.notes)))}]


def _density_row(e: Estimate) -> dict:
    return {"density": e.value, "low": e.low, "high": e.high, "unit": e.unit,
            "confidence": e.level if e.has_interval else None, "interval_covers": e.scope if e.has_interval else "",
            "method": e.method, "se": e.se, "floor_low": None, "floor_high": None, "note": e.note}


def impact_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percentages and ticks, one row a segment.

    Columns: ``pack, site, date, sheet, transect, segment_m, impact`` (the row's id), ``label, kind`` ("percent" or
    "tick"), ``value`` (a percentage, or "yes" / "no"; empty when not known) and ``state``.
    """
    import pandas as pd

    rows = [_of(r, one.sheet) | {"transect": name, "segment_m": segment, "impact": one.id, "label": one.label,
                                 "kind": one.kind, "value": _shown(value), "state": state}
            for r in results for one in r.impacts for name, segment, value, state in one.values]
    return pd.DataFrame(rows, columns=["pack", "site", "date", "sheet", "transect", "segment_m", "impact", "label",
                                       "kind", "value", "state"])


def _shown(value: int | bool | None) -> int | str | None:
    return ("yes" if value else "no") if isinstance(value, bool) else value
