"""Groups of sites: what their surveys of one calendar year say together, a site counting once.

Each site stands with its last survey of the year (the one read last, of two on one day). What that survey does not say
is left out and named, never taken from an earlier one. Only decided cells count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.estimate.groups import group_cover, group_density
from digitise.estimate.intervals import Estimate
from digitise.results.belt_tables import density_table
from digitise.results.belts import PER_M2
from digitise.results.columns import COLUMNS
from digitise.results.tables import cover_table, interval_columns, survey_table
from digitise.surveys.roster import site_key

if TYPE_CHECKING:
    import pandas as pd

    from digitise.results.results import SurveyResults
    from digitise.surveys.plan import SitePlan

AT_ONCE = 25  # surveys of which tables are held together
NO_SURVEY = "no survey known"
SURVEY_COLUMNS = ["pack", "site", "date", "first_page"]


@dataclass(frozen=True, slots=True)
class GroupValue:
    """One variable of one group of sites in a calendar year.

    ``quantity`` is "cover" (percent) or "density" (per `PER_M2` square metres); ``kind`` as in the tables of surveys.
    ``sites`` are those behind the estimate, with their values; ``left_out`` the group's others, with why.
    """

    group: str
    year: int
    quantity: str
    sheet: str
    id: str
    label: str
    kind: str
    estimate: Estimate
    sites: tuple[tuple[str, float], ...]
    left_out: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class _Found:
    """A variable at a site: hits of it on a size (points on legible ones, animals on square metres)."""

    label: str
    value: float
    hits: float
    size: float
    note: str

    @property
    def known(self) -> bool:
        return self.value == self.value  # not a number where nothing was read


_Variable = tuple[str, str, str, str]  # quantity, sheet, id, kind: a group may be called what a category's id is


def group_values(
    places: Sequence[SitePlan], surveys: pd.DataFrame, cover: pd.DataFrame, density: pd.DataFrame, *, level: float
) -> list[GroupValue]:
    """Every variable of every group and year, from `survey_table`, `cover_table` and `density_table`.

    ``places`` are sites with a group. Surveys of other sites, or without a date, are in no group.
    """
    return _values(places, surveys, _by_pack(cover, density), level=level)


def _values(
    places: Sequence[SitePlan], surveys: pd.DataFrame, found: Mapping[str, dict[_Variable, _Found]], *, level: float
) -> list[GroupValue]:
    named = {site_key(s.code): s for s in places} | {site_key(s.name): s for s in places}
    last: dict[tuple[str, int], dict[str, str]] = {}  # site's code to pack, by group and year
    for s in surveys.sort_values(["date", "first_page"]).itertuples(index=False):
        place = named.get(site_key(s.site))
        if place is not None and s.date:
            last.setdefault((site_key(place.group), int(s.date[:4])), {})[place.code] = s.pack
    out = []
    for group, members in _members(places).items():
        for year in sorted(y for g, y in last if g == group):
            packs = last[group, year]
            own = {s: found.get(packs[s.code], {}) if s.code in packs else None for s in members}
            variables = dict.fromkeys(v for measured in own.values() for v in measured or ())
            out += [_pooled(members[0].group, year, v, own, level=level) for v in variables]
    return out


def _members(places: Sequence[SitePlan]) -> dict[str, list[SitePlan]]:
    out: dict[str, list[SitePlan]] = {}
    for place in places:
        out.setdefault(site_key(place.group), []).append(place)
    return out


def _by_pack(cover: pd.DataFrame, density: pd.DataFrame) -> dict[str, dict[_Variable, _Found]]:
    out: dict[str, dict[_Variable, _Found]] = {}
    wanted = {
        "cover": (cover, ["category", "label", "kind", "cover_percent", "points", "legible", "note"]),
        "density": (density, ["taxon", "label", "kind", "density", "count", "area_m2", "note"]),
    }
    for quantity, (frame, columns) in wanted.items():
        rows = frame.loc[frame["level"] == "site", ["pack", "sheet", *columns]]
        for pack, sheet, name, label, kind, value, hits, size, note in rows.itertuples(index=False, name=None):
            known = float("nan") if value is None else value
            out.setdefault(pack, {})[quantity, sheet, name, kind] = _Found(label, known, hits, size, note)
    return out


def _pooled(
    group: str, year: int, variable: _Variable, own: dict[SitePlan, dict[_Variable, _Found] | None], *, level: float
) -> GroupValue:
    used: dict[str, _Found] = {}
    left_out = []
    for place, measured in own.items():
        one = (measured or {}).get(variable)
        if one is not None and one.known:
            used[place.name] = one
        else:
            why = NO_SURVEY if measured is None else "not on its last survey" if one is None else one.note
            left_out.append((place.name, why))
    values = [f.value for f in used.values()]
    hits, size = sum(f.hits for f in used.values()), sum(f.size for f in used.values())
    if variable[0] == "cover":
        estimate = group_cover(values, size, level=level)
    else:
        estimate = group_density(values, hits, size, per_m2=PER_M2, level=level)
    spelt = [measured[variable] for measured in own.values() if measured and variable in measured][-1]
    sites = tuple((name, f.value) for name, f in used.items())
    *named, kind = variable
    return GroupValue(group, year, *named, spelt.label, kind, estimate, sites, tuple(left_out))


def groups_of_results(results: Sequence[SurveyResults], places: Sequence[SitePlan]) -> list[GroupValue]:
    """`group_values` of these surveys; none without groups."""
    if not places or not results:
        return []
    import pandas as pd

    found: dict[str, dict[_Variable, _Found]] = {}
    surveys = []
    for i in range(0, len(results), AT_ONCE):
        some = results[i : i + AT_ONCE]
        found |= _by_pack(cover_table(some), density_table(some))
        surveys.append(survey_table(some))
    return _values(places, pd.concat(surveys, ignore_index=True), found, level=some[0].level)


def group_table(values: Sequence[GroupValue]) -> pd.DataFrame:
    """One row a variable of a group of sites in a calendar year.

    Columns: ``group, year``; ``quantity`` ("cover" or "density"), ``sheet``, ``id``, ``label``, ``kind`` ("category",
    "group" of categories, "taxon" or "impact"); ``value`` with ``low`` and ``high`` in ``unit`` at ``confidence``,
    ``interval_covers`` ("between-site", or "Poisson floor, if unclustered") and ``method``; ``se``; ``sites`` behind
    the number; ``left_out`` sites of the group, with why; ``note``.
    """
    import pandas as pd

    return pd.DataFrame([_row(v) for v in values], columns=list(COLUMNS["groups"]))


def _row(v: GroupValue) -> dict:
    e = v.estimate
    numbers = {"value": e.value, "low": e.low, "high": e.high, "unit": e.unit, **interval_columns(e), "se": e.se}
    named = {name: getattr(v, name) for name in ("group", "year", "quantity", "sheet", "id", "label", "kind")}
    left = "; ".join(f"{site}: {why}" for site, why in v.left_out)
    return named | numbers | {"sites": len(v.sites), "left_out": left, "note": e.note}
