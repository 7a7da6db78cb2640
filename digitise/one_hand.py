"""A page is one person's writing: what one box cannot tell, the other boxes may.

In many countries a one begins with a long upstroke, and stands where others write a seven. To a network that knows the
average hand such a one is nearly a seven, and it is surer of it than it should be. Whoever has seen that hand's ones
knows better; so has a page on which plain ones stand, and a page without any has not. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from digitise.characters import CharacterEvidence

PLAIN = 0.9  # a box this likely a one shows how this hand writes ones
AGAINST_SEVENS = (6.5, 6.0, 4.0, 2.0, 1.0)  # log odds taken off a seven against a one by the plain ones seen, then none

Evidence = Mapping[str, Sequence[CharacterEvidence]]


def as_one_hand(digits: Evidence) -> dict[str, list[CharacterEvidence]]:
    """Evidence of a page's digit boxes, by cell, its sevens doubted as far as this hand's ones were not seen.

    The odds were settled on practice pages by calibration writers: with no plain one on the page, nearly every box that
    the network held for a seven at less than 999 in 1,000 with one as its second choice was a one.
    """
    ones = sum(float(e.digit[1]) > PLAIN for boxes in digits.values() for e in boxes)
    against = AGAINST_SEVENS[ones] if ones < len(AGAINST_SEVENS) else 0.0
    return {cell: [_doubted(e, against) if against else e for e in boxes] for cell, boxes in digits.items()}


def _doubted(evidence: CharacterEvidence, against: float) -> CharacterEvidence:
    digit = evidence.digit.astype(np.float64)
    both = digit[1] + digit[7]
    seven = digit[7] / max(digit[7] + digit[1] * np.exp(against), 1e-300)
    digit[1], digit[7] = both * (1 - seven), both * seven
    return replace(evidence, digit=digit)
