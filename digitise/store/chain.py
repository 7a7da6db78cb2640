"""The hash-chained audit trail: a link for every row of the store's history, each with the hash of the one before.

A link holds the SHA-256 of its row in canonical JSON (keys sorted, no spaces, UTF-8), and its own hash covers that, the
row's name, the time and the hash before. Whoever changes, removes, adds or swaps a row behind the tool's back must
write every later hash anew; a head written down elsewhere (a backup, a sign-off, a notebook) shows even that.

A page is one row together with its readings and the entries that the rule made of them; an audit together with its
cells. The form must stay as it is, or old chains could not be checked: a new column needs a new revision that says so.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Select, Table, insert, inspect, select

from digitise.store import schema as t
from digitise.store.rows import RULE

START = "0" * 64
_PART_OF = {"readings": "pages", "audit_cells": "audits"}
KINDS = tuple(one for one in t.HISTORY if one.name not in (*_PART_OF, "links"))


@dataclass(frozen=True, slots=True)
class Head:
    """The last link: how many there are, and its hash. An empty chain has none and `START`."""

    length: int
    hash: str


def stamp(now: datetime) -> str:
    """UTC in ISO 8601, to the second."""
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
    last = connection.execute(select(t.links.c.id, t.links.c.hash).order_by(t.links.c.id.desc()).limit(1)).first()
    return Head(last.id, last.hash) if last else Head(0, START)


def seal(connection: Connection, table: Table, key: object, *, at: str) -> None:
    """Add the link of a row that was just added in this transaction."""
    row = connection.execute(select(table).where(_key(table) == key)).one()
    add_link(connection, table.name, str(key), content_of(connection, table, row), at=at)


def add_link(connection: Connection, kind: str, row: str, content: str, *, at: str) -> None:
    """Add one link to the end of the chain."""
    last = head(connection)
    link = {"id": last.length + 1, "kind": kind, "row": row, "content": content, "at": at, "previous": last.hash}
    connection.execute(insert(t.links).values(**link, hash=digest(link)))


def content_of(connection: Connection, table: Table, row) -> str:
    """SHA-256 of a row, with the rows that are part of it."""
    data = dict(row._mapping)
    if table is t.pages:
        data["readings"] = _rows(connection, select(t.readings).filter_by(page_id=row.id).order_by(t.readings.c.id))
        data["entries"] = _rows(connection, rule_entries().filter_by(page_id=row.id).order_by(t.entries.c.id))
    elif table is t.audits:
        cells = select(t.audit_cells).filter_by(audit_id=row.id).order_by(t.audit_cells.c.id)
        data["cells"] = _rows(connection, cells)
    return digest(data)


def rule_entries() -> Select:
    """Entries that belong to their page's link."""
    return select(t.entries).where(t.entries.c.by == RULE)


def linked_rows(connection: Connection, table: Table) -> Iterator:
    """Rows of a table that each have a link of their own, in order of their key."""
    query = select(table).order_by(_key(table)).execution_options(yield_per=500)
    if table is t.entries:
        query = query.where(t.entries.c.by != RULE)
    yield from connection.execute(query)


def key_of(table: Table, row) -> str:
    """A row's primary key, as links name it."""
    return str(row._mapping[_key(table).name])


def seal_everything(connection: Connection, *, at: str) -> None:
    """Links for every row that is there, for a store from before there were any; later tables are not there yet."""
    there = set(inspect(connection).get_table_names())
    for table in (one for one in KINDS if one.name in there):
        for row in list(linked_rows(connection, table)):
            add_link(connection, table.name, key_of(table, row), content_of(connection, table, row), at=at)


def _key(table: Table):
    return next(iter(table.primary_key.columns))


def _rows(connection: Connection, query: Select) -> list[dict]:
    return [dict(row._mapping) for row in connection.execute(query)]
