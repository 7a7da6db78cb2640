"""What a cell nobody has decided may say: probabilities of categories and counts from the kept readings. Pure.

The reader's confidence is the chance of its own value, its other candidates keep their weights, and what is left is
nobody's: for a code it is spread evenly over the other categories, for a count it is one animal more or less. A cell
that is likelier no entry at all (blank, struck out) has no chances: it stays a missing value.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from digitise.estimate.reading_doubt import given_legible
from digitise.reader.counts import agree
from digitise.reader.reading import Value
from digitise.store import RULE, CellNow
from digitise.store.rows import BY_HAND

Chances = tuple[tuple[Value, float], ...]
DIFFER = "total-differs"


def named_chances(cell: CellNow) -> dict[Value, float]:
    """Probabilities of the values that the reader named (None: no value); they sum to 1 or less."""
    value, kind, confidence = cell.read_value, type(cell.read_value), min(1.0, max(0.0, cell.confidence))
    others = {v: p for v, p in cell.candidates if p > 0 and (v != value or type(v) is not kind)}
    if not others:
        return {value: confidence}
    scale = min(1.0, (1 - confidence) / sum(others.values()))
    return {value: confidence} | {v: p * scale for v, p in others.items()}


def code_chances(cell: CellNow, categories: Mapping[str, str]) -> Chances:
    """Probabilities (sum 1) of the categories of a point, given that a code stands there; empty when none may.

    `categories` gives the category's id for each code. Of a cell that was not read at all nothing is known.
    """
    if BY_HAND in cell.reasons:
        return ()
    named = named_chances(cell)
    spare = max(0.0, 1 - math.fsum(named.values()))
    rest = [code for code in categories if code != cell.read_value]
    for code in rest if spare > 1e-9 else ():
        named[code] = named.get(code, 0.0) + spare / len(rest)
    law = given_legible({categories[c]: p for c, p in named.items() if c in categories}, list(categories.values()))
    return tuple(law.items()) if law else ()


def count_chances(tally: CellNow | None, total: CellNow | None, *, none_seen: bool) -> Chances:
    """Probabilities (sum 1) of a count whose tally, or total beside an empty tally, is undecided; empty when none.

    A tally and a total read apart from each other are weighed together, as the reader does. With the none-seen box
    ticked, an empty tally and total are a zero.
    """
    strokes, number = _numbers(tally), _numbers(total)
    if none_seen and _open(tally) and not tally.reasons and _empty(total):
        strokes = _numbers(tally, blank_is_zero=True)
    if strokes and number and (not _open(total) or DIFFER in tally.reasons):
        strokes = agree(strokes, number)[0]
    found = strokes or number
    mass = math.fsum(found.values())
    return tuple((k, p / mass) for k, p in sorted(found.items())) if mass > 0 else ()


def _numbers(cell: CellNow | None, *, blank_is_zero: bool = False) -> dict[int, float]:
    """Law of the number in one cell, given that there is one; empty when there likelier is none."""
    if cell is None or cell.state not in ("entered", "unread"):
        return {}
    if cell.state == "entered":
        return {cell.value: 1.0}
    named = named_chances(cell)
    spare = max(0.0, 1 - math.fsum(named.values()))
    if blank_is_zero and None in named:
        named[0] = named.get(0, 0.0) + named.pop(None)
    value = cell.read_value
    if _is_number(value) and spare > 1e-9:
        near = [k for k in (value - 1, value + 1) if k >= 0]
        for k in near:
            named[k] = named.get(k, 0.0) + spare / len(near)
    numbers = {k: p for k, p in named.items() if _is_number(k)}
    mass = math.fsum(numbers.values())
    return {k: p / mass for k, p in numbers.items()} if mass >= 0.5 else {}


def _is_number(value: Value) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _open(cell: CellNow | None) -> bool:
    return cell is not None and cell.state == "unread"


def _empty(cell: CellNow | None) -> bool:
    return cell is not None and cell.state == "blank"


def slip_chance(cell: CellNow) -> float:
    """Chance that an entry is misread: the reader's doubt when it was accepted by rule, 0 when a person decided."""
    return max(0.0, 1 - cell.confidence) if cell.by == RULE else 0.0


def count_slip_variance(cell: CellNow) -> float:
    """Mean squared misreading of a count accepted by rule; unnamed alternatives lie one off. 0 after a person."""
    value, wrong = cell.value, slip_chance(cell)
    if wrong == 0 or not _is_number(value):
        return 0.0
    if cell.read_value == value and all(k == value for k, _ in cell.candidates):  # nothing else was named
        return wrong
    named = square = 0.0
    for k, p in named_chances(cell).items():
        if k != value and _is_number(k):
            named, square = named + p, square + (k - value) ** 2 * p
    return square + max(0.0, wrong - named)
