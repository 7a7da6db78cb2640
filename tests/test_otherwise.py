"""Marks made otherwise than the sheet asks, drawn on printed pages: read right, or left to a person."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader import read
from digitise.reader.characters import DIGIT_CLASSES, DIGIT_NOUGHT, SIDE_PX, TICK_CLASSES, CharacterEvidence
from digitise.reader.eights import as_perhaps_eight, loops
from digitise.reader.ink import extract_ink
from digitise.reader.nines import as_perhaps_four, has_bar
from digitise.reader.read import _tick as tick_of
from digitise.reader.read import read_page

GREY, LINE_PX = 90, 5


def _arc(x: float, y: float, w: float, h: float, turn: float = 360.0) -> np.ndarray:
    """Points of an ellipse around (x, y), from its right end on, clockwise."""
    at = np.radians(np.linspace(0, turn, 40))
    return np.stack([x + w / 2 * np.cos(at), y + h / 2 * np.sin(at)], 1)


def _line(*points: tuple[float, float]) -> np.ndarray:
    return np.array(points, float)


def _strokes(count: int, x: float, y0: float, y1: float) -> list[np.ndarray]:
    return [_line((x + 2 * i, y0), (x + 2 * i - 0.4, y1)) for i in range(count)]


RING = [_arc(12, 6.5, 5, 6)]
TWO_RINGS = [_arc(12, 6.5, 4, 5), _arc(19, 6.5, 4, 5)]
TOUCHING = [_arc(12, 6.5, 4, 5), _arc(16.2, 6.5, 4, 5)]
FRAME = [_line((9, 10), (9, 3), (16, 3), (16, 10), (9, 10))]
UNDERLINED = [*_strokes(4, 10, 2.5, 8), _line((8.5, 10.5), (18, 10.4))]
FOUR = _strokes(4, 10, 2.5, 10)
DOWN = [_line((20, 7), (20.5, 23))]  # into the box below
TOO_LONG = [*_strokes(3, 8, 2.5, 15.5), *_strokes(3, 7.6, 15.5, 26)]  # touching those of the row below


def _read(image: np.ndarray, one, page_of, drawn) -> dict[str, tuple]:
    """Value and reasons of the cells in which these lines were drawn, mm from the corner of each."""
    image = image.copy()
    for cell, lines in drawn.items():
        corner = np.array(one.by_id[cell].box_mm[:2])
        for line in lines:
            points = np.round((line + corner) * FLAT_PX_PER_MM).astype(np.int32)
            cv2.polylines(image, [points], False, GREY, LINE_PX, cv2.LINE_AA)
    return {r.cell: (r.value, r.reasons) for r in read_page(page_of(one, image))}


def test_counts_kept_with_other_marks_than_strokes_are_for_a_person(printed, layout, page_of) -> None:
    """A frame and two rings that touch are no plain nought, a bar under four strokes may be the fifth; lines from one
    row into the next mean no stroke, or none for sure. What people do anyhow, a nought and four strokes, is accepted.
    """
    name = "fish/{}/0-10/tally".format
    marks = {
        "damselfish": FRAME,
        "cardinalfish": TOUCHING,
        "fusilier": UNDERLINED,
        "goatfish": FOUR,
        "rabbitfish": RING,
    }
    marks |= {"angelfish": DOWN, "triggerfish": TOO_LONG}
    found = _read(printed("fish"), layout("fish"), page_of, {name(k): v for k, v in marks.items()})

    assert found[name("goatfish")] == (4, ())
    assert found[name("rabbitfish")] == (0, ())
    assert "unsure" in found[name("damselfish")][1]
    assert "unsure" in found[name("cardinalfish")][1]
    assert "counts-differ" in found[name("fusilier")][1]
    from_row_to_row = ("angelfish", "hawkfish", "triggerfish", "pufferfish")
    assert [found[name(k)][1] for k in from_row_to_row] == [("line-drawn",)] * 4


def test_a_ring_is_in_doubt_where_others_are_counted_with(printed, layout, page_of) -> None:
    """Two rings in one box: to this hand, one ring may be one animal."""
    two, one = (f"fish/{k}/0-10/tally" for k in ("damselfish", "rabbitfish"))
    found = _read(printed("fish"), layout("fish"), page_of, {two: TWO_RINGS, one: RING})

    assert found[two][1]
    assert found[one] == (0, ("unsure",))

    drop = [_line((10, 6), (16, 6.2)), _arc(22, 6.5, 1.6, 2.0)]  # beside a dash
    assert _read(printed("fish"), layout("fish"), page_of, {two: drop, one: RING})[one] == (0, ())


def test_a_sign_before_a_number_is_for_a_person(printed, layout, page_of) -> None:
    """ "About 4" is no 4, which alone is accepted."""
    four = [_line((3, 2), (2, 6.5), (7, 6.5)), _line((5.5, 3.5), (5.3, 9))]
    about = [_line((-3.6, 6), (-2.8, 5), (-2, 6), (-1.2, 5))]
    found = _read(printed("site"), layout("site"), page_of, {"site/team": four})
    doubted = _read(printed("site"), layout("site"), page_of, {"site/team": [*four, *about]})

    assert (found["site/team"], doubted["site/team"]) == ((4, ()), (4, ("beside",)))


def test_a_nought_to_tick_is_for_a_person() -> None:
    """A mark to those who look for ticks, a nought to those who read digits."""
    nought, tick = np.zeros(len(DIGIT_CLASSES)), np.zeros(len(TICK_CLASSES))
    nought[DIGIT_NOUGHT], tick[TICK_CLASSES.index("mark")] = 0.99, 1.0
    found = tick_of(CharacterEvidence(nought, np.zeros(1), tick))

    assert (found.value, found.reasons) == (True, ("unsure",))


def _closed_four(beyond: int) -> np.ndarray:
    """A loop and a stem; a line from the loop's foot to the right, so many pixels beyond the stem."""
    crop = np.zeros((SIDE_PX, SIDE_PX), np.float32)
    cv2.ellipse(crop, (21, 16), (6, 7), 0, 0, 360, 1.0, 2, cv2.LINE_AA)
    cv2.line(crop, (28, 9), (27, 38), 1.0, 2, cv2.LINE_AA)
    cv2.line(crop, (21, 23), (28 + beyond, 22), 1.0, 2, cv2.LINE_AA)
    return crop


@pytest.mark.parametrize(
    ("beyond", "bar"), [pytest.param(4, True, id="beyond-its-stem"), pytest.param(0, False, id="up-to-it")]
)
def test_a_closed_four_has_a_bar_beyond_its_stem(beyond: int, bar: bool) -> None:
    assert has_bar(_closed_four(beyond), 0.3) is bar


@pytest.mark.parametrize(("nine", "four"), [(0.99, 0.99 * 0.99), (0.99999, 0.0)])
def test_a_nine_with_a_bar_that_is_not_quite_sure_may_be_a_four(nine: float, four: float) -> None:
    """The four comes next, hardly less likely; what is read stays a nine."""
    digit = np.zeros(len(DIGIT_CLASSES))
    digit[[9, 1]] = nine, 1 - nine
    (seen,) = as_perhaps_four(_closed_four(4)[None], [CharacterEvidence(digit, digit, digit)], 0.3)

    assert seen.digit.argmax() == 9
    assert seen.digit[4] / seen.digit[9] == pytest.approx(four / nine)


def _drawn(*lines: np.ndarray) -> np.ndarray:
    """A crop with lines given in pixels."""
    crop = np.zeros((SIDE_PX, SIDE_PX), np.float32)
    for points in lines:
        cv2.polylines(crop, [np.round(points * 8).astype(np.int32)], False, 1.0, 2, cv2.LINE_AA, 3)
    return crop


OPEN_EIGHT = _drawn(_line((32, 10), (20, 10), (18, 18), (24, 23)), _arc(24, 30, 14, 14))  # its upper loop stays open
FIVE = _drawn(_line((32, 9), (20, 9), (19, 20), (26, 19), (31, 25), (28, 34), (18, 34)))
THREE_WITH_A_CURL = _drawn(_arc(19, 12, 7, 7), _line((21, 9), (30, 14), (23, 22), (31, 29), (18, 38)))
SIX = _drawn(_line((30, 8), (20, 18), (17, 30)), _arc(24, 30, 14, 14))
NINE = _drawn(_arc(24, 16, 14, 14), _line((31, 16), (28, 38)))


@pytest.mark.parametrize(
    ("crop", "found"),
    [(OPEN_EIGHT, (False, True)), (FIVE, (False, False)), (THREE_WITH_A_CURL, (True, False)), (NINE, (True, False))],
    ids=["open eight", "five", "three with a curl", "nine"],
)
def test_loops_are_told_by_the_half_that_they_close_in(crop: np.ndarray, found: tuple[bool, bool]) -> None:
    assert loops(crop, 0.3) == found


@pytest.mark.parametrize(
    ("crop", "read", "doubted"),
    [
        pytest.param(OPEN_EIGHT, 5, True, id="an open eight as five"),
        pytest.param(OPEN_EIGHT, 3, True, id="an open eight as three"),
        pytest.param(OPEN_EIGHT, 9, True, id="an open eight as nine"),
        pytest.param(OPEN_EIGHT, 8, False, id="an open eight as eight"),
        pytest.param(FIVE, 5, False, id="a five"),
        pytest.param(THREE_WITH_A_CURL, 3, False, id="a three with a curl"),
        pytest.param(SIX, 6, False, id="a six"),
        pytest.param(NINE, 9, False, id="a nine"),
        pytest.param(NINE, 6, True, id="a nine as six"),
        pytest.param(SIX, 0, False, id="a nought is not asked"),
    ],
)
def test_a_digit_with_a_loop_where_it_should_have_none_may_be_an_eight(crop, read: int, doubted: bool) -> None:
    """The eight comes next, hardly less likely; what is read stays as it was, however sure."""
    digit = np.zeros(len(DIGIT_CLASSES))
    digit[[read, 1]] = 0.99999, 0.00001
    (seen,) = as_perhaps_eight(crop[None], [CharacterEvidence(digit, digit, digit)], 0.3)

    assert seen.digit.argmax() == read
    assert seen.digit[8] / seen.digit[read] == pytest.approx(0.99 if doubted else digit[8] / 0.99999)


def test_an_open_eight_on_a_page_that_is_taken_for_a_five_may_be_an_eight(printed, layout, monkeypatch) -> None:
    """Where the networks see a five in every box, only the one with a closed loop in it is doubted."""
    five = np.zeros(len(DIGIT_CLASSES))
    five[5] = 1.0
    monkeypatch.setattr(
        read, "read_characters", lambda _, crops, __: [CharacterEvidence(five, five, five)] * len(crops)
    )
    image, one = printed("site").copy(), layout("site")
    cell = one.by_id["site/team"]
    x, y, width, height = (v * FLAT_PX_PER_MM for v in cell.characters_mm[0])
    middle = (round(x + width / 2), round(y + 0.6 * height))
    cv2.ellipse(image, middle, (round(width / 5), round(height / 5)), 0, 0, 360, GREY, LINE_PX, cv2.LINE_AA)
    found = read.boxed_evidence(extract_ink(image, one), [c for c in one.cells if c.kind == "number"])
    doubted = {(i, k) for i, boxes in found.items() for k, e in enumerate(boxes) if e.digit[8] > 0.4}

    assert doubted == {("site/team", 0)}
