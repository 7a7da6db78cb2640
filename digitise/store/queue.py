"""Open cells of pages in working order, as many as are wanted and hardly more, inside a transaction of the caller's.

Every page knows how many of its cells are open, so only the pages that are needed are looked into, however many wait.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import islice

from sqlalchemy import Connection

from digitise.store.layouts import names_of
from digitise.store.read import Library, open_by_reasons, open_readings
from digitise.store.rows import PageRow, Progress, QueueItem

_CELLS_AT_ONCE = 5000
_PAGES_AT_ONCE = 500


def open_cells(
    connection: Connection,
    library: Library,
    pages: Iterable[PageRow],
    *,
    reason: str | None = None,
    keys: Collection[tuple[int, str]] | None = None,
    limit: int | None = None,
) -> list[QueueItem]:
    """Open cells of those of `pages` that count and were read, with this reason where one is named; at most `limit`.

    `keys` are those of ``(page id, cell)`` to look among.
    """
    asked = None if keys is None else {page for page, _ in keys}
    waiting = (p for p in pages if p.to_review and (asked is None or p.id in asked))
    items = (
        library.layout(connection, page.layout_digest).queue_item(page, row)
        for some in _portions(waiting, _CELLS_AT_ONCE if limit is None else limit)
        for page, row in _rows(connection, some)
        if keys is None or (page.id, row.cell) in keys
    )
    return list(islice((item for item in items if reason in (None, *item.reason_names)), limit))


def reasons(connection: Connection, pages: Iterable[PageRow]) -> dict[str, int]:
    """How many open cells of those of `pages` that count have each reason."""
    found: Counter[str] = Counter()
    waiting = [p.id for p in pages if p.to_review]
    for i in range(0, len(waiting), _PAGES_AT_ONCE):
        for names, cells in connection.execute(open_by_reasons(waiting[i : i + _PAGES_AT_ONCE])):
            found.update(dict.fromkeys(names_of(names), cells))
    return dict(found)


def _portions(pages: Iterable[PageRow], cells: int) -> Iterator[list[PageRow]]:
    """Pages in portions, the first with about so many open cells, each next one with twice as many."""
    some: list[PageRow] = []
    held = 0
    for page in pages:
        some.append(page)
        held += page.open
        if held >= cells or len(some) == _PAGES_AT_ONCE:
            yield some
            some, held, cells = [], 0, min(2 * cells, _CELLS_AT_ONCE)
    if some:
        yield some


def _rows(connection: Connection, pages: Sequence[PageRow]) -> Iterator[tuple]:
    """Each open reading of these pages with its page."""
    found: dict[int, list] = {page.id: [] for page in pages}
    for row in connection.execute(open_readings(list(found))):
        found[row.page_id].append(row)
    return ((page, row) for page in pages for row in found[page.id])


def progress_of(pages: Iterable[PageRow], *, photos: int, refused: int) -> Progress:
    """Cells of those of `pages` that count, beside photographs kept and refused."""
    counting = [p for p in pages if not p.superseded]
    open_, decided = sum(p.open for p in counting), sum(p.decided for p in counting)
    to_key = open_ - sum(p.to_review for p in counting)
    return Progress(open_, decided, sum(p.cells for p in counting) - open_ - decided, photos, refused, to_key)
