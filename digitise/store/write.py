"""Rows into the store's database, each inside a transaction that its caller opened."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, insert, select

from digitise.pages.page import Page
from digitise.reader.reading import PhotoResult, Reading
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.store import chain, counts, entries
from digitise.store import schema as t
from digitise.store.entries import plain
from digitise.store.read import Library, cells_now
from digitise.store.rows import RULE, CellNow, Doubt, PageRow, StoreError


def photo_file(connection: Connection, sha256: str) -> str | None:
    """Where a photograph lies below ``originals/``; None when it is not kept."""
    return connection.execute(select(t.photos.c.file).filter_by(sha256=sha256)).scalar()


def add_photo(connection: Connection, sha256: str, name: str, *, file: str, size: int, at: str) -> None:
    """Keep a photograph's row, once."""
    if photo_file(connection, sha256) is None:
        connection.execute(insert(t.photos).values(sha256=sha256, name=name, file=file, bytes=size, kept_at=at))
        chain.seal(connection, t.photos, sha256, at=at)


def _need_photo(connection: Connection, result: PhotoResult) -> None:
    if photo_file(connection, result.sha256) is None:
        raise StoreError(f"{result.file}: keep the photograph before recording what it says")


def check_own(layout: Layout, protocol: Protocol | None, where: str) -> Protocol:
    """The protocol, when a layout is one of its own; else `StoreError` that begins with `where`."""
    if protocol is None or layout.digest not in {one.digest for one in build_layouts(protocol)}:
        given = f"{protocol.protocol} {protocol.version}" if protocol else "none"
        raise StoreError(
            f"{where}: {layout.sheet} page {layout.page} is not a page of the protocol given ({given}); "
            "pass the one it was printed from"
        )
    return protocol


# Of a page just added: what is to be opened again, by the pages of its pack and the cells of each of these.
Doubts = Callable[[int, Sequence[PageRow], Callable[[int], Mapping[str, CellNow]]], Iterable[Doubt]]


def open_doubts(connection: Connection, library: Library, page_id: int, doubts: Doubts, *, at: str) -> None:
    """Open again what `doubts` finds on a page and on others of its pack."""
    pack = library.page(connection, page_id).pack
    if not pack:
        return

    def cells(of: int) -> Mapping[str, CellNow]:
        return cells_now(connection, library.layouts_of(connection, [of]))[of]

    for one in doubts(page_id, library.pages(connection, packs=[pack]), cells):
        spec = library.layouts_of(connection, [one.page_id])[one.page_id].cell(one.cell)
        entries.doubt(connection, one.page_id, spec, why=one.why, at=at)


def new_sheet(
    result: PhotoResult, home: Callable[[Layout], Protocol | None], version: str, basis: str, at: str
) -> NewSheet:
    """What a photograph says of one sheet; `StoreError` when `home` gives another protocol than it was printed from."""
    if result.page is None:
        return NewRefusal(result, version, at)
    layout = result.page.layout
    return NewPage(result, check_own(layout, home(layout), result.file), version, basis, at)


@dataclass(frozen=True, slots=True)
class NewRefusal:
    """Why a sheet gave no page, to be added once: a result, the reader's version, and when."""

    result: PhotoResult
    version: str
    at: str

    def known(self, _connection: Connection) -> None:
        """There is no page."""

    def add(self, connection: Connection, _jpeg: bytes) -> None:
        """Keep it, once."""
        _need_photo(connection, self.result)
        seen = self.result.failure.layout if self.result.failure is not None else None
        key = {"sha256": self.result.sha256, "reader_version": self.version, "status": self.result.status}
        key["layout_digest"] = seen.digest if seen else ""
        if connection.execute(select(t.verdicts.c.id).filter_by(**key)).first() is None:
            reasons = json.dumps(self.result.reasons)
            new = connection.execute(insert(t.verdicts).values(**key, reasons=reasons, at=self.at))
            chain.seal(connection, t.verdicts, new.inserted_primary_key[0], at=self.at)


@dataclass(frozen=True, slots=True)
class NewPage:
    """A page to be added once: a result, its protocol, the reader's version, the basis of its thresholds, and when."""

    result: PhotoResult
    protocol: Protocol
    version: str
    basis: str
    at: str

    def image(self, jpeg: bytes) -> str:
        """Name of the flattened page's file; another picture has another name, so none is ever written over."""
        own = hashlib.sha256(jpeg).hexdigest()[:8]
        return f"{self.result.sha256}-{self.result.page.layout.digest}-{self.version}-{own}.jpg"

    def known(self, connection: Connection) -> int | None:
        """Id of the page already recorded from this photograph, by this reader, for this layout."""
        key = {"sha256": self.result.sha256, "reader_version": self.version}
        query = select(t.pages.c.id).filter_by(**key, layout_digest=self.result.page.layout.digest)
        return connection.execute(query).scalar()

    def add(self, connection: Connection, jpeg: bytes) -> int:
        """The page with its readings, and the entries of those that the rule accepts; returns its id."""
        _need_photo(connection, self.result)
        if (known := self.known(connection)) is not None:
            return known
        add_protocol(connection, self.protocol, at=self.at)
        add_layout(connection, self.result.page.layout, at=self.at)
        page, identity, readings = self.result.page, self.result.page.identity, self.result.readings
        page_id = connection.execute(
            insert(t.pages).values(
                sha256=self.result.sha256,
                reader_version=self.version,
                acceptance_basis=self.basis,
                layout_digest=page.layout.digest,
                protocol_digest=self.protocol.digest,
                pack=identity.pack if identity else None,
                transect=identity.transect if identity else None,
                mean_confidence=sum(float(r.confidence) for r in readings) / max(1, len(readings)),
                residual_mm=_finite(page.residual_mm),
                px_per_mm=_finite(page.native_px_per_mm),
                image=self.image(jpeg),
                recorded_at=self.at,
                image_sha256=hashlib.sha256(jpeg).hexdigest(),
            )
        ).inserted_primary_key[0]
        _add_readings(connection, page_id, readings, _corners_px(page, readings))
        _accept(connection, page_id, at=self.at)
        counts.add_page(connection, page_id)
        chain.seal(connection, t.pages, page_id, at=self.at)
        return page_id


NewSheet = NewPage | NewRefusal


def add_protocol(connection: Connection, protocol: Protocol, *, at: str) -> None:
    """Keep a protocol's content, once."""
    if connection.execute(select(t.protocols.c.digest).filter_by(digest=protocol.digest)).first() is None:
        content = protocol.model_dump_json(exclude={"font"})
        connection.execute(
            insert(t.protocols).values(
                digest=protocol.digest, name=protocol.protocol, version=protocol.version, content=content
            )
        )
        chain.seal(connection, t.protocols, protocol.digest, at=at)


def add_layout(connection: Connection, layout: Layout, *, at: str) -> None:
    """Keep a layout's content, once."""
    if connection.execute(select(t.layouts.c.digest).filter_by(digest=layout.digest)).first() is None:
        content = layout.to_json() | {"pages": layout.pages, "per_transect": layout.per_transect}
        connection.execute(insert(t.layouts).values(digest=layout.digest, content=json.dumps(content)))
        chain.seal(connection, t.layouts, layout.digest, at=at)


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else -1.0


def _add_readings(connection: Connection, page_id: int, readings: tuple[Reading, ...], corners_px: list) -> None:
    rows = [
        {
            "page_id": page_id,
            "cell": reading.cell,
            "kind": reading.kind,
            "value": json.dumps(plain(reading.value)),
            "confidence": float(reading.confidence),
            "flagged": int(reading.flagged),
            "score": float(reading.score),
            "reasons": json.dumps(list(reading.reasons)),
            "candidates": json.dumps([[plain(v), round(float(p), 6)] for v, p in reading.candidates]),
            "photo_px": json.dumps(corners),
        }
        for reading, corners in zip(readings, corners_px, strict=True)
    ]
    if rows:
        connection.execute(insert(t.readings), rows)


def _accept(connection: Connection, page_id: int, *, at: str) -> None:
    """Entries by the rule from the page's readings that are not flagged."""
    accepted = connection.execute(select(t.readings).filter_by(page_id=page_id, flagged=0).order_by(t.readings.c.id))
    rows = [
        {
            "page_id": page_id,
            "cell": reading.cell,
            "value": reading.value,
            "state": "blank" if reading.value == "null" else "entered",
            "by": RULE,
            "decided_by": RULE,
            "at": at,
            "why": f"accepted by rule: confidence {_shown(reading.confidence)}",
            "reading_id": reading.id,
            "client": "",
            "seq": 0,
        }
        for reading in accepted
    ]
    if rows:
        connection.execute(insert(t.entries), rows)


def _shown(confidence: float) -> str:
    """Four decimals, rounded down: 0.99996 is not certainty."""
    return f"{int(confidence * 10_000) / 10_000:.4f}"


def _corners_px(page: Page, readings: tuple[Reading, ...]) -> list[list[list[float]]]:
    """Corners of each reading's cell in the upright photograph, clockwise from the top left."""
    boxes = [page.layout.by_id[r.cell].box_mm for r in readings]
    corners = np.array([[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in boxes], np.float32)
    if not len(corners):
        return []
    px = page.flattened.warp.photo_px(corners.reshape(-1, 2)).reshape(-1, 4, 2)
    return np.round(px.astype(np.float64), 1).tolist()


def reader_version() -> str:
    """Version of the reader that comes with this package."""
    from digitise.reader.read import READER_VERSION

    return READER_VERSION


def shipped_basis() -> str:
    """What the shipped acceptance thresholds rest on, in words; empty without the file."""
    from digitise.reader.calibration import shipped_acceptance

    try:
        return shipped_acceptance().basis
    except OSError:
        return ""
