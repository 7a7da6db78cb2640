"""Audits: a random sample of entered cells, answered blind by a person, and what that says about all of them.

The sample is drawn without replacement from entered cells of pages that count. Whoever answers is not shown what was
entered, and cannot answer for a cell they entered themselves. Until every cell of the sample is answered there is no
bound.

A sample by strata has cells that the rule accepted with high probability, those it accepted with less, and those that
people entered; its bound is the sum of the strata's own (`digitise.estimate.audit`). A whole page keyed again blind by
another person is a sample of all its cells, in the one stratum "page".
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime

import numpy as np
from sqlalchemy import Connection, insert, select

from digitise.reader.reading import Value
from digitise.store import chain
from digitise.store import schema as t
from digitise.store.audit_rows import PAGE, PERSON, Audit, AuditCell, Differing, Pair, Stratum
from digitise.store.engine import Database
from digitise.store.read import Library, current_entries
from digitise.store.rows import RULE, StoreError, cell_label
from digitise.store.values import person, settled

STRATA = ("sure", "rule", PERSON)
SURE = 0.999  # probability from which on an accepted reading is in the stratum "sure"
RISK = 0.05  # chance that the true share of wrong cells lies above the bound


class Audits:
    """Audits of one store."""

    def __init__(self, database: Database, library: Library):
        self._database, self._library = database, library

    def strata(self, *, pack: str | None = None) -> dict[str, int]:
        """How many entered cells each stratum has, of one pack or of all; strata without cells are left out."""
        with self._database.read() as connection:
            found = self._by_stratum(connection, pack)
        return {name: len(cells) for name, cells in found.items() if cells}

    def draw_strata(
        self, sizes: Mapping[str, int], *, by: str, now: datetime, rng: np.random.Generator, pack: str | None = None
    ) -> Audit:
        """Draw so many cells of each stratum, fewer where it has fewer; strata that are not named are left out.

        Raises
        ------
        ValueError
            A stratum is not known, a size is below 1, or there is nothing to draw from.
        """
        if not sizes or not set(sizes) <= set(STRATA) or min(sizes.values()) < 1:
            raise ValueError(f"expected at least one cell of each stratum among {', '.join(STRATA)}")
        with self._database.write() as connection:
            found = self._by_stratum(connection, pack)
            lots = {name: found[name] for name in STRATA if name in sizes and found[name]}
            cells = []
            for name, lot in lots.items():
                chosen = rng.choice(len(lot), size=min(sizes[name], len(lot)), replace=False)
                cells += [lot[i] for i in chosen.tolist()]
            audit_id = self._add(connection, cells, {n: len(c) for n, c in lots.items()}, pack=pack, by=by, now=now)
        return self.audit(audit_id)

    def draw_page(self, page_id: int, *, by: str, now: datetime) -> Audit:
        """Every entered cell of a page, to be keyed again blind; cells still open are left out."""
        with self._database.write() as connection:
            pack = self._library.page(connection, page_id).pack
            query = current_entries(t.entries.c.page_id == page_id).where(t.entries.c.state != "withdrawn")
            cells = [
                {"page_id": e.page_id, "cell": e.cell, "entry_id": e.id}
                for e in connection.execute(query.order_by(t.entries.c.id))
            ]
            audit_id = self._add(connection, cells, {PAGE: len(cells)}, pack=pack, by=by, now=now)
        return self.audit(audit_id)

    def _add(
        self,
        connection: Connection,
        cells: list[dict],
        populations: dict[str, int],
        *,
        pack: str | None,
        by: str,
        now: datetime,
    ) -> int:
        if not cells:
            raise ValueError("no cell is entered here, so there is nothing to audit")
        at, who = chain.stamp(now), person(by)
        new = insert(t.audits).values(pack=pack, population=sum(populations.values()), by=who, at=at)
        audit_id = connection.execute(new).inserted_primary_key[0]
        rows = [cell | {"audit_id": audit_id} for cell in sorted(cells, key=lambda c: c["entry_id"])]
        connection.execute(insert(t.audit_cells), rows)
        chain.seal(connection, t.audits, audit_id, at=at)
        for name, population in populations.items():
            added = connection.execute(
                insert(t.audit_strata).values(audit_id=audit_id, stratum=name, population=population)
            )
            chain.seal(connection, t.audit_strata, added.inserted_primary_key[0], at=at)
        return audit_id

    def _entered(self, connection: Connection, pack: str | None) -> Iterator:
        """Current entries of pages that count, with the probability of their reading, in a fixed order."""
        pages = [
            p.id for p in self._library.pages(connection, packs=None if pack is None else [pack]) if not p.superseded
        ]
        for some in (pages[i : i + 200] for i in range(0, len(pages), 200)):
            entries = current_entries(t.entries.c.page_id.in_(some)).subquery()
            query = select(entries, t.readings.c.confidence).join(t.readings, t.readings.c.id == entries.c.reading_id)
            yield from connection.execute(query.where(entries.c.state != "withdrawn").order_by(entries.c.id))

    def _by_stratum(self, connection: Connection, pack: str | None) -> dict[str, list[dict]]:
        out: dict[str, list[dict]] = {name: [] for name in STRATA}
        for e in self._entered(connection, pack):
            cell = {"page_id": e.page_id, "cell": e.cell, "entry_id": e.id}
            out[_stratum(e.decided_by, e.confidence)].append(cell)
        return out

    def pairs(self) -> list[Pair]:
        """Cells that a person entered and another keyed again blind, of every audit."""
        with self._database.read() as connection:
            return [
                Pair(
                    self._library.layout_of(connection, r.page_id).cell(r.cell).kind,
                    (r.accepted_state, json.loads(r.accepted)),
                    r.entered_by,
                    (r.state, json.loads(r.value)),
                    r.by,
                )
                for r in connection.execute(_sample(None))
                if r.by is not None and r.entered_by not in (RULE, r.by)
            ]

    def cells(self, audit_id: int) -> list[AuditCell]:
        """The sample in page order, without the accepted values."""
        with self._database.read() as connection:
            rows = connection.execute(_sample(audit_id)).all()
            return [self._cell(connection, row) for row in rows]

    def _cell(self, connection: Connection, row) -> AuditCell:
        spec = self._library.layout_of(connection, row.page_id).cell(row.cell)
        place = (row.id, row.audit_id, row.page_id, row.cell)
        return AuditCell(*place, spec.kind, cell_label(spec), row.by or "", row.entered_by)

    def answer(self, audit_cell_id: int, *, value: Value, state: str, by: str, now: datetime) -> None:
        """Answer a sampled cell, once: `state` is entered (with a value), blank or illegible (without).

        The same answer by the same person again changes nothing. No entry is made: what differs is for a person to
        look at with both values in view.

        Raises
        ------
        ValueError
            There is no such cell, it cannot hold the value, it was answered already, or the same person entered it.
        """
        who, at = person(by), chain.stamp(now)
        with self._database.write() as connection:
            cell = connection.execute(select(t.audit_cells).filter_by(id=audit_cell_id)).first()
            if cell is None:
                raise StoreError(f"there is no sampled cell {audit_cell_id}")
            spec = self._library.layout_of(connection, cell.page_id).cell(cell.cell)
            state, value = settled(spec, state, value)
            new = {"value": json.dumps(value), "state": state, "by": who}
            entry = connection.execute(select(t.entries.c.decided_by).filter_by(id=cell.entry_id)).scalar_one()
            if entry == who:
                raise StoreError(f"{spec.label}: you entered this cell yourself; somebody else has to key it again")
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

    def of(self, pack: str) -> list[Audit]:
        """Audits by sample that could draw every sheet of a survey, oldest first: its own, and those over all surveys.

        One over all surveys that was drawn before a sheet of this one came says nothing of it.
        """
        with self._database.read() as connection:
            pages = self._library.pages(connection, packs=[pack])
        latest = max((p.recorded_at for p in pages if not p.superseded), default="")
        found = (a for a in self.all() if not a.whole_page)
        return [a for a in found if a.pack == pack or (a.pack is None and latest <= a.at)]


def _stratum(decided_by: str, confidence: float) -> str:
    """Which stratum an entered cell belongs to."""
    if decided_by != RULE:
        return PERSON
    return "sure" if confidence >= SURE else "rule"


def _sample(audit_id: int | None):
    """Cells of one audit, or of all, with the entry on trial and the answer, if any."""
    cells, answers, entries = t.audit_cells, t.audit_answers, t.entries
    query = (
        select(
            cells,
            answers.c.by,
            answers.c.value,
            answers.c.state,
            entries.c.value.label("accepted"),
            entries.c.state.label("accepted_state"),
            entries.c.decided_by.label("entered_by"),
            t.readings.c.confidence,
        )
        .join(entries, entries.c.id == cells.c.entry_id)
        .join(t.readings, t.readings.c.id == entries.c.reading_id)
        .outerjoin(answers, answers.c.audit_cell_id == cells.c.id)
        .order_by(cells.c.id)
    )
    return query if audit_id is None else query.where(cells.c.audit_id == audit_id)


def _differs(row) -> bool:
    return (row.state, json.loads(row.value)) != (row.accepted_state, json.loads(row.accepted))


def _audit(connection: Connection, row) -> Audit:
    cells = connection.execute(_sample(row.id)).all()
    answered = [r for r in cells if r.by is not None]
    differing = tuple(
        Differing(
            r.page_id,
            r.cell,
            json.loads(r.accepted),
            r.accepted_state,
            json.loads(r.value),
            r.state,
            r.by,
            r.entry_id,
            r.entered_by,
        )
        for r in answered
        if _differs(r)
    )
    strata = _strata(connection, row.id, cells)
    bound = _bound(strata) if strata and len(answered) == len(cells) else None
    return Audit(row.id, row.pack, row.by, row.at, row.population, len(cells), len(answered), differing, bound, strata)


def _strata(connection: Connection, audit_id: int, cells: list) -> tuple[Stratum, ...]:
    """The audit's strata with what was found in each; none for a plain sample."""
    rows = connection.execute(select(t.audit_strata).filter_by(audit_id=audit_id).order_by(t.audit_strata.c.id)).all()
    out = []
    for one in rows:
        own = [c for c in cells if one.stratum in (PAGE, _stratum(c.entered_by, c.confidence))]
        out.append(Stratum(one.stratum, one.population, len(own), sum(c.by is not None and _differs(c) for c in own)))
    return tuple(out)


def _bound(strata: tuple[Stratum, ...]) -> float:
    from digitise.estimate.audit import joint_upper_bound

    columns = zip(*((s.population, s.sampled, s.differing) for s in strata), strict=True)
    lots, sampled, wrong = (list(column) for column in columns)
    return joint_upper_bound(lots, sampled, wrong, alpha=RISK)
