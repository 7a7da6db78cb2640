"""``digitise export``: one folder in which every form of the data lies side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.collecting import collecting_less
from digitise.exchange import FORMATS, USUAL
from digitise.exchange.about import About
from digitise.exchange.content import Content, gather
from digitise.exchange.fresh import fresh_beside, moved_into
from digitise.exchange.pseudonyms import pseudonyms_of
from digitise.exchange.tables import Table, all_tables
from digitise.spool import on_disk_of
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.store import Store


@dataclass(frozen=True, slots=True)
class ExportSummary:
    """What was written. `unread` cells have no value; `without_pack` pages are in no survey."""

    files: tuple[Path, ...]
    surveys: int
    cells: int
    unread: int
    without_pack: int
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The summary in words."""
        text = f"{plural(self.cells, 'cell')} of {plural(self.surveys, 'survey')} written"
        if self.unread:
            text += f"; {self.unread} of them nobody has decided yet: state 'unread' and no value"
        if self.without_pack:
            pages, have = plural(self.without_pack, "page"), "has" if self.without_pack == 1 else "have"
            text += f"; {pages} {have} no pack yet: among the observations, in no survey"
        return text + "."


def write_export(
    store: Store,
    folder: Path,
    *,
    now: datetime,
    packs: Sequence[str] | None = None,
    formats: Sequence[str] = USUAL,
    with_unreviewed: bool = False,
    about: About | None = None,
    pseudonyms: bool = False,
    tick: Callable[[int], None] = lambda total: None,
) -> ExportSummary:
    """Write the `formats` of these packs (of everything in the store when None) into `folder`.

    `pseudonyms` replaces names of people, but not in the evidence, which is the store as it is. `tick` is called each
    time a survey is looked at, with how often that is going to be in all.

    Raises
    ------
    Unreviewed
        Cells wait for a person and `with_unreviewed` is False; nothing was written.
    ValueError
        Nothing has been read yet, there is no such format, or the folder cannot be used.
    """
    unknown = [f for f in formats if f not in FORMATS]
    if unknown or not formats:
        raise ValueError(f"found format '{', '.join(unknown)}', expected some of {', '.join(FORMATS)}")
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"{folder}: is a file; choose a folder to export into")
    if "evidence" in formats and packs is not None:
        raise ValueError("the evidence is of the whole store, so that it can be taken in again; leave --pack out")
    if "evidence" in formats and pseudonyms:
        raise ValueError("the evidence is the store as it is, with the names in it; leave it or --pseudonyms out")
    names = pseudonyms_of(store, now=now) if pseudonyms else None
    total = len(set(packs) if packs is not None else store.packs()) * _looks(formats)
    rest = {"with_unreviewed": with_unreviewed, "about": about, "names": names, "tick": lambda: tick(total)}
    with collecting_less(), on_disk_of(folder):
        content = gather(store, now=now, packs=packs, **rest)
        files = write_formats(store, content, folder, formats)
    return ExportSummary(
        tuple(files),
        len(content.surveys),
        len(content.cells),
        content.unread,
        content.without_pack,
        _notes(content, formats),
    )


def write_formats(store: Store, content: Content, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write what was gathered in each of the `formats`; returns the files.

    Raises
    ------
    ValueError
        Another export wrote into the folder at the same moment.
    """
    folder.mkdir(parents=True, exist_ok=True)
    tables = cache(lambda: all_tables(content))  # made once, when first needed
    plain = [name for name in USUAL if name in formats]
    with fresh_beside(folder / "export") if plain else nullcontext(folder) as fresh:
        made = [path for name in plain for path in _write(name, content, tables, fresh)]
        files = moved_into(folder, fresh, made)
    if "evidence" in formats:
        from digitise.exchange.evidence import write_evidence

        files += write_evidence(store, content, folder / "evidence", tables=tables())
    return files


def _looks(formats: Sequence[str]) -> int:
    """How often each survey is looked at: when it is gathered, for the tables, and for every file with its cells."""
    cells = {"tables": 1, "workbook": 1, "evidence": 2}
    own = [n for n in formats if n in cells]
    return 1 + bool(own) + sum(cells[n] for n in own) + sum(n in formats for n in ("darwin-core", "sites"))


def _notes(content: Content, formats: Sequence[str]) -> tuple[str, ...]:
    """What the person who publishes should know."""
    if "darwin-core" not in formats:
        return ()
    from digitise.exchange.darwin_core import unnamed_rows

    out = []
    if unnamed := unnamed_rows(content):
        out.append(
            f"Darwin Core: {plural(len(unnamed), 'row')} without a scientific name ({', '.join(unnamed[:4])}"
            f"{', …' if len(unnamed) > 4 else ''}); most aggregators refuse those. Give names with --about."
        )
    if not content.about.licence:
        out.append("Darwin Core: no licence is stated. Give one with --about.")
    return tuple(out)


def _write(name: str, content: Content, tables: Callable[[], tuple[Table, ...]], folder: Path) -> list[Path]:
    if name == "tables":
        from digitise.exchange.package import write_package

        return write_package(content, tables(), folder / "tables")
    if name == "workbook":
        from digitise.exchange.workbook import write_workbook

        return [write_workbook(content, tables(), folder / "survey.xlsx")]
    if name == "darwin-core":
        from digitise.exchange.darwin_core import write_archive

        return [write_archive(content, folder / "darwin-core.zip")]
    from digitise.exchange.geojson import write_geojson

    return [write_geojson(content, folder / "sites.geojson")]
