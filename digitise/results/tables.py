"""Cover as a tidy table, one row a number, and what tables share. Pandas is imported only when one is made."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from digitise.estimate.cover import CategoryCover, TransectPoints
from digitise.estimate.intervals import Estimate
from digitise.estimate.reading_doubt import DoubtShares
from digitise.results.columns import COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from digitise.results.covers import CoverLine, LineResult
    from digitise.results.results import SurveyResults


def survey_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """One row a survey.

    Columns: ``pack, site, date`` (empty while not entered); ``transects`` with a sheet; ``cells`` of the pages that
    count, of which ``unread``; ``sheets_missing``, sheets or whole transects that nobody photographed; ``first_page``,
    the number of its first page in the store.
    """
    import pandas as pd

    rows = [
        {
            "pack": r.survey.pack,
            "site": r.survey.site or "",
            "date": r.survey.date or "",
            "transects": len(r.survey.transects),
            "cells": len(r.survey.cells),
            "unread": len(r.survey.unread),
            "sheets_missing": len(r.survey.missing),
            "first_page": min((p.id for p in r.survey.pages), default=0),
        }
        for r in results
    ]
    return pd.DataFrame(rows, columns=_SURVEY_COLUMNS)


_SURVEY_COLUMNS = ["pack", "site", "date", "transects", "cells", "unread", "sheets_missing", "first_page"]


def cover_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percent cover, one row a number: each category and group, for each transect and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("transect" or "site") and ``transect`` (empty for the site);
    ``category`` (id), ``label``, ``code``, ``kind`` ("category" or "group"); ``points`` of it among the ``legible`` of
    the ``planned`` points, of which ``unread``, ``illegible`` and ``blank``; ``cover_percent``; ``low_percent`` and
    ``high_percent`` at ``confidence``, with ``interval_covers`` saying which uncertainty ("between-transect"; empty
    without an interval) and ``method``; ``se_percent``; ``lowest_percent`` and ``highest_percent`` if none or all of
    the missing points were of the category; ``transects`` behind the number; ``note``.

    For the site also ``expected_percent`` with ``expected_low_percent`` and ``expected_high_percent``: unread points
    counted by the probabilities of what they may say, the interval holding their doubt. ``share_sampling``,
    ``share_unread`` and ``share_accepted`` (sum 1) say where its variance comes from: spread between transects,
    unread points, and points accepted by rule that nobody has looked at; empty when the spread is not known.
    """
    import pandas as pd

    rows = [
        row
        for r in results
        for survey in [survey_columns(r)]
        for line in r.lines
        for one in (*line.groups, *line.categories)
        for row in _cover_rows(survey, line, one)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS["cover"]))


_EXPECTED_COVER = ("expected_percent", "expected_low_percent", "expected_high_percent")
SHARES = ("share_sampling", "share_unread", "share_accepted")


def survey_columns(results: SurveyResults) -> dict:
    """What every row of a survey begins with."""
    survey = results.survey
    return {"pack": survey.pack, "site": survey.site or "", "date": survey.date or ""}


def _cover_rows(survey: dict, line: LineResult, one: CoverLine) -> list[dict]:
    named = survey | {
        "sheet": line.sheet,
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
    expected = expected_columns(one.expected.site, _EXPECTED_COVER, one.shares)
    return [*rows, named | _cover_row(one.site, line.points) | whole | expected]


def expected_columns(e: Estimate, names: Sequence[str], shares: DoubtShares | None) -> dict:
    """Value and limits under three names, and the shares of the variance."""
    parts = (None, None, None) if shares is None else (shares.sampling, shares.unread, shares.accepted)
    return dict(zip((*names, *SHARES), (e.value, e.low, e.high, *parts), strict=True))


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
        **interval_columns(e),
        "se_percent": e.se,
        "lowest_percent": cover.lowest,
        "highest_percent": cover.highest,
        "note": e.note,
    }


def interval_columns(e: Estimate) -> dict:
    """What an interval covers, at which confidence and by which method."""
    return {
        "confidence": e.level if e.has_interval else None,
        "interval_covers": e.scope if e.has_interval else "",
        "method": e.method,
    }
