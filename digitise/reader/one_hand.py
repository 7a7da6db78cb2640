"""A page is one person's writing: what one box cannot tell, the other boxes may.

A network that knows the average hand is surer than it should be of a hand it never saw. What it takes for a five may be
this hand's eight, and the more likely so where no plain eight stands on the page: who has seen a hand's eights does not
take them for fives. So each digit that was not seen on a page gains some weight in all its boxes. It gains most where
seven stands against one: in many countries a one begins with a long upstroke and looks as others write a seven. What a
box is read as never changes: whether this hand's ones or its sevens are unusual only a person can say. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from digitise.reader.characters import CharacterEvidence

PLAIN = 0.9  # a box this likely a digit shows how this hand writes it
UNSEEN = (2.5, 1.5, 0.7)  # log odds that a digit gains in other boxes by the plain ones seen: none, one, two
UNSEEN_ONE = (6.5, 6.0, 4.0, 2.0, 1.0)  # and that a one gains against a seven
TIED = 0.99  # of the likeliest digit's chance: no rival gains more

Evidence = Mapping[str, Sequence[CharacterEvidence]]


def as_one_hand(digits: Evidence) -> dict[str, list[CharacterEvidence]]:
    """Evidence of a page's digit boxes, by cell, each digit doubted as far as its rivals were not seen on the page.

    The odds were settled on pages by calibration writers. With no plain one on the page, nearly every box of theirs
    that the network held for a seven at less than 999 in 1,000, with one as its second choice, was a one.
    """
    boxes = [e for cell in digits.values() for e in cell]
    if not boxes:
        return {}
    chances = np.stack([e.digit for e in boxes]).astype(np.float64)
    plain = (chances[:, :10] > PLAIN).sum(axis=0)
    likeliest = chances[:, :10].argmax(axis=1)
    gain = np.tile([_gain(UNSEEN, n) for n in plain], (len(boxes), 1))
    gain[likeliest == 7, 1] = _gain(UNSEEN_ONE, plain[1])
    own = chances[np.arange(len(boxes)), likeliest]
    rivals = np.minimum(chances[:, :10] * np.exp(gain), TIED * own[:, None])
    chances[:, :10] = np.maximum(chances[:, :10], rivals)
    chances /= chances.sum(axis=1, keepdims=True)
    weighed = iter(chances)
    return {cell: [replace(e, digit=next(weighed)) for e in own] for cell, own in digits.items()}


def _gain(gains: tuple[float, ...], seen: int) -> float:
    return gains[seen] if seen < len(gains) else 0.0
