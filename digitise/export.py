"""Tidy tables that open in a spreadsheet, in R and in pandas, with a README that says what every column holds.

Photographed text is hostile until proven otherwise: a text value that a spreadsheet would take for a formula gets an
apostrophe in front. Cells nobody has decided are written with state "unread" and an empty value, and counted.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.provenance import Provenance, provenance
from digitise.results import SurveyResults, cover_table, density_table, impact_table, survey_results
from digitise.results.words import plural
from digitise.store import CellNow, PageRow
from digitise.survey import load_surveys

if TYPE_CHECKING:
    from digitise.store import Store

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

OBSERVATIONS = {
    "pack": "the pack printed on the sheet; empty where it could not be read and nobody has assigned one",
    "transect": "number of the line; 0 for a sheet of the whole survey",
    "sheet": "name of the sheet in the protocol",
    "page": "page of the sheet",
    "cell": "name of the cell, as in the layout file",
    "kind": "tally, number, code, tick, text, date, time or decimal",
    "label": "what is printed beside the cell",
    "state": "entered, blank (nothing written), illegible (given up by a person) or unread (nobody has decided)",
    "value": "the value, empty unless entered; true or false for a tick; dates ISO 8601",
    "decided_by": "'rule' (accepted automatically) or the person; empty while unread",
    "decided_at": "when, UTC, ISO 8601",
    "why": "why, in the words kept with the entry",
    "read_value": "what the reader read, whatever was entered",
    "confidence": "the reader's calibrated probability that read_value is what was written",
    "photo": "name of the photograph",
    "photo_sha256": "SHA-256 of the photograph's bytes",
    "x_mm": "left edge of the cell on the printed page, mm",
    "y_mm": "top edge, mm",
    "width_mm": "width, mm",
    "height_mm": "height, mm",
    "protocol": "protocol's name",
    "protocol_version": "protocol's version",
    "reader_version": "version of the reader",
}
PHOTOS = {
    "photo": "name of the photograph",
    "photo_sha256": "SHA-256 of its bytes",
    "bytes": "size",
    "kept_at": "when it was added, UTC, ISO 8601",
    "status": "read, retake, unreadable or waiting",
    "reasons": "why it was refused, in words",
    "pack": "pack of its page",
    "transect": "transect of its page",
    "sheet": "sheet of its page",
    "page": "page of the sheet",
    "counts": "yes when its page is the one that counts",
    "mean_confidence": "mean confidence of its readings",
    "residual_mm": "95th percentile distance of printed corners held out of the flattening, mm",
}


@dataclass(frozen=True, slots=True)
class ExportSummary:
    """What was written. `unread` cells are in the tables with an empty value; `without_pack` pages are in no survey."""

    files: tuple[Path, ...]
    surveys: int
    cells: int
    unread: int
    without_pack: int

    @property
    def sentence(self) -> str:
        """The summary in words."""
        text = f"{plural(self.cells, 'cell')} of {plural(self.surveys, 'survey')} written"
        if self.unread:
            text += f"; {self.unread} of them nobody has decided yet: state 'unread' and no value"
        if self.without_pack:
            pages, have = plural(self.without_pack, "page"), "has" if self.without_pack == 1 else "have"
            text += f"; {pages} {have} no pack yet: in observations.csv, in no survey"
        return text + "."


def write_export(store: Store, folder: Path, *, now: datetime, packs: Sequence[str] | None = None) -> ExportSummary:
    """Write the tables of these packs (of everything in the store when None) into `folder`.

    Raises
    ------
    ValueError
        Nothing has been read yet, or the folder cannot be used.
    """
    pages = [p for p in store.pages() if not p.superseded and (packs is None or p.pack in packs)]
    if not pages:
        which = f"no sheet of pack {', '.join(packs)}" if packs else "no sheet"
        raise ValueError(f"{store.folder}: {which} has been read yet, so there is nothing to export")
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder}: is a file; choose a folder for the tables")
    folder.mkdir(parents=True, exist_ok=True)
    surveys = load_surveys(store, packs)
    origin = provenance(surveys, now=now)
    cells = [(p, c) for p in pages for c in store.current(p.id).values()]
    files = [
        _write(folder / "observations.csv", OBSERVATIONS, (_observation(p, c) for p, c in cells)),
        *write_tables([survey_results(s) for s in surveys], folder),
        _write(folder / "photos.csv", PHOTOS, _photo_rows(store, packs)),
        _write_text(folder / "provenance.json", json.dumps(origin.to_json(), indent=1, ensure_ascii=False) + "\n"),
    ]
    unread = sum(c.state == "unread" for _, c in cells)
    without = sum(p.pack is None for p in pages)
    names = [f.name for f in files]
    files.append(_write_text(folder / "README.txt", _readme(names, origin, len(cells), unread, without)))
    return ExportSummary(tuple(files), len(surveys), len(cells), unread, without)


def write_tables(results: Sequence[SurveyResults], folder: Path) -> list[Path]:
    """``cover.csv``, ``density.csv`` and ``impacts.csv``, as `digitise.results` documents their columns."""
    out = []
    for name, frame in (
        ("cover", cover_table(results)),
        ("density", density_table(results)),
        ("impacts", impact_table(results)),
    ):
        known = frame.astype(object).where(frame.notna(), None)
        out.append(_write(folder / f"{name}.csv", dict.fromkeys(frame.columns, ""), known.to_dict("records")))
    return out


def guarded(value: object) -> object:
    """Text that a spreadsheet would run as a formula, with an apostrophe in front; anything else as it is."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value


def _cell_text(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.10g}" if isinstance(value, float) else guarded(value)


def _write(path: Path, columns: Mapping[str, str], rows: Iterable[Mapping[str, object]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow(columns)
        writer.writerows([_cell_text(row.get(c)) for c in columns] for row in rows)
    return path


def _write_text(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def _observation(page: PageRow, cell: CellNow) -> dict:
    x, y, w, h = cell.box_mm
    return {
        "pack": page.pack,
        "transect": page.transect,
        "sheet": page.sheet,
        "page": page.page,
        "cell": cell.cell,
        "kind": cell.kind,
        "label": cell.label,
        "state": cell.state,
        "value": cell.value,
        "decided_by": cell.by,
        "decided_at": cell.at,
        "why": cell.why,
        "read_value": cell.read_value,
        "confidence": cell.confidence,
        "photo": page.photo,
        "photo_sha256": page.sha256,
        "x_mm": x,
        "y_mm": y,
        "width_mm": w,
        "height_mm": h,
        "protocol": page.protocol,
        "protocol_version": page.protocol_version,
        "reader_version": page.reader_version,
    }


def _photo_rows(store: Store, packs: Sequence[str] | None) -> list[dict]:
    pages: dict[str, list[PageRow]] = {}
    for page in store.pages():
        pages.setdefault(page.sha256, []).append(page)
    out = []
    for photo in store.photos():
        named = {
            "photo": photo.name,
            "photo_sha256": photo.sha256,
            "bytes": photo.bytes,
            "kept_at": photo.kept_at,
            "status": photo.status,
            "reasons": " ".join(photo.reasons),
        }
        own = [p for p in pages.get(photo.sha256, ()) if packs is None or p.pack in packs]
        out += [
            named
            | {
                "pack": p.pack,
                "transect": p.transect,
                "sheet": p.sheet,
                "page": p.page,
                "counts": "no" if p.superseded else "yes",
                "mean_confidence": p.mean_confidence,
                "residual_mm": p.residual_mm,
            }
            for p in own
        ]
        if not own and packs is None:
            out.append(named)
    return out


def _readme(names: Sequence[str], origin: Provenance, cells: int, unread: int, without_pack: int) -> str:
    lines = [
        "Reef survey data",
        "================",
        "",
        f"Made {origin.created_at} by {origin.tool} {origin.tool_version} from {len(origin.photo_sha256)} photographs.",
        f"{cells} cells; {unread} of them unread (state 'unread', empty value).",
    ]
    if without_pack:
        lines.append(f"{without_pack} pages have no pack: they are in observations.csv, in no survey.")
    lines += [
        "",
        "Files: " + ", ".join(names),
        "",
        "Tables are UTF-8, comma-separated, with a heading. An empty field is not known, never zero.",
        "Text that a spreadsheet would take for a formula has an apostrophe in front.",
    ]
    for title, columns in (("observations.csv: one row a cell", OBSERVATIONS), ("photos.csv: one row a page", PHOTOS)):
        lines += ["", title, "-" * len(title), *(f"{name}: {text}" for name, text in columns.items())]
    for name, table in (("cover.csv", cover_table), ("density.csv", density_table), ("impacts.csv", impact_table)):
        lines += ["", name, "-" * len(name), *_documented(table)]
    return "\n".join(lines) + "\n"


def _documented(table) -> list[str]:
    """A table's description: its docstring as plain text."""
    from inspect import cleandoc

    return cleandoc(table.__doc__).replace("``", "").splitlines()
