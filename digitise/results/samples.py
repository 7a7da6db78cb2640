"""Surveys as comparisons take them, from their tables: one number a transect for each variable."""

from __future__ import annotations

from typing import TYPE_CHECKING

from digitise.results.belts import PER_M2
from digitise.results.compare import Measured, SurveySample, Variable

if TYPE_CHECKING:
    import pandas as pd

COVER_COLUMNS = [
    "pack",
    "sheet",
    "level",
    "transect",
    "category",
    "label",
    "kind",
    "points",
    "legible",
    "cover_percent",
]
DENSITY_COLUMNS = ["pack", "sheet", "level", "transect", "taxon", "label", "count", "area_m2"]


def samples_of(surveys: pd.DataFrame, cover: pd.DataFrame, density: pd.DataFrame) -> list[SurveySample]:
    """One sample a row of the `survey_table`, from `cover_table` and `density_table`; only decided cells count."""
    measured: dict[str, dict[Variable, Measured]] = {pack: {} for pack in surveys["pack"]}
    lines = cover[(cover["level"] == "transect") & cover["cover_percent"].notna()]
    wholes = cover[cover["level"] == "site"]
    for row, found in _matched(wholes, lines, ["category", "kind"], "cover_percent"):
        variable = Variable(f"{row.sheet}/{row.category}", row.label, "cover", row.kind == "group")
        measured[row.pack][variable] = Measured(found, row.points, row.legible)
    belts = density[(density["level"] == "belt") & density["count"].notna()]
    belts = belts.assign(density=belts["count"] * PER_M2 / belts["area_m2"])
    wholes = density[density["level"] == "site"].fillna({"count": 0.0})
    for row, found in _matched(wholes, belts, ["taxon"], "density"):
        measured[row.pack][Variable(f"{row.sheet}/{row.taxon}", row.label, "density")] = Measured(
            found, row.count_seen, row.area_m2
        )
    return [SurveySample(s.pack, s.site, s.date, measured[s.pack], int(s.unread)) for s in surveys.itertuples()]


def _matched(wholes: pd.DataFrame, parts: pd.DataFrame, names: list[str], value: str):
    """Each site row with its values by transect, in the order of the site rows; `names` tell a sheet's rows apart."""
    keys = ["pack", "sheet", *names]
    found: dict[tuple, dict[str, float]] = {}
    for *key, transect, number in zip(*(parts[c] for c in (*keys, "transect", value)), strict=True):
        found.setdefault(tuple(key), {})[transect] = number
    for row in wholes.rename(columns={"count": "count_seen"}).itertuples(index=False):
        yield row, found.get(tuple(getattr(row, c) for c in keys), {})
