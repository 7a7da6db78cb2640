"""Intervals that stand in no report, as they are easily taken for more than they are: only whoever asks gets them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from digitise.estimate.bootstrap import bca_mean
from digitise.estimate.cover import TransectPoints, transect_cover
from digitise.results.compare import SurveySample
from digitise.results.tables import interval_columns

if TYPE_CHECKING:
    import pandas as pd

_LINE = ["pack", "site", "date", "sheet", "transect"]
_POINTS = ["legible", "planned", "unread", "illegible", "blank"]
_LINE_COLUMNS = [*_LINE, "category", "label", "code", "points", "legible", "cover_percent", "low_percent"]
_LINE_COLUMNS += ["high_percent", "confidence", "interval_covers", "method"]
_MEAN_COLUMNS = ["pack", "site", "date", "variable", "label", "kind", "unit", "transects", "mean", "low", "high"]
_MEAN_COLUMNS += ["confidence", "interval_covers", "method", "note"]


def line_table(cover: pd.DataFrame, *, interval: str, level: float) -> pd.DataFrame:
    """Cover of each category on each line with an interval of that line alone, from a `cover_table`.

    Columns: ``pack, site, date, sheet, transect``; ``category``, ``label``, ``code``; ``points`` of the ``legible``;
    ``cover_percent`` with ``low_percent`` and ``high_percent`` at ``confidence``, ``interval_covers``, ``method``.

    ``interval`` is "goodman" (all categories of a line hold together), "wilson", "clopper-pearson" or "jeffreys".
    ``interval_covers`` says what it supposes: independent points. Points along one line are not, and no such interval
    is one of the site.
    """
    import pandas as pd

    own = cover[(cover["level"] == "transect") & (cover["kind"] == "category")]
    rows = []
    for key, line in own.groupby(_LINE, sort=False):
        found = line.to_dict("records")
        counts = {row["category"]: int(row["points"]) for row in found}
        points = TransectPoints(key[-1], counts, *(int(found[0][name]) for name in _POINTS))
        for row, one in zip(found, transect_cover(points, interval=interval, level=level), strict=True):
            e = one.cover
            numbers = {"cover_percent": e.value, "low_percent": e.low, "high_percent": e.high}
            rows.append(row | numbers | interval_columns(e))
    return pd.DataFrame(rows, columns=_LINE_COLUMNS)


def bootstrap_table(samples: Iterable[SurveySample], seed: int, *, level: float) -> pd.DataFrame:
    """The mean over transects of each cover and density with its bootstrap interval (`bca_mean`), survey by survey.

    Columns: ``pack, site, date``; ``variable``, ``label``, ``kind`` ("cover" or "density"), ``unit``; ``transects``,
    ``mean``, ``low``, ``high`` at ``confidence``, ``interval_covers``, ``method``; ``note``. Under ten transects there
    is no interval, and the note says so. Transects are drawn anew from `seed` for each, so that its limits are the same
    whatever else is asked for.
    """
    import numpy as np
    import pandas as pd

    rows = []
    for s in samples:
        for v, measured in s.measured.items():
            rng = np.random.default_rng(seed)
            e = bca_mean(list(measured.values.values()), rng, level=level, unit=v.unit)
            named = {"pack": s.name, "site": s.site, "date": s.date, "variable": v.id, "label": v.label, "kind": v.kind}
            numbers = {"unit": v.unit, "transects": e.n, "mean": e.value, "low": e.low, "high": e.high}
            rows.append(named | numbers | interval_columns(e) | {"note": e.note})
    return pd.DataFrame(rows, columns=_MEAN_COLUMNS)
