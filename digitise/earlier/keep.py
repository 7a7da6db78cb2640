"""Earlier results beside a store: one JSON file for each table taken in, in ``FOLDER/earlier/``.

A table that is taken back stays there with the time of that, and counts no more.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from digitise.earlier.files import rows_of
from digitise.earlier.mapping import load_mapping
from digitise.earlier.result import EarlierResult
from digitise.earlier.take import Problem, take
from digitise.surveys.known_plan import planned_names
from digitise.surveys.roster import site_key
from digitise.whole import write_whole

FOLDER = "earlier"
_BACK = "taken_back_at"


@dataclass(frozen=True, slots=True)
class KeptTable:
    """A table that was taken in and counts, with the file it is kept in."""

    path: Path
    source: str
    kept_at: str
    results: tuple[EarlierResult, ...]


def earlier_results(folder: Path) -> list[EarlierResult]:
    """Every earlier result kept beside the store in `folder`, by site and date; sites have their planned names.

    Raises
    ------
    ValueError
        A file has been changed by hand into something else.
    """
    planned = planned_names(folder)
    found = [r for path in sorted((folder / FOLDER).glob("*.json")) for r in read_kept(path)]
    out = [replace(r, site=planned.get(site_key(r.site), r.site)) for r in found]
    return sorted(out, key=lambda r: (r.site, r.day, r.label))


def kept_tables(folder: Path) -> list[KeptTable]:
    """The tables that count, in the order in which they were taken in; `ValueError` as of `earlier_results`."""
    found = []
    for path in sorted((folder / FOLDER).glob("*.json")):
        if results := read_kept(path):
            data = json.loads(path.read_text(encoding="utf-8"))
            found.append(KeptTable(path, results[0].source, str(data.get("kept_at", "")), tuple(results)))
    return sorted(found, key=lambda one: (one.kept_at, one.path.name))


def take_back(one: KeptTable, *, at: str) -> None:
    """A table was taken in by mistake: it counts no more, and may be taken in again, mended."""
    data = json.loads(one.path.read_text(encoding="utf-8"))
    _write(one.path, data | {_BACK: at})


def _write(path: Path, data: dict) -> None:
    write_whole(path, f"{json.dumps(data, indent=1, ensure_ascii=False)}\n".encode())


def read_kept(path: Path) -> list[EarlierResult]:
    """The results in one kept file, none of a table taken back; `ValueError` in words where it cannot be read."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        results = [_result(row) for row in data["results"]]
        return [] if _BACK in data else results
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ValueError(f"{path}: not readable as kept earlier results; take the table in again") from None


def _result(row: dict) -> EarlierResult:
    if set(row) != {f.name for f in fields(EarlierResult)}:
        raise ValueError
    numbers = [row["value"], *(v for v in (row["low"], row["high"]) if v is not None)]
    if not all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in numbers):
        raise ValueError
    if not all(isinstance(row[k], str) for k in ("site", "label", "source")):
        raise ValueError
    return EarlierResult(**row | {"day": dt.date.fromisoformat(row["day"])})


def read_table(path: Path, mapping_path: Path, *, today: dt.date) -> tuple[list[EarlierResult], list[Problem]]:
    """(results, problems) of a table, without keeping anything: the dry run.

    Raises
    ------
    ValueError
        Table or mapping cannot be used at all, or there is no value in the table.
    """
    mapping, targets = load_mapping(mapping_path)
    results, problems = take(rows_of(path, mapping), mapping, targets, source=path.name, today=today)
    if not results and not problems:
        raise ValueError(
            f"{path}: holds no value that the mapping names; look at its rows below row {mapping.header_row}"
        )
    return results, problems


def keep_table(folder: Path, path: Path, mapping_path: Path, results: Sequence[EarlierResult], *, at: str) -> Path:
    """Keep results that had no problem beside the store in `folder`; the same table and mapping again change nothing,
    but what was damaged since is written anew.

    Raises
    ------
    ValueError
        Another table kept before has a result of the same site, date and name.
    """
    digest, rules = (hashlib.sha256(p.read_bytes()).hexdigest() for p in (path, mapping_path))
    target = folder / FOLDER / f"{digest[:16]}-{rules[:8]}.json"
    if target.is_file():
        try:
            if read_kept(target):
                return target
        except ValueError:
            target.unlink()
    planned = planned_names(folder)
    known = {(site_key(r.site), r.day, r.label, r.is_cover): r for r in earlier_results(folder)}
    for one in results:
        place = site_key(planned.get(site_key(one.site), one.site))
        if before := known.get((place, one.day, one.label, one.is_cover)):
            raise ValueError(
                f"{path}, line {one.line}: {one.label} of {one.site} on {one.day} was taken in before, from line "
                f"{before.line} of {before.source}; remove it from one of the two, or take that table "
                f"back: digitise earlier --store {folder} --list"
            )
    rows = [asdict(r) | {"day": r.day.isoformat()} for r in results]
    data = {"source": path.name, "sha256": digest, "mapping_sha256": rules, "kept_at": at, "results": rows}
    target.parent.mkdir(parents=True, exist_ok=True)
    _write(target, data)
    return target
