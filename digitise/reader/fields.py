"""Characters become values under each cell's grammar: code, number, date, time, decimal.

What the ink says and what the cell may hold are kept apart: when the likeliest writing is no possible value, the
cell is flagged and the nearest possible value only suggested.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

import numpy as np

from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, CharacterEvidence
from digitise.reader.reading import Decoded, Value
from digitise.sheets.layout import Cell

BLANK, VOID, JUNK, DASH = "blank", "void", "junk", "dash"
_DIGIT_BLANK, _DIGIT_VOID, _DIGIT_JUNK, _DIGIT_DASH = (DIGIT_CLASSES.index(c) for c in (BLANK, VOID, JUNK, DASH))
_LETTER_BLANK, _LETTER_VOID, _LETTER_JUNK = (LETTER_CLASSES.index(c) for c in (BLANK, VOID, JUNK))
KEPT = 5
BEAM = 24  # strings of digits that are looked at
UNLISTED = 0.01  # share of entries that are no code of the list (to be learned from reviewed sheets)
UNLISTED_LIMIT = 0.25  # an entry this likely not in the list is put before a person
FIRST_YEAR, LAST_YEAR = 1950, 2099  # of a dive: any other was misread, or miswritten
VOID_LIMIT = 0.15  # a cell this likely crossed out or unreadable is put before a person
CODE_VOID, NUMBER_VOID = 0.97, 0.5  # and one this likely so has no value to suggest; codes of broad pens come near


def _ranked(weights: dict[Value, float]) -> tuple[tuple[Value, float], ...]:
    best = sorted(weights.items(), key=lambda item: (-item[1], str(item[0])))[:KEPT]
    return tuple((value, float(p)) for value, p in best)


def _among_letters(p: np.ndarray, choices: tuple[str, ...]) -> np.ndarray:
    """Evidence with digits ruled out where no code has a digit, and letters where none has a letter."""
    for i in range(len(p)):
        here = {c[i] for c in choices}
        if not any(c.isdigit() for c in here):
            p[i, 26:36] = 0.0
        elif all(c.isdigit() for c in here):
            p[i, :26] = 0.0
    return p / np.maximum(p.sum(axis=1, keepdims=True), 1e-12)


def decode_code(cell: Cell, evidence: Sequence[CharacterEvidence]) -> Decoded:
    """The code written in a cell, from its choices.

    That something else was written is a hypothesis of its own: the likeliest letters, with a small weight before the
    ink is looked at (`UNLISTED`).
    """
    p = _among_letters(np.stack([e.letter for e in evidence]).astype(np.float64), cell.choices)
    blank = float(np.prod(p[:, _LETTER_BLANK]))
    void = float(1 - np.prod(1 - p[:, _LETTER_VOID] - p[:, _LETTER_JUNK]))
    weights: dict[Value, float] = {None: blank}
    for choice in cell.choices:
        weights[choice] = float(np.prod([p[i, LETTER_CLASSES.index(c)] for i, c in enumerate(choice)]))
    likeliest = tuple(LETTER_CLASSES[i] for i in p[:, :_LETTER_VOID].argmax(axis=1))
    listed = "".join(likeliest) in cell.choices or all(c == BLANK for c in likeliest)
    other = 0.0 if listed else UNLISTED * float(p[:, :_LETTER_VOID].max(axis=1).prod())
    candidates = _ranked(weights)
    value, best = candidates[0]
    score = (1.0 - void) * best / max(sum(weights.values()) + other, 1e-12)
    if void > CODE_VOID:
        return Decoded(None, score, candidates, ("crossed-out",))
    reasons: tuple[str, ...] = ()
    if other > UNLISTED_LIMIT * (other + best):
        reasons = ("gap",) if BLANK in likeliest else ("no-choice",)
    if void > VOID_LIMIT:
        value = None if reasons else value  # neither plain nor a code: what it looks most like is no suggestion
        reasons += ("crossed-out",)
    return Decoded(value, score, candidates, reasons)


def _best_texts(p: np.ndarray) -> list[tuple[str, float]]:
    """Likeliest strings over digits, space (blank) and '-' (dash), best first, by beam search."""
    symbols = "0123456789- "
    columns = [*range(10), _DIGIT_DASH, _DIGIT_BLANK]
    texts, weights = [""], np.ones(1)
    for row in p[:, columns]:
        grown = (weights[:, None] * row).ravel()
        best = np.argsort(-grown, kind="stable")[:BEAM]
        texts, weights = [texts[i // len(columns)] + symbols[i % len(columns)] for i in best.tolist()], grown[best]
    return list(zip(texts, weights.tolist(), strict=True))


def _decode_digits(evidence: Sequence[CharacterEvidence], parse: Callable[[str], tuple[Value, str | None]]) -> Decoded:
    """Decode digit boxes with `parse`, which gives a value and, where the text is no proper one, the reason why."""
    p = np.stack([e.digit for e in evidence]).astype(np.float64)
    void = float(1 - np.prod(1 - p[:, _DIGIT_VOID] - p[:, _DIGIT_JUNK]))
    texts = _best_texts(p)
    weights: dict[Value, float] = {}
    for text, weight in texts:
        value, wrong = parse(text)
        if wrong is None or wrong == "gap":
            weights[value] = weights.get(value, 0.0) + weight
    candidates = _ranked(weights) or ((None, 0.0),)
    if void > NUMBER_VOID:
        return Decoded(None, candidates[0][1], candidates, ("crossed-out",))
    value, wrong = parse(texts[0][0])
    reasons = (wrong,) if wrong else ()
    if void > VOID_LIMIT:
        reasons += ("crossed-out",)
    return Decoded(candidates[0][0], candidates[0][1], candidates, reasons)


def _number(cell: Cell) -> Callable[[str], tuple[Value, str | None]]:
    def parse(text: str) -> tuple[Value, str | None]:
        body = text.strip()
        if not body:
            return None, None
        if body == "-":
            return 0, None
        if "-" in body:
            return None, "impossible"
        digits = body.replace(" ", "")
        gap = "gap" if len(digits) < len(body) or text[-1] == " " else None
        value = int(digits)
        if cell.max is not None and value > cell.max:
            return value, "impossible"
        return value, gap

    return parse


def _date(text: str) -> tuple[Value, str | None]:
    if not text.strip():
        return None, None
    if " " in text or "-" in text:
        return None, "gap" if " " in text else "impossible"
    try:
        day = dt.date(int(text[:4]), int(text[4:6]), int(text[6:]))
    except ValueError:
        return None, "impossible"
    return day.isoformat(), None if FIRST_YEAR <= day.year <= LAST_YEAR else "impossible"


def _time(text: str) -> tuple[Value, str | None]:
    if not text.strip():
        return None, None
    if " " in text or "-" in text:
        return None, "gap" if " " in text else "impossible"
    if int(text[:2]) > 23 or int(text[2:]) > 59:
        return None, "impossible"
    return f"{text[:2]}:{text[2:]}", None


def _decimal(cell: Cell) -> Callable[[str], tuple[Value, str | None]]:
    whole = cell.format.index(".")

    def parse(text: str) -> tuple[Value, str | None]:
        if not text.strip():
            return None, None
        if "-" in text:
            return None, "impossible"
        left, right = text[:whole], text[whole:]
        digits = left.strip() or "0"
        written = right.rstrip()
        gap = "gap" if " " in digits or " " in written or (left.strip() and left[-1] == " ") else None
        if not left.strip() or not written:
            gap = "gap"
        return float(f"{digits.replace(' ', '')}.{written.replace(' ', '') or '0'}"), gap

    return parse


def decode_cell(cell: Cell, evidence: Sequence[CharacterEvidence]) -> Decoded:
    """Decode the characters of a `code`, `number`, `date`, `time` or `decimal` cell."""
    if cell.kind == "code":
        return decode_code(cell, evidence)
    parse = {
        "number": lambda: _number(cell),
        "date": lambda: _date,
        "time": lambda: _time,
        "decimal": lambda: _decimal(cell),
    }[cell.kind]()
    return _decode_digits(evidence, parse)


def number_weights(cell: Cell, evidence: Sequence[CharacterEvidence]) -> dict[int, float]:
    """Weights of whole numbers in a `number` cell, for combining with a tally."""
    p = np.stack([e.digit for e in evidence]).astype(np.float64)
    parse = _number(cell)
    weights: dict[int, float] = {}
    for text, weight in _best_texts(p):
        value, wrong = parse(text)
        if isinstance(value, int) and wrong is None:
            weights[value] = weights.get(value, 0.0) + weight
    return weights
