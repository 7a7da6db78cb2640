"""A store's tables are brought to this version's when it is opened; a newer version's are left alone.

Steps are Alembic's (`digitise/store/migrations/`), all in one transaction under the writing lock: of two programs that
open at once one makes or changes the tables and the other finds them done.
"""

from __future__ import annotations

import sqlite3
import time
import uuid
from datetime import datetime

from sqlalchemy import Connection, insert, inspect, select, text

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.chain import stamp
from digitise.store.engine import BUSY_SECONDS, Database

_REVISIONS = ("0001", "0002", "0003", "0004", "0005")


def prepare(database: Database, *, now: datetime) -> None:
    """Create or upgrade the tables where needed.

    Raises
    ------
    ValueError
        The database is another program's, or a newer version's.
    """
    if database.kind == "sqlite":
        _begin_sqlite(database)
    with database.read() as connection:
        found = revision(connection)
    if found == t.REVISION:
        return
    with database.write() as connection:
        _check(connection, revision(connection))
        move(connection, t.REVISION, now=now)
        name_store(connection, now=now)


def revision(connection: Connection) -> str | None:
    """The revision of the tables; None for an empty database.

    Raises
    ------
    ValueError
        There are tables, but not ours.
    """
    names = set(inspect(connection).get_table_names())
    if "alembic_version" in names:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if found is not None:
            _check(connection, found)
            return found
    if {"protocols", "layouts", "readings", "entries"} <= names:
        return "0001"  # digitise 0.1.0 did not write it down
    if names - {"alembic_version"}:
        raise ValueError("it is another program's database; choose another folder")
    return None


def move(connection: Connection, to: str, *, now: datetime) -> None:
    """Upgrade or downgrade the tables to a revision, inside the caller's transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "digitise.store:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes.update(connection=connection, at=stamp(now))
    found = revision(connection)
    if found is not None and "alembic_version" not in inspect(connection).get_table_names():
        command.stamp(config, found)
    if found is not None and to < found:
        command.downgrade(config, to)
    else:
        command.upgrade(config, to)


def name_store(connection: Connection, *, now: datetime) -> None:
    """Give a store that has no name one, once and for good."""
    if connection.execute(select(t.about.c.key).filter_by(key="store")).first() is None:
        connection.execute(insert(t.about).values(key="store", value=uuid.uuid4().hex))
        chain.seal(connection, t.about, "store", at=stamp(now))


def _check(connection: Connection, found: str | None) -> None:
    if found is not None and found not in _REVISIONS:
        raise _newer(found)


def _newer(found: object) -> ValueError:
    return ValueError(
        f"it was written by a newer digitise (store version {found}, this one knows {t.REVISION}); update digitise"
    )


def _begin_sqlite(database: Database) -> None:
    """Refuse a file that is not ours before anything is written to it; set a journal that readers need not wait for."""
    raw = database.engine.raw_connection()
    try:
        cursor = raw.cursor()
        version, owner = (cursor.execute(f"PRAGMA {p}").fetchone()[0] for p in ("user_version", "application_id"))
        if cursor.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] and owner != t.APPLICATION_ID:
            raise ValueError("it is another program's database; choose another folder")
        if version > int(t.REVISION):
            raise _newer(version)
        _write_ahead(cursor)
        cursor.close()
    finally:
        raw.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Journal mode WAL; SQLite does not wait by itself for another program that is just doing the same."""
    until = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            cursor.execute("PRAGMA journal_mode=WAL").fetchone()
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(0.05)
