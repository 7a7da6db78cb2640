"""Open cells and counts of every page, kept beside the entries, so that a list of work needs no look at all of them.

They can always be made again from readings and entries: `rebuild` does, and `stray` says where they differ.
"""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, and_, bindparam, case, delete, func, insert, or_, select, update

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
    """Every reading with the last entry of its cell, if any; entries are gone through once, for all cells together."""
    lasts = select(t.entries.c.page_id, t.entries.c.cell, func.max(t.entries.c.id).label("id"))
    lasts = lasts.group_by(t.entries.c.page_id, t.entries.c.cell).subquery()
    of_cell = and_(lasts.c.page_id == t.readings.c.page_id, lasts.c.cell == t.readings.c.cell)
    source = t.readings.outerjoin(lasts, of_cell).outerjoin(t.entries, t.entries.c.id == lasts.c.id)
    entry = (t.entries.c.id.label("last"), t.entries.c.state, t.entries.c.decided_by)
    return select(t.readings.c.id, t.readings.c.page_id, t.readings.c.flagged, *entry).select_from(source).subquery()


def _is_open_now(now) -> ColumnElement[bool]:
    return or_(now.c.last.is_(None), now.c.state == "withdrawn")


def _counts_of(now):
    """What is counted of a page's cells."""
    is_open = _is_open_now(now)
    return (
        func.sum(now.c.flagged).label("flagged"),
        func.sum(case((is_open, 1), else_=0)).label("open"),
        func.sum(case((and_(~is_open, now.c.decided_by != RULE), 1), else_=0)).label("decided"),
    )


def rebuild(connection: Connection) -> None:
    """Make all counts again from readings and entries."""
    now = _standing()
    opened = select(now.c.id, now.c.page_id, func.coalesce(now.c.last, 0)).where(_is_open_now(now))
    counted = select(now.c.page_id, *_counts_of(now)).group_by(now.c.page_id)
    connection.execute(delete(t.open_cells))
    connection.execute(delete(t.page_counts))
    connection.execute(insert(t.open_cells).from_select(["reading_id", "page_id", "last_entry"], opened))
    connection.execute(insert(t.page_counts).from_select(["page_id", "flagged", "open", "decided"], counted))


def stray(connection: Connection, most: int) -> list[int]:
    """Pages whose counts or open cells are not what readings and entries say, by id; at most so many."""
    now, kept, counts = _standing(), t.open_cells.c, t.page_counts.c
    same = and_(kept.last_entry == func.coalesce(now.c.last, 0), kept.page_id == now.c.page_id)
    good = case((_is_open_now(now), and_(kept.reading_id.is_not(None), same)), else_=kept.reading_id.is_(None))
    found = (
        select(now.c.page_id, *_counts_of(now), func.sum(case((good, 0), else_=1)).label("wrong"))
        .select_from(now.outerjoin(t.open_cells, kept.reading_id == now.c.id))
        .group_by(now.c.page_id)
        .subquery()
    )
    differ = (getattr(counts, name) != func.coalesce(found.c[name], 0) for name in ("flagged", "open", "decided"))
    pages = t.pages.outerjoin(found, found.c.page_id == t.pages.c.id).outerjoin(t.page_counts)
    wrong = or_(counts.page_id.is_(None), found.c.wrong > 0, *differ)
    return list(
        connection.execute(
            select(t.pages.c.id).select_from(pages).where(wrong).order_by(t.pages.c.id).limit(most)
        ).scalars()
    )
