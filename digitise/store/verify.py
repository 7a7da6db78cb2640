"""Whether a store is as the tool left it: its database, the chain over its history, originals and flattened pages.

Everything that differs is named in a sentence with what to do. A changed row is found by its link; a row without a link
was added, a link without a row tells of one removed. A chain that was written anew from some link on is whole in
itself: only a head from elsewhere (a backup, a notebook) tells, so `verify` takes one and gives the present one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from sqlalchemy import Connection, Row, Table, func, select, text
from sqlalchemy.exc import DBAPIError

from digitise.batch.remote import RemoteError
from digitise.store import chain, counts
from digitise.store import schema as t
from digitise.store.chain import Head
from digitise.store.originals import ORIGINALS
from digitise.store.store import Store
from digitise.store.thinning import kept_originals
from digitise.wording import plural

_ROWS_AT_ONCE = 500
_MOST_NAMED = 200  # of one kind of trouble; a store that was torn apart needs no endless list


@dataclass(frozen=True, slots=True)
class Report:
    """What was checked and found: `problems` are to be mended, `notes` are only said. Both are sentences."""

    problems: tuple[str, ...]
    notes: tuple[str, ...]
    photos: int
    pages: int
    head: Head


def verify(store: Store, *, head: str | None = None, tick: Callable[[int], None] = lambda total: None) -> Report:
    """Check all of a store, also while others work in it; `tick` is called for each file with the number of files.

    `head` is a hash that the chain had at an earlier time, as `Report.head` gave it.
    """
    problems: list[str] = []
    notes: list[str] = []
    with store.database.read() as connection:
        problems += _database(connection)
        problems += _few(_chain(connection, head))
        problems += [
            f"page {page}: its list of open cells is out of step with its entries; "
            "make a backup and restore it, which makes the list anew"
            for page in counts.stray(connection, _MOST_NAMED)
        ]
        now, originals, pictures = chain.head(connection), _originals(connection), _pictures(connection)
        thinned = connection.execute(select(func.count()).select_from(t.thinned)).scalar_one()
    files = originals | pictures
    problems += _files(store, files, tick)
    unhashed = sum(sha256 is None for sha256, _ in pictures.values())
    if unhashed:
        notes.append(
            f"{unhashed} flattened pages are from before their hashes were kept; only their presence was checked"
        )
    if thinned:
        notes.append(f"{thinned} original photographs were removed by the policy; their flattened pages are here")
    strangers = _strangers(store)
    if strangers:
        notes.append(
            f"{plural(len(strangers), 'file belongs', 'files belong')} to no photograph, such as {strangers[0]}: left "
            "by a program that was stopped before it could note them; adding the photograph again takes them up"
        )
    return Report(tuple(problems), tuple(notes), len(originals), len(pictures), now)


def _few(sentences: Iterator[str]) -> list[str]:
    out = []
    for sentence in sentences:
        if len(out) == _MOST_NAMED:
            return [*out, "and more of this kind"]
        out.append(sentence)
    return out


def _database(connection: Connection) -> list[str]:
    """SQLite's own check; PostgreSQL's server keeps its tables whole or says so."""
    if connection.dialect.name != "sqlite":
        return []
    try:
        said = [row[0] for row in connection.execute(text("PRAGMA integrity_check(20)"))]
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
    except DBAPIError as error:
        said, broken = [str(error.orig)], []
    out = [f"the database is damaged ({line}); bring the store back from a backup" for line in said if line != "ok"]
    return out + [f"{row[0]} {row[1]} refers to a row of {row[2]} that is not there" for row in broken[:20]]


def _chain(connection: Connection, head: str | None) -> Iterator[str]:
    """Each link by itself and with the one before; then each row with its link. Memory does not grow with them."""
    last, found = Head(0, chain.START), head in (None, chain.START)
    for link in connection.execute(select(t.links).order_by(t.links.c.id).execution_options(yield_per=1000)):
        data = dict(link._mapping)
        own = data.pop("hash")
        if link.id != last.length + 1:
            yield f"audit trail: link {last.length + 1} is missing; the history was changed behind the tool's back"
        elif link.previous != last.hash:
            yield f"audit trail: link {link.id} does not follow from the one before; one of the two was changed"
        if chain.digest(data) != own:
            yield f"audit trail: link {link.id} ({link.kind} {link.row}) was changed"
        last, found = Head(link.id, own), found or own == head
    if not found:
        yield f"audit trail: the head {head[:16]}… is not in it; history from before that time was written anew"
    for table in chain.KINDS:
        yield from _rows(connection, table)
    of_no_table = select(t.links.c.kind, t.links.c.row).where(t.links.c.kind.not_in([k.name for k in chain.KINDS]))
    yield from (_removed(kind, row) for kind, row in connection.execute(of_no_table))


def _rows(connection: Connection, table: Table) -> Iterator[str]:
    """Compare rows with their links; links of rows that are gone are looked for only when their number says so."""
    matched = 0
    for some in _batches(chain.linked_rows(connection, table)):
        links = _links(connection, table, [chain.key_of(table, row) for row, _ in some])
        matched += len(links)
        for row, content in some:
            linked = links.get(chain.key_of(table, row))
            if linked is None:
                yield f"{_words(table, row)}: added behind the tool's back"
            elif linked != content:
                parts = " (it, a reading on it or an entry by rule)" if table is t.pages else ""
                yield f"{_words(table, row)}: changed behind the tool's back{parts}; bring the store back from a backup"
    there = select(func.count()).select_from(t.links).where(t.links.c.kind == table.name)
    if connection.execute(there).scalar_one() != matched:
        yield from _gone(connection, table)


def _batches(rows: Iterator[tuple[Row, str]]) -> Iterator[list[tuple[Row, str]]]:
    while some := list(islice(rows, _ROWS_AT_ONCE)):
        yield some


def _links(connection: Connection, table: Table, keys: list[str]) -> dict[str, str]:
    """What the links of these rows hold, by the rows' keys."""
    query = select(t.links.c.row, t.links.c.content).where(t.links.c.kind == table.name, t.links.c.row.in_(keys))
    return {row: content for row, content in connection.execute(query)}  # noqa: C416 - rows are no plain pairs


def _gone(connection: Connection, table: Table) -> Iterator[str]:
    """Links of a table without a row; only a store that was tampered with pays for the set of all keys."""
    keys = {chain.key_of(table, row) for row, _ in chain.linked_rows(connection, table)}
    query = select(t.links.c.row).where(t.links.c.kind == table.name).order_by(t.links.c.id)
    yield from (_removed(table.name, row) for row in connection.execute(query).scalars() if row not in keys)


def _removed(kind: str, row: str) -> str:
    return f"{kind} {row}: removed behind the tool's back; bring the store back from a backup"


def _words(table, row) -> str:
    if table is t.entries:
        return f"entry {row.id} ({row.cell} on page {row.page_id}, by {row.by}, {row.at})"
    if table is t.photos:
        return f"photograph {row.name} ({row.sha256[:12]}…)"
    return f"{table.name} {chain.key_of(table, row)}"


def _originals(connection: Connection) -> dict[str, tuple[str | None, str]]:
    """Path below the folder to (SHA-256, words)."""
    rows = kept_originals(connection)
    return {ORIGINALS + row.file: (row.sha256, f"{row.name}: the kept photograph") for row in rows}


def _pictures(connection: Connection) -> dict[str, tuple[str | None, str]]:
    rows = connection.execute(select(t.pages.c.image, t.pages.c.image_sha256, t.pages.c.id))
    return {f"pages/{row.image}": (row.image_sha256, f"page {row.id}: its flattened picture") for row in rows}


def _files(store: Store, files: dict[str, tuple[str | None, str]], tick: Callable[[int], None]) -> Iterator[str]:
    """Each file against its hash; originals in a bucket that does not answer are one trouble, not one for each."""
    cut_off = False
    for name, (sha256, words) in files.items():
        tick(len(files))
        if cut_off and name.startswith(ORIGINALS):
            continue
        try:
            found = hashlib.sha256(store.file(name)).hexdigest()
        except OSError as error:
            if isinstance(error, RemoteError) and not error.missing:
                cut_off = True
                yield f"original photographs from {words.split(':')[0]} on were not checked: {error}"
            else:
                yield f"{words} cannot be opened ({error.strerror}); bring {name} back from a backup"
            continue
        if sha256 is not None and found != sha256:
            yield f"{words} was changed since it was kept; bring {name} back from a backup"


def _strangers(store: Store) -> list[str]:
    """Files that the rows do not name; rows are looked at last, since others may keep photographs meanwhile."""
    found = {f"pages/{p.relative_to(store.folder / 'pages').as_posix()}" for p in _all_files(store.folder / "pages")}
    with suppress(OSError):  # told already
        found |= {ORIGINALS + name for name in store.originals.names()}
    with store.database.read() as connection:
        known = {*_originals(connection), *_pictures(connection)}
    return sorted(found - known)


def _all_files(folder: Path) -> Iterator[Path]:
    return (p for p in folder.rglob("*") if p.is_file())
