"""Sign-offs: a person vouches for a survey as it stands, and that state is frozen beside their words.

The frozen content is every cell of the pages that count, with state, value, decider and entry, as canonical JSON; its
SHA-256 is the digest. An entry made later changes the digest, so that the sign-off no longer covers the survey.
"""

from __future__ import annotations

import json
from dataclasses import astuple, dataclass
from datetime import datetime

from sqlalchemy import Connection, Select, func, insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.read import Library, current_entries
from digitise.store.rows import ChangedMeanwhile, PageRow, StoreError
from digitise.store.values import person, written
from digitise.wording import plural

ASK = "say in a few words what you vouch for, or what changed since the last version and why"
LONGEST_STATEMENT = 2000


@dataclass(frozen=True, slots=True)
class SignOff:
    """Version `version` of a pack's survey, signed. `current` tells whether the survey is still as it was then."""

    id: int
    pack: str
    version: int
    by: str
    at: str
    statement: str
    digest: str
    current: bool


@dataclass(frozen=True, slots=True)
class FrozenCell:
    """A cell as it was signed; `sha256` is the photograph's, `entry` the id of the entry in force."""

    sha256: str
    sheet: str
    page: int
    transect: int
    cell: str
    state: str
    value: object
    by: str
    entry: int


class SignOffs:
    """Sign-offs of one store."""

    def __init__(self, database: Database, library: Library):
        self._database, self._library = database, library

    def digest(self, pack: str) -> str:
        """Digest of a pack's survey as it stands now; goes into `sign` as what the signer saw."""
        with self._database.read() as connection:
            return self.digest_in(connection, pack)

    def digest_in(self, connection: Connection, pack: str) -> str:
        """The same inside a caller's transaction."""
        return chain.digest(self._content(connection, pack)[0])

    def sign(self, pack: str, *, statement: str, by: str, now: datetime, digest: str) -> SignOff:
        """Freeze a pack's survey and sign it; `digest` is of what the signer was shown.

        Signing the same state with the same words again changes nothing.

        Raises
        ------
        ChangedMeanwhile
            An entry was made since `digest` was taken.
        StoreError
            The pack has no sheet, or cells that nobody has decided.
        """
        who, words = person(by), written("statement", statement, LONGEST_STATEMENT, ask=ASK)
        with self._database.write() as connection:
            content, open_cells = self._content(connection, pack)
            if not content:
                raise StoreError(f"no sheet of pack {pack} has been read, so there is nothing to sign")
            if open_cells:
                waits = plural(open_cells, "cell still waits", "cells still wait")
                raise StoreError(f"pack {pack}: {waits} for a decision; decide them, then sign")
            if chain.digest(content) != digest:
                raise ChangedMeanwhile(f"pack {pack} was changed since you looked at it; look again, then sign")
            known = connection.execute(
                select(t.signoffs.c.id).filter_by(pack=pack, digest=digest, statement=words, by=who)
            ).scalar()
            signed = known or self._add(connection, pack, content, statement=words, by=who, at=chain.stamp(now))
        return next(s for s in self.of(pack) if s.id == signed)

    def _add(self, connection: Connection, pack: str, content: list, **columns) -> int:
        last = connection.execute(select(func.max(t.signoffs.c.version)).filter_by(pack=pack)).scalar()
        text = chain.canonical(content).decode()
        new = insert(t.signoffs).values(
            pack=pack, version=(last or 0) + 1, digest=chain.digest(content), content=text, **columns
        )
        signed = connection.execute(new).inserted_primary_key[0]
        chain.seal(connection, t.signoffs, signed, at=columns["at"])
        return signed

    def of(self, pack: str) -> list[SignOff]:
        """Sign-offs of a pack, oldest first."""
        columns = [t.signoffs.c[name] for name in SignOff.__slots__ if name != "current"]
        with self._database.read() as connection:
            rows = connection.execute(select(*columns).filter_by(pack=pack).order_by(t.signoffs.c.id)).all()
            now = chain.digest(self._content(connection, pack)[0]) if rows else ""
        return [SignOff(*row, current=row.digest == now) for row in rows]

    def frozen(self, signoff_id: int) -> list[FrozenCell]:
        """The cells of a sign-off as they were signed; `StoreError` when there is none with this id."""
        with self._database.read() as connection:
            content = connection.execute(select(t.signoffs.c.content).filter_by(id=signoff_id)).scalar()
        if content is None:
            raise StoreError(f"there is no sign-off {signoff_id}")
        return [FrozenCell(*cell) for cell in json.loads(content)]

    def cells(self, pack: str) -> list[FrozenCell]:
        """The cells of a pack's survey as they would be signed now."""
        with self._database.read() as connection:
            return [FrozenCell(*cell) for cell in self._content(connection, pack)[0]]

    def _content(self, connection: Connection, pack: str) -> tuple[list[list], int]:
        """(every cell as it stands, how many are open)."""
        out, open_cells = [], 0
        for page in self._library.pages(connection, packs=[pack]):
            if page.superseded:
                continue
            open_cells += page.open
            cells = frozen_cells(connection, page, current_entries(t.entries.c.page_id == page.id))
            out += [list(astuple(cell)) for cell in cells]
        return out, open_cells


def frozen_cells(connection: Connection, page: PageRow, entries: Select) -> list[FrozenCell]:
    """Every cell of a page, in the reader's order, as `entries` (one at most of a cell) have it."""
    where = (page.sha256, page.sheet, page.page, page.transect or 0)
    last = {e.cell: e for e in connection.execute(entries)}
    read = connection.execute(select(t.readings.c.cell).filter_by(page_id=page.id).order_by(t.readings.c.id))
    return [FrozenCell(*where, *_frozen(cell, last.get(cell))) for cell in read.scalars()]


def _frozen(cell: str, entry) -> list:
    if entry is None or entry.state == "withdrawn":
        return [cell, "unread", None, "", entry.id if entry else 0]
    return [cell, entry.state, json.loads(entry.value), entry.decided_by, entry.id]
