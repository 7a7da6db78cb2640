"""Where a store's history stood at some moment, and which packs something was added to since.

Ids grow in the order of commits, since a write holds the store's only writing lock. So whatever has an id above those
of a mark was added after it. A mark also holds a digest of its last rows: in another store, or in one put back from a
backup, these rows are not there or are others, and the mark is of no use.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

from sqlalchemy import Connection, and_, func, select

from digitise.store import schema as t
from digitise.store.chain import digest

_TABLES = {"page": t.pages, "assignment": t.assignments, "entry": t.entries}


@dataclass(frozen=True, slots=True)
class Mark:
    """The last id of each table that a survey rests on (0 for none), and a digest of these rows."""

    page: int
    assignment: int
    entry: int
    rows: str

    def to_json(self) -> dict:
        """As JSON."""
        return asdict(self)


def mark_now(connection: Connection) -> Mark:
    """The present moment."""
    last = {n: connection.execute(select(func.max(table.c.id))).scalar() or 0 for n, table in _TABLES.items()}
    return Mark(**last, rows=_digest(connection, last))


def holds(connection: Connection, mark: Mark) -> bool:
    """Whether the rows that were the last ones at this mark are still there, as they were."""
    return _digest(connection, {n: getattr(mark, n) for n in _TABLES}) == mark.rows


def _digest(connection: Connection, last: dict[str, int]) -> str:
    rows = []
    for name, table in _TABLES.items():
        row = connection.execute(select(table).where(table.c.id == last[name])).first()
        rows.append([name, dict(row._mapping) if row else None])
    return digest(rows)


def packs_since(connection: Connection, mark: Mark) -> set[str]:
    """Every pack that a page read, assigned or entered on since then belongs to, or belonged to before."""
    p, a = t.pages.c, t.assignments.c
    entered = select(t.entries.c.page_id).where(t.entries.c.id > mark.entry)
    assigned = t.pages.alias()
    moved = select(assigned.c.sha256).join(t.assignments, a.page_id == assigned.c.id).where(a.id > mark.assignment)
    touched = select(p.sha256).where((p.id > mark.page) | p.id.in_(entered) | p.sha256.in_(moved)).distinct()
    printed = select(p.pack).where(p.sha256.in_(touched))
    given = select(a.pack).join(t.pages, and_(p.id == a.page_id, p.sha256.in_(touched)))
    found = {pack for query in (printed, given) for pack in connection.execute(query).scalars()}
    return {pack for pack in found if pack}
