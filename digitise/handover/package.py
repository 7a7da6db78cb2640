"""Make the package, and note that it was handed over; or find nothing to hand over and say why.

The package is written beside its place, moved there whole, and noted last: a record always has its package. What was
noted is read again from the store's history when the next one is made.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import secrets
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from digitise import __version__
from digitise.exchange import USUAL
from digitise.exchange.bag import manifest_lines, sha256_of
from digitise.exchange.content import Content
from digitise.exchange.fresh import A_DAY_S, UNFINISHED
from digitise.exchange.package import csv_bytes
from digitise.exchange.shared import write_shared
from digitise.handover.changes import numbers_of
from digitise.handover.note import Letter, cell_row, cells_of_packs, covering_note, figure_words
from digitise.handover.prepared import Prepared
from digitise.spool import on_disk_of
from digitise.store import ChangedMeanwhile
from digitise.store.handovers import HandOver, NewHandOver, SentSurvey

if TYPE_CHECKING:
    from digitise.store import Store

CHECKSUMS = "checksums.txt"
KEPT = "handovers"  # the folder in a store where packages lie unless another is named
HOLDS = {
    "covering-note.html": "this note, for a screen; covering-note.pdf for paper",
    "report/": "the report: report.html and report.pdf, with figures and the numbers behind each",
    "exchange/": "the data as CSV tables that describe themselves, Excel workbook, Darwin Core Archive and GeoJSON",
    "evidence/": "the pictures behind the numbers, every cell with its history; begin with data/README.txt",
    "changes/": "every cell and figure that is not as it was sent before",
    "handover.json": "what this package is, for programs",
    CHECKSUMS: "the SHA-256 of every file here",
}

_UNFINISHED_NAME = re.compile(rf"handover-\d+(-corrects-\d+)?-\d{{4}}-\d\d-\d\d\.[0-9a-f]{{6}}{re.escape(UNFINISHED)}")


def make_handover(
    store: Store,
    out: Path,
    prepared: Prepared,
    *,
    now: dt.datetime,
    tick: Callable[[str], None] = lambda part: None,
) -> tuple[Path, HandOver]:
    """Write a prepared package into a new folder below `out` and note it; (the folder, the record).

    `tick` is told each part before it is written.

    Raises
    ------
    ChangedMeanwhile
        An entry or another hand-over was made while the package was written; nothing is left behind.
    ValueError
        The folder cannot be used.
    """
    folder = out / _name(prepared, now)
    if out.exists() and not out.is_dir():
        raise ValueError(f"{out}: is a file; choose a folder for packages")
    if folder.exists():
        raise ValueError(f"{folder}: is there already, but the store knows of no such hand-over; move it away first")
    _sweep(out, now)
    fresh = folder.with_name(f"{folder.name}.{secrets.token_hex(3)}{UNFINISHED}")  # nobody else's, who makes one too
    fresh.mkdir(parents=True)
    try:
        with on_disk_of(out):
            _write(store, fresh, prepared, now=now, tick=tick)
        digest = sha256_of(fresh / CHECKSUMS)
        try:
            fresh.replace(folder)
        except OSError:
            if not folder.exists():
                raise
            raise ChangedMeanwhile("another hand-over was made meanwhile; make this one again") from None
        try:
            record = store.handovers.add(record_of(prepared, digest), now=now)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return folder, record


def _sweep(out: Path, now: dt.datetime) -> None:
    """Remove what runs that were killed long ago left unfinished: only names that `make_handover` gives."""
    own = (p for p in out.glob(f"handover-*{UNFINISHED}") if _UNFINISHED_NAME.fullmatch(p.name))
    for old in own:
        if now.timestamp() - old.stat().st_mtime > A_DAY_S:
            shutil.rmtree(old, ignore_errors=True)


def _name(prepared: Prepared, now: dt.datetime) -> str:
    what = f"-corrects-{prepared.wishes.corrects}" if prepared.wishes.corrects is not None else ""
    return f"handover-{prepared.number}{what}-{now.astimezone(dt.UTC).date()}"


def record_of(prepared: Prepared, digest: str) -> NewHandOver:
    """What is noted of a package; `digest` is the SHA-256 of its list of checksums."""
    pages: dict[str, list[int]] = {}
    for page in prepared.content.pages:
        pages.setdefault(page.pack or "", []).append(page.id)
    numbers = {r.survey.pack: numbers_of(r) for r in prepared.content.results}
    surveys = tuple(
        SentSurvey(
            r.pack,
            r.site,
            r.date,
            r.state,
            r.version,
            r.signed_by,
            r.unread,
            r.digest,
            tuple(pages[r.pack]),
            numbers[r.pack],
        )
        for r in prepared.ready
    )
    w = prepared.wishes
    return NewHandOver(
        number=prepared.number,
        recipient=w.recipient,
        reason=w.reason,
        by=w.by,
        digest=digest,
        surveys=surveys,
        last_entry=prepared.last_entry,
        tool_version=__version__,
        pseudonyms=prepared.sharing.names is not None,
        corrects=w.corrects,
    )


def _write(store: Store, folder: Path, prepared: Prepared, *, now: dt.datetime, tick: Callable[[str], None]) -> None:
    """Every part of the package, and the list of checksums last."""
    from digitise.exchange.write import write_formats
    from digitise.report.html import html_page
    from digitise.report.pdf import pdf_bytes

    content, wishes = prepared.content, prepared.wishes
    tick("report")
    _report(store, content, folder / "report")
    tick("exchange")
    write_formats(store, content, folder / "exchange", USUAL)
    if wishes.evidence != "none":
        tick("evidence")
        if wishes.evidence == "whole":
            write_formats(store, content, folder, ("evidence",))
        else:
            write_shared(store, content, folder / "evidence", prepared.sharing)
    if any(c.kind == "changed" for c in prepared.changes):
        (folder / "changes").mkdir()
        _change_files(prepared, folder / "changes")
    tick("note")
    there = {p.name for p in folder.iterdir()} | {"covering-note.html", "handover.json", CHECKSUMS}
    letter = _letter(prepared, now, tuple((k, v) for k, v in HOLDS.items() if k.rstrip("/") in there))
    report = covering_note(letter)
    (folder / "covering-note.html").write_text(html_page(report), encoding="utf-8")
    (folder / "covering-note.pdf").write_bytes(pdf_bytes(report))
    described = json.dumps(_description(letter), indent=1, ensure_ascii=False) + "\n"
    (folder / "handover.json").write_text(described, encoding="utf-8")
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    (folder / CHECKSUMS).write_text(manifest_lines(folder, files), encoding="utf-8", newline="\n")


def _report(store: Store, content: Content, folder: Path) -> None:
    from digitise.earlier.keep import earlier_results
    from digitise.report.build import report_files
    from digitise.report.group_part import Groups
    from digitise.results.groups import groups_of_results
    from digitise.surveys.known_plan import grouped_sites

    groups = Groups(tuple(groups_of_results(content.results, grouped_sites(store.folder))))
    rest = {"earlier": earlier_results(store.folder), "audits": store.audits.all(), "groups": groups}
    report_files(content.results, content.photos, content.origin, folder, **rest)


def _letter(prepared: Prepared, now: dt.datetime, holds: tuple[tuple[str, str], ...]) -> Letter:
    w, names = prepared.wishes, prepared.sharing.names
    ready = prepared.ready
    if names:
        ready = tuple(replace(r, signed_by=names.of(r.signed_by)) for r in ready)
    return Letter(
        number=prepared.number,
        corrects=w.corrects,
        recipient=w.recipient,
        by=w.by,
        day=now.astimezone(dt.UTC).date().isoformat(),
        reason=names.text(w.reason) if names else w.reason,
        last=prepared.last,
        content=prepared.content,
        ready=ready,
        changes=prepared.changes,
        sharing=prepared.sharing,
        holds=holds,
    )


def _change_files(prepared: Prepared, folder: Path) -> None:
    known = cells_of_packs(prepared.content)
    cells, figures = [], []
    for one in prepared.changes:
        for pair in one.cells:
            where, then, now, by, why = cell_row(pair, known.get(one.pack, {}))
            cells.append({"pack": one.pack, "cell": where, "sent": then, "now": now, "by": by, "why": why})
        for n in one.numbers:
            row = {"pack": one.pack, "figure": n.name, "sent": figure_words(n, n.then), "now": figure_words(n, n.now)}
            figures.append(row)
    for name, rows, columns in (
        ("cells.csv", cells, ["pack", "cell", "sent", "now", "by", "why"]),
        ("figures.csv", figures, ["pack", "figure", "sent", "now"]),
    ):
        (folder / name).write_bytes(csv_bytes(columns, rows))


def _description(letter: Letter) -> dict:
    """The package in plain data."""
    return {
        "handover_version": 1,
        "number": letter.number,
        "corrects": letter.corrects,
        "recipient": letter.recipient,
        "by": letter.by,
        "date": letter.day,
        "reason": letter.reason,
        "since": letter.last or None,
        "pseudonyms": letter.sharing.names is not None,
        "surveys": [
            {
                "pack": r.pack,
                "site": r.site or None,
                "date": r.date or None,
                "state": r.state,
                "signed_version": r.version or None,
                "signed_by": r.signed_by or None,
                "undecided_cells": r.unread,
                "missing_sheets": list(r.missing),
                "digest": r.digest,
                "change": next(c.kind for c in letter.changes if c.pack == r.pack),
            }
            for r in letter.ready
        ],
        "provenance": letter.content.origin.to_json(),
    }
