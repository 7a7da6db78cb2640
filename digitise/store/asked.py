"""Cells that somebody asks a colleague about: who asked, when, and their remark. The cell stays open until decided.

Remarks are only added. Taking a question back is a row too; what was asked before it is history.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select

from digitise.store import chain, leases
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.read import Library
from digitise.store.rows import StoreError
from digitise.store.values import person, written

LONGEST_REMARK = 300
NO_REMARK = "please look at this one"


@dataclass(frozen=True, slots=True)
class Remark:
    """What somebody asked or answered about a cell."""

    id: int
    page_id: int
    cell: str
    remark: str
    by: str
    at: str


class Asked:
    """Questions about cells of one store."""

    def __init__(self, database: Database, library: Library):
        self._database, self._library = database, library

    def ask(
        self, page_id: int, cell: str, *, remark: str, by: str, now: datetime, client: str = "", seq: int = 0
    ) -> Remark:
        """Ask about a cell, or add a remark; ``(client, seq)`` names a key press, which asks once.

        Raises
        ------
        ValueError
            There is no such cell, or the remark is too long.
        """
        words = written("remark", remark, LONGEST_REMARK) if remark.strip() else NO_REMARK
        return self._add(page_id, cell, "asked", words, by=by, now=now, client=client, seq=seq)

    def take_back(self, page_id: int, cell: str, *, by: str, now: datetime, client: str = "", seq: int = 0) -> None:
        """Take the questions about a cell back; `StoreError` when there are none."""
        if (page_id, cell) not in self.waiting() and not self._sent(client, seq):
            raise StoreError("nobody asks about this cell any more")
        self._add(page_id, cell, "taken back", "", by=by, now=now, client=client, seq=seq)

    def waiting(self) -> dict[tuple[int, str], tuple[Remark, ...]]:
        """Remarks by (page id, cell) of every cell that was asked about, oldest first, whether decided since or not."""
        rows = t.asked_cells
        with self._database.read() as connection:
            found = connection.execute(select(rows).order_by(rows.c.id)).all()
        out: dict[tuple[int, str], tuple[Remark, ...]] = {}
        for row in found:
            key = (row.page_id, row.cell)
            if row.state == "asked":
                out[key] = (*out.get(key, ()), Remark(row.id, row.page_id, row.cell, row.remark, row.by, row.at))
            else:
                out.pop(key, None)
        return out

    def _sent(self, client: str, seq: int) -> bool:
        with self._database.read() as connection:
            return _by_press(connection, client, seq) is not None

    def _add(self, page_id: int, cell: str, state: str, remark: str, *, by: str, now: datetime, client: str, seq: int):
        new = {"page_id": page_id, "cell": cell, "state": state, "remark": remark, "by": person(by)}
        at, rows = chain.stamp(now), t.asked_cells
        with self._database.write() as connection:
            self._library.layout_of(connection, page_id).cell(cell)
            row = _by_press(connection, client, seq)
            if row is None:
                added = connection.execute(insert(rows).values(at=at, client=client, seq=seq, **new))
                chain.seal(connection, rows, added.inserted_primary_key[0], at=at)
                row = connection.execute(select(rows).filter_by(id=added.inserted_primary_key[0])).one()
            leases.end(connection, page_id, cell, client)
        return Remark(row.id, row.page_id, row.cell, row.remark, row.by, row.at)


def _by_press(connection: Connection, client: str, seq: int):
    """The row of one key press, None without; a press without a browser's name is never the same as another."""
    if not client:
        return None
    return connection.execute(select(t.asked_cells).filter_by(client=client, seq=seq)).first()
