"""Percent cover from points read with probabilities: what doubt about the reading adds to an interval.

Cells that a person decided are certain. Cells accepted by rule count as what was read, and their small chance of
being misread is kept beside them. Cells nobody has decided count with the probabilities of what they may say.
Cover is in percent; probabilities and variances are of fractions in [0, 1].
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from digitise.estimate.cover import NO_POINTS, VarianceParts, decided_cover, is_short, site_estimate, site_parts
from digitise.estimate.intervals import Estimate


@dataclass(frozen=True, slots=True)
class ReadPoints:
    """Legible points of one line: those read with doubt, and those that are settled.

    ``points`` holds one mapping of category to probability (sum 1) a doubtful point, ``settled`` the number of
    decided points of each category. ``slips`` is the variance of those numbers that comes from points accepted by
    rule, by category; left out, they are certain.
    """

    transect: str
    points: tuple[Mapping[str, float], ...]
    planned: int
    settled: Mapping[str, int] = field(default_factory=dict)
    slips: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.legible > self.planned:
            raise ValueError(f"{self.transect}: {self.legible} points, {self.planned} planned")
        if min((*self.settled.values(), *self.slips.values()), default=0) < 0:
            raise ValueError(f"{self.transect}: numbers of points and their variances must be at least 0")
        for j, point in enumerate(self.points):
            if min(point.values(), default=-1) < 0 or abs(math.fsum(point.values()) - 1) > 1e-6:
                raise ValueError(f"{self.transect}, point {j + 1}: probabilities must sum to 1, got {point}")

    @property
    def legible(self) -> int:
        """Points in the denominator."""
        return len(self.points) + sum(self.settled.values())


@dataclass(frozen=True, slots=True)
class DoubtShares:
    """Where the variance of a site's mean comes from, as shares that sum to 1.

    ``sampling`` is the spread between transects, ``unread`` the cells nobody has decided, ``accepted`` those
    accepted by rule that nobody has looked at.
    """

    sampling: float
    unread: float
    accepted: float


def doubt_shares(parts: VarianceParts | None) -> DoubtShares | None:
    """Shares of the total variance; None for one transect, or when the transects agree and show no spread."""
    if parts is None or not parts.design:
        return None
    whole = max(parts.total, parts.read + parts.accepted)
    unread, accepted = parts.read / whole, parts.accepted / whole
    return DoubtShares(max(0.0, 1 - unread - accepted), unread, accepted)


@dataclass(frozen=True, slots=True)
class ReadCover:
    """Cover of one category with reading uncertainty.

    ``recorded`` is the number of points whose likeliest category this is, to print beside ``expected``
    points: many nearly certain points still add up to a small expected cover of what nobody wrote.
    ``sheets`` is what these sheets say (uncertainty of unread points only), ``site`` adds that between transects.
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
    shares = [point.get(category, 0.0) for point in points]
    doubtful = [p for p in shares if 0 < p < 1]
    for p in doubtful:
        pmf = np.convolve(pmf, (1 - p, p))
    sure = sum(p >= 1 for p in shares)
    return (*(0.0,) * sure, *pmf.tolist(), *(0.0,) * (len(shares) - sure - len(doubtful)))


def read_cover(
    transects: Sequence[ReadPoints], categories: Sequence[str], *, level: float = 0.95
) -> tuple[ReadCover, ...]:
    """Cover of a site from points read with probabilities; estimator and intervals as in `site_cover`.

    Assumes calibrated probabilities and independent reading errors. It is mildly conservative when the
    probabilities are calibrated within the site. When every probability is 0 or 1, ``site`` equals
    `site_cover`, which also gives the bounds for missing points. One transect gives the reading part only.

    `ValueError` where something was read that is not among the categories.
    """
    seen = {category for t in transects for one in (*t.points, t.settled) for category in one}
    if unknown := sorted(seen.difference(categories)):
        raise ValueError(f"read but not among the categories: {', '.join(unknown)}")
    used = [t for t in transects if t.legible]
    ratio = any(is_short(t.legible, t.planned) for t in used)
    return tuple(_read_category(used, category, ratio=ratio, level=level) for category in categories)


def _read_category(used: Sequence[ReadPoints], category: str, *, ratio: bool, level: float) -> ReadCover:
    if not used:
        nothing = Estimate(None, None, None, 0, "", "%", note=NO_POINTS, level=level)
        return ReadCover(category, 0, 0.0, nothing, nothing, None)
    settled = tuple(t.settled.get(category, 0) for t in used)
    legible = tuple(t.legible for t in used)
    points = [point for t in used for point in t.points]
    if points:
        moments = [category_moments(t.points, category) for t in used]
        means = [n + mean for n, (mean, _) in zip(settled, moments, strict=True)]
        parts = site_parts(means, legible, [v for _, v in moments], ratio=ratio)
        site = site_estimate(parts, sum(legible), level=level)
    else:
        means = settled
        parts, site = decided_cover(settled, legible, ratio=ratio, level=level)
    slips = site_parts(means, legible, [t.slips.get(category, 0.0) for t in used], ratio=ratio)
    parts = replace(parts, accepted=slips.read)
    recorded = sum(settled) + sum(max(point, key=point.__getitem__) == category for point in points)
    sheets = _sheets_estimate(parts, points, category, legible=sum(legible), level=level)
    return ReadCover(category, recorded, math.fsum(means), sheets, site, parts)


def _sheets_estimate(
    parts: VarianceParts, points: Sequence[Mapping[str, float]], category: str, *, legible: int, level: float
) -> Estimate:
    """What the sheets say, in percent: quantiles of the exact law of the doubtful points in this category.

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
    limits = [parts.mean + (k - expected) / legible for k in (low, high)]
    low_share = min(parts.mean, max(0.0, limits[0]))
    high_share = max(parts.mean, min(1.0, limits[1]))
    method, se = "exact law of the readings", math.sqrt(parts.read)
    estimate = Estimate(
        parts.mean, low_share, high_share, parts.transects, method, "proportion", "", "reading", level, se
    )
    return estimate.scaled(100, "%")
