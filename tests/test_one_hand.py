"""A page is one hand: boxes are weighed by what is plain on it, and doubted by what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, CharacterEvidence
from digitise.reader.one_hand import ALIKE, NONE_SHOWN, OTHERWISE, SHAPED, SHARED, UNSEEN, UNSEEN_ONE, as_one_hand
from digitise.sheets.layout import Cell


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
    return as_one_hand({"a": [box], "b": list(others)}, {}, {})["a"][0].digit


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
    out = as_one_hand({"a": [SEVEN_OR_ONE, FIVE_OR_EIGHT], "b": [_box(d4=0.6, void=0.3)]}, {}, {})

    assert all(e.digit.sum() == pytest.approx(1) for cell in out.values() for e in cell)
    assert [len(v) for v in out.values()] == [2, 1]
    assert out["b"][0].digit.argmax() == 4


def test_a_page_without_digits_has_nothing_to_weigh() -> None:
    assert as_one_hand({}, {}, {}) == {}


def _looks(degrees: float) -> np.ndarray:
    """Features of a box; the cosine between two is that of the angle between them."""
    return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0.0]) * 3.0


def _drawn(degrees: float, **chances: float) -> CharacterEvidence:
    return replace(_box(**chances), features=_looks(degrees))


FOUR_OR_NINE = {"d4": 0.5, "d9": 0.5}
NO_RIVAL = [PLAIN[d] for d in range(10)] * 5  # every digit was seen plainly, without features: nobody gains unseen


def test_a_box_in_doubt_is_likelier_what_it_looks_like_elsewhere_on_the_page() -> None:
    """At 10 degrees from the page's four and 70 from its nine, even odds become e^(6 (cos 10 - cos 70)) to 1."""
    box = _seen(_drawn(10, **FOUR_OR_NINE), _drawn(0, d4=1.0), _drawn(80, d9=1.0), *NO_RIVAL)

    assert box[4] / box[9] == pytest.approx(np.exp(ALIKE * (np.cos(np.radians(10)) - np.cos(np.radians(70)))))
    assert box[4] + box[9] == pytest.approx(1.0)


def test_the_nearest_of_several_examples_counts() -> None:
    box = _seen(_drawn(10, **FOUR_OR_NINE), _drawn(90, d4=1.0), _drawn(30, d4=1.0), _drawn(80, d9=1.0), *NO_RIVAL)

    assert box[4] / box[9] == pytest.approx(np.exp(ALIKE * (np.cos(np.radians(20)) - np.cos(np.radians(70)))))


def test_a_digit_without_an_example_is_taken_to_be_fairly_near() -> None:
    box = _seen(_drawn(10, **FOUR_OR_NINE), _drawn(60, d9=1.0), *NO_RIVAL)

    assert box[4] / box[9] == pytest.approx(np.exp(ALIKE * (NONE_SHOWN["digit"] - np.cos(np.radians(50)))))


def test_a_digit_without_an_example_loses_nothing_against_the_likeliest_one() -> None:
    """This hand's eights look like fives: what is near the page's fives may be an eight as much as its ink says."""
    box = _seen(_drawn(2, d5=0.9, d8=0.1), _drawn(0, d5=1.0), *NO_RIVAL)

    assert box[5] / box[8] == pytest.approx(9.0)


def test_no_box_is_its_own_example() -> None:
    """A plain four that is alone keeps its odds."""
    box = _seen(_drawn(10, d4=0.95, d9=0.05), *NO_RIVAL)

    assert box[4] == pytest.approx(0.95)


def test_whether_anything_is_written_or_struck_out_stays_as_it_was() -> None:
    out = _seen(_drawn(10, d4=0.3, d9=0.3, void=0.25, junk=0.1), _drawn(0, d4=1.0), _drawn(80, d9=1.0), *NO_RIVAL)
    before = _box(d4=0.3, d9=0.3, void=0.25, junk=0.1).digit

    rest = [DIGIT_CLASSES.index(c) for c in ("dash", "blank", "void", "junk")]
    assert out[rest] == pytest.approx(before[rest])


def _letters(degrees: float, **chances: float) -> CharacterEvidence:
    letter = np.full(len(LETTER_CLASSES), 1e-6)
    for name, chance in chances.items():
        letter[LETTER_CLASSES.index(name)] = chance
    return replace(_box(), letter=letter / letter.sum(), features=_looks(degrees))


def test_letters_learn_from_codes_that_can_be_told_since_few_are_possible() -> None:
    """This hand's L looks like R: in KL it is told, since no code is KR; so the L of LM is no longer taken for RM's R."""
    names = ("first", "second", "third")
    cells = {n: Cell(n, "code", (0, 0, 18, 9), n, ((0, 0, 9, 9), (9, 0, 9, 9)), ("KL", "LM", "RM")) for n in names}
    codes = {
        "first": [_letters(0, K=1.0), _letters(20, L=0.3, R=0.7)],
        "second": [_letters(25, L=0.4, R=0.6), _letters(90, M=1.0)],
        "third": [_letters(80, R=1.0), _letters(92, M=1.0)],
    }

    first, second = (as_one_hand({}, codes, cells)["second"][0].letter[LETTER_CLASSES.index(c)] for c in "LR")

    gain = ALIKE * (np.cos(np.radians(5)) - np.cos(np.radians(55)))
    assert first / second == pytest.approx(0.4 / 0.6 * np.exp(gain), rel=1e-4)
    assert first > 0.8


def _letter(degrees: float, char: str, void: float = 0.0) -> CharacterEvidence:
    letter = np.zeros(len(LETTER_CLASSES))
    letter[LETTER_CLASSES.index(char)], letter[LETTER_CLASSES.index("void")] = 1 - void, void
    return replace(PLAIN[0], letter=letter, features=_looks(degrees))


def _void_of_y(
    own: CharacterEvidence,
    elsewhere: list[CharacterEvidence],
    *,
    beside: float = 0.0,
    choices: tuple[str, ...] = ("YB", "BK"),
) -> float:
    """How likely the Y of the code YB still is crossed out, beside a B, where other cells have these Y."""
    codes = {"own": [own, _letter(120, "B", beside)]}
    codes |= {f"c{i}": [y, _letter(120, "B")] for i, y in enumerate(elsewhere)}
    cells = {cell: Cell(cell, "code", (0, 0, 18, 9), cell, ((0, 0, 9, 9), (9, 0, 9, 9)), choices) for cell in codes}
    out = as_one_hand({}, codes, cells)["own"][0].letter
    assert out.sum() == pytest.approx(1)
    return float(out[LETTER_CLASSES.index("void")])


def test_a_letter_that_seems_crossed_out_wherever_this_hand_writes_it_is_its_shape() -> None:
    """Even odds become e^(18 - 25 cos 5 - 0.7 ln 0.5) to 1: the two nearest of three, each even too."""
    mine, far = _letter(0, "Y", 0.5), _letter(80, "Y", 0.01)
    same = [_letter(5, "Y", 0.5), _letter(-5, "Y", 0.5), far]
    odds = np.exp(OTHERWISE - SHAPED * np.cos(np.radians(5)) - SHARED * np.log(0.5))

    assert _void_of_y(mine, same) == pytest.approx(odds / (1 + odds))
    assert _void_of_y(mine, same) < 0.01


@pytest.mark.parametrize(
    ("elsewhere", "beside"),
    [
        ([_letter(5, "Y", 0.5)], 0.0),
        ([_letter(60, "Y", 0.5)] * 3, 0.0),
        ([_letter(5, "Y", 0.5)] * 3, 0.3),
        ([_letter(25, "Y", 0.0)] * 3, 0.0),
    ],
    ids=["one other", "others look otherwise", "its neighbour seems crossed out too", "others are plain, fairly alike"],
)
def test_a_letter_that_seems_crossed_out_otherwise_stays_so(elsewhere, beside) -> None:
    assert _void_of_y(_letter(0, "Y", 0.5), elsewhere, beside=beside) == pytest.approx(0.5)


def test_a_letter_in_which_alone_another_code_differs_may_have_been_mended_in_many_cells() -> None:
    same = [_letter(5, "Y", 0.5)] * 3

    assert _void_of_y(_letter(0, "Y", 0.5), same, choices=("YB", "KB")) == pytest.approx(0.5)
    assert _void_of_y(_letter(0, "Y", 0.5), same, choices=("YB", "YK", "BK")) < 0.01


def test_a_letter_that_hardly_seems_crossed_out_is_left_as_it_is() -> None:
    assert _void_of_y(_letter(0, "Y", 0.1), [_letter(1, "Y", 0.5)] * 3) == pytest.approx(0.1)


def test_a_single_box_that_seems_crossed_out_stays_so() -> None:
    """Nothing stands beside a code of one letter to tell a line from a shape."""
    codes = {i: [_letter(0, "Y", 0.5)] for i in "abcd"}
    cells = {i: Cell(i, "code", (0, 0, 9, 9), i, ((0, 0, 9, 9),), ("Y", "B")) for i in codes}
    out = as_one_hand({}, codes, cells)

    assert all(boxes[0].letter[LETTER_CLASSES.index("void")] == 0.5 for boxes in out.values())
