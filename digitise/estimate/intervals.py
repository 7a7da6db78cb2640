"""Intervals for proportions, counts and means.

Every function here is pure and returns an `Estimate`, a tuple of them, or a number. The special
functions come from scipy, imported inside the functions so that importing this module stays fast.

``level`` is the confidence, strictly between 0 and 1. Two-sided intervals leave half of ``1 - level`` on
each side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

ONE_TRANSECT = "one transect: no between-transect uncertainty"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its interval, and what the interval does and does not cover.

    ``value``, ``low``, ``high`` are in ``unit``; None means not available, and ``note`` says why.
    ``n`` counts the sampling units behind the number (points for one line, transects for a site).
    ``scope`` names what the interval covers: within-line, between-transect, reading, and so on.
    ``se`` is the standard error in ``unit`` where the method has one.
    """

    value: float | None
    low: float | None
    high: float | None
    n: int | float
    method: str
    unit: str
    note: str = ""
    scope: str = ""
    level: float = 0.95
    se: float | None = None

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"low {self.low} is above high {self.high}")
        check_share("level", self.level)

    @property
    def has_interval(self) -> bool:
        """Whether both limits are available."""
        return self.low is not None and self.high is not None

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same estimate in another unit: value, limits and standard error times ``factor`` (> 0)."""
        numbers = (self.value, self.low, self.high, self.se)
        value, low, high, se = (None if number is None else number * factor for number in numbers)
        return Estimate(value, low, high, self.n, self.method, unit, self.note, self.scope, self.level, se)


def check_hits(hits: float, points: float, level: float) -> None:
    """`ValueError` unless there are at most as many hits as points, and a level between 0 and 1."""
    if not 0 <= hits <= points:
        raise ValueError(f"hits must lie between 0 and points, got {hits} of {points}")
    check_share("level", level)


def check_share(name: str, share: float) -> None:
    """`ValueError` unless the share lies strictly between 0 and 1; ``name`` is what to call it."""
    if not 0.0 < share < 1.0:
        raise ValueError(f"{name} must lie between 0 and 1, got {share}")


def proportion_estimate(
    hits: float, points: float, limits: tuple[float, float], *, method: str, level: float
) -> Estimate:
    """An `Estimate` in [0, 1]; the open end is exactly 0 with no hits and exactly 1 with nothing but hits."""
    low = 0.0 if hits == 0 else max(0.0, limits[0])
    high = 1.0 if hits == points else min(1.0, limits[1])
    return Estimate(hits / points, low, high, points, method, "proportion", scope="within-line", level=level)


def no_points(method: str, level: float) -> Estimate:
    """An `Estimate` without numbers, for a line without points."""
    return Estimate(None, None, None, 0, method, "proportion", note="no points", level=level)


def wilson(hits: float, points: float, *, level: float = 0.95) -> Estimate:
    """Wilson score interval of a proportion, without continuity correction.

    ``0 <= hits <= points``; no points gives an `Estimate` without numbers. Takes points as independent:
    for a site use `t_mean` or `korn_graubard` over transects.

    Wilson (1927), doi:10.1080/01621459.1927.10502953; recommended for small samples by
    Brown, Cai & DasGupta (2001), doi:10.1214/ss/1009213286.

    >>> e = wilson(12, 40).scaled(100, "%")
    >>> f"{e.value:.1f} ({e.low:.1f} to {e.high:.1f})"
    '30.0 (18.1 to 45.4)'
    """
    check_hits(hits, points, level)
    if points == 0:
        return no_points("Wilson score", level)
    limits = score_limits(hits, points, normal_quantile(level) ** 2)
    return proportion_estimate(hits, points, limits, method="Wilson score", level=level)


def score_limits(hits: float, points: float, z2: float) -> tuple[float, float]:
    """Score limits of a proportion for the squared normal quantile ``z2``."""
    half = math.sqrt(z2 * (z2 + 4 * hits * (points - hits) / points))
    return (z2 + 2 * hits - half) / (2 * (points + z2)), (z2 + 2 * hits + half) / (2 * (points + z2))


def clopper_pearson(hits: float, points: float, *, level: float = 0.95) -> Estimate:
    """Exact binomial interval: guaranteed coverage, wide. Accepts effective (non-integer) points.

    No points gives an `Estimate` without numbers.

    Clopper & Pearson (1934), doi:10.1093/biomet/26.4.404.
    """
    check_hits(hits, points, level)
    if points == 0:
        return no_points("Clopper-Pearson", level)
    limits = _beta_limits(hits, points, level)
    return proportion_estimate(hits, points, limits, method="Clopper-Pearson", level=level)


@lru_cache(maxsize=4096)
def _beta_limits(hits: float, points: float, level: float) -> tuple[float, float]:
    from scipy.special import betainccinv, betaincinv

    tail = (1 - level) / 2
    low = 0.0 if hits == 0 else float(betaincinv(hits, points - hits + 1, tail))
    high = 1.0 if hits == points else float(betainccinv(hits + 1, points - hits, tail))
    return low, high


def jeffreys(hits: float, points: float, *, level: float = 0.95) -> Estimate:
    """Interval from the Beta(1/2, 1/2) prior, with limit 0 for no hits and 1 for nothing but hits.

    No points gives an `Estimate` without numbers.

    Brown, Cai & DasGupta (2001), doi:10.1214/ss/1009213286.
    """
    check_hits(hits, points, level)
    if points == 0:
        return no_points("Jeffreys", level)
    from scipy.special import betainccinv, betaincinv

    a, b, tail = hits + 0.5, points - hits + 0.5, (1 - level) / 2
    limits = (float(betaincinv(a, b, tail)), float(betainccinv(a, b, tail)))
    return proportion_estimate(hits, points, limits, method="Jeffreys", level=level)


@lru_cache(maxsize=4096)
def garwood(count: float, *, level: float = 0.95) -> Estimate:
    """Exact Poisson interval of an expected count. Far too narrow for schooling animals: show it as a floor.

    Garwood (1936), doi:10.1093/biomet/28.3-4.437.

    >>> e = garwood(10)
    >>> f"{e.low:.2f} to {e.high:.2f}"
    '4.80 to 18.39'
    """
    low, high = poisson_limits(count, level=level)
    return Estimate(count, low, high, 1, "Garwood exact Poisson", "count", scope="Poisson", level=level)


def poisson_limits(count: float, *, level: float, exact: bool = True) -> tuple[float, float]:
    """Limits of an expected count alone: Garwood's exact ones, or Jeffreys', quantiles of a gamma law of count + 1/2.

    `ValueError` for a count below 0.

    Brown, Cai & DasGupta (2003), Statistica Sinica 13, 19-49.
    """
    if not count >= 0:
        raise ValueError(f"count must be at least 0, got {count}")
    check_share("level", level)
    from scipy.special import gammainccinv, gammaincinv

    tail, half = (1 - level) / 2, 0.0 if exact else 0.5
    low = 0.0 if count == 0 else float(gammaincinv(count + half, tail))
    high = float(gammainccinv(count + (1 if exact else half), tail))
    return low, max(count, high)


def poisson_zero_upper(*, level: float = 0.95) -> Estimate:
    """One-sided upper bound of an expected count when none was seen: ``-ln(1 - level)``, 2.996 at 95 %.

    Hanley & Lippman-Hand (1983), doi:10.1001/jama.1983.03330370053031 (the rule of three).
    """
    check_share("level", level)
    method = "Poisson upper bound for none seen, one-sided"
    return Estimate(0.0, 0.0, -math.log1p(-level), 1, method, "count", scope="Poisson", level=level)


def t_mean(
    values: Sequence[float],
    *,
    level: float = 0.95,
    unit: str = "",
    cut: tuple[float, float] = (-math.inf, math.inf),
) -> Estimate:
    """Mean of one number per transect with Student's t interval, cut at the limits ``cut``.

    Takes transects as a random, independent sample of the site. One transect, or transects that all agree,
    give no interval (the note says so): an interval of zero width would claim certainty.

    Cochran (1977), Sampling Techniques, 3rd edition (from memory).
    """
    check_share("level", level)
    n, method = len(values), "t interval over transects"
    if n == 0:
        return Estimate(None, None, None, 0, method, unit, note="no transects", level=level)
    mean = math.fsum(values) / n
    if n == 1:
        return Estimate(mean, None, None, 1, method, unit, note=ONE_TRANSECT, level=level)
    if min(values) == max(values):
        note = "all transects equal: no t interval"
        return Estimate(values[0], None, None, n, method, unit, note=note, level=level, se=0.0)
    se = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n * (n - 1)))
    return t_interval(mean, se, transects=n, level=level, unit=unit, cut=cut)


def t_interval(
    value: float,
    se: float,
    *,
    transects: int,
    level: float = 0.95,
    unit: str = "",
    cut: tuple[float, float] = (-math.inf, math.inf),
) -> Estimate:
    """Student's t interval of an estimate over ``transects`` (at least 2) with standard error ``se``."""
    half = t_quantile(transects - 1, level) * se
    low, high = max(cut[0], value - half), min(cut[1], value + half)
    method, scope = "t interval over transects", "between-transect"
    return Estimate(value, low, high, transects, method, unit, scope=scope, level=level, se=se)


@lru_cache(maxsize=64)
def normal_quantile(level: float) -> float:
    """Two-sided quantile of the normal law."""
    from scipy.special import ndtri

    return float(ndtri(0.5 + level / 2))


@lru_cache(maxsize=1024)
def t_quantile(df: float, level: float) -> float:
    """Two-sided quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(df, 0.5 + level / 2))


def effective_points(
    proportion: float,
    variance: float,
    *,
    transects: int,
    points: float,
    level: float = 0.95,
    assumed_deff: float = 2.0,
    df: float | None = None,
) -> float:
    """Number of independent points that a proportion over transects is worth (Korn & Graubard's n*).

    ``variance`` is that of the mean proportion over ``transects`` (at least 2) with ``points`` points in all.
    Adjusted for the few degrees of freedom (``df``; transects - 1 when None) and capped at ``points``; ``points /
    assumed_deff`` when the variance is 0, since agreement between few transects does not show that there is no
    spread.

    `ValueError` for fewer than two transects.
    """
    if transects < 2:
        raise ValueError(f"at least two transects are needed, got {transects}")
    if variance <= 0 or not 0 < proportion < 1:
        return points / assumed_deff
    df = transects - 1 if df is None else df
    ratio = t_quantile(points - 1, level) / t_quantile(df, level) if points > 1 else 1.0
    return min(points, proportion * (1 - proportion) / variance * ratio**2)


def korn_graubard(
    proportion: float,
    variance: float,
    *,
    transects: int,
    points: float,
    level: float = 0.95,
    assumed_deff: float = 2.0,
) -> Estimate:
    """Exact-type interval of a rare proportion over transects: Clopper-Pearson on the effective points.

    Arguments as in `effective_points`. Keeps its coverage below about 20 % cover, where the t interval
    falls to 70-90 %. One transect gives no interval.

    Korn & Graubard (1998), Survey Methodology 24, 193-201 (formula from memory).
    """
    check_hits(proportion, 1, level)
    method = "Korn-Graubard over transects"
    if transects < 2:
        return Estimate(proportion, None, None, transects, method, "proportion", ONE_TRANSECT, level=level)
    worth = effective_points(
        proportion, variance, transects=transects, points=points, level=level, assumed_deff=assumed_deff
    )
    low, high = _beta_limits(proportion * worth, worth, level)
    note = f"worth {worth:.1f} of {points:g} points"
    if variance <= 0:
        note += f", design effect of {assumed_deff:g} assumed because all transects agree"
    se = math.sqrt(max(0.0, variance))
    scope = "between-transect"
    return Estimate(proportion, low, high, transects, method, "proportion", note, scope, level, se)
