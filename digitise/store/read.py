"""Rows out of the store's database: pages with what counts, layouts and protocols as they were, cells as they stand.

Layouts and protocols never change once kept, so `Library` remembers those it has parsed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace

from sqlalchemy import Connection, Row, Select, and_, func, or_, select

from digitise.layout import Cell
from digitise.protocol import Protocol
from digitise.reading import Value
from digitise.reasons import REASONS
from digitise.store import schema as t
from digitise.store.rows import (
    RULE,
    CellNow,
    EntryRow,
    PageRow,
    PhotoRow,
    QueueItem,
    ReadingRow,
    StoreError,
    cell_label,
    page_fractions,
)

OPENED_AGAIN = "The entry was taken back. Enter the value, or mark the cell illegible."


def current_entries() -> Select:
    """The last entry of every cell that has one."""
    last = select(func.max(t.entries.c.id)).group_by(t.entries.c.page_id, t.entries.c.cell)
    return select(t.entries).where(t.entries.c.id.in_(last))


def open_readings() -> Select:
    """Readings of cells without an accepted or entered value, each with the id of its last entry, if any."""
    later = t.entries.alias()
    beside = and_(later.c.page_id == t.readings.c.page_id, later.c.cell == t.readings.c.cell)
    last = select(func.max(later.c.id)).where(beside).correlate(t.readings).scalar_subquery()
    withdrawn = select(t.entries.c.reading_id).where(t.entries.c.state == "withdrawn")
    state = select(t.entries.c.state).where(t.entries.c.id == last).scalar_subquery()
    return (
        select(t.readings, last.label("last_entry"))
        .where(or_(t.readings.c.flagged == 1, t.readings.c.id.in_(withdrawn)))
        .where(func.coalesce(state, "withdrawn") == "withdrawn")
        .order_by(t.readings.c.id)
    )


@dataclass(frozen=True, slots=True)
class KeptLayout:
    """A page's layout as it was when the page was read."""

    digest: str
    sheet: str
    title: str
    page: int
    pages: int
    per_transect: bool
    page_size_mm: tuple[float, float]
    cells: tuple[Cell, ...]

    def cell(self, cell_id: str) -> Cell:
        """One cell; `StoreError` when the page has none of this name."""
        for cell in self.cells:
            if cell.id == cell_id:
                return cell
        raise StoreError(f"{self.title}: there is no cell '{cell_id}' on this page")

    def reading_row(self, row: Row) -> ReadingRow:
        """A reading with its place on the page."""
        cell = self.cell(row.cell)
        return ReadingRow(
            id=row.id,
            page_id=row.page_id,
            cell=row.cell,
            kind=row.kind,
            label=cell_label(cell),
            value=json.loads(row.value),
            confidence=row.confidence,
            flagged=bool(row.flagged),
            candidates=_pairs(row.candidates),
            reasons=tuple(json.loads(row.reasons)),
            score=row.score,
            box_mm=cell.box_mm,
            box=page_fractions(cell.box_mm, self.page_size_mm),
            photo_px=_pairs(row.photo_px),
        )

    def cell_now(self, reading: Row, entry: Row | None) -> CellNow:
        """A cell's present state, from its reading and its last entry."""
        cell, read = self.cell(reading.cell), json.loads(reading.value)
        decided = entry is not None and entry.state != "withdrawn"
        return CellNow(
            page_id=reading.page_id,
            cell=cell.id,
            kind=cell.kind,
            label=cell_label(cell),
            state=entry.state if decided else "unread",
            value=json.loads(entry.value) if decided else None,
            by=entry.decided_by if decided else "",
            at=entry.at if decided else "",
            why=entry.why if decided else "",
            read_value=read,
            confidence=reading.confidence,
            reasons=tuple(json.loads(reading.reasons)),
            box_mm=cell.box_mm,
        )

    def queue_item(self, page: PageRow, row: Row) -> QueueItem:
        """An open cell with what a person needs to decide it."""
        cell, names = self.cell(row.cell), tuple(json.loads(row.reasons))
        words = tuple(f"{REASONS[n].short}. {REASONS[n].advice}" for n in names if n in REASONS)
        return QueueItem(
            page_id=page.id,
            sha256=page.sha256,
            photo=page.photo,
            pack=page.pack,
            transect=page.transect,
            sheet=self.sheet,
            title=self.title,
            page=self.page,
            cell=cell.id,
            kind=cell.kind,
            label=cell_label(cell),
            value=json.loads(row.value),
            candidates=_pairs(row.candidates),
            reasons=words if row.flagged else (OPENED_AGAIN,),
            reason_names=names,
            confidence=row.confidence,
            box=page_fractions(cell.box_mm, self.page_size_mm),
            choices=cell.choices,
            max=cell.max,
            format=cell.format,
            last_entry=row.last_entry or 0,
        )


def _pairs(text: str) -> tuple:
    return tuple(tuple(pair) for pair in json.loads(text))


def _parsed(digest: str, content: str) -> KeptLayout:
    data = json.loads(content)
    cells = tuple(
        Cell(
            c["id"],
            c["kind"],
            tuple(c["box_mm"]),
            c["label"],
            tuple(tuple(b) for b in c.get("characters_mm", ())),
            tuple(c.get("choices", ())),
            c.get("max"),
            c.get("format"),
        )
        for c in data["cells"]
    )
    return KeptLayout(
        digest,
        data["sheet"],
        data["title"],
        data["page"],
        data["pages"],
        data["per_transect"],
        tuple(data["page_size_mm"]),
        cells,
    )


class Library:
    """Parsed layouts and protocols of one store, by digest."""

    def __init__(self):
        self._layouts: dict[str, KeptLayout] = {}
        self._protocols: dict[str, Protocol] = {}

    def layout(self, connection: Connection, digest: str) -> KeptLayout:
        """The layout with this digest."""
        if digest not in self._layouts:
            content = connection.execute(select(t.layouts.c.content).where(t.layouts.c.digest == digest)).scalar_one()
            self._layouts[digest] = _parsed(digest, content)
        return self._layouts[digest]

    def layout_of(self, connection: Connection, page_id: int) -> KeptLayout:
        """The layout of a page; `StoreError` when there is no such page."""
        digest = connection.execute(select(t.pages.c.layout_digest).where(t.pages.c.id == page_id)).scalar()
        if digest is None:
            raise StoreError(f"there is no page {page_id} in the store")
        return self.layout(connection, digest)

    def protocol(self, connection: Connection, digest: str) -> Protocol:
        """The protocol with this digest."""
        if digest not in self._protocols:
            query = select(t.protocols.c.content).where(t.protocols.c.digest == digest)
            content = connection.execute(query).scalar_one()
            self._protocols[digest] = Protocol.model_validate_json(content)
        return self._protocols[digest]

    def pages(self, connection: Connection) -> list[PageRow]:
        """Every page, in working order, with which of several photographs of one page counts."""
        found = connection.execute(
            select(t.pages, t.photos.c.name.label("photo"))
            .join(t.photos, t.photos.c.sha256 == t.pages.c.sha256)
            .order_by(t.pages.c.id)
        ).all()
        given = _assigned(connection)
        counts = _counts(connection)
        rows = [
            self._page_row(connection, page, given.get((page.sha256, page.layout_digest)), counts) for page in found
        ]
        winners = _winners(rows)
        rows = [replace(r, superseded_by=winners[r.id]) for r in rows]
        return sorted(rows, key=lambda r: self._working_order(connection, r))

    def _page_row(self, connection: Connection, page: Row, given: Row | None, counts: tuple[dict, ...]) -> PageRow:
        layout = self.layout(connection, page.layout_digest)
        protocol = self.protocol(connection, page.protocol_digest)
        flagged, waiting, decided = (c.get(page.id, 0) for c in counts)
        origin = "person" if given else "printed" if page.pack else ""
        return PageRow(
            id=page.id,
            sha256=page.sha256,
            photo=page.photo,
            protocol=protocol.protocol,
            protocol_version=protocol.version,
            protocol_digest=page.protocol_digest,
            layout_digest=layout.digest,
            sheet=layout.sheet,
            title=layout.title,
            page=layout.page,
            pages=layout.pages,
            per_transect=layout.per_transect,
            page_size_mm=layout.page_size_mm,
            pack=given.pack if given else page.pack,
            transect=given.transect if given else page.transect,
            identity_from=origin,
            superseded_by=None,
            cells=len(layout.cells),
            flagged=flagged,
            open=waiting,
            decided=decided,
            mean_confidence=page.mean_confidence,
            residual_mm=page.residual_mm,
            px_per_mm=page.px_per_mm,
            reader_version=page.reader_version,
            acceptance_basis=page.acceptance_basis,
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


def _assigned(connection: Connection) -> dict[tuple[str, str], Row]:
    """The last assignment of each page in a photograph, whichever reader read it."""
    query = (
        select(t.assignments, t.pages.c.sha256, t.pages.c.layout_digest)
        .join(t.pages, t.pages.c.id == t.assignments.c.page_id)
        .order_by(t.assignments.c.id)
    )
    return {(row.sha256, row.layout_digest): row for row in connection.execute(query)}


def _counts(connection: Connection) -> tuple[dict[int, int], dict[int, int], dict[int, int]]:
    """Flagged readings, open cells, and cells whose present entry is a person's, by page."""
    flagged = select(t.readings.c.page_id, func.count()).where(t.readings.c.flagged == 1).group_by(t.readings.c.page_id)
    waiting = open_readings().order_by(None).subquery()
    now = current_entries().where(t.entries.c.state != "withdrawn", t.entries.c.decided_by != RULE).subquery()
    queries = (
        flagged,
        select(waiting.c.page_id, func.count()).group_by(waiting.c.page_id),
        select(now.c.page_id, func.count()).group_by(now.c.page_id),
    )
    return tuple({row[0]: row[1] for row in connection.execute(q)} for q in queries)


def _winners(rows: Iterable[PageRow]) -> dict[int, int | None]:
    """For each page the id of the page that counts instead, or None.

    Of several photographs of one page, the one with most cells entered by people counts; then the one read with the
    highest mean confidence; then the first.
    """
    rivals: dict[tuple, list[PageRow]] = {}
    for row in rows:
        key = (row.pack, row.sheet, row.page, row.transect) if row.pack else (row.sha256, row.layout_digest)
        rivals.setdefault(key, []).append(row)
    out: dict[int, int | None] = {}
    for group in rivals.values():
        best = max(group, key=lambda r: (r.decided, r.mean_confidence, -r.id))
        out |= {r.id: None if r is best else best.id for r in group}
    return out


def photo_row(photo: Row, refusal: Row | None, page_ids: tuple[int, ...]) -> PhotoRow:
    """A photograph; one that gave a page counts as read whatever else was tried."""
    status, reasons, seen = "waiting", (), ""
    if page_ids:
        status = "read"
    elif refusal is not None:
        status, reasons, seen = refusal.status, tuple(json.loads(refusal.reasons)), refusal.layout_digest
    return PhotoRow(photo.sha256, photo.name, photo.bytes, photo.kept_at, status, reasons, page_ids, seen)


def entry_row(row: Row) -> EntryRow:
    """An entry."""
    value: Value = json.loads(row.value)
    return EntryRow(
        row.id,
        row.page_id,
        row.cell,
        value,
        row.state,
        row.by,
        row.decided_by,
        row.at,
        row.why,
        row.reading_id,
        row.undoes,
        row.client,
        row.seq,
    )


def held_entries(stack: Iterable[EntryRow]) -> list[EntryRow]:
    """Entries that still hold, oldest first: an undo takes the last one away. The last of them is in force."""
    held: list[EntryRow] = []
    for entry in stack:
        if entry.undoes is None:
            held.append(entry)
        else:
            held.pop()
    return held
