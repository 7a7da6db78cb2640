"""A value as it stands in the boxes of its cell, a character in each."""

import pytest

from digitise.sheets.spelling import spelled


def _cell(kind: str, boxes: int, **more) -> dict:
    return {"id": kind, "kind": kind, "characters_mm": [[8 * i, 0, 8, 8] for i in range(boxes)], **more}


NUMBER, CODE = _cell("number", 3), _cell("code", 2, choices=["KA", "TE", "RU", "HX"])
DATE, TIME, DEPTH = _cell("date", 8), _cell("time", 4), _cell("decimal", 7, format="##.#####")
SPELLINGS = [
    (NUMBER, 7, "  7"),
    (NUMBER, 0, "  0"),
    (CODE, "RU", "RU"),
    (DATE, "2026-03-14", "20260314"),
    (TIME, "09:40", "0940"),
    (DEPTH, 8.5, " 850000"),
    (DEPTH, 18.03125, "1803125"),
    (DEPTH, 0.5, " 050000"),
]


@pytest.mark.parametrize(("cell", "written", "text"), SPELLINGS)
def test_a_value_is_spelled_one_character_a_box(cell, written, text):
    assert text == spelled(cell, written)


@pytest.mark.parametrize(
    ("cell", "written", "words"),
    [
        (NUMBER, 1000, "a whole number from 0 to 999"),
        (NUMBER, 2.5, "a whole number"),
        (CODE, "QQ", "'QQ' is not among KA, TE, RU, HX"),
        (DEPTH, 8.1234567, "does not fit the format"),
        (_cell("text", 2), "KA", "a text cell has no character boxes"),
    ],
)
def test_what_its_boxes_cannot_hold_is_refused(cell, written, words):
    with pytest.raises(ValueError, match=words):
        spelled(cell, written)
