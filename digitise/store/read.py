"""Rows out of the store's database: pages with what counts, layouts and protocols as they were, cells as they stand.

Layouts and protocols never change once kept, so `Library` remembers those it has parsed.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from sys import intern

from sqlalchemy import ColumnElement, CompoundSelect, Connection, Row, Select, and_, func, select, union

from digitise.sheets.protocol import Protocol
from digitise.store import schema as t
from digitise.store.assigning import given_up
from digitise.store.layouts import KeptLayout, as_pairs, each, parsed
from digitise.store.marks import Mark
from digitise.store.rows import (
    KEYED,
    NO_SHEET,
    CellNow,
    PageRow,
    PhotoRow,
    StoreError,
)
from digitise.store.strangers import set_aside


def current_entries(*where: ColumnElement[bool]) -> Select:
    """The last entry of every cell that has one, among entries `where`."""
    last = select(func.max(t.entries.c.id)).where(*where).group_by(t.entries.c.page_id, t.entries.c.cell)
    return select(t.entries).where(t.entries.c.id.in_(last))


def open_readings(pages: Sequence[int]) -> Select:
    """Readings of cells of these pages that nobody has decided, each with the id of its last entry, or 0."""
    return (
        select(t.readings, t.open_cells.c.last_entry)
        .join(t.open_cells, t.open_cells.c.reading_id == t.readings.c.id)
        .where(t.open_cells.c.page_id.in_(pages))
        .order_by(t.readings.c.id)
    )


def open_by_reasons(pages: Sequence[int]) -> Select:
    """Lists of reasons of cells of these pages that nobody has decided, each with the number of such cells."""
    return (
        select(t.readings.c.reasons, func.count())
        .join(t.open_cells, t.open_cells.c.reading_id == t.readings.c.id)
        .where(t.open_cells.c.page_id.in_(pages))
        .group_by(t.readings.c.reasons)
    )


def cells_now(connection: Connection, layouts: Mapping[int, KeptLayout]) -> dict[int, dict[str, CellNow]]:
    """Present state of every cell of these pages, by page and cell; `layouts` has each page's layout by its id."""
    r, e, later = t.readings.c, t.entries.c, t.entries.alias()
    beside = and_(later.c.page_id == r.page_id, later.c.cell == r.cell)
    last = select(func.max(later.c.id)).where(beside).correlate(t.readings).scalar_subquery()
    query = (
        select(r.page_id, r.cell, r.value, r.confidence, r.candidates, r.reasons)
        .add_columns(e.value, e.state, e.decided_by, e.at, e.why)
        .select_from(t.readings.outerjoin(t.entries, e.id == last))
        .where(r.page_id.in_(list(layouts)))
    )
    found: dict[int, dict[str, CellNow]] = {page: {} for page in layouts}
    rows = connection.execute(query).all()
    columns = list(zip(*rows, strict=True)) or [()] * 11
    for i, made in ((2, None), (4, as_pairs), (5, tuple), (6, None)):
        columns[i] = each(columns[i], made)
    once: dict[str | None, str | None] = {}  # states, people, times and reasons are few: each is held once
    columns[7:] = [map(once.setdefault, column, column) for column in columns[7:]]
    places = {page: layout.places for page, layout in layouts.items()}
    for page, name, read, confidence, candidates, reasons, value, state, by, at, why in zip(*columns, strict=True):
        cell, kind, label, box = places[page].get(name) or layouts[page].cell(name)
        is_open = state is None or state == "withdrawn"
        entered = ("unread", None, "", "", "") if is_open else (state, value, by, at, why)
        found[page][cell] = CellNow(page, cell, kind, label, *entered, read, confidence, reasons, box, candidates)
    return {page: {i: cells[i] for i in places[page] if i in cells} for page, cells in found.items()}


class Library:
    """Parsed layouts and protocols of one store, by digest."""

    def __init__(self):
        self._layouts: dict[str, KeptLayout] = {}
        self._protocols: dict[str, Protocol] = {}
        self._of_page: dict[int, str] = {}  # digest of its layout; a page's row never changes

    def layout(self, connection: Connection, digest: str) -> KeptLayout:
        """The layout with this digest."""
        if digest not in self._layouts:
            content = connection.execute(select(t.layouts.c.content).where(t.layouts.c.digest == digest)).scalar_one()
            self._layouts[digest] = parsed(digest, content)
        return self._layouts[digest]

    def layout_of(self, connection: Connection, page_id: int) -> KeptLayout:
        """The layout of a page; `StoreError` when there is no such page."""
        if page_id not in self._of_page:
            digest = connection.execute(select(t.pages.c.layout_digest).where(t.pages.c.id == _key(page_id))).scalar()
            if digest is None:
                raise StoreError(f"there is no page {page_id} in the store")
            self._of_page[page_id] = digest
        return self.layout(connection, self._of_page[page_id])

    def layouts_of(self, connection: Connection, page_ids: Iterable[int]) -> dict[int, KeptLayout]:
        """The layouts of several pages, by page; `StoreError` when there is no such page."""
        wanted = [_key(i) for i in page_ids]
        query = select(t.pages.c.id, t.pages.c.layout_digest).where(t.pages.c.id.in_(wanted))
        digests = {row.id: row.layout_digest for row in connection.execute(query).all()}
        for page_id in wanted:
            if page_id not in digests:
                raise StoreError(f"there is no page {page_id} in the store")
        return {i: self.layout(connection, digests[i]) for i in wanted}

    def protocol(self, connection: Connection, digest: str) -> Protocol:
        """The protocol with this digest."""
        if digest not in self._protocols:
            query = select(t.protocols.c.content).where(t.protocols.c.digest == digest)
            content = connection.execute(query).scalar_one()
            self._protocols[digest] = Protocol.model_validate_json(content)
        return self._protocols[digest]

    def packs(self, connection: Connection) -> list[str]:
        """Packs with at least one page, in the order they came."""
        p, moved = t.pages.c, select(t.pages.c.sha256).join(t.assignments, t.assignments.c.page_id == t.pages.c.id)
        printed = select(p.pack, func.min(p.id)).where(p.pack.is_not(None), p.sha256.not_in(moved)).group_by(p.pack)
        first = dict(connection.execute(printed).all())
        given = _assigned(connection, None)
        others = select(p.id, p.sha256, p.layout_digest, p.reader_version, p.pack).where(p.sha256.in_(moved))
        for page in connection.execute(others):
            holding = _holding(page, given.get((page.sha256, page.layout_digest)))
            if pack := holding.pack if holding else page.pack:
                first[pack] = min(page.id, first.get(pack, page.id))
        return sorted(first, key=first.__getitem__)

    def pages(
        self,
        connection: Connection,
        *,
        packs: Collection[str] | None = None,
        sha256: str | None = None,
        set_aside: bool = False,
        until: Mark | None = None,
    ) -> list[PageRow]:
        """Pages in working order, with which of several photographs of one page counts.

        All of them, or those of some packs, or those of one photograph (whose rivals in other photographs are not
        looked at). Pages that were set aside (`digitise.store.keyed`) are left out unless wanted. Each is where it was
        at the mark `until`, if one is given, and pages that came later are left out.
        """
        query = _page_rows()
        if packs is not None:
            query = query.where(t.pages.c.id.in_(_perhaps_of(packs)))
        if sha256 is not None:
            query = query.where(t.pages.c.sha256 == sha256)
        if until is not None:
            query = query.where(t.pages.c.id <= until.page)
        found = connection.execute(query).all()
        everything = packs is None and sha256 is None
        given = _assigned(connection, None if everything else {page.sha256 for page in found}, until)
        rows = [self._page_row(connection, page, given.get((page.sha256, page.layout_digest))) for page in found]
        rows = [r for r in rows if (packs is None or r.pack in packs) and (r.pack != "" or set_aside)]
        best = winners(rows)
        rows = [r if best[r.id] is None else replace(r, superseded_by=best[r.id]) for r in rows]
        return self.in_order(connection, rows)

    def in_order(self, connection: Connection, rows: list[PageRow]) -> list[PageRow]:
        """Pages in working order."""
        return sorted(rows, key=lambda r: self._working_order(connection, r))

    def page(self, connection: Connection, page_id: int, *, set_aside: bool = False) -> PageRow:
        """One page; `StoreError` when there is none with this id, or it was set aside and is not wanted so."""
        sha256 = connection.execute(select(t.pages.c.sha256).where(t.pages.c.id == _key(page_id))).scalar()
        if sha256 is None:
            raise StoreError(f"there is no page {page_id} in the store")
        row = next((p for p in self.pages(connection, sha256=sha256, set_aside=set_aside) if p.id == page_id), None)
        if row is None:
            raise given_up(page_id)
        if not row.pack:
            return row
        return next(p for p in self.pages(connection, packs=[row.pack]) if p.id == page_id)

    def _page_row(self, connection: Connection, page: Row, given: Row | None) -> PageRow:
        layout = self.layout(connection, page.layout_digest)
        protocol = self.protocol(connection, page.protocol_digest)
        given = _holding(page, given)
        pack = given.pack if given else page.pack
        origin = "person" if given else "printed" if page.pack else ""
        return PageRow(
            id=page.id,
            sha256=page.sha256,
            photo=page.photo,
            protocol=protocol.protocol,
            protocol_version=protocol.version,
            protocol_digest=intern(page.protocol_digest),  # words that thousands of pages share are held once
            layout_digest=layout.digest,
            sheet=layout.sheet,
            title=layout.title,
            page=layout.page,
            pages=layout.pages,
            per_transect=layout.per_transect,
            page_size_mm=layout.page_size_mm,
            pack=intern(pack) if pack else pack,
            transect=given.transect if given else page.transect,
            identity_from=origin,
            superseded_by=None,
            cells=len(layout.cells),
            flagged=page.flagged,
            open=page.open,
            decided=page.decided,
            mean_confidence=page.mean_confidence,
            residual_mm=page.residual_mm,
            px_per_mm=page.px_per_mm,
            reader_version=intern(page.reader_version),
            acceptance_basis=intern(page.acceptance_basis),
            recorded_at=page.recorded_at,
        )

    def _working_order(self, connection: Connection, row: PageRow) -> tuple:
        sheets = list(self.protocol(connection, row.protocol_digest).sheets)
        return (
            row.pack is None,
            row.pack or "",
            row.transect or 0,
            sheets.index(row.sheet),
            row.page,
            row.superseded,
            row.id,
        )


def _key(page_id: int) -> int:
    """A page's id that any database can look for; `StoreError` for a number that no page can have."""
    if not 0 <= page_id < 2**63:
        raise StoreError(f"there is no page {page_id} in the store")
    return page_id


def _page_rows() -> Select:
    counts = (t.page_counts.c.flagged, t.page_counts.c.open, t.page_counts.c.decided)
    return (
        select(t.pages, t.photos.c.name.label("photo"), *counts)
        .join(t.photos, t.photos.c.sha256 == t.pages.c.sha256)
        .join(t.page_counts, t.page_counts.c.page_id == t.pages.c.id)
        .order_by(t.pages.c.id)
    )


def _holding(page: Row, given: Row | None) -> Row | None:
    """The assignment that holds for a page whose last one is `given`."""
    if given and not given.pack and page.reader_version != KEYED:
        return None  # what was begun by hand with this photograph was given up; what was read of it stands
    return given


def _perhaps_of(packs: Collection[str]) -> CompoundSelect:
    """Ids of pages with these packs printed on them, and of those in photographs that somebody gave to them."""
    named = select(t.pages.c.sha256).join(t.assignments, t.assignments.c.page_id == t.pages.c.id)
    named = named.where(t.assignments.c.pack.in_(packs))
    return union(
        select(t.pages.c.id).where(t.pages.c.pack.in_(packs)), select(t.pages.c.id).where(t.pages.c.sha256.in_(named))
    )


def _assigned(connection: Connection, photos: set[str] | None, until: Mark | None = None) -> dict[tuple[str, str], Row]:
    """The last assignment of each page in a photograph, whichever reader read it; of these photographs, or of all.

    The last one at a mark, if one is given.
    """
    query = (
        select(t.assignments, t.pages.c.sha256, t.pages.c.layout_digest)
        .join(t.pages, t.pages.c.id == t.assignments.c.page_id)
        .order_by(t.assignments.c.id)
    )
    if photos is not None:
        query = query.where(t.pages.c.sha256.in_(photos))
    if until is not None:
        query = query.where(t.assignments.c.id <= until.assignment)
    return {(row.sha256, row.layout_digest): row for row in connection.execute(query)}


def rival_key(row: PageRow) -> tuple:
    """The same for photographs of one printed page."""
    return (row.pack, row.sheet, row.page, row.transect) if row.pack else (row.sha256, row.layout_digest)


def winners(rows: Iterable[PageRow]) -> dict[int, int | None]:
    """For each page the id of the page that counts instead, or None.

    Of several photographs of one page, the one with most cells entered by people counts; then the one read with the
    highest mean confidence; then the first. One that is keyed by hand counts before it is done only where no other is.
    """
    rivals: dict[tuple, list[PageRow]] = {}
    for row in rows:
        rivals.setdefault(rival_key(row), []).append(row)
    out: dict[int, int | None] = {}
    for group in rivals.values():
        best = max(group, key=lambda r: (not (r.keyed and r.open), r.decided, r.mean_confidence, -r.id))
        out |= {r.id: None if r is best else best.id for r in group}
    return out


def photo_rows(connection: Connection) -> list[PhotoRow]:
    """Every kept photograph, in the order they came."""
    kept = sorted(connection.execute(select(t.photos)), key=lambda p: (p.kept_at, p.name, p.sha256))
    refused = {v.sha256: v for v in connection.execute(select(t.verdicts).order_by(t.verdicts.c.id))}
    pages: dict[str, list[Row]] = {}
    standing = select(t.pages.c.id, t.pages.c.sha256, t.pages.c.recorded_at).where(_standing())
    for page in connection.execute(standing.order_by(t.pages.c.id)):
        pages.setdefault(page.sha256, []).append(page)
    aside = set_aside(connection)
    return [_photo_row(p, refused.get(p.sha256), pages.get(p.sha256, []), aside.get(p.sha256, "")) for p in kept]


def photos_kept(connection: Connection) -> tuple[int, int]:
    """Photographs in the store, and how many of them gave no page."""
    kept = connection.execute(select(func.count()).select_from(t.photos)).scalar_one()
    pageless = t.verdicts.c.sha256.not_in(select(t.pages.c.sha256).where(_standing()))
    refused = connection.execute(select(func.count(t.verdicts.c.sha256.distinct())).where(pageless)).scalar_one()
    return kept, refused


def _standing() -> ColumnElement[bool]:
    """Whether a page was not set aside: its last assignment, if any, names a pack."""
    last = select(func.max(t.assignments.c.id)).group_by(t.assignments.c.page_id)
    gone = select(t.assignments.c.page_id).where(t.assignments.c.id.in_(last), t.assignments.c.pack == "")
    return t.pages.c.id.not_in(gone)


def _photo_row(photo: Row, refusal: Row | None, pages: Sequence[Row], aside: str) -> PhotoRow:
    """A photograph; one that gave a page counts as read whatever else was tried, or said of it."""
    status, reasons, seen, beside = "waiting", (), "", ()
    page_ids = tuple(page.id for page in pages)
    if page_ids:
        status = "read"
        together = refusal is not None and not refusal.layout_digest and refusal.at == pages[0].recorded_at
        beside = tuple(json.loads(refusal.reasons)) if together and len(pages) == 1 else ()
    elif refusal is not None:
        status, reasons, seen = refusal.status, tuple(json.loads(refusal.reasons)), refusal.layout_digest
    if aside and not page_ids:
        status, reasons = NO_SHEET, (f"No survey sheet: {aside}",)
    return PhotoRow(photo.sha256, photo.name, photo.bytes, photo.kept_at, status, reasons, page_ids, seen, beside)
