"""Audits: a random sample of accepted cells, answered blind by a person, and what that says about all of them.

The sample is drawn without replacement from cells that the rule accepted on pages that count. Whoever answers is not
shown the accepted value. The bound is one-sided Clopper-Pearson (1934, doi:10.1093/biomet/26.4.404), a little wide for
a sample from few cells; until every cell of the sample is answered there is none.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Connection, func, insert, select

from digitise.reading import Value
from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.read import Library, current_entries
from digitise.store.rows import RULE, StoreError, cell_label
from digitise.store.values import person, settled

RISK = 0.05  # chance that the true share of wrong cells lies above the bound


@dataclass(frozen=True, slots=True)
class AuditCell:
    """One cell of a sample. `answered` is empty or who answered; the accepted value is not told."""

    id: int
    audit_id: int
    page_id: int
    cell: str
    kind: str
    label: str
    answered: str


@dataclass(frozen=True, slots=True)
class Differing:
    """A sampled cell whose blind answer is another than the accepted value."""

    page_id: int
    cell: str
    accepted: Value
    accepted_state: str
    answer: Value
    answer_state: str
    by: str


@dataclass(frozen=True, slots=True)
class Audit:
    """An audit so far: `sampled` of `population` cells, `answered` of these, and where the answers differ.

    `bound` is the share of wrong ones among accepted cells that is not exceeded with 95 % confidence; None until every
    sampled cell is answered. A cell answered blank or illegible where a value was accepted differs.
    """

    id: int
    pack: str | None
    by: str
    at: str
    population: int
    sampled: int
    answered: int
    differing: tuple[Differing, ...]
    bound: float | None


class Audits:
    """Audits of one store."""

    def __init__(self, database: Database, library: Library):
        self._database, self._library = database, library

    def draw(self, size: int, *, by: str, now: datetime, rng: np.random.Generator, pack: str | None = None) -> Audit:
        """Draw a sample of accepted cells, of one pack or of all; fewer when there are fewer.

        Raises
        ------
        ValueError
            No cell was accepted by rule, or `size` is below 1.
        """
        if size < 1:
            raise ValueError(f"found a sample of {size} cells, expected at least 1")
        who, at = person(by), chain.stamp(now)
        with self._database.write() as connection:
            accepted = self._accepted(connection, pack)
            if not accepted:
                raise ValueError("no cell was accepted without a person, so there is nothing to audit")
            new = insert(t.audits).values(pack=pack, population=len(accepted), by=who, at=at)
            audit_id = connection.execute(new).inserted_primary_key[0]
            chosen = rng.choice(len(accepted), size=min(size, len(accepted)), replace=False)
            cells = [accepted[i] for i in sorted(chosen.tolist())]
            connection.execute(insert(t.audit_cells), [cell | {"audit_id": audit_id} for cell in cells])
            chain.seal(connection, t.audits, audit_id, at=at)
        return self.audit(audit_id)

    def _accepted(self, connection: Connection, pack: str | None) -> list[dict]:
        """Cells that the rule accepted on pages that count, with their entries, in a fixed order."""
        pages = [p.id for p in self._library.pages(connection, pack=pack) if not p.superseded]
        out = []
        for some in (pages[i : i + 200] for i in range(0, len(pages), 200)):
            query = current_entries(t.entries.c.page_id.in_(some)).order_by(t.entries.c.id)
            out += [
                {"page_id": e.page_id, "cell": e.cell, "entry_id": e.id}
                for e in connection.execute(query.where(t.entries.c.by == RULE))
            ]
        return out

    def cells(self, audit_id: int) -> list[AuditCell]:
        """The sample in page order, without the accepted values."""
        with self._database.read() as connection:
            rows = connection.execute(_sample(audit_id)).all()
            return [self._cell(connection, row) for row in rows]

    def _cell(self, connection: Connection, row) -> AuditCell:
        spec = self._library.layout_of(connection, row.page_id).cell(row.cell)
        return AuditCell(row.id, row.audit_id, row.page_id, row.cell, spec.kind, cell_label(spec), row.by or "")

    def answer(self, audit_cell_id: int, *, value: Value, state: str, by: str, now: datetime) -> None:
        """Answer a sampled cell, once: `state` is entered (with a value), blank or illegible (without).

        The same answer by the same person again changes nothing. No entry is made: what differs is for a person to
        look at with both values in view.

        Raises
        ------
        ValueError
            There is no such cell, it cannot hold the value, or it was answered already.
        """
        who, at = person(by), chain.stamp(now)
        with self._database.write() as connection:
            cell = connection.execute(select(t.audit_cells).filter_by(id=audit_cell_id)).first()
            if cell is None:
                raise StoreError(f"there is no sampled cell {audit_cell_id}")
            spec = self._library.layout_of(connection, cell.page_id).cell(cell.cell)
            state, value = settled(spec, state, value)
            new = {"value": json.dumps(value), "state": state, "by": who}
            old = connection.execute(select(t.audit_answers).filter_by(audit_cell_id=audit_cell_id)).first()
            if old is not None and {k: old._mapping[k] for k in new} == new:
                return
            if old is not None:
                raise StoreError(f"{spec.label}: {old.by} has answered this cell of the sample already")
            added = connection.execute(insert(t.audit_answers).values(audit_cell_id=audit_cell_id, at=at, **new))
            chain.seal(connection, t.audit_answers, added.inserted_primary_key[0], at=at)

    def audit(self, audit_id: int) -> Audit:
        """One audit as it stands; `StoreError` when there is none with this id."""
        for one in self.all():
            if one.id == audit_id:
                return one
        raise StoreError(f"there is no audit {audit_id}")

    def all(self) -> list[Audit]:
        """Every audit, oldest first."""
        with self._database.read() as connection:
            rows = connection.execute(select(t.audits).order_by(t.audits.c.id)).all()
            return [_audit(connection, row) for row in rows]


def _sample(audit_id: int):
    cells, answers, entries = t.audit_cells, t.audit_answers, t.entries
    return (
        select(
            cells,
            answers.c.by,
            answers.c.value,
            answers.c.state,
            entries.c.value.label("accepted"),
            entries.c.state.label("accepted_state"),
        )
        .join(entries, entries.c.id == cells.c.entry_id)
        .outerjoin(answers, answers.c.audit_cell_id == cells.c.id)
        .where(cells.c.audit_id == audit_id)
        .order_by(cells.c.id)
    )


def _audit(connection: Connection, row) -> Audit:
    from digitise.estimate.acceptance import upper_error_bound

    answered = [r for r in connection.execute(_sample(row.id)) if r.by is not None]
    sampled = connection.execute(select(func.count()).where(t.audit_cells.c.audit_id == row.id)).scalar_one()
    differing = tuple(
        Differing(r.page_id, r.cell, json.loads(r.accepted), r.accepted_state, json.loads(r.value), r.state, r.by)
        for r in answered
        if (r.state, json.loads(r.value)) != (r.accepted_state, json.loads(r.accepted))
    )
    complete = len(answered) == sampled
    bound = upper_error_bound(len(differing), sampled, RISK) if complete else None
    return Audit(row.id, row.pack, row.by, row.at, row.population, sampled, len(answered), differing, bound)
