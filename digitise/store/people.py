"""People who may work in a shared store: name, role and a passphrase that only its argon2 hash is kept of.

The last row of a name is in force; nothing is deleted. A name means whoever bears it to the letter, or else whoever
bears it but for capitals, spaces and how its accents are composed. Hashing needs ``argon2-cffi`` (``pip install
'digitise[shared]'``).
"""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from sqlalchemy import Connection, Row, insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.rows import StoreError
from digitise.store.values import person, shortened
from digitise.wording import plural

ROLES = ("volunteer", "clerk", "scientist", "gone")  # each may do what those before may; "gone" may not log in
SHORTEST_PASSPHRASE, LONGEST_PASSPHRASE = 10, 200


@dataclass(frozen=True, slots=True)
class Person:
    """One person and what they may do; `mark` is another one after every change of the passphrase, "" without one."""

    name: str
    role: str
    by: str
    at: str
    mark: str = ""

    @property
    def may_enter(self) -> bool:
        """Whether somebody can log in by this name at all."""
        return bool(self.mark) and self.role != "gone"


class People:
    """People of one store."""

    def __init__(self, database: Database):
        self._database = database

    def set(self, name: str, *, role: str, by: str, now: datetime, passphrase: str | None = None) -> Person:
        """Add a person, or give them another role or passphrase (None keeps the one they have).

        Nobody is added beside somebody of an alike name: that person is meant, and keeps their spelling.

        Raises
        ------
        ValueError
            No such role, no name, two people of alike names, or the passphrase is too short or too long.
        """
        who, at = person(name), chain.stamp(now)
        if role not in ROLES:
            raise ValueError(f"found role '{shortened(role)}', expected one of {', '.join(ROLES)}")
        hashed = None if passphrase is None else _hasher().hash(_checked(passphrase))
        with self._database.write() as connection:
            last = _meant(connection, who)
            if last is None and (others := _alike(connection, who)):
                raise ValueError(
                    f"'{who}' may be {' or '.join(o.name for o in others)}; write the name exactly as one of these"
                )
            who = last.name if last else who
            kept = last.passphrase if last else ""
            return _add(connection, who, role, kept if hashed is None else hashed, by=person(by), at=at)

    def change_passphrase(self, name: str, passphrase: str, *, now: datetime) -> Person:
        """Give a person another passphrase, who changes it; what they may do stays what it is at that moment.

        Raises
        ------
        ValueError
            They may not log in any more, or the passphrase is too short or too long.
        """
        hashed, at = _hasher().hash(_checked(passphrase)), chain.stamp(now)
        with self._database.write() as connection:
            last = _meant(connection, name)
            if last is None or last.role == "gone":
                raise StoreError(f"{name} may not log in any more")
            return _add(connection, last.name, last.role, hashed, by=last.name, at=at)

    def all(self) -> list[Person]:
        """Everybody as they stand now, in the order they came; those who are gone too."""
        with self._database.read() as connection:
            rows = connection.execute(select(t.people).order_by(t.people.c.id)).all()
        return [_person(row) for row in {row.name: row for row in rows}.values()]

    def named(self, name: str) -> Person | None:
        """One person as they stand now; None for a name that nobody bears, or several alike and none to the letter."""
        with self._database.read() as connection:
            row = _meant(connection, " ".join(name.split()))
        return None if row is None else _person(row)

    def check(self, name: str, passphrase: str) -> Person | None:
        """The person, when the passphrase is theirs and they may log in; a wrong name takes as long as a right one."""
        from argon2.exceptions import InvalidHashError, VerificationError

        with self._database.read() as connection:
            row = _meant(connection, " ".join(name.split()))
        known = row is not None and row.passphrase and row.role != "gone"
        hasher = _hasher()
        try:
            hasher.verify(row.passphrase if known else _nobodys(), passphrase[:LONGEST_PASSPHRASE])
        except (VerificationError, InvalidHashError):
            return None
        return _person(row) if known else None


def folded(name: str) -> str:
    """A name without what does not tell people apart: capitals, spaces around words, how accents are composed."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", " ".join(name.split())).casefold())


def _meant(connection: Connection, name: str) -> Row | None:
    """The last row of whoever bears this name, to the letter or else alike; None where several do who are not gone."""
    query = select(t.people).where(t.people.c.name == name).order_by(t.people.c.id.desc()).limit(1)
    if (exact := connection.execute(query).first()) is not None:
        return exact
    alike = _alike(connection, name)
    here = [row for row in alike if row.role != "gone"] or alike
    return here[0] if len(here) == 1 else None


def _alike(connection: Connection, name: str) -> list[Row]:
    """The last row of everybody whose name is alike."""
    rows = connection.execute(select(t.people).order_by(t.people.c.id)).all()
    return list({row.name: row for row in rows if folded(row.name) == folded(name)}.values())


def _add(connection: Connection, name: str, role: str, passphrase: str, *, by: str, at: str) -> Person:
    added = connection.execute(insert(t.people).values(name=name, role=role, passphrase=passphrase, by=by, at=at))
    chain.seal(connection, t.people, added.inserted_primary_key[0], at=at)
    return Person(name, role, by, at, _mark(passphrase))


def _person(row) -> Person:
    return Person(row.name, row.role, row.by, row.at, _mark(row.passphrase))


def _mark(hashed: str) -> str:
    return hashlib.sha256(hashed.encode()).hexdigest()[:16] if hashed else ""


def _checked(passphrase: str) -> str:
    if not SHORTEST_PASSPHRASE <= len(passphrase) <= LONGEST_PASSPHRASE:
        has, span = plural(len(passphrase), "character"), f"{SHORTEST_PASSPHRASE} to {LONGEST_PASSPHRASE}"
        raise ValueError(f"the passphrase has {has}, expected {span}")
    return passphrase


@lru_cache(maxsize=1)
def _nobodys() -> str:
    return _hasher().hash("a passphrase that is nobody's")


def _hasher():
    try:
        from argon2 import PasswordHasher
    except ModuleNotFoundError:
        raise StoreError("passphrases need argon2-cffi: pip install 'digitise[shared]'") from None
    return PasswordHasher()
