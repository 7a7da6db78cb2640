"""Every row of a store as plain JSON lines, and rows of that form back into an empty store.

Nothing is interpreted on the way out, so a store taken in again holds the same rows. On the way in nothing is trusted:
tables and columns must be ours, file names must be those the store itself would give, references must hold.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice

from sqlalchemy import Connection, Table, insert, select
from sqlalchemy.exc import SQLAlchemyError

from digitise.sheets.protocol import Protocol
from digitise.store import chain, counts
from digitise.store import schema as t
from digitise.store.files import is_original, is_page
from digitise.store.handovers import sent_content
from digitise.store.layouts import parsed
from digitise.store.rows import StoreError
from digitise.store.store import Store

# What others refer to comes first. Who may log in stays at home; a store has a name and an audit trail of its own.
TABLES: tuple[str, ...] = tuple(one.name for one in t.HISTORY if one.name not in ("people", "about", "links"))
_BATCH = 500
_LARGEST = 2**63  # no database holds a whole number beyond
_SCALAR = (str, int, float, bool, type(None))
_JSON: dict[str, dict[str, Callable[[object], bool]]] = {  # what the text in a column holds
    "readings": {
        "value": lambda v: isinstance(v, _SCALAR),
        "candidates": lambda v: _pairs(v) and all(isinstance(a, _SCALAR) and isinstance(b, int | float) for a, b in v),
        "reasons": lambda v: _texts(v),
        "photo_px": lambda v: _pairs(v) and all(isinstance(n, int | float) for pair in v for n in pair),
    },
    "entries": {"value": lambda v: isinstance(v, _SCALAR)},
    "verdicts": {"reasons": lambda v: _texts(v)},
}


def _pairs(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, list) and len(one) == 2 for one in value)


def _texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


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
    row = _read(text, where)
    columns = {c.name: c for c in table.columns}
    if not isinstance(row, dict) or set(row) != set(columns):
        raise StoreError(f"{where}: expected exactly the columns {', '.join(columns)}")
    for name, value in row.items():
        _check(columns[name], value, f"{where}, {name}")
    _check_meaning(table.name, row, where)
    return row


def _read(text: str, where: str) -> object:
    """What JSON says; what is no number, and no text, in any other program is refused."""
    try:
        found = json.loads(text, parse_constant=_no_number)
        json.dumps(found, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        raise StoreError(f"{where}: not readable as JSON") from None
    return found


def _no_number(name: str) -> None:
    raise ValueError(name)


def _check(column, value: object, where: str) -> None:
    if value is None:
        if not column.nullable:
            raise StoreError(f"{where}: empty, expected a value")
        return
    wanted = column.type.python_type
    if isinstance(value, bool) or not isinstance(value, (int, float) if wanted is float else wanted):
        raise StoreError(f"{where}: found {type(value).__name__}, expected {wanted.__name__}")
    if isinstance(value, int) and abs(value) >= _LARGEST:
        raise StoreError(f"{where}: found a number of {len(str(abs(value)))} digits, expected a smaller one")
    if isinstance(value, str) and "\0" in value:
        raise StoreError(f"{where}: holds a character that no database keeps")


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
    elif table == "layouts":
        try:
            parsed(row["digest"], row["content"])
        except (ValueError, RecursionError, KeyError, TypeError, AttributeError):
            raise StoreError(f"{where}, content: not a layout") from None
    for name, fits in _JSON.get(table, {}).items():
        if not fits(_read(row[name], f"{where}, {name}")):
            raise StoreError(f"{where}, {name}: not what this column holds")
