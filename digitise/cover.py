"""Percent cover from point intercept: one transect, one site, and what unread points add.

The sampling unit is the transect, not the point. Within one line the covers are exact counts over its
legible points; a site's interval comes from the spread between its transects. Points that could not be
read shrink the denominator, never count as absence, and are reported with bounds that assume nothing.

Cover is in percent; probabilities and variances are of fractions in [0, 1].
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from digitise.intervals import (
    ONE_TRANSECT,
    Estimate,
    clopper_pearson,
    effective_points,
    goodman,
    jeffreys,
    korn_graubard,
    t_interval,
    wilson,
)

__all__ = [
    "CategoryCover",
    "ReadCover",
    "ReadPoints",
    "SiteCover",
    "TransectPoints",
    "VarianceParts",
    "category_moments",
    "category_pmf",
    "design_effect",
    "given_legible",
    "points_covariance",
    "ratio_values",
    "read_cover",
    "site_cover",
    "transect_cover",
    "variance_parts",
]

RARE = 0.20  # below this share (and above 1 - RARE) the t interval under-covers: Korn-Graubard instead
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


def transect_cover(
    points: TransectPoints, *, interval: str = "none", level: float = 0.95
) -> tuple[CategoryCover, ...]:
    """Cover of each category of one line, in the order of ``points.counts``; they sum to 100 %.

    ``interval`` is ``"none"`` (the default: one line says nothing of the site), ``"wilson"``,
    ``"clopper-pearson"``, ``"jeffreys"``, or ``"goodman"`` for all categories at once. Intervals hold only
    for this line and only if its points were independent. No legible points: the cover is not available.
    """
    counts = list(points.counts.values())
    if interval == "goodman":
        estimates = goodman(counts, level=level)
    elif interval in _LINE_INTERVALS:
        method = _LINE_INTERVALS[interval]
        estimates = tuple(method(x, points.legible, level=level) for x in counts)
    elif interval == "none":
        estimates = tuple(_share(x, points.legible) for x in counts)
    else:
        known = ", ".join(["none", "goodman", *_LINE_INTERVALS])
        raise ValueError(f"interval must be one of {known}, got {interval!r}")
    scope = "within-line, if points were independent" if interval != "none" else ""
    return tuple(
        CategoryCover(category, x, _percent(estimate, points, scope), *_worst(category, [points]))
        for (category, x), estimate in zip(points.counts.items(), estimates, strict=True)
    )


def _share(hits: int, points: int) -> Estimate:
    share = hits / points if points else None
    return Estimate(share, None, None, points, "share of legible points", "proportion")


def _percent(estimate: Estimate, points: TransectPoints, scope: str) -> Estimate:
    if points.legible == 0:
        return replace(estimate, unit="%", note=NO_POINTS)
    return replace(estimate.scaled(100, "%"), scope=scope)


def _worst(category: str, transects: Sequence[TransectPoints], *, ratio: bool = False) -> tuple[float, float]:
    """Lowest and highest possible cover (percent) of the planned points of these transects."""
    low = [t.counts.get(category, 0) for t in transects]
    high = [x + t.missing for x, t in zip(low, transects, strict=True)]
    if ratio:
        planned = sum(t.planned for t in transects)
        return 100 * sum(low) / planned, 100 * sum(high) / planned
    planned = [t.planned for t in transects]
    return tuple(
        100 * math.fsum(x / m for x, m in zip(xs, planned, strict=True)) / len(planned) for xs in (low, high)
    )


@dataclass(frozen=True, slots=True)
class VarianceParts:
    """Parts of the variance of a mean over transects, in the squared unit of the mean.

    ``design`` is s2/T of the expected values (None for one transect), ``read`` the variance that reading
    leaves if the transects were the whole site. ``spread`` is the largest minus the smallest value.
    """

    mean: float
    transects: int
    design: float | None
    read: float
    spread: float

    @property
    def samp(self) -> float | None:
        """Between-transect variance of the true values: their spread exceeds that of their expectations."""
        return None if self.design is None else self.design + self.read

    @property
    def total(self) -> float | None:
        """Between-transect and reading variance; Rubin (1987) with infinitely many imputations."""
        return None if self.design is None else self.design + 2 * self.read


def variance_parts(values: Sequence[float], reading: Sequence[float]) -> VarianceParts:
    """Mean over transects and its variance, from expected values and their reading variances (0 if certain).

    With hard labels, ``reading`` is all zeros: the spread between transects already holds reading noise.
    """
    n = len(values)
    mean = math.fsum(values) / n
    read = math.fsum(reading) / n**2
    if n == 1:
        return VarianceParts(mean, 1, None, read, 0.0)
    spread = max(values) - min(values)
    if spread <= 1e-12 * max(1.0, abs(mean)):  # rounding only
        return VarianceParts(mean, n, 0.0, read, 0.0)
    design = math.fsum((v - mean) ** 2 for v in values) / (n * (n - 1))
    return VarianceParts(mean, n, design, read, spread)


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


def _site_parts(
    hits: Sequence[float], legible: Sequence[int], variances: Sequence[float], *, ratio: bool
) -> VarianceParts:
    if ratio:
        return variance_parts(*ratio_values(hits, legible, variances))
    values = [x / n for x, n in zip(hits, legible, strict=True)]
    return variance_parts(values, [v / n**2 for v, n in zip(variances, legible, strict=True)])


def _site_estimate(parts: VarianceParts, points: int, *, level: float) -> Estimate:
    """Percent cover of the site from its variance parts: t interval, or Korn-Graubard when rare or flat."""
    share = min(1.0, max(0.0, parts.mean))
    if parts.total is None:
        return Estimate(100 * share, None, None, 1, "one transect", "%", ONE_TRANSECT, level=level)
    sample = {"transects": parts.transects, "points": points, "level": level}
    variance, se = parts.total, math.sqrt(parts.total)
    agree = parts.spread * points < 0.5 * parts.transects  # to within half a point of a mean line
    if agree and effective_points(share, variance, **sample) > effective_points(share, 0.0, **sample):
        variance = 0.0  # agreement between few transects is no proof that there is no spread
    if agree or not RARE <= share <= 1 - RARE:
        estimate = replace(korn_graubard(share, variance, **sample), se=se)
    else:
        estimate = t_interval(share, se, transects=parts.transects, level=level, cut=(0.0, 1.0))
    scope = "between-transect and reading" if parts.read > 0 else "between-transect"
    return replace(estimate.scaled(100, "%"), scope=scope)


def _is_short(legible: int, planned: int) -> bool:
    return legible * 10 < planned * 9


def site_cover(
    transects: Sequence[TransectPoints], *, categories: Sequence[str] | None = None, level: float = 0.95
) -> SiteCover:
    """Mean cover of a site over its transects, with a design-based interval for each category.

    The mean of the transects' covers, or the ratio of totals once any used transect has fewer than 90 % of
    its planned points legible. Interval: t over transects between 20 % and 80 % cover; Korn-Graubard
    outside that, and when all transects agree to half a point. One transect: value only. A transect without
    legible points is left out of the mean but not of the bounds. ``categories`` fixes the order and adds
    unseen ones.

    Assumes transects are a random sample of the site and independent.

    Cochran (1977), Sampling Techniques, 3rd edition (from memory); see `korn_graubard`.
    """
    names = _names(transects, categories)
    used = [t for t in transects if t.legible]
    ratio = any(_is_short(t.legible, t.planned) for t in used)
    legible = [t.legible for t in used]

    def one(category: str) -> CategoryCover:
        hits = [t.counts.get(category, 0) for t in used]
        cover = Estimate(None, None, None, 0, "", "%", note=NO_POINTS, level=level)
        if used:
            parts = _site_parts(hits, legible, [0.0] * len(used), ratio=ratio)
            cover = _site_estimate(parts, sum(legible), level=level)
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


def design_effect(hits: Sequence[int], points: int) -> tuple[float | None, float]:
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


@dataclass(frozen=True, slots=True)
class ReadPoints:
    """Points of one line as probabilities: one mapping of category to probability (sum 1) a legible point."""

    transect: str
    points: tuple[Mapping[str, float], ...]
    planned: int

    def __post_init__(self) -> None:
        if len(self.points) > self.planned:
            raise ValueError(f"{self.transect}: {len(self.points)} points, {self.planned} planned")
        for j, point in enumerate(self.points):
            if min(point.values(), default=-1) < 0 or abs(math.fsum(point.values()) - 1) > 1e-6:
                raise ValueError(f"{self.transect}, point {j + 1}: probabilities must sum to 1, got {point}")


@dataclass(frozen=True, slots=True)
class ReadCover:
    """Cover of one category with reading uncertainty.

    ``recorded`` is the number of points whose likeliest category this is, to print beside ``expected``
    points: many nearly certain points still add up to a small expected cover of what nobody wrote.
    ``sheets`` is what these sheets say (reading uncertainty only), ``site`` adds that between transects.
    """

    category: str
    recorded: int
    expected: float
    sheets: Estimate
    site: Estimate
    parts: VarianceParts | None


def given_legible(probabilities: Mapping[str, float], categories: Sequence[str]) -> dict[str, float] | None:
    """Probabilities over the categories, given that the point is legible; None when it likelier is not.

    ``probabilities`` may hold other outcomes (blank, crossed out); their mass is left out.
    """
    kept = {c: probabilities[c] for c in categories if probabilities.get(c, 0.0) > 0}
    mass = math.fsum(kept.values())
    return {c: p / mass for c, p in kept.items()} if mass >= 0.5 else None


def category_moments(points: Sequence[Mapping[str, float]], category: str) -> tuple[float, float]:
    """Expectation and variance of the number of points in ``category``, points read independently."""
    shares = [point.get(category, 0.0) for point in points]
    return math.fsum(shares), math.fsum(p * (1 - p) for p in shares)


def points_covariance(points: Sequence[Mapping[str, float]], category: str, other: str) -> float:
    """Covariance of the numbers of points in two different categories (never positive)."""
    return -math.fsum(point.get(category, 0.0) * point.get(other, 0.0) for point in points)


def category_pmf(points: Sequence[Mapping[str, float]], category: str) -> tuple[float, ...]:
    """Probability of 0, 1, ... len(points) points in ``category``: the Poisson-binomial law, exact.

    Hong (2013), doi:10.1016/j.csda.2012.10.006.
    """
    pmf = np.ones(1)
    for point in points:
        p = point.get(category, 0.0)
        pmf = np.convolve(pmf, (1 - p, p))
    return tuple(pmf.tolist())


def read_cover(
    transects: Sequence[ReadPoints], categories: Sequence[str], *, level: float = 0.95
) -> tuple[ReadCover, ...]:
    """Cover of a site from points read with probabilities; estimator and intervals as in `site_cover`.

    Assumes calibrated probabilities and independent reading errors. It is mildly conservative when the
    probabilities are calibrated within the site. When every probability is 0 or 1, ``site`` equals
    `site_cover`, which also gives the bounds for missing points. One transect gives the reading part only.
    """
    seen = {category for t in transects for point in t.points for category in point}
    if unknown := sorted(seen.difference(categories)):
        raise ValueError(f"read but not among the categories: {', '.join(unknown)}")
    used = [t for t in transects if t.points]
    ratio = any(_is_short(len(t.points), t.planned) for t in used)
    return tuple(_read_category(used, category, ratio=ratio, level=level) for category in categories)


def _read_category(used: Sequence[ReadPoints], category: str, *, ratio: bool, level: float) -> ReadCover:
    if not used:
        nothing = Estimate(None, None, None, 0, "", "%", note=NO_POINTS, level=level)
        return ReadCover(category, 0, 0.0, nothing, nothing, None)
    moments = [category_moments(t.points, category) for t in used]
    means, variances = zip(*moments, strict=True)
    legible = [len(t.points) for t in used]
    parts = _site_parts(means, legible, variances, ratio=ratio)
    points = [point for t in used for point in t.points]
    recorded = sum(max(point, key=point.__getitem__) == category for point in points)
    site = _site_estimate(parts, sum(legible), level=level)
    sheets = _sheets_estimate(parts, points, category, level=level)
    return ReadCover(category, recorded, math.fsum(means), sheets, site, parts)


def _sheets_estimate(
    parts: VarianceParts, points: Sequence[Mapping[str, float]], category: str, *, level: float
) -> Estimate:
    """What the sheets say, in percent: quantiles of the exact law of the points in this category.

    Exact when lines have equal legible points or under the ratio estimator, else nearly so.
    """
    cumulative, tail = 0.0, (1 - level) / 2
    expected = category_moments(points, category)[0]
    low, high = None, None
    for k, p in enumerate(category_pmf(points, category)):
        cumulative += p
        low = k if low is None and cumulative > tail else low
        high = k if high is None and cumulative >= 1 - tail - 1e-12 else high
    high = len(points) if high is None else high
    limits = [parts.mean + (k - expected) / len(points) for k in (low, high)]
    low_share = min(parts.mean, max(0.0, limits[0]))
    high_share = max(parts.mean, min(1.0, limits[1]))
    method, se = "exact law of the readings", math.sqrt(parts.read)
    estimate = Estimate(
        parts.mean, low_share, high_share, parts.transects, method, "proportion", "", "reading", level, se
    )
    return estimate.scaled(100, "%")
