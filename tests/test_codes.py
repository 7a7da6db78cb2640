"""Codes that survive a misread letter: apart in both places, without look-alikes, the same every time."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from digitise.sheets.codes import (
    LETTERS,
    LOOK_ALIKES,
    MOST,
    MOST_SHORT,
    choose_codes,
    how_often,
    letter_distance,
    margins,
    measured_confusion,
)
from digitise.sheets.protocol import load_protocol, shipped_names


def _sound(codes: tuple[str, ...]) -> bool:
    pairs = itertools.combinations(codes, 2)
    apart = all(len(a) == len(b) and sum(x != y for x, y in zip(a, b, strict=True)) > 1 for a, b in pairs)
    return apart and len(set(codes)) == len(codes) and not LOOK_ALIKES & set("".join(codes))


@pytest.mark.parametrize("count", range(2, MOST_SHORT + 1))
def test_any_two_codes_differ_in_both_letters(count: int) -> None:
    """From two codes to seventeen, by the shipped reader's confusions; sorted, two letters each, no look-alikes."""
    chosen = choose_codes(count)

    assert len(chosen.codes) == count
    assert all(len(c) == 2 and set(c) <= set(LETTERS) for c in chosen.codes)
    assert list(chosen.codes) == sorted(chosen.codes)
    assert _sound(chosen.codes)


@pytest.mark.parametrize("count", [MOST_SHORT + 1, 30, MOST])
def test_many_codes_have_three_letters_and_differ_in_two(count: int) -> None:
    """So one misread letter gives no valid code; each margin is that of the letters that differ."""
    codes = choose_codes(count).codes

    assert len(codes) == count
    assert all(len(set(c)) == len(c) == 3 and set(c) <= set(LETTERS) for c in codes)
    assert list(codes) == sorted(codes)
    assert _sound(codes)
    assert max(m.chance for m in margins(codes)) < 1e-4


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.25, "about 1 time in 4"), (1 / 25_000, "about 1 time in 25,000"), (1e-10, "less than 1 time in 1,000,000")],
)
def test_a_margin_in_words_claims_no_more_than_was_measured(chance: float, words: str) -> None:
    assert how_often(chance) == words


def test_choice_is_the_same_every_time() -> None:
    assert choose_codes(9) == choose_codes(9)
    assert choose_codes(30) == choose_codes(30)


@pytest.mark.parametrize("name", shipped_names())
def test_codes_of_shipped_protocols_are_as_sound_as_when_they_were_chosen(name: str) -> None:
    """Sheets are printed with them, so they stay when the reader is trained anew, which may mix none up too often."""
    sheets = [s for s in load_protocol(name).sheets.values() if getattr(s, "categories", None)]

    assert sheets
    for sheet in sheets:
        codes = [c.code for c in sheet.categories]
        assert _sound(codes)
        assert max(m.chance for m in margins(codes)) < 1 / 5_000


@settings(max_examples=10, deadline=None)
@given(arrays(np.float64, (26, 26), elements=st.floats(0, 1)), st.integers(2, MOST))
def test_any_confusions_give_sound_codes(confusion: np.ndarray, count: int) -> None:
    """Whatever a reader confuses, codes stay apart in both letters."""
    chosen = choose_codes(count, confusion=confusion)

    assert _sound(chosen.codes)
    assert set(chosen.nearest) <= set(chosen.codes)
    assert 0 < chosen.chance <= 1


def test_confused_letters_are_kept_apart() -> None:
    """Where H and K are read for each other half the time, three codes do without one of them in each place."""
    confusion = np.eye(26)
    h, k = LETTERS.index("H"), LETTERS.index("K")
    confusion[h, k] = confusion[k, h] = 0.5
    codes = choose_codes(3, confusion=confusion).codes

    assert not {"H", "K"} <= {c[0] for c in codes}
    assert not {"H", "K"} <= {c[1] for c in codes}


def test_nearest_pair_is_the_likeliest_to_be_mixed_up() -> None:
    """Its chance is the product of both letters' confusions, and no other pair's is larger."""
    chosen = choose_codes(9)
    distance = letter_distance(measured_confusion())

    def chance(a: str, b: str) -> float:
        return math.exp(-sum(distance[LETTERS.index(x), LETTERS.index(y)] for x, y in zip(a, b, strict=True)))

    assert chosen.chance == pytest.approx(chance(*chosen.nearest))
    assert chosen.chance == pytest.approx(max(chance(a, b) for a, b in itertools.combinations(chosen.codes, 2)))
    assert chosen.chance < 0.001


def test_distance_by_hand() -> None:
    """Minus the log of the larger mistake of a pair, with a floor of 1 in 100,000; a letter is infinitely far from itself."""
    confusion = np.zeros((26, 26))
    confusion[0, 1], confusion[1, 0] = 0.01, 0.002
    distance = letter_distance(confusion)

    assert distance[0, 1] == distance[1, 0] == pytest.approx(-math.log(0.01))
    assert distance[2, 3] == pytest.approx(-math.log(1e-5))
    assert math.isinf(distance[5, 5])


@pytest.mark.parametrize("count", [1, 0, MOST + 1, 100])
def test_an_impossible_number_of_codes_is_refused_with_the_limits(count: int) -> None:
    with pytest.raises(ValueError, match=rf"{count} codes asked for: expected 2 to {MOST}; a sheet has no room"):
        choose_codes(count)


def test_measured_confusions_are_mostly_right() -> None:
    """The shipped reader, on writers its training never saw: the written letter is the likeliest in every row."""
    confusion = measured_confusion()

    assert confusion.shape == (26, 26)
    assert confusion.min() >= 0
    assert confusion.argmax(axis=1).tolist() == list(range(26))
    assert confusion.sum(axis=1).max() <= 1.001
