"""Everything as tidy tables, each column with its type, unit and meaning; every file format is written from these."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from digitise.exchange.columns import COLUMNS, Column
from digitise.exchange.content import Content, Many
from digitise.results import SurveyResults, cover_table, density_table, impact_table
from digitise.results.groups import GroupValue, group_table
from digitise.store import CellNow, PageRow
from digitise.surveys.places import place_of, why_no_place

if TYPE_CHECKING:
    import pandas as pd

AT_ONCE = 100  # surveys
SURVEY_OF = (("pack",), "surveys", ("pack",))


def _rows_of(frame: pd.DataFrame) -> Iterator[dict]:
    """A frame's rows, a thousand at a time; what is not known is None."""
    for i in range(0, len(frame), 1000):
        part = frame.iloc[i : i + 1000]
        yield from part.astype(object).where(part.notna(), None).to_dict("records")


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
    return (
        _table("surveys", "one row a survey", [_survey(r) for r in content.results], key=("pack",)),
        *result_tables(content.results),
        _table(
            "observations",
            "one row a cell",
            Many(len(content.cells), lambda: (_observation(*one) for one in content.cells)),
            key=("photo_sha256", "sheet", "page", "cell"),
        ),
        _table("photos", "one row a page of a photograph", _photo_rows(content)),
    )


def result_tables(results: Sequence[SurveyResults]) -> tuple[Table, ...]:
    """Cover, density and impacts: the numbers behind every figure of the report."""
    return tuple(
        _frame_table(name, title, _made_in_parts(make, results))
        for name, title, make in (
            ("cover", "one row a percent cover", cover_table),
            ("density", "one row a density", density_table),
            ("impacts", "one row an impact in a segment", impact_table),
        )
    )


def _made_in_parts(make: Callable[[Sequence[SurveyResults]], pd.DataFrame], results: Sequence[SurveyResults]):
    """A table of many surveys, made of a hundred at a time: its rows take far more room before they are a frame."""
    import pandas as pd

    parts = [make(results[i : i + AT_ONCE]) for i in range(0, len(results), AT_ONCE)]
    told = [p.astype({c: float for c in p.columns if p[c].isna().all()}) for p in parts if len(p)]
    return pd.concat(told, ignore_index=True) if told else make(())


def groups_table(values: Sequence[GroupValue]) -> Table:
    """Covers and densities of groups of sites, year by year."""
    made = _frame_table("groups", "one row a variable of a group of sites in a year", group_table(values))
    return replace(made, references=())


def _table(name: str, title: str, rows: Collection[dict], *, key: tuple[str, ...] = ()) -> Table:
    references = () if name == "surveys" else (SURVEY_OF,)
    return Table(name, title, tuple(COLUMNS[name].values()), rows, key, references)


def _frame_table(name: str, title: str, frame: pd.DataFrame) -> Table:
    columns = tuple(COLUMNS[name].get(c) or _inferred(c, frame[c].dropna()) for c in frame.columns)
    return Table(name, title, columns, Many(len(frame), partial(_rows_of, frame)), (), (SURVEY_OF,))


def _inferred(name: str, values: Iterable[object]) -> Column:
    """A column that nobody described: its type from its values."""
    known = [v for v in values if v != ""]
    numbers = bool(known) and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in known)
    return Column(name, "number" if numbers else "any", "")


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


def _photo_rows(content: Content) -> list[dict]:
    pages: dict[str, list[PageRow]] = {}
    for page in content.photo_pages:
        pages.setdefault(page.sha256, []).append(page)
    out = []
    for photo in content.photos:
        named = {
            "photo": photo.name,
            "photo_sha256": photo.sha256,
            "bytes": photo.bytes,
            "kept_at": photo.kept_at,
            "status": photo.status,
            "reasons": " ".join(photo.reasons),
        }
        out += [named | _page(p) for p in pages.get(photo.sha256, ())] or [named]
    return out


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
