"""Changes, trends and community measures as tidy tables. Pandas is imported only when one is made."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from digitise.estimate.community import community, rarefied_richness
from digitise.results.compare import Compared, SiteTrend, Variable, called_otherwise, categories_differ

if TYPE_CHECKING:
    import pandas as pd

    from digitise.results.results import SurveyResults


def change_table(compared: Sequence[Compared]) -> pd.DataFrame:
    """Differences between two surveys, second minus first, one row a variable.

    Columns: ``site_before, date_before, pack_before``, the same ``_after``; ``variable`` (sheet/id), ``label``,
    ``kind`` ("cover" or "density"), ``unit`` of ``mean_before, mean_after, change, low, high``; ``change_percent`` of
    the first mean; ``low_together`` and ``high_together``, limits that hold for all headline variables of all pairs at
    once (Bonferroni); ``confidence`` of the limits and ``method``; ``transects_before`` and ``transects_after``; ``p``
    of that method, ``p_permutation`` and
    the smallest p so few transects could give, ``p_smallest``; ``p_adjusted`` for all that were tested, ``adjusted_by``
    which rule; ``detectable`` the smallest change this design finds four times in five; ``detect_percent`` and
    ``transects_needed`` a survey to find a change of so many percent of the first mean; ``unread`` cells of both
    surveys; ``note``.
    """
    import pandas as pd

    return pd.DataFrame([_change_row(c) for c in compared], columns=_CHANGE_COLUMNS)


_CHANGE_COLUMNS = [
    "site_before",
    "date_before",
    "pack_before",
    "site_after",
    "date_after",
    "pack_after",
    "variable",
    "label",
    "kind",
    "unit",
    "mean_before",
    "mean_after",
    "change",
    "low",
    "high",
    "change_percent",
    "low_together",
    "high_together",
    "confidence",
    "method",
    "transects_before",
    "transects_after",
    "p",
    "p_permutation",
    "p_smallest",
    "p_adjusted",
    "adjusted_by",
    "detectable",
    "detect_percent",
    "transects_needed",
    "unread",
    "note",
]


def _named(v: Variable) -> dict:
    return {"variable": v.id, "label": v.label, "kind": v.kind, "unit": v.unit}


def _change_row(c: Compared) -> dict:
    e, test = c.change.effect, c.permutation
    ends = {}
    for when, survey, mean, values in zip(("before", "after"), (c.before, c.after), c.means, c.values, strict=True):
        ends |= {f"site_{when}": survey.site, f"date_{when}": survey.date, f"pack_{when}": survey.name}
        ends |= {f"mean_{when}": mean, f"transects_{when}": len(values)}
    notes = [
        e.note,
        categories_differ(c.variable, (c.before, c.after)),
        called_otherwise(c.variable, (c.before, c.after)),
        "" if test is None or test.can_reach else "too few transects for the permutation test",
    ]
    return (
        ends
        | _named(c.variable)
        | {
            "change": e.value,
            "low": e.low,
            "high": e.high,
            "change_percent": c.percent,
            "low_together": c.together[0] if c.together else None,
            "high_together": c.together[1] if c.together else None,
            "confidence": e.level if e.has_interval else None,
            "method": e.method,
            "p": c.change.p,
            "p_permutation": test.p if test else None,
            "p_smallest": test.smallest_p if test else None,
            "p_adjusted": c.adjusted,
            "adjusted_by": c.adjusted_by,
            "detectable": c.detectable,
            "detect_percent": c.detect_percent,
            "transects_needed": c.needed,
            "unread": c.before.unread + c.after.unread,
            "note": "; ".join(filter(None, notes)),
        }
    )


def trend_table(found: Sequence[SiteTrend]) -> pd.DataFrame:
    """Trends over surveys, one row a site and variable.

    Columns: ``site``; ``variable, label, kind, unit`` as in `change_table`; ``surveys`` from ``first`` to ``last``
    date, with ``mean_first`` and ``mean_last``; the Theil-Sen ``slope_a_year`` with ``slope_low`` and ``slope_high``,
    its Mann-Kendall ``p``, ``p_adjusted`` and ``adjusted_by``; the least squares slope ``line_a_year`` with
    ``line_low, line_high, line_p``; ``factor_a_year`` of a generalised linear model (0.93: 7 % less a year; of the
    odds for cover) with ``factor_low, factor_high, factor_p``; ``confidence``; ``note``.
    """
    import pandas as pd

    return pd.DataFrame([_trend_row(t) for t in found], columns=_TREND_COLUMNS)


_TREND_COLUMNS = [
    "site",
    "variable",
    "label",
    "kind",
    "unit",
    "surveys",
    "first",
    "last",
    "mean_first",
    "mean_last",
    "slope_a_year",
    "slope_low",
    "slope_high",
    "p",
    "p_adjusted",
    "adjusted_by",
    "line_a_year",
    "line_low",
    "line_high",
    "line_p",
    "factor_a_year",
    "factor_low",
    "factor_high",
    "factor_p",
    "confidence",
    "note",
]


def _trend_row(t: SiteTrend) -> dict:
    row = {"site": t.site} | _named(t.variable)
    row |= {"surveys": len(t.dates), "first": t.dates[0], "last": t.dates[-1]}
    row |= {"mean_first": t.means[0], "mean_last": t.means[-1], "confidence": t.robust.slope.level}
    for name, one in (("slope", t.robust), ("line", t.line), ("factor", t.model)):
        row |= {f"{name}_a_year": one.slope.value, f"{name}_low": one.slope.low, f"{name}_high": one.slope.high}
    row |= {"p": t.robust.p, "line_p": t.line.p, "factor_p": t.model.p}
    notes = dict.fromkeys(n for n in (t.note, t.robust.slope.note, t.model.slope.note) if n)
    return row | {"p_adjusted": t.adjusted, "adjusted_by": t.adjusted_by, "note": "; ".join(notes)}


def pooled_table(results: Sequence[SurveyResults]) -> pd.DataFrame:
    """Animals of each kind over the transects whose every count is known, one row a survey and belt sheet.

    Columns: ``pack, site, date, sheet``; ``protocol`` (its digest); ``transects`` used and ``left_out``; ``counts``, a
    list with a number for each kind.
    """
    import pandas as pd

    rows = [row for r in results for row in pooled_rows(r)]
    return pd.DataFrame(rows, columns=POOLED_COLUMNS)


POOLED_COLUMNS = ["pack", "site", "date", "sheet", "protocol", "transects", "left_out", "counts"]


def community_table(pooled: pd.DataFrame) -> pd.DataFrame:
    """How many kinds and how evenly, one row a survey and belt sheet, of a `pooled_table`.

    Columns: ``pack, site, date, sheet``; ``transects`` used and ``left_out`` (a count not known); ``individuals``,
    ``richness`` (rows of the sheet seen), ``shannon`` (natural logarithm), ``effective`` kinds (its exponential),
    ``simpson`` (chance that two animals differ), ``evenness`` (Pielou); ``rarefied_to`` the smallest number of
    individuals of any survey with this sheet of the same protocol, and ``rarefied_richness`` with its ``rarefied_sd``
    among so many. Impacts are not kinds. Kinds are rows of the protocol, not species.
    """
    import pandas as pd

    found = pooled.to_dict("records")
    least: dict[tuple, int] = {}
    for row in found:
        if individuals := sum(row["counts"]):
            key = row["protocol"], row["sheet"]
            least[key] = min(individuals, least.get(key, individuals))
    return pd.DataFrame(
        [_community_row(row, least.get((row["protocol"], row["sheet"]), 0)) for row in found],
        columns=_COMMUNITY_COLUMNS,
    )


_COMMUNITY_COLUMNS = [
    "pack",
    "site",
    "date",
    "sheet",
    "transects",
    "left_out",
    "individuals",
    "richness",
    "shannon",
    "effective",
    "simpson",
    "evenness",
    "rarefied_to",
    "rarefied_richness",
    "rarefied_sd",
]


def pooled_rows(r: SurveyResults) -> list[dict]:
    """One survey's rows of the `pooled_table`."""
    out = []
    for sheet in dict.fromkeys(d.sheet for d in r.densities):
        rows = [d for d in r.densities if d.sheet == sheet and not d.is_impact]
        by_transect = list(zip(*([b for b, _ in d.belts] for d in rows), strict=True))
        whole = [belts for belts in by_transect if all(b.count is not None and not b.partly_read for b in belts)]
        counts = [int(sum(column)) for column in zip(*([b.count for b in belts] for belts in whole), strict=True)]
        out.append(
            {
                "pack": r.survey.pack,
                "site": r.survey.site or "",
                "date": r.survey.date or "",
                "sheet": sheet,
                "protocol": r.survey.protocol.digest,
                "transects": len(whole),
                "left_out": "; ".join(b[0].transect for b in by_transect if b not in whole),
                "counts": counts,
            }
        )
    return out


def _community_row(row: dict, least: int) -> dict:
    counts = row["counts"]
    m = community(counts)
    rarefied, sd = rarefied_richness(counts, least) if m.individuals else (None, None)
    measured = {
        "individuals": m.individuals if row["transects"] else None,
        "richness": m.richness if row["transects"] else None,
        "shannon": m.shannon,
        "effective": m.effective,
        "simpson": m.simpson,
        "evenness": m.evenness,
        "rarefied_to": least if m.individuals else None,
        "rarefied_richness": rarefied,
        "rarefied_sd": sd,
    }
    return row | measured
