"""Intervals for proportions, counts and means, and thresholds with a guaranteed error rate.

Every function here is pure and returns an `Estimate`, a tuple of them, or a number. The special
functions come from scipy, imported inside the functions so that importing this module stays fast.

``level`` is the confidence, strictly between 0 and 1. Two-sided intervals leave half of ``1 - level`` on
each side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

__all__ = [
    "Acceptance",
    "Estimate",
    "ThresholdStep",
    "acceptance_p_value",
    "clopper_pearson",
    "effective_points",
    "fixed_sequence",
    "garwood",
    "goodman",
    "jeffreys",
    "korn_graubard",
    "poisson_zero_upper",
    "sison_glaz",
    "t_interval",
    "t_mean",
    "upper_error_bound",
    "wilson",
]

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
        _check_share("level", self.level)

    @property
    def has_interval(self) -> bool:
        """Whether both limits are available."""
        return self.low is not None and self.high is not None

    def scaled(self, factor: float, unit: str) -> Estimate:
        """The same estimate in another unit: value, limits and standard error times ``factor`` (> 0)."""
        numbers = (self.value, self.low, self.high, self.se)
        value, low, high, se = (None if number is None else number * factor for number in numbers)
        return replace(self, value=value, low=low, high=high, se=se, unit=unit)


def _check_hits(hits: float, points: float, level: float) -> None:
    if not 0 <= hits <= points:
        raise ValueError(f"hits must lie between 0 and points, got {hits} of {points}")
    _check_share("level", level)


def _check_share(name: str, share: float) -> None:
    if not 0.0 < share < 1.0:
        raise ValueError(f"{name} must lie between 0 and 1, got {share}")


def _proportion(
    hits: float, points: float, limits: tuple[float, float], *, method: str, level: float
) -> Estimate:
    """An `Estimate` in [0, 1]; the open end is exactly 0 with no hits and exactly 1 with nothing but hits."""
    low = 0.0 if hits == 0 else max(0.0, limits[0])
    high = 1.0 if hits == points else min(1.0, limits[1])
    return Estimate(hits / points, low, high, points, method, "proportion", scope="within-line", level=level)


def _no_points(method: str, level: float) -> Estimate:
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
    _check_hits(hits, points, level)
    if points == 0:
        return _no_points("Wilson score", level)
    from scipy.special import ndtri

    z2 = float(ndtri(0.5 + level / 2)) ** 2
    return _proportion(hits, points, _score_limits(hits, points, z2), method="Wilson score", level=level)


def _score_limits(hits: float, points: float, z2: float) -> tuple[float, float]:
    """Score limits of a proportion for the squared normal quantile ``z2``."""
    half = math.sqrt(z2 * (z2 + 4 * hits * (points - hits) / points))
    return (z2 + 2 * hits - half) / (2 * (points + z2)), (z2 + 2 * hits + half) / (2 * (points + z2))


def clopper_pearson(hits: float, points: float, *, level: float = 0.95) -> Estimate:
    """Exact binomial interval: guaranteed coverage, wide. Accepts effective (non-integer) points.

    No points gives an `Estimate` without numbers.

    Clopper & Pearson (1934), doi:10.1093/biomet/26.4.404.
    """
    _check_hits(hits, points, level)
    if points == 0:
        return _no_points("Clopper-Pearson", level)
    return _proportion(hits, points, _beta_limits(hits, points, level), method="Clopper-Pearson", level=level)


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
    _check_hits(hits, points, level)
    if points == 0:
        return _no_points("Jeffreys", level)
    from scipy.special import betainccinv, betaincinv

    a, b, tail = hits + 0.5, points - hits + 0.5, (1 - level) / 2
    limits = (float(betaincinv(a, b, tail)), float(betainccinv(a, b, tail)))
    return _proportion(hits, points, limits, method="Jeffreys", level=level)


def _check_cells(counts: Sequence[int], level: float) -> int:
    if not counts or min(counts) < 0:
        raise ValueError(f"counts must be one or more numbers of at least 0, got {list(counts)}")
    _check_share("level", level)
    return sum(counts)


def goodman(counts: Sequence[int], *, level: float = 0.95) -> tuple[Estimate, ...]:
    """Simultaneous intervals for all cells of one multinomial, in the order given.

    Score limits with the level shared over ``len(counts)`` cells, so list empty cells too. Good with few
    points. Takes points as independent: for one line, never for a site's raw points.

    Goodman (1965), doi:10.1080/00401706.1965.10490252.
    """
    total = _check_cells(counts, level)
    method = f"Goodman, {len(counts)} categories together"
    if total == 0:
        return tuple(_no_points(method, level) for _ in counts)
    from scipy.special import chdtri

    z2 = float(chdtri(1, (1 - level) / len(counts)))
    return tuple(
        _proportion(x, total, _score_limits(x, total, z2), method=method, level=level) for x in counts
    )


def sison_glaz(counts: Sequence[int], *, level: float = 0.95) -> tuple[Estimate, ...]:
    """Simultaneous multinomial intervals of equal width, in the order given.

    Narrow for many even cells; too generous to empty cells when there are about 40 uneven points, where
    `goodman` is better. Not available (None limits) when only one category was seen. Rests on an Edgeworth
    series: codes differ in the fifth decimal, and it is rough when nearly all points fall in one category.

    Sison & Glaz (1995), doi:10.1080/01621459.1995.10476521.
    """
    total = _check_cells(counts, level)
    method = f"Sison-Glaz, {len(counts)} categories together"
    if total == 0:
        return tuple(_no_points(method, level) for _ in counts)
    inside, reach = _chance_within(counts, 0), 0
    if inside >= level:
        note = "too few points or categories seen for Sison-Glaz: use Goodman"
        nothing = Estimate(None, None, None, total, method, "proportion", note, level=level)
        return tuple(replace(nothing, value=x / total) for x in counts)
    wider = _chance_within(counts, 1)
    while wider < level and reach < total:
        reach, inside, wider = reach + 1, wider, _chance_within(counts, reach + 2)
    upward = reach + 2 * ((level - inside) / (wider - inside) if wider >= level else 1.0)
    lows = [max(0.0, (x - reach) / total) for x in counts]
    highs = [min(1.0, (x + upward) / total) for x in counts]
    box = Estimate(None, None, None, total, method, "proportion", scope="within-line", level=level)
    return tuple(
        replace(box, value=x / total, low=low, high=high)
        for x, low, high in zip(counts, lows, highs, strict=True)
    )


def _chance_within(counts: Sequence[int], reach: int) -> float:
    """Chance that every cell of a new multinomial sample lies within ``reach`` of ``counts``.

    Independent Poisson cells cut to their windows, conditioned on the total, whose probability comes from
    an Edgeworth series; exact for ``reach`` 0, where that series does not exist.
    """
    import numpy as np
    from scipy.special import gammaln, xlogy

    x = np.asarray(counts, dtype=float)
    total = x.sum()
    if reach == 0:
        return float(np.exp(gammaln(total + 1) - gammaln(x + 1).sum() + xlogy(x, x / total).sum()))
    log_mass, moments = 0.0, np.zeros(4)
    for mean in x:
        k = np.arange(max(0.0, mean - reach), mean + reach + 1)
        pmf = np.exp(xlogy(k, mean) - mean - gammaln(k + 1))
        log_mass += math.log(pmf.sum())
        centre = (k * pmf).sum() / pmf.sum()
        var, third, fourth = (((k - centre) ** power * pmf).sum() / pmf.sum() for power in (2, 3, 4))
        moments += (centre, var, third, fourth - 3 * var**2)
    log_total = gammaln(total + 1) - xlogy(total, total) + total
    return float(np.exp(log_total + log_mass)) * _edgeworth_density(float(total), moments)


def _edgeworth_density(total: float, moments: Sequence[float]) -> float:
    """Density at ``total`` of a sum with the given mean, variance, third and fourth cumulants."""
    mean, var, third, fourth = (float(m) for m in moments)
    z, skew, excess = (total - mean) / math.sqrt(var), third / var**1.5, fourth / var**2
    series = (
        1
        + skew / 6 * (z**3 - 3 * z)
        + excess / 24 * (z**4 - 6 * z**2 + 3)
        + skew**2 / 72 * (z**6 - 15 * z**4 + 45 * z**2 - 15)
    )
    return math.exp(-z * z / 2) / math.sqrt(2 * math.pi * var) * series


def garwood(count: float, *, level: float = 0.95) -> Estimate:
    """Exact Poisson interval of an expected count. Far too narrow for schooling animals: show it as a floor.

    Garwood (1936), doi:10.1093/biomet/28.3-4.437.

    >>> e = garwood(10)
    >>> f"{e.low:.2f} to {e.high:.2f}"
    '4.80 to 18.39'
    """
    if not count >= 0:
        raise ValueError(f"count must be at least 0, got {count}")
    _check_share("level", level)
    from scipy.special import gammainccinv, gammaincinv

    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    high = float(gammainccinv(count + 1, tail))
    return Estimate(count, low, high, 1, "Garwood exact Poisson", "count", scope="Poisson", level=level)


def poisson_zero_upper(*, level: float = 0.95) -> Estimate:
    """One-sided upper bound of an expected count when none was seen: ``-ln(1 - level)``, 2.996 at 95 %.

    Hanley & Lippman-Hand (1983), doi:10.1001/jama.1983.03330370053031 (the rule of three).
    """
    _check_share("level", level)
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
    _check_share("level", level)
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
    half = _t_quantile(transects - 1, level) * se
    low, high = max(cut[0], value - half), min(cut[1], value + half)
    method, scope = "t interval over transects", "between-transect"
    return Estimate(value, low, high, transects, method, unit, scope=scope, level=level, se=se)


def _t_quantile(df: float, level: float) -> float:
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
) -> float:
    """Number of independent points that a proportion over transects is worth (Korn & Graubard's n*).

    ``variance`` is that of the mean proportion over ``transects`` (at least 2) with ``points`` points in all.
    Adjusted for the few degrees of freedom and capped at ``points``; ``points / assumed_deff`` when the
    variance is 0, since agreement between few transects does not show that there is no spread.
    """
    if transects < 2:
        raise ValueError(f"at least two transects are needed, got {transects}")
    if variance <= 0 or not 0 < proportion < 1:
        return points / assumed_deff
    ratio = _t_quantile(points - 1, level) / _t_quantile(transects - 1, level) if points > 1 else 1.0
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
    _check_hits(proportion, 1, level)
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


def upper_error_bound(errors: int, accepted: int, delta: float) -> float:
    """Upper bound, with confidence ``1 - delta``, of the error rate among accepted cells; 1 if all are wrong.

    One-sided Clopper-Pearson (1934), doi:10.1093/biomet/26.4.404. No accepted cells gives 1.
    """
    _check_hits(errors, accepted, delta)
    if errors == accepted:
        return 1.0
    from scipy.special import betainccinv

    return float(betainccinv(errors + 1, accepted - errors, delta))


def acceptance_p_value(errors: int, accepted: int, target: float) -> float:
    """Chance of so few errors if the true rate were ``target``: P(Binomial(accepted, target) <= errors)."""
    _check_hits(errors, accepted, target)
    from scipy.special import bdtr

    return 1.0 if errors == accepted else float(bdtr(errors, accepted, target))


@dataclass(frozen=True, slots=True)
class ThresholdStep:
    """One threshold of a sequence: accepted cells, errors among them, p-value, upper error bound, verdict."""

    threshold: float
    accepted: int
    errors: int
    p_value: float
    upper: float
    passed: bool


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The threshold whose error rate is certified, or None: accept nothing, review every cell."""

    threshold: float | None
    target: float
    delta: float
    steps: tuple[ThresholdStep, ...]

    @property
    def chosen(self) -> ThresholdStep | None:
        """The last passed step, or None."""
        passed = [step for step in self.steps if step.passed]
        return passed[-1] if passed else None


def fixed_sequence(
    thresholds: Sequence[float], accepted: Sequence[int], errors: Sequence[int], target: float, delta: float
) -> Acceptance:
    """Loosest confidence threshold whose error rate is below ``target`` with confidence ``1 - delta``.

    Parameters
    ----------
    thresholds : strictly decreasing, fixed before these calibration cells were looked at
    accepted, errors : per threshold, calibration cells with at least that confidence, and errors among them
    target, delta : both strictly between 0 and 1

    Tests go from strict to loose and stop at the first failure, so no correction for many thresholds is
    needed. Valid for independent calibration cells (one a page) from the same population as later use; it
    speaks of the average over accepted cells, not of each sheet. The steps after the stop are kept, with
    ``passed`` false, to show what was seen.

    Angelopoulos et al. (2025), doi:10.1214/24-AOAS1998.
    """
    if not len(thresholds) == len(accepted) == len(errors):
        raise ValueError("thresholds, accepted and errors must have equal lengths")
    if any(a <= b for a, b in pairwise(thresholds)):
        raise ValueError("thresholds must decrease from strict to loose")
    for name, share in (("target", target), ("delta", delta)):
        _check_share(name, share)
    for name, counts in (("accepted", accepted), ("errors", errors)):
        if any(a > b for a, b in pairwise(counts)):
            raise ValueError(f"{name} must not fall as the threshold loosens")
    steps, going = [], True
    for tau, n, k in zip(thresholds, accepted, errors, strict=True):
        p_value = acceptance_p_value(k, n, target)
        going = going and p_value <= delta
        steps.append(ThresholdStep(tau, n, k, p_value, upper_error_bound(k, n, delta), going))
    passed = [step.threshold for step in steps if step.passed]
    return Acceptance(passed[-1] if passed else None, target, delta, tuple(steps))
