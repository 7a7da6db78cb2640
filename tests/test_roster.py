"""Names are matched to those that are known, with a probability, and never put in the writer's place."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept import made_result

from digitise.reader.reading import Reading
from digitise.surveys.roster import (
    DOUBT,
    ERROR,
    LETTER,
    STRANGER,
    edits,
    folded,
    match_names,
    split_names,
    suggestions,
    with_suggestions,
)

PEOPLE = ("Mira Tole", "Keo Varn", "Ada Lind", "Jun Ansu", "Rosu Beki", "Tam Orle")
SITES = ("Lantern Garden", "Ossa Ledge")


@pytest.mark.parametrize(("a", "b", "n"), [("", "", 0), ("ABC", "", 3), ("KITTEN", "SITTING", 3), ("TOLE", "TOLE", 0)])
def test_edits_are_counted_letter_by_letter(a: str, b: str, n: int) -> None:
    """Three changes make KITTEN into SITTING (the usual example of Levenshtein's distance, from memory)."""
    assert edits(a, b) == edits(b, a) == n


@pytest.mark.parametrize(
    "text", ["MIRA TOLE", "mira tole", "MIRA  T0LE", "M. TOLE", "Mira Tóle", "TOLE, MIRA", "MIRATOLE"]
)
def test_ways_of_writing_a_name_are_that_name(text: str) -> None:
    """Capitals, accents, a zero for an O, an initial, turned round, a space lost."""
    best = match_names(text, PEOPLE)[0]

    assert best.name == "Mira Tole"
    assert best.probability > 0.9


def test_a_stranger_matches_nobody() -> None:
    """A name far from every known one has no match worth showing."""
    assert match_names("BRENNA QUILL", PEOPLE) == ()
    assert match_names("", PEOPLE) == ()
    assert match_names("MIRA TOLE", ()) == ()
    assert match_names("XYRA", ("Mira",)) == ()  # half of four letters wrong


def test_a_name_that_two_people_share_is_shared_between_them() -> None:
    """MIRA alone may be either Mira, with equal chances."""
    found = match_names("MIRA", ("Mira Tole", "Mira Fesk"))

    assert [m.name for m in found] == ["Mira Tole", "Mira Fesk"]
    assert found[0].probability == pytest.approx(found[1].probability)


def test_the_probability_of_one_wrong_letter_by_hand() -> None:
    """Mira or Keo, with one of four letters for another; else somebody unknown, any letters at all."""
    meant = (1 - STRANGER) / 2 * (ERROR / 26) * (1 - ERROR) ** 3
    found = match_names("MIRO", ("Mira", "Keo"))

    assert [m.name for m in found] == ["Mira"]
    assert found[0].probability == pytest.approx((1 - DOUBT) * meant / (meant + STRANGER * LETTER**4), rel=1e-9)


def test_more_wrong_letters_are_less_sure() -> None:
    """Each further wrong letter takes probability away."""
    chances = [match_names(t, PEOPLE)[0].probability for t in ("KEO VARN", "KEO VERN", "KEQ VERN")]

    assert chances == sorted(chances, reverse=True)
    assert chances[0] > chances[-1]


@given(st.text(max_size=30), st.lists(st.text(min_size=1, max_size=20), max_size=6))
def test_probabilities_never_exceed_one_and_names_are_never_invented(text: str, names: list[str]) -> None:
    """Whatever is written and whoever is known."""
    found = match_names(text, names)

    assert sum(m.probability for m in found) <= 1 + 1e-9
    assert {m.name for m in found} <= set(names)
    assert folded(folded(text)) == folded(text)


@pytest.mark.parametrize(
    "text", ["KEO VARN, ADA LIND", "KEO VARN & ADA LIND", "Keo Varn and Ada Lind", "KEO VARN / ADA LIND"]
)
def test_pairs_are_split_at_what_stands_between_names(text: str) -> None:
    assert [n.upper() for n in split_names(text)] == ["KEO VARN", "ADA LIND"]
    assert split_names("Y. SANDE") == ("Y. SANDE",)
    assert split_names("KEO VARN, -") == ("KEO VARN",)
    assert split_names("–") == split_names("./.") == ()


def test_a_pair_is_suggested_as_two_known_people() -> None:
    """One letter wrong in each; the chance is that of both."""
    (both,) = suggestions("site/pair-1", "KEO VERN, ADA LIMD", PEOPLE, SITES)
    alone = [match_names(t, PEOPLE)[0].probability for t in ("KEO VERN", "ADA LIMD")]

    assert both.name == "Keo Varn, Ada Lind"
    assert both.probability == pytest.approx(alone[0] * alone[1])


def test_a_name_read_as_it_is_known_gains_nothing() -> None:
    """Only the capitals differ: the reader's own suggestion is enough."""
    read = Reading("fish/observer", "text", "MIRA TOLE", 0.5, True, (("MIRA TOLE", 0.5),), ("free-text",), 0.5)
    result = made_result("fish", {}, name="a.jpg")
    result = type(result)(result.file, result.sha256, "read", (), result.page, None, (read,))

    assert with_suggestions(result, PEOPLE, SITES).readings == (read,)


def test_cells_that_hold_no_names_get_none() -> None:
    """Remarks stay remarks, whatever they sound like."""
    assert suggestions("site/remarks", "MIRA TOLE", PEOPLE, SITES) == ()
    assert suggestions("site/site", "LANTERN GARDEM", PEOPLE, SITES)[0].name == "Lantern Garden"


def test_suggestions_change_no_value_and_no_flag() -> None:
    """Candidates gain the known name; value, confidence and the flag stay the reader's."""
    result = made_result("site", {}, name="a.jpg", transect=0)
    read = Reading("site/leader", "text", "MIRA TOLF", 0.3, True, (("MIRA TOLF", 0.3),), ("free-text",), 0.3)
    result = type(result)(result.file, result.sha256, "read", (), result.page, None, (read, *result.readings[:3]))
    after = with_suggestions(result, PEOPLE, SITES)

    assert after.readings[1:] == result.readings[1:]
    assert (after.readings[0].value, after.readings[0].confidence, after.readings[0].flagged) == (
        "MIRA TOLF",
        0.3,
        True,
    )
    assert [name for name, _ in after.readings[0].candidates] == ["Mira Tole", "MIRA TOLF"]
