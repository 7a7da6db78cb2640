"""Intervals of means between transects that keep their coverage for what is uneven: animals in groups, rare categories.

Such numbers are skewed: a few transects hold most of them. Student's t is symmetric, so that its upper limit falls
short of the truth too often, and the spread between a handful of transects says little of the true one. Here the
transects are reduced to the number of animals, or points, met independently of each other that they are worth, with an
allowance for how badly they tell it, and that number gets Jeffreys' limits.
"""

from __future__ import annotations

from functools import lru_cache

from digitise.estimate.intervals import Estimate, effective_points, normal_quantile, poisson_limits, t_quantile

GAMMA = "gamma interval over transects"
BETA = "beta interval over transects"
FEW_UNITS = 5  # transects; fewer may all have missed the schools, and the counts themselves do not tell
IN_SCHOOLS = "where animals keep in schools, so few transects put the upper limit too low more often than stated"
FEWEST = 2.0  # degrees of freedom: with fewer, Student's t has no spread of its own, and limits are beyond all use


def degrees_of_freedom(worth: float, transects: int) -> float:
    """How many degrees of freedom a relative variance seen on ``transects`` (at least 2) has, when they are uneven.

    `ValueError` for fewer transects, or a worth that is not above 0.

    ``worth`` is mean²/variance of the mean. For a gamma law the logarithm of that ratio varies by 2/(T - 1) + 2/worth
    to the first order (its third and fourth moments follow from its shape), which is as much as that of a chi-square
    law with these degrees of freedom: T - 1 for even transects, fewer for uneven ones. Not below 2, or T - 1 if less.

    Variances are matched as by Satterthwaite (1946), doi:10.2307/3002019 (from memory).

    >>> [round(degrees_of_freedom(worth, 8), 2) for worth in (1e9, 7.0, 0.5)], degrees_of_freedom(7.0, 2)
    ([7.0, 3.5, 2.0], 1.0)
    """
    if transects < 2 or not worth > 0:
        raise ValueError(f"two transects and something on them are needed, got {transects} transects, worth {worth}")
    return max(min(FEWEST, transects - 1.0), 1 / (1 / (transects - 1) + 1 / worth))


def effective_count(mean: float, variance: float, *, transects: int, count: float, level: float = 0.95) -> float:
    """How many animals met independently of each other ``count`` animals on ``transects`` (at least 2) are worth.

    ``mean`` (above 0) and ``variance`` are those of the mean over transects. A Poisson count of mean²/variance varies
    by as much. It shrinks by (z/t)², since few transects tell the variance badly, and is never above ``count``:
    animals more evenly spread than by chance are no proof of evenness.

    `ValueError` for fewer transects, or no animal.
    """
    if transects < 2 or not mean > 0 or not count > 0:
        raise ValueError(f"two transects and an animal are needed, got {transects} transects, {count} animals")
    if variance <= 0:
        return count
    worth = mean**2 / variance
    shrink = normal_quantile(level) / t_quantile(degrees_of_freedom(worth, transects), level)
    return min(count, worth * shrink**2)


def gamma_mean(
    mean: float,
    variance: float,
    *,
    transects: int,
    count: float,
    level: float = 0.95,
    unit: str = "",
    scope: str = "between-transect",
) -> Estimate:
    """Mean over transects with Jeffreys' Poisson limits on the effective count, in the unit of ``mean``.

    These are gamma limits as those of Fay & Feuer, with the variance seen between transects instead of the Poisson one,
    and with the allowance for few transects that Korn & Graubard make for proportions, at `degrees_of_freedom`. They
    are never inside the exact Poisson limits of all animals counted. Arguments as in `effective_count`. Takes transects
    as a random, independent sample of the site.

    Fay & Feuer (1997), doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#; Korn & Graubard (1998),
    Survey Methodology 24, 193-201; Jeffreys' limits: Brown, Cai & DasGupta (2003), Statistica Sinica 13, 19-49. How
    often it holds: ``tests/benchmarks/bench_intervals.py``. Below five transects the note says what that
    means for schools.

    >>> e = gamma_mean(5.0, 22 / 6, transects=6, count=30)
    >>> f"{e.low:.1f} to {e.high:.1f}"
    '1.2 to 14.5'
    """
    worth = effective_count(mean, variance, transects=transects, count=count, level=level)
    pairs = [(worth, False), (count, True)]
    limits = [[mean / n * limit for limit in poisson_limits(n, level=level, exact=exact)] for n, exact in pairs]
    low, high = min(a for a, _ in limits), max(b for _, b in limits)
    note = f"worth {worth:.1f} of {count:g} animals"
    if variance <= 0:
        note = "all transects equal: as if spread by chance"
    if transects < FEW_UNITS:
        note += f"; {IN_SCHOOLS}"
    se = max(0.0, variance) ** 0.5
    return Estimate(mean, low, high, transects, GAMMA, unit, note, scope, level, se)


def beta_mean(share: float, variance: float, *, transects: int, points: float, level: float = 0.95) -> Estimate:
    """Rare (or nearly complete) share over transects with Jeffreys' limits on its effective points.

    Arguments as in `effective_points`; ``variance`` is above 0 and ``share`` strictly between 0 and 1. As Korn &
    Graubard's interval, but at `degrees_of_freedom`, since effective points from a plain variance let intervals miss
    when points are clustered, and with Jeffreys' limits instead of exact ones.

    Korn & Graubard (1998), Survey Methodology 24, 193-201; on effective points and Jeffreys' limits Franco, Little,
    Louis & Slud (2019), Journal of Survey Statistics and Methodology 7, 334-364, who find that all intervals miss when
    clusters are few and their variance is taken as it is.

    >>> e = beta_mean(0.05, 0.0004, transects=8, points=320)
    >>> f"{e.low:.3f} to {e.high:.3f}"
    '0.013 to 0.137'
    """
    df = degrees_of_freedom(min(share, 1 - share) ** 2 / variance, transects)
    worth = effective_points(share, variance, transects=transects, points=points, level=level, df=df)
    low, high = _jeffreys_limits(share * worth, worth, level)
    note, scope = f"worth {worth:.1f} of {points:g} points", "between-transect"
    return Estimate(share, low, high, transects, BETA, "proportion", note, scope, level, variance**0.5)


@lru_cache(maxsize=4096)
def _jeffreys_limits(hits: float, points: float, level: float) -> tuple[float, float]:
    """Quantiles of the beta law of half a point more than there are, on either side; they hold the share."""
    from scipy.special import betainccinv, betaincinv

    a, b, tail = hits + 0.5, points - hits + 0.5, (1 - level) / 2
    low, high, share = float(betaincinv(a, b, tail)), float(betainccinv(a, b, tail)), hits / points
    return min(low, share), max(high, share)
