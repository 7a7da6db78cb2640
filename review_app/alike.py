"""Cells that the reader believes hold the same value, so that a person can look at many at once.

Only cells that a glance can settle are shown together: those the program accepted, and open ones whose only trouble is
that the reader was not sure. Whatever else was seen in a cell (crossed out, strokes and total that differ) is looked at
alone.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.reading import Value
from digitise.sheets.layout import Box
from digitise.store import RULE, CellNow, PageRow, Store
from review_app import worklist

KINDS = ("tally", "number", "code", "tick")  # others hold a value of their own in every cell
MOST = 60
FEWEST_OPEN = 3  # fewer open cells are sooner decided one by one
CONTEXT_MM = 1.6
CROP_PX_PER_MM = 4.0
_ORDER = {kind: i for i, kind in enumerate(KINDS)}
_KIND_WORDS = {"tally": "strokes", "number": "digits", "code": "codes", "tick": "boxes to tick"}


@dataclass(frozen=True, slots=True)
class Alike:
    """One cell that may be shown among its like. `open` is true while it waits for a person."""

    page: PageRow
    cell: CellNow
    open: bool

    @property
    def value(self) -> Value:
        """What the reader believes."""
        return self.cell.read_value if self.open else self.cell.value

    @property
    def key(self) -> str:
        """Which group it belongs to."""
        return f"{self.cell.kind}:{'' if self.value is None else self.value}"


def cells_of(store: Store, pack: str = "") -> Iterator[Alike]:
    """Every cell that may be shown among its like, page by page."""
    for page in store.pages(pack or None):
        if page.superseded:
            continue
        for cell in store.current(page.id).values():
            if cell.kind not in KINDS:
                continue
            if cell.state == "unread" and cell.reasons == ("unsure",):
                yield Alike(page, cell, True)
            elif cell.state in ("entered", "blank") and cell.by == RULE:
                yield Alike(page, cell, False)


def groups(store: Store, pack: str = "") -> list[dict]:
    """Groups with how many cells are open and how many were accepted unseen, in a fixed order."""
    found: dict[str, dict] = {}
    for one in cells_of(store, pack):
        text = worklist.shown(one.cell.kind, one.value)
        group = found.setdefault(
            one.key,
            {
                "key": one.key,
                "text": text,
                "kind": _KIND_WORDS[one.cell.kind],
                "open": 0,
                "rule": 0,
                "turn": (_ORDER[one.cell.kind], one.value is not None, len(text), text),
            },
        )
        group["open" if one.open else "rule"] += 1
    for group in found.values():
        group["open"] = group["open"] if group["open"] >= FEWEST_OPEN else 0
    kept = sorted((g for g in found.values() if g["open"] or g["rule"]), key=lambda g: g["turn"])
    return [{k: v for k, v in g.items() if k != "turn"} for g in kept]


@lru_cache(maxsize=16)
def _page_pixels(store: Store, page_id: int) -> np.ndarray:
    gray = cv2.imdecode(np.frombuffer(store.page_image(page_id), np.uint8), cv2.IMREAD_GRAYSCALE)
    if gray is None:
        raise ValueError(f"page {page_id}: the flattened page is damaged; bring it back from a backup")
    return gray


@lru_cache(maxsize=4000)
def crop(store: Store, page_id: int, box_mm: Box) -> tuple[str, int, int]:
    """A cell with a little around it: (JPEG as a data address, width, height in pixels).

    `ValueError` where the page's picture is missing or damaged.
    """
    x, y, w, h = box_mm
    image = _page_pixels(store, page_id)
    left, top = (max(0, int((v - CONTEXT_MM) * FLAT_PX_PER_MM)) for v in (x, y))
    right, bottom = (int((v + CONTEXT_MM) * FLAT_PX_PER_MM) for v in (x + w, y + h))
    scale = CROP_PX_PER_MM / FLAT_PX_PER_MM
    small = cv2.resize(image[top:bottom, left:right], None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode()}", small.shape[1], small.shape[0]


def sheet(store: Store, key: str, *, which: str, pack: str = "", limit: int = MOST) -> dict:
    """Up to `limit` cells of one group with their crops, the least certain first; `which` is open or rule.

    Cells of a page that has no picture any more are left out, and `lost` says so.
    """
    own = [one for one in cells_of(store, pack) if one.key == key and one.open == (which == "open")]
    chosen, crops, lost = [], {}, {}
    for one in sorted(own, key=lambda one: (one.cell.confidence, one.page.id)):
        if one.page.id in lost or len(chosen) == min(limit, MOST):
            continue
        try:
            crops[one.page.id, one.cell.cell] = crop(store, one.page.id, one.cell.box_mm)
        except ValueError as error:
            lost[one.page.id] = f"Cells of {one.page.title}, {one.page.photo}, are not shown: {error}."
        else:
            chosen.append(one)
    last = {i: {c: e[-1].id for c, e in store.entries(i).items()} for i in {one.page.id for one in chosen}}
    items = []
    for one in sorted(chosen, key=lambda one: one.page.id):
        source, width, height = crops[one.page.id, one.cell.cell]
        items.append(
            {
                "page": one.page.id,
                "sha256": one.page.sha256,
                "cell": one.cell.cell,
                "label": one.cell.label,
                "title": one.page.title,
                "where": worklist.place_words(one.page.page_title, one.page.transect, one.page.pack, ""),
                "share": worklist.share_words(one.cell.confidence),
                "value": one.value,
                "text": worklist.shown(one.cell.kind, one.value),
                "last": last[one.page.id].get(one.cell.cell, 0),
                "open": one.open,
                "src": source,
                "width": width,
                "height": height,
            }
        )
    return {"items": items, "all": len(own), "lost": list(lost.values())}
