"""Interval of a mean count between transects that keeps its coverage for animals in groups.

Counts of animals are skewed: a few transects hold most of them. Student's t is symmetric, so that its upper limit falls
short of the truth too often, the more the animals keep together. Here the transects are reduced to the number of
animals met independently of each other that they are worth, and that number gets exact Poisson limits.
"""

from __future__ import annotations

from digitise.estimate.intervals import Estimate, normal_quantile, poisson_limits, t_quantile

__all__ = ["METHOD", "effective_count", "gamma_mean"]

METHOD = "gamma interval over transects"
EXACT_FROM = 4  # transects; a choice by the simulation study


def effective_count(mean: float, variance: float, *, transects: int, count: float, level: float = 0.95) -> float:
    """How many animals met independently of each other ``count`` animals on ``transects`` (at least 2) are worth.

    ``mean`` (above 0) and ``variance`` are those of the mean over transects. A Poisson count of mean²/variance varies
    by as much. It shrinks by (z/t)², since few transects tell the variance badly, and is never above ``count``:
    animals more evenly spread than by chance are no proof of evenness.
    """
    if transects < 2 or not mean > 0 or not count > 0:
        raise ValueError(f"two transects and an animal are needed, got {transects} transects, {count} animals")
    if variance <= 0:
        return count
    shrink = normal_quantile(level) / t_quantile(transects - 1, level)
    return min(count, mean**2 / variance * shrink**2)


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
    """Mean over transects with Poisson limits on the effective count, in the unit of ``mean``.

    These are the gamma limits of Fay & Feuer, with the variance seen between transects instead of the Poisson one, and
    with the allowance for few transects that Korn & Graubard make for proportions. With two or three transects that
    allowance is so large that exact limits (Garwood) would be wider than they need to be: there Jeffreys' limits are
    taken. Arguments as in `effective_count`. Takes transects as a random, independent sample of the site.

    Fay & Feuer (1997), doi:10.1002/(SICI)1097-0258(19970415)16:7<791::AID-SIM500>3.0.CO;2-#; Korn & Graubard (1998),
    Survey Methodology 24, 193-201; Jeffreys' limits: Brown, Cai & DasGupta (2003), Statistica Sinica 13, 19-49. How
    often it holds: ``tests/benchmarks/bench_intervals.py``.

    >>> e = gamma_mean(5.0, 22 / 6, transects=6, count=30)
    >>> f"{e.low:.1f} to {e.high:.1f}"
    '1.4 to 12.9'
    """
    worth = effective_count(mean, variance, transects=transects, count=count, level=level)
    low, high = (limit * (mean / worth) for limit in poisson_limits(worth, level=level, exact=transects >= EXACT_FROM))
    note = f"worth {worth:.1f} of {count:g} animals"
    if variance <= 0:
        note = "all transects equal: as if spread by chance"
    se = max(0.0, variance) ** 0.5
    return Estimate(mean, low, high, transects, METHOD, unit, note, scope, level, se)
