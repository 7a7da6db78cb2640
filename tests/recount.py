"""Covers and densities once more, from exported observations and the protocol's YAML alone: none of the tool's code.

Run by itself: ``python tests/recount.py TABLES_FOLDER`` prints what differs from the exported cover.csv and density.csv.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import yaml
from scipy import stats

PROTOCOL = Path(__file__).parents[1] / "digitise" / "protocols" / "reef-transect.yaml"
BELT_M2 = 2 * 10  # one segment of the shipped protocol: 2 m wide, 10 m long
POINTS = 40


def recounted(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """(covers, densities), one row a number, by the keys of the exported tables, with value and limits."""
    seen = pd.read_csv(folder / "observations.csv", dtype=str, keep_default_na=False)
    sheets = yaml.safe_load(PROTOCOL.read_text(encoding="utf-8"))["sheets"]
    seen = seen[seen["pack"] != ""]
    return _covers(seen, sheets), _densities(seen, sheets)


def differing(folder: Path) -> list[str]:
    """Every value or limit of the two exported tables that does not come out the same; each row is looked for."""
    out = []
    kinds = {"cover": ("category", "cover_percent", "low_percent", "high_percent")}
    kinds["density"] = ("taxon", "density", "low", "high")
    for (name, (what, *numbers)), own in zip(kinds.items(), recounted(folder), strict=True):
        keys = ["pack", "level", "transect", what, *(["segment_m"] if name == "density" else [])]
        given = pd.read_csv(folder / f"{name}.csv", dtype=dict.fromkeys(keys, str))
        given[keys] = given[keys].fillna("")
        both = given.merge(own, on=keys, how="outer", suffixes=("", "_own"), indicator=True)
        for row in both.to_dict("records"):
            where = f"{name} {' '.join(str(row[k]) for k in keys)}"
            if row["_merge"] != "both":
                out.append(f"{where}: in {row['_merge']}")
            out += [f"{where}: {n} {row[n]} is {row[f'own_{i}']}" for i, n in enumerate(numbers) if _apart(row, n, i)]
    return out


def _apart(row: dict, name: str, i: int) -> bool:
    return row["_merge"] == "both" and not np.isclose(row[name], row[f"own_{i}"], rtol=1e-6, atol=1e-9, equal_nan=True)


def _rows(keys: list[str], rows: list[tuple]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=[*keys, "own_0", "own_1", "own_2"])


# Cover


def _covers(seen: pd.DataFrame, sheets: dict) -> pd.DataFrame:
    listed = sheets["substrate"]["categories"]
    members: dict[str, set[str]] = {c["id"]: {c["code"]} for c in listed}
    for c in listed:
        for label in filter(None, (c.get("group"), *c.get("totals", ()))):
            members.setdefault(label, set()).add(c["code"])
    ids = {c["id"] for c in listed}
    members = {k: codes for k, codes in members.items() if k in ids or len(codes) > 1}
    codes = {c["code"] for c in listed}
    at = seen["cell"].str.fullmatch(r"substrate/\d+(\.\d+)?")
    legible = seen[at & (seen["state"] == "entered") & seen["value"].isin(codes)]
    lines = seen.loc[seen["sheet"] == "substrate", ["pack", "transect"]].drop_duplicates()
    out: list[tuple] = []
    for pack, own in lines.groupby("pack"):
        of = [legible[(legible["pack"] == pack) & (legible["transect"] == t)]["value"] for t in own["transect"]]
        n = np.array([len(v) for v in of])
        for name, wanted in members.items():
            x = np.array([v.isin(wanted).sum() for v in of])
            for t, hits, points in zip(own["transect"], x, n, strict=True):
                out.append((pack, "transect", f"T{t}", name, 100 * hits / points if points else np.nan, np.nan, np.nan))
            out.append((pack, "site", "", name, *_site_cover(x[n > 0], n[n > 0])))
    return _rows(["pack", "level", "transect", "category"], out)


def _site_cover(x: np.ndarray, n: np.ndarray) -> tuple[float, float, float]:
    """Mean over lines, or sum over sum when a line is short of 36 points; t, or beta or Korn-Graubard outside 20 to 80 %."""
    if not len(n):
        return np.nan, np.nan, np.nan
    ratio = (n < 0.9 * POINTS).any()
    p = x.sum() / n.sum() if ratio else (x / n).mean()
    values = p + (x - p * n) / n.mean() if ratio else x / n
    lines, points = len(n), n.sum()
    if lines == 1:
        return 100 * p, np.nan, np.nan
    v, t = values.var(ddof=1) / lines, stats.t(lines - 1).ppf(0.975)
    alike = np.ptp(values) * points < 0.5 * lines
    if not alike and 0.2 <= p <= 0.8:
        return 100 * p, max(0.0, 100 * (p - t * v**0.5)), min(100.0, 100 * (p + t * v**0.5))
    worth = points / 2
    if not alike and 0 < p < 1 and lines >= 4:  # Jeffreys' limits, fewer degrees of freedom where lines are uneven
        df = max(2, 1 / (1 / (lines - 1) + v / min(p, 1 - p) ** 2))
        worth = min(points, p * (1 - p) / v * (stats.t(points - 1).ppf(0.975) / stats.t(df).ppf(0.975)) ** 2)
        low, high = stats.beta(p * worth + 0.5, worth - p * worth + 0.5).ppf([0.025, 0.975])
        return 100 * p, 100 * min(low, p), 100 * max(high, p)
    if v > 1e-20 and 0 < p < 1:
        spread = min(points, p * (1 - p) / v * (stats.t(points - 1).ppf(0.975) / t) ** 2)
        worth = min(worth, spread) if alike else spread
    low = 0.0 if p * worth == 0 else stats.beta(p * worth, worth - p * worth + 1).ppf(0.025)
    high = 1.0 if p == 1 else stats.beta(p * worth + 1, worth - p * worth).ppf(0.975)
    return 100 * p, 100 * low, 100 * high


# Density


def _densities(seen: pd.DataFrame, sheets: dict) -> pd.DataFrame:
    out: list[tuple] = []
    for sheet in ("fish", "invertebrate"):
        rows = [r["id"] for r in (*sheets[sheet]["rows"], *sheets[sheet].get("impacts", ())) if _counted(r)]
        pages = seen[seen["sheet"] == sheet]
        for pack, own in pages.groupby("pack"):
            by_line = {t: dict(zip(p["cell"], _said(p), strict=True)) for t, p in own.groupby("transect")}
            every = seen.loc[(seen["pack"] == pack) & (seen["transect"] != "0"), "transect"].drop_duplicates()
            for row in rows:
                counts = {
                    t: [_count(by_line[t], sheet, f"{sheet}/{row}/{s}") for s in ("0-10", "10-20")]
                    if t in by_line
                    else []
                    for t in every
                }
                out += _of_row(pack, row, counts)
    return _rows(["pack", "level", "transect", "taxon", "segment_m"], out)


def _said(page: pd.DataFrame) -> list[tuple[str, str]]:
    return list(zip(page["state"], page["value"], strict=True))


def _counted(row: dict) -> bool:
    return row.get("kind", "count") == "count"


def _count(cells: dict, sheet: str, stem: str) -> float:
    """Strokes; else the total beside strokes that are not there; else none seen; else not known."""
    (strokes, said), (total, written) = cells[f"{stem}/tally"], cells[f"{stem}/total"]
    if strokes == "entered":
        return float(said)
    if strokes == "unread" or total == "unread":
        return np.nan
    if total == "entered":
        return float(written)
    if "illegible" in (strokes, total):
        return np.nan
    return 0.0 if cells[f"{sheet}/none-seen"] == ("entered", "true") else np.nan


def _of_row(pack: str, row: str, counts: dict[str, list[float]]) -> list[tuple]:
    out = []
    for t, own in counts.items():
        known = [c for c in own if not np.isnan(c)]
        out.append((pack, "belt", f"T{t}", row, "", *_poisson(sum(known), BELT_M2 * len(known))))
    parts = [list(c) for c in zip(*(own for own in counts.values() if own), strict=True)]
    for i, segment in enumerate(("0-10", "10-20")):
        out.append((pack, "segment", "", row, segment, *_site_density([[c] for c in parts[i]])))
    out.append((pack, "site", "", row, "", *_site_density([own for own in counts.values() if own])))
    return out


def _poisson(count: float, area: float) -> tuple[float, float, float]:
    if not area:
        return np.nan, np.nan, np.nan
    low = stats.chi2(2 * count).ppf(0.025) / 2 if count else 0.0
    high = stats.chi2(2 * count + 2).ppf(0.975) / 2 if count else -np.log(0.05)
    return 100 * count / area, 100 * low / area, 100 * high / area


def _site_density(belts: list[list[float]]) -> tuple[float, float, float]:
    """Sum over sum; Jeffreys' limits on the animals that the belts are worth, never inside those of all animals."""
    known = [[c for c in own if not np.isnan(c)] for own in belts]
    x = np.array([sum(own) for own in known if own])
    area = np.array([float(BELT_M2 * len(own)) for own in known if own])
    if not len(x) or x.sum() == 0:
        return _poisson(0.0, area.sum()) if len(x) else (np.nan, np.nan, np.nan)
    mean, lines = 100 * x.sum() / area.sum(), len(x)
    if lines == 1:
        return mean, np.nan, np.nan
    values = mean + 100 * (x - mean * area / 100) / area.mean()
    v = values.var(ddof=1) / lines
    least, most = _poisson(x.sum(), area.sum())[1:]
    if v < 1e-18 * mean**2:
        return mean, least, most
    df = max(min(2, lines - 1), 1 / (1 / (lines - 1) + v / mean**2))
    worth = min(x.sum(), mean**2 / v * (stats.norm.ppf(0.975) / stats.t(df).ppf(0.975)) ** 2)
    low, high = (stats.gamma(worth + 0.5).ppf(q) for q in (0.025, 0.975))
    return mean, min(least, low * mean / worth), max(most, high * mean / worth)


if __name__ == "__main__":
    wrong = differing(Path(sys.argv[1]))
    print("\n".join(wrong) or "every value and limit is the same")
    sys.exit(bool(wrong))
