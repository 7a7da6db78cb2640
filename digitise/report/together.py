"""What a report tells of all its surveys together, gathered in one pass, so that none need be held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate
from digitise.report.survey_part import date_words
from digitise.report.words import one_sided, tells_occurrence, with_span
from digitise.results import SurveyResults
from digitise.results.change_tables import POOLED_COLUMNS, pooled_rows
from digitise.sheets.protocol import Protocol
from digitise.surveys.places import Place, place_of, why_no_place

if TYPE_CHECKING:
    import pandas as pd

KINDS = ("photos", "cells", "by_rule", "by_person", "unread", "illegible", "blank")
POINTS = ("legible", "unread", "illegible", "blank", "planned")


@dataclass(frozen=True, slots=True)
class Visit:
    """What is told of one survey among others."""

    pack: str
    name: str
    site: str | None
    date: str | None
    day: str  # in words
    programme: str
    transects: int
    place: Place | None
    why_no_place: str
    covers: tuple[tuple[str, str], ...]  # headlines, with their intervals
    unread: int
    cells: int
    missing: int


def visit_of(r: SurveyResults) -> Visit:
    """What is told of one survey."""
    covers = {g.label: with_span(g.site.cover) for line in r.lines for g in line.groups}
    return Visit(
        r.survey.pack,
        r.name,
        r.survey.site,
        r.survey.date,
        date_words(r),
        r.survey.protocol.programme,
        len(r.survey.transects),
        place_of(r.survey),
        why_no_place(r.survey),
        tuple(covers.items()),
        len(r.survey.unread),
        len(r.survey.cells),
        len(r.survey.missing),
    )


@dataclass(frozen=True, slots=True)
class Estimates:
    """Which kinds of estimates there are: by which methods, and whether some have a value and no interval."""

    there: bool = False
    methods: frozenset[str] = frozenset()
    alone: bool = False

    def with_those(self, found: Sequence[Estimate]) -> Estimates:
        """These and those found."""
        return Estimates(
            there=self.there or bool(found),
            methods=self.methods.union(e.method for e in found if e.has_interval),
            alone=self.alone or any(e.value is not None and not e.has_interval for e in found),
        )


@dataclass(frozen=True, slots=True)
class Steps:
    """What was done to any of the surveys, as far as methods tell it; points that are missing, and planned, in all."""

    keyed_pages: int = 0
    covers: Estimates = Estimates()
    estimators: frozenset[str] = frozenset()
    densities: Estimates = Estimates()
    none_seen: bool = False
    occurs: bool = False
    spread: bool = False
    seen: bool = False
    doubted: bool = False
    missing: int = 0
    planned: int = 0

    def with_survey(self, r: SurveyResults) -> Steps:
        """These and what was done to one more survey."""
        covers = [one.site.cover for line in r.lines for one in (*line.groups, *line.categories)]
        densities = [d.site.density for d in r.densities]
        points = [p for line in r.lines for p in line.points]
        return Steps(
            keyed_pages=self.keyed_pages + sum(p.keyed for p in r.survey.pages),
            covers=self.covers.with_those(covers),
            estimators=self.estimators.union(line.site.estimator for line in r.lines if line.site.transects),
            densities=self.densities.with_those(densities),
            none_seen=self.none_seen or any(map(one_sided, densities)),
            occurs=self.occurs or tells_occurrence([*r.densities, *r.impacts]),
            spread=self.spread or any(d.dispersion.index is not None for d in r.densities),
            seen=self.seen or any(d.dispersion.mean > 0 for d in r.densities if not d.is_impact),
            doubted=self.doubted or _doubted(r),
            missing=self.missing + sum(p.missing for p in points),
            planned=self.planned + sum(p.planned for p in points),
        )


def _doubted(r: SurveyResults) -> bool:
    parts = [d.expected.parts for d in r.densities]
    parts += [c.expected.parts for line in r.lines for c in line.categories]
    return any(p is not None and p.read > 0 for p in parts)


@dataclass(frozen=True, slots=True)
class Together:
    """All surveys, in their order. `sheets` has the sums of `KINDS` by a sheet's title, `points` what became of points.

    `pooled` is what diversity is computed from, `titles` are those of belt sheets by protocol (its digest) and name.
    Photographs of sheets that a person keyed are none that were read.
    """

    level: float
    visits: tuple[Visit, ...]
    sheets: Mapping[str, tuple[int, ...]]
    points: Mapping[str, int]
    pooled: pd.DataFrame
    titles: Mapping[tuple[str, str], str]
    protocols: tuple[Protocol, ...]
    read_photographs: int
    steps: Steps


def together(results: Iterable[SurveyResults]) -> Together:
    """Gather it. There is at least one survey."""
    import pandas as pd

    visits: list[Visit] = []
    sheets: dict[str, tuple[int, ...]] = {}
    points: Counter[str] = Counter()
    pooled, titles, steps = [], {}, Steps()
    protocols: dict[str, Protocol] = {}
    read: set[bytes] = set()
    for r in results:
        visits.append(visit_of(r))
        for q in r.quality:
            sums = sheets.get(q.title, (0,) * len(KINDS))
            sheets[q.title] = tuple(a + getattr(q, kind) for a, kind in zip(sums, KINDS, strict=True))
        for p in (p for line in r.lines for p in line.points):
            points.update({kind: getattr(p, kind) for kind in POINTS})
        pooled += pooled_rows(r)
        titles |= {(r.survey.protocol.digest, d.sheet): d.title for d in r.densities}
        protocols[r.survey.protocol.digest] = r.survey.protocol
        read.update(bytes.fromhex(p.sha256) for p in r.survey.pages if not p.keyed)
        steps = steps.with_survey(r)
        level = r.level
    return Together(
        level,
        tuple(visits),
        sheets,
        points,
        pd.DataFrame(pooled, columns=POOLED_COLUMNS),
        titles,
        tuple(protocols.values()),
        len(read),
        steps,
    )
