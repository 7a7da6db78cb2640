"""Everything the tool keeps: photographs, what was read in them, and what people entered.

``FOLDER/originals/``, or a bucket, holds the photographs by SHA-256, never written over; ``FOLDER/pages/`` the
flattened pages. Rows are in ``FOLDER/digitise.db``, or in the PostgreSQL database that ``DIGITISE_STORE`` names.
Readings never change. Entries are only added, each with who, when, why and from which reading; the last entry of a cell
is its present state. The clock is always passed in as `now`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from sqlalchemy import Connection, select

from digitise.reader.reading import PhotoResult, Value
from digitise.sheets.layout import Cell, Layout
from digitise.sheets.protocol import Protocol
from digitise.store import assigning, entries, queue
from digitise.store import schema as t
from digitise.store import write as w
from digitise.store.asked import Asked
from digitise.store.audits import Audits
from digitise.store.chain import stamp
from digitise.store.engine import Database
from digitise.store.files import encode_page, write_once
from digitise.store.findings import Findings
from digitise.store.handovers import HandOvers
from digitise.store.kept_files import KeptFiles
from digitise.store.keyed import ByHand
from digitise.store.leases import Leases
from digitise.store.marks import Mark, mark_now
from digitise.store.opening import open_database, store_name
from digitise.store.originals import FolderOriginals, Originals, originals_of, wanted_bucket
from digitise.store.people import People
from digitise.store.read import cells_now, photo_rows, photos_kept
from digitise.store.rows import (
    CellNow,
    EntryRow,
    PageRow,
    PhotoRow,
    Progress,
    QueueItem,
    ReadingRow,
)
from digitise.store.signoffs import SignOffs
from digitise.store.strangers import Strangers
from digitise.store.tries import WrongTries
from digitise.store.values import person, settled
from digitise.store.worklist import WorkList


class Store(KeptFiles):
    """One folder of photographs, readings and entries. Safe for several threads and processes; close it when done.

    `leases`, `audits`, `signoffs`, `findings`, `asked`, `handovers`, `people`, `thinned`, `tries`, `strangers` and
    `by_hand` each keep one more idea in the same database.
    """

    def __init__(self, folder: Path, database: Database, originals: Originals | None = None):
        super().__init__(folder, database, originals or FolderOriginals(folder))
        self._worklist = WorkList(self._library)
        self.leases = Leases(database)
        self.audits = Audits(database, self._library)
        self.signoffs = SignOffs(database, self._library)
        self.findings = Findings(database)
        self.handovers = HandOvers(database, self._library, self.signoffs)
        self.people = People(database)
        self.asked = Asked(database, self._library)
        self.tries = WrongTries(database)
        self.strangers = Strangers(self.findings)
        self.by_hand = ByHand(folder, database, self._library)

    @classmethod
    def open(cls, folder: Path | str, *, database: str | None = None, now: datetime | None = None) -> Store:
        """Open the store in `folder`, making it where it is missing and bringing an older one up to date.

        `database` is the address of a PostgreSQL database; by default the one that ``DIGITISE_STORE`` names, or else
        SQLite in the folder. Photographs of a new store go where ``DIGITISE_ORIGINALS`` says, or else into the folder.

        Raises
        ------
        StoreError
            The folder cannot be made or written in, its database is not ours, or its photographs are elsewhere.
        """
        folder = Path(folder)
        opened = open_database(folder, now=now or datetime.now(UTC), url=database)
        try:
            return cls(folder, opened, originals_of(folder, opened, wanted=wanted_bucket()))
        except BaseException:
            opened.close()
            raise

    @cached_property
    def name(self) -> str:
        """The name that the store was given when it was made; it stays with the database."""
        return store_name(self.database)

    def close(self) -> None:
        """Let go of the database; the store can not be used afterwards."""
        self.database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_error) -> None:
        self.close()

    # What was read in photographs

    def record(
        self,
        result: PhotoResult,
        protocol: Protocol | None,
        *,
        now: datetime,
        reader_version: str | None = None,
        acceptance_basis: str | None = None,
    ) -> int | None:
        """Store what a photograph of one sheet says; returns the page's id, or None where it was refused.

        See `record_all`.
        """
        own = {"reader_version": reader_version, "acceptance_basis": acceptance_basis}
        return self.record_all([result], lambda _layout: protocol, now=now, **own)[0]

    def record_all(
        self,
        results: Sequence[PhotoResult],
        home: Callable[[Layout], Protocol | None],
        *,
        now: datetime,
        reader_version: str | None = None,
        acceptance_basis: str | None = None,
        doubts: w.Doubts | None = None,
    ) -> list[int | None]:
        """Store what a photograph says of each sheet in it: all at once, or nothing where that is interrupted.

        `home` gives the protocol that a layout is of. Returns the pages' ids, None for a sheet that was refused. The
        same photograph, reader version and page layout again change nothing. Readings that are not flagged become
        entries by "rule", and of these `doubts` opens again what it finds. A result without a SHA-256 (the file could
        not be opened) leaves no trace.

        Raises
        ------
        StoreError
            The photograph was not kept first, or a protocol is not the one its sheet was printed from.
        """
        version = reader_version or w.reader_version()
        basis = w.shipped_basis() if acceptance_basis is None else acceptance_basis
        new = [w.new_sheet(result, home, version, basis, stamp(now)) for result in results if result.sha256]
        if not new:
            return [None] * len(results)
        with self.database.read() as connection:
            known = [sheet.known(connection) for sheet in new]
        jpegs = [self._page_image(sheet) if it is None else b"" for sheet, it in zip(new, known, strict=True)]
        with self.database.write() as connection:
            ids = [sheet.add(connection, jpeg) for sheet, jpeg in zip(new, jpegs, strict=True)]
            for page_id in ids if doubts else ():
                if page_id is not None:
                    w.open_doubts(connection, self._library, page_id, doubts, at=stamp(now))
        return ids

    def _page_image(self, sheet: w.NewSheet) -> bytes:
        """The flattened page, written beside those before it; nothing for a sheet that was refused."""
        if sheet.result.page is None:
            return b""
        jpeg = encode_page(sheet.result.page.image)
        write_once(self.folder / "pages" / sheet.image(jpeg), jpeg, incoming=self.folder / "incoming")
        return jpeg

    def photos(self) -> list[PhotoRow]:
        """Every kept photograph, in the order they came."""
        with self.database.read() as connection:
            return photo_rows(connection)

    def photos_and_pages(self) -> tuple[list[PhotoRow], dict[int, PageRow]]:
        """Every kept photograph and every page by id, of one moment: all pages that the photographs name are there."""
        with self.database.read() as connection:
            return photo_rows(connection), {page.id: page for page in self._pages(connection, None)}

    def pages(self, pack: str | None = None) -> list[PageRow]:
        """Pages in working order: by pack, transect, sheet, page; those without a pack last; superseded ones too."""
        with self.database.read() as connection:
            return self._pages(connection, pack)

    def _pages(self, connection: Connection, pack: str | None) -> list[PageRow]:
        return self._worklist.pages(connection) if pack is None else self._library.pages(connection, packs=[pack])

    def pages_of(self, packs: Collection[str], until: Mark) -> list[PageRow]:
        """Pages of some packs in working order, each where it was at a mark; those that came later are not there."""
        with self.database.read() as connection:
            return self._library.pages(connection, packs=packs, until=until)

    def mark(self) -> Mark:
        """The present moment of the history."""
        with self.database.read() as connection:
            return mark_now(connection)

    def page(self, page_id: int) -> PageRow:
        """One page; `StoreError` when there is none with this id."""
        with self.database.read() as connection:
            return self._library.page(connection, page_id)

    def packs(self) -> list[str]:
        """Packs (surveys) with at least one page, in the order they came."""
        with self.database.read() as connection:
            return self._worklist.packs(connection)

    def cells(self, page_id: int) -> tuple[Cell, ...]:
        """The page's cells as they were printed, in reading order; `StoreError` when there is no such page."""
        with self.database.read() as connection:
            return self._library.layout_of(connection, page_id).cells

    def protocol_for(self, page: PageRow | int) -> Protocol:
        """The protocol that a page was read by, as it was then."""
        digest = (page if isinstance(page, PageRow) else self.page(page)).protocol_digest
        with self.database.read() as connection:
            return self._library.protocol(connection, digest)

    def readings(self, page_id: int) -> list[ReadingRow]:
        """What the reader read on a page, in the layout's order."""
        with self.database.read() as connection:
            layout = self._library.layout_of(connection, page_id)
            rows = connection.execute(
                select(t.readings).where(t.readings.c.page_id == page_id).order_by(t.readings.c.id)
            ).all()
        return [layout.reading_row(row) for row in rows]

    # What people entered

    def entries(self, page_id: int) -> dict[str, list[EntryRow]]:
        """Entries by cell, oldest first; the last one is current. Cells nobody has decided are not in it."""
        with self.database.read() as connection:
            return entries.by_cell(connection, page_id)

    def current(self, page_id: int) -> dict[str, CellNow]:
        """Every cell of a page with its present state, in the layout's order."""
        return self.current_pages([page_id])[page_id]

    def current_pages(self, page_ids: Iterable[int]) -> dict[int, dict[str, CellNow]]:
        """The same for several pages at once, by page."""
        with self.database.read() as connection:
            return cells_now(connection, self._library.layouts_of(connection, page_ids))

    def decide(
        self,
        page_id: int,
        cell: str,
        *,
        value: Value,
        state: str,
        by: str,
        now: datetime,
        why: str = "",
        client: str = "",
        seq: int = 0,
        last_seen: int | None = None,
    ) -> EntryRow:
        """Enter a cell: `state` is entered (with a value), blank or illegible (without).

        ``(client, seq)`` names one key press of one browser: sent again, the first entry comes back and nothing is
        added. With `last_seen` (the id of the last entry shown, 0 for none) the entry is refused when someone else
        entered the cell meanwhile. A tick box found blank is entered as no.

        Raises
        ------
        ChangedMeanwhile
            See `last_seen`.
        ValueError
            The cell cannot hold the value, or the page has no such cell.
        """
        press = entries.KeyPress(person(by), stamp(now), client, seq)
        why = " ".join(why.split()) or "compared with the photograph"
        with self.database.read() as connection:
            spec = self._library.layout_of(connection, page_id).cell(cell)
            wish = entries.Wish(page_id, spec, press, *settled(spec, state, value), why, last_seen)
            if (sent := entries.done_or_refused(connection, wish)) is not None:
                return sent
        with self.database.write() as connection:
            return entries.decide(connection, wish)

    def undo(
        self,
        page_id: int,
        cell: str,
        *,
        by: str,
        now: datetime,
        client: str = "",
        seq: int = 0,
        last_seen: int | None = None,
    ) -> EntryRow:
        """Take back the entry that holds now; what held before holds again, or the cell is open. Nothing is deleted.

        Raises
        ------
        ChangedMeanwhile
            With `last_seen`, as in `decide`.
        ValueError
            There is nothing to take back.
        """
        press = entries.KeyPress(person(by), stamp(now), client, seq)
        with self.database.write() as connection:
            spec = self._library.layout_of(connection, page_id).cell(cell)
            return entries.undo(connection, page_id, spec, press, last_seen=last_seen)

    def assign(self, page_id: int, pack: str, transect: int, by: str, now: datetime) -> None:
        """Say which pack and transect a page belongs to (0 for a sheet of the whole survey); an appended record.

        Raises
        ------
        ValueError
            Not a pack's name, no such transect, or the pack is of another protocol.
        """
        who, pack = person(by), assigning.checked_pack(pack)
        with self.database.write() as connection:
            page = self._library.page(connection, page_id)
            protocol = self._library.protocol(connection, page.protocol_digest)
            beside = self._library.pages(connection, packs=[pack])
            assigning.check_place(page, protocol, pack, transect, beside)
            assigning.add(connection, page, pack, transect, by=who, at=stamp(now))

    # What is left to do

    def queue(
        self,
        *,
        pack: str | None = None,
        sheet: str | None = None,
        reason: str | None = None,
        keys: Collection[tuple[int, str]] | None = None,
        limit: int | None = None,
    ) -> list[QueueItem]:
        """Open cells of the pages that count, sheet by sheet in the order they are printed; at most `limit`.

        `keys` are those of ``(page id, cell)`` to look among.
        """
        with self.database.read() as connection:
            pages = self._on_sheet(connection, pack, sheet)
            return queue.open_cells(connection, self._library, pages, reason=reason, keys=keys, limit=limit)

    def _on_sheet(self, connection: Connection, pack: str | None, sheet: str | None) -> Iterator[PageRow]:
        return (p for p in self._pages(connection, pack) if sheet in (None, p.sheet))

    def open_reasons(self, *, pack: str | None = None, sheet: str | None = None) -> dict[str, int]:
        """How many cells of the queue have each reason; a cell may have several, or none."""
        with self.database.read() as connection:
            return queue.reasons(connection, self._on_sheet(connection, pack, sheet))

    def progress(self, *, pack: str | None = None) -> Progress:
        """How many cells are open, decided by a person and accepted by rule; photographs kept and refused."""
        with self.database.read() as connection:
            pages = self._pages(connection, pack)
            photos, refused = photos_kept(connection) if pack is None else (_photos_of(pages), 0)
        return queue.progress_of(pages, photos=photos, refused=refused)


def _photos_of(pages: Iterable[PageRow]) -> int:
    return len({p.sha256 for p in pages if not p.superseded})
