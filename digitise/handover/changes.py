"""What is not as it was: cells, sheets and figures of surveys between two states. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from digitise.results import SurveyResults
from digitise.store.signoffs import FrozenCell

Number = tuple[str, float | None, float | None, float | None, str]
_Key = tuple[str, int, int, str]


@dataclass(frozen=True, slots=True)
class CellPair:
    """One cell then and now; None where the survey had, or has, no such cell."""

    then: FrozenCell | None
    now: FrozenCell | None

    @property
    def place(self) -> FrozenCell:
        """Either of the two, for where it stands."""
        return self.now or self.then


@dataclass(frozen=True, slots=True)
class NumberPair:
    """One figure then and now, as (value, low, high); None where it was, or is, not among the figures."""

    name: str
    unit: str
    then: tuple[float | None, float | None, float | None] | None
    now: tuple[float | None, float | None, float | None] | None


@dataclass(frozen=True, slots=True)
class SurveyChange:
    """One survey between two hand-overs. `kind` is new, same, changed, or gone (not in the package)."""

    pack: str
    heading: str
    kind: str
    cells: tuple[CellPair, ...] = ()
    photographs: tuple[tuple[str, int, int], ...] = ()  # (sheet, page, transect) of which another photograph counts
    numbers: tuple[NumberPair, ...] = ()


def changed_cells(then: Iterable[FrozenCell], now: Iterable[FrozenCell]) -> tuple[CellPair, ...]:
    """Cells with another state or value, in the order of `now`; those that are gone come last.

    A cell is known by sheet, page, transect and name: the same sheet on another photograph is the same cell.
    """
    before, after = _by_place(then), _by_place(now)
    pairs = [CellPair(before.get(key), cell) for key, cell in after.items()]
    pairs += [CellPair(cell, None) for key, cell in before.items() if key not in after]
    return tuple(p for p in pairs if _said(p.then) != _said(p.now))


def changed_photographs(then: Iterable[FrozenCell], now: Iterable[FrozenCell]) -> tuple[tuple[str, int, int], ...]:
    """Pages (sheet, page, transect) that were there and are, but from another photograph."""
    before, after = _photographs(then), _photographs(now)
    return tuple(place for place, sha256 in after.items() if before.get(place, sha256) != sha256)


def _by_place(cells: Iterable[FrozenCell]) -> dict[_Key, FrozenCell]:
    return {(c.sheet, c.page, c.transect, c.cell): c for c in cells}


def _photographs(cells: Iterable[FrozenCell]) -> dict[tuple[str, int, int], str]:
    return {(c.sheet, c.page, c.transect): c.sha256 for c in cells}


def _said(cell: FrozenCell | None) -> tuple:
    """State and value; a cell that is not there says something else than any that is. True is not 1."""
    return ("none",) if cell is None else (cell.state, type(cell.value), cell.value)


def numbers_of(r: SurveyResults) -> tuple[Number, ...]:
    """The figures of a survey that a package gives: covers and densities of the site, and mean percentages."""
    out: list[Number] = []
    for line in r.lines:
        for one in (*line.groups, *line.categories):
            e = one.site.cover
            out.append((f"{line.title}: {one.label}", e.value, e.low, e.high, "%"))
    for one in r.densities:
        e = one.site.density
        out.append((f"{one.title}: {one.label}", e.value, e.low, e.high, e.unit))
    for one in r.impacts:
        if one.mean is not None:
            out.append((f"{one.title}: {one.label}", one.mean.value, one.mean.low, one.mean.high, "%"))
    return tuple(out)


def changed_numbers(then: Sequence[Number], now: Sequence[Number]) -> tuple[NumberPair, ...]:
    """Figures that differ, interval ends too, in the order of `now`; those that are gone come last."""
    before, after = ({n[0]: n for n in side} for side in (then, now))
    pairs = []
    for name in dict.fromkeys([*after, *before]):
        old, new = before.get(name), after.get(name)
        if old is None or new is None or not all(map(_same, old[1:4], new[1:4])):
            pairs.append(NumberPair(name, (new or old)[4], old and tuple(old[1:4]), new and tuple(new[1:4])))
    return tuple(pairs)


def _same(a: float | None, b: float | None) -> bool:
    return a is b if None in (a, b) else math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9)


def survey_change(
    pack: str,
    heading: str,
    *,
    then: Sequence[FrozenCell],
    now: Sequence[FrozenCell],
    before: Sequence[Number],
    after: Sequence[Number],
) -> SurveyChange:
    """One survey that was sent before and is again; figures alone may differ after a new version of the tool."""
    cells, photographs = changed_cells(then, now), changed_photographs(then, now)
    numbers = changed_numbers(before, after)
    kind = "changed" if cells or photographs or numbers else "same"
    return SurveyChange(pack, heading, kind, cells, photographs, numbers)


def by_kind(changes: Iterable[SurveyChange]) -> Mapping[str, list[SurveyChange]]:
    """Changes under new, changed, same and gone, each in order."""
    out: dict[str, list[SurveyChange]] = {"new": [], "changed": [], "same": [], "gone": []}
    for one in changes:
        out[one.kind].append(one)
    return out
