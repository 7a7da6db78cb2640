"""Percent cover from point intercept: one transect, one site.

The sampling unit is the transect, not the point. Within one line the covers are exact counts over its
legible points; a site's interval comes from the spread between its transects. Points that could not be
read shrink the denominator, never count as absence, and are reported with bounds that assume nothing.

Cover is in percent; probabilities and variances are of fractions in [0, 1].
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from digitise.estimate.intervals import (
    ONE_TRANSECT,
    Estimate,
    clopper_pearson,
    effective_points,
    jeffreys,
    korn_graubard,
    t_interval,
    wilson,
)
from digitise.estimate.multinomial import goodman
from digitise.estimate.uneven import beta_mean

RARE = 0.20  # below this share (and above 1 - RARE) the t interval under-covers
UNEVEN_FROM = 4  # transects from which on a rare category has the beta interval; Korn-Graubard's with fewer
NO_POINTS = "no legible points"
_LINE_INTERVALS = {"wilson": wilson, "clopper-pearson": clopper_pearson, "jeffreys": jeffreys}


@dataclass(frozen=True, slots=True)
class TransectPoints:
    """Points of one line. ``counts`` holds the legible points of each category, and sums to ``legible``.

    ``legible + unread + illegible + blank == planned``: *unread* waits for a person, *illegible* was given
    up by one, *blank* was never written. A category the diver calls other or unknown is legible.
    """

    transect: str
    counts: Mapping[str, int]
    legible: int
    planned: int
    unread: int = 0
    illegible: int = 0
    blank: int = 0

    def __post_init__(self) -> None:
        numbers = (*self.counts.values(), self.unread, self.illegible, self.blank, self.planned - 1)
        if min(numbers) < 0:
            raise ValueError(f"{self.transect}: points must be at least 0 and planned at least 1")
        if sum(self.counts.values()) != self.legible:
            raise ValueError(f"{self.transect}: the counts do not sum to {self.legible} legible points")
        parts = self.legible + self.unread + self.illegible + self.blank
        if parts != self.planned:
            raise ValueError(f"{self.transect}: {parts} points accounted for, {self.planned} planned")

    @property
    def missing(self) -> int:
        """Planned points without a legible category."""
        return self.planned - self.legible

    @property
    def many_missing(self) -> bool:
        """More than one planned point in ten is missing (a choice, not a rule)."""
        return self.missing * 10 > self.planned


@dataclass(frozen=True, slots=True)
class CategoryCover:
    """Cover of one category: its legible ``points``, the estimate in percent, and bounds without assumptions.

    ``lowest`` and ``highest`` (percent) are what the cover of the planned points would be if none, or all,
    of the missing points were of this category.
    """

    category: str
    points: int
    cover: Estimate
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class SiteCover:
    """Covers of one site. ``transects`` were used; ``left_out`` had no legible point."""

    transects: tuple[str, ...]
    left_out: tuple[str, ...]
    estimator: str
    covers: tuple[CategoryCover, ...]
    notes: tuple[str, ...] = ()


def transect_cover(points: TransectPoints, *, interval: str = "none", level: float = 0.95) -> tuple[CategoryCover, ...]:
    """Cover of each category of one line, in the order of ``points.counts``; they sum to 100 %.

    ``interval`` is ``"none"`` (the default: one line says nothing of the site), ``"wilson"``,
    ``"clopper-pearson"``, ``"jeffreys"``, or ``"goodman"`` for all categories at once. Intervals hold only
    for this line and only if its points were independent. No legible points: the cover is not available.

    `ValueError` for another ``interval``.
    """
    counts = list(points.counts.values())
    if interval == "none":
        estimates = tuple(_share(x, points.legible) for x in counts)
    elif interval == "goodman":
        estimates = tuple(map(_percent, goodman(counts, level=level)))
    elif interval in _LINE_INTERVALS:
        method = _LINE_INTERVALS[interval]
        estimates = tuple(_percent(method(x, points.legible, level=level)) for x in counts)
    else:
        known = ", ".join(["none", "goodman", *_LINE_INTERVALS])
        raise ValueError(f"interval must be one of {known}, got {interval!r}")
    return tuple(
        CategoryCover(category, x, estimate, 100 * (x / points.planned), 100 * ((x + points.missing) / points.planned))
        for (category, x), estimate in zip(points.counts.items(), estimates, strict=True)
    )


@lru_cache(maxsize=4096)
def _share(hits: int, points: int) -> Estimate:
    """Percent cover of one line without an interval."""
    share = 100 * (hits / points) if points else None
    return Estimate(share, None, None, points, "share of legible points", "%", "" if points else NO_POINTS)


def _percent(estimate: Estimate) -> Estimate:
    """An interval of one line, in percent."""
    if estimate.n == 0:
        return replace(estimate, unit="%", note=NO_POINTS)
    return replace(estimate.scaled(100, "%"), scope="within-line, if points were independent")


def _worst(category: str, transects: Sequence[TransectPoints], *, ratio: bool = False) -> tuple[float, float]:
    """Lowest and highest possible cover (percent) of the planned points of these transects."""
    low = [t.counts.get(category, 0) for t in transects]
    high = [x + t.missing for x, t in zip(low, transects, strict=True)]
    if ratio:
        planned = sum(t.planned for t in transects)
        return 100 * sum(low) / planned, 100 * sum(high) / planned
    planned = [t.planned for t in transects]
    return tuple(100 * math.fsum(x / m for x, m in zip(xs, planned, strict=True)) / len(planned) for xs in (low, high))


@dataclass(frozen=True, slots=True)
class VarianceParts:
    """Parts of the variance of a mean over transects, in the squared unit of the mean.

    ``design`` is s2/T of the expected values (None for one transect), ``read`` the variance that unread cells
    leave if the transects were the whole site, and ``accepted`` the same for cells accepted by rule, whose
    chance of being misread is already inside ``design``. ``spread`` is the largest minus the smallest value.
    """

    mean: float
    transects: int
    design: float | None
    read: float
    spread: float
    accepted: float = 0.0

    @property
    def samp(self) -> float | None:
        """Between-transect variance of the true values: their spread exceeds that of their expectations."""
        return None if self.design is None else self.design + self.read

    @property
    def total(self) -> float | None:
        """Between-transect and reading variance; Rubin (1987) with infinitely many imputations."""
        return None if self.design is None else self.design + 2 * self.read


def variance_parts(values: Sequence[float], reading: Sequence[float], *, accepted: float = 0.0) -> VarianceParts:
    """Mean over transects and its variance, from expected values and their reading variances (0 if certain).

    With hard labels, ``reading`` is all zeros: the spread between transects already holds reading noise.
    ``accepted`` is the variance that cells accepted by rule leave in the mean.
    """
    n = len(values)
    mean = math.fsum(values) / n
    read = math.fsum(reading) / n**2
    if n == 1:
        return VarianceParts(mean, 1, None, read, 0.0, accepted)
    spread = max(values) - min(values)
    if spread <= 1e-12 * max(1.0, abs(mean)):  # rounding only
        return VarianceParts(mean, n, 0.0, read, 0.0, accepted)
    design = math.fsum((v - mean) ** 2 for v in values) / (n * (n - 1))
    return VarianceParts(mean, n, design, read, spread, accepted)


def ratio_values(
    totals: Sequence[float], sizes: Sequence[float], variances: Sequence[float]
) -> tuple[list[float], list[float]]:
    """One value and reading variance per transect whose mean and variance are those of sum/sum.

    The ratio estimator R = sum(totals)/sum(sizes) in linear form: R + (total - R size)/mean size.
    Cochran (1977), Sampling Techniques, 3rd edition, chapter 6 (from memory).
    """
    size = math.fsum(sizes) / len(sizes)
    ratio = math.fsum(totals) / math.fsum(sizes)
    values = [ratio + (x - ratio * n) / size for x, n in zip(totals, sizes, strict=True)]
    return values, [v / size**2 for v in variances]


def site_parts(
    hits: Sequence[float], legible: Sequence[int], variances: Sequence[float], *, ratio: bool
) -> VarianceParts:
    """Mean share over transects and its variance; with ``ratio`` total hits over total legible points."""
    if ratio:
        return variance_parts(*ratio_values(hits, legible, variances))
    values = [x / n for x, n in zip(hits, legible, strict=True)]
    return variance_parts(values, [v / n**2 for v, n in zip(variances, legible, strict=True)])


@lru_cache(maxsize=4096)  # whole numbers of points on a few lines: few sets of them are ever different
def decided_cover(
    hits: tuple[int, ...], legible: tuple[int, ...], *, ratio: bool, level: float
) -> tuple[VarianceParts, Estimate]:
    """Variance parts and percent cover of the site from points that are all decided."""
    parts = site_parts(hits, legible, [0.0] * len(hits), ratio=ratio)
    return parts, site_estimate(parts, sum(legible), level=level)


def site_estimate(parts: VarianceParts, points: int, *, level: float) -> Estimate:
    """Percent cover of the site from its variance parts: t interval; beta when rare; Korn-Graubard when flat."""
    share = min(1.0, max(0.0, parts.mean))
    if parts.total is None:
        return Estimate(100 * share, None, None, 1, "one transect", "%", ONE_TRANSECT, level=level)
    sample = {"transects": parts.transects, "points": points, "level": level}
    variance, se = parts.total, math.sqrt(parts.total)
    agree = alike(parts, points)
    if agree and effective_points(share, variance, **sample) > effective_points(share, 0.0, **sample):
        variance = 0.0  # agreement between few transects is no proof that there is no spread
    rare = not RARE <= round(share, 12) <= 1 - RARE  # lines of 10, 20 and 30 % have a mean of 20 %, not just under
    if rare and not agree and 0 < share < 1 and parts.transects >= UNEVEN_FROM:
        estimate = beta_mean(share, variance, **sample)
    elif rare or agree:
        estimate = replace(korn_graubard(share, variance, **sample), se=se)
    else:
        estimate = t_interval(share, se, transects=parts.transects, level=level, cut=(0.0, 1.0))
    scope = "between-transect and reading" if parts.read > 0 else "between-transect"
    return replace(estimate.scaled(100, "%"), scope=scope)


def alike(parts: VarianceParts, points: int) -> bool:
    """Whether shares differ by less than half a point of a mean unit; ``points`` are those of all units."""
    return parts.spread * points < 0.5 * parts.transects


def is_short(legible: int, planned: int) -> bool:
    """Whether fewer than 90 % of a transect's planned points are legible."""
    return legible * 10 < planned * 9


def site_cover(
    transects: Sequence[TransectPoints], *, categories: Sequence[str] | None = None, level: float = 0.95
) -> SiteCover:
    """Mean cover of a site over its transects, with a design-based interval for each category.

    The mean of the transects' covers, or the ratio of totals once any used transect has fewer than 90 % of its
    planned points legible. Interval: t over transects between 20 % and 80 % cover; outside that `beta_mean`, or
    Korn-Graubard with fewer than 4 transects or when all transects agree to half a point. One transect: value only.
    A transect without legible points is left out of the mean but not of the bounds. ``categories`` fixes the order
    and adds unseen ones.

    Assumes transects are a random sample of the site and independent.

    Cochran (1977), Sampling Techniques, 3rd edition (from memory); see `beta_mean` and `korn_graubard`.
    """
    names = _names(transects, categories)
    used = [t for t in transects if t.legible]
    ratio = any(is_short(t.legible, t.planned) for t in used)
    legible = tuple(t.legible for t in used)

    def one(category: str) -> CategoryCover:
        hits = tuple(t.counts.get(category, 0) for t in used)
        cover = Estimate(None, None, None, 0, "", "%", note=NO_POINTS, level=level)
        if used:
            cover = decided_cover(hits, legible, ratio=ratio, level=level)[1]
        return CategoryCover(category, sum(hits), cover, *_worst(category, transects, ratio=ratio))

    return SiteCover(
        transects=tuple(t.transect for t in used),
        left_out=tuple(t.transect for t in transects if not t.legible),
        estimator="ratio of totals" if ratio else "mean of transects",
        covers=tuple(one(category) for category in names),
        notes=_notes(transects),
    )


def _names(transects: Sequence[TransectPoints], categories: Sequence[str] | None) -> list[str]:
    if not transects:
        raise ValueError("at least one transect is needed")
    seen = list(dict.fromkeys(name for t in transects for name in t.counts))
    if categories is None:
        return seen
    if unknown := [name for name in seen if name not in categories]:
        raise ValueError(f"counted but not among the categories: {', '.join(unknown)}")
    return list(categories)


def _notes(transects: Sequence[TransectPoints]) -> tuple[str, ...]:
    notes = []
    if any(a.planned != b.planned for a, b in pairwise(transects)):
        planned = ", ".join(f"{t.transect} {t.planned}" for t in transects)
        notes.append(f"transects differ in planned points: {planned}")
    notes += [f"{t.transect}: {t.missing} of {t.planned} points missing" for t in transects if t.many_missing]
    return tuple(notes)


def design_effect_of_lines(hits: Sequence[int], points: int) -> tuple[float | None, float]:
    """Kish design effect of points on lines, and how many independent points they are worth in all.

    ``hits`` holds one line each of ``points`` points. The worth is capped at the number of points. None
    and the number of points when every line has the same hits, or there is only one line.
    """
    parts = variance_parts([x / points for x in hits], [0.0] * len(hits))
    total = points * len(hits)
    if not parts.design:
        return None, float(total)
    deff = parts.design * total / (parts.mean * (1 - parts.mean))
    return deff, min(float(total), total / deff)
