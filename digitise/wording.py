"""Numbers in sentences, and what a cell says in words."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence

NOISE = 1e-9  # nothing that is counted or measured is so small: what is left of differences by rounding
_RIGHT_TO_LEFT = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]++"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
_BEFORE_OTHERS = re.compile(rf"{_RIGHT_TO_LEFT}(?:[\s'’.-]+{_RIGHT_TO_LEFT})*+(?=.)")


def in_order(text: str) -> str:
    """A text for a screen whose numbers stay behind the words before them, also where these run from right to left.

    A left-to-right mark (U+200E) behind such words does it: without one, a browser shows the number first.
    """
    return _BEFORE_OTHERS.sub("\\g<0>\u200e", text)


def in_line(text: str) -> str:
    """A text that somebody wrote, for a line of a terminal: nothing in it moves the cursor or changes colours.

    >>> in_line("North\\tReef\\x1b[31m")
    'North Reef\\\\x1b[31m'
    """
    return _CONTROL.sub(lambda c: " " if c[0].isspace() else c[0].encode("unicode_escape").decode("ascii"), text)


def plural(n: int, one: str, many: str = "") -> str:
    """ "1 cell", "2 cells"."""
    return f"{thousands(n)} {one if n == 1 else many or one + 's'}"


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def page_title(title: str, page: int, pages: int) -> str:
    """A sheet's title, and which of its pages where it has several."""
    return title if pages == 1 else f"{title}, page {page} of {pages}"


def in_sentence(label: str) -> str:
    """A label inside a sentence: "Longitude (degrees)" begins small, "N or S" stays as it is."""
    return label if label[1:2] in ("", " ") else label[0].lower() + label[1:]


def nearest(text: str, names: Iterable[str]) -> str:
    """The name most like `text`, capitals apart; empty when none is near.

    >>> nearest("reed", ["read", "report"])
    'read'
    """
    known = {name.casefold(): name for name in names}
    found = difflib.get_close_matches(text.casefold(), known, n=1)
    return known[found[0]] if found else ""


def thousands(n: int) -> str:
    """A whole number with narrow spaces: 1 184."""
    return f"{n:,}".replace(",", "\u202f")


def number(value: float | None, digits: int = 1, *, sign: str = "") -> str:
    """A number with a fixed number of decimals, more where it would look like nothing; a dash where there is none.

    `sign` is "+" where one above nought has its sign too.

    >>> number(0.249), number(0.0), number(0.034), number(-0.0008)
    ('0.2', '0.0', '0.03', '-0.0008')
    """
    if value is None:
        return "–"
    if NOISE < abs(value) < 10**-digits:
        digits = -math.floor(math.log10(abs(value)))
    return f"{value:{sign}z.{digits}f}"


def p_text(p: float | None) -> str:
    """A p-value with three decimals; a dash where there is none."""
    return "–" if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}"


def percent(share: float) -> str:
    """A share in percent, with decimals where it is small."""
    return f"{number(100 * share, 2)} %" if share < 0.1 else f"{100 * share:.0f} %"


def cell_words(kind: str, state: str, value: object) -> str:
    """What a cell says: its value when it is entered, else why there is none."""
    if state != "entered":
        return {"blank": "nothing written", "illegible": "cannot be read", "unread": "not decided"}.get(state, state)
    if kind == "tick":
        return "yes, marked" if value else "no, empty"
    return str(value)
