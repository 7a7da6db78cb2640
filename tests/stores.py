"""Stores for the tests of what is kept, on both databases, and a look at their rows behind the tool's back."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import psycopg
from kept import FLAGGED, NOW, keep, made_result
from sqlalchemy import make_url

from digitise.batch.batch import known_protocols, record
from digitise.pages.photo import decode_photo
from digitise.reader.read import read_decoded
from digitise.simulate.answers import Answer
from digitise.simulate.take import Taken
from digitise.store import Store

RAY = "fish/ray/0-10/tally"
TOTAL = "fish/ray/0-10/total"
GOBY = "fish/goby/0-10/tally"


def fish(store, *, name="fish.jpg", flagged=(TOTAL,), values=None, **extra):
    """A fish sheet of transect 1: six rays in the first segment, and some cells the reader was not sure of."""
    cells = {RAY: 6, "fish/none-seen": True} | (values or {}) | dict.fromkeys(flagged, FLAGGED)
    reader_version = extra.pop("reader_version", None)
    return keep(store, made_result("fish", cells, name=name, **extra), reader_version=reader_version)


def enter(store, page, cell=TOTAL, value=6, state="entered", by="Anna", **extra):
    return store.decide(page, cell, value=value, state=state, by=by, **({"now": NOW} | extra))


class Kept:
    """Where a test's store is: open it as often as wanted, or look behind the tool's back."""

    def __init__(self, folder: Path, url: str | None = None):
        self.folder, self.url = folder, url
        self.kind = "postgresql" if url else "sqlite"

    def open(self) -> Store:
        """The store, opened."""
        return Store.open(self.folder, database=self.url)

    def sql(self, *statements: str) -> list[tuple]:
        """Run statements as any program could that opens the file or knows the passphrase; rows of the last one."""
        if self.url is None:
            with closing(sqlite3.connect(self.folder / "digitise.db")) as connection:
                for statement in statements:
                    rows = connection.execute(statement).fetchall()
                connection.commit()
                return rows
        plain = make_url(self.url).set(drivername="postgresql").render_as_string(hide_password=False)
        with psycopg.connect(plain) as connection:
            for statement in statements:
                cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []

    def rows(self, table: str) -> list[tuple]:
        """Every row of a table, by its first column."""
        return self.sql(f"SELECT * FROM {table} ORDER BY 1")  # noqa: S608

    def unguarded(self, table: str) -> list[str]:
        """Statements that take a table's guards away, as somebody who means harm would."""
        if self.url is not None:
            return [f"ALTER TABLE {table} DISABLE TRIGGER ALL"]
        return [f"DROP TRIGGER {table}_no_{verb}" for verb in ("update", "delete", "replace")]


def decided_sheet(folder: Path, taken: Taken) -> dict[str, Answer]:
    """A photographed sheet in a new store, everything decided as it was written; what was written, by cell."""
    known, truth = known_protocols(), {a.cell: a for a in taken.answers}
    with Store.open(folder) as store:
        store.keep_photo(taken.jpeg, "sheet.jpg", now=NOW)
        record(store, read_decoded(decode_photo(taken.jpeg, "sheet.jpg"), known.layouts), known, now=NOW)
        (page,) = store.pages()
        for item in store.queue():
            value = truth[item.cell].value
            state = "blank" if value is None else "entered"
            store.decide(page.id, item.cell, value=value, state=state, by="Anna", now=NOW)
    return truth
