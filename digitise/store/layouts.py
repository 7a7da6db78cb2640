"""A page's layout as it was when the page was read, out of its JSON, and readings in their places on it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from sqlalchemy import Row

from digitise.reader.reading import Value
from digitise.reader.reasons import REASONS
from digitise.sheets.layout import Box, Cell
from digitise.store.rows import PageRow, QueueItem, ReadingRow, StoreError, cell_label, page_fractions

OPENED_AGAIN = "The entry was taken back. Enter the value, or say that it cannot be read."


@lru_cache(maxsize=4096)
def value_of(text: str) -> Value:
    """A value from its JSON; few are ever different."""
    return json.loads(text)


@lru_cache(maxsize=256)
def names_of(text: str) -> tuple[str, ...]:
    """Names from their JSON."""
    return tuple(json.loads(text))


@lru_cache(maxsize=4096)
def pairs_of(text: str) -> tuple:
    """Pairs from their JSON: candidates, corners."""
    return as_pairs(json.loads(text))


def each(texts: Sequence[str | None], made: Callable[[list], object] | None = None) -> list:
    """What many pieces of JSON say, or what is `made` of it; None stays None.

    Most are there several times, and the rest take a third of the time when they are parsed as one.
    """
    different = list({*texts} - {None})
    said = json.loads(f"[{','.join(different)}]")
    known = dict(zip(different, said if made is None else map(made, said), strict=True)) | {None: None}
    return [known[text] for text in texts]


def as_pairs(pairs: list[list]) -> tuple:
    """Pairs from lists: candidates, corners."""
    return tuple(map(tuple, pairs))


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
    by_id: Mapping[str, Cell]
    places: Mapping[str, tuple[str, str, str, Box]]  # of each cell by id: id, kind, label told apart, box in mm

    def cell(self, cell_id: str) -> Cell:
        """One cell; `StoreError` when the page has none of this name."""
        if cell_id not in self.by_id:
            raise StoreError(f"{self.title}: there is no cell '{cell_id}' on this page")
        return self.by_id[cell_id]

    def reading_row(self, row: Row) -> ReadingRow:
        """A reading with its place on the page."""
        cell = self.cell(row.cell)
        return ReadingRow(
            id=row.id,
            page_id=row.page_id,
            cell=row.cell,
            kind=row.kind,
            label=cell_label(cell),
            value=value_of(row.value),
            confidence=row.confidence,
            flagged=bool(row.flagged),
            candidates=pairs_of(row.candidates),
            reasons=names_of(row.reasons),
            score=row.score,
            box_mm=cell.box_mm,
            box=page_fractions(cell.box_mm, self.page_size_mm),
            photo_px=pairs_of(row.photo_px),
        )

    def queue_item(self, page: PageRow, row: Row) -> QueueItem:
        """An open cell with what a person needs to decide it."""
        cell, names = self.cell(row.cell), names_of(row.reasons)
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
            value=value_of(row.value),
            candidates=pairs_of(row.candidates),
            reasons=words if row.flagged else (OPENED_AGAIN,),
            reason_names=names,
            confidence=row.confidence,
            box=page_fractions(cell.box_mm, self.page_size_mm),
            choices=cell.choices,
            max=cell.max,
            format=cell.format,
            last_entry=row.last_entry,
        )


def parsed(digest: str, content: str) -> KeptLayout:
    """A layout from what `digitise.store.write` kept of it."""
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
        {cell.id: cell for cell in cells},
        {cell.id: (cell.id, cell.kind, cell_label(cell), cell.box_mm) for cell in cells},
    )
