"""What a person may enter in a cell: typed text or a value in, the cell's own type out.

The same grammar as the reader's (`digitise.reader.fields`); everything refused is a `ValueError` with a sentence a
volunteer can act on.
"""

from __future__ import annotations

import datetime as dt
import re

from digitise.reader.reading import Value
from digitise.sheets.layout import Cell
from digitise.store.rows import RULE
from digitise.wording import plural

MOST_COUNTED = 9999  # a tally or its total may overrun its boxes; a count beyond this is a slip
LONGEST_TEXT = 500
LONGEST_NAME = 80
_YES, _NO = {"yes", "y", "x", "true", "1"}, {"no", "n", "false", "0"}


def check_value(cell: Cell, value: Value) -> Value:
    """`value` as the cell's own type: typed text ("ka", "0930", "7") is understood, anything else is refused.

    Raises
    ------
    ValueError
        The cell cannot hold it; the text says what it can hold.
    """
    if value is None or (isinstance(value, str) and not value.strip()):
        raise ValueError(f"{cell.label}: nothing was entered; mark the cell blank or illegible instead")
    text = str(value).strip()
    return _CHECKS[cell.kind](cell, value, text)


def settled(cell: Cell, state: str, value: Value) -> tuple[str, Value]:
    """State and value as they are stored; a tick box found blank is a no.

    Raises
    ------
    ValueError
        No such state, a value where there is none to be, or one that the cell cannot hold.
    """
    if state not in ("entered", "blank", "illegible"):
        raise ValueError(f"{cell.label}: found state '{state}', expected entered, blank or illegible")
    if state == "entered":
        return state, check_value(cell, value)
    if value is not None:
        raise ValueError(f"{cell.label}: a cell marked {state} holds no value; found {value!r}")
    return ("entered", False) if cell.kind == "tick" and state == "blank" else (state, None)


def person(by: str) -> str:
    """Who enters: a name, and not the rule's; `ValueError` in words otherwise."""
    who = written("name", by, LONGEST_NAME, ask="write who does this")
    if who.lower() == RULE:
        raise ValueError(f"'{who}' stands for the program itself; write a person's name")
    return who


def written(what: str, text: str, longest: int, *, ask: str = "write it in a few words") -> str:
    """A text that a person must give, on one line.

    Raises
    ------
    ValueError
        There is none (then `ask` says what to write), it is too long, or it holds what cannot be shown.
    """
    words = " ".join(text.split())
    if not words:
        raise ValueError(f"no {what} is given; {ask}")
    return _one_line(f"the {what}", words, longest)


def _one_line(what: str, words: str, longest: int) -> str:
    if len(words) > longest:
        raise ValueError(f"{what} has {len(words)} characters, expected {longest} at most; say it more shortly")
    if not words.isprintable():
        raise ValueError(f"{what} holds a character that cannot be shown; type it again by hand")
    return words


def shortened(text: str, longest: int = 20) -> str:
    """Somebody's text as a sentence quotes it."""
    return text if len(text) <= longest else f"{text[:longest]}…"


def photo_name(name: str) -> str:
    """A file name without folders or control characters."""
    last = re.split(r"[/\\]", name)[-1]
    return "".join(c for c in last if c.isprintable())[-200:] or "photograph"


def _whole(cell: Cell, value: Value, text: str) -> int:
    if isinstance(value, float) and value.is_integer():
        text = str(int(value))
    counted = cell.kind == "tally" or cell.id.endswith("/total")
    most = MOST_COUNTED if counted else cell.max if cell.max is not None else 10 ** max(1, len(cell.characters_mm)) - 1
    if isinstance(value, bool) or not re.fullmatch(r"[0-9]{1,6}", text) or int(text) > most:
        raise ValueError(f"{cell.label}: found '{shortened(text)}', expected a whole number from 0 to {most}")
    return int(text)


def _code(cell: Cell, value: Value, text: str) -> str:
    if text.upper() not in cell.choices:
        raise ValueError(f"{cell.label}: found '{shortened(text)}', expected one of {', '.join(cell.choices)}")
    return text.upper()


def _tick(cell: Cell, value: Value, text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise ValueError(f"{cell.label}: found '{shortened(text)}', expected yes or no")


def _text(cell: Cell, value: Value, text: str) -> str:
    return _one_line(f"{cell.label}: the text", " ".join(text.split()), LONGEST_TEXT)


def _date(cell: Cell, value: Value, text: str) -> str:
    digits = re.fullmatch(r"([0-9]{4})-?([0-9]{2})-?([0-9]{2})", text)
    try:
        return dt.date(*(int(part) for part in digits.groups())).isoformat()
    except (AttributeError, ValueError):
        raise ValueError(f"{cell.label}: found '{shortened(text)}', expected a date such as 2026-03-28") from None


def _time(cell: Cell, value: Value, text: str) -> str:
    digits = re.fullmatch(r"([01]?[0-9]|2[0-3])[:.]?([0-5][0-9])", text)
    if digits is None:
        raise ValueError(f"{cell.label}: found '{shortened(text)}', expected a time such as 09:30")
    return f"{int(digits[1]):02d}:{digits[2]}"


def _decimal(cell: Cell, value: Value, text: str) -> float:
    before, after = (len(part) for part in (cell.format or "####.######").split("."))
    found = re.fullmatch(r"([0-9]*)[.,]?([0-9]*)", text)
    written = found is not None and bool(found[1] or found[2]) and not isinstance(value, bool)
    if not written or len(found[1].lstrip("0")) > before or len(found[2].rstrip("0")) > after:
        raise ValueError(
            f"{cell.label}: found '{shortened(text)}', expected a number with {plural(before, 'digit')} at most before "
            f"the point and {after} after it"
        )
    return float(f"{found[1] or 0}.{found[2] or 0}")


_CHECKS = {
    "tally": _whole,
    "number": _whole,
    "code": _code,
    "tick": _tick,
    "text": _text,
    "date": _date,
    "time": _time,
    "decimal": _decimal,
}
