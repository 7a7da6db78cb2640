"""A page is one person's writing: what one box cannot tell, the other boxes may.

A network that knows the average hand is surer than it should be of a hand it never saw. What it takes for a five may be
this hand's eight, and the more likely so where no plain eight stands on the page: who has seen a hand's eights does not
take them for fives. So each digit that was not seen on a page gains some weight in all its boxes. It gains most where
seven stands against one: in many countries a one begins with a long upstroke and looks as others write a seven. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from digitise.characters import CharacterEvidence

PLAIN = 0.9  # a box this likely a digit shows how this hand writes it
SURE = 0.95  # less likely digits are doubtful as they are
UNSEEN = (2.5, 1.5, 0.7)  # log odds that a digit gains in surer boxes by the plain ones seen: none, one, two
UNSEEN_ONE = (6.5, 6.0, 4.0, 2.0, 1.0)  # and that a one gains against a seven

Evidence = Mapping[str, Sequence[CharacterEvidence]]


def as_one_hand(digits: Evidence) -> dict[str, list[CharacterEvidence]]:
    """Evidence of a page's digit boxes, by cell, each digit doubted as far as its rivals were not seen on the page.

    The odds were settled on pages by calibration writers. With no plain one on the page, nearly every box that the
    network held for a seven at less than 999 in 1,000 with one as its second choice was a one.
    """
    boxes = [e for cell in digits.values() for e in cell]
    if not boxes:
        return {}
    chances = np.stack([e.digit for e in boxes]).astype(np.float64)
    plain = (chances[:, :10] > PLAIN).sum(axis=0)
    likeliest = chances[:, :10].argmax(axis=1)
    sure = chances.max(axis=1, keepdims=True) > SURE
    gain = np.where(sure, [_gain(UNSEEN, n) for n in plain], 0.0)
    gain[likeliest == 7, 1] = _gain(UNSEEN_ONE, plain[1])
    gain[np.arange(len(boxes)), likeliest] = 0.0
    chances[:, :10] *= np.exp(gain)
    chances /= chances.sum(axis=1, keepdims=True)
    weighed = iter(chances)
    return {cell: [replace(e, digit=next(weighed)) for e in own] for cell, own in digits.items()}


def _gain(gains: tuple[float, ...], seen: int) -> float:
    return gains[seen] if seen < len(gains) else 0.0
