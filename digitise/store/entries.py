"""Entries of cells, each inside a transaction that its caller opened: read, made, taken back."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, Row, Select, insert, select

from digitise.layout import Cell
from digitise.reading import Value
from digitise.store import chain, counts, leases
from digitise.store import schema as t
from digitise.store.rows import RULE, ChangedMeanwhile, EntryRow, StoreError


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
    query = select(t.entries).filter_by(page_id=page_id, cell=cell).order_by(t.entries.c.id)
    return [entry_row(row) for row in connection.execute(query)]


def held_entries(stack: Iterable[EntryRow]) -> list[EntryRow]:
    """Entries that still hold, oldest first: an undo takes the last one away. The last of them is in force."""
    held: list[EntryRow] = []
    for entry in stack:
        if entry.undoes is None:
            held.append(entry)
        else:
            held.pop()
    return held


def decide(
    connection: Connection,
    page_id: int,
    spec: Cell,
    press: KeyPress,
    *,
    state: str,
    value: Value,
    why: str,
    last_seen: int | None,
) -> EntryRow:
    """Enter a cell, or find that this key press has done so; see `Store.decide`."""
    if (sent := _resent(connection, press)) is not None:
        if (sent.page_id, sent.cell, sent.state, sent.value) != (page_id, spec.id, state, value):
            raise StoreError(f"{spec.label}: this key press already made another entry; reload the page")
        return sent
    stack = entries_of(connection, page_id, spec.id)
    if last_seen is not None and last_seen != (stack[-1].id if stack else 0):
        who = stack[-1].by if stack else "nobody"
        raise ChangedMeanwhile(f"{spec.label}: {who} entered this cell meanwhile; look at it again")
    return _add(
        connection, page_id, spec.id, press, stack, value=value, state=state, decided_by=press.by, why=why, undoes=None
    )


def undo(connection: Connection, page_id: int, spec: Cell, press: KeyPress) -> EntryRow:
    """Take back the entry in force, or find that this key press has done so; see `Store.undo`."""
    if (sent := _resent(connection, press)) is not None:
        if (sent.page_id, sent.cell) != (page_id, spec.id):
            raise StoreError(f"{spec.label}: this key press already made another entry; reload the page")
        return sent
    stack = entries_of(connection, page_id, spec.id)
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
    """Take back the rule's entry, when that is the one in force; see `Store.doubt`."""
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
    row = connection.execute(sent_by(press.client, press.seq)).first()
    return entry_row(row) if row is not None else None


def sent_by(client: str, seq: int) -> Select:
    """The entry of one key press. That the client is named is said again: only then is the index of named ones used."""
    return select(t.entries).where(t.entries.c.client == client, t.entries.c.seq == seq, t.entries.c.client != "")


def _add(
    connection: Connection, page_id: int, cell: str, press: KeyPress, stack: list[EntryRow], *, value: Value, **columns
) -> EntryRow:
    reading_id = connection.execute(select(t.readings.c.id).filter_by(page_id=page_id, cell=cell)).scalar()
    if reading_id is None:
        raise StoreError(f"cell '{cell}' was not read on page {page_id}")
    new = {"page_id": page_id, "cell": cell, "value": json.dumps(plain(value)), "reading_id": reading_id} | columns
    new |= {"by": press.by, "at": press.at, "client": press.client, "seq": press.seq}
    entry_id = connection.execute(insert(t.entries).values(**new)).inserted_primary_key[0]
    entry = entry_row(connection.execute(select(t.entries).filter_by(id=entry_id)).one())
    counts.add_entry(connection, stack[-1] if stack else None, entry)
    leases.end(connection, page_id, cell, press.client)
    chain.seal(connection, t.entries, entry_id, at=press.at)
    return entry
