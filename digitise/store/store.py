"""Everything the tool keeps, in one folder: photographs, what was read in them, and what people entered.

``FOLDER/digitise.db`` is SQLite; ``FOLDER/originals/`` holds the photographs by SHA-256, never written over;
``FOLDER/pages/`` the flattened pages. Readings never change. Entries are only added, each with who, when, why and from
which reading; the last entry of a cell is its present state. The clock is always passed in as `now`.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from sqlite3 import Error as SQLiteError

from sqlalchemy import Row, insert, select
from sqlalchemy.exc import DatabaseError

from digitise.layout import Cell
from digitise.protocol import Protocol
from digitise.reading import PhotoResult, Value
from digitise.sheet import PACK_ALPHABET, PACK_LENGTH
from digitise.store import schema as t
from digitise.store import write as w
from digitise.store.files import cut_out, encode_page, original_name, read_checked, read_page, write_once
from digitise.store.read import Library, cells_now, entry_row, held_entries, open_readings, photo_row
from digitise.store.rows import (
    CellNow,
    ChangedMeanwhile,
    EntryRow,
    PageRow,
    PhotoRow,
    Progress,
    QueueItem,
    ReadingRow,
    StoreError,
)
from digitise.store.values import person, photo_name, settled

DATABASE = "digitise.db"


class Store:
    """One folder of photographs, readings and entries. Safe for several threads and processes; close it when done."""

    def __init__(self, folder: Path, write, read):
        self.folder, self._write, self._read = folder, write, read
        self._library = Library()

    @classmethod
    def open(cls, folder: Path | str) -> Store:
        """Open the store in `folder`, making both where they are missing.

        Raises
        ------
        StoreError
            The folder cannot be made or written in, or its database is not ours.
        """
        folder = Path(folder)
        try:
            for part in ("originals", "pages"):
                (folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{folder}: cannot be used as a store ({error.strerror}); choose a folder you may write in"
            ) from None
        write, read = t.open_engine(folder / DATABASE)
        try:
            t.prepare(write)
        except (DatabaseError, SQLiteError, ValueError) as error:
            write.dispose()
            why = str(getattr(error, "orig", error))
            raise StoreError(f"{folder / DATABASE}: cannot be used ({why}); choose another folder") from None
        return cls(folder, write, read)

    def close(self) -> None:
        """Let go of the database; the store can not be used afterwards."""
        self._write.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_error) -> None:
        self.close()

    # Photographs and what was read in them

    def keep_photo(self, data: bytes, name: str, *, now: datetime) -> str:
        """Keep a photograph's bytes; returns its SHA-256. The same bytes again change nothing."""
        digest = hashlib.sha256(data).hexdigest()
        with self._read.connect() as connection:
            known = w.photo_file(connection, digest)
        file = known or original_name(digest, name)
        write_once(self.folder / "originals" / file, data)
        if known is None:
            with self._write.begin() as connection:
                w.add_photo(connection, digest, photo_name(name), file=file, size=len(data), at=w.stamp(now))
        return digest

    def record(
        self,
        result: PhotoResult,
        protocol: Protocol | None,
        *,
        now: datetime,
        reader_version: str | None = None,
        acceptance_basis: str | None = None,
    ) -> int | None:
        """Store what a photograph says; returns the page's id, or None for a photograph that was refused.

        The same photograph, reader version and page layout again change nothing. Readings that are not flagged become
        entries by "rule". A result without a SHA-256 (the file could not be opened) leaves no trace.

        Raises
        ------
        StoreError
            The photograph was not kept first, or `protocol` is not the one its sheet was printed from.
        """
        if not result.sha256:
            return None
        version = reader_version or w.reader_version()
        if result.page is None:
            with self._write.begin() as connection:
                w.add_refusal(connection, result, version=version, at=w.stamp(now))
            return None
        page = w.NewPage(
            result,
            w.own_protocol(result, protocol),
            version,
            w.shipped_basis() if acceptance_basis is None else acceptance_basis,
            w.stamp(now),
        )
        with self._read.connect() as connection:
            known = page.known(connection)
        if known is None:
            write_once(self.folder / "pages" / page.image, encode_page(result.page.image))
            with self._write.begin() as connection:
                known = page.add(connection)
        return known

    def photos(self) -> list[PhotoRow]:
        """Every kept photograph, in the order they came."""
        with self._read.connect() as connection:
            kept = connection.execute(select(t.photos).order_by(t.photos.c.kept_at, t.photos.c.name)).all()
            refused = {v.sha256: v for v in connection.execute(select(t.verdicts).order_by(t.verdicts.c.id))}
            pages: dict[str, list[int]] = {}
            for page_id, sha256 in connection.execute(select(t.pages.c.id, t.pages.c.sha256).order_by(t.pages.c.id)):
                pages.setdefault(sha256, []).append(page_id)
        return [photo_row(p, refused.get(p.sha256), tuple(pages.get(p.sha256, ()))) for p in kept]

    def pages(self, pack: str | None = None) -> list[PageRow]:
        """Pages in working order: by pack, transect, sheet, page; those without a pack last; superseded ones too."""
        with self._read.connect() as connection:
            found = self._library.pages(connection)
        return [p for p in found if pack is None or p.pack == pack]

    def page(self, page_id: int) -> PageRow:
        """One page; `StoreError` when there is none with this id."""
        for page in self.pages():
            if page.id == page_id:
                return page
        raise StoreError(f"there is no page {page_id} in {self.folder}")

    def packs(self) -> list[str]:
        """Packs (surveys) with at least one page, in the order they came."""
        first: dict[str, int] = {}
        for page in self.pages():
            if page.pack is not None:
                first[page.pack] = min(page.id, first.get(page.pack, page.id))
        return sorted(first, key=first.__getitem__)

    def cells(self, page_id: int) -> tuple[Cell, ...]:
        """The page's cells as they were printed, in reading order."""
        with self._read.connect() as connection:
            return self._library.layout_of(connection, page_id).cells

    def protocol_for(self, page: PageRow | int) -> Protocol:
        """The protocol that a page was read by, as it was then."""
        digest = (page if isinstance(page, PageRow) else self.page(page)).protocol_digest
        with self._read.connect() as connection:
            return self._library.protocol(connection, digest)

    def readings(self, page_id: int) -> list[ReadingRow]:
        """What the reader read on a page, in the layout's order."""
        with self._read.connect() as connection:
            layout = self._library.layout_of(connection, page_id)
            rows = connection.execute(
                select(t.readings).where(t.readings.c.page_id == page_id).order_by(t.readings.c.id)
            ).all()
        return [layout.reading_row(row) for row in rows]

    # What people entered

    def entries(self, page_id: int) -> dict[str, list[EntryRow]]:
        """Entries by cell, oldest first; the last one is current. Cells nobody has decided are not in it."""
        with self._read.connect() as connection:
            rows = connection.execute(
                select(t.entries).where(t.entries.c.page_id == page_id).order_by(t.entries.c.id)
            ).all()
        out: dict[str, list[EntryRow]] = {}
        for row in rows:
            out.setdefault(row.cell, []).append(entry_row(row))
        return out

    def current(self, page_id: int) -> dict[str, CellNow]:
        """Every cell of a page with its present state, in the layout's order."""
        return self.current_pages([page_id])[page_id]

    def current_pages(self, page_ids: Iterable[int]) -> dict[int, dict[str, CellNow]]:
        """The same for several pages at once, by page."""
        with self._read.connect() as connection:
            layouts = {i: self._library.layout_of(connection, i) for i in page_ids}
            return cells_now(connection, layouts)

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
        who = person(by)
        with self._write.begin() as connection:
            layout = self._library.layout_of(connection, page_id)
            spec = layout.cell(cell)
            state, value = settled(spec, state, value)
            if client and (sent := w.resent(connection, client, seq)) is not None:
                if (sent.page_id, sent.cell, sent.state, sent.value) != (page_id, cell, state, value):
                    raise StoreError(f"{spec.label}: this key press already made another entry; reload the page")
                return sent
            stack = w.entries_of(connection, page_id, cell)
            if last_seen is not None and last_seen != (stack[-1].id if stack else 0):
                raise ChangedMeanwhile(f"{spec.label}: {stack[-1].by} entered this cell meanwhile; look at it again")
            return w.add_entry(
                connection,
                page_id,
                cell,
                value=value,
                state=state,
                by=who,
                decided_by=who,
                at=w.stamp(now),
                why=why.strip() or "compared with the photograph",
                client=client,
                seq=seq,
            )

    def undo(self, page_id: int, cell: str, *, by: str, now: datetime, client: str = "", seq: int = 0) -> EntryRow:
        """Take back the entry that holds now; what held before holds again, or the cell is open. Nothing is deleted.

        Raises
        ------
        ValueError
            There is nothing to take back.
        """
        who = person(by)
        with self._write.begin() as connection:
            spec = self._library.layout_of(connection, page_id).cell(cell)
            if client and (sent := w.resent(connection, client, seq)) is not None:
                return sent
            held = held_entries(w.entries_of(connection, page_id, cell))
            if not held:
                raise ValueError(f"{spec.label}: nothing is entered in this cell, so nothing can be undone")
            last, before = held[-1], held[-2] if len(held) > 1 else None
            why = f"undone: the entry of {last.at} by {last.by}"
            return w.add_entry(
                connection,
                page_id,
                cell,
                value=before.value if before else None,
                state=before.state if before else "withdrawn",
                by=who,
                decided_by=before.decided_by if before else who,
                at=w.stamp(now),
                why=why,
                undoes=last.id,
                client=client,
                seq=seq,
            )

    def assign(self, page_id: int, pack: str, transect: int, by: str, now: datetime) -> None:
        """Say which pack and transect a page belongs to (0 for a sheet of the whole survey); an appended record.

        Raises
        ------
        ValueError
            Not a pack's name, no such transect, or the pack is of another protocol.
        """
        who, pack, page = person(by), pack.strip().upper(), self.page(page_id)
        if not re.fullmatch(f"[{PACK_ALPHABET}]{{{PACK_LENGTH}}}", pack):
            raise ValueError(
                f"found '{pack[:20]}', expected the pack's {PACK_LENGTH} letters as printed at the top of its sheets"
            )
        most = self.protocol_for(page).transects
        if page.per_transect and not 1 <= transect <= most:
            raise ValueError(f"{page.title}: found transect {transect}, expected 1 to {most}")
        others = {(p.protocol, p.protocol_version) for p in self.pages(pack)} - {(page.protocol, page.protocol_version)}
        if others:
            raise ValueError(
                f"pack {pack} holds sheets of {' '.join(next(iter(others)))}, this is one of "
                f"{page.protocol} {page.protocol_version}; check the pack"
            )
        with self._write.begin() as connection:
            connection.execute(
                insert(t.assignments).values(
                    page_id=page_id, pack=pack, transect=transect if page.per_transect else 0, by=who, at=w.stamp(now)
                )
            )

    # What is left to do

    def queue(self, *, pack: str | None = None, sheet: str | None = None, reason: str | None = None) -> list[QueueItem]:
        """Open cells of the pages that count, sheet by sheet in the order they are printed."""
        with self._read.connect() as connection:
            pages = [
                p
                for p in self._library.pages(connection)
                if p.open and not p.superseded and pack in (None, p.pack) and sheet in (None, p.sheet)
            ]
            waiting: dict[int, list[Row]] = {}
            for row in connection.execute(open_readings()):
                waiting.setdefault(row.page_id, []).append(row)
            items = [
                self._library.layout_of(connection, p.id).queue_item(p, row)
                for p in pages
                for row in waiting.get(p.id, ())
            ]
        return [i for i in items if reason is None or reason in i.reason_names]

    def progress(self, *, pack: str | None = None) -> Progress:
        """How many cells are open, decided by a person and accepted by rule; photographs kept and refused."""
        pages = [p for p in self.pages(pack) if not p.superseded]
        open_, decided = sum(p.open for p in pages), sum(p.decided for p in pages)
        photos = self.photos()
        if pack is not None:
            own = {p.sha256 for p in pages}
            photos = [p for p in photos if p.sha256 in own]
        return Progress(
            open_,
            decided,
            sum(p.cells for p in pages) - open_ - decided,
            len(photos),
            sum(p.status in ("retake", "unreadable") for p in photos),
        )

    # Pictures

    def crop(self, page_id: int, cell: str, *, context_mm: float = 4.0) -> bytes:
        """PNG of the flattened page around a cell."""
        with self._read.connect() as connection:
            layout = self._library.layout_of(connection, page_id)
            file = connection.execute(select(t.pages.c.image).where(t.pages.c.id == page_id)).scalar_one()
        return cut_out(self.folder / "pages" / file, layout.cell(cell).box_mm, context_mm=context_mm)

    def page_image(self, page_id: int) -> bytes:
        """JPEG of the flattened page, `digitise.flatten.FLAT_PX_PER_MM` pixels a millimetre."""
        with self._read.connect() as connection:
            file = connection.execute(select(t.pages.c.image).where(t.pages.c.id == page_id)).scalar()
        if file is None:
            raise StoreError(f"there is no page {page_id} in {self.folder}")
        return read_page(self.folder / "pages" / file)

    def original(self, sha256: str) -> bytes:
        """Bytes of a kept photograph, checked against its SHA-256.

        Raises
        ------
        ValueError
            The store never kept it, or the file is missing or was changed.
        """
        with self._read.connect() as connection:
            row = connection.execute(select(t.photos).where(t.photos.c.sha256 == sha256)).first()
        if row is None:
            raise StoreError(f"no photograph with SHA-256 {sha256[:12]}… was kept in {self.folder}")
        return read_checked(self.folder / "originals" / row.file, sha256, row.name)
