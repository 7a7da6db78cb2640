"""Which unread cells to look at first: how much each adds to the variance of the reported cover and density.

A reported mean is linear in its cells, so a right review of one cell takes exactly its own term away, whatever the
order. The term is the square of the cell's weight in the mean (the mean's gradient) times the variance of what the
cell may say. Terms of different variables are divided by the square of a change that matters in each, and add.

A confident misreading has a small term: the order trusts the probabilities, and only an audit sees past them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

COVER_MATTERS = 0.10  # a change in cover worth acting on, as a share (a choice)
DENSITY_MATTERS = 0.5  # the same in density, as a share of the mean (a choice)


@dataclass(frozen=True, slots=True)
class CoverCell:
    """An unread point: probabilities of its categories (sum 1; empty when nothing is known), legible points of its
    line (itself counted), transects of the site.
    """

    cell: str
    chances: Mapping[str, float]
    points: int
    transects: int


@dataclass(frozen=True, slots=True)
class DensityCell:
    """An unread count: its variance, the area counted at the site in all, and the site's mean density (per m2)."""

    cell: str
    variance: float
    area_m2: float
    mean_per_m2: float


def cover_weight(one: CoverCell, *, categories: int = 0, matters: float = 1.0) -> float:
    """Variance that the point adds to the mean covers, summed over categories: w^2 (1 - sum p^2), w = 1/(T n).

    A point of which nothing is known could be any of the `categories` alike. `matters` is the change (a share) that
    counts as one.
    """
    same = math.fsum(p * p for p in one.chances.values()) if one.chances else 1 / max(1, categories)
    return (1 - same) / (one.transects * one.points * matters) ** 2


def density_weight(one: DensityCell, *, matters: float = 1.0) -> float:
    """Variance that the count adds to the mean density, in units of the square of the mean times `matters`.

    Below one animal on the whole area, one animal counts as the mean.
    """
    mean = max(one.mean_per_m2, 1 / one.area_m2)
    return one.variance / (one.area_m2 * mean * matters) ** 2


def unknown_count_variance(mean: float) -> float:
    """Variance given to a count of which nothing is known, from the mean of its neighbours: m + m^2, m at least 1.

    That of a geometric law, wide enough for animals in groups (a choice).
    """
    m = max(1.0, mean)
    return m + m * m


def first_to_review(
    points: Sequence[CoverCell], counts: Sequence[DensityCell], *, categories: int = 0
) -> tuple[tuple[str, float], ...]:
    """(cell, weight) of every unread cell, the one to look at first first; ties keep the order given.

    Weights are variances in units of a change that matters: 10 points of cover, half of a mean density.
    """
    weighed = [(p.cell, cover_weight(p, categories=categories, matters=COVER_MATTERS)) for p in points]
    weighed += [(c.cell, density_weight(c, matters=DENSITY_MATTERS)) for c in counts]
    return tuple(sorted(weighed, key=lambda item: -item[1]))
