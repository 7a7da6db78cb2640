"""From evidence to honest probability, and who decides: calibrated confidence and acceptance thresholds.

Each group of readings has a monotone curve from score to probability and a threshold on that probability. The shipped
ones are set on simulated photographs by writers and cameras that training never saw (`digitise.train.calibrate`) and
kept in ``models/acceptance.json`` with the numbers they rest on; a programme may set its own
(`digitise.adapt.recalibrate`).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from digitise.reader.characters import MODELS

DOUBTFUL = " in doubt"  # suffix of the groups of readings that carry a reason for review
NEVER = 2.0  # a threshold that no probability reaches
TARGETS = (0.00037, 0.001)  # wrong among accepted readings of each group: the first that can be shown
DELTA = 0.05  # risk that a bound does not hold
LEAST_SCORE = 0.9  # of what is accepted: the few readings below it are too few to show how often they are wrong
SMALLEST_BIN, BIN_GROWTH = 30, 1.2  # readings in the most doubtful bin, and how much larger each next one is
FINEST = 6.0  # scores closer to 1 than 10^-6 are not told apart
OWN_CELLS = "own cells"  # how the basis of thresholds begins that a programme set itself
MOST_BYTES = 1_000_000  # of a file of thresholds


class AcceptanceError(ValueError):
    """A file holds no thresholds that can be used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Calibration of one group: probability at each knot of certainty (`certainty_of` the score), and the threshold.

    `accepted` and `errors` are the counts behind the threshold, `bound` the upper limit of the error rate among
    accepted readings at confidence ``1 - delta``, for which `accepted` is first divided by `design_effect`: how much
    less cells of the same pages tell than as many cells of different pages. (`digitise calibrate` divides errors too.)
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

    def accepts(self, score: float) -> bool:
        """Whether a reading that nothing else puts in doubt counts without a person."""
        return score >= LEAST_SCORE and self.confidence(score) >= self.threshold


def certainty_of(score: float | np.ndarray) -> np.ndarray:
    """Score in [0, 1] as decimal places of certainty, 0 to `FINEST`: 0.9 is 1, 0.99 is 2."""
    return -np.log10(np.clip(1.0 - np.asarray(score, dtype=np.float64), 10.0**-FINEST, 1.0))


@dataclass(frozen=True, slots=True)
class Acceptance:
    """Curves by group, and what they were set on in words.

    `networks` is the `networks_digest` they belong to, "" for whichever they are shipped with; `notes` has a sentence
    on each group that a programme's own cells had something to say about.
    """

    curves: dict[str, Curve]
    basis: str
    networks: str = ""
    notes: tuple[str, ...] = ()

    def judge(self, group: str, score: float, *, doubtful: bool = False) -> tuple[float, bool]:
        """(confidence, accepted) of a score in a group.

        A `doubtful` reading (one that a person must look at for a stated reason) has a curve of its own and is
        never accepted; nor is one of an unknown group.
        """
        curve = self.curves.get(f"{group}{DOUBTFUL}" if doubtful else group)
        if curve is None:
            return float(np.clip(score, 0.0, 0.5)), False
        return curve.confidence(score), not doubtful and curve.accepts(score)

    def to_json(self) -> str:
        """The file's content."""
        own = {"networks": self.networks, "notes": list(self.notes)} if self.networks else {}
        data = {"basis": self.basis, **own, "curves": {k: asdict(c) for k, c in self.curves.items()}}
        return json.dumps(data, indent=1, ensure_ascii=False)


def read_acceptance(path: Path, *, learned: str = "") -> Acceptance:
    """Acceptance from a file written by `Acceptance.to_json`.

    `learned` is the digest of what the reader has learned of a programme's hands. Thresholds of the shipped networks
    hold for it too, since it accepts nothing that they would not (`digitise.reader.read.guarded`).

    Raises
    ------
    AcceptanceError
        The file holds something else, or thresholds that were set for other networks than the ones here.
    OSError
        It cannot be read.
    """
    found = any_acceptance(path)
    if found.networks not in ("", networks_digest(), networks_digest(learned)):
        raise AcceptanceError(
            f"{path}: these thresholds were set for other networks than this version reads with; "
            "run 'digitise calibrate' again, and read without --acceptance until then"
        )
    return found


def any_acceptance(path: Path) -> Acceptance:
    """As `read_acceptance`, for whichever networks the thresholds were set: to be looked at, not to read with."""
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    try:
        if len(content) > MOST_BYTES:
            raise ValueError("it is too large")
        data = json.loads(content)
        curves = {str(name): _curve(curve) for name, curve in data["curves"].items()}
        basis, networks, notes = data["basis"], data.get("networks", ""), data.get("notes", [])
        if not curves or not all(isinstance(text, str) for text in (basis, networks, *notes)) or not basis.strip():
            raise ValueError("no curves, or not what they were set on")
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise AcceptanceError(
            f"{path}: holds no thresholds that can be used ({error}); expected a file that 'digitise calibrate' wrote"
        ) from None
    return Acceptance(curves, basis, networks, tuple(notes))


def _curve(data: dict) -> Curve:
    """A curve, when it is one: finite numbers, rising knots, probabilities that never fall."""
    curve = Curve(**{n: tuple(v) if isinstance(v, list) else v for n, v in data.items()})
    knots, chances = np.array(curve.knots, float), np.array(curve.probability, float)
    rest = np.array([curve.threshold, curve.target, curve.delta, curve.accepted, curve.errors, curve.bound])
    if rest.dtype.kind not in "fiu" or not all(np.isfinite(a).all() for a in (knots, chances, rest)):
        raise ValueError("a curve has something else than numbers")
    if knots.ndim != 1 or knots.shape != chances.shape or not len(knots):
        raise ValueError("a curve needs as many knots as probabilities")
    if (np.diff(knots) < 0).any() or (np.diff(chances) < 0).any() or chances[0] < 0 or chances[-1] > 1:
        raise ValueError("a curve falls, or leaves 0 to 1")
    if not (0 < curve.threshold <= NEVER and 0 < curve.target < 1 and 0 < curve.delta < 1):
        raise ValueError("a threshold or target leaves 0 to 1")
    return curve


@lru_cache(maxsize=8)
def networks_digest(learned: str = "") -> str:
    """SHA-256, shortened, over the networks that read here and what they `learned`: scores of others differ."""
    whole = hashlib.sha256(learned.encode())
    for path in sorted(MODELS.glob("*.onnx")):
        whole.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()[:16]


@lru_cache(maxsize=1)
def shipped_acceptance() -> Acceptance:
    """The acceptance that comes with the package's networks."""
    return read_acceptance(MODELS / "acceptance.json")


def fit_curve(scores: np.ndarray, right: np.ndarray) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Monotone calibration by pool-adjacent-violators over bins of certainty, with a small-sample floor.

    Bins grow from the doubtful end, where few readings are and most errors. Readings of one certainty share a bin,
    whichever comes first.

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
    edges = between_different(certainty, edges[edges < len(scores) - SMALLEST_BIN])
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


def between_different(values: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Edges of bins of a sorted (N,) array, each moved to the nearest place where it rises; where it never does, none.

    An edge is the index of the first value of a bin, 0 to N - 1.
    """
    first, end = (np.searchsorted(values, values[edges], side) for side in ("left", "right"))
    moved = np.unique(np.where(edges - first <= end - edges, first, end))
    return moved[(moved > 0) & (moved < len(values))]


def _rate(block: list[float]) -> float:
    return (block[1] + 0.5) / (block[2] + 1.0)
