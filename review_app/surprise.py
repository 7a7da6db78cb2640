"""Values that a cell may hold but hardly ever does: the desk asks once before it stores them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta

from digitise.reader.reading import Value
from digitise.sheets.layout import Cell
from digitise.store import CellNow, Store
from digitise.store.values import check_value
from digitise.surveys.known_plan import planned_names
from digitise.surveys.roster import nearly, site_key

_PAIR = (("/tally", "/total", "written total"), ("/total", "/tally", "strokes"))


class Surprising(ValueError):  # noqa: N818 - it is a question
    """The value is possible but unusual; the text says why."""


def _printed(cell: Cell, value: Value) -> str:
    counted = cell.kind == "tally" or cell.id.endswith("/total")
    if counted and cell.max is not None and isinstance(value, int) and value > cell.max:
        return f"{cell.label}: {value} is more than its box has room for ({cell.max})"
    return ""


def _beside(cell: Cell, value: Value, others: dict[str, CellNow]) -> str:
    for own, other, words in _PAIR:
        beside = others.get(cell.id.removesuffix(own) + other) if cell.id.endswith(own) else None
        if beside is None or beside.state != "entered" or not isinstance(beside.value, int):
            continue
        if isinstance(value, int) and value != beside.value:
            return f"{cell.label}: {value} differs from the {words} beside it ({beside.value})"
    return ""


def _day(cell: Cell, value: Value, now: datetime) -> str:
    if cell.kind != "date" or not isinstance(value, str):
        return ""
    day = date.fromisoformat(value)
    if day > (now + timedelta(days=1)).date():
        return f"{cell.label}: {value} is in the future"
    return (
        f"{cell.label}: {value} is more than five years ago" if day < (now - timedelta(days=5 * 365.25)).date() else ""
    )


def _site(cell: Cell, value: Value, planned: Mapping[str, str]) -> str:
    """A site nearly named as a planned one is asked about; which it is, a person says."""
    if cell.kind != "text" or cell.id.rpartition("/")[2] != "site" or site_key(str(value)) in planned:
        return ""
    near = next((name for name in dict.fromkeys(planned.values()) if nearly(str(value), name)), "")
    return f"{cell.label}: '{value}' is nearly {near}, which is planned; enter that if it is meant" if near else ""


def question(store: Store, page_id: int, cell_id: str, value: Value, *, now: datetime) -> str:
    """Why a value is surprising, as one sentence; empty when it is not.

    Raises
    ------
    ValueError
        The cell cannot hold the value at all, or there is no such cell.
    """
    cell = next((c for c in store.cells(page_id) if c.id == cell_id), None)
    if cell is None:
        raise ValueError(f"there is no cell '{cell_id[:40]}' on this page")
    value = check_value(cell, value)
    paired = any(cell.id.endswith(own) for own, _, _ in _PAIR)
    return (
        _printed(cell, value)
        or _day(cell, value, now)
        or _site(cell, value, planned_names(store.folder))
        or (_beside(cell, value, store.current(page_id)) if paired else "")
    )
