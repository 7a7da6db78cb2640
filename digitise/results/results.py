"""From surveys to numbers: percent cover, density and impacts, each with what its interval covers.

The sampling unit is the transect. A site's interval is the spread between its transects; one transect has none.
Unread, illegible and blank points shrink the denominator and are bounded without assumptions; unread belts are left
out; neither is ever a zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from digitise.estimate.cover import CategoryCover, SiteCover, TransectPoints, site_cover, transect_cover
from digitise.estimate.density import BeltCount, Segment, SiteDensity, belt_density, belt_from_segments, site_density
from digitise.estimate.intervals import Estimate
from digitise.protocol import BeltSheet, LineSheet, RowSpec
from digitise.store import RULE
from digitise.survey import Count, Survey, Transect

__all__ = [
    "PER_M2",
    "CoverLine",
    "DensityLine",
    "ImpactLine",
    "LineResult",
    "SheetQuality",
    "SurveyResults",
    "survey_results",
    "transect_points",
]

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
        survey,
        level,
        tuple(x for x in lines if x is not None),
        tuple(d for name, s in belts for d in _densities(survey, name, s, level)),
        tuple(i for name, s in belts for i in _impacts(survey, name, s)),
        _quality(survey),
    )


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
        transect.name,
        counts,
        sum(counts.values()),
        len(points),
        states.count("unread") + states.count("missing"),
        states.count("illegible"),
        states.count("blank"),
    )


def _line(survey: Survey, name: str, sheet: LineSheet, level: float) -> LineResult | None:
    """One line sheet's covers; None when no transect has the sheet."""
    used = [t for t in survey.transects if name in t.points]
    if not used:
        return None
    points = tuple(transect_points(t, name, {c.id: c.id for c in sheet.categories}) for t in used)
    site = site_cover(points, level=level)
    alone = [transect_cover(p) for p in points]
    categories = tuple(
        CoverLine(
            c.id,
            c.label,
            c.code,
            c.group or "",
            False,
            site.covers[i],
            tuple((p.transect, covers[i]) for p, covers in zip(points, alone, strict=True)),
        )
        for i, c in enumerate(sheet.categories)
    )
    return LineResult(name, sheet.title, _groups(used, name, sheet, level), categories, points, site)


def _groups(used: Sequence[Transect], name: str, sheet: LineSheet, level: float) -> tuple[CoverLine, ...]:
    """Covers of groups of two categories or more, each with an interval of its own."""
    members = [c.group for c in sheet.categories if c.group]
    groups = [g for g in dict.fromkeys(members) if members.count(g) > 1]
    names = {c.id: c.group if c.group in groups else c.id for c in sheet.categories}
    points = [transect_points(t, name, names) for t in used]
    site = {c.category: c for c in site_cover(points, level=level).covers}
    alone = [{c.category: c for c in transect_cover(p)} for p in points]
    return tuple(
        CoverLine(
            g, g, "", g, True, site[g], tuple((p.transect, covers[g]) for p, covers in zip(points, alone, strict=True))
        )
        for g in groups
    )


# Density and impacts


def _densities(survey: Survey, name: str, sheet: BeltSheet, level: float) -> list[DensityLine]:
    out = []
    for row in (*sheet.rows, *sheet.impacts):
        if row.kind == "count" and any(name in t.sheets for t in survey.transects):
            belts = [_belt(t, name, row) for t in survey.transects]
            alone = tuple((b, belt_density(b, per_m2=PER_M2, level=level)) for b in belts)
            out.append(
                DensityLine(
                    name,
                    sheet.title,
                    row.id,
                    row.label,
                    row in sheet.impacts,
                    site_density(belts, per_m2=PER_M2, level=level),
                    alone,
                )
            )
    return out


def _belt(transect: Transect, sheet: str, row: RowSpec) -> BeltCount:
    counts = [c for c in transect.counts if c.sheet == sheet and c.row == row.id]
    if not counts:
        return BeltCount(transect.name, None, 0.0, note="sheet not photographed")
    return belt_from_segments(transect.name, [Segment(c.count, c.area_m2) for c in counts], note=_why_unknown(counts))


def _why_unknown(counts: Sequence[Count]) -> str:
    """The segments without a count: "10–20 m unread", or one word for the whole belt."""
    unknown = [c for c in counts if c.count is None]
    states = {c.state for c in unknown}
    if len(unknown) == len(counts) and len(states) == 1:
        return states.pop()
    return ", ".join(f"{c.place.replace('-', '–')} {c.state}" for c in unknown)


def _impacts(survey: Survey, name: str, sheet: BeltSheet) -> list[ImpactLine]:
    out = []
    for row in (*sheet.rows, *sheet.impacts):
        values = tuple(
            (t.name, i.segment, i.value, i.state)
            for t in survey.transects
            for i in t.impacts
            if i.sheet == name and i.row == row.id
        )
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
        out.append(
            SheetQuality(
                sheet.title,
                len(ids),
                len(cells),
                rule,
                len(cells) - rule - unread,
                unread,
                states.count("illegible"),
                states.count("blank"),
            )
        )
    return tuple(out)
