"""Everything as tidy tables, each column with its type, unit and meaning; every file format is written from these."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice

from digitise.exchange.content import Content, Many
from digitise.exchange.frames import Frames
from digitise.results import SurveyResults, cover_table, density_table, impact_table
from digitise.results.columns import COLUMNS, Column
from digitise.results.groups import GroupValue, group_table
from digitise.store import CellNow, PageRow, PhotoRow
from digitise.surveys.places import place_of, why_no_place

AT_ONCE = 25  # surveys whose results are held together
SURVEY_OF = (("pack",), "surveys", ("pack",))


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under typed columns. `key` identifies a row; `references` are (own columns, other table, its columns)."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Collection[dict]
    key: tuple[str, ...] = ()
    references: tuple[tuple[tuple[str, ...], str, tuple[str, ...]], ...] = ()


def all_tables(content: Content) -> tuple[Table, ...]:
    """Every table, surveys first."""
    surveys: list[dict] = []
    tables = _tables_of(content.results, lambda some: surveys.extend(map(_survey, some)))
    photos: dict[str, list[PageRow]] = {}
    for page in content.photo_pages:
        photos.setdefault(page.sha256, []).append(page)
    many = sum(len(photos.get(photo.sha256, ())) or 1 for photo in content.photos)
    return (
        _table("surveys", "one row a survey", surveys, key=("pack",)),
        *tables,
        _table(
            "observations",
            "one row a cell",
            Many(len(content.cells), lambda: (_observation(*one) for one in content.cells)),
            key=("photo_sha256", "sheet", "page", "cell"),
        ),
        _table("photos", "one row a page of a photograph", Many(many, partial(_photo_rows, content.photos, photos))),
    )


def result_tables(results: Iterable[SurveyResults]) -> tuple[Table, ...]:
    """Cover, density and impacts: the numbers behind every figure of the report."""
    return _tables_of(results, lambda some: None)


def _tables_of(results: Iterable[SurveyResults], also: Callable[[Sequence[SurveyResults]], None]) -> tuple[Table, ...]:
    """The same, going through the results once; `also` is given them too, some at a time."""
    made = (
        ("cover", "one row a percent cover", cover_table),
        ("density", "one row a density", density_table),
        ("impacts", "one row an impact in a segment", impact_table),
    )
    frames = {name: Frames() for name, _, _ in made}
    these = iter(results)
    while some := list(islice(these, AT_ONCE)):
        also(some)
        for name, _, make in made:
            frames[name].add(make(some))
    return tuple(_table(name, title, Many(len(frames[name]), frames[name].rows)) for name, title, _ in made)


def groups_table(values: Sequence[GroupValue]) -> Table:
    """Covers and densities of groups of sites, year by year."""
    frames = Frames()
    frames.add(group_table(values))
    rows = Many(len(frames), frames.rows)
    return replace(_table("groups", "one row a variable of a group of sites in a year", rows), references=())


def _table(name: str, title: str, rows: Collection[dict], *, key: tuple[str, ...] = ()) -> Table:
    references = () if name == "surveys" else (SURVEY_OF,)
    return Table(name, title, tuple(COLUMNS[name].values()), rows, key, references)


def _survey(r: SurveyResults) -> dict:
    survey, place = r.survey, place_of(r.survey)
    return {
        "pack": survey.pack,
        "site": survey.site,
        "date": survey.date,
        "latitude": place.latitude if place else None,
        "longitude": place.longitude if place else None,
        "position_note": why_no_place(survey),
        "protocol": survey.protocol.protocol,
        "protocol_version": survey.protocol.version,
        "protocol_sha256": survey.protocol.digest,
        "transects": len(survey.transects),
        "cells": len(survey.cells),
        "unread_cells": len(survey.unread),
        "missing_sheets": "; ".join(survey.missing),
    }


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
        "confidence": None if page.keyed else cell.confidence,
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


def _photo_rows(photos: Sequence[PhotoRow], pages: Mapping[str, Sequence[PageRow]]) -> Iterator[dict]:
    for photo in photos:
        named = {
            "photo": photo.name,
            "photo_sha256": photo.sha256,
            "bytes": photo.bytes,
            "kept_at": photo.kept_at,
            "status": photo.status,
            "reasons": " ".join(photo.reasons),
        }
        yield from [named | _page(p) for p in pages.get(photo.sha256, ())] or [named]


def _page(page: PageRow) -> dict:
    return {
        "pack": page.pack,
        "transect": page.transect,
        "sheet": page.sheet,
        "page": page.page,
        "counts": "no" if page.superseded else "yes",
        "mean_confidence": None if page.keyed else page.mean_confidence,
        "residual_mm": page.residual_mm if page.residual_mm >= 0 else None,
    }
