"""What changed: surveys of one site compared over dates, or sites with each other, and trends over the years.

A comparison works on `SurveySample`s, one number a transect for each variable, wherever they came from. Only decided
cells count; how many wait is carried along. Effect and interval come first, p second and adjusted for how many were
tested: Holm for the headline variables named in advance, Benjamini-Hochberg for all others, which are exploratory.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

from digitise.estimate.change import (
    Change,
    Permutation,
    limits_together,
    paired_change,
    permutation_paired,
    permutation_unpaired,
    unpaired_change,
)
from digitise.estimate.contrast import benjamini_hochberg, holm
from digitise.estimate.intervals import Estimate
from digitise.estimate.planning import detectable_change, transects_needed
from digitise.estimate.trend import Trend, least_squares, model_trend, theil_sen
from digitise.results.belts import PER_M2
from digitise.surveys.roster import site_key
from digitise.wording import listed, number

HOLM, BENJAMINI = "Holm, headline", "Benjamini-Hochberg, exploratory"
DETECT_PERCENT = 20.0
MOST_POINTS = 100.0  # of change of a cover


@dataclass(frozen=True, slots=True)
class Variable:
    """Something measured on every transect: a cover in percent, or a density per 100 m2.

    It is the same in two editions of a protocol when its id is, whatever each prints as its label.
    """

    id: str
    label: str = field(compare=False)
    kind: str  # cover | density
    is_group: bool = False

    @property
    def sheet(self) -> str:
        """The sheet it is counted on."""
        return self.id.partition("/")[0]

    @property
    def unit(self) -> str:
        """The unit of its values."""
        return "%" if self.kind == "cover" else f"per {PER_M2:g} m2"


@dataclass(frozen=True, slots=True)
class Measured:
    """One variable in one survey: a value for each transect by name; hits and sizes for the model of a trend.

    Hits and sizes are points of the category and legible points, or animals and square metres, over all transects.
    """

    values: Mapping[str, float]
    hits: float
    sizes: float

    @property
    def mean(self) -> float | None:
        """Mean over transects."""
        return fmean(self.values.values()) if self.values else None


@dataclass(frozen=True, slots=True)
class SurveySample:
    """One survey as a comparison needs it. `unread` cells still wait for a person."""

    name: str
    site: str
    date: str
    measured: Mapping[Variable, Measured]
    unread: int = 0


def in_some_only(kind: str, surveys: Sequence[SurveySample]) -> list[Variable]:
    """Categories or rows that some of these surveys had and others, with the same sheet, had not.

    Where a category came in between, totals may hold others, and what has a code now had another before.
    """
    found = dict.fromkeys(v for s in surveys for v in s.measured if v.kind == kind and not v.is_group)
    sheets = [{v.sheet for v in s.measured} for s in surveys]
    return [
        v for v in found if any(v.sheet in own and v not in s.measured for s, own in zip(surveys, sheets, strict=True))
    ]


def categories_differ(v: Variable, surveys: Sequence[SurveySample]) -> str:
    """In words, which categories of a cover's sheet only some of these surveys had; empty where all had the same."""
    labels = [one.label for one in in_some_only("cover", surveys) if one.sheet == v.sheet and v.kind == "cover"]
    return f"only some of these surveys had {listed(labels)} as a category" if labels else ""


def called_otherwise(v: Variable, surveys: Sequence[SurveySample]) -> str:
    """In words, that a variable has had other labels on these surveys' sheets; empty where all had the same.

    It may be a slip of the pen put right, or an id that has come to mean something else.
    """
    labels = dict.fromkeys(own.label for s in surveys for own in s.measured if own == v)
    return f"its label was not always the same: {', then '.join(labels)}" if len(labels) > 1 else ""


@dataclass(frozen=True, slots=True)
class Compared:
    """One variable between two surveys. `adjusted` is the p for all that were tested, by `adjusted_by`, and `together`
    limits of the change that hold for all headline variables at once.

    `values` are those of the transects that were compared, before and after: with marked lines only those laid twice.
    `detectable` is the smallest change (in the variable's unit) that these numbers of transects find four times in
    five, `needed` the transects a survey that would find a change of `detect_percent` of the first mean.
    """

    variable: Variable
    before: SurveySample
    after: SurveySample
    values: tuple[tuple[float, ...], tuple[float, ...]]
    change: Change
    permutation: Permutation | None
    detectable: float | None
    needed: int | None
    detect_percent: float
    adjusted: float | None = None
    adjusted_by: str = ""
    together: tuple[float, float] | None = None

    @property
    def means(self) -> tuple[float | None, float | None]:
        """Means over the transects compared, before and after; None without any."""
        first, second = (fmean(own) if own else None for own in self.values)
        return first, second

    @property
    def shown(self) -> Estimate:
        """The change for people: that of a cover with limits within `MOST_POINTS`, since no cover changes by more."""
        e = self.change.effect
        return replace(e, low=self._within(e.low), high=self._within(e.high))

    @property
    def shown_together(self) -> tuple[float, float] | None:
        """`together` within the same."""
        return tuple(map(self._within, self.together)) if self.together else None

    @property
    def detectable_words(self) -> str:
        """`detectable` for people; of a cover none where it is more than there can be."""
        beyond = self.detectable is not None and self._within(self.detectable) < self.detectable
        return "none" if beyond else number(self.detectable)

    def _within(self, limit: float | None) -> float | None:
        bounded = self.variable.kind == "cover" and limit is not None
        return max(-MOST_POINTS, min(MOST_POINTS, limit)) if bounded else limit

    @property
    def percent(self) -> float | None:
        """The change in percent of the first mean; None without one above 0."""
        first, value = self.means[0], self.change.effect.value
        return 100 * value / first if first and first > 0 and value is not None else None


def compare(
    before: SurveySample,
    after: SurveySample,
    *,
    paired: bool = False,
    headlines: Collection[str] = (),
    detect_percent: float = DETECT_PERCENT,
    level: float = 0.95,
) -> tuple[Compared, ...]:
    """Every variable that both surveys measured, the second minus the first.

    `paired` takes lines of the same name for the same marked line laid again; lines without a partner are left out.
    `headlines` are ids of variables named in advance; without any, the groups of categories are.

    Raises
    ------
    ValueError
        A headline is no variable of both surveys.
    """
    rest = {"paired": paired, "headlines": headlines, "detect_percent": detect_percent, "level": level}
    return compare_pairs([(before, after)], **rest)


def compare_pairs(
    pairs: Iterable[tuple[SurveySample, SurveySample]],
    *,
    paired: bool = False,
    headlines: Collection[str] = (),
    detect_percent: float = DETECT_PERCENT,
    level: float = 0.95,
) -> tuple[Compared, ...]:
    """`compare` for several pairs of surveys, adjusted for all of them together: they are read together.

    Sites may be surveyed by several protocols: a headline counts wherever both surveys of a pair have it.

    Raises
    ------
    ValueError
        A headline is no variable of both surveys of any pair.
    """
    pairs = list(pairs)
    found: list[Compared] = []
    first: list[bool] = []  # which of those found are headlines
    known: dict[str, None] = {}
    for before, after in pairs:
        shared = [v for v in after.measured if v in before.measured]
        known |= dict.fromkeys(v.id for v in shared)
        found += [_one(v, before, after, paired=paired, detect_percent=detect_percent, level=level) for v in shared]
        first += [v.id in headlines if headlines else v.is_group for v in shared]
    if pairs and (unknown := sorted(set(headlines) - known.keys())):
        raise ValueError(f"headline '{unknown[0]}' is not measured in both surveys; known: {', '.join(known)}")
    return _adjusted(found, first)


def _one(
    v: Variable, before: SurveySample, after: SurveySample, *, paired: bool, detect_percent: float, level: float
) -> Compared:
    first, second = before.measured[v].values, after.measured[v].values
    if paired:
        same = [n for n in first if n in second]
        a, b = [first[n] for n in same], [second[n] for n in same]
        change = paired_change(a, b, unit=v.unit, level=level)
    else:
        a, b = list(first.values()), list(second.values())
        change = unpaired_change(a, b, unit=v.unit, level=level)
    smallest, needed = _plan(change, a, b, percent=detect_percent)
    permuted, values = _permuted(change, a, b), (tuple(a), tuple(b))
    return Compared(v, before, after, values, change, permuted, smallest, needed, detect_percent)


def _permuted(change: Change, a: Sequence[float], b: Sequence[float]) -> Permutation | None:
    """The permutation test; None where there is no t test, or so many transects that it would have to be sampled."""
    if change.p is None or len(a) + len(b) > (32 if change.paired else 18):
        return None
    if change.paired:
        return permutation_paired([y - x for x, y in zip(a, b, strict=True)])
    return permutation_unpaired(a, b)


def _plan(change: Change, a: Sequence[float], b: Sequence[float], *, percent: float) -> tuple[float | None, int | None]:
    if not change.spread:
        return None, None
    smallest = detectable_change(min(len(a), len(b)), change.spread, paired=change.paired)
    wanted = fmean(a) * percent / 100
    if wanted <= 0:
        return smallest, None
    try:
        return smallest, transects_needed(wanted, change.spread, paired=change.paired)[1]
    except ValueError:
        return smallest, None


def _adjusted(found: Sequence[Compared], headline: Sequence[bool]) -> tuple[Compared, ...]:
    out = list(found)
    for i, p, words, tests in _adjusted_p([c.change.p for c in found], headline):
        together = limits_together(out[i].change, tests) if words == HOLM else None
        out[i] = replace(out[i], adjusted=p, adjusted_by=words, together=together)
    return tuple(out)


def _adjusted_p(p_values: Sequence[float | None], headline: Sequence[bool]) -> Iterator[tuple[int, float, str, int]]:
    """(its place, p adjusted among headlines or among all others, how, among how many) of each p that there is."""
    for method, words, wanted in ((holm, HOLM, True), (benjamini_hochberg, BENJAMINI, False)):
        tested = [i for i, p in enumerate(p_values) if p is not None and headline[i] is wanted]
        for i, p in zip(tested, method([p_values[i] for i in tested]), strict=True):
            yield i, p, words, len(tested)


@dataclass(frozen=True, slots=True)
class SiteTrend:
    """One variable at one site over its surveys: three answers to one question; see `digitise.estimate.trend`."""

    variable: Variable
    site: str
    dates: tuple[str, ...]
    means: tuple[float, ...]
    line: Trend
    robust: Trend
    model: Trend
    adjusted: float | None = None
    adjusted_by: str = ""
    note: str = ""


def trends(
    samples: Iterable[SurveySample], *, headlines: Collection[str] = (), level: float = 0.95
) -> tuple[SiteTrend, ...]:
    """Trends of every variable at every site with three dated surveys or more.

    The p that is adjusted, for all sites together, is that of Mann-Kendall; headlines as in `compare`.
    """
    found: list[SiteTrend] = []
    for site, surveys in by_site(samples).items():
        dated = [s for s in surveys if s.date]
        if len(dated) >= 3:
            variables = {v: v for s in dated for v in s.measured}.values()  # as the newest labels them
            found += [t for v in variables if (t := _trend(v, site, dated, level=level)) is not None]
    return tuple(_adjusted_trends(found, headlines))


def by_site(samples: Iterable[SurveySample]) -> dict[str, list[SurveySample]]:
    """Surveys of each named site (as the newest spells it) by date; those without a date come last."""
    found: dict[str, list[SurveySample]] = {}
    for s in sorted(samples, key=lambda s: s.date or "9999"):
        if s.site:
            found.setdefault(site_key(s.site), []).append(s)
    return {own[-1].site: own for _, own in sorted(found.items())}


def _trend(v: Variable, site: str, surveys: Sequence[SurveySample], *, level: float) -> SiteTrend | None:
    own = [(s, s.measured[v]) for s in surveys if v in s.measured and s.measured[v].values]
    if len(own) < 3:
        return None
    years, means = [_year(s.date) for s, _ in own], [m.mean for _, m in own]
    return SiteTrend(
        v,
        site,
        tuple(s.date for s, _ in own),
        tuple(means),
        least_squares(years, means, unit=v.unit, level=level),
        theil_sen(years, means, unit=v.unit, level=level),
        model_trend(years, [m.hits for _, m in own], [m.sizes for _, m in own], kind=v.kind, level=level),
        note="; ".join(
            filter(None, (words(v, [s for s, _ in own]) for words in (categories_differ, called_otherwise)))
        ),
    )


def _year(date: str) -> float:
    day = dt.date.fromisoformat(date)
    return day.year + (day.timetuple().tm_yday - 1) / 365.25


def _adjusted_trends(found: Sequence[SiteTrend], headlines: Collection[str]) -> list[SiteTrend]:
    out = list(found)
    headline = [t.variable.id in headlines if headlines else t.variable.is_group for t in found]
    for i, p, words, _ in _adjusted_p([t.robust.p for t in found], headline):
        out[i] = replace(out[i], adjusted=p, adjusted_by=words)
    return out


def latest_pairs(samples: Iterable[SurveySample]) -> list[tuple[SurveySample, SurveySample]]:
    """For each site, the last survey of each of its last two dates."""
    dated = [{s.date: s for s in own if s.date} for own in by_site(samples).values()]
    return [tuple(own.values())[-2:] for own in dated if len(own) > 1]
