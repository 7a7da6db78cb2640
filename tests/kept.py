"""Made-up pages and surveys for the tests of what is kept and reported; nothing here reads a picture."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from digitise.flatten import Flattened, Warp, grid_shape
from digitise.layout import Cell, Layout, build_layouts
from digitise.page import Page
from digitise.protocol import Protocol, load_protocol
from digitise.reading import PhotoResult, Reading, Value
from digitise.sheet import identity_for

NOW = datetime(2026, 3, 28, 9, 30, tzinfo=UTC)
PACK = "QH7M4K"
FLAGGED = object()                     # as a value: the reader was not sure


@lru_cache(maxsize=1)
def protocol() -> Protocol:
    return load_protocol("reef-transect")


def layout(sheet: str, paper: str = "A4") -> Layout:
    return next(one for one in build_layouts(protocol()) if one.sheet == sheet and one.paper == paper)


def made_page(one: Layout, *, pack: str | None = PACK, transect: int = 1) -> Page:
    """A blank flat page, photographed straight from above at 10 pixels a millimetre."""
    width, height = (int(v * 8) for v in one.page_size_mm)
    image = np.full((height, width), 230, np.uint8)
    warp = Warp(np.diag([10.0, 10.0, 1.0]), np.zeros((*grid_shape(one.page_size_mm), 2), np.float32))
    identity = identity_for(one, pack, transect) if pack else None
    return Page(one, identity, image, Flattened(image, warp, 0.2, 0.9), 10.0, 0.3, frozenset())


def made_reading(cell: Cell, value: Value, *, confidence: float = 0.9993) -> Reading:
    """An accepted reading; `FLAGGED` makes one that a person must decide."""
    if value is FLAGGED:
        return Reading(cell.id, cell.kind, None, 0.41, True, ((None, 0.41),), ("unsure",), 0.4)
    return Reading(cell.id, cell.kind, value, confidence, False, ((value, confidence),), (), 0.999)


def blank_of(cell: Cell) -> Value:
    return False if cell.kind == "tick" else None


def photo_of(name: str) -> bytes:
    """Bytes of a made-up photograph; the store takes any."""
    return f"photograph {name}".encode()


def made_result(sheet: str, values: Mapping[str, Value], *, name: str, pack: str | None = PACK, transect: int = 1,
                confidence: float = 0.9993, paper: str = "A4") -> PhotoResult:
    """What reading one photograph would give: `values` by cell id, every other cell blank."""
    one = layout(sheet, paper)
    unknown = set(values) - set(one.by_id)
    assert not unknown, unknown
    readings = tuple(made_reading(c, values.get(c.id, blank_of(c)), confidence=confidence) for c in one.cells)
    sha256 = hashlib.sha256(photo_of(name)).hexdigest()
    return PhotoResult(name, sha256, "read", (), made_page(one, pack=pack, transect=transect), None, readings)


def keep(store, result: PhotoResult, *, now: datetime = NOW, **extra) -> int | None:
    """Keep a made photograph and record what it says."""
    store.keep_photo(photo_of(result.file), result.file, now=now)
    return store.record(result, protocol(), now=now, acceptance_basis="made up for a test", **extra)


