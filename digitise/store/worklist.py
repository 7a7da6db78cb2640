"""Every page of a store with its counts, kept in memory and brought up to date by what was entered since.

Pages are many and change one at a time. Ids grow in the order of commits (one writer at a time), so entries with an id
above the last one seen name the pages to look at again; a new page or assignment makes the whole list anew.
"""

from __future__ import annotations

import threading
from dataclasses import replace

from sqlalchemy import Connection, func, select

from digitise.store import schema as t
from digitise.store.read import Library, rival_key, winners
from digitise.store.rows import PageRow


class WorkList:
    """The pages of one store in working order; safe for several threads."""

    def __init__(self, library: Library):
        self._library, self._lock = library, threading.Lock()
        self._shape: tuple[int, int] | None = None  # last page and assignment seen
        self._entry = 0  # last entry seen
        self._pages: list[PageRow] = []
        self._packs: tuple[tuple[int, int], list[str]] | None = None  # and the last page and assignment seen then
        self._at: dict[int, int] = {}  # where each page is in the list, by id
        self._rivals: dict[tuple, list[int]] = {}  # ids of photographs of one page, by what makes them one

    def pages(self, connection: Connection) -> list[PageRow]:
        """Every page in working order, as `Library.pages` gives them."""
        with self._lock:
            shape = (_last(connection, t.pages), _last(connection, t.assignments))
            entry = _last(connection, t.entries)
            if self._shape is not None and (shape < self._shape or entry < self._entry):
                return self._library.pages(connection)  # this transaction began before the list was made
            if shape != self._shape:
                self._keep(self._library.pages(connection))
            elif entry != self._entry:
                self._refresh(connection)
            self._shape, self._entry = shape, entry
            return list(self._pages)

    def packs(self, connection: Connection) -> list[str]:
        """Every pack in the order they came, without the pages, which are many."""
        with self._lock:
            shape = (_last(connection, t.pages), _last(connection, t.assignments))
            if self._packs is None or shape != self._packs[0]:
                self._packs = (shape, self._library.packs(connection))
            return list(self._packs[1])

    def _keep(self, pages: list[PageRow]) -> None:
        self._pages, self._at, self._rivals = pages, {p.id: i for i, p in enumerate(pages)}, {}
        for page in pages:
            self._rivals.setdefault(rival_key(page), []).append(page.id)

    def _refresh(self, connection: Connection) -> None:
        """Count the pages with new entries again, and settle which photograph counts among their rivals."""
        touched = select(t.entries.c.page_id).where(t.entries.c.id > self._entry)
        keys = set()
        for row in connection.execute(select(t.page_counts).where(t.page_counts.c.page_id.in_(touched))):
            keys.add(self._change(row.page_id, open=row.open, decided=row.decided))
        moved = False
        for key in keys:
            rivals = [self._pages[self._at[i]] for i in self._rivals[key]]
            for page_id, best in winners(rivals).items():
                if self._pages[self._at[page_id]].superseded_by != best:
                    self._change(page_id, superseded_by=best)
                    moved = True
        if moved:
            self._keep(self._library.in_order(connection, self._pages))

    def _change(self, page_id: int, **columns: int | None) -> tuple:
        """Change a page in the list; what makes it one with its rivals."""
        page = replace(self._pages[self._at[page_id]], **columns)
        self._pages[self._at[page_id]] = page
        return rival_key(page)


def _last(connection: Connection, table) -> int:
    return connection.execute(select(func.max(table.c.id))).scalar() or 0
