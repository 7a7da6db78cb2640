"""Photographs and flattened pages of one store: what its rows name in the folder or the bucket."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

from sqlalchemy import select

from digitise.store import schema as t
from digitise.store import write as w
from digitise.store.chain import stamp
from digitise.store.engine import Database
from digitise.store.files import cut_out, original_name, read_page
from digitise.store.originals import ORIGINALS, Originals, checked
from digitise.store.read import Library
from digitise.store.rows import KEYED, StoreError
from digitise.store.thinning import Thinned, kept_originals
from digitise.store.values import photo_name


class KeptFiles:
    """The part of a `Store` that keeps and gives out files."""

    def __init__(self, folder: Path, database: Database, originals: Originals):
        self.folder, self.database, self.originals = folder, database, originals
        self.thinned = Thinned(database)
        self._library = Library()

    def keep_photo(self, data: bytes, name: str, *, now: datetime) -> str:
        """Keep a photograph's bytes; returns its SHA-256. The same bytes again change nothing.

        One that was thinned by a policy stays away.
        """
        digest = hashlib.sha256(data).hexdigest()
        if self.thinned.at(digest):
            return digest
        with self.database.read() as connection:
            known = w.photo_file(connection, digest)
        file = known or original_name(digest, name)
        self.originals.write(file, data)
        if known is None:
            with self.database.write() as connection:
                w.add_photo(connection, digest, photo_name(name), file=file, size=len(data), at=stamp(now))
        return digest

    def missing_originals(self) -> frozenset[str]:
        """SHA-256 of kept photographs whose file is gone; none while a bucket does not answer."""
        with self.database.read() as connection:
            kept = {row.file: row.sha256 for row in kept_originals(connection)}
        try:
            there = set(self.originals.names())
        except OSError:
            return frozenset()
        return frozenset(sha256 for file, sha256 in kept.items() if file not in there)

    def crop(self, page_id: int, cell: str, *, context_mm: float = 4.0) -> bytes:
        """PNG of the flattened page around a cell; `StoreError` for a sheet that is keyed by hand."""
        with self.database.read() as connection:
            layout = self._library.layout_of(connection, page_id)
            query = select(t.pages.c.image, t.pages.c.reader_version).where(t.pages.c.id == page_id)
            file, reader = connection.execute(query).one()
        if reader == KEYED:
            raise StoreError("where this cell is on its photograph is not known: it was keyed by hand")
        return cut_out(self.folder / "pages" / file, layout.cell(cell).box_mm, context_mm=context_mm)

    def page_image(self, page_id: int) -> bytes:
        """JPEG of the flattened page, `digitise.pages.flatten.FLAT_PX_PER_MM` pixels a millimetre.

        Of a sheet that is keyed by hand it is the upright photograph.

        `StoreError` when there is no such page.
        """
        with self.database.read() as connection:
            file = connection.execute(select(t.pages.c.image).where(t.pages.c.id == page_id)).scalar()
        if file is None:
            raise StoreError(f"there is no page {page_id} in {self.folder}")
        return read_page(self.folder / "pages" / file)

    def photo_of(self, page_id: int) -> str:
        """SHA-256 of the photograph that a page was read from; `StoreError` when there is no such page."""
        with self.database.read() as connection:
            found = connection.execute(select(t.pages.c.sha256).where(t.pages.c.id == page_id)).scalar()
        if found is None:
            raise StoreError(f"there is no page {page_id} in {self.folder}")
        return found

    def original(self, sha256: str) -> bytes:
        """Bytes of a kept photograph, checked against its SHA-256.

        Raises
        ------
        ValueError
            The store never kept it, or the file is missing or was changed.
        """
        with self.database.read() as connection:
            row = connection.execute(select(t.photos).where(t.photos.c.sha256 == sha256)).first()
        if row is None:
            raise StoreError(f"no photograph with SHA-256 {sha256[:12]}… was kept in {self.folder}")
        if at := self.thinned.at(sha256):
            raise StoreError(
                f"{row.name}: its original was removed on {at[:10]} by the policy; the flattened page is kept"
            )
        return checked(self.originals, row.file, sha256, row.name)

    def file(self, name: str) -> bytes:
        """Bytes of an original or a page by its name in a backup, unchecked; `OSError` when they cannot be had."""
        if name.startswith(ORIGINALS):
            return self.originals.read(name.removeprefix(ORIGINALS))
        return (self.folder / name).read_bytes()

    def remove_original(self, sha256: str) -> None:
        """Remove the file of a photograph that was noted as thinned; `StoreError` for any other."""
        if not self.thinned.at(sha256):
            raise StoreError(f"the photograph with SHA-256 {sha256[:12]}… was not thinned, so its file stays")
        with self.database.read() as connection:
            file = connection.execute(select(t.photos.c.file).filter_by(sha256=sha256)).scalar_one()
        self.originals.remove(file)
