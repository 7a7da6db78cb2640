"""Thresholds from a programme's own cells: what they prove, what they contradict, and what they are too few for.

For each group of readings the cells fall into two strata: those accepted when they were read, of which audits settled a
random part, and those left to a person, all of which were settled. At each threshold tried, the error rate among
accepted readings is bounded by the strata's bounds, weighted by how many readings each stratum puts above the
threshold: ``sum W_h U(k_h, n_h, delta / H)``, one-sided Clopper-Pearson. Thresholds are tried from strict to loose
until one fails (fixed sequence), so that the chosen one holds with confidence ``1 - delta``. Cells of one page share
hand and light: counts are divided by the design effect of pages first. Curves are fitted on every third page,
thresholds tested on the others.

A programme's cells never loosen the error rate that was promised before: they set a threshold for the same rate or a
smaller one. Where they are too few, the old threshold stays; where they contradict its rate, nothing of the group is
accepted any more.

Angelopoulos et al. (2025), doi:10.1214/24-AOAS1998; Clopper & Pearson (1934), doi:10.1093/biomet/26.4.404.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from digitise.estimate.acceptance import acceptance_p_value, design_effect_of_pages, upper_error_bound
from digitise.estimate.audit import audit_size
from digitise.reader.calibration import (
    DELTA,
    LEAST_SCORE,
    NEVER,
    OWN_CELLS,
    TARGETS,
    Acceptance,
    Curve,
    certainty_of,
    fit_curve,
    networks_digest,
)

SHARES = (0.9, 0.92, 0.94, 0.95, 0.96, 0.97, 0.98, 0.985, 0.99, 0.995, 1.0)  # of a group's readings, accepted
CONTRADICTS = 0.01  # a chance of so many errors under the promised rate that nobody believes in it
FEWEST = 20  # cells that a curve is fitted on


@dataclass(frozen=True, slots=True)
class OwnCell:
    """A reading by the present reader without a reason for review. `right` is None where nobody settled the cell."""

    group: str
    page: int
    score: float
    accepted: bool  # when it was first read
    right: bool | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What own cells say of a group: `state` is set, kept or stopped; `words` a sentence for people."""

    group: str
    state: str
    words: str


def recalibrated(
    cells: Sequence[OwnCell], old: Acceptance, *, about: str, learned: str = ""
) -> tuple[Acceptance, tuple[Verdict, ...]]:
    """Thresholds in which own cells speak where they can, the `old` ones elsewhere; and a verdict on each group.

    `about` says which cells they are, in words; it becomes the new basis with what they prove. `learned` is the digest
    of what the reader that gave their scores has learned.
    """
    curves, verdicts = dict(old.curves), []
    for group in sorted({c.group for c in cells if c.right is not None}):
        own = [c for c in cells if c.group == group]
        curve, verdict = _group(group, own, old.curves.get(group))
        verdicts.append(verdict)
        if curve is not None:
            curves[group] = curve
    names = {state: [v.group for v in verdicts if v.state == state] for state in ("set", "stopped")}
    kept = sorted(g for g in curves if g not in names["set"] + names["stopped"])
    said = [f"{OWN_CELLS}: {about}"]
    for group in names["set"]:
        bound = f"at most {1000 * curves[group].bound:.2g} of 1,000 wrong with {1 - DELTA:.0%} confidence"
        said.append(f"{group} set on {curves[group].accepted} of them ({bound})")
    said += [f"{', '.join(names['stopped'])} left to people"] if names["stopped"] else []
    said += [f"the rest as before ({old.basis})"] if kept else []
    notes = tuple(f"{v.group}: {v.words}" for v in verdicts)
    return Acceptance(curves, "; ".join(said), networks_digest(learned), notes), tuple(verdicts)


def _group(group: str, own: list[OwnCell], old: Curve | None) -> tuple[Curve | None, Verdict]:
    known = [c for c in own if c.right is not None]
    audited, wrong = sum(c.accepted for c in known), sum(not c.right for c in known)
    seen = f"{audited} audited and {len(known) - audited} reviewed cells, {wrong} of them read wrongly"
    promised = old.target if old is not None and old.threshold < NEVER else TARGETS[-1]
    for target in sorted({t for t in TARGETS if t < promised} | {promised}):
        curve = fit_threshold(own, target=target)
        if curve is not None:
            words = f"set anew: at most {1000 * curve.bound:.2g} wrong of 1,000 accepted ({1 - DELTA:.0%}); {seen}"
            return curve, Verdict(group, "set", words)
    if old is None or old.threshold >= NEVER:
        return None, Verdict(group, "kept", f"never accepted, as before, so that no audit draws it; {seen}")
    chance, accepted, errors = _under_promise(known, old)
    if chance < CONTRADICTS:
        words = (
            f"no longer accepted: {errors} of {accepted} settled cells that the old threshold accepts are wrong, which "
            f"contradicts the {1000 * promised:g} of 1,000 it stands for; {seen}"
        )
        return replace(old, threshold=NEVER, accepted=accepted, errors=errors, bound=1.0), Verdict(
            group, "stopped", words
        )
    return None, Verdict(group, "kept", f"as before; {seen}; {_lacking(promised, audited)}")


def _lacking(target: float, audited: int) -> str:
    needed = audit_size(target, DELTA / 2) - audited
    if needed <= 0:
        return "they do not prove a bound"
    return f"to set it, some {needed} more audited cells without a wrong one are needed, more where pages differ"


def _under_promise(known: Sequence[OwnCell], old: Curve) -> tuple[float, int, int]:
    """Chance of so many errors among audited cells if the old threshold kept its promise; with the counts.

    Only audited cells: those left to a person are the doubtful ones, and all of them.
    """
    taken = [c for c in known if c.accepted and old.accepts(c.score)]
    n, k = len(taken), sum(not c.right for c in taken)
    effect = _effect(taken)
    few, many = int(n / effect), int(k / effect)
    chance = 1.0 if many == 0 else 1.0 - acceptance_p_value(many - 1, few, old.target)
    return chance, n, k


def fit_threshold(own: Sequence[OwnCell], *, target: float) -> Curve | None:
    """Curve and loosest threshold of a group whose error rate is shown to be below `target`; None when none is.

    Without audited cells nothing is shown: people who decide doubtful cells have seen what the program suggests.
    """
    known = [c for c in own if c.right is not None]
    all_right = all(c.right for c in known)  # nothing is learned from errors, so nothing is tested on what taught it
    fitted = [c for c in known if all_right or c.page % 3 == 0]
    if len(fitted) < FEWEST or not any(c.accepted for c in known):
        return None
    knots, probability = fit_curve(np.array([c.score for c in fitted]), np.array([bool(c.right) for c in fitted]))
    scores = np.array([c.score for c in own])
    confidence = np.where(scores >= LEAST_SCORE, np.interp(certainty_of(scores), knots, probability), 0.0)
    sample = _Sample(
        confidence,
        np.array([c.accepted for c in own]),
        np.array([c.right is not None and (all_right or c.page % 3 > 0) for c in own]),
        np.array([c.right is False for c in own]),
        _effect(known),
    )
    strict_first = np.sort(confidence)[::-1]
    passed = None
    for level in sorted({float(strict_first[ceil(s * len(own)) - 1]) for s in SHARES} - {0.0}, reverse=True):
        bound, accepted, errors = sample.bound(level)
        if bound > target:
            break
        effect = round(sample.effect, 3)
        passed = Curve(knots, probability, level, target, DELTA, accepted, errors, bound, effect)
    return passed


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """A group's readings as arrays (N,): `tested` ones are settled and taught the curve nothing, or no error."""

    confidence: np.ndarray
    accepted: np.ndarray
    tested: np.ndarray
    wrong: np.ndarray
    effect: float

    def bound(self, level: float) -> tuple[float, int, int]:
        """(bound of the error rate among readings accepted at `level`, tested ones behind it, wrong ones of these)."""
        above = self.confidence >= level
        strata = [s for s in (above & self.accepted, above & ~self.accepted) if s.any()]
        bound = 0.0
        for stratum in strata:
            n, k = ((stratum & self.tested).sum(), (stratum & self.tested & self.wrong).sum())
            few = int(n / self.effect)
            worst = upper_error_bound(min(ceil(k / self.effect), few), few, DELTA / len(strata))
            bound += float(stratum.sum() / above.sum()) * worst
        mine = above & self.tested
        return bound, int(mine.sum()), int((mine & self.wrong).sum())


def _effect(cells: Sequence[OwnCell]) -> float:
    return design_effect_of_pages([c.page for c in cells], [not c.right for c in cells])
