"""The hash-chained audit trail: a link for every row of the store's history, each with the hash of the one before.

A link holds the SHA-256 of its row in canonical JSON (keys sorted, no spaces, UTF-8), and its own hash covers that, the
row's name, the time and the hash before. Whoever changes, removes, adds or swaps a row behind the tool's back must
write every later hash anew; a head written down elsewhere (a backup, a sign-off, a notebook) shows even that.

A page is one row together with its readings and the entries that the rule made of them; an audit together with its
cells. An entry by which a cell of the rule's is opened again comes later, and has a link of its own. The form must stay
as it is, or old chains could not be checked: a new column needs a new revision that says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Column, Connection, Row, Table, Text, bindparam, cast, exists, insert, inspect, or_, select

from digitise.store import schema as t
from digitise.store.rows import RULE

START = "0" * 64
_PART_OF = {"readings": "pages", "audit_cells": "audits"}
KINDS = tuple(one for one in t.HISTORY if one.name not in (*_PART_OF, "links"))


def _key(table: Table) -> Column:
    return next(iter(table.primary_key.columns))


# Made once: these run in every write, under the writing lock.
_LAST = select(t.links.c.id, t.links.c.hash).order_by(t.links.c.id.desc()).limit(1)
_ADD = insert(t.links)
_BY_KEY = {one.name: select(one).where(_key(one) == bindparam("key")) for one in KINDS}
_ROWS_AT_ONCE = 200
_OWN_LINK = exists().where(t.links.c.kind == t.entries.name, t.links.c.row == cast(t.entries.c.id, Text))
_BY_RULE = (t.entries.c.by == RULE, or_(t.entries.c.undoes.is_(None), ~_OWN_LINK))  # with its page in one link
_BY_ITSELF = or_(t.entries.c.by != RULE, t.entries.c.undoes.is_not(None) & _OWN_LINK)
# What belongs to the link of another row: under which name, the table, the column that names the other row, which ones.
_PARTS = {
    "pages": (
        ("readings", t.readings, t.readings.c.page_id, ()),
        ("entries", t.entries, t.entries.c.page_id, _BY_RULE),
    ),
    "audits": (("cells", t.audit_cells, t.audit_cells.c.audit_id, ()),),
}


@dataclass(frozen=True, slots=True)
class Head:
    """The last link: how many there are, and its hash. An empty chain has none and `START`."""

    length: int
    hash: str


def stamp(now: datetime) -> str:
    """UTC in ISO 8601, to the second; `ValueError` for a time without its zone."""
    if now.tzinfo is None:
        raise ValueError("now has no time zone; pass datetime.now(UTC)")
    return now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def canonical(data: object) -> bytes:
    """JSON that is the same for the same data: keys sorted, no spaces, UTF-8."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def digest(data: object) -> str:
    """SHA-256 of canonical JSON."""
    return hashlib.sha256(canonical(data)).hexdigest()


def head(connection: Connection) -> Head:
    """The chain's last link."""
    last = connection.execute(_LAST).first()
    return Head(last.id, last.hash) if last else Head(0, START)


def seal(connection: Connection, table: Table, key: object, *, at: str) -> Row:
    """Add the link of a row that was just added in this transaction; the row as the database holds it."""
    row = connection.execute(_BY_KEY[table.name], {"key": key}).one()
    add_link(connection, table.name, str(key), content_of(connection, table, row), at=at)
    return row


def add_link(connection: Connection, kind: str, row: str, content: str, *, at: str) -> None:
    """Add one link to the end of the chain."""
    last = head(connection)
    link = {"id": last.length + 1, "kind": kind, "row": row, "content": content, "at": at, "previous": last.hash}
    connection.execute(_ADD, link | {"hash": digest(link)})


def content_of(connection: Connection, table: Table, row: Row) -> str:
    """SHA-256 of a row, with the rows that are part of it."""
    return _contents(connection, table, [row])[0]


def linked_rows(connection: Connection, table: Table) -> Iterator[tuple[Row, str]]:
    """Rows of a table that each have a link of their own, in order of their key, with what their link should hold.

    They are fetched some at a time, so that memory does not grow with the table.
    """
    key = _key(table)
    query = select(table).order_by(key).limit(_ROWS_AT_ONCE)
    if table is t.entries:
        query = query.where(_BY_ITSELF)
    rows = connection.execute(query).all()
    while rows:
        yield from zip(rows, _contents(connection, table, rows), strict=True)
        rows = connection.execute(query.where(key > rows[-1]._mapping[key.name])).all()


def key_of(table: Table, row: Row) -> str:
    """A row's primary key, as links name it."""
    return str(row._mapping[_key(table).name])


def seal_everything(connection: Connection, *, at: str, kinds: Iterable[Table] = KINDS) -> None:
    """Links for every row that is there, for a store from before there were any and for rows that were taken in.

    Tables that a later revision brings have none.
    """
    there = set(inspect(connection).get_table_names())
    for table in (one for one in kinds if one.name in there):
        for row, content in linked_rows(connection, table):
            add_link(connection, table.name, key_of(table, row), content, at=at)


def _contents(connection: Connection, table: Table, rows: Sequence[Row]) -> list[str]:
    """SHA-256 of each row with the rows that are part of it."""
    data = _as_dicts(table, rows)
    for name, part, of, which in _PARTS.get(table.name, ()):
        query = select(part).where(of.in_([row.id for row in rows]), *which).order_by(part.c.id)
        found: dict[int, list[dict]] = {row.id: [] for row in rows}
        for one in _as_dicts(part, connection.execute(query).all()):
            found[one[of.name]].append(one)
        for row in data:
            row[name] = found[row["id"]]
    return [digest(row) for row in data]


def _as_dicts(table: Table, rows: Iterable[Row]) -> list[dict]:
    """Rows of a whole table by column; a row's own mapping takes three times as long, and these are all cells."""
    names = table.columns.keys()
    return [dict(zip(names, row, strict=True)) for row in rows]
