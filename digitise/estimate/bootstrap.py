"""Bootstrap interval of a mean over transects, for designs with enough of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate, check_share

if TYPE_CHECKING:
    import numpy as np

FEWEST = 10  # under ten transects the bootstrap under-covers badly (a choice)


def acceleration(values: Sequence[float]) -> float:
    """Acceleration constant of the mean from the jackknife: skewness of the values over 6 sqrt(n); 0 if all equal."""
    n = len(values)
    mean = math.fsum(values) / n
    pull = [(v - mean) / (n - 1) for v in values]  # how far the mean moves when one value is left out
    square = math.fsum(u * u for u in pull)
    return math.fsum(u**3 for u in pull) / (6 * square**1.5) if square > 0 else 0.0


def bca_mean(
    values: Sequence[float], rng: np.random.Generator, *, resamples: int = 9999, level: float = 0.95, unit: str = ""
) -> Estimate:
    """Mean over transects with the bias-corrected and accelerated bootstrap interval.

    Whole transects are drawn anew. Under ten transects, or when all are equal, there is no interval: the bootstrap of
    a mean covers too little in small samples (Owen 2025, arXiv:2508.10083).

    Efron (1987), doi:10.1080/01621459.1987.10478410.
    """
    check_share("level", level)
    n, method = len(values), "BCa bootstrap over transects"
    mean = math.fsum(values) / n if n else None
    if n < FEWEST or min(values) == max(values):
        note = f"under {FEWEST} transects: no bootstrap" if n < FEWEST else "all transects equal: no bootstrap"
        return Estimate(mean, None, None, n, method, unit, note=note, level=level)
    import numpy as np
    from scipy.special import ndtr, ndtri

    draws = np.asarray(values, dtype=float)[rng.integers(0, n, size=(resamples, n))].mean(axis=1)
    below = ((draws < mean).sum() + (draws <= mean).sum()) / (2 * resamples)
    bias, a = float(ndtri(below)), acceleration(values)
    tails = [bias + float(ndtri(q)) for q in ((1 - level) / 2, (1 + level) / 2)]
    low, high = (float(v) for v in np.quantile(draws, [ndtr(bias + z / (1 - a * z)) for z in tails]))
    se = float(draws.std(ddof=1))
    return Estimate(mean, low, high, n, method, unit, scope="between-transect", level=level, se=se)
