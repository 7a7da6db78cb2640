"""What each mark on a transect's sheets means: a point's category, a row's count, an impact.

Nothing here turns the unknown into zero. A tally left blank is not a zero unless the sheet's none-seen box is ticked or
a 0 is written beside it; an unread, illegible or blank cell stays what it is, and so does a sheet that nobody
photographed ("missing").
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from digitise.sheets.protocol import BeltSheet, LineSheet, Part, Protocol, RowSpec
from digitise.store import CellNow
from digitise.surveys.chances import Chances, code_chances, count_chances, count_slip_variance, slip_chance


class Point(NamedTuple):
    """One point under the tape. `category` is the category's id; None unless `state` is "entered".

    While nobody has decided it, `chances` holds what it may be, and is empty when that is not known. `slip` is the
    chance that a category accepted by rule is misread.
    """

    position_m: float
    category: str | None
    state: str
    chances: Chances = ()
    slip: float = 0.0


class Count(NamedTuple):
    """One row of a belt sheet in one segment.

    `count` is a number when `state` is "counted" (from the `source` "tally" or "total") or "none seen" (a blank row
    under a ticked none-seen box), else None with "unread", "illegible", "blank" or "missing". While it is unread,
    `chances` holds what it may be, and is empty when that is not known. `slip_variance` is the mean squared misreading
    of a count accepted by rule.
    """

    sheet: str
    row: str
    segment: str
    area_m2: float
    count: int | None
    state: str
    source: str = ""
    chances: Chances = ()
    slip_variance: float = 0.0
    place: str = ""  # the segment as printed: "0–10 m", "frame 3"

    @property
    def expected(self) -> tuple[float, float]:
        """Mean and variance of what an undecided count may be, by its chances."""
        mean = sum(k * p for k, p in self.chances)
        return mean, sum((k - mean) ** 2 * p for k, p in self.chances)


class Impact(NamedTuple):
    """A percentage or a tick in one segment; `value` is None unless `state` is "entered"."""

    sheet: str
    row: str
    kind: str
    segment: str
    value: int | bool | None
    state: str


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a person should know before using the numbers.

    `twice` is the id of the page that counts where another photograph that bears its name shows something else.
    """

    where: str
    text: str
    twice: int = 0


def points_of(protocol: Protocol, name: str, sheet: LineSheet, cells: Mapping[str, CellNow]) -> tuple[Point, ...]:
    """Every point under the tape of a line sheet."""
    category = {c.code: c.id for c in sheet.categories}
    out = []
    for position in protocol.transect.points_m:
        cell = cells.get(f"{name}/{position:g}")
        state = cell.state if cell else "missing"
        found = category.get(cell.value) if state == "entered" else None
        if found is not None:
            out.append(Point(position, found, state, slip=slip_chance(cell)))
        elif state == "unread":
            out.append(Point(position, None, state, code_chances(cell, category)))
        else:
            out.append(Point(position, None, "illegible" if state == "entered" else state))
    return tuple(out)


def _rows(sheet: BeltSheet) -> tuple[RowSpec, ...]:
    return (*sheet.rows, *sheet.impacts)


@lru_cache(maxsize=64)
def _boxes(protocol: Protocol, name: str) -> tuple[tuple[RowSpec, Part, str, str], ...]:
    """Each counted row of a belt sheet in each segment, with the ids of its tally and its total."""
    counted = [
        (row, part) for row in _rows(protocol.sheets[name]) if row.kind == "count" for part in protocol.parts(name)
    ]
    stems = [f"{name}/{row.id}/{part.id}" for row, part in counted]
    return tuple((*one, f"{stem}/tally", f"{stem}/total") for one, stem in zip(counted, stems, strict=True))


def counts_of(
    protocol: Protocol, name: str, cells: Mapping[str, CellNow], where: str, findings: list[Finding]
) -> list[Count]:
    """Every counted row of a belt sheet in each segment; what is odd about them is added to `findings`."""
    ticked = cells.get(f"{name}/none-seen")
    none_seen = ticked is not None and ticked.state == "entered" and ticked.value is True
    out = []
    for row, part, tally_id, total_id in _boxes(protocol, name):
        tally, total = cells.get(tally_id), cells.get(total_id)
        count, state, source = meaning(tally, total, none_seen=none_seen)
        chances = count_chances(tally, total, none_seen=none_seen) if state == "unread" else ()
        slip = count_slip_variance(tally if source == "tally" else total) if state == "counted" else 0.0
        out.append(Count(name, row.id, part.id, part.area_m2, count, state, source, chances, slip, part.label))
        if source == "tally" and total is not None and (difference := _difference(tally, total)):
            findings.append(Finding(f"{where}, {row.label}, {part.label}", difference))
    blank = sum(c.state == "blank" for c in out)
    if blank:
        why = "waits to be read" if ticked is not None and ticked.state == "unread" else "is not ticked"
        findings.append(
            Finding(
                where,
                f"{blank} of {len(out)} counts were left blank and the none-seen box {why}: "
                "they are not known, not zero, so densities from this sheet lean high",
            )
        )
    return out


def meaning(tally: CellNow | None, total: CellNow | None, *, none_seen: bool) -> tuple[int | None, str, str]:
    """(count, state, source) of a tally and the total written beside it.

    The tally counts when it is entered. A tally left blank or given up leaves it to the total. Both blank is none seen
    when the sheet's none-seen box is ticked, else blank. What is unread keeps the count open.
    """
    if tally is not None and tally.state == "entered":
        return tally.value, "counted", "tally"
    states = [c.state if c else "missing" for c in (tally, total)]
    if states[0] in ("unread", "missing"):
        return None, states[0], ""
    if states[1] == "entered":
        return total.value, "counted", "total"
    if states[1] == "unread":
        return None, "unread", ""
    if "illegible" in states:
        return None, "illegible", ""
    return (0, "none seen", "none-seen") if none_seen else (None, "blank", "")


def _difference(tally: CellNow, total: CellNow) -> str:
    if total.state != "entered" or tally.value == total.value:
        return ""
    return f"the strokes say {tally.value}, the written total {total.value}; the strokes are used"


def impacts_of(protocol: Protocol, name: str, sheet: BeltSheet, cells: Mapping[str, CellNow]) -> list[Impact]:
    """Every percentage and tick of a belt sheet in each segment."""
    out, parts = [], protocol.parts(name)
    for row in _rows(sheet):
        for part in parts if row.kind != "count" else ():
            cell = cells.get(f"{name}/{row.id}/{part.id}/{row.kind}")
            state = cell.state if cell else "missing"
            out.append(Impact(name, row.id, row.kind, part.id, cell.value if state == "entered" else None, state))
    return out
