"""Open cells and counts of every page, kept beside the entries, so that a list of work needs no look at all of them.

They can always be made again from readings and entries: `rebuild` does, and `stray` says where they differ.
"""

from __future__ import annotations

from sqlalchemy import Connection, and_, case, delete, func, insert, or_, select, update

from digitise.store import schema as t
from digitise.store.rows import RULE, EntryRow


def add_page(connection: Connection, page_id: int) -> None:
    """Count a page that was just recorded: its flagged cells are open."""
    flagged = select(t.readings.c.id, t.readings.c.page_id, 0).filter_by(page_id=page_id, flagged=1)
    connection.execute(insert(t.open_cells).from_select(["reading_id", "page_id", "last_entry"], flagged))
    count = connection.execute(select(func.count()).where(t.open_cells.c.page_id == page_id)).scalar_one()
    connection.execute(insert(t.page_counts).values(page_id=page_id, flagged=count, open=count, decided=0))


def add_entry(connection: Connection, before: EntryRow | None, entry: EntryRow) -> None:
    """Count an entry that was just added after `before`, the cell's last one until then."""
    connection.execute(delete(t.open_cells).filter_by(reading_id=entry.reading_id))
    if _is_open(entry):
        connection.execute(
            insert(t.open_cells).values(reading_id=entry.reading_id, page_id=entry.page_id, last_entry=entry.id)
        )
    opened = int(_is_open(entry)) - int(_is_open(before))
    decided = int(_is_persons(entry)) - int(_is_persons(before))
    counts = t.page_counts
    connection.execute(
        update(counts)
        .filter_by(page_id=entry.page_id)
        .values(open=counts.c.open + opened, decided=counts.c.decided + decided)
    )


def _is_open(entry: EntryRow | None) -> bool:
    return entry is None or entry.state == "withdrawn"


def _is_persons(entry: EntryRow | None) -> bool:
    return entry is not None and entry.state != "withdrawn" and entry.decided_by != RULE


def _standing():
    """Every reading with the last entry of its cell, if any."""
    later = t.entries.alias()
    beside = and_(later.c.page_id == t.readings.c.page_id, later.c.cell == t.readings.c.cell)
    last = select(func.max(later.c.id)).where(beside).correlate(t.readings).scalar_subquery()
    source = t.readings.outerjoin(t.entries, t.entries.c.id == last)
    entry = (t.entries.c.id.label("last"), t.entries.c.state, t.entries.c.decided_by)
    return select(t.readings.c.id, t.readings.c.page_id, t.readings.c.flagged, *entry).select_from(source).subquery()


def _open_now():
    now = _standing()
    is_open = or_(now.c.last.is_(None), now.c.state == "withdrawn")
    return select(now.c.id, now.c.page_id, func.coalesce(now.c.last, 0)).where(is_open)


def _counts_now():
    now = _standing()
    is_open = or_(now.c.last.is_(None), now.c.state == "withdrawn")
    opened = func.sum(case((is_open, 1), else_=0))
    decided = func.sum(case((and_(~is_open, now.c.decided_by != RULE), 1), else_=0))
    return select(now.c.page_id, func.sum(now.c.flagged), opened, decided).group_by(now.c.page_id)


def rebuild(connection: Connection) -> None:
    """Make all counts again from readings and entries."""
    connection.execute(delete(t.open_cells))
    connection.execute(delete(t.page_counts))
    connection.execute(insert(t.open_cells).from_select(["reading_id", "page_id", "last_entry"], _open_now()))
    connection.execute(insert(t.page_counts).from_select(["page_id", "flagged", "open", "decided"], _counts_now()))


def stray(connection: Connection) -> list[int]:
    """Pages whose counts or open cells are not what readings and entries say, by id."""
    cells = {tuple(row) for row in connection.execute(_open_now())}
    kept = {
        tuple(row) for row in connection.execute(select(*_ordered(t.open_cells, "reading_id", "page_id", "last_entry")))
    }
    counts = {tuple(row) for row in connection.execute(_counts_now())}
    counted = {
        tuple(row)
        for row in connection.execute(select(*_ordered(t.page_counts, "page_id", "flagged", "open", "decided")))
    }
    return sorted({row[1] for row in cells ^ kept} | {row[0] for row in counts ^ counted})


def _ordered(table, *names: str):
    return [table.c[name] for name in names]
