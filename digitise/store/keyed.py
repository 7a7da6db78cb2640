"""A sheet that a person keys from a photograph that the reader refused.

It becomes a page like any other, whose cells all wait and whose entries are a person's. What makes it different: its
reader is `KEYED`, its readings are empty, its picture is the upright photograph, and where its cells are on it is not
known. Which sheet, pack and transect it is, a person said; that is an appended record too. A choice made by mistake
is set aside by a record with an empty pack, as long as nothing is entered.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from sqlalchemy import Connection, insert, select

from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.store import assigning, chain, counts
from digitise.store import schema as t
from digitise.store import write as w
from digitise.store.chain import stamp
from digitise.store.engine import Database
from digitise.store.files import encode_page, write_once
from digitise.store.read import Library
from digitise.store.rows import BY_HAND, KEYED, PageRow, StoreError
from digitise.store.values import person


@dataclass(frozen=True, slots=True)
class Sheet:
    """Which printed page a photograph shows, as a person says: its layout and protocol, pack and transect (0: none)."""

    sha256: str
    layout: Layout
    protocol: Protocol
    pack: str
    transect: int

    def image(self, jpeg: bytes) -> str:
        """Name of the picture's file; another picture has another name."""
        own = hashlib.sha256(jpeg).hexdigest()[:8]
        return f"{self.sha256}-{self.layout.digest}-keyed-{own}.jpg"


class ByHand:
    """Sheets of one store that people key from photographs."""

    def __init__(self, folder: Path, database: Database, library: Library):
        self._folder, self._database, self._library = folder, database, library

    def begin(self, sheet: Sheet, picture: np.ndarray, *, by: str, now: datetime) -> int:
        """Begin to key a sheet from its photograph; returns the page's id.

        `picture` is the upright photograph, grey, (H, W) uint8. Begun before, only its pack and transect are said anew.

        Raises
        ------
        ValueError
            The photograph was not kept, the place cannot be, or a photograph of this sheet is here already.
        """
        who, at = person(by), stamp(now)
        transect = sheet.transect if sheet.layout.per_transect else 0
        sheet = replace(sheet, pack=assigning.checked_pack(sheet.pack), transect=transect)
        w.check_own(sheet.layout, sheet.protocol, "the sheet")
        with self._database.read() as connection:
            page_id = _known(connection, sheet)
            _check_free(connection, self._library, sheet, page_id)
        jpeg = encode_page(picture)
        if page_id is None:
            write_once(self._folder / "pages" / sheet.image(jpeg), jpeg, incoming=self._folder / "incoming")
        with self._database.write() as connection:
            return _add(connection, self._library, sheet, jpeg, by=who, at=at)

    def set_aside(self, page_id: int, *, by: str, now: datetime) -> None:
        """Give up a sheet that was begun by mistake: the page is gone from every list, its record stays.

        Raises
        ------
        ValueError
            It was read, or something is entered on it.
        """
        who, at = person(by), stamp(now)
        with self._database.write() as connection:
            page = self._library.page(connection, page_id)
            if not page.keyed:
                raise StoreError(f"{page.photo} was read; only a sheet that is keyed by hand can be given up")
            if page.open < page.cells:
                raise StoreError(f"{page.cells - page.open} of its cells are entered; take these back first")
            assigning.add(connection, page, "", 0, by=who, at=at)


def _known(connection: Connection, sheet: Sheet) -> int | None:
    """Id of the page that was begun for this photograph and layout, set aside or not."""
    key = {"sha256": sheet.sha256, "layout_digest": sheet.layout.digest, "reader_version": KEYED}
    return connection.execute(select(t.pages.c.id).filter_by(**key)).scalar()


def _check_free(connection: Connection, library: Library, sheet: Sheet, page_id: int | None) -> list[PageRow]:
    """The other pages of the pack; `StoreError` when this sheet is among them, so that its values are here already."""
    beside = [p for p in library.pages(connection, packs=[sheet.pack]) if p.id != page_id]
    own = (sheet.layout.sheet, sheet.layout.page, sheet.transect)
    for page in beside:
        if not page.superseded and (page.sheet, page.page, page.transect or 0) == own:
            where = f"{page.page_title}, transect {page.transect}" if page.per_transect else page.page_title
            raise StoreError(
                f"{where} of pack {page.pack} is here already, from {page.photo}; correct its values there"
            )
    return beside


def _add(connection: Connection, library: Library, sheet: Sheet, jpeg: bytes, *, by: str, at: str) -> int:
    """The page with its empty readings and its place."""
    if connection.execute(select(t.photos.c.name).filter_by(sha256=sheet.sha256)).scalar() is None:
        raise StoreError("keep the photograph before keying what it shows")
    page_id = _known(connection, sheet)
    beside = _check_free(connection, library, sheet, page_id)
    if page_id is None:
        page_id = _add_page(connection, sheet, jpeg, at=at)
    page = library.page(connection, page_id, set_aside=True)
    assigning.check_place(page, sheet.protocol, sheet.pack, sheet.transect, beside)
    if (page.pack, page.transect) != (sheet.pack, sheet.transect):
        assigning.add(connection, page, sheet.pack, sheet.transect, by=by, at=at)
    return page_id


def _add_page(connection: Connection, sheet: Sheet, jpeg: bytes, *, at: str) -> int:
    w.add_protocol(connection, sheet.protocol, at=at)
    w.add_layout(connection, sheet.layout, at=at)
    row = {
        "sha256": sheet.sha256,
        "reader_version": KEYED,
        "acceptance_basis": "",
        "layout_digest": sheet.layout.digest,
        "protocol_digest": sheet.protocol.digest,
        "mean_confidence": 0.0,
        "residual_mm": -1.0,
        "px_per_mm": -1.0,
        "image": sheet.image(jpeg),
        "recorded_at": at,
        "image_sha256": hashlib.sha256(jpeg).hexdigest(),
    }
    page_id = connection.execute(insert(t.pages).values(row)).inserted_primary_key[0]
    empty = {"value": "null", "confidence": 0.0, "flagged": 1, "score": 0.0, "candidates": "[]", "photo_px": "[]"}
    empty |= {"page_id": page_id, "reasons": f'["{BY_HAND}"]'}
    connection.execute(insert(t.readings), [empty | {"cell": c.id, "kind": c.kind} for c in sheet.layout.cells])
    counts.add_page(connection, page_id)
    chain.seal(connection, t.pages, page_id, at=at)
    return page_id
