"""What rests on each unread cell: what it adds to the doubt of the results. The review queue is put in this order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from digitise.estimate.review_order import CoverCell, DensityCell, first_to_review, unknown_count_variance
from digitise.sheets.protocol import LineSheet
from digitise.surveys.meaning import Count
from digitise.surveys.survey import Survey, Transect

Key = tuple[int, str]  # page id, cell id


def cell_weights(survey: Survey) -> dict[Key, float]:
    """Weight of every unread cell that cover or density rests on, by (page id, cell id); larger matters more.

    A tally shares its weight with an unread total beside it, which comes after it. Cells that no cover and no density
    rests on (names, times, depths, ticks, percentages) have none.
    """
    pages = {(c.cell, t.number): c.page_id for t in survey.transects for c in _own(survey, t)}
    out: dict[Key, float] = {}
    for name, sheet in survey.protocol.sheets.items():
        if isinstance(sheet, LineSheet):
            found = first_to_review(_points(survey, name), (), categories=len(sheet.categories))
            out |= {_key(cell, pages): weight for cell, weight in found}
    for cell, weight in first_to_review((), _counts(survey)):
        out |= _with_total(cell, weight, pages)
    unread = {(c.page_id, c.cell) for c in survey.unread}
    return {key: weight for key, weight in out.items() if key in unread}


def _own(survey: Survey, transect: Transect) -> Iterable:
    ids = {p.id for p in survey.pages if p.transect == transect.number and p.per_transect}
    return (c for c in survey.cells if c.page_id in ids)


def _key(cell: str, pages: Mapping[tuple[str, int], int]) -> Key:
    number, _, name = cell.partition("|")
    return pages.get((name, int(number)), 0), name


def _with_total(cell: str, weight: float, pages: Mapping[tuple[str, int], int]) -> dict[Key, float]:
    keys = (_key(f"{cell}/tally", pages), _key(f"{cell}/total", pages))
    return {keys[0]: weight, keys[1]: weight * (1 - 1e-9)}


def _points(survey: Survey, sheet: str) -> list[CoverCell]:
    lines = [(t, t.points[sheet]) for t in survey.transects if sheet in t.points]
    out = []
    for t, points in lines:
        settled = sum(p.category is not None or bool(p.chances) for p in points)
        for p in points:
            if p.state == "unread":
                legible = settled + (not p.chances)
                out.append(CoverCell(f"{t.number}|{sheet}/{p.position_m:g}", dict(p.chances), legible, len(lines)))
    return out


def _counts(survey: Survey) -> list[DensityCell]:
    rows: dict[tuple[str, str], list[tuple[int, Count]]] = {}
    for t in survey.transects:
        for c in t.counts:
            rows.setdefault((c.sheet, c.row), []).append((t.number, c))
    return [cell for found in rows.values() for cell in _of_row(found)]


def _of_row(found: list[tuple[int, Count]]) -> list[DensityCell]:
    counts = [c for _, c in found if c.count is not None or c.chances]
    known = [(c.expected[0] if c.count is None else c.count, c.area_m2) for c in counts]
    area = sum(a for _, a in known)
    density = sum(k for k, _ in known) / area if area else 0.0
    out = []
    for number, c in found:
        if c.state == "unread":
            variance = c.expected[1] if c.chances else unknown_count_variance(density * c.area_m2)
            own = area if c.chances else area + c.area_m2
            out.append(DensityCell(f"{number}|{c.sheet}/{c.row}/{c.segment}", variance, own, density))
    return out
