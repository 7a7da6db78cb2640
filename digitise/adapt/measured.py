"""Curves behind a measurement: what is wrong at each share accepted, and how honest the stated probabilities are.

Both take readings beside their truth (`digitise.adapt.evaluate.Judged`). Intervals are Clopper-Pearson at 95 %, cells
taken as independent, each point by itself. Clopper & Pearson (1934), doi:10.1093/biomet/26.4.404.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from digitise.adapt.evaluate import Judged, calibration_bins
from digitise.estimate.intervals import clopper_pearson

MOST_POINTS = 120  # of a curve that is drawn


@dataclass(frozen=True, slots=True)
class RiskPoint:
    """The readings of at least this `confidence`: how many, which share of all, how many wrong, and the rate's bounds.

    Rates are shares, not per 1,000. Wrong are readings that, accepted, would be silent errors: also those of cells that
    only a person may decide.
    """

    confidence: float
    cells: int
    share: float
    wrong: int
    rate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ReliabilityBin:
    """Readings of neighbouring confidence: how many, their mean confidence, and the share right with its bounds."""

    cells: int
    right: int
    stated: float
    seen: float
    low: float
    high: float


def risk_coverage(judged: Sequence[Judged], *, most: int = MOST_POINTS) -> tuple[RiskPoint, ...]:
    """Risk-coverage curve: readings accepted from the most confident down, a point where the confidence changes.

    Readings of one confidence are accepted together. Doubtful ones are never accepted, so that the curve may end
    before all are. Of many points about `most` are kept, evenly along the shares; the first and the last always.

    El-Yaniv & Wiener (2010), Journal of Machine Learning Research 11, 1605-1641 (from memory).
    """
    ranked = sorted((j for j in judged if not j.doubtful), key=lambda j: -j.confidence)
    confidence = np.array([j.confidence for j in ranked])
    wrong = np.cumsum([not j.right or j.truth.must_flag for j in ranked])
    ends = np.flatnonzero(np.append(confidence[1:] != confidence[:-1], True)) if len(ranked) else np.array([], int)
    if len(ends) > most:
        wanted = np.linspace(ends[0], ends[-1], most)
        ends = np.unique(ends[np.searchsorted(ends, wanted)])
    points = []
    for end in ends.tolist():
        cells, errors = end + 1, int(wrong[end])
        bound = clopper_pearson(errors, cells)
        rate, share = errors / cells, cells / len(judged)
        points.append(RiskPoint(float(confidence[end]), cells, share, errors, rate, bound.low, bound.high))
    return tuple(points)


def reliability(judged: Sequence[Judged]) -> tuple[ReliabilityBin, ...]:
    """Reliability diagram over the bins of the expected calibration error (`digitise.adapt.evaluate`)."""
    return tuple(_bin(stated, hit) for stated, hit in calibration_bins(judged))


def _bin(stated: np.ndarray, hit: np.ndarray) -> ReliabilityBin:
    right = int(hit.sum())
    bound = clopper_pearson(right, len(hit))
    return ReliabilityBin(len(hit), right, float(stated.mean()), right / len(hit), bound.low, bound.high)
