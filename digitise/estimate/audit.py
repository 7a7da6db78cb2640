"""Audit of accepted cells: how many to look at, what they show, and how far two people agree.

Any error found beyond the plan means that the claim failed: report the bound, and do not sample again until clean.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from digitise.estimate.acceptance import upper_error_bound
from digitise.estimate.intervals import check_share, normal_quantile


def audit_size(rate: float, alpha: float, *, errors_allowed: int = 0) -> int:
    """Cells to look at so that at most `errors_allowed` errors show a rate below `rate` with confidence 1 - `alpha`.

    >>> audit_size(0.01, 0.05)
    299
    """
    check_share("rate", rate)
    n = max(errors_allowed + 1, math.ceil(math.log(alpha) / math.log(1 - rate) - 1e-9))
    while upper_error_bound(errors_allowed, n, alpha) > rate:
        n += 1
    return n


def audit_size_lot(lot: int, rate: float, alpha: float) -> int:
    """The same for a lot of so many cells, with no error found: smallest n whose chance of missing them all is small.

    The lot fails with ceil(`rate` x `lot`) errors or more. Hypergeometric.
    """
    check_share("rate", rate)
    check_share("alpha", alpha)
    bad = math.ceil(rate * lot - 1e-9)
    chance, n = 1.0, 0
    while chance > alpha:
        chance *= max(0, lot - bad - n) / (lot - n)
        n += 1
    return n


def most_wrong_in_lot(errors: int, sampled: int, lot: int, alpha: float) -> int:
    """Most wrong cells that a lot of so many can hold, with confidence 1 - `alpha`, after `errors` of `sampled`.

    The largest number that would still show so few errors with a chance above `alpha`; hypergeometric, one-sided.
    Exact where every cell was looked at.

    `ValueError` unless ``errors <= sampled <= lot``.

    >>> most_wrong_in_lot(0, 211, 400, 0.05)
    3
    """
    check_share("alpha", alpha)
    if not 0 <= errors <= sampled <= lot or not lot:
        raise ValueError(f"found {errors} errors in {sampled} of {lot} cells, expected errors <= sampled <= lot")
    from scipy.stats import hypergeom

    more = range(errors + 1, lot - sampled + errors + 1)  # as many as cells that nobody looked at can add
    return errors + bisect_left(more, True, key=lambda wrong: hypergeom.cdf(errors, lot, wrong, sampled) <= alpha)


def joint_upper_bound(
    lots: Sequence[int], sampled: Sequence[int], errors: Sequence[int], *, alpha: float = 0.05
) -> float:
    """Share of wrong cells in all strata together that is not exceeded with confidence 1 - `alpha`.

    The sum of the strata's own bounds, each with its part of `alpha` (Bonferroni); finite strata of `lots` cells.
    """
    each = [most_wrong_in_lot(k, n, lot, alpha / len(lots)) for k, n, lot in zip(errors, sampled, lots, strict=True)]
    return sum(each) / sum(lots)


def sizes_for_bound(lots: Sequence[int], rate: float, *, alpha: float = 0.05, fewest: int = 30) -> list[int]:
    """How many cells of each stratum to look at, so that none wrong shows a joint rate below `rate`.

    In proportion to the strata, but `fewest` of each, or all it has: rare errors of the surest readings lie there.
    """
    check_share("rate", rate)
    total = sum(lots)

    def sizes(n: int) -> list[int]:
        return [min(lot, max(fewest, math.ceil(n * lot / total))) for lot in lots]

    def enough(n: int) -> bool:
        return joint_upper_bound(lots, sizes(n), [0] * len(lots), alpha=alpha) < rate

    return sizes(bisect_left(range(total), True, key=enough))  # with every cell looked at nothing is left in doubt


def chance_of_passing(rate: float, sample: int, *, accept_up_to: int) -> float:
    """Chance that a sample has at most `accept_up_to` errors when the true error rate is `rate`."""
    from scipy.special import bdtr

    return 1.0 if accept_up_to >= sample else float(bdtr(accept_up_to, sample, rate))


@dataclass(frozen=True, slots=True)
class StratifiedRate:
    """An error rate over strata, its standard error, and a bound that holds in all strata together."""

    rate: float
    se: float
    upper: float


def stratified_rate(
    weights: Sequence[float], sampled: Sequence[int], errors: Sequence[int], *, alpha: float = 0.05
) -> StratifiedRate:
    """Error rate among accepted cells from samples of strata (say, by confidence) with known shares of all cells.

    `ValueError` where shares do not sum to 1 or a sample has fewer than two cells.

    `weights` are the strata's shares and sum to 1. The bound shares `alpha` out over the strata: wide with many.

    Cochran (1977), Sampling Techniques, 3rd edition, chapter 5 (from memory).
    """
    if abs(math.fsum(weights) - 1) > 1e-6 or not len(weights) == len(sampled) == len(errors) or min(sampled) < 2:
        raise ValueError("strata need shares that sum to 1, and samples of at least two cells each")
    rates = [k / n for k, n in zip(errors, sampled, strict=True)]
    rate = math.fsum(w * p for w, p in zip(weights, rates, strict=True))
    se = math.sqrt(math.fsum(w * w * p * (1 - p) / (n - 1) for w, p, n in zip(weights, rates, sampled, strict=True)))
    bounds = [upper_error_bound(k, n, alpha / len(weights)) for k, n in zip(errors, sampled, strict=True)]
    return StratifiedRate(rate, se, math.fsum(w * u for w, u in zip(weights, bounds, strict=True)))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of two people over categories: percent, and Cohen's kappa with its large-sample limits.

    Kappa is None when chance alone would always agree. It falls with uneven categories even where the percentage
    stays, so print both. It has no limits where all answers agree, or none does: their large-sample error is 0 then.
    """

    percent: float
    kappa: float | None
    se: float | None
    low: float | None
    high: float | None


def kappa(table: Sequence[Sequence[int]], *, level: float = 0.95) -> Agreement:
    """Agreement from a square table of counts: first person's category by row, second's by column.

    `ValueError` for a table that is not square or has no pair of answers.

    Cohen (1960), doi:10.1177/001316446002000104; standard error of Fleiss, Cohen & Everitt (1969),
    doi:10.1037/h0028106 (from memory).
    """
    check_share("level", level)
    total = sum(map(sum, table))
    if total == 0 or any(len(row) != len(table) for row in table):
        raise ValueError("agreement needs a square table with at least one pair of answers")
    same = 100 * sum(row[i] for i, row in enumerate(table)) / total
    if any(row[i] == total for i, row in enumerate(table)):
        return Agreement(same, None, None, None, None)
    import numpy as np
    from statsmodels.stats.inter_rater import cohens_kappa

    with np.errstate(invalid="ignore"):  # rounding may leave a variance a little below nothing
        found = cohens_kappa(np.array(table))
    k, se = float(found.kappa), math.sqrt(max(0.0, found.var_kappa))
    if se < 1e-9:
        return Agreement(same, k, None, None, None)
    half = normal_quantile(level) * se
    return Agreement(same, k, se, k - half, k + half)


def robust_z(value: float, history: Sequence[float]) -> float | None:
    """How far a count lies from a site's earlier ones: 0.6745 (value - median) / MAD; above 3.5 is unusual.

    None when the median absolute deviation is 0: compare with the largest value seen. Unusual is not wrong.

    Iglewicz & Hoaglin (1993), How to Detect and Handle Outliers (from memory).
    """
    from statistics import median

    middle = median(history)
    mad = median(abs(h - middle) for h in history)
    return 0.6745 * (value - middle) / mad if mad > 0 else None


def chance_of_larger_count(value: int, history_total: int, history_belts: int) -> float:
    """Chance of a count of `value` or more on one belt, given the total with so many earlier equal belts.

    Conditional binomial: under no change and no clumping the new belt's share of the total is 1 / (belts + 1).
    """
    from scipy.special import bdtrc

    return 1.0 if value <= 0 else float(bdtrc(value - 1, history_total + value, 1 / (history_belts + 1)))
