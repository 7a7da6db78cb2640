"""A tally and the total written beside it check each other.

Two independent readings of one count that agree are worth more than any single confident one; a disagreement is shown
to a person. Each cell's value stays what its own ink says, or, where that leaves it open, may say.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from digitise.reader.reading import Decoded
from digitise.reader.strokes import GROUP
from digitise.reader.tally import StrokeCount
from digitise.reader.tally_network import LearnedCount

MISCOUNT = 0.02  # share of written totals that differ from their strokes (to be learned from reviewed sheets)
LEAST_INK_MM2 = 0.35  # less is no mark
VOID_LIMIT = 0.15
FIRM_MM2 = 1.5  # of a lone dash or ring that nobody overlooks
NO_MARK = 0.05  # the learned counter sees less than this in smudges, folds and shadows
OPEN = 0.25  # of the likeliest number's weight: the ink of a total leaves open what it makes so likely
SLIP = 5  # nobody miscounts by more, but for a ten carried wrongly
ZERO_VOID = 0.05  # likelier crossed out than this no plain zero is (1,705 drawn from calibration writers)
PLAIN_NOUGHT = 0.9  # a mark this likely a nought is no line, however long
LONGEST_DASH_MM = 15.0  # a longer line strikes the box out, or was drawn on from another
FEWEST_ODD = 2  # tallies of a page
ODD = frozenset({"crossed-out", "counts-differ"})  # so a tally looks that is counted otherwise than in strokes
CONTOUR_TRUST = 0.75  # weight of the contour's count against its neighbours
MOST = 99

Counted = tuple[Decoded, dict[int, float]]  # a tally, and the weights of its counts: none when it holds no count


def tally_weights(contour: StrokeCount, learned: LearnedCount, most: int) -> dict[int, float]:
    """Probability of each number of strokes from the two counters together.

    The learned counter's sum is taken as normal around the truth but for a miscount now and then, both growing with
    the count; the contour's count is right with `CONTOUR_TRUST`, else near or far.
    """
    top = min(MOST, most + 20)
    k = np.arange(1, top + 1)
    spread = 0.06 + 0.005 * k
    off = np.abs(learned.strokes - k)
    near = np.exp(-0.5 * (off / spread) ** 2) / spread + 0.002 * k * np.exp(-2.0 * off) + 1e-7
    miss = np.abs(contour.count - k)
    by_contour = np.where(miss == 0, CONTOUR_TRUST, (1 - CONTOUR_TRUST) * np.where(miss <= 2, 0.2, 0.01))
    weight = near * by_contour
    weight = weight / weight.sum()
    return {int(n): float(w) for n, w in zip(k, weight, strict=True) if w > 1e-9}


def may_be_zero(contour: StrokeCount, learned: LearnedCount) -> bool:
    """Whether a box may hold a lone dash or a written zero, so that its mark is to be read as a digit too."""
    return contour.ink_mm2 >= LEAST_INK_MM2 and (contour.zero or learned.zero > 0.5)


def decode_tally(
    contour: StrokeCount, learned: LearnedCount, most: int, *, zero: tuple[float, float] | None = None
) -> Counted:
    """A tally box by itself.

    `zero` is how likely its mark is a nought, and a dash, to the networks that read digits; None where these were not
    asked.

    Nothing written is None; a lone dash or a written zero is 0; a box crossed out is None with a reason. Where the
    counters differ, the weights are those of counts that the learned one, which is right far more often, may mean: a
    total beside them settles no other.
    """
    if contour.ink_mm2 < LEAST_INK_MM2 and learned.strokes < 0.3:
        blank = 1.0 - min(0.5, learned.strokes + 0.2 * contour.ink_mm2)
        return Decoded(None, blank, ((None, 1.0),)), {}
    something = max(learned.strokes, learned.zero, learned.void)
    if contour.count == 0 and something < (NO_MARK if contour.zero else 0.5):
        return _no_mark(contour, 0.98 - something), {}
    if learned.void > 0.5:
        candidates = ((None, learned.void), (contour.count, 1 - learned.void))
        return Decoded(None, learned.void, candidates, ("crossed-out",)), {}
    if learned.zero > 0.5 or (contour.zero and learned.strokes < 0.7):
        return _nought(contour, learned, zero)
    if learned.strokes < 0.5:  # a fold or a shadow's edge, as most of what only the contours take for strokes
        other = contour.count or 1
        differ = Decoded(None, 0.5, ((None, 0.5), (other, 0.5)), ("counts-differ",))
        return differ, _as_learned({0: 0.5, other: 0.5}, learned)
    return _strokes(contour, learned, most)


def _no_mark(contour: StrokeCount, sure: float) -> Decoded:
    """Ink that is no mark: a smudge, a fold, a shadow; or a nought or dash that only the contours see."""
    reasons = ("counts-differ",) if contour.zero and contour.firm_mm2 > FIRM_MM2 else ()
    return Decoded(None, sure, ((None, sure), (int(not contour.zero), 1 - sure)), reasons)


def _nought(contour: StrokeCount, learned: LearnedCount, zero: tuple[float, float] | None) -> Counted:
    """A written zero or a lone dash, as sure as all that looked at it are."""
    sure = learned.zero if contour.zero or contour.count <= 2 else 0.5
    nought, dash = zero or (0.0, 0.0)
    if zero is not None:
        sure = 1 - (1 - learned.zero) * (1 - nought - dash) if nought + dash > 0.5 else min(sure, nought + dash)
    reasons = ("crossed-out",) if learned.void > ZERO_VOID else ()
    long_line = contour.longest_mm > LONGEST_DASH_MM and nought < PLAIN_NOUGHT
    if long_line or contour.marks > 1 or contour.odd:  # some people count with rings, or frames of strokes
        reasons += ("unsure",)
    other = contour.count or 1
    return Decoded(0, sure, ((0, sure), (other, 1 - sure)), reasons), {0: sure, other: 1 - sure}


def _strokes(contour: StrokeCount, learned: LearnedCount, most: int) -> Counted:
    """Strokes, as many as both counters together say; where these differ, or a stroke may be two, with a reason."""
    weights = tally_weights(contour, learned, most)
    ranked = sorted(weights.items(), key=lambda item: -item[1])[:5]
    value, score = ranked[0]
    reasons = ("crossed-out",) if learned.void > VOID_LIMIT else ()
    too_few = contour.count - contour.bars < GROUP * contour.bars  # a line across fewer than four may strike them out
    doubtful = contour.parting or contour.faint or contour.flat or contour.softened or too_few
    if value != contour.count or doubtful or abs(learned.strokes - value) > 0.35 + 0.012 * value:
        reasons += ("counts-differ",)
        weights = _as_learned(weights, learned)
    if value > most:
        reasons += ("impossible",)
    return Decoded(value, score * (1 - learned.void) * (1 - learned.zero), tuple(ranked), reasons), weights


def _as_learned(weights: Mapping[int, float], learned: LearnedCount) -> dict[int, float]:
    """The counts that the learned counter may mean."""
    return {n: w for n, w in weights.items() if abs(learned.strokes - n) <= 0.5 + 0.012 * n}


def counted_otherwise(tallies: Iterable[Decoded]) -> bool:
    """Whether most of what is written in a page's tallies, plain noughts aside, is odd.

    Odd is what looks crossed out, is counted in two ways, or is a doubtful nought or nothing.

    So it is where somebody counts with level strokes, crosses, stars or the strokes of a sign.
    """
    written = [one for one in tallies if one.value or one.reasons]
    odd = sum(bool(ODD.intersection(one.reasons) or ("unsure" in one.reasons and not one.value)) for one in written)
    return odd >= FEWEST_ODD and 2 * odd > len(written)


def agree(
    tally: Mapping[int, float],
    total: Mapping[int, float],
    *,
    miscount: float = MISCOUNT,
) -> tuple[dict[int, float], dict[int, float], float]:
    """Weights of tally and total given each other, and the probability that the writer's two counts differ.

    Joint weight of (k, t): tally(k) total(t) [(1 - miscount) 1(k = t) + miscount / 100]. Independent errors assumed.
    """
    ks, ts = sorted(tally), sorted(total)
    joint = np.outer([tally[k] for k in ks], [total[t] for t in ts])
    same = np.array(ks)[:, None] == np.array(ts)[None, :]
    joint = joint * ((1 - miscount) * same + miscount / (MOST + 1))
    mass = joint.sum()
    if mass <= 0:
        return dict(tally), dict(total), 1.0
    joint /= mass
    by_tally = {k: float(p) for k, p in zip(ks, joint.sum(axis=1), strict=True)}
    by_total = {t: float(p) for t, p in zip(ts, joint.sum(axis=0), strict=True)}
    return by_tally, by_total, float(joint[~same].sum())


def left_open(strokes: Mapping[int, float], numbers: Mapping[int, float]) -> dict[int, float]:
    """The numbers that a total may be beside so many strokes, where its ink leaves open that it is just these.

    Somebody's ones look like sevens: beside twelve strokes, what may be 12 or 72 is 12. Numbers that a slip in counting
    would explain stay, and so do all of them where the ink tells by itself.
    """
    counted = max(strokes, key=strokes.get)
    if numbers.get(counted, 0.0) < OPEN * max(numbers.values()):
        return dict(numbers)
    return {n: w for n, w in numbers.items() if abs(n - counted) <= SLIP or abs(n - counted) == 10}
