"""Evidence to be shared: what is behind some surveys' numbers, in a folder that proves itself, without what is private.

Photographs are copied as the reader saw them: upright, grey, without any of the file's own data (position, device,
time). Where names are replaced, words are covered in every picture too. Photographs of which it is not known where the
words are stay at home then. The folder is BagIt; a store cannot be made from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from digitise.exchange.bag import seal
from digitise.exchange.content import Content
from digitise.exchange.evidence import bag_info, write_crops, write_state
from digitise.exchange.package import write_csv_file
from digitise.exchange.pseudonyms import Pseudonyms, covered
from digitise.store import NO_SHEET, RULE, PhotoRow

if TYPE_CHECKING:
    from digitise.store import Store

QUALITY = 90
MARGIN_MM = 1.5  # around a cell, since handwriting overruns its box
COVER_GREY = 128
HISTORY = ("entry", "page", "cell", "state", "value", "by", "at", "why", "undoes")
README = """Evidence behind a reef survey, for sharing
==========================================

{statement}

data/photographs/    {pictures}
data/pages/          the flattened pages that were read, as page-PAGE.jpg{names}
data/crops/          every cell that the rule did not settle, as page-PAGE/CELL.png{names}
data/cells.csv       the present state of every cell, with who decided it, when and why
data/history.csv     every entry that was ever made in these cells
data/photographs.csv SHA-256 of each photograph as it was kept, and what became of its copy
data/photos.csv      what was read on each photograph
data/provenance.json

Whole and unchanged?  sha256sum --check manifest-sha256.txt
                      or: digitise import FOLDER --dry-run
"""


@dataclass(frozen=True, slots=True)
class Sharing:
    """What may leave: names of people as they are unless `names` replaces them; files' own data when `positions`.

    `pictures` tells whether there are any.
    """

    names: Pseudonyms | None = None
    positions: bool = False
    pictures: bool = True

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the receiver must know."""
        named = (
            "Names of people are replaced by pseudonyms that stay the same from one package to the next."
            if self.names
            else "Names of people are as they were written. Share the package only with those who may know them."
        )
        if not self.pictures:
            return (named,)
        if self.names:
            named += " In pictures every box for words but the site's name is covered; words outside the boxes are not."
        where = (
            "Photographs are the files as they came, with positions that a phone may have put into them."
            if self.positions and not self.names
            else "Copies of photographs hold no position, time or device from the phone: only the picture, in grey."
        )
        return (named, where)


def write_shared(store: Store, content: Content, folder: Path, sharing: Sharing) -> list[Path]:
    """Write the evidence of these surveys into a new folder; returns its files."""
    data = folder / "data"
    data.mkdir(parents=True)
    rows = list(_photographs(store, content, data / "photographs", sharing))
    _pages(store, content, data / "pages", sharing)
    cells = ((p, c) for p, c in content.cells if c.by != RULE and not (sharing.names and covered(c.cell, c.kind)))
    write_crops(store, cells, data / "crops")
    write_state(content, data)
    write_csv_file(data / "history.csv", HISTORY, _history(store, content, sharing.names))
    write_csv_file(data / "photographs.csv", list(rows[0]) if rows else ["sha256"], rows)
    as_came = sharing.positions and not sharing.names
    pictures = (
        "photographs as they came from the phone" if as_came else "copies of the photographs, as the reader saw them"
    )
    names = ", words covered" if sharing.names else ""
    text = README.format(statement=content.statement, pictures=pictures, names=names)
    (data / "README.txt").write_text("\n".join([text, *sharing.sentences, ""]), encoding="utf-8")
    seal(folder, bag_info(content))
    return sorted(p for p in folder.rglob("*") if p.is_file())


def _photographs(store: Store, content: Content, folder: Path, sharing: Sharing) -> Iterator[dict]:
    """Copy what may be shared; a row for every photograph."""
    folder.mkdir()
    for photo in content.photos:
        data, suffix, note = _copy(store, photo, sharing)
        if data is not None:
            (folder / f"{photo.sha256}{suffix}").write_bytes(data)
        yield {"photo": photo.name, "sha256": photo.sha256, "bytes": photo.bytes, "copy": note}


def _copy(store: Store, photo: PhotoRow, sharing: Sharing) -> tuple[bytes | None, str, str]:
    """(the copy or None, its suffix, what was done in words)."""
    if photo.status == NO_SHEET:
        return None, "", "left out: it shows no survey sheet, as a person says"
    if store.thinned.at(photo.sha256):
        return None, "", "no longer kept, by the policy; the flattened page is"
    original = store.original(photo.sha256)
    if sharing.positions and not sharing.names:
        return original, Path(photo.name).suffix.lower() or ".bin", "as it came"
    from digitise.pages.photo import decode_photo

    decoded = decode_photo(original, photo.name)
    if not decoded:
        return None, "", f"left out: {decoded.detail}"
    if not sharing.names:
        return _jpeg(decoded.gray), ".jpg", "upright, grey, without the file's own data"
    boxes = _words_px(store, photo)
    if boxes is None:
        return None, "", "left out: it is not known where names stand on it"
    return _jpeg(_hidden(decoded.gray, boxes)), ".jpg", "upright, grey, without the file's own data, words covered"


def _words_px(store: Store, photo: PhotoRow) -> list[tuple[np.ndarray, float]] | None:
    """Corners of every box for words in the upright photograph with the margin in pixels; None where not known."""
    if not photo.page_ids:
        return None
    out = []
    for page in (store.page(i) for i in photo.page_ids):
        for reading in store.readings(page.id):
            if covered(reading.cell, reading.kind):
                if len(reading.photo_px) != 4 or page.px_per_mm <= 0:
                    return None
                out.append((np.round(np.array(reading.photo_px)).astype(np.int32), MARGIN_MM * page.px_per_mm))
    return out


def _hidden(gray: np.ndarray, boxes: list[tuple[np.ndarray, float]]) -> np.ndarray:
    import cv2

    out = gray.copy()
    for corners, margin_px in boxes:
        cv2.fillPoly(out, [corners], COVER_GREY)
        cv2.polylines(out, [corners], isClosed=True, color=COVER_GREY, thickness=max(1, round(2 * margin_px)))
    return out


def _pages(store: Store, content: Content, folder: Path, sharing: Sharing) -> None:
    import cv2

    from digitise.pages.flatten import FLAT_PX_PER_MM

    folder.mkdir()
    for page in content.photo_pages:
        if page.keyed and sharing.names:
            continue  # where names stand on it is not known
        data = store.page_image(page.id)
        if sharing.names:
            image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
            boxes = [c.box_mm for c in store.cells(page.id) if covered(c.id, c.kind)]
            corners = [np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]) for x, y, w, h in boxes]
            scaled = [np.round(c * FLAT_PX_PER_MM).astype(np.int32) for c in corners]
            data = _jpeg(_hidden(image, [(c, MARGIN_MM * FLAT_PX_PER_MM) for c in scaled]))
        (folder / f"page-{page.id}.jpg").write_bytes(data)


def _jpeg(gray: np.ndarray) -> bytes:
    import cv2

    return cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()


def _history(store: Store, content: Content, names: Pseudonyms | None) -> Iterator[dict]:
    for page in content.photo_pages:
        kinds = {c.id: c.kind for c in store.cells(page.id)}
        for cell, entries in store.entries(page.id).items():
            for e in entries:
                value = names.value(cell, kinds[cell], e.value) if names else e.value
                by, why = (names.of(e.by), names.text(e.why)) if names else (e.by, e.why)
                yield {
                    "entry": e.id,
                    "page": page.id,
                    "cell": cell,
                    "state": e.state,
                    "value": value,
                    "by": by,
                    "at": e.at,
                    "why": why,
                    "undoes": e.undoes,
                }
