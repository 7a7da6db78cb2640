"""Intervals for all categories of one line at once.

``level`` is the confidence that every interval of the set holds, strictly between 0 and 1. The special
functions come from scipy, imported inside the functions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from digitise.estimate.intervals import Estimate, check_share, no_points, proportion_estimate, score_limits

__all__ = ["goodman", "sison_glaz"]


def _check_cells(counts: Sequence[int], level: float) -> int:
    if not counts or min(counts) < 0:
        raise ValueError(f"counts must be one or more numbers of at least 0, got {list(counts)}")
    check_share("level", level)
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
        return tuple(no_points(method, level) for _ in counts)
    from scipy.special import chdtri

    z2 = float(chdtri(1, (1 - level) / len(counts)))
    return tuple(proportion_estimate(x, total, score_limits(x, total, z2), method=method, level=level) for x in counts)


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
        return tuple(no_points(method, level) for _ in counts)
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
        replace(box, value=x / total, low=low, high=high) for x, low, high in zip(counts, lows, highs, strict=True)
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
