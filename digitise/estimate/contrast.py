"""Two proportions and two counts compared; and p-values of many comparisons made at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from digitise.estimate.intervals import Estimate, check_share, clopper_pearson, wilson


def newcombe_difference(hits1: float, units1: float, hits2: float, units2: float, *, level: float = 0.95) -> Estimate:
    """Difference of two proportions, first minus second, with Newcombe's hybrid score interval.

    For presence on transects or colonies; for points use effective points. Nothing seen on either side still has an
    interval. No units on a side gives an `Estimate` without numbers.

    Newcombe (1998), Statistics in Medicine 17, 873-890, method 10.
    """
    a, b = wilson(hits1, units1, level=level), wilson(hits2, units2, level=level)
    method = "Newcombe hybrid score"
    if a.value is None or b.value is None:
        return Estimate(None, None, None, 0, method, "proportion", note="no units on one side", level=level)
    d = a.value - b.value
    low = d - math.hypot(a.value - a.low, b.high - b.value)
    high = d + math.hypot(a.high - a.value, b.value - b.low)
    return Estimate(
        d, max(-1.0, low), min(1.0, high), units1 + units2, method, "proportion", scope="between-transect", level=level
    )


@dataclass(frozen=True, slots=True)
class CountRatio:
    """Ratio of two densities, first over second, with exact limits and test; None where it does not exist."""

    ratio: float | None
    low: float | None
    high: float | None
    p: float | None
    note: str = ""


def count_ratio(count1: int, area1: float, count2: int, area2: float, *, level: float = 0.95) -> CountRatio:
    """Ratio of two Poisson rates, given the total. Far too sure for animals in groups: a floor, as `garwood` is.

    `ValueError` for counts below 0 and areas not above 0.

    Limits come from Clopper-Pearson on the first count's share of the total. With nothing counted there is no test;
    with nothing counted on the second side the ratio has only a lower limit.

    Przyborowski & Wilenski (1940), Biometrika 31, 313-323 (from memory).
    """
    if min(count1, count2) < 0 or min(area1, area2) <= 0:
        raise ValueError("counts must be at least 0 and areas above 0")
    check_share("level", level)
    total = count1 + count2
    if total == 0:
        return CountRatio(None, None, None, None, "nothing counted on either side: no test")
    from scipy.stats import binomtest

    share = clopper_pearson(count1, total, level=level)
    low, high, ratio = (_odds(p, area2 / area1) for p in (share.low, share.high, count1 / total))
    p = float(binomtest(count1, total, area1 / (area1 + area2)).pvalue)
    return CountRatio(ratio, low, high, p, "" if count2 else "nothing counted on the second side: no upper limit")


def _odds(share: float, factor: float) -> float | None:
    return None if share >= 1 else share / (1 - share) * factor


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjusted p-values that keep the chance of any false alarm at the level, whatever the dependence.

    Holm (1979), Scandinavian Journal of Statistics 6, 65-70 (from memory).
    """
    order = sorted(range(len(p_values)), key=p_values.__getitem__)
    out, worst = [0.0] * len(p_values), 0.0
    for rank, i in enumerate(order):
        worst = max(worst, min(1.0, (len(p_values) - rank) * p_values[i]))
        out[i] = worst
    return tuple(out)


def benjamini_hochberg(p_values: Sequence[float]) -> tuple[float, ...]:
    """Adjusted p-values that keep the expected share of false alarms among alarms at the level.

    Benjamini & Hochberg (1995), doi:10.1111/j.2517-6161.1995.tb02031.x.
    """
    if not p_values:
        return ()
    from scipy.stats import false_discovery_control

    return tuple(false_discovery_control(p_values).tolist())
