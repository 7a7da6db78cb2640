"""Every page of a store with its counts, kept in memory and brought up to date by what was entered since.

Pages are many and change one at a time. Ids grow in the order of commits (one writer at a time), so entries with an id
above the last one seen name the pages to look at again; a new page or assignment makes the whole list anew.
"""

from __future__ import annotations

import threading
from dataclasses import replace

from sqlalchemy import Connection, func, select

from digitise.store import schema as t
from digitise.store.read import Library, winners
from digitise.store.rows import PageRow


class WorkList:
    """The pages of one store in working order; safe for several threads."""

    def __init__(self, library: Library):
        self._library, self._lock = library, threading.Lock()
        self._shape: tuple[int, int] | None = None  # last page and assignment seen
        self._entry = 0  # last entry seen
        self._pages: list[PageRow] = []

    def pages(self, connection: Connection) -> list[PageRow]:
        """Every page in working order, as `Library.pages` gives them."""
        with self._lock:
            shape = (_last(connection, t.pages), _last(connection, t.assignments))
            entry = _last(connection, t.entries)
            if self._shape is not None and (shape < self._shape or entry < self._entry):
                return self._library.pages(connection)  # this transaction began before the list was made
            if shape != self._shape:
                self._pages = self._library.pages(connection)
            elif entry != self._entry:
                self._refresh(connection)
            self._shape, self._entry = shape, entry
            return list(self._pages)

    def _refresh(self, connection: Connection) -> None:
        """Count the pages with new entries again, and settle which photograph counts among their rivals."""
        touched = select(t.entries.c.page_id).where(t.entries.c.id > self._entry)
        query = select(t.page_counts).where(t.page_counts.c.page_id.in_(touched))
        counts = {row.page_id: row for row in connection.execute(query)}
        self._pages = [
            replace(p, open=counts[p.id].open, decided=counts[p.id].decided) if p.id in counts else p
            for p in self._pages
        ]
        settled = winners(self._pages)
        moved = {p.id for p in self._pages if p.superseded_by != settled[p.id]}
        if moved:
            rows = [replace(p, superseded_by=settled[p.id]) if p.id in moved else p for p in self._pages]
            self._pages = self._library.in_order(connection, rows)


def _last(connection: Connection, table) -> int:
    return connection.execute(select(func.max(table.c.id))).scalar() or 0
