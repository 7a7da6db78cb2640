"""Words: the line reader's texts, Tesseract beside it, and that a person always looks."""

import itertools
import math
import shutil
import subprocess

import cv2
import numpy as np
import pytest

from digitise.reader.ink import extract_ink
from digitise.reader.line_network import LINE_CLASSES, LINE_ROWS, best_texts, line_input, line_texts
from digitise.reader.read import read_page
from digitise.reader.tally import own_ink
from digitise.reader.tesseract import engine
from digitise.reader.text import _joined


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


def test_tesseract_asked_by_its_interface_says_what_its_program_says(tmp_path):
    """Words, confidences and places of two set lines, compared with the installed program's own table."""
    program = shutil.which("tesseract")
    if program is None or engine() is None:
        pytest.skip("Tesseract is not installed")
    picture = np.full((200, 640), 255, np.uint8)
    for y, words in ((70, "TURTLE AT15M"), (160, "ANCHOR LINE")):
        cv2.putText(picture, words, (30, y), cv2.FONT_HERSHEY_SIMPLEX, 1.6, 0, 3, cv2.LINE_AA)
    cv2.imwrite(str(tmp_path / "lines.png"), picture)
    said = subprocess.run(
        [program, str(tmp_path / "lines.png"), "-", "--psm", "6", "--oem", "1", "tsv"], capture_output=True, text=True
    )
    rows = [row.split("\t") for row in said.stdout.splitlines()[1:]]
    expected = [(r[11], int(float(r[10])), int(r[7]), int(r[9])) for r in rows if len(r) == 12 and r[11].strip()]
    found = engine().words(picture)

    assert [(w.text, w.top, w.height) for w in found] == [(text, top, high) for text, _, top, high in expected]
    assert [100 * w.confidence for w in found] == pytest.approx([sure for _, sure, _, _ in expected])
    assert " ".join(w.text for w in found) == "TURTLE AT15M ANCHOR LINE"
