"""What is doubtful in one character of a page is a little doubtful in all that were read as the same."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitise.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, CharacterEvidence
from digitise.one_hand import FEW, LENT, of_one_hand

SEVEN, ONE, VOID = (DIGIT_CLASSES.index(c) for c in ("7", "1", "void"))


def _box(**chances: float) -> CharacterEvidence:
    """A box with these chances of digits (`d7` is a seven) and of `void`."""
    digit = np.zeros(len(DIGIT_CLASSES))
    for name, chance in chances.items():
        digit[DIGIT_CLASSES.index(name.removeprefix("d"))] = chance
    letter, tick = np.full(len(LETTER_CLASSES), 1 / len(LETTER_CLASSES)), np.full(len(TICK_CLASSES), 1 / 3)
    return CharacterEvidence(digit, letter, tick)


def test_a_sure_seven_takes_doubt_from_a_doubtful_one() -> None:
    """Of two sevens one may be a 1 with 0.4: the other, sure by itself, may be one with 0.4 of what is lent."""
    sure, doubtful = of_one_hand([_box(d7=1.0), _box(d7=0.6, d1=0.4)])
    lent = LENT * 1 / (1 + FEW)

    assert sure.digit[ONE] == pytest.approx(0.4 * lent)
    assert sure.digit[SEVEN] == pytest.approx(1 - 0.4 * lent)
    assert doubtful.digit[ONE] == pytest.approx(0.4 * (1 - lent))


def test_other_characters_and_single_ones_are_left_alone() -> None:
    seven, eight = of_one_hand([_box(d7=0.9, d1=0.1), _box(d8=1.0)])

    assert seven.digit[ONE] == pytest.approx(0.1)
    assert eight.digit[DIGIT_CLASSES.index("8")] == 1.0
    assert of_one_hand([]) == []


def test_a_crossed_out_box_says_nothing_of_its_neighbours() -> None:
    """Doubt about what was crossed out stays where it is."""
    clean, struck = of_one_hand([_box(d7=1.0), _box(d7=0.6, void=0.4)])

    assert clean.digit[VOID] == 0.0
    assert struck.digit[VOID] == pytest.approx(0.4, abs=0.03)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_evidence_stays_a_distribution_in_any_order(seed: int, count: int) -> None:
    """Rows add up to one, and the order of the boxes on the page does not matter."""
    rng = np.random.default_rng(seed)
    boxes = [
        CharacterEvidence(*(rng.dirichlet(np.full(len(c), 0.3)) for c in (DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES)))
        for _ in range(count)
    ]
    order = rng.permutation(count)
    mixed, turned = of_one_hand(boxes), of_one_hand([boxes[i] for i in order])

    assert all(e.digit.sum() == pytest.approx(1) and e.letter.sum() == pytest.approx(1) for e in mixed)
    for i, e in zip(order, turned, strict=True):
        assert e.digit == pytest.approx(mixed[i].digit)
        assert e.letter == pytest.approx(mixed[i].letter)
