"""Rows into the store's database, each inside a transaction that its caller opened."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Connection, Select, insert, select

from digitise import schema as t
from digitise.layout import Layout
from digitise.page import Page
from digitise.protocol import Protocol
from digitise.reading import PhotoResult, Reading, Value
from digitise.rows import RULE, EntryRow, StoreError
from digitise.store_read import entry_row


def stamp(now: datetime) -> str:
    """UTC in ISO 8601, to the second."""
    if now.tzinfo is None:
        raise ValueError("now has no time zone; pass datetime.now(UTC)")
    return now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def page_query(sha256: str, version: str, layout_digest: str) -> Select:
    """Id of the page recorded from a photograph by a reader version for a layout."""
    return select(t.pages.c.id).filter_by(sha256=sha256, reader_version=version, layout_digest=layout_digest)


def need_photo(connection: Connection, result: PhotoResult) -> None:
    """Refuse a result whose photograph is not kept."""
    if connection.execute(select(t.photos.c.sha256).filter_by(sha256=result.sha256)).first() is None:
        raise StoreError(f"{result.file}: keep the photograph before recording what it says")


def add_protocol(connection: Connection, protocol: Protocol) -> None:
    """Keep a protocol's content, once."""
    if connection.execute(select(t.protocols.c.digest).filter_by(digest=protocol.digest)).first() is None:
        connection.execute(insert(t.protocols).values(
            digest=protocol.digest, name=protocol.protocol, version=protocol.version,
            content=protocol.model_dump_json(exclude={"font"})))


def add_layout(connection: Connection, layout: Layout) -> None:
    """Keep a layout's content, once."""
    if connection.execute(select(t.layouts.c.digest).filter_by(digest=layout.digest)).first() is None:
        content = layout.to_json() | {"pages": layout.pages, "per_transect": layout.per_transect}
        connection.execute(insert(t.layouts).values(digest=layout.digest, content=json.dumps(content)))


def add_page(connection: Connection, result: PhotoResult, protocol: Protocol, *, version: str, basis: str, image: str,
             at: str) -> int:
    """A page without its readings; returns its id."""
    page, identity = result.page, result.page.identity
    mean = sum(float(r.confidence) for r in result.readings) / max(1, len(result.readings))
    return connection.execute(insert(t.pages).values(
        sha256=result.sha256, reader_version=version, acceptance_basis=basis, layout_digest=page.layout.digest,
        protocol_digest=protocol.digest, pack=identity.pack if identity else None,
        transect=identity.transect if identity else None, mean_confidence=mean,
        residual_mm=_finite(page.residual_mm), px_per_mm=_finite(page.native_px_per_mm), image=image,
        recorded_at=at)).inserted_primary_key[0]


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else -1.0


def add_readings(connection: Connection, page_id: int, result: PhotoResult, *, at: str) -> None:
    """All readings of a page, and the entries of those that the rule accepts."""
    corners = _corners_px(result.page, result.readings)
    for reading, corner_px in zip(result.readings, corners, strict=True):
        confidence = float(reading.confidence)
        reading_id = connection.execute(insert(t.readings).values(
            page_id=page_id, cell=reading.cell, kind=reading.kind, value=json.dumps(plain(reading.value)),
            confidence=confidence, flagged=int(reading.flagged), score=float(reading.score),
            candidates=json.dumps([[plain(v), round(float(p), 6)] for v, p in reading.candidates]),
            reasons=json.dumps(list(reading.reasons)), photo_px=json.dumps(corner_px))).inserted_primary_key[0]
        if not reading.flagged:
            connection.execute(insert(t.entries).values(
                page_id=page_id, cell=reading.cell, value=json.dumps(plain(reading.value)),
                state="blank" if reading.value is None else "entered", by=RULE, decided_by=RULE, at=at,
                why=f"accepted by rule: confidence {_shown(confidence)}", reading_id=reading_id, client="", seq=0))


def _shown(confidence: float) -> str:
    """Four decimals, rounded down: 0.99996 is not certainty."""
    return f"{int(confidence * 10_000) / 10_000:.4f}"


def plain(value: Value) -> Value:
    """A value without numpy types, for JSON."""
    return value.item() if isinstance(value, np.generic) else value


def _corners_px(page: Page, readings: tuple[Reading, ...]) -> list[list[list[float]]]:
    """Corners of each reading's cell in the upright photograph, clockwise from the top left."""
    boxes = [page.layout.by_id[r.cell].box_mm for r in readings]
    corners = np.array([[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in boxes], np.float32)
    if not len(corners):
        return []
    px = page.flattened.warp.photo_px(corners.reshape(-1, 2)).reshape(-1, 4, 2)
    return np.round(px.astype(np.float64), 1).tolist()


def entries_of(connection: Connection, page_id: int, cell: str) -> list[EntryRow]:
    """Entries of one cell, oldest first."""
    query = select(t.entries).filter_by(page_id=page_id, cell=cell).order_by(t.entries.c.id)
    return [entry_row(row) for row in connection.execute(query)]


def resent(connection: Connection, client: str, seq: int) -> EntryRow | None:
    """The entry that this key press already made."""
    row = connection.execute(select(t.entries).filter_by(client=client, seq=seq)).first() if client else None
    return entry_row(row) if row is not None else None


def add_entry(connection: Connection, page_id: int, cell: str, *, value: Value, **columns) -> EntryRow:
    """One entry; returns it as stored."""
    reading_id = connection.execute(select(t.readings.c.id).filter_by(page_id=page_id, cell=cell)).scalar()
    if reading_id is None:
        raise StoreError(f"cell '{cell}' was not read on page {page_id}")
    new = connection.execute(insert(t.entries).values(
        page_id=page_id, cell=cell, value=json.dumps(plain(value)), reading_id=reading_id, **columns))
    return entry_row(connection.execute(select(t.entries).filter_by(id=new.inserted_primary_key[0])).one())
