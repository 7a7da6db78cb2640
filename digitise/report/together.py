"""What a report tells of all its surveys together, gathered in one pass, so that none need be held."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
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


@dataclass(slots=True)
class Estimates:
    """Which kinds of estimates there are: by which methods, and whether some have a value and no interval."""

    there: bool = False
    methods: set[str] = field(default_factory=set)
    alone: bool = False


@dataclass(slots=True)
class Steps:
    """What was done to any of the surveys, as far as methods tell it; points that are missing, and planned, in all."""

    protocols: dict[str, Protocol] = field(default_factory=dict)
    keyed_pages: int = 0
    read_photographs: set[bytes] = field(default_factory=set)
    covers: Estimates = field(default_factory=Estimates)
    estimators: set[str] = field(default_factory=set)
    densities: Estimates = field(default_factory=Estimates)
    none_seen: bool = False
    occurs: bool = False
    spread: bool = False
    seen: bool = False
    doubted: bool = False
    missing: int = 0
    planned: int = 0

    def add(self, r: SurveyResults) -> None:
        """Take in one survey."""
        self.protocols[r.survey.protocol.digest] = r.survey.protocol
        self.keyed_pages += sum(p.keyed for p in r.survey.pages)
        self.read_photographs.update(bytes.fromhex(p.sha256) for p in r.survey.pages if not p.keyed)
        for line in r.lines:
            self.estimators |= {line.site.estimator} if line.site.transects else set()
            self.covers.there = True
            _note(self.covers, [one.site.cover for one in (*line.groups, *line.categories)])
            self.missing += sum(p.missing for p in line.points)
            self.planned += sum(p.planned for p in line.points)
        densities = [d.site.density for d in r.densities]
        _note(self.densities, densities)
        self.none_seen = self.none_seen or any(map(one_sided, densities))
        self.occurs = self.occurs or tells_occurrence([*r.densities, *r.impacts])
        self.spread = self.spread or any(d.dispersion.index is not None for d in r.densities)
        self.seen = self.seen or any(d.dispersion.mean > 0 for d in r.densities if not d.is_impact)
        self.doubted = self.doubted or _doubted(r)


def _note(known: Estimates, found: Sequence[Estimate]) -> None:
    known.there = known.there or bool(found)
    known.methods.update(e.method for e in found if e.has_interval)
    known.alone = known.alone or any(e.value is not None and not e.has_interval for e in found)


def _doubted(r: SurveyResults) -> bool:
    parts = [d.expected.parts for d in r.densities]
    parts += [c.expected.parts for line in r.lines for c in line.categories]
    return any(p is not None and p.read > 0 for p in parts)


@dataclass(frozen=True, slots=True)
class Together:
    """All surveys, in their order. `sheets` has the sums of `KINDS` by a sheet's title, `points` what became of points.

    `pooled` is what diversity is computed from, `titles` are those of belt sheets by name.
    """

    level: float
    visits: tuple[Visit, ...]
    sheets: Mapping[str, tuple[int, ...]]
    points: Mapping[str, int]
    pooled: pd.DataFrame
    titles: Mapping[str, str]
    steps: Steps


def together(results: Iterable[SurveyResults]) -> Together:
    """Gather it. There is at least one survey."""
    import pandas as pd

    visits: list[Visit] = []
    sheets: dict[str, tuple[int, ...]] = {}
    points: Counter[str] = Counter()
    pooled, titles, steps = [], {}, Steps()
    for r in results:
        visits.append(visit_of(r))
        for q in r.quality:
            sums = sheets.get(q.title, (0,) * len(KINDS))
            sheets[q.title] = tuple(a + getattr(q, kind) for a, kind in zip(sums, KINDS, strict=True))
        for p in (p for line in r.lines for p in line.points):
            points.update({kind: getattr(p, kind) for kind in POINTS})
        pooled += pooled_rows(r)
        titles |= {d.sheet: d.title for d in r.densities}
        steps.add(r)
        level = r.level
    return Together(level, tuple(visits), sheets, points, pd.DataFrame(pooled, columns=POOLED_COLUMNS), titles, steps)
