"""Made-up pages and surveys for the tests of what is kept and reported; nothing here reads a picture."""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from digitise.pages.flatten import Flattened, Warp, grid_shape
from digitise.pages.page import Page
from digitise.reader.reading import PhotoResult, Reading, Value
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Cell, Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import identity_for
from digitise.store import CellNow, PageRow, cell_label
from digitise.surveys.survey import Survey, assemble

NOW = datetime(2026, 3, 28, 9, 30, tzinfo=UTC)
PACK = "QH7M4K"
PEOPLE = {"Ada Lind": "volunteer", "Keo Varn": "clerk", "Mira Tole": "scientist"}  # who may log in
FLAGGED = object()  # as a value: the reader was not sure


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


def made_result(
    sheet: str,
    values: Mapping[str, Value],
    *,
    name: str,
    pack: str | None = PACK,
    transect: int = 1,
    confidence: float = 0.9993,
    paper: str = "A4",
) -> PhotoResult:
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


def passphrase(name: str) -> str:
    return f"grey wrasse of {name}"


def let_in(store) -> None:
    """Everybody in `PEOPLE` may log in."""
    for name, role in PEOPLE.items():
        store.people.set(name, role=role, by="Setup", now=NOW, passphrase=passphrase(name))


UNREAD, ILLEGIBLE = object(), object()  # as values in `made_sheet`


def made_sheet(
    sheet: str, values: Mapping[str, object], *, transect: int = 1, pack: str = PACK, by: str = "rule", one=None
):
    """A page and the present state of its cells, for `digitise.surveys.survey.assemble`; other cells are blank."""
    one = one or layout(sheet)
    assert not set(values) - set(one.by_id)
    number = 10 * transect + ["site", "fish", "invertebrate", "substrate"].index(sheet) + 1
    cells = {c.id: _made_cell(c, values.get(c.id, blank_of(c)), number, by) for c in one.cells}
    page = PageRow(
        id=number,
        sha256=hashlib.sha256(f"{pack}{number}".encode()).hexdigest(),
        photo=f"{sheet}-{transect}.jpg",
        protocol="reef-transect",
        protocol_version="1",
        protocol_digest=protocol().digest,
        layout_digest=one.digest,
        sheet=sheet,
        title=one.title,
        page=one.page,
        pages=one.pages,
        per_transect=one.per_transect,
        page_size_mm=one.page_size_mm,
        pack=pack,
        transect=transect if one.per_transect else 0,
        identity_from="printed",
        superseded_by=None,
        cells=len(cells),
        flagged=0,
        open=0,
        decided=0,
        mean_confidence=0.999,
        residual_mm=0.2,
        px_per_mm=10.0,
        reader_version="1",
        acceptance_basis="made up for a test",
        recorded_at="2026-03-28T09:30:00Z",
    )
    return page, cells


def _made_cell(cell: Cell, value: object, page_id: int, by: str) -> CellNow:
    state = {UNREAD: "unread", ILLEGIBLE: "illegible", None: "blank"}.get(value, "entered")
    kept = value if state == "entered" else None
    who = "" if state == "unread" else "Anna" if state == "illegible" else by
    return CellNow(
        page_id,
        cell.id,
        cell.kind,
        cell_label(cell),
        state,
        kept,
        who,
        "2026-03-28T09:30:00Z",
        "made up",
        kept,
        0.999,
        (),
        cell.box_mm,
    )


def points(codes: Mapping[str, int], **others: object) -> dict[str, object]:
    """Values of a substrate sheet: so many points of each code from the start of the tape, then `others` by name."""
    written = [code for code, n in codes.items() for _ in range(n)] + list(others.values())
    return {f"substrate/{m:g}": v for m, v in zip(protocol().transect.points_m, written, strict=False)}


def made_survey(*sheets, pack: str = PACK) -> Survey:
    return assemble(protocol(), pack, sheets)


@contextmanager
def alive(kind: type) -> Iterator[Callable[[], int]]:
    """A count of what is made of a kind in here and still held; what was there before is not looked at again and again."""
    gc.collect()
    gc.freeze()
    try:
        yield lambda: sum(isinstance(o, kind) for o in gc.get_objects())
    finally:
        gc.unfreeze()
