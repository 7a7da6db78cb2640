"""From evidence to honest probability, and who decides: calibrated confidence and acceptance thresholds.

Each group of readings has a monotone curve from score to probability and a threshold on that probability, both
set on simulated photographs by writers and cameras that training never saw (`digitise.train.calibrate`), kept in
``models/acceptance.json`` with the numbers they rest on.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from digitise.characters import MODELS

DOUBTFUL = " in doubt"  # suffix of the groups of readings that carry a reason for review
NEVER = 2.0  # a threshold that no probability reaches
SMALLEST_BIN, BIN_GROWTH = 30, 1.2  # readings in the most doubtful bin, and how much larger each next one is
FINEST = 6.0  # scores closer to 1 than 10^-6 are not told apart


@dataclass(frozen=True, slots=True)
class Curve:
    """Calibration of one group: probability at each knot of certainty (`certainty_of` the score), and the threshold.

    `accepted` and `errors` are the counts behind the threshold, `bound` the upper limit of the error rate among
    accepted readings at confidence ``1 - delta``, both counts first divided by `design_effect`: how much less cells of
    the same pages tell than as many cells of different pages.
    """

    knots: tuple[float, ...]
    probability: tuple[float, ...]
    threshold: float
    target: float
    delta: float
    accepted: int
    errors: int
    bound: float
    design_effect: float = 1.0

    def confidence(self, score: float) -> float:
        """Calibrated probability that the reading is right."""
        return float(np.interp(certainty_of(score), self.knots, self.probability))


def certainty_of(score: float | np.ndarray) -> np.ndarray:
    """Score in [0, 1] as decimal places of certainty, 0 to `FINEST`: 0.9 is 1, 0.99 is 2."""
    return -np.log10(np.clip(1.0 - np.asarray(score, dtype=np.float64), 10.0**-FINEST, 1.0))


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Curves by group, and what they were set on in words."""

    curves: dict[str, Curve]
    basis: str

    def judge(self, group: str, score: float, *, doubtful: bool = False) -> tuple[float, bool]:
        """(confidence, accepted) of a score in a group.

        A `doubtful` reading (one that a person must look at for a stated reason) has a curve of its own and is
        never accepted; nor is one of an unknown group.
        """
        curve = self.curves.get(f"{group}{DOUBTFUL}" if doubtful else group)
        if curve is None:
            return float(np.clip(score, 0.0, 0.5)), False
        confidence = curve.confidence(score)
        return confidence, not doubtful and confidence >= curve.threshold

    def to_json(self) -> str:
        """The file's content."""
        return json.dumps({"basis": self.basis, "curves": {k: asdict(c) for k, c in self.curves.items()}}, indent=1)


def read_acceptance(path: Path) -> Acceptance:
    """Acceptance from a file written by `Acceptance.to_json`."""
    data = json.loads(path.read_text(encoding="utf-8"))
    curves = {
        k: Curve(**{n: tuple(v) if isinstance(v, list) else v for n, v in c.items()}) for k, c in data["curves"].items()
    }
    return Acceptance(curves, data["basis"])


@lru_cache(maxsize=1)
def shipped_acceptance() -> Acceptance:
    """The acceptance that comes with the package's networks."""
    return read_acceptance(MODELS / "acceptance.json")


def fit_curve(scores: np.ndarray, right: np.ndarray) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Monotone calibration by pool-adjacent-violators over bins of certainty, with a small-sample floor.

    Bins grow from the doubtful end, where few readings are and most errors.

    Parameters
    ----------
    scores : (N,) float ndarray in [0, 1]
    right : (N,) bool ndarray

    Returns
    -------
    knots, probability : tuples of float
        Increasing certainty and non-decreasing probability. Each bin's rate is (right + 1/2) / (n + 1), so no
        finite sample is taken for certainty.

    References
    ----------
    Ayer et al. (1955), Ann. Math. Statist. 26, 641-647. doi:10.1214/aoms/1177728423
    """
    order = np.argsort(scores, kind="stable")
    certainty, hit = certainty_of(scores[order]), right[order].astype(np.float64)
    edges = np.cumsum(SMALLEST_BIN * BIN_GROWTH ** np.arange(80)).astype(int)
    edges = edges[edges < len(scores) - SMALLEST_BIN]
    blocks = [
        [float(c.mean()), float(h.sum()), float(len(h))]
        for c, h in zip(np.split(certainty, edges), np.split(hit, edges), strict=True)
        if len(h)
    ]
    merged: list[list[float]] = []
    for block in blocks:
        merged.append(block)
        while len(merged) > 1 and _rate(merged[-2]) >= _rate(merged[-1]):
            c, h, n = merged.pop()
            pc, ph, pn = merged[-1]
            merged[-1] = [(pc * pn + c * n) / (pn + n), ph + h, pn + n]
    return tuple(round(b[0], 4) for b in merged), tuple(round(_rate(b), 6) for b in merged)


def _rate(block: list[float]) -> float:
    return (block[1] + 0.5) / (block[2] + 1.0)
