"""Belt results as tidy tables: density, impacts, occurrence. Pandas is imported only when one is made."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

from digitise.estimate.intervals import Estimate
from digitise.results.belts import PER_M2
from digitise.results.columns import COLUMNS
from digitise.results.tables import expected_columns, interval_columns, survey_columns

if TYPE_CHECKING:
    import pandas as pd

    from digitise.estimate.density import SiteDensity
    from digitise.results.belts import DensityLine, ImpactLine
    from digitise.results.results import SurveyResults


def density_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Density, one row a number: each row of each belt sheet, for each belt, each segment, and for the site.

    Columns: ``pack, site, date, sheet``; ``level`` ("belt", "segment" over the site's transects, or "site"),
    ``transect`` (of a belt) and ``segment_m`` (of a segment); ``taxon`` (the row's id), ``label``, ``kind`` ("taxon"
    or "impact"); ``count`` on ``area_m2`` (what was read) of ``planned_m2``; ``density`` with ``low`` and ``high`` in
    ``unit`` at ``confidence``, with ``interval_covers`` saying which uncertainty ("between-transect", or "Poisson
    floor, if unclustered") and ``method``; ``se``; ``floor_low`` and ``floor_high``, the exact Poisson interval of the
    pooled count (site and segments); ``transects`` behind the number; ``left_out`` belts without a count, with why;
    ``note``. An unknown count is empty, never 0. ``density_per_ha``, ``low_per_ha`` and ``high_per_ha`` are the same
    per hectare.

    For the site also ``expected`` with ``expected_low`` and ``expected_high`` in ``unit``: unread counts counted by
    the probabilities of what they may say. ``share_sampling``, ``share_unread`` and ``share_accepted`` say where its
    variance comes from, as in `cover_table`.
    """
    import pandas as pd

    belt, site = _made_once(_density_row), _made_once(_site_row)
    rows = [
        row
        for r in results
        for survey in [survey_columns(r)]
        for one in r.densities
        for row in _density_rows(survey, one, belt, site)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS["density"]))


T = TypeVar("T")
_EXPECTED_DENSITY = ("expected", "expected_low", "expected_high")
M2_PER_HA = 10_000


def _made_once(row: Callable[[T], dict]) -> Callable[[T], dict]:
    """The row of each object; many results share one, and it must outlive the table."""
    made: dict[int, dict] = {}

    def found(one: T) -> dict:
        if (known := made.get(id(one))) is None:
            known = made[id(one)] = row(one)
        return known

    return found


def _density_rows(survey: dict, one: DensityLine, belt_row: Callable, site_row: Callable) -> list[dict]:
    named = survey | {
        "sheet": one.sheet,
        "taxon": one.id,
        "label": one.label,
        "kind": "impact" if one.is_impact else "taxon",
    }
    rows = [
        named
        | belt_row(e)
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
    rows += [
        named | site_row(site) | {"level": "segment", "transect": "", "segment_m": name} for name, site in one.segments
    ]
    whole = {
        "level": "site",
        "transect": "",
        "planned_m2": sum(b.planned_m2 for b, _ in one.belts),
        **expected_columns(one.expected.density, _EXPECTED_DENSITY, one.shares),
    }
    return [*rows, named | site_row(one.site) | whole]


def _site_row(site: SiteDensity) -> dict:
    return _density_row(site.density) | {
        "count": site.count if site.transects else None,
        "area_m2": site.area_m2,
        "floor_low": site.floor.low,
        "floor_high": site.floor.high,
        "transects": len(site.transects),
        "left_out": "; ".join(f"{name}: {why}" for name, why in site.left_out),
        "note": "; ".join(filter(None, (site.density.note, *site.notes))),
    }


def _density_row(e: Estimate) -> dict:
    return {
        "density": e.value,
        "low": e.low,
        "high": e.high,
        "unit": e.unit,
        **{k: _per_ha(v) for k, v in zip(_PER_HA, (e.value, e.low, e.high), strict=True)},
        **interval_columns(e),
        "se": e.se,
        "floor_low": None,
        "floor_high": None,
        "note": e.note,
    }


_PER_HA = ("density_per_ha", "low_per_ha", "high_per_ha")


def _per_ha(value: float | None) -> float | None:
    return None if value is None else value * M2_PER_HA / PER_M2


def impact_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Percentages and ticks, one row a segment.

    Columns: ``pack, site, date, sheet, transect, segment_m, impact`` (the row's id), ``label, kind`` ("percent" or
    "tick"), ``value`` (a percentage, or "yes" / "no"; empty when not known) and ``state``.
    """
    import pandas as pd

    rows = [
        survey
        | {
            "sheet": one.sheet,
            "transect": name,
            "segment_m": segment,
            "impact": one.id,
            "label": one.label,
            "kind": one.kind,
            "value": _shown(value),
            "state": state,
        }
        for r in results
        for survey in [survey_columns(r)]
        for one in r.impacts
        for name, segment, value, state in one.values
    ]
    values = pd.Series([row["value"] for row in rows], dtype=object)  # a percentage stays whole beside an unknown one
    return pd.DataFrame(rows, columns=list(COLUMNS["impacts"])).assign(value=values)


def _shown(value: int | bool | None) -> int | str | None:
    return ("yes" if value else "no") if isinstance(value, bool) else value


_OCCURRENCE_COLUMNS = [
    "pack",
    "site",
    "date",
    "sheet",
    "id",
    "label",
    "kind",
    "transects",
    "seen_on",
    "occurrence_percent",
    "low_percent",
    "high_percent",
    "confidence",
    "mean_percent",
    "mean_low_percent",
    "mean_high_percent",
    "dispersion_index",
    "dispersion_p",
    "negative_binomial_k",
    "note",
]


def occurrence_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """On how many transects each row of a belt sheet was seen, and how unevenly; one row a row of the sheet.

    Columns: ``pack, site, date, sheet``; ``id`` and ``label`` of the row, ``kind`` ("taxon", "impact", "percent" or
    "tick"); ``transects`` whose every segment is known, of which ``seen_on``; ``occurrence_percent`` with the Wilson
    limits ``low_percent`` and ``high_percent`` at ``confidence``; for percentages ``mean_percent`` over transects with
    the t limits ``mean_low_percent`` and ``mean_high_percent``; for counts ``dispersion_index`` (variance over mean
    between whole belts), ``dispersion_p`` (chance of so large an index if animals did not keep together) and
    ``negative_binomial_k`` (moments); ``note``.
    """
    import pandas as pd

    named = [survey_columns(r) for r in results]
    rows = [survey | _counted_row(d) for survey, r in zip(named, results, strict=True) for d in r.densities]
    rows += [survey | _marked_row(i) for survey, r in zip(named, results, strict=True) for i in r.impacts]
    return pd.DataFrame(rows, columns=_OCCURRENCE_COLUMNS)


def _share_row(e: Estimate) -> dict:
    return {
        "transects": e.n,
        "seen_on": None if e.value is None else round(e.value * e.n / 100),
        "occurrence_percent": e.value,
        "low_percent": e.low,
        "high_percent": e.high,
        "confidence": e.level if e.has_interval else None,
    }


def _counted_row(d: DensityLine) -> dict:
    spread = d.dispersion
    named = {"sheet": d.sheet, "id": d.id, "label": d.label, "kind": "impact" if d.is_impact else "taxon"}
    measured = {"dispersion_index": spread.index, "dispersion_p": spread.p, "negative_binomial_k": spread.k}
    note = "; ".join(filter(None, (d.occurrence.note, spread.note)))
    return named | _share_row(d.occurrence) | measured | {"note": note}


def _marked_row(i: ImpactLine) -> dict:
    named = {"sheet": i.sheet, "id": i.id, "label": i.label, "kind": i.kind, "note": i.occurrence.note}
    if i.mean is None:
        return named | _share_row(i.occurrence)
    mean = {"mean_percent": i.mean.value, "mean_low_percent": i.mean.low, "mean_high_percent": i.mean.high}
    return named | _share_row(i.occurrence) | mean
