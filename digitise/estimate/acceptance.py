"""Which readings to accept without a person: thresholds with a guaranteed error rate.

``delta`` is the risk that a guarantee fails, strictly between 0 and 1. The special functions come from scipy,
imported inside the functions.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from digitise.estimate.intervals import check_hits, check_share


def upper_error_bound(errors: int, accepted: int, delta: float) -> float:
    """Upper bound, with confidence ``1 - delta``, of the error rate among accepted cells; 1 if all are wrong.

    One-sided Clopper-Pearson (1934), doi:10.1093/biomet/26.4.404. No accepted cells gives 1.
    """
    check_hits(errors, accepted, delta)
    if errors == accepted:
        return 1.0
    from scipy.special import betainccinv

    return float(betainccinv(errors + 1, accepted - errors, delta))


def acceptance_p_value(errors: int, accepted: int, target: float) -> float:
    """Chance of so few errors if the true rate were ``target``: P(Binomial(accepted, target) <= errors)."""
    check_hits(errors, accepted, target)
    from scipy.special import bdtr

    return 1.0 if errors == accepted else float(bdtr(errors, accepted, target))


def corrected_risk(errors: int, cells: int) -> float:
    """Expected share of cells offered that are accepted and wrong, corrected for one unseen cell.

    Conformal risk control: (n/(n+1)) R + 1/(n+1). It bounds an expectation and says nothing of the rate among accepted
    cells, so it is a secondary figure. Angelopoulos et al. (2024), arXiv:2208.02814.
    """
    return (errors + 1) / (cells + 1)


def design_effect_of_pages(pages: Sequence[int], wrong: Sequence[bool]) -> float:
    """How much more the error rate varies for cells that share pages than for independent ones; at least 1.

    Parameters
    ----------
    pages, wrong : for each cell, the number of its page and whether it is wrong
        Variance between pages of the ratio of errors to cells (linearised) over its binomial variance. Without any
        error, or with only errors, nothing can be said: 1.

    Kish (1965), Survey Sampling, Wiley, chapter 5.
    """
    cells, bad = Counter(pages), Counter(p for p, is_wrong in zip(pages, wrong, strict=True) if is_wrong)
    errors, size = np.array([bad[p] for p in cells], float), np.array(list(cells.values()), float)
    rate = errors.sum() / max(size.sum(), 1)
    if len(errors) < 2 or rate in (0.0, 1.0):
        return 1.0
    between = len(errors) / (len(errors) - 1) * np.square(errors - rate * size).sum() / size.sum() ** 2
    return float(max(1.0, between / (rate * (1 - rate) / size.sum())))


@dataclass(frozen=True, slots=True)
class ThresholdStep:
    """One threshold of a sequence: accepted cells, errors among them, p-value, upper error bound, verdict."""

    threshold: float
    accepted: int
    errors: int
    p_value: float
    upper: float
    passed: bool


@dataclass(frozen=True, slots=True)
class ThresholdChoice:
    """The threshold whose error rate is certified, or None: accept nothing, review every cell."""

    threshold: float | None
    target: float
    delta: float
    steps: tuple[ThresholdStep, ...]

    @property
    def chosen(self) -> ThresholdStep | None:
        """The last passed step, or None."""
        passed = [step for step in self.steps if step.passed]
        return passed[-1] if passed else None


def fixed_sequence(
    thresholds: Sequence[float], accepted: Sequence[int], errors: Sequence[int], target: float, delta: float
) -> ThresholdChoice:
    """Loosest confidence threshold whose error rate is below ``target`` with confidence ``1 - delta``.

    `ValueError` where lengths differ, thresholds do not decrease, or counts fall.

    Parameters
    ----------
    thresholds : strictly decreasing, fixed before these calibration cells were looked at
    accepted, errors : per threshold, calibration cells with at least that confidence, and errors among them
    target, delta : both strictly between 0 and 1

    Tests go from strict to loose and stop at the first failure, so no correction for many thresholds is
    needed. Valid for independent calibration cells (one a page) from the same population as later use; it
    speaks of the average over accepted cells, not of each sheet. The steps after the stop are kept, with
    ``passed`` false, to show what was seen.

    Angelopoulos et al. (2025), doi:10.1214/24-AOAS1998.
    """
    if not len(thresholds) == len(accepted) == len(errors):
        raise ValueError("thresholds, accepted and errors must have equal lengths")
    if any(a <= b for a, b in pairwise(thresholds)):
        raise ValueError("thresholds must decrease from strict to loose")
    for name, share in (("target", target), ("delta", delta)):
        check_share(name, share)
    for name, counts in (("accepted", accepted), ("errors", errors)):
        if any(a > b for a, b in pairwise(counts)):
            raise ValueError(f"{name} must not fall as the threshold loosens")
    steps, going = [], True
    for tau, n, k in zip(thresholds, accepted, errors, strict=True):
        p_value = acceptance_p_value(k, n, target)
        going = going and p_value <= delta
        steps.append(ThresholdStep(tau, n, k, p_value, upper_error_bound(k, n, delta), going))
    passed = [step.threshold for step in steps if step.passed]
    return ThresholdChoice(passed[-1] if passed else None, target, delta, tuple(steps))
