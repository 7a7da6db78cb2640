"""Words: the line reader's texts, Tesseract beside it, and that a person always looks."""

import itertools
import math

import numpy as np
import pytest

from digitise.reader import text as reading_of_text
from digitise.reader.ink import extract_ink
from digitise.reader.line_network import LINE_CLASSES, LINE_ROWS, best_texts, line_input, line_texts, unmixed
from digitise.reader.read import read_page
from digitise.reader.tally import own_ink
from digitise.reader.text import _joined, _open


def steps(*rows: dict[str, float]) -> np.ndarray:
    """Probabilities of each step by character; "" is: nothing new here."""
    out = np.zeros((len(rows), len(LINE_CLASSES)))
    for row, given in zip(out, rows, strict=True):
        for char, p in given.items():
            row[LINE_CLASSES.index(char)] = p
    return out


def test_a_character_over_two_steps_is_one_character():
    """A at 0.6 twice: AA, A- and -A all say A, together 0.84; nothing at all 0.16. Checked by hand."""
    found = dict(best_texts(steps({"A": 0.6, "": 0.4}, {"A": 0.6, "": 0.4})))

    assert found == pytest.approx({"A": 0.84, "": 0.16})


def test_a_character_twice_needs_a_gap_between():
    assert best_texts(steps({"L": 1.0}, {"L": 1.0}))[0][0] == "L"
    assert best_texts(steps({"L": 1.0}, {"": 1.0}, {"L": 1.0}))[0][0] == "LL"


def test_spaces_at_the_ends_are_dropped_and_inner_ones_kept():
    assert best_texts(steps({" ": 1.0}, {"A": 1.0}, {" ": 1.0}, {"B": 1.0}, {" ": 1.0}))[0] == ("A B", 1.0)


@pytest.mark.parametrize("seed", range(5))
def test_probability_of_a_text_is_the_sum_over_its_paths(seed):
    """The definition, equation 3 of Graves et al. 2006 (doi:10.1145/1143844.1143891), by listing every path."""
    rng = np.random.default_rng(seed)
    symbols = ("", "A", "B")
    p = steps(*(dict(zip(symbols, rng.dirichlet([1, 1, 1]), strict=True)) for _ in range(3)))
    sums: dict[str, float] = {}
    for path in itertools.product(symbols, repeat=3):
        text = "".join(char for char, _ in itertools.groupby(path))
        chance = math.prod(p[i, LINE_CLASSES.index(c)] for i, c in enumerate(path))
        sums[text] = sums.get(text, 0.0) + chance
    best = sorted(sums.items(), key=lambda item: -item[1])[:3]

    assert [text for text, _ in best_texts(p, 3)] == [text for text, _ in best]
    assert [chance for _, chance in best_texts(p, 3)] == pytest.approx([chance for _, chance in best])


def test_a_picture_of_any_height_is_filled_or_cut_about_its_middle():
    low, high = np.ones((24, 80), np.float32), np.ones((2 * LINE_ROWS + 40, 80), np.float32)
    high[20 + LINE_ROWS : 22 + LINE_ROWS] = 0.5
    low, high = line_input(low, 1.0), line_input(high, 1.0)

    assert low.shape == high.shape == (LINE_ROWS, 40)
    assert np.flatnonzero(low[:, 0]).tolist() == list(range(26, 38))
    assert high[LINE_ROWS // 2, 0] == 0.5


def test_two_readers_that_agree_rank_above_any_single_one():
    own = (("NORTH WALL", 0.4), ("NORTH HALL", 0.2))
    alone, agreed = _joined(own, ("NORTH FALL", 0.9)), _joined(own, ("North Wall", 0.9))

    assert alone.value == agreed.value == "NORTH WALL"
    assert _joined((("X", 1.0),), ("Y", 1.0)).score <= agreed.score
    assert "NORTH FALL" in [text for text, _ in alone.candidates]
    assert alone.reasons == agreed.reasons == ("free-text",)


def test_a_digit_inside_a_word_is_taken_for_its_look_alike_letter_and_numbers_stay():
    """Two places where letter and digit touch: 0.5 x 0.2 x 0.2 = 0.02, beside 0.3 and 0.2 that no text claims: of 0.52."""
    found = dict(unmixed((("S1LT", 0.5), ("SILT", 0.3))))

    assert found == pytest.approx({"SILT": 0.3 / 0.52, "S1LT": 0.02 / 0.52})
    assert list(found) == ["SILT", "S1LT"]
    assert dict(unmixed((("VIS 8 M 18.5", 0.6), ("7/3", 0.4)))) == pytest.approx({"VIS 8 M 18.5": 0.6, "7/3": 0.4})


def test_tesseract_decides_between_texts_that_the_line_reader_had_itself():
    own = (("PLASTIC BAJ", 0.29), ("PLASTIC BAG", 0.25))
    decided, other = _joined(own, ("Plastic bag", 0.9)), _joined(own, ("PLASTIC BOX", 0.9))

    assert decided.value == decided.candidates[0][0] == "PLASTIC BAG"
    assert {text for text, _ in decided.candidates} == {"PLASTIC BAG", "PLASTIC BAJ"}
    assert other.value == "PLASTIC BAJ"


def test_tesseract_that_was_not_asked_or_says_nothing_does_not_decide_for_nothing():
    """Where a line is faint, that nothing is written is one of the line reader's own texts."""
    found = _joined((("A", 0.6), ("", 0.2)), ("", 0.0))

    assert (found.value, found.score, found.candidates[0]) == ("A", 0.3, ("A", 0.6))


def test_a_line_is_open_where_two_texts_are_about_equally_likely_or_none_is_read():
    assert all(map(_open, ((), (("", 0.9), ("A", 0.1)), (("A", 0.30), ("B", 0.29)))))
    assert not any(map(_open, ((("A", 0.30), ("B", 0.1)), (("A", 1.0),))))


def test_empty_paper_behind_a_line_changes_nothing(written):
    ink = extract_ink((page := written("site", {"site/leader": "MIRA TOLE"})).image, page.layout)
    picture = line_input(own_ink(ink, page.layout.by_id["site/leader"]), ink.pencil)
    wide = np.pad(picture, ((0, 0), (0, 400)))

    assert [t for t, _ in line_texts(wide)] == [t for t, _ in line_texts(picture)]
    assert [p for _, p in line_texts(wide)] == pytest.approx([p for _, p in line_texts(picture)], abs=0.01)


def test_tesseract_is_not_started_for_a_page_without_words(written, monkeypatch):
    def started(pictures):
        raise AssertionError("Tesseract was started")

    monkeypatch.setattr(reading_of_text, "_suggestions", started)
    readings = {r.cell: r for r in read_page(written("site", {}))}

    assert readings["site/leader"].value is None
    monkeypatch.setattr(reading_of_text, "_open", lambda own: True)
    if reading_of_text.engine_present():
        with pytest.raises(AssertionError, match="was started"):
            read_page(written("site", {"site/leader": "MIRA TOLE"}))


def test_written_words_always_go_to_a_person_and_an_empty_line_is_blank(written):
    """A name on the site sheet: read, suggested, flagged; the lines beside it hold nothing."""
    page = written("site", {"site/leader": "MIRA TOLE"})
    readings = {r.cell: r for r in read_page(page)}
    ink = extract_ink(page.image, page.layout)
    line = line_input(own_ink(ink, page.layout.by_id["site/leader"]), ink.pencil)

    assert line_texts(line)[0][0] == readings["site/leader"].value
    assert sum(a == b for a, b in zip(readings["site/leader"].value, "MIRA TOLE", strict=False)) >= 7
    assert readings["site/leader"].flagged
    assert readings["site/leader"].reasons == ("free-text",)
    assert readings["site/remarks"].value is None
