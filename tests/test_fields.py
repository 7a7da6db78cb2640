"""Characters become values under each cell's grammar; what is no possible value is shown to a person."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, CharacterEvidence
from digitise.reader.fields import FIRST_YEAR, LAST_YEAR, decode_cell, number_weights
from digitise.reader.reasons import REASONS
from digitise.sheets.layout import Cell

SURE = 0.98
CODES = ("BK", "CF", "FA", "KL", "WY", "AC", "MW", "LM", "YB")
NAMES = {" ": "blank", "-": "dash", "#": "void", "?": "junk"}


def _spread(classes: tuple[str, ...], likely: dict[str, float]) -> np.ndarray:
    """A law over classes: the named ones as given, the rest shared evenly."""
    rest = (1 - sum(likely.values())) / max(1, len(classes) - len(likely))
    return np.array([likely.get(c, rest) for c in classes], np.float32)


def _box(char: str, sure: float = SURE) -> CharacterEvidence:
    """A box in which `char` is written: a digit or letter, ' ' blank, '-' dash, '#' crossed out, '?' no character."""
    name = NAMES.get(char, char)
    digit = _spread(DIGIT_CLASSES, {name: sure} if name in DIGIT_CLASSES else {"junk": sure})
    letter = _spread(LETTER_CLASSES, {name: sure} if name in LETTER_CLASSES else {"junk": sure})
    return CharacterEvidence(digit, letter, _spread(TICK_CLASSES, {"mark": sure}))


def _cell(kind: str, boxes: int, **more) -> Cell:
    places = tuple((9.0 * i, 0.0, 9.0, 10.5) for i in range(boxes))
    return Cell("c", kind, (0.0, 0.0, 9.0 * boxes, 10.5), "C", characters_mm=places, **more)


CELLS = {
    "2": _cell("number", 2, max=99),
    "3%": _cell("number", 3, max=100),
    "code": _cell("code", 2, choices=CODES),
    "ns": _cell("code", 1, choices=("N", "S")),
    "date": _cell("date", 8),
    "time": _cell("time", 4),
    "##.#": _cell("decimal", 3, format="##.#"),
    "##.#####": _cell("decimal", 7, format="##.#####"),
}


def _decoded(cell: str, text: str):
    return decode_cell(CELLS[cell], [_box(c) for c in text])


GRAMMAR = [
    # cell, what stands in the boxes, value, reasons
    ("2", "42", 42, ()), ("2", " 7", 7, ()), ("2", "07", 7, ()), ("2", "  ", None, ()), ("2", " 0", 0, ()), ("2", "00", 0, ()),
    ("2", " -", 0, ()), ("2", "- ", 0, ()), ("2", "7 ", 7, ("gap",)), ("2", "4-", None, ("impossible",)),
    ("2", "--", None, ("impossible",)), ("3%", "100", 100, ()), ("3%", "  5", 5, ()), ("3%", "1 5", 15, ("gap",)),
    ("3%", "101", None, ("impossible",)), ("3%", "  -", 0, ()), ("3%", " - ", 0, ()),
    ("2", " #", None, ("crossed-out",)), ("2", "##", None, ("crossed-out",)), ("2", "4?", None, ("crossed-out",)),
    ("code", "BK", "BK", ()), ("code", "YB", "YB", ()), ("code", "  ", None, ()),
    ("code", "BF", None, ("no-choice",)), ("code", "B ", None, ("gap",)), ("code", "B#", None, ("crossed-out",)),
    ("code", "??", None, ("crossed-out",)), ("ns", "N", "N", ()), ("ns", " ", None, ()), ("ns", "E", None, ("no-choice",)),
    ("date", "20260328", "2026-03-28", ()), ("date", " " * 8, None, ()), ("date", "20240229", "2024-02-29", ()),
    ("date", "20260230", None, ("impossible",)), ("date", "20261301", None, ("impossible",)),
    ("date", "00000101", None, ("impossible",)), ("date", "2026 328", None, ("gap",)), ("date", "202603-8", None, ("impossible",)),
    ("date", "2026032#", None, ("crossed-out",)), ("date", "10260328", None, ("impossible",)), ("date", "21000101", None, ("impossible",)),
    ("time", "0930", "09:30", ()), ("time", "0000", "00:00", ()), ("time", "2359", "23:59", ()), ("time", "    ", None, ()),
    ("time", "2460", None, ("impossible",)), ("time", "1275", None, ("impossible",)), ("time", " 930", None, ("gap",)),
    ("time", "12-0", None, ("impossible",)),
    ("##.#", " 85", 8.5, ()), ("##.#", "125", 12.5, ()), ("##.#", "   ", None, ()), ("##.#", "085", 8.5, ()),
    ("##.#", " 80", 8.0, ()), ("##.#", "12 ", 12.0, ("gap",)), ("##.#", "  5", 0.5, ("gap",)), ("##.#", " -5", None, ("impossible",)),
    ("##.#####", " 541230", 5.4123, ()), ("##.#####", " 54123 ", 5.4123, ()), ("##.#####", "0541 30", 5.413, ("gap",)),
]  # fmt: skip


@pytest.mark.parametrize(
    ("cell", "text", "value", "reasons"), GRAMMAR, ids=[f"{c}:{t.replace(' ', '_')}" for c, t, *_ in GRAMMAR]
)
def test_what_stands_in_the_boxes_means_this(cell: str, text: str, value, reasons: tuple[str, ...]) -> None:
    """A dash alone is 0, blanks lead, a gap or an impossible value is told. Only a flagged cell may hold a suggestion."""
    found = _decoded(cell, text)

    assert found.reasons == reasons
    if not reasons or reasons == ("gap",):
        if value is not None or not reasons:
            assert found.value == value
            assert type(found.value) is type(value)
    if reasons == ("crossed-out",):
        assert found.value is None
    assert all(r in REASONS for r in found.reasons)


@given(st.integers(0, 99))
def test_right_aligned_numbers_mean_themselves(number: int) -> None:
    """Every number of two digits, with and without a leading zero."""
    for text in (f"{number:2d}", f"{number:02d}"):
        found = _decoded("2", text)
        assert (found.value, found.reasons) == (number, ())
        assert found.score > 0.9


@given(st.text("0123456789", min_size=8, max_size=8))
def test_dates_are_those_of_iso_8601(text: str) -> None:
    """Eight digits are a date exactly when Python's ISO 8601 parser takes them (basic format, ISO 8601-1:2019, 5.2.2.1)
    and people dived in that year."""
    try:
        day = dt.date.fromisoformat(text)
    except ValueError:
        day = None
    expected = day.isoformat() if day and FIRST_YEAR <= day.year <= LAST_YEAR else None
    found = _decoded("date", text)

    assert found.reasons == (() if expected else ("impossible",))
    if expected:
        assert found.value == expected


@given(st.dates(dt.date(FIRST_YEAR, 1, 1), dt.date(LAST_YEAR, 12, 31)))
def test_every_date_is_read(day: dt.date) -> None:
    assert _decoded("date", day.isoformat().replace("-", "")).value == day.isoformat()


@given(st.text("0123456789", min_size=4, max_size=4).filter(lambda t: t != "2400"))
def test_times_are_those_of_iso_8601(text: str) -> None:
    """Four digits are a time exactly when Python's ISO 8601 parser takes them; 24:00 is left aside (the editions differ)."""
    try:
        expected = dt.time.fromisoformat(text).isoformat("minutes")
    except ValueError:
        expected = None
    found = _decoded("time", text)

    assert found.reasons == (() if expected else ("impossible",))
    if expected:
        assert found.value == expected


@given(st.integers(0, 999))
def test_decimals_mean_their_digits(tenths: int) -> None:
    """``##.#`` with every digit written: the number of tenths over ten."""
    found = _decoded("##.#", f"{tenths:03d}")

    assert (found.value, found.reasons) == (tenths / 10, ())


@given(st.sampled_from(CODES), st.integers(0, 1), st.sampled_from("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
def test_one_misread_letter_never_gives_another_code_unseen(code: str, place: int, letter: str) -> None:
    """Any two codes differ in both letters: with one letter wrong the cell is flagged, whatever stands there."""
    wrong = code[:place] + letter + code[place + 1 :]
    found = _decoded("code", wrong)

    if wrong == code:
        assert (found.value, found.reasons) == (code, ())
    else:
        assert found.reasons == ("no-choice",)


@given(
    st.lists(st.sampled_from("0123456789 -#?"), min_size=8, max_size=8),
    st.sampled_from(sorted(CELLS)),
    st.floats(0.2, 0.999),
)
def test_any_evidence_is_decoded(chars: list[str], name: str, sure: float) -> None:
    """Whatever is in the boxes: a value of the cell's type or None, a score in [0, 1], candidates best first."""
    cell = CELLS[name]
    found = decode_cell(cell, [_box(c, sure) for c in chars[: len(cell.characters_mm)]])
    types = {"number": int, "code": str, "date": str, "time": str, "decimal": float}

    assert found.value is None or type(found.value) is types[cell.kind]
    assert 0 <= found.score <= 1
    weights = [w for _, w in found.candidates]
    assert weights == sorted(weights, reverse=True)
    assert len(found.candidates) <= 5
    assert cell.kind != "code" or found.value in (None, *CODES, "N", "S")


@given(st.lists(st.sampled_from("0123456789 "), min_size=2, max_size=2), st.integers(0, 1))
def test_a_void_box_is_never_read_silently(chars: list[str], place: int) -> None:
    """One crossed-out box puts its whole number before a person."""
    chars[place] = "#"

    assert "crossed-out" in _decoded("2", "".join(chars)).reasons


@pytest.mark.parametrize(("void", "value"), [(0.2, 45), (0.45, 45), (0.55, None), (0.98, None)])
def test_a_box_that_may_be_void_goes_to_a_person(void: float, value: int | None) -> None:
    """Crossed out with 0.15 or more: a person decides; where that is likelier than not, the number is only a candidate."""
    digit = _spread(DIGIT_CLASSES, {"5": 0.99 - void, "void": void})
    maybe = CharacterEvidence(digit, _box("?").letter, _box("?").tick)
    found = decode_cell(CELLS["2"], [_box("4"), maybe])

    assert (found.value, found.reasons) == (value, ("crossed-out",))
    assert found.candidates[0][0] == 45


@pytest.mark.parametrize(
    ("letters", "void", "value", "reasons"),
    [
        pytest.param("BK", 0.3, "BK", ("crossed-out",), id="a-code-that-may-be-void"),
        pytest.param("BK", 0.96, "BK", ("crossed-out",), id="as-codes-of-broad-pens-are"),
        pytest.param("BK", 0.98, None, ("crossed-out",), id="void"),
        pytest.param("BX", 0.3, None, ("no-choice", "crossed-out"), id="no-code-and-maybe-void"),
        pytest.param("BX", 0.1, "BK", ("no-choice",), id="no-code"),
    ],
)
def test_what_is_hardly_plain_and_no_code_has_no_value_to_suggest(letters, void, value, reasons) -> None:
    """What a void box looks most like is one of the candidates, no more; a plain letter out of place is a slip."""
    letter = _spread(LETTER_CLASSES, {letters[1]: 0.97 - void, "void": void, "K": 0.02})
    found = decode_cell(CELLS["code"], [_box(letters[0]), CharacterEvidence(_box("?").digit, letter, _box("?").tick)])

    assert (found.value, found.reasons) == (value, reasons)
    assert found.candidates[0][0] == "BK"


def test_score_is_the_product_of_the_boxes() -> None:
    """Two boxes read with 0.98 each, and nothing else that is a number so likely: 0.9604."""
    assert _decoded("2", "42").score == pytest.approx(0.98**2, abs=1e-4)
    assert _decoded("code", "BK").score > 0.98**2 - 1e-6


def test_candidates_hold_the_second_best() -> None:
    """A digit that may be 4 (0.6) or 9 (0.38) gives both numbers, 17 ways apart."""
    either = CharacterEvidence(_spread(DIGIT_CLASSES, {"4": 0.6, "9": 0.38}), _box("?").letter, _box("?").tick)
    found = decode_cell(CELLS["2"], [_box("1"), either])

    assert [v for v, _ in found.candidates[:2]] == [14, 19]
    assert found.candidates[0][1] / found.candidates[1][1] == pytest.approx(0.6 / 0.38, rel=0.01)


def test_letters_are_not_digits_where_no_code_has_one() -> None:
    """An F that might be a 7 is an F in a cell of letters."""
    doubtful = CharacterEvidence(_box("?").digit, _spread(LETTER_CLASSES, {"F": 0.5, "7": 0.48}), _box("?").tick)
    found = decode_cell(CELLS["code"], [_box("C"), doubtful])

    assert (found.value, found.reasons) == ("CF", ())
    assert found.score > 0.9


def test_weights_of_a_number_leave_out_what_is_none() -> None:
    """A gap, a dash among digits and a number above the most carry no weight; a dash alone carries 0."""
    gap = number_weights(CELLS["2"], [_box("7"), _box(" ")])
    dash = number_weights(CELLS["2"], [_box(" "), _box("-")])
    percent = number_weights(CELLS["3%"], [_box(c) for c in "101"])

    assert max(gap.values()) < 0.1
    assert dash[0] == pytest.approx(0.98**2, abs=0.01)
    assert 101 not in percent
    assert sum(number_weights(CELLS["2"], [_box("4"), _box("2")]).values()) <= 1.0
