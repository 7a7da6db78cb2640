"""How a value is written into a cell's boxes, a character in each.

A cell is one of a layout file's ``cells``, as its dictionary.
"""

import datetime
from collections.abc import Mapping

import numpy as np

Written = str | int | float | bool | None  # None for a cell left blank, or False for a tick
Cell = Mapping[str, object]


def spelled(cell: Cell, written: Written) -> str:
    """One character for each of the cell's ``characters_mm``; a space stands for an empty box.

    For number, code, date, time and decimal cells. Raises `ValueError` where ``written`` does not fit.
    """
    boxes, kind = len(cell["characters_mm"]), cell["kind"]
    if kind == "number":
        text = str(whole_number(cell, written, 10**boxes - 1)).rjust(boxes)
    elif kind == "code":
        text = str(written).ljust(boxes)
        if written not in cell.get("choices", [written]):
            raise ValueError(f"{cell['id']}: {written!r} is not among {', '.join(cell['choices'])}")
    elif kind == "date":
        text = datetime.datetime.strptime(str(written), "%Y-%m-%d").strftime("%Y%m%d")
    elif kind == "time":
        text = datetime.datetime.strptime(str(written), "%H:%M").strftime("%H%M")
    elif kind == "decimal":
        text = _decimal_digits(cell, float(written))
    else:
        raise ValueError(f"{cell['id']}: a {kind} cell has no character boxes")
    if len(text) != boxes:
        raise ValueError(f"{cell['id']}: {written!r} needs {len(text)} boxes, the cell has {boxes}")
    return text


def whole_number(cell: Cell, written: Written, most: int) -> int:
    """What is written as an int; `ValueError` unless it is a whole number from 0 to `most`."""
    if isinstance(written, bool) or not isinstance(written, int | np.integer) or not 0 <= written <= most:
        raise ValueError(f"{cell['id']}: {written!r} written, expected a whole number from 0 to {most}")
    return int(written)


def _decimal_digits(cell: Cell, value: float) -> str:
    """The digits of ``value`` under a format such as "##.#####": spaces lead, zeros trail."""
    before, _, after = str(cell["format"]).partition(".")
    text = f"{value:.{len(after)}f}"
    if value < 0 or abs(float(text) - value) > 1e-9:
        raise ValueError(f"{cell['id']}: {value!r} does not fit the format {cell['format']}")
    whole, _, part = text.partition(".")
    return whole.rjust(len(before)) + part
