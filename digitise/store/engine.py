"""The database behind a store, SQLite or PostgreSQL, with one behaviour: writes one after another, reads of one moment.

SQLite (the default) is a file in the store's folder. PostgreSQL 15 or newer is named by ``DIGITISE_STORE`` and serves
several desks. A write takes the store's only writing lock first, a read sees one snapshot and never waits. What goes
wrong in either comes out as a `StoreError` with a sentence; a write that raised was not acknowledged, and may be sent
again.
"""

from __future__ import annotations

import os
import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DataError, DBAPIError, IntegrityError, NotSupportedError, ProgrammingError
from sqlalchemy.exc import TimeoutError as NoConnection

from digitise.store.rows import StoreError
from digitise.store.turns import Turns

DATABASE = "digitise.db"
VARIABLE = "DIGITISE_STORE"
DRIVER = "postgresql+psycopg"
_EXPECTED = f"{DRIVER}://NAME:PASSPHRASE@HOST/DATABASE"
BUSY_SECONDS = 20
OLDEST_POSTGRESQL = 15
LOOK_AGAIN_S = (0.001, 0.015)  # a writer looks for SQLite's lock after a random time between these
CONNECTIONS = 10  # kept open by one program, and three times as many in need
WRITING_LOCK = 0x6469676974697365  # "digitise": PostgreSQL's advisory lock that makes writes wait for each other

_OURS = (IntegrityError, ProgrammingError, DataError, NotSupportedError)
_FORBIDDEN = ("25006", "42501")  # PostgreSQL: read-only, no privilege
_SQLITE_WORDS = {
    "SQLITE_BUSY": "it is locked by another program; close that program and try again",
    "SQLITE_LOCKED": "it is locked by another program; close that program and try again",
    "SQLITE_FULL": "the disk is full; make room and try again, everything kept so far is safe",
    "SQLITE_IOERR": "the disk refused; look whether it is full or failing, then try again",
    "SQLITE_READONLY": "it cannot be written in; look whether the folder or the disk is read-only",
    "SQLITE_CANTOPEN": "it cannot be opened; look whether the folder is there and may be written in",
    "SQLITE_CORRUPT": "it is damaged; run 'digitise verify', and bring the store back from a backup",
}


class Database:
    """One database: `write` and `read` open a transaction, and end it when their block ends."""

    def __init__(self, engine: Engine, *, name: str):
        self.engine, self.name = engine, name
        self.kind = engine.dialect.name  # sqlite | postgresql
        self._turns = Turns()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A transaction that holds the writing lock from its first statement; committed, or nothing of it happened.

        Threads of one program wait for their turn, in the order in which they came, before they take a connection, so
        that readers find one.

        `StoreError` where another writer holds the lock for too long.
        """
        with self._turns.turn(BUSY_SECONDS) as came:
            if not came:
                raise StoreError(f"{self.name}: another desk has been writing for too long; try again")
            with in_words(self.name), self.engine.begin() as connection:
                if self.kind == "postgresql":
                    connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": WRITING_LOCK})
                yield connection

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A transaction that sees the store as it is at its first statement; nothing is changed in it."""
        with in_words(self.name), self.engine.connect() as connection:
            yield connection.execution_options(**_READING[self.kind])

    def close(self) -> None:
        """Let go of every connection."""
        self.engine.dispose()


_READING = {
    "sqlite": {"begin": "BEGIN"},
    "postgresql": {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True},
}


def wanted_database() -> str | None:
    """The database that ``DIGITISE_STORE`` names, if any."""
    return os.environ.get(VARIABLE) or None


def sqlite_database(folder: Path) -> Database:
    """The SQLite file of a store's folder."""
    path = folder / DATABASE
    settings = {"pool_size": CONNECTIONS, "max_overflow": 3 * CONNECTIONS, "pool_timeout": BUSY_SECONDS}
    engine = create_engine(URL.create("sqlite", database=str(path)), connect_args={"timeout": BUSY_SECONDS}, **settings)
    event.listen(engine, "connect", _on_sqlite_connect)
    event.listen(engine, "begin", _on_sqlite_begin)
    return Database(engine, name=str(path))


def postgresql_database(url: str) -> Database:
    """A PostgreSQL database; its name in messages is without the password.

    Raises
    ------
    StoreError
        Not the address of a PostgreSQL database, the driver is not installed, or the server is too old.
    """
    try:
        address = make_url(url)
    except (ArgumentError, ValueError):  # the latter for a port that is no number, with words of the address in it
        raise StoreError(f"{VARIABLE}: not an address; expected {_EXPECTED}") from None
    if address.drivername != DRIVER:
        raise StoreError(f"{VARIABLE}: found '{address.drivername}://', expected {_EXPECTED}")
    if "@" in (address.host or ""):
        raise StoreError(f"{VARIABLE}: found a second @ in the address; write %40 for one in the passphrase")
    settings = f"-c lock_timeout={BUSY_SECONDS}s -c idle_in_transaction_session_timeout=60s -c synchronous_commit=on"
    keepalive = {"keepalives_idle": 10, "keepalives_interval": 5, "keepalives_count": 3, "tcp_user_timeout": 20_000}
    try:
        engine = create_engine(
            address, pool_pre_ping=True, connect_args={"connect_timeout": 10, "options": settings, **keepalive}
        )
    except ModuleNotFoundError:
        raise StoreError(f"{VARIABLE} needs PostgreSQL's driver: pip install 'digitise[postgresql]'") from None
    database = Database(engine, name=address.render_as_string(hide_password=True))
    with in_words(database.name), engine.connect() as connection:
        version = int(connection.execute(text("SHOW server_version_num")).scalar_one()) // 10_000
    if version < OLDEST_POSTGRESQL:
        raise StoreError(f"{database.name}: found PostgreSQL {version}, expected {OLDEST_POSTGRESQL} or newer")
    return database


@contextmanager
def in_words(name: str) -> Iterator[None]:
    """Turn what a database says about its own trouble into a `StoreError`."""
    try:
        yield
    except DBAPIError as error:
        if isinstance(error, _OURS) and getattr(error.orig, "sqlstate", "") not in _FORBIDDEN:
            raise  # a fault of ours, not the database's
        raise StoreError(f"{name}: {_words(error)}") from error
    except sqlite3.Error as error:
        raise StoreError(f"{name}: {_sqlite_words(error)}") from error
    except NoConnection as error:
        raise StoreError(f"{name}: too many are asking at once; try again") from error


def _words(error: DBAPIError) -> str:
    if isinstance(error.orig, sqlite3.Error):
        return _sqlite_words(error.orig)
    said = " ".join(str(error.orig).split())[:200]
    code = getattr(error.orig, "sqlstate", None) or ""
    if code == "55P03":
        return "another desk has been writing for too long; try again"
    if code.startswith("53"):
        return f"the database server is out of room or connections ({said}); make room and try again"
    if code in _FORBIDDEN:
        return f"it may not be written in ({said}); ask whoever runs the database"
    if error.connection_invalidated or not code or code[:2] in ("08", "57"):
        return f"the database cannot be reached ({said}); look whether it runs, then try again"
    return f"the database refused ({said})"


def _sqlite_words(error: sqlite3.Error) -> str:
    code = getattr(error, "sqlite_errorname", "") or ""
    for start, words in _SQLITE_WORDS.items():
        if code.startswith(start):
            return words
    return f"the database refused ({error})"


def _on_sqlite_connect(connection, _record) -> None:
    connection.isolation_level = None  # the begin event opens transactions, not the driver
    try:
        for pragma in ("foreign_keys=ON", "recursive_triggers=ON", "synchronous=FULL"):
            connection.execute(f"PRAGMA {pragma}").close()
    except sqlite3.Error:
        connection.close()
        raise


def _on_sqlite_begin(connection) -> None:
    how = connection.get_execution_options().get("begin")
    if how is not None:
        connection.exec_driver_sql(how)
    else:
        _begin_writing(connection.connection.driver_connection)


def _begin_writing(connection: sqlite3.Connection) -> None:
    """Take SQLite's writing lock, or raise when it was held for `BUSY_SECONDS`.

    SQLite's own waiting looks more and more seldom, so that among many writers whoever has waited longest comes last.
    Here everybody looks after a random time, the same for all, and each has the same chance at every moment. The times
    change no result, so they need no seed.
    """
    until = time.monotonic() + BUSY_SECONDS
    connection.execute("PRAGMA busy_timeout=0").close()
    try:
        while True:
            try:
                connection.execute("BEGIN IMMEDIATE").close()
                return
            except sqlite3.OperationalError as error:
                if not str(error.sqlite_errorname).startswith("SQLITE_BUSY") or time.monotonic() > until:
                    raise
            time.sleep(random.uniform(*LOOK_AGAIN_S))
    finally:
        connection.execute(f"PRAGMA busy_timeout={int(BUSY_SECONDS * 1000)}").close()
