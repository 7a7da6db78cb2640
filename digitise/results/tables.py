"""Results as tidy tables, one row a number, each column documented. Pandas is imported only when one is made."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from digitise.estimate.cover import CategoryCover, TransectPoints
from digitise.estimate.intervals import Estimate

if TYPE_CHECKING:
    import pandas as pd

    from digitise.results.results import CoverLine, DensityLine, LineResult, SurveyResults


def cover_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percent cover, one row a number: each category and group, for each transect and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("transect" or "site") and ``transect`` (empty for the site);
    ``category`` (id), ``label``, ``code``, ``kind`` ("category" or "group"); ``points`` of it among the ``legible`` of
    the ``planned`` points, of which ``unread``, ``illegible`` and ``blank``; ``cover_percent``; ``low_percent`` and
    ``high_percent`` at ``confidence``, with ``interval_covers`` saying which uncertainty ("between-transect"; empty
    without an interval) and ``method``; ``se_percent``; ``lowest_percent`` and ``highest_percent`` if none or all of
    the missing points were of the category; ``transects`` behind the number; ``note``.
    """
    import pandas as pd

    rows = [
        row
        for r in results
        for line in r.lines
        for one in (*line.groups, *line.categories)
        for row in _cover_rows(r, line, one)
    ]
    return pd.DataFrame(rows, columns=_COVER_COLUMNS)


_COVER_COLUMNS = [
    "pack",
    "site",
    "date",
    "sheet",
    "level",
    "transect",
    "category",
    "label",
    "code",
    "kind",
    "points",
    "legible",
    "planned",
    "unread",
    "illegible",
    "blank",
    "cover_percent",
    "low_percent",
    "high_percent",
    "confidence",
    "interval_covers",
    "method",
    "se_percent",
    "lowest_percent",
    "highest_percent",
    "transects",
    "note",
]


def _of(results: SurveyResults, sheet: str) -> dict:
    survey = results.survey
    return {"pack": survey.pack, "site": survey.site or "", "date": survey.date or "", "sheet": sheet}


def _cover_rows(results: SurveyResults, line: LineResult, one: CoverLine) -> list[dict]:
    named = _of(results, line.sheet) | {
        "category": one.id,
        "label": one.label,
        "code": one.code,
        "kind": "group" if one.is_group else "category",
    }
    by_name = {p.transect: p for p in line.points}
    rows = [
        named | _cover_row(cover, [by_name[name]]) | {"level": "transect", "transect": name, "transects": 1}
        for name, cover in one.transects
    ]
    whole = {"level": "site", "transect": "", "transects": len(line.site.transects)}
    return [*rows, named | _cover_row(one.site, line.points) | whole]


def _cover_row(cover: CategoryCover, points: Sequence[TransectPoints]) -> dict:
    e = cover.cover
    return {
        "points": cover.points,
        "legible": sum(p.legible for p in points),
        "planned": sum(p.planned for p in points),
        "unread": sum(p.unread for p in points),
        "illegible": sum(p.illegible for p in points),
        "blank": sum(p.blank for p in points),
        "cover_percent": e.value,
        "low_percent": e.low,
        "high_percent": e.high,
        **_interval(e),
        "se_percent": e.se,
        "lowest_percent": cover.lowest,
        "highest_percent": cover.highest,
        "note": e.note,
    }


def _interval(e: Estimate) -> dict:
    return {
        "confidence": e.level if e.has_interval else None,
        "interval_covers": e.scope if e.has_interval else "",
        "method": e.method,
    }


def density_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Density, one row a number: each row of each belt sheet, for each belt and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("belt" or "site") and ``transect`` (empty for the site); ``taxon``
    (the row's id), ``label``, ``kind`` ("taxon" or "impact"); ``count`` on ``area_m2`` (what was read) of
    ``planned_m2``; ``density`` with ``low`` and ``high`` in ``unit`` at ``confidence``, with ``interval_covers`` saying
    which uncertainty ("between-transect", or "Poisson floor, if unclustered") and ``method``; ``se``; ``floor_low``
    and ``floor_high``, the exact Poisson interval of the pooled count (site only); ``transects`` behind the number;
    ``left_out`` belts without a count, with why; ``note``. An unknown count is empty, never 0.
    """
    import pandas as pd

    rows = [row for r in results for one in r.densities for row in _density_rows(r, one)]
    return pd.DataFrame(rows, columns=_DENSITY_COLUMNS)


_DENSITY_COLUMNS = [
    "pack",
    "site",
    "date",
    "sheet",
    "level",
    "transect",
    "taxon",
    "label",
    "kind",
    "count",
    "area_m2",
    "planned_m2",
    "density",
    "low",
    "high",
    "unit",
    "confidence",
    "interval_covers",
    "method",
    "se",
    "floor_low",
    "floor_high",
    "transects",
    "left_out",
    "note",
]


def _density_rows(results: SurveyResults, one: DensityLine) -> list[dict]:
    named = _of(results, one.sheet) | {
        "taxon": one.id,
        "label": one.label,
        "kind": "impact" if one.is_impact else "taxon",
    }
    rows = [
        named
        | _density_row(e)
        | {
            "level": "belt",
            "transect": belt.transect,
            "count": belt.count,
            "area_m2": belt.area_m2,
            "planned_m2": belt.planned_m2,
            "transects": 1,
            "left_out": "",
        }
        for belt, e in one.belts
    ]
    site = one.site
    known = bool(site.transects)
    return [
        *rows,
        named
        | _density_row(site.density)
        | {
            "level": "site",
            "transect": "",
            "count": site.count if known else None,
            "area_m2": site.area_m2,
            "planned_m2": sum(b.planned_m2 or 0.0 for b, _ in one.belts),
            "floor_low": site.floor.low,
            "floor_high": site.floor.high,
            "transects": len(site.transects),
            "left_out": "; ".join(f"{name}: {why}" for name, why in site.left_out),
            "note": "; ".join(filter(None, (site.density.note, *site.notes))),
        },
    ]


def _density_row(e: Estimate) -> dict:
    return {
        "density": e.value,
        "low": e.low,
        "high": e.high,
        "unit": e.unit,
        **_interval(e),
        "se": e.se,
        "floor_low": None,
        "floor_high": None,
        "note": e.note,
    }


def impact_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percentages and ticks, one row a segment.

    Columns: ``pack, site, date, sheet, transect, segment_m, impact`` (the row's id), ``label, kind`` ("percent" or
    "tick"), ``value`` (a percentage, or "yes" / "no"; empty when not known) and ``state``.
    """
    import pandas as pd

    rows = [
        _of(r, one.sheet)
        | {
            "transect": name,
            "segment_m": segment,
            "impact": one.id,
            "label": one.label,
            "kind": one.kind,
            "value": _shown(value),
            "state": state,
        }
        for r in results
        for one in r.impacts
        for name, segment, value, state in one.values
    ]
    return pd.DataFrame(
        rows,
        columns=["pack", "site", "date", "sheet", "transect", "segment_m", "impact", "label", "kind", "value", "state"],
    )


def _shown(value: int | bool | None) -> int | str | None:
    return ("yes" if value else "no") if isinstance(value, bool) else value
