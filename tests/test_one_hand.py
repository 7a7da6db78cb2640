"""A page is one hand: a digit is doubted where its rivals were not seen plainly on the page."""

from __future__ import annotations

import numpy as np
import pytest

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, CharacterEvidence
from digitise.reader.one_hand import UNSEEN, UNSEEN_ONE, as_one_hand


def _box(**chances: float) -> CharacterEvidence:
    """A box with these chances, what is left on "blank"."""
    digit = np.zeros(len(DIGIT_CLASSES))
    for name, chance in chances.items():
        digit[DIGIT_CLASSES.index(name.removeprefix("d"))] = chance
    digit[DIGIT_CLASSES.index("blank")] += 1 - digit.sum()
    return CharacterEvidence(digit, np.zeros(len(LETTER_CLASSES)), np.zeros(len(TICK_CLASSES)))


PLAIN = {d: _box(**{f"d{d}": 1.0}) for d in range(10)}
SEVEN_OR_ONE = _box(d7=0.99, d1=0.01)
FIVE_OR_EIGHT = _box(d5=0.99, d8=0.01)


def _seen(box: CharacterEvidence, *others: CharacterEvidence) -> np.ndarray:
    return as_one_hand({"a": [box], "b": list(others)})["a"][0].digit


def test_a_seven_without_a_plain_one_on_the_page_may_be_this_hands_one() -> None:
    """Odds 99,999 to 1 for the seven become 99,999 / e^6.5 to 1; odds 99 to 1 become even, and it stays a seven."""
    seven, one = _seen(_box(d7=0.99999, d1=0.00001))[[7, 1]]
    doubted = _seen(SEVEN_OR_ONE)

    assert seven / one == pytest.approx(99999 * np.exp(-UNSEEN_ONE[0]))
    assert doubted.argmax() == 7
    assert 0.5 < doubted[7] < 0.51


def test_a_seven_beside_five_plain_ones_stays_a_seven() -> None:
    assert _seen(SEVEN_OR_ONE, *[PLAIN[1]] * 5)[7] == pytest.approx(0.99)


@pytest.mark.parametrize(("eights", "gain"), [*enumerate(UNSEEN), (3, 0.0), (9, 0.0)])
def test_any_digit_gains_less_the_more_often_it_was_seen(eights: int, gain: float) -> None:
    five, eight = _seen(FIVE_OR_EIGHT, *[PLAIN[8]] * eights)[[5, 8]]

    assert five / eight == pytest.approx(99 * np.exp(-gain))


def test_chances_still_add_up_and_no_other_class_is_raised_above_the_likeliest() -> None:
    out = as_one_hand({"a": [SEVEN_OR_ONE, FIVE_OR_EIGHT], "b": [_box(d4=0.6, void=0.3)]})

    assert all(e.digit.sum() == pytest.approx(1) for cell in out.values() for e in cell)
    assert [len(v) for v in out.values()] == [2, 1]
    assert out["b"][0].digit.argmax() == 4


def test_a_page_without_digits_has_nothing_to_weigh() -> None:
    assert as_one_hand({}) == {}
