"""Opening a store: its folder, the database that belongs to it, and the tables as this version needs them.

A folder whose entries are in PostgreSQL holds ``database.json`` with that store's name, so that the folder and the
database of two stores are never mixed, and no empty store is begun beside a full one.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import datetime
from pathlib import Path

from sqlalchemy import insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import (
    DATABASE,
    VARIABLE,
    Database,
    in_words,
    postgresql_database,
    sqlite_database,
    wanted_database,
)
from digitise.store.files import sweep, write_once
from digitise.store.migrate import prepare
from digitise.store.rows import StoreError

FOLDERS = ("originals", "pages", "incoming")
MARKER = "database.json"


def holds_store(folder: Path) -> bool:
    """Whether opening the folder finds a store; any folder will do while `DIGITISE_STORE` says where entries are."""
    return folder.is_dir() and bool(wanted_database() or (folder / DATABASE).exists() or (folder / MARKER).exists())


def no_store(folder: Path) -> str:
    """What is said of a folder that holds no store, wherever one is only looked for."""
    return _lost(folder) or f"{folder}: no store is here; make one with: digitise read PHOTOS --store {folder}"


def open_database(folder: Path, *, now: datetime, url: str | None = None) -> Database:
    """The database of the store in `folder`, both made where they are missing; `url` is by default `DIGITISE_STORE`.

    Raises
    ------
    StoreError
        The folder cannot be made or written in, or the database is not ours or belongs to another folder.
    """
    url = url or wanted_database()
    _check_pair(folder, url)
    try:
        for part in FOLDERS:
            (folder / part).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"{folder}: cannot be used as a store ({error.strerror}); choose a folder you may write in"
        ) from None
    sweep(folder / "incoming")
    if not url:
        _check_not_lost(folder)
    database = postgresql_database(url) if url else sqlite_database(folder)
    try:
        with in_words(database.name):
            _prepare(database, now=now)
        if url:
            _check_marked(folder, database)
    except BaseException:
        database.close()
        raise
    return database


def _check_not_lost(folder: Path) -> None:
    """A database that has gone, or was cut to nothing, is not begun anew beside the photographs that it told of."""
    if lost := _lost(folder):
        raise StoreError(lost)


def _lost(folder: Path) -> str:
    """What is said of a folder whose photographs are there, and their database is not; "" of any other."""
    parts = (folder / DATABASE, folder / f"{DATABASE}-wal")
    if any(p.is_file() and p.stat().st_size for p in parts) or not any((folder / "originals").glob("*/*")):
        return ""
    return (
        f"{folder / DATABASE}: is {'empty' if parts[0].is_file() else 'missing'}, though photographs lie in "
        f"{folder / 'originals'}; bring the store back from a backup. Without one, read them into a new store"
    )


def _prepare(database: Database, *, now: datetime) -> None:
    try:
        prepare(database, now=now)
    except StoreError:
        raise
    except ValueError as error:
        raise StoreError(f"{database.name}: cannot be used: {error}") from None
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "") != "SQLITE_NOTADB":
            raise
        raise StoreError(f"{database.name}: cannot be used ({error}); choose another folder") from None


def _check_pair(folder: Path, url: str | None) -> None:
    if url and (folder / DATABASE).exists():
        raise StoreError(
            f"{folder}: this store keeps its own database, but {VARIABLE} names another; unset {VARIABLE}, or move the "
            "store with 'digitise backup' and 'digitise restore'"
        )
    if not url and (folder / MARKER).exists():
        raise StoreError(
            f"{folder}: the entries of this store are in a PostgreSQL database; set {VARIABLE} to its address"
        )


def store_name(database: Database) -> str:
    """The name that a store was given when it was made."""
    with database.read() as connection:
        return connection.execute(select(t.about.c.value).filter_by(key="store")).scalar_one()


def secret_of(database: Database, name: str, proposed: str, *, now: datetime) -> str:
    """A secret that a store keeps under a name and never gives away in evidence; `proposed` where it has none."""
    key = f"secret:{name}"
    query = select(t.about.c.value).filter_by(key=key)
    with database.read() as connection:
        known = connection.execute(query).scalar()
    if known is None:
        with database.write() as connection:
            known = connection.execute(query).scalar()
            if known is None:
                connection.execute(insert(t.about).values(key=key, value=proposed))
                chain.seal(connection, t.about, key, at=chain.stamp(now))
    return known or proposed


def mark(folder: Path, name: str) -> None:
    """Write down whose photographs the folder holds."""
    write_once(folder / MARKER, json.dumps({"store": name}).encode(), incoming=folder / "incoming")


def _check_marked(folder: Path, database: Database) -> None:
    name, marker = store_name(database), folder / MARKER
    if not marker.exists():
        _check_unmarked(folder)
        mark(folder, name)
    try:
        known = json.loads(marker.read_text(encoding="utf-8"))["store"]
    except (ValueError, KeyError, TypeError):
        raise StoreError(f'{marker}: is damaged; write it anew with {{"store": "{name}"}} if it is this one') from None
    if known != name:
        raise StoreError(
            f"{folder}: belongs to another store than the database {database.name}; name the folder and the database "
            "of one store"
        )


def _check_unmarked(folder: Path) -> None:
    """A folder with photographs but without a mark belongs to no database yet known."""
    if any((folder / "originals").iterdir()):
        raise StoreError(
            f"{folder}: holds photographs, but not the name of a store; bring {MARKER} back from where it was"
        )
