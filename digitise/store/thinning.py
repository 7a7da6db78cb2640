"""Photographs that are kept no longer: which, by what policy, by whom and when.

Only the original's file goes. Its row with its SHA-256, the flattened page, readings and entries stay, and the audit
trail says what was done. Nothing is thinned that still waits to be read or decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Row, insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.values import person, written

LONGEST_POLICY = 500


@dataclass(frozen=True, slots=True)
class ThinnedPhoto:
    """A photograph of which the original is kept no longer; `policy` is the sentence that it was done by."""

    sha256: str
    policy: str
    by: str
    at: str


class Thinned:
    """Thinned photographs of one store."""

    def __init__(self, database: Database):
        self._database = database

    def all(self) -> dict[str, ThinnedPhoto]:
        """Photographs whose original was removed, by SHA-256, the one removed first in front."""
        with self._database.read() as connection:
            rows = connection.execute(select(t.thinned).order_by(t.thinned.c.id))
            return {r.sha256: ThinnedPhoto(r.sha256, r.policy, r.by, r.at) for r in rows}

    def at(self, sha256: str) -> str:
        """When a photograph was thinned; empty when it is kept."""
        with self._database.read() as connection:
            return connection.execute(select(t.thinned.c.at).filter_by(sha256=sha256)).scalar() or ""

    def note(self, sha256: str, *, policy: str, by: str, now: datetime) -> None:
        """Note that a photograph is kept no longer, before its file is removed; again changes nothing."""
        new = {"sha256": sha256, "policy": written("policy", policy, LONGEST_POLICY), "by": person(by)}
        with self._database.write() as connection:
            if connection.execute(select(t.thinned.c.id).filter_by(sha256=sha256)).scalar() is None:
                added = connection.execute(insert(t.thinned).values(**new, at=chain.stamp(now)))
                chain.seal(connection, t.thinned, added.inserted_primary_key[0], at=chain.stamp(now))


def kept_originals(connection: Connection) -> Sequence[Row]:
    """Rows of photographs whose original is kept: all that were not thinned."""
    gone = select(t.thinned.c.sha256)
    return connection.execute(select(t.photos).where(t.photos.c.sha256.not_in(gone))).all()
