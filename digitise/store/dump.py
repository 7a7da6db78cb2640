"""Every row of a store as plain JSON lines, and rows of that form back into an empty store.

Nothing is interpreted on the way out, so a store taken in again holds the same rows. On the way in nothing is trusted:
tables and columns must be ours, file names must be those the store itself would give, references must hold.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice

from sqlalchemy import Connection, Table, insert, select
from sqlalchemy.exc import SQLAlchemyError

from digitise.sheets.protocol import Protocol
from digitise.store import chain, counts
from digitise.store import schema as t
from digitise.store.files import is_original, is_page
from digitise.store.handovers import sent_content
from digitise.store.rows import StoreError
from digitise.store.store import Store

# What others refer to comes first. Who may log in stays at home; a store has a name and an audit trail of its own.
TABLES: tuple[str, ...] = tuple(one.name for one in t.HISTORY if one.name not in ("people", "about", "links"))
_BATCH = 500
_JSON = {
    "readings": ("value", "candidates", "reasons", "photo_px"),
    "entries": ("value",),
    "verdicts": ("reasons",),
    "layouts": ("content",),
}


def dumped(store: Store, table: str) -> Iterator[str]:
    """Each row of a table as one line of JSON, in the order of its key."""
    one = t.metadata.tables[table]
    with store.database.read() as connection:
        for row in connection.execute(select(one).order_by(*one.primary_key.columns)):
            yield json.dumps(dict(row._mapping), ensure_ascii=False)


def load(store: Store, lines: Mapping[str, Iterable[str]]) -> int:
    """Put dumped rows into an empty store, all or none; returns how many.

    Raises
    ------
    StoreError
        The store holds something already, or a row is not one of ours; the text names table and line.
    """
    if store.photos() or store.pages():
        raise StoreError(f"{store.folder}: holds photographs already; take the evidence into a new, empty folder")
    count = 0
    name = ""
    try:
        with store.database.write() as connection:
            for name in TABLES:
                count += _put_in(connection, t.metadata.tables[name], lines.get(name, ()))
            counts.rebuild(connection)
            taken_in = [table for table in chain.KINDS if table.name in TABLES]
            chain.seal_everything(connection, at=chain.stamp(datetime.now(UTC)), kinds=taken_in)
    except SQLAlchemyError as error:
        why = " ".join(str(getattr(error, "orig", error)).split())[:200]
        raise StoreError(f"{name}: a row cannot be taken in ({why})") from None
    return count


def _put_in(connection: Connection, table: Table, lines: Iterable[str]) -> int:
    rows = (_row(table, text, f"{table.name}, line {number}") for number, text in enumerate(lines, start=1))
    count = 0
    while some := list(islice(rows, _BATCH)):
        connection.execute(insert(table), some)
        count += len(some)
    return count


def _row(table: Table, text: str, where: str) -> dict:
    try:
        row = json.loads(text)
    except (ValueError, RecursionError):
        raise StoreError(f"{where}: not readable as JSON") from None
    columns = {c.name: c for c in table.columns}
    if not isinstance(row, dict) or set(row) != set(columns):
        raise StoreError(f"{where}: expected exactly the columns {', '.join(columns)}")
    for name, value in row.items():
        _check(columns[name], value, f"{where}, {name}")
    _check_meaning(table.name, row, where)
    return row


def _check(column, value: object, where: str) -> None:
    if value is None:
        if not column.nullable and not column.primary_key:
            raise StoreError(f"{where}: empty, expected a value")
        return
    wanted = column.type.python_type
    if isinstance(value, bool) or not isinstance(value, (int, float) if wanted is float else wanted):
        raise StoreError(f"{where}: found {type(value).__name__}, expected {wanted.__name__}")


def _check_meaning(table: str, row: dict, where: str) -> None:
    """What the database cannot check: names of files, digests, and JSON inside."""
    if table == "photos":
        if not is_original(row["sha256"], row["file"]):
            raise StoreError(f"{where}: the file's name is not the one its SHA-256 gives")
    elif table == "pages":
        if not is_page(row["image"]):
            raise StoreError(f"{where}: '{row['image'][:40]}' is not the name of a page's picture")
    elif table == "protocols":
        try:
            found = Protocol.model_validate_json(row["content"])
        except ValueError:
            raise StoreError(f"{where}: not a protocol") from None
        if (found.digest, found.protocol, found.version) != (row["digest"], row["name"], row["version"]):
            raise StoreError(f"{where}: the protocol is not the one its digest names")
    elif table == "handovers":
        try:
            sent_content(row["content"])
        except ValueError as error:
            raise StoreError(f"{where}, content: {error}") from None
    for name in _JSON.get(table, ()):
        try:
            json.loads(row[name])
        except (ValueError, RecursionError):
            raise StoreError(f"{where}, {name}: not readable as JSON") from None
