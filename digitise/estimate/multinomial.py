"""Intervals for all categories of one line at once.

``level`` is the confidence that every interval of the set holds, strictly between 0 and 1. Scipy and statsmodels are
imported inside the functions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from digitise.estimate.intervals import Estimate, check_share, no_points, proportion_estimate, score_limits


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
    series, here that of statsmodels, which is rough when nearly all points fall in one category.

    Sison & Glaz (1995), doi:10.1080/01621459.1995.10476521.
    """
    total = _check_cells(counts, level)
    method = f"Sison-Glaz, {len(counts)} categories together"
    if total == 0:
        return tuple(no_points(method, level) for _ in counts)
    if max(counts) == total:
        note = "too few categories seen for Sison-Glaz: use Goodman"
        nothing = Estimate(None, None, None, total, method, "proportion", note, level=level)
        return tuple(replace(nothing, value=x / total) for x in counts)
    from statsmodels.stats.proportion import multinomial_proportions_confint

    limits = multinomial_proportions_confint(counts, 1 - level, method="sison-glaz").clip(0, 1)
    box = Estimate(None, None, None, total, method, "proportion", scope="within-line", level=level)
    return tuple(
        replace(box, value=x / total, low=float(low), high=float(high))
        for x, (low, high) in zip(counts, limits, strict=True)
    )
