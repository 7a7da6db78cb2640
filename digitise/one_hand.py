"""One hand wrote a whole page: where some of its sevens might be ones, each of its sevens might be.

A network that sees one box at a time is sometimes sure of a character that the same writer makes in the same way
elsewhere on the page, where it is in doubt. Boxes read as the same character lend each other a part of their doubt.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from digitise.characters import DIGIT_CLASSES, LETTER_CLASSES, CharacterEvidence

LENT = (
    0.3  # share of a box's evidence that comes from the page's other boxes of the same character, where there are many
)
FEW = 3.0  # so many others lend half of that
_DIGITS, _LETTERS = DIGIT_CLASSES.index("dash"), LETTER_CLASSES.index("blank")  # classes before these are characters


def _shared(p: np.ndarray, characters: int) -> np.ndarray:
    """Evidence (N, classes) of a page's boxes in one head, each with a part of those read as the same character."""
    best = p.argmax(axis=1)
    out = p.copy()
    for character in range(characters):
        rows = np.flatnonzero(best == character)
        if len(rows) < 2:
            continue
        others = (p[rows].sum(axis=0) - p[rows]) / (len(rows) - 1)
        others[:, characters:] = p[rows, characters:]  # blank, crossed out and unreadable are each box's own
        share = LENT * (len(rows) - 1) / (len(rows) - 1 + FEW)
        mixed = (1 - share) * p[rows] + share * others
        out[rows] = mixed / mixed.sum(axis=1, keepdims=True)
    return out


def of_one_hand(evidence: Sequence[CharacterEvidence]) -> list[CharacterEvidence]:
    """The evidence of all boxes of one page, in order, in the light of each other."""
    if not evidence:
        return []
    digits = _shared(np.stack([e.digit for e in evidence]), _DIGITS)
    letters = _shared(np.stack([e.letter for e in evidence]), _LETTERS)
    return [CharacterEvidence(d, v, e.tick) for d, v, e in zip(digits, letters, evidence, strict=True)]
