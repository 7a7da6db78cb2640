"""Entries of cells, each inside a transaction that its caller opened: read, made, taken back."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, Row, bindparam, insert, select

from digitise.reader.reading import Value
from digitise.sheets.layout import Cell
from digitise.store import assigning, chain, counts, leases
from digitise.store import schema as t
from digitise.store.rows import RULE, ChangedMeanwhile, EntryRow, StoreError

# Made once: these run in every decision, under the writing lock.
_E, _R = t.entries.c, t.readings.c
_OF_CELL = select(t.entries).where(_E.page_id == bindparam("of"), _E.cell == bindparam("named")).order_by(_E.id)
_READING = select(_R.id).where(_R.page_id == bindparam("of"), _R.cell == bindparam("named"))
_ADD = insert(t.entries)
# The entry of one key press. That the client is named is said again: only then is the index of named ones used.
_SENT_BY = select(t.entries).where(_E.client == bindparam("whose"), _E.seq == bindparam("number"), _E.client != "")


@dataclass(frozen=True, slots=True)
class KeyPress:
    """Who pressed when; `client` and `seq` name the key press, so that it is known when it is sent again."""

    by: str
    at: str
    client: str
    seq: int


def entry_row(row: Row) -> EntryRow:
    """An entry."""
    return EntryRow(
        row.id,
        row.page_id,
        row.cell,
        json.loads(row.value),
        row.state,
        row.by,
        row.decided_by,
        row.at,
        row.why,
        row.reading_id,
        row.undoes,
        row.client,
        row.seq,
    )


def entries_of(connection: Connection, page_id: int, cell: str) -> list[EntryRow]:
    """Entries of one cell, oldest first."""
    return [entry_row(row) for row in connection.execute(_OF_CELL, {"of": page_id, "named": cell})]


def by_cell(connection: Connection, page_id: int) -> dict[str, list[EntryRow]]:
    """Entries of a page by cell, oldest first."""
    out: dict[str, list[EntryRow]] = {}
    for row in connection.execute(select(t.entries).where(_E.page_id == page_id).order_by(_E.id)):
        out.setdefault(row.cell, []).append(entry_row(row))
    return out


def _last(stack: list[EntryRow]) -> EntryRow | None:
    return stack[-1] if stack else None


def held_entries(stack: Iterable[EntryRow]) -> list[EntryRow]:
    """Entries that still hold, oldest first: an undo takes the last one away. The last of them is in force."""
    held: list[EntryRow] = []
    for entry in stack:
        if entry.undoes is None:
            held.append(entry)
        elif held:
            held.pop()
    return held


@dataclass(frozen=True, slots=True)
class Wish:
    """What a key press would enter in a cell; see `Store.decide`."""

    page_id: int
    spec: Cell
    press: KeyPress
    state: str
    value: Value
    why: str
    last_seen: int | None


def done_or_refused(connection: Connection, wish: Wish) -> EntryRow | None:
    """The entry that this key press made before, or None when it may be made now.

    What is found once stays true, since entries are only added: it may be asked before the writing lock is taken, so
    that whoever comes too late need not wait for it.

    Raises
    ------
    ChangedMeanwhile
        Somebody entered the cell after `last_seen`.
    """
    return _look(connection, wish)[0]


def decide(connection: Connection, wish: Wish) -> EntryRow:
    """Enter a cell, or find that this key press has done so; see `Store.decide`."""
    sent, stack = _look(connection, wish)
    if sent is not None:
        return sent
    new = {"value": wish.value, "state": wish.state, "decided_by": wish.press.by, "why": wish.why, "undoes": None}
    return _add(connection, wish.page_id, wish.spec.id, wish.press, stack, **new)


def _look(connection: Connection, wish: Wish) -> tuple[EntryRow | None, list[EntryRow]]:
    """The entry that this key press made before, if any, and the cell's entries so far."""
    spec = wish.spec
    if (sent := _resent(connection, wish.press)) is not None:
        if (sent.page_id, sent.cell, sent.state, sent.value) != (wish.page_id, spec.id, wish.state, wish.value):
            raise StoreError(f"{spec.label}: this key press already made another entry; reload the page")
        return sent, []
    stack = entries_of(connection, wish.page_id, spec.id)
    _check_seen(spec, stack, wish.last_seen)
    return None, stack


def _check_seen(spec: Cell, stack: list[EntryRow], last_seen: int | None) -> None:
    """`ChangedMeanwhile` when an entry came after `last_seen`."""
    last = _last(stack)
    if last_seen is not None and last_seen != (last.id if last else 0):
        who = last.by if last else "nobody"
        raise ChangedMeanwhile(f"{spec.label}: {who} entered this cell meanwhile; look at it again")


def undo(
    connection: Connection, page_id: int, spec: Cell, press: KeyPress, *, last_seen: int | None = None
) -> EntryRow:
    """Take back the entry in force, or find that this key press has done so; see `Store.undo`.

    `ValueError` where nothing is entered, `StoreError` where this key press made another entry.
    """
    if (sent := _resent(connection, press)) is not None:
        if (sent.page_id, sent.cell) != (page_id, spec.id):
            raise StoreError(f"{spec.label}: this key press already made another entry; reload the page")
        return sent
    stack = entries_of(connection, page_id, spec.id)
    _check_seen(spec, stack, last_seen)
    held = held_entries(stack)
    if not held:
        raise ValueError(f"{spec.label}: nothing is entered in this cell, so nothing can be undone")
    last, before = held[-1], held[-2] if len(held) > 1 else None
    return _add(
        connection,
        page_id,
        spec.id,
        press,
        stack,
        value=before.value if before else None,
        state=before.state if before else "withdrawn",
        decided_by=before.decided_by if before else press.by,
        why=f"undone: the entry of {last.at} by {last.by}",
        undoes=last.id,
    )


def doubt(connection: Connection, page_id: int, spec: Cell, *, why: str, at: str) -> EntryRow | None:
    """Open a cell again that the rule has accepted, and say why; None, and nothing happens, to any other cell."""
    stack = entries_of(connection, page_id, spec.id)
    held = held_entries(stack)
    if not held or held[-1].decided_by != RULE:
        return None
    press = KeyPress(RULE, at, "", 0)
    withdrawn = {"value": None, "state": "withdrawn", "decided_by": RULE, "why": why, "undoes": held[-1].id}
    return _add(connection, page_id, spec.id, press, stack, **withdrawn)


def plain(value: Value) -> Value:
    """A value without numpy types, for JSON."""
    return value.item() if isinstance(value, np.generic) else value


def _resent(connection: Connection, press: KeyPress) -> EntryRow | None:
    """The entry that this key press already made."""
    if not press.client:
        return None
    row = connection.execute(_SENT_BY, {"whose": press.client, "number": press.seq}).first()
    return entry_row(row) if row is not None else None


def _add(
    connection: Connection, page_id: int, cell: str, press: KeyPress, stack: list[EntryRow], *, value: Value, **columns
) -> EntryRow:
    assigning.check_stands(connection, page_id)
    reading_id = connection.execute(_READING, {"of": page_id, "named": cell}).scalar()
    if reading_id is None:
        raise StoreError(f"cell '{cell}' was not read on page {page_id}")
    new = {"page_id": page_id, "cell": cell, "value": json.dumps(plain(value)), "reading_id": reading_id} | columns
    new |= {"by": press.by, "at": press.at, "client": press.client, "seq": press.seq}
    entry_id = connection.execute(_ADD, new).inserted_primary_key[0]
    entry = entry_row(chain.seal(connection, t.entries, entry_id, at=press.at))
    counts.add_entry(connection, _last(stack), entry)
    leases.end(connection, page_id, cell, press.client)
    return entry
