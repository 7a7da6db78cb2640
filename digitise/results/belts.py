"""Densities and impacts of a survey's belt sheets: per row and segment, occurrence, and spread between transects.

As with cover, ``site`` rests on decided counts, and ``expected`` counts unread ones by their probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from digitise.estimate.density import BeltCount, Segment, SiteDensity, belt_density, belt_from_segments, site_density
from digitise.estimate.intervals import Estimate, t_mean
from digitise.estimate.occurrence import Dispersion, dispersion, occurrence
from digitise.estimate.reading_doubt import DoubtShares, doubt_shares
from digitise.sheets.protocol import BeltSheet, RowSpec
from digitise.surveys.meaning import Count, Impact
from digitise.surveys.survey import Survey, Transect

PER_M2 = 100.0


@dataclass(frozen=True, slots=True)
class DensityLine:
    """Density of one row of a belt sheet, per `PER_M2` square metres: the site, and each belt.

    ``site`` rests on decided counts, ``expected`` counts unread ones by their probabilities. ``segments`` holds the
    density of each stretch of the belt, ``occurrence`` the share of transects (percent) with at least one,
    ``dispersion`` how unevenly whole belts were counted. ``slip_variance`` is the mean squared misreading of all its
    counts accepted by rule.
    """

    sheet: str
    title: str
    id: str
    label: str
    is_impact: bool
    site: SiteDensity
    belts: tuple[tuple[BeltCount, Estimate], ...]
    expected: SiteDensity
    segments: tuple[tuple[str, SiteDensity], ...]
    occurrence: Estimate
    dispersion: Dispersion
    slip_variance: float

    @property
    def shares(self) -> DoubtShares | None:
        """How much of the expected density's variance is sampling, unread and accepted cells; None when not known."""
        parts = self.expected.parts
        if parts is not None and self.slip_variance:
            parts = replace(parts, accepted=self.slip_variance * (PER_M2 / self.expected.area_m2) ** 2)
        return doubt_shares(parts)


@dataclass(frozen=True, slots=True)
class ImpactLine:
    """A percentage or tick row: (transect, segment, value or None, state) for each segment.

    ``occurrence`` is the share of transects (percent) on which it was ticked, or was above 0 %. ``mean`` is the mean
    percentage over transects with its t interval; None for ticks.
    """

    sheet: str
    title: str
    id: str
    label: str
    kind: str
    values: tuple[tuple[str, str, int | bool | None, str], ...]
    occurrence: Estimate
    mean: Estimate | None


def densities(survey: Survey, name: str, sheet: BeltSheet, *, level: float) -> list[DensityLine]:
    """Every counted row of a belt sheet; none when nobody photographed the sheet."""
    if not any(name in t.sheets for t in survey.transects):
        return []
    found = [(t.name, _counts_by_row(t, name)) for t in survey.transects]
    areas = {part.id: part.area_m2 for part in survey.protocol.parts(name)}
    return [
        _density(name, sheet, row, [(n, c.get(row.id, ())) for n, c in found], areas, is_impact=is_impact, level=level)
        for is_impact, rows in ((False, sheet.rows), (True, sheet.impacts))
        for row in rows
        if row.kind == "count"
    ]


Belts = Sequence[tuple[str, Sequence[Count]]]


def _counts_by_row(transect: Transect, sheet: str) -> dict[str, list[Count]]:
    out: dict[str, list[Count]] = {}
    for c in transect.counts:
        if c.sheet == sheet:
            out.setdefault(c.row, []).append(c)
    return out


def _density(
    name: str,
    sheet: BeltSheet,
    row: RowSpec,
    counts: Belts,
    areas_m2: Mapping[str, float],
    *,
    is_impact: bool,
    level: float,
) -> DensityLine:
    whole_m2 = math.fsum(areas_m2.values())
    belts = tuple(_belt(n, c, whole_m2) for n, c in counts)
    site = _site(belts, level)
    expected = site
    if any(one.chances for _, c in counts for one in c):
        read = [_belt(n, c, whole_m2, expected=True) for n, c in counts]
        expected = site_density(read, per_m2=PER_M2, level=level)
    whole = [b.count for b in belts if b.count is not None and not b.partly_read]
    return DensityLine(
        name,
        sheet.title,
        row.id,
        row.label,
        is_impact,
        site,
        tuple((b, belt_density(b, per_m2=PER_M2, level=level)) for b in belts),
        expected,
        _segments(counts, areas_m2, level=level),
        _occurrence(counts, level=level),
        dispersion(whole),
        math.fsum([one.slip_variance for _, c in counts for one in c]),
    )


@lru_cache(maxsize=8192)  # counts are small: few sets of them are ever different
def _site(belts: tuple[BeltCount, ...], level: float) -> SiteDensity:
    """Density over belts with decided counts."""
    return site_density(belts, per_m2=PER_M2, level=level)


@lru_cache(maxsize=4096)
def _whole(transect: str, count: int, area_m2: float) -> BeltCount:
    """A belt, or a stretch of one, that is all decided."""
    return BeltCount(transect, count, area_m2, area_m2)


def _belt(transect: str, counts: Sequence[Count], planned_m2: float, *, expected: bool = False) -> BeltCount:
    if not counts:
        return BeltCount(transect, None, 0.0, planned_m2, note="sheet not photographed")
    if len(counts) == 1 and counts[0].count is not None:
        return _whole(transect, counts[0].count, counts[0].area_m2)
    numbers = [c.count for c in counts]
    if None not in numbers:
        return _whole(transect, sum(numbers), math.fsum([c.area_m2 for c in counts]))
    segments = [_segment(c, expected=expected) for c in counts]
    return belt_from_segments(transect, segments, note=_why_unknown(counts, allowed=expected))


def _segment(c: Count, *, expected: bool) -> Segment:
    if not expected or not c.chances:
        return Segment(c.count, c.area_m2)
    mean, variance = c.expected
    return Segment(mean, c.area_m2, variance)


def _why_unknown(counts: Sequence[Count], *, allowed: bool) -> str:
    """The segments without a count: "10–20 m unread", or one word for the whole belt."""
    unknown = [c for c in counts if c.count is None and not (allowed and c.chances)]
    if not unknown:
        return ""
    states = {c.state for c in unknown}
    if len(unknown) == len(counts) and len(states) == 1:
        return states.pop()
    return ", ".join(f"{c.place.replace('-', '–')} {c.state}" for c in unknown)


def _segments(counts: Belts, areas_m2: Mapping[str, float], *, level: float) -> tuple[tuple[str, SiteDensity], ...]:
    """Density of each stretch of the belt over the transects; empty when the belt is one stretch."""
    names = list(dict.fromkeys(c.segment for _, found in counts for c in found))
    if len(names) < 2:
        return ()
    own = [(t, {c.segment: (c,) for c in found}) for t, found in counts]
    return tuple((n, _site(tuple(_belt(t, found.get(n, ()), areas_m2[n]) for t, found in own), level)) for n in names)


def _occurrence(counts: Belts, *, level: float) -> Estimate:
    """Share of transects with one or more, over transects whose every segment is known.

    A transect known in part is left out even where something was seen on it: keeping only those would lean high.
    """
    whole = [[c.count for c in found] for _, found in counts if found and all(c.count is not None for c in found)]
    return occurrence(sum(any(v) for v in whole), len(whole), level=level)


def impacts(survey: Survey, name: str, sheet: BeltSheet, *, level: float) -> list[ImpactLine]:
    """Every percentage and tick row of a belt sheet that was photographed."""
    out = []
    for row in (*sheet.rows, *sheet.impacts):
        by_transect = [
            (t.name, [i for i in t.impacts if i.sheet == name and i.row == row.id]) for t in survey.transects
        ]
        values = tuple((n, i.segment, i.value, i.state) for n, own in by_transect for i in own)
        if values:
            whole = [[bool(i.value) for i in own] for _, own in by_transect if own and _all_known(own)]
            shown = occurrence(sum(any(v) for v in whole), len(whole), level=level)
            mean = _mean(by_transect, level=level) if row.kind == "percent" else None
            out.append(ImpactLine(name, sheet.title, row.id, row.label, row.kind, values, shown, mean))
    return out


def _all_known(own: Sequence[Impact]) -> bool:
    return all(i.value is not None for i in own)


def _mean(by_transect: Sequence[tuple[str, Sequence[Impact]]], *, level: float) -> Estimate:
    """Mean percentage over transects, each the mean of its known segments."""
    known = [[i.value for i in own if i.value is not None] for _, own in by_transect]
    return t_mean([sum(v) / len(v) for v in known if v], level=level, unit="%", cut=(0.0, 100.0))
