"""Change between two surveys, or difference between two sites: effect and interval first, p second.

Units are transects: values are one number a transect (a cover in percent, a density). *Paired* means that the same
marked line was laid again; equal numbers alone are no pairing. Differences are second minus first, in the values' unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate, check_share

if TYPE_CHECKING:
    import numpy as np

MOST_ARRANGEMENTS = 100_000
ONE_EACH = "fewer than two transects on a side: the raw difference only"
ALL_EQUAL = "no spread between transects: no interval"


@dataclass(frozen=True, slots=True)
class Change:
    """A difference with its interval, and the t test beside it (None where there is none).

    ``effect`` is the difference; ``spread`` the standard deviation that a planner needs: of the differences when
    paired, else pooled over both surveys.
    """

    effect: Estimate
    t: float | None
    df: float | None
    p: float | None
    spread: float | None
    paired: bool


def paired_change(before: Sequence[float], after: Sequence[float], *, unit: str = "", level: float = 0.95) -> Change:
    """Mean difference of the same lines laid twice, in the same order, with Student's t interval.

    Raises
    ------
    ValueError
        The two have different numbers of lines.
    """
    if len(before) != len(after):
        raise ValueError(f"pairs need the same lines twice: {len(before)} before, {len(after)} after")
    differences = [b - a for a, b in zip(before, after, strict=True)]
    n, method = len(differences), "paired t over transects"
    mean = math.fsum(differences) / n if n else None
    if n < 2:
        return _without(mean, n, method, ONE_EACH, unit=unit, level=level, paired=True)
    spread = _sd(differences)
    if spread == 0:
        return _without(mean, n, method, ALL_EQUAL, unit=unit, level=level, paired=True)
    return _tested(mean, spread / math.sqrt(n), n - 1, n, method, unit=unit, level=level, spread=spread, paired=True)


def unpaired_change(before: Sequence[float], after: Sequence[float], *, unit: str = "", level: float = 0.95) -> Change:
    """Difference of means of new random lines, or of two sites, with Welch's t interval.

    Welch (1947), doi:10.1093/biomet/34.1-2.28.
    """
    n1, n2, method = len(before), len(after), "Welch t over transects"
    n = n1 + n2
    mean = math.fsum(after) / n2 - math.fsum(before) / n1 if n1 and n2 else None
    if min(n1, n2) < 2:
        return _without(mean, n, method, ONE_EACH, unit=unit, level=level, paired=False)
    v1, v2 = _sd(before) ** 2 / n1, _sd(after) ** 2 / n2
    if v1 + v2 == 0:
        return _without(mean, n, method, ALL_EQUAL, unit=unit, level=level, paired=False)
    df = (v1 + v2) ** 2 / (v1**2 / (n1 - 1) + v2**2 / (n2 - 1))
    spread = math.sqrt((v1 * n1 * (n1 - 1) + v2 * n2 * (n2 - 1)) / (n - 2))
    se = math.sqrt(v1 + v2)
    return _tested(mean, se, df, n, method, unit=unit, level=level, spread=spread, paired=False)


def _sd(values: Sequence[float]) -> float:
    """Standard deviation; exactly 0 when the values differ by rounding only."""
    mean = math.fsum(values) / len(values)
    if max(values) - min(values) <= 1e-12 * max(1.0, abs(mean)):
        return 0.0
    return math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))


def limits_together(change: Change, tests: int) -> tuple[float, float] | None:
    """Limits of a change that hold, with its level, for so many changes at once; None where it has no interval.

    Bonferroni: each is given level 1 - (1 - level) / tests. Dunn (1961), doi:10.1080/01621459.1961.10482090.
    """
    e = change.effect
    if tests < 1 or change.df is None or not e.has_interval:
        return None
    from scipy.special import stdtrit

    half = float(stdtrit(change.df, 1 - (1 - e.level) / (2 * tests))) * e.se
    return e.value - half, e.value + half


def _without(mean: float | None, n: int, method: str, note: str, *, unit: str, level: float, paired: bool) -> Change:
    check_share("level", level)
    return Change(Estimate(mean, None, None, n, method, unit, note=note, level=level), None, None, None, None, paired)


def _tested(
    mean: float, se: float, df: float, n: int, method: str, *, unit: str, level: float, spread: float, paired: bool
) -> Change:
    from scipy.special import stdtr, stdtrit

    check_share("level", level)
    half = float(stdtrit(df, 0.5 + level / 2)) * se
    t = mean / se
    effect = Estimate(mean, mean - half, mean + half, n, method, unit, scope="between-transect", level=level, se=se)
    return Change(effect, t, df, 2 * float(stdtr(df, -abs(t))), spread, paired)


@dataclass(frozen=True, slots=True)
class Permutation:
    """A permutation test: ``as_extreme`` of ``arrangements``, the two-sided ``p``, the smallest p it could give.

    ``exact`` when all arrangements were counted, else a random sample of them was.
    """

    arrangements: int
    as_extreme: int
    p: float
    smallest_p: float
    exact: bool

    @property
    def can_reach(self) -> bool:
        """Whether so few transects could give a p of 0.05 or less at all."""
        return self.smallest_p <= 0.05


def smallest_p_unpaired(first: int, second: int) -> float:
    """Smallest two-sided p that a permutation test of two groups of these sizes can give."""
    return (2 if first == second else 1) / math.comb(first + second, first)


def smallest_p_paired(pairs: int) -> float:
    """Smallest two-sided p that a sign-flip test can give: 2 / 2^n."""
    return 2 / 2**pairs


def monte_carlo_p(as_extreme: int, tried: int) -> float:
    """p from random arrangements, never 0: (b + 1) / (m + 1). Phipson & Smyth (2010), doi:10.2202/1544-6115.1585."""
    return (as_extreme + 1) / (tried + 1)


def permutation_unpaired(
    before: Sequence[float], after: Sequence[float], *, rng: np.random.Generator | None = None, tries: int = 9999
) -> Permutation:
    """Two-sided permutation test of the difference of means.

    All arrangements are counted up to 100 000 of them, else `tries` are drawn by `rng`.
    Assumes only that under no change the lines of both surveys could be exchanged.
    """
    import numpy as np

    pool, n1, n2 = np.array([*before, *after], dtype=float), len(before), len(after)
    total, seen = float(pool.sum()), abs(math.fsum(after) / n2 - math.fsum(before) / n1)
    count = math.comb(n1 + n2, n1)
    if count <= MOST_ARRANGEMENTS:
        sums = pool[np.array(list(combinations(range(n1 + n2), n1)))].sum(axis=1)
    else:
        sums = np.array([rng_needed(rng).permutation(pool)[:n1].sum() for _ in range(tries)])
    differences = np.abs((total - sums) / n2 - sums / n1)
    return _permutation(differences, seen, count <= MOST_ARRANGEMENTS, smallest_p_unpaired(n1, n2))


def permutation_paired(
    differences: Sequence[float], *, rng: np.random.Generator | None = None, tries: int = 9999
) -> Permutation:
    """Two-sided sign-flip test of a mean difference; all sign patterns up to 100 000, else `tries` drawn by `rng`."""
    import numpy as np

    d, n = np.array(differences, dtype=float), len(differences)
    exact = 2**n <= MOST_ARRANGEMENTS
    signs = np.array(list(_signs(n))) if exact else rng_needed(rng).choice((-1.0, 1.0), size=(tries, n))
    return _permutation(np.abs(signs @ d) / n, abs(math.fsum(differences)) / n, exact, smallest_p_paired(n))


def _signs(n: int) -> Iterator[tuple[float, ...]]:
    return product((-1.0, 1.0), repeat=n)


def rng_needed(rng: np.random.Generator | None) -> np.random.Generator:
    """`rng`; `ValueError` when it was not given."""
    if rng is None:
        raise ValueError(f"more than {MOST_ARRANGEMENTS} arrangements: pass rng to draw some of them")
    return rng


def _permutation(statistics: np.ndarray, seen: float, exact: bool, smallest: float) -> Permutation:
    as_extreme = int((statistics >= seen * (1 - 1e-9) - 1e-12).sum())
    tried = len(statistics)
    p = as_extreme / tried if exact else monte_carlo_p(as_extreme, tried)
    return Permutation(tried, as_extreme, p, smallest, exact)
