"""Leases: which open cells a clerk's browser is looking at, so that two clerks are not shown the same one.

A lease is a courtesy with an end, not a lock: deciding needs none, and `Store.decide` with `last_seen` refuses whoever
comes second. `client` names the browser. A decision by the same client ends the lease.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, bindparam, delete, insert, select

from digitise.store import schema as t
from digitise.store.chain import stamp
from digitise.store.engine import Database
from digitise.store.values import person

_END_ANY = delete(t.leases).where(t.leases.c.page_id == bindparam("of"), t.leases.c.cell == bindparam("named"))
_END_OWN = _END_ANY.where(t.leases.c.client == bindparam("whose"))
LEASE_SECONDS = 120
LONGEST_SECONDS = 600  # a lease that ends later than this was made by a clock that has been put back since


@dataclass(frozen=True, slots=True)
class Lease:
    """A cell that `by` is looking at in the browser `client`, until `expires_at` unless renewed."""

    page_id: int
    cell: str
    client: str
    by: str
    taken_at: str
    expires_at: str


class Leases:
    """Leases of one store."""

    def __init__(self, database: Database):
        self._database = database

    def take_free(
        self,
        cells: Sequence[tuple[int, str]],
        *,
        by: str,
        client: str,
        now: datetime,
        most: int | None = None,
        also_from: Collection[str] = (),
    ) -> list[Lease]:
        """Lease those of ``(page id, cell)`` that no other client holds, in the order given, at most `most`.

        This client's other leases end. Cells held by clients in `also_from` are taken over.

        `ValueError` without the name of a browser.
        """
        if not client:
            raise ValueError("a lease needs the name of the browser that holds it")
        who, ends = person(by), now + timedelta(seconds=LEASE_SECONDS)
        given: list[Lease] = []
        with self._database.write() as connection:
            held = _held(connection, now, {page for page, _ in cells})
            for page_id, cell in cells:
                if len(given) == most:
                    break
                before = held.get((page_id, cell))
                if before is None or before.client == client or before.client in also_from:
                    given.append(Lease(page_id, cell, client, who, stamp(now), stamp(ends)))
            connection.execute(delete(t.leases).filter_by(client=client))
            connection.execute(delete(t.leases).where(t.leases.c.expires_at <= stamp(now)))
            if given:
                rows = [{name: getattr(lease, name) for name in Lease.__slots__} for lease in given]
                connection.execute(_END_ANY, [{"of": row["page_id"], "named": row["cell"]} for row in rows])
                connection.execute(insert(t.leases), rows)
        return given

    def held(self, *, now: datetime) -> dict[tuple[int, str], Lease]:
        """Leases that hold at `now`, by (page id, cell)."""
        with self._database.read() as connection:
            return _held(connection, now, None)

    def release(self, *, client: str) -> None:
        """End a client's leases."""
        with self._database.write() as connection:
            connection.execute(delete(t.leases).filter_by(client=client))


def end(connection: Connection, page_id: int, cell: str, client: str) -> None:
    """End a client's lease of a cell that it has just decided."""
    if client:
        connection.execute(_END_OWN, {"of": page_id, "named": cell, "whose": client})


def _holding(now: datetime) -> tuple[ColumnElement[bool], ...]:
    last = stamp(now + timedelta(seconds=LONGEST_SECONDS))
    return t.leases.c.expires_at > stamp(now), t.leases.c.expires_at <= last


def _held(connection: Connection, now: datetime, pages: Iterable[int] | None) -> dict[tuple[int, str], Lease]:
    query = select(*(t.leases.c[name] for name in Lease.__slots__)).where(*_holding(now))
    if pages is not None:
        query = query.where(t.leases.c.page_id.in_(pages))
    return {(row.page_id, row.cell): Lease(*row) for row in connection.execute(query)}
