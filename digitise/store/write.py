"""Rows into the store's database, each inside a transaction that its caller opened."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from sqlalchemy import Connection, insert, select

from digitise.compose import build_layouts
from digitise.layout import Layout
from digitise.page import Page
from digitise.protocol import Protocol
from digitise.reading import PhotoResult, Reading, Value
from digitise.store import schema as t
from digitise.store.read import entry_row
from digitise.store.rows import RULE, EntryRow, StoreError


def stamp(now: datetime) -> str:
    """UTC in ISO 8601, to the second."""
    if now.tzinfo is None:
        raise ValueError("now has no time zone; pass datetime.now(UTC)")
    return now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def photo_file(connection: Connection, sha256: str) -> str | None:
    """Where a photograph lies below ``originals/``; None when it is not kept."""
    return connection.execute(select(t.photos.c.file).filter_by(sha256=sha256)).scalar()


def add_photo(connection: Connection, sha256: str, name: str, *, file: str, size: int, at: str) -> None:
    """Keep a photograph's row, once."""
    if photo_file(connection, sha256) is None:
        connection.execute(insert(t.photos).values(sha256=sha256, name=name, file=file, bytes=size, kept_at=at))


def add_refusal(connection: Connection, result: PhotoResult, *, version: str, at: str) -> None:
    """Keep why a photograph gave no page, once."""
    _need_photo(connection, result)
    seen = result.failure.layout if result.failure is not None else None
    key = {"sha256": result.sha256, "reader_version": version, "layout_digest": seen.digest if seen else ""}
    key["status"] = result.status
    if connection.execute(select(t.verdicts.c.id).filter_by(**key)).first() is None:
        connection.execute(insert(t.verdicts).values(**key, reasons=json.dumps(result.reasons), at=at))


def _need_photo(connection: Connection, result: PhotoResult) -> None:
    if photo_file(connection, result.sha256) is None:
        raise StoreError(f"{result.file}: keep the photograph before recording what it says")


def own_protocol(result: PhotoResult, protocol: Protocol | None) -> Protocol:
    """The protocol, when the page in `result` is one of its own; else `StoreError`."""
    layout = result.page.layout
    if protocol is None or layout.digest not in {one.digest for one in build_layouts(protocol)}:
        given = f"{protocol.protocol} {protocol.version}" if protocol else "none"
        raise StoreError(
            f"{result.file}: {layout.sheet} page {layout.page} is not a page of the protocol given ({given}); "
            "pass the one it was printed from"
        )
    return protocol


@dataclass(frozen=True, slots=True)
class NewPage:
    """A page to be added once: a result, its protocol, the reader's version, the basis of its thresholds, and when."""

    result: PhotoResult
    protocol: Protocol
    version: str
    basis: str
    at: str

    @property
    def image(self) -> str:
        """Name of the flattened page's file."""
        return f"{self.result.sha256}-{self.result.page.layout.digest}-{self.version}.jpg"

    def known(self, connection: Connection) -> int | None:
        """Id of the page already recorded from this photograph, by this reader, for this layout."""
        key = {"sha256": self.result.sha256, "reader_version": self.version}
        query = select(t.pages.c.id).filter_by(**key, layout_digest=self.result.page.layout.digest)
        return connection.execute(query).scalar()

    def add(self, connection: Connection) -> int:
        """The page with its readings, and the entries of those that the rule accepts; returns its id."""
        _need_photo(connection, self.result)
        if (known := self.known(connection)) is not None:
            return known
        _add_protocol(connection, self.protocol)
        _add_layout(connection, self.result.page.layout)
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
                image=self.image,
                recorded_at=self.at,
            )
        ).inserted_primary_key[0]
        for reading, corners in zip(readings, _corners_px(page, readings), strict=True):
            _add_reading(connection, page_id, reading, corners, at=self.at)
        return page_id


def _add_protocol(connection: Connection, protocol: Protocol) -> None:
    """Keep a protocol's content, once."""
    if connection.execute(select(t.protocols.c.digest).filter_by(digest=protocol.digest)).first() is None:
        content = protocol.model_dump_json(exclude={"font"})
        connection.execute(
            insert(t.protocols).values(
                digest=protocol.digest, name=protocol.protocol, version=protocol.version, content=content
            )
        )


def _add_layout(connection: Connection, layout: Layout) -> None:
    """Keep a layout's content, once."""
    if connection.execute(select(t.layouts.c.digest).filter_by(digest=layout.digest)).first() is None:
        content = layout.to_json() | {"pages": layout.pages, "per_transect": layout.per_transect}
        connection.execute(insert(t.layouts).values(digest=layout.digest, content=json.dumps(content)))


def _finite(value: float) -> float:
    return float(value) if np.isfinite(value) else -1.0


def _add_reading(connection: Connection, page_id: int, reading: Reading, corners_px: list, *, at: str) -> None:
    confidence, value = float(reading.confidence), json.dumps(plain(reading.value))
    reading_id = connection.execute(
        insert(t.readings).values(
            page_id=page_id,
            cell=reading.cell,
            kind=reading.kind,
            value=value,
            confidence=confidence,
            flagged=int(reading.flagged),
            score=float(reading.score),
            reasons=json.dumps(list(reading.reasons)),
            candidates=json.dumps([[plain(v), round(float(p), 6)] for v, p in reading.candidates]),
            photo_px=json.dumps(corners_px),
        )
    ).inserted_primary_key[0]
    if not reading.flagged:
        connection.execute(
            insert(t.entries).values(
                page_id=page_id,
                cell=reading.cell,
                value=value,
                state="blank" if reading.value is None else "entered",
                by=RULE,
                decided_by=RULE,
                at=at,
                why=f"accepted by rule: confidence {_shown(confidence)}",
                reading_id=reading_id,
                client="",
                seq=0,
            )
        )


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
    new = connection.execute(
        insert(t.entries).values(
            page_id=page_id, cell=cell, value=json.dumps(plain(value)), reading_id=reading_id, **columns
        )
    )
    return entry_row(connection.execute(select(t.entries).filter_by(id=new.inserted_primary_key[0])).one())


def reader_version() -> str:
    """Version of the reader that comes with this package."""
    from digitise.read import READER_VERSION

    return READER_VERSION


def shipped_basis() -> str:
    """What the shipped acceptance thresholds rest on, in words; empty without the file."""
    from digitise.calibration import shipped_acceptance

    try:
        return shipped_acceptance().basis
    except OSError:
        return ""
