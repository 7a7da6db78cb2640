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


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of two people over categories: percent, and Cohen's kappa with its large-sample limits.

    Kappa is None when chance alone would always agree. It falls with uneven categories even where the percentage
    stays, so print both.
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
    half = normal_quantile(level) * se
    return Agreement(same, k, se, k - half, k + half)
