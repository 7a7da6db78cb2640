"""Cells of a store whose true value people settled, without the program's reading having chosen them.

Fair are, on pages that count and on which nothing waits:

- cells that the program had **accepted**, where an audit drew them at random and a person keyed them blind. Only audits
  answered to the end count. They draw the less sure cells more densely, so that errors are rather over- than
  underestimated. What somebody entered into a differing cell afterwards, with both values in view, is taken
  for the truth, else the audit's answer;
- cells that the program had **left to a person**, all of them, since all were looked at. Those confirmed at a glance
  among others that read the same are left out; those found odd there are not.

Not fair, and left out: accepted cells that somebody happened to look at or to change, since errors are what people look
for; pages keyed a second time as a whole, which somebody chose; sheets keyed by hand, on which nothing was read; and
pages with cells that still wait, since the hard ones wait longest. Whoever decided a cell left to a person has seen the
program's suggestion, so these are a little too kind to it; audits are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.adapt.evaluate import same_value
from digitise.reader.reading import Value
from digitise.store.rows import RULE, TOGETHER, CellNow, PageRow

if TYPE_CHECKING:
    from digitise.store import Store


@dataclass(frozen=True, slots=True)
class FairCell:
    """A cell and what it says. `audited` for one that was accepted; `illegible` when no accepted value can be right."""

    page_id: int
    cell: str
    value: Value
    illegible: bool
    audited: bool
    day: str  # when a person settled it, YYYY-MM-DD


@dataclass(frozen=True, slots=True)
class FairSample:
    """The fair cells of a store, their pages, and what was left out.

    `accepted` has the cells of these pages that the program had accepted, by page: what audits sampled from.
    """

    cells: tuple[FairCell, ...]
    pages: tuple[PageRow, ...]
    accepted: dict[int, frozenset[str]]
    pages_waiting: int
    audits_open: int

    @property
    def when(self) -> str:
        """When its cells were settled, to go on a sentence with; empty without any."""
        days = sorted(c.day for c in self.cells)
        if not days:
            return ""
        return f", settled {days[0]}" if days[0] == days[-1] else f", settled {days[0]} to {days[-1]}"


def fair_sample(store: Store) -> FairSample:
    """Look through a store; an empty sample where no person has settled anything."""
    standing = [p for p in store.pages() if not p.superseded and not p.keyed]
    pages = [p for p in standing if not p.open]
    answers, audits_open = _audited(store)
    cells: list[FairCell] = []
    accepted: dict[int, frozenset[str]] = {}
    for page in pages:
        now, readings = store.current(page.id), store.readings(page.id)
        accepted[page.id] = frozenset(r.cell for r in readings if not r.flagged)
        for reading in readings:
            if not reading.flagged:
                found = _settled(answers.get((page.id, reading.cell)), reading.value, now[reading.cell])
            else:
                found = _left_to_a_person(now[reading.cell], reading.value)
            if found is not None:
                cells.append(found)
    return FairSample(tuple(cells), tuple(pages), accepted, len(standing) - len(pages), audits_open)


@dataclass(frozen=True, slots=True)
class _Answer:
    """What an audit says of a cell; `differs` None where it agrees with what was accepted."""

    differs: tuple[Value, str] | None
    day: str


def _audited(store: Store) -> tuple[dict[tuple[int, str], _Answer], int]:
    """Answers by page and cell, of the first audit that drew the cell as the program had accepted it.

    Also how many audits are not answered yet.
    """
    answers: dict[tuple[int, str], _Answer] = {}
    waiting = 0
    for audit in (a for a in store.audits.all() if not a.whole_page):
        if audit.answered < audit.sampled:
            waiting += 1
            continue
        differing = {(d.page_id, d.cell): (d.answer, d.answer_state) for d in audit.differing}
        for one in (c for c in store.audits.cells(audit.id) if c.entered_by == RULE):
            key = (one.page_id, one.cell)
            answers.setdefault(key, _Answer(differing.get(key), audit.at[:10]))
    return answers, waiting


def _settled(answer: _Answer | None, accepted: Value, now: CellNow) -> FairCell | None:
    """An accepted cell, where an audit drew it."""
    if answer is None:
        return None
    value, state = answer.differs or (accepted, "entered")
    if answer.differs and now.by not in ("", RULE):  # somebody decided, with both values in view
        value, state = now.value, now.state
    return FairCell(now.page_id, now.cell, value, state == "illegible", True, answer.day)


def _left_to_a_person(now: CellNow, read: Value) -> FairCell | None:
    """A cell that was left to a person, where one decided it by itself."""
    at_a_glance = now.why == TOGETHER and now.state != "illegible" and same_value(now.value, read)
    if now.by in ("", RULE) or at_a_glance:
        return None
    return FairCell(now.page_id, now.cell, now.value, now.state == "illegible", False, now.at[:10])
