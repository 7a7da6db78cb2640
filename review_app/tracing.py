"""From a figure to the cells behind it, and from a cell to its history, readings and place on the photograph."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from digitise.sheets.protocol import BeltSheet, LineSheet, Protocol
from digitise.store import RULE, CellNow, EntryRow, PageRow, Store
from review_app import worklist


@dataclass(frozen=True, slots=True)
class Behind:
    """One cell behind a figure. `counts` is false while it waits for a person or cannot be read."""

    page: PageRow
    cell: CellNow

    @property
    def counts(self) -> bool:
        """Whether its value is in the figure."""
        return self.cell.state == "entered"


@dataclass(frozen=True, slots=True)
class Figure:
    """A category or a row of a survey: what its figures are computed from."""

    sheet: str
    title: str
    id: str
    label: str
    cells: tuple[Behind, ...]


def _all(store: Store, pack: str) -> list[Behind]:
    return [
        Behind(page, cell)
        for page in store.pages(pack)
        if not page.superseded
        for cell in store.current(page.id).values()
    ]


def names(protocol: Protocol) -> list[tuple[str, str, str, str]]:
    """Every category and row that a protocol has figures of: its sheet, the sheet's title, its id and its label."""
    return [
        (name, sheet.title, one.id, one.label)
        for name, sheet in protocol.sheets.items()
        if isinstance(sheet, LineSheet | BeltSheet)
        for one in (sheet.categories if isinstance(sheet, LineSheet) else (*sheet.rows, *sheet.impacts))
    ]


def named_figures(store: Store, packs: Collection[str]) -> dict[str, list | dict]:
    """The `names` of each protocol of these surveys, and which of them each survey, by pack, goes by."""
    wanted = set(packs)
    first = {p.pack: p for p in store.pages() if p.pack in wanted and not p.superseded}
    own = list({p.protocol_digest: p for p in first.values()}.values())
    number = {p.protocol_digest: i for i, p in enumerate(own)}
    return {
        "names": [names(store.protocol_for(p)) for p in own],
        "packs": {pack: number[p.protocol_digest] for pack, p in first.items()},
    }


def figures(store: Store, pack: str) -> list[Figure]:
    """Every category and row of a survey with the cells behind it, in printed order; empty without pages.

    A category has the points where its code was entered, and every point that could still be it (unread). A row has its
    tallies and written totals.
    """
    pages = [p for p in store.pages(pack) if not p.superseded]
    if not pages:
        return []
    protocol, cells = store.protocol_for(pages[0]), _all(store, pack)
    return [Figure(*one, _behind(protocol, cells, one[0], one[2])) for one in names(protocol)]


def _behind(protocol: Protocol, cells: list[Behind], name: str, row: str) -> tuple[Behind, ...]:
    own, sheet = [b for b in cells if b.page.sheet == name], protocol.sheets[name]
    if isinstance(sheet, LineSheet):
        code = next(c.code for c in sheet.categories if c.id == row)
        own = [b for b in own if b.cell.kind == "code"]
        return tuple(b for b in own if b.cell.state == "unread" or b.cell.value == code)
    return tuple(b for b in own if b.cell.cell.startswith(f"{name}/{row}/"))


def figure(store: Store, pack: str, sheet: str, row: str) -> Figure | None:
    """One of `figures`; None when there is no such figure."""
    return next((f for f in figures(store, pack) if (f.sheet, f.id) == (sheet, row)), None)


# One cell


def _entry(entry: EntryRow, kind: str, decimals: int) -> dict:
    what = {"blank": "nothing written", "illegible": "cannot be read", "withdrawn": "taken back: open again"}
    return {
        "what": what.get(entry.state) or worklist.shown(kind, entry.value, decimals),
        "who": "the program" if entry.by == RULE else entry.by,
        "at": entry.at,
        "why": entry.why,
    }


def cell_trace(store: Store, page_id: int, cell_id: str) -> dict:
    """All that is known of one cell; `ValueError` when the page or the cell is not there."""
    page = store.page(page_id)
    reading = next((r for r in store.readings(page_id) if r.cell == cell_id), None)
    if reading is None:
        raise ValueError(f"there is no cell '{cell_id[:60]}' on this page")
    cell = next(c for c in store.cells(page_id) if c.id == cell_id)
    decimals = len(cell.format.partition(".")[2]) if cell.format else 0
    photo = next(p for p in store.photos() if p.sha256 == page.sha256)
    entries = store.entries(page_id).get(cell_id, [])
    return {
        "page": page_id,
        "cell": cell_id,
        "label": reading.label,
        "title": page.title,
        "where": worklist.place_words(page.page_title, page.transect, page.pack, ""),
        "photo": photo.name,
        "sha256": page.sha256,
        "kept_at": photo.kept_at,
        "thinned": store.thinned.at(page.sha256)[:10],
        "corners": [list(p) for p in reading.photo_px],
        "box": list(reading.box),
        "size_mm": list(page.page_size_mm),
        "candidates": [
            {"text": worklist.shown(reading.kind, v, decimals), "share": worklist.share_words(p), "p": round(p, 4)}
            for v, p in reading.candidates
        ],
        "accepted": not reading.flagged,
        "reasons": worklist.reason_words(reading.reasons),
        "reader": page.reader_version,
        "residual_mm": round(page.residual_mm, 2),
        "history": [_entry(e, reading.kind, decimals) for e in entries],
        "superseded": page.superseded,
        "keyed": page.keyed,
    }
