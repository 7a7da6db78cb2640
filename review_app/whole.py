"""One page with every value it holds, for the desk that shows the whole photograph."""

from __future__ import annotations

from digitise.sheets.layout import Cell
from digitise.store import RULE, CellNow, PageRow, Store
from review_app import worklist


def state_words(now: CellNow) -> str:
    """Who decided a cell, in words."""
    if now.state == "unread":
        return "waits for a person"
    who = "accepted by the program" if now.by == RULE else f"entered by {now.by}"
    return {"blank": f"nothing written, {who}", "illegible": f"cannot be read, {who}"}.get(now.state, who)


def value_text(now: CellNow, cell: Cell) -> str:
    """What is shown beside the ink: the value, a sign for blank and illegible, the suggestion while nobody decided."""
    decimals = len(cell.format.partition(".")[2]) if cell.format else 0
    if now.state == "illegible":
        return "?"
    value = now.read_value if now.state == "unread" else now.value
    if value is None:
        return "–"
    if now.kind == "tick":
        return "yes" if value else "no"
    return worklist.shown(now.kind, value, decimals)


def _cell(now: CellNow, cell: Cell, last: int, size: tuple[float, float]) -> dict:
    x, y, w, h = cell.box_mm
    return {
        "cell": cell.id,
        "kind": cell.kind,
        "label": now.label,
        "box": [x / size[0], y / size[1], w / size[0], h / size[1]],
        "state": "open" if now.state == "unread" else "rule" if now.by == RULE else "person",
        "text": value_text(now, cell),
        "suggested": now.read_value if now.state == "unread" else now.value,
        "words": state_words(now),
        "share": worklist.share_words(now.confidence),
        "read": worklist.shown(now.kind, now.read_value, 5).rstrip("0")
        if now.kind == "decimal"
        else worklist.shown(now.kind, now.read_value),
        "reasons": worklist.reason_words(now.reasons) if now.state == "unread" else [],
        "codes": list(cell.choices),
        "last": last,
    }


def sheet(store: Store, page_id: int) -> dict:
    """The page, its cells in reading order and its neighbours; `ValueError` when there is none."""
    page = store.page(page_id)
    now, entries = store.current(page_id), store.entries(page_id)
    cells = {c.id: c for c in store.cells(page_id)}
    items = [
        _cell(one, cells[i], entries[i][-1].id if i in entries else 0, page.page_size_mm) for i, one in now.items()
    ]
    meanings = worklist.code_meanings(store.protocol_for(page), page.sheet)
    where = worklist.place_words(page.page_title, page.transect, page.pack, page.photo)
    return {
        "page": page.id,
        "sha256": page.sha256,
        "title": page.title,
        "where": where,
        "size_mm": list(page.page_size_mm),
        "cells": items,
        "meanings": meanings,
        "superseded": page.superseded,
        "keyed": page.keyed,
    }


def page_list(store: Store) -> list[dict]:
    """Pages to choose from, in working order; those that are keyed by hand have a screen of their own."""
    pages = (p for p in store.pages() if not p.superseded and not p.keyed)
    return [{"page": p.id, "sha256": p.sha256, "text": _page_text(p), "open": p.open} for p in pages]


def _page_text(page: PageRow) -> str:
    where = worklist.place_words(page.page_title, page.transect, page.pack, "")
    return f"{where} ({page.open} open)" if page.open else where
