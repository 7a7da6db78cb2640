"""Choose codes that survive being misread: of two letters, of three where there are many.

Any two codes differ in two letters, so one misread letter gives no valid code. Among such sets the one is sought
whose letters, place by place, the reader confuses least, by the confusion table measured on writers that its
training never saw.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from digitise.reader.characters import MODELS

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
LOOK_ALIKES = frozenset("IOQSZGUVD")  # taken for 1, 0, 5, 2, 6, or for one another in a hurried hand
# Read as something else by most people.
UNWANTED = frozenset({"FK", "FC", "WC", "PP", "KK", "CNT", "TWT", "JAP", "FAP"})
MOST_SHORT = len(LETTERS) - len(LOOK_ALIKES)  # codes of two letters that differ in both
MOST = 60  # as many as a sheet has room to explain
_FLOOR = 1e-5


@dataclass(frozen=True, slots=True)
class CodeSet:
    """Codes, and the pair most easily taken for each other: chance that a reader makes one into the other."""

    codes: tuple[str, ...]
    nearest: tuple[str, str]
    chance: float


@lru_cache(maxsize=1)
def measured_confusion() -> np.ndarray:
    """(26, 26): mean probability the reader gives letter j when i was written; rows need not sum to 1."""
    data = json.loads((MODELS / "training.json").read_text(encoding="utf-8"))
    return np.array(data["characters"]["letter_confusion"])


def letter_distance(confusion: np.ndarray) -> np.ndarray:
    """(26, 26) distances: minus log of the larger of the two mistaken readings of a pair; the diagonal is infinite."""
    either = np.maximum(np.maximum(confusion, confusion.T), _FLOOR)
    distance = -np.log(either)
    np.fill_diagonal(distance, math.inf)
    return distance


def _farthest(count: int, distance: np.ndarray, allowed: list[int], first: int) -> list[int]:
    """A spread-out choice: from `first`, always the letter farthest from those chosen, then swaps while they help."""
    chosen = [first]
    while len(chosen) < count:
        rest = [i for i in allowed if i not in chosen]
        chosen.append(max(rest, key=lambda i: (min(distance[i, j] for j in chosen), -i)))
    improved = True
    while improved:
        improved = False
        for place, new in itertools.product(range(count), [i for i in allowed if i not in chosen]):
            trial = [*chosen[:place], new, *chosen[place + 1 :]]
            if _spread(trial, distance) > _spread(chosen, distance) + 1e-12:
                chosen, improved = trial, True
                break
    return chosen


def _spread(chosen: list[int], distance: np.ndarray) -> float:
    return min(distance[i, j] for i, j in itertools.combinations(chosen, 2))


def choose_codes(count: int, *, confusion: np.ndarray | None = None) -> CodeSet:
    """Choose `count` codes: of two letters as long as the look-alike-free alphabet has enough, else of three.

    Parameters
    ----------
    count : int
        From 2 to 60; up to 17 codes have two letters.
    confusion : (26, 26) ndarray, optional
        Measured letter confusions; the shipped reader's by default.

    Raises
    ------
    ValueError
        Fewer or more codes than that.

    Examples
    --------
    >>> chosen = choose_codes(3, confusion=np.eye(26))
    >>> all(a[0] != b[0] and a[1] != b[1] for a, b in itertools.combinations(chosen.codes, 2))
    True
    """
    if not 2 <= count <= MOST:
        raise ValueError(f"{count} codes asked for: expected 2 to {MOST}; a sheet has no room to explain more")
    distance = letter_distance(measured_confusion() if confusion is None else confusion)
    allowed = [i for i, letter in enumerate(LETTERS) if letter not in LOOK_ALIKES]
    if count > MOST_SHORT:
        return _with_nearest(_long_codes(count, distance, allowed), distance)
    best = max(
        (_farthest(count, distance, allowed, start) for start in allowed),
        key=lambda c: (_spread(c, distance), sorted(c)),
    )
    seconds = _second_letters(sorted(best), distance, allowed)
    codes = tuple(sorted(LETTERS[a] + LETTERS[b] for a, b in zip(sorted(best), seconds, strict=True)))
    return _with_nearest(codes, distance)


def _long_codes(count: int, distance: np.ndarray, allowed: list[int]) -> tuple[str, ...]:
    """Codes of three letters, any two of which differ in two places or more.

    The third letter follows from the first two by a Latin square, here their sum modulo the alphabet, so that codes
    which share one letter share no other (a code with one check letter; Hamming 1950,
    doi:10.1002/j.1538-7305.1950.tb00463.x). Of all these the ones farthest apart are taken one by one.
    """
    n = len(allowed)
    letters = np.array([(a, b, (a + b) % n) for a, b in itertools.product(range(n), repeat=2)])
    words = ["".join(LETTERS[allowed[i]] for i in row) for row in letters]
    fit = [len(set(word)) == 3 and not any(u in word for u in UNWANTED) for word in words]
    letters, words = letters[fit], [word for word, good in zip(words, fit, strict=True) if good]
    own = distance[np.ix_(allowed, allowed)].copy()
    np.fill_diagonal(own, 0.0)
    apart = sum(own[letters[:, None, k], letters[None, :, k]] for k in range(3))
    chosen = [0]
    nearest = apart[0].copy()
    while len(chosen) < count:
        nearest[chosen] = -1.0
        chosen.append(int(nearest.argmax()))
        nearest = np.minimum(nearest, apart[chosen[-1]])
    return tuple(sorted(words[i] for i in chosen))


def _second_letters(firsts: list[int], distance: np.ndarray, allowed: list[int]) -> list[int]:
    """Second letters for given first ones: spread out themselves, far apart where the first ones are close."""
    pool = max(
        (_farthest(len(firsts), distance, allowed, start) for start in allowed),
        key=lambda c: (_spread(c, distance), [-i for i in sorted(c)]),
    )
    order = sorted(pool)
    best = order[1:] + order[:1]
    for _ in range(200):
        swaps = ((i, j) for i, j in itertools.combinations(range(len(best)), 2))
        trials = [[*best[:i], best[j], *best[i + 1 : j], best[i], *best[j + 1 :]] for i, j in swaps]
        top = max(trials, key=lambda t: _margin(firsts, t, distance), default=best)
        if _margin(firsts, top, distance) <= _margin(firsts, best, distance):
            break
        best = top
    return best


def _margin(firsts: list[int], seconds: list[int], distance: np.ndarray) -> tuple[int, float]:
    """Least joint distance of two codes; doubled letters, swapped twins (AB, BA) and unwanted codes count against."""
    codes = set(zip(firsts, seconds, strict=True))
    odd = sum(a == b or LETTERS[a] + LETTERS[b] in UNWANTED for a, b in codes) + sum((b, a) in codes for a, b in codes)
    pairs = [
        distance[firsts[i], firsts[j]] + distance[seconds[i], seconds[j]]
        for i, j in itertools.combinations(range(len(firsts)), 2)
    ]
    return -odd, min(pairs)


def how_often(chance: float) -> str:
    """A margin in words: "about 1 time in 25,000". Beyond a million two measured chances prove no more."""
    return f"about 1 time in {1 / chance:,.0f}" if chance > 1e-6 else "less than 1 time in 1,000,000"


@dataclass(frozen=True, slots=True)
class Margin:
    """How far a code is from the others: the one most easily taken for it, and the chance of that."""

    code: str
    nearest: str
    chance: float


def margins(codes: Sequence[str]) -> list[Margin]:
    """Each code's margin, in the order given; the chance is that a reader misreads every letter that differs so."""
    distance = letter_distance(measured_confusion())
    out = []
    for code in codes:
        nearest = min((c for c in codes if c != code), key=lambda c: _apart(code, c, distance))
        out.append(Margin(code, nearest, math.exp(-_apart(code, nearest, distance))))
    return out


def _apart(a: str, b: str, distance: np.ndarray) -> float:
    pairs = ((LETTERS.index(x), LETTERS.index(y)) for x, y in zip(a, b, strict=True) if x != y)
    return float(sum(distance[pair] for pair in pairs))


def _with_nearest(codes: tuple[str, ...], distance: np.ndarray) -> CodeSet:
    nearest = min(itertools.combinations(codes, 2), key=lambda pair: _apart(*pair, distance))
    return CodeSet(codes, nearest, math.exp(-_apart(*nearest, distance)))
