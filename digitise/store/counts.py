"""Open cells and counts of every page, kept beside the entries, so that a list of work needs no look at all of them.

They can always be made again from readings and entries: `rebuild` does, and `stray` says where they differ.
"""

from __future__ import annotations

from sqlalchemy import Connection, and_, bindparam, case, delete, func, insert, or_, select, union, update

from digitise.store import schema as t
from digitise.store.rows import RULE, EntryRow

# Made once: these run in every decision, under the writing lock.
_CLOSE = delete(t.open_cells).where(t.open_cells.c.reading_id == bindparam("reading"))
_OPEN = insert(t.open_cells)
_COUNT = (
    update(t.page_counts)
    .where(t.page_counts.c.page_id == bindparam("of"))
    .values(
        open=t.page_counts.c.open + bindparam("opened"),
        decided=t.page_counts.c.decided + bindparam("more"),
    )
)


def add_page(connection: Connection, page_id: int) -> None:
    """Count a page that was just recorded: its flagged cells are open."""
    flagged = select(t.readings.c.id, t.readings.c.page_id, 0).filter_by(page_id=page_id, flagged=1)
    connection.execute(insert(t.open_cells).from_select(["reading_id", "page_id", "last_entry"], flagged))
    count = connection.execute(select(func.count()).where(t.open_cells.c.page_id == page_id)).scalar_one()
    connection.execute(insert(t.page_counts).values(page_id=page_id, flagged=count, open=count, decided=0))


def add_entry(connection: Connection, before: EntryRow | None, entry: EntryRow) -> None:
    """Count an entry that was just added after `before`, the cell's last one until then."""
    was_open, is_open = _is_open(before), _is_open(entry)
    if was_open:
        connection.execute(_CLOSE, {"reading": entry.reading_id})
    if is_open:
        connection.execute(_OPEN, {"reading_id": entry.reading_id, "page_id": entry.page_id, "last_entry": entry.id})
    opened, decided = int(is_open) - int(was_open), int(_is_persons(entry)) - int(_is_persons(before))
    if opened or decided:
        connection.execute(_COUNT, {"of": entry.page_id, "opened": opened, "more": decided})


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
    columns = (func.sum(now.c.flagged).label("flagged"), opened.label("open"), decided.label("decided"))
    return select(now.c.page_id, *columns).group_by(now.c.page_id)


def rebuild(connection: Connection) -> None:
    """Make all counts again from readings and entries."""
    connection.execute(delete(t.open_cells))
    connection.execute(delete(t.page_counts))
    connection.execute(insert(t.open_cells).from_select(["reading_id", "page_id", "last_entry"], _open_now()))
    connection.execute(insert(t.page_counts).from_select(["page_id", "flagged", "open", "decided"], _counts_now()))


def stray(connection: Connection, most: int) -> list[int]:
    """Pages whose counts or open cells are not what readings and entries say, by id; at most so many."""
    now, kept, counted, counts = _standing(), t.open_cells.c, _counts_now().subquery(), t.page_counts.c
    is_open = or_(now.c.last.is_(None), now.c.state == "withdrawn")
    differs = or_(kept.last_entry != func.coalesce(now.c.last, 0), kept.page_id != now.c.page_id)
    cells = (
        select(now.c.page_id)
        .select_from(now.outerjoin(t.open_cells, kept.reading_id == now.c.id))
        .where(
            or_(and_(is_open, or_(kept.reading_id.is_(None), differs)), and_(~is_open, kept.reading_id.is_not(None)))
        )
    )
    one, other = (counts.flagged, counts.open, counts.decided), (counted.c.flagged, counted.c.open, counted.c.decided)
    wrong = or_(counts.page_id.is_(None), *(a != func.coalesce(b, 0) for a, b in zip(one, other, strict=True)))
    numbers = (
        select(t.pages.c.id)
        .select_from(t.pages.outerjoin(counted, counted.c.page_id == t.pages.c.id).outerjoin(t.page_counts))
        .where(wrong)
    )
    found = union(cells, numbers).subquery()
    return list(connection.execute(select(found.c.page_id).order_by(found.c.page_id).limit(most)).scalars())
