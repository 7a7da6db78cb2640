"""From rows of an old table to results, with every problem named by its line; nothing doubtful is taken."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable
from collections.abc import Mapping as Dictionary
from dataclasses import dataclass

from digitise.earlier.files import Value
from digitise.earlier.mapping import Mapping, Measure, Target
from digitise.earlier.result import EarlierResult
from digitise.estimate.intervals import t_mean
from digitise.sheets.yaml_file import UNSEEN
from digitise.surveys.roster import site_key

EARLIEST = dt.date(1950, 1, 1)
MOST = 1e9  # animals


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, and where: `line` as a spreadsheet numbers it."""

    line: int
    column: str
    text: str

    @property
    def words(self) -> str:
        """ "line 7, HC %: found 'x', expected a number"."""
        return f"line {self.line}, {self.column}: {self.text}"


@dataclass(frozen=True, slots=True)
class _Found:
    line: int
    site: str
    day: dt.date
    transect: str
    name: str
    value: float
    low: float | None
    high: float | None


def take(
    rows: Iterable[tuple[int, Dictionary[str, Value]]],
    mapping: Mapping,
    targets: Dictionary[str, Target],
    *,
    source: str,
    today: dt.date,
) -> tuple[list[EarlierResult], list[Problem]]:
    """(results, problems). Several transects of one survey give their mean and its t interval between transects."""
    problems: list[Problem] = []
    found: list[_Found] = []
    for line, row in rows:
        found += _row(line, row, mapping, targets, today, problems)
    measures = {**mapping.columns, **mapping.measures}
    problems += _repeated(found, mapping)
    problems += _beyond_all(found, measures, targets)
    groups: dict[tuple, list[_Found]] = {}
    for one in found:
        groups.setdefault((site_key(one.site), one.day, one.name), []).append(one)
    results = [_result(own, measures[own[0].name], targets[own[0].name].label, source) for own in groups.values()]
    problems += _same_label(results)
    return results, sorted(problems, key=lambda p: (p.line, p.column))


def _row(
    line: int,
    row: Dictionary[str, Value],
    mapping: Mapping,
    targets: Dictionary[str, Target],
    today: dt.date,
    problems: list[Problem],
) -> list[_Found]:
    """What one row says; nothing where anything of it is wrong, which is added to the `problems`."""
    before = len(problems)

    def wrong(column: str, text: str) -> None:
        problems.append(Problem(line, column, text))

    site = _text(row.get(mapping.site))
    if not site:
        wrong(mapping.site, "empty, expected the site's name")
    elif unseen := UNSEEN.search(site):
        wrong(mapping.site, f"a character that cannot be seen (U+{ord(unseen[0]):04X}); delete it")
    day = _day(row.get(mapping.date), mapping, today, wrong)
    transect = _text(row.get(mapping.transect)) if mapping.transect else ""
    if mapping.transect and not transect:
        wrong(mapping.transect, "empty, expected the transect")
    values = [(name, _measured(row, name, column, mapping, wrong)) for name, column in _wanted(row, mapping, wrong)]
    limits = tuple(_limit(row, column, mapping, wrong) for column in (mapping.low, mapping.high))
    if len(problems) > before or day is None:
        return []
    known = [(name, value) for name, value in values if value is not None]
    place = {site_key(old): new for old, new in mapping.sites.items()}.get(site_key(site), site)
    return [
        _Found(line, place, day, transect, name, value, *limits)
        for name, value in known
        if _within(value, limits, mapping.value or name, wrong)
    ]


def _wanted(row: Dictionary[str, Value], mapping: Mapping, wrong) -> list[tuple[str, str]]:
    """(measure, column) of each value on a row: a column for each measure, or one that names it beside its value."""
    if not (mapping.measure and mapping.value):
        return [(column, column) for column in mapping.columns]
    name = _text(row.get(mapping.measure))
    if name in mapping.measures:
        return [(name, mapping.value)]
    wrong(mapping.measure, f"found '{name[:40]}', which is not in the mapping's measures")
    return []


def _within(value: float, limits: tuple[float | None, float | None], column: str, wrong) -> bool:
    """Whether a value lies between its limits, as far as they are known."""
    low, high = limits
    if (low is None or low <= value) and (high is None or value <= high):
        return True
    shown = " and ".join("none" if limit is None else f"{limit:g}" for limit in limits)
    wrong(column, f"{value:g} does not lie between its limits {shown}")
    return False


def _text(value: Value) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else " ".join(str(value).split())


def _day(value: Value, mapping: Mapping, today: dt.date, wrong) -> dt.date | None:
    if isinstance(value, dt.date):
        day = value
    else:
        try:
            day = dt.datetime.strptime(_text(value), mapping.date_format).date()
        except ValueError:
            wrong(mapping.date, f"found '{_text(value)[:30]}', expected a date of the form {mapping.date_format}")
            return None
    if not EARLIEST <= day <= today:
        wrong(mapping.date, f"{day} is not between {EARLIEST} and {today}")
        return None
    return day


def _number(value: Value, mapping: Mapping) -> float | None:
    """A number; None for a text that means none; `ValueError` for anything else."""
    if value is None or isinstance(value, dt.date):
        if value is None:
            return None
        raise ValueError
    if isinstance(value, str):
        if not value or value in mapping.missing:
            return None
        value = value.removesuffix("%").strip()
        if mapping.decimal == ",":
            if "." in value:
                raise ValueError
            value = value.replace(",", ".")
        number = float(value) if not set(value) - set("0123456789.eE+-") else math.nan
    else:
        number = float(value)
    if not math.isfinite(number):
        raise ValueError
    return number + 0.0  # no minus before a nought


def _no_number(text: str, mapping: Mapping) -> str:
    """What is wrong with a text that should be a number; numbers with the other decimal mark need one line more.

    Three digits behind the mark may be thousands, of which nothing is said.
    """
    hint = ""
    other = "," if mapping.decimal == "." else "."
    if text.startswith("="):
        hint = "; the file holds a formula without its result: open it in a spreadsheet program and save it there"
    if re.fullmatch(rf"[+-]?[0-9]+\{other}[0-9]{{1,2}} ?%?", text.strip()):
        hint = f"; if '{other}' marks decimals in the whole table, write decimal: \"{other}\" into the mapping"
    return f"found '{text[:30]}', expected a number or nothing{hint}"


def _limit(row: Dictionary[str, Value], column: str | None, mapping: Mapping, wrong) -> float | None:
    try:
        return _number(row.get(column), mapping) if column else None
    except ValueError:
        wrong(column, _no_number(_text(row.get(column)), mapping))
        return None


def _measured(row: Dictionary[str, Value], name: str, column: str, mapping: Mapping, wrong) -> float | None:
    measure = mapping.columns.get(name) or mapping.measures[name]
    try:
        number = _number(row.get(column), mapping)
    except ValueError:
        wrong(column, _no_number(_text(row.get(column)), mapping))
        return None
    if number is None:
        return None
    if measure.cover and not 0 <= number <= 100:
        wrong(column, f"{number:g} is no percentage; expected 0 to 100")
        return None
    if not 0 <= number <= MOST:
        found = "is negative; expected 0 or more" if number < 0 else f"is no count; expected {MOST:g} at most"
        wrong(column, f"{number:g} {found}")
        return None
    return number


def _beyond_all(
    found: Iterable[_Found], measures: Dictionary[str, Measure], targets: Dictionary[str, Target]
) -> list[Problem]:
    """Covers of different categories on one line, or of one survey, cannot be more than everything."""
    lines: dict[tuple, dict[str, _Found]] = {}
    for one in found:
        if measures[one.name].cover and not targets[one.name].is_group:
            lines.setdefault((site_key(one.site), one.day, one.transect), {}).setdefault(one.name, one)
    sums = [(list(own.values()), math.fsum(f.value for f in own.values())) for own in lines.values()]
    return [
        Problem(own[0].line, "covers", f"the categories add up to {total:g} %, more than 100")
        for own, total in sums
        if len(own) > 1 and total > 100.5
    ]


def may_be_shares(results: Iterable[EarlierResult]) -> bool:
    """Whether covers of several categories are there and none is above 1 %: they may be shares of 1, not percent."""
    covers = [r for r in results if r.is_cover]
    return len({r.label for r in covers}) > 1 and 0 < max(r.value for r in covers) <= 1


def _repeated(found: Iterable[_Found], mapping: Mapping) -> list[Problem]:
    first: dict[tuple, int] = {}
    out = []
    for one in found:
        key = (site_key(one.site), one.day, one.name, one.transect)
        if key in first:
            hint = "" if mapping.transect else "; if these are transects, name their column as 'transect'"
            text = f"{one.site} on {one.day} has this already in line {first[key]}{hint}"
            out.append(Problem(one.line, one.name, text))
        first.setdefault(key, one.line)
    return out


def _result(own: list[_Found], measure: Measure, label: str, source: str) -> EarlierResult:
    one, factor = own[0], 1.0 if measure.cover else 100.0 / measure.per_m2
    value, low, high = one.value, one.low, one.high
    if len(own) > 1:
        e = t_mean([f.value for f in own], cut=(0.0, 100.0 if measure.cover else math.inf))
        value, low, high = e.value, e.low, e.high
    low, high = (None if v is None else v * factor for v in (low, high))
    transects = len(own) if one.transect else None
    return EarlierResult(
        one.site, one.day, label, bool(measure.cover), value * factor, low, high, transects, source, one.line
    )


def _same_label(results: Iterable[EarlierResult]) -> list[Problem]:
    """Two columns mapped to one category."""
    first: dict[tuple, EarlierResult] = {}
    out = []
    for one in results:
        key = (site_key(one.site), one.day, one.label, one.is_cover)
        if key in first:
            out.append(Problem(one.line, one.label, f"{one.site} on {one.day} gets it from two columns of the mapping"))
        first.setdefault(key, one)
    return out
