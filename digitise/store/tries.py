"""Wrong tries to log in, kept so that a restart, or another server of the same store, forgets none of them.

This is no history: what is over goes. What was typed is not kept, only its SHA-256: people type passphrases into the
wrong field.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, delete, insert, select

from digitise.store import schema as t
from digitise.store.engine import Database

Key = tuple[str, str]  # a kind, such as "name", and which


@dataclass(frozen=True, slots=True)
class Tries:
    """How many tries under one key were wrong, and when the last one was."""

    wrong: int
    last: datetime


class WrongTries:
    """Wrong tries of one store."""

    def __init__(self, database: Database):
        self._database = database

    def of(self, keys: Iterable[Key], *, since: datetime) -> dict[Key, Tries]:
        """Tries by key, of keys with a wrong try at `since` or later."""
        with self._database.read() as connection:
            return {key: tries for key in keys if (tries := _tries(connection, key, since)) is not None}

    def add(self, keys: Iterable[Key], *, now: datetime, since: datetime) -> None:
        """Count a wrong try under each key; what was before `since` is forgotten, under every key."""
        with self._database.write() as connection:
            connection.execute(delete(t.wrong_tries).where(t.wrong_tries.c.last < _text(since)))
            for key in keys:
                before = _tries(connection, key, since)
                row = {"key": _digest(key), "wrong": before.wrong + 1 if before else 1, "last": _text(now)}
                connection.execute(delete(t.wrong_tries).filter_by(key=row["key"]))
                connection.execute(insert(t.wrong_tries).values(row))

    def forget(self, key: Key) -> None:
        """Forget the wrong tries under one key."""
        with self._database.read() as connection:  # most log-ins follow no wrong try: nothing is written
            known = connection.execute(select(t.wrong_tries.c.key).filter_by(key=_digest(key))).first()
        if known is not None:
            with self._database.write() as connection:
                connection.execute(delete(t.wrong_tries).filter_by(key=_digest(key)))


def _tries(connection: Connection, key: Key, since: datetime) -> Tries | None:
    row = connection.execute(select(t.wrong_tries).filter_by(key=_digest(key))).first()
    if row is None or row.last < _text(since):
        return None
    return Tries(row.wrong, datetime.fromisoformat(row.last))


def _digest(key: Key) -> str:
    return hashlib.sha256("\n".join(key).encode()).hexdigest()


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")
