"""On how many transects something was seen, and how unevenly it was counted.

The sampling unit is the transect. A transect on which a count or a tick is not known says nothing either way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from digitise.estimate.intervals import Estimate, wilson

FEW = 5  # with fewer transects the test of Poisson spread sees next to nothing


@lru_cache(maxsize=4096)
def occurrence(seen: int, transects: int, *, level: float = 0.95) -> Estimate:
    """Share of transects (percent) on which something was seen, with the Wilson interval.

    Transects are independent draws of the site, so a binomial interval is right here, as it is not for points.
    No transect with a known answer gives an `Estimate` without numbers.

    >>> e = occurrence(1, 3)
    >>> f"{e.value:.0f} % ({e.low:.0f} to {e.high:.0f})"
    '33 % (6 to 79)'
    """
    estimate = wilson(seen, transects, level=level)
    if transects == 0:
        return replace(estimate, unit="%", note="no transect with a known answer")
    return replace(estimate.scaled(100, "%"), scope="between-transect")


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Spread of counts between transects against that of a Poisson law.

    ``index`` is variance over mean (1 for Poisson, above 1 when animals keep together), ``p`` the chance of so
    large an index under Poisson, ``k`` the moment estimate of the negative binomial's size (small: strongly
    clumped; None when the variance does not exceed the mean, where Poisson is used).
    """

    transects: int
    mean: float
    variance: float | None
    index: float | None
    p: float | None
    k: float | None
    note: str = ""


def dispersion(counts: Sequence[float]) -> Dispersion:
    """Index of dispersion of counts on equal belts, with its chi-square test; None where nothing can be said.

    (T-1) times the index follows chi-square with T-1 degrees of freedom under Poisson. Under five transects a large
    p says nothing, and ``note`` says so.
    """
    n = len(counts)
    mean = math.fsum(counts) / n if n else 0.0
    if n < 2:
        return Dispersion(n, mean, None, None, None, None, "one transect or none: no spread to judge")
    variance = math.fsum((x - mean) ** 2 for x in counts) / (n - 1)
    if mean == 0:
        return Dispersion(n, 0.0, 0.0, None, None, None, "none seen: no spread to judge")
    from scipy.special import chdtrc

    index = variance / mean
    p = float(chdtrc(n - 1, (n - 1) * index))
    k = mean**2 / (variance - mean) if variance > mean else None
    notes = [f"under {FEW} transects a large p is no sign of Poisson"] if n < FEW else []
    notes += ["no overdispersion seen: Poisson"] if k is None else []
    return Dispersion(n, mean, variance, index, p, k, "; ".join(notes))


def negative_binomial_k(counts: Sequence[int]) -> float | None:
    """Maximum likelihood size k of a negative binomial; None when the variance does not exceed the mean.

    Biased upward for few transects, so that clumping is understated: under ten, take k from the pooled history of
    the taxon. Lloyd-Smith (2007), doi:10.1371/journal.pone.0000180.
    """
    n, mean = len(counts), math.fsum(counts) / max(1, len(counts))
    if n < 2 or math.fsum((x - mean) ** 2 for x in counts) / n <= mean:
        return None
    import numpy as np
    from scipy.optimize import brentq
    from scipy.special import digamma

    x = np.asarray(counts, dtype=float)

    def slope(log_k: float) -> float:
        k = math.exp(log_k)
        return float(np.sum(digamma(x + k) - digamma(k)) - n * math.log1p(mean / k))

    most = math.log(1e5)  # beyond it the law is Poisson to all purposes
    return math.exp(brentq(slope, math.log(1e-6), most)) if slope(most) < 0 else None
