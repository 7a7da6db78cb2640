"""Accepted findings: what the checks found lacking in a survey, and why a person lets it be.

A finding is named by a short text that stays the same while the finding does, such as ``missing/fish/2``. The last
decision about a finding is in force; nothing is deleted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Row, insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.rows import StoreError
from digitise.store.values import person, written

LONGEST_REASON = 500


@dataclass(frozen=True, slots=True)
class AcceptedFinding:
    """A finding that a person accepted, with the reason they gave."""

    id: int
    pack: str
    finding: str
    reason: str
    by: str
    at: str


class Findings:
    """Accepted findings of one store."""

    def __init__(self, database: Database):
        self._database = database

    def accept(self, pack: str, finding: str, *, reason: str, by: str, now: datetime) -> AcceptedFinding:
        """Accept a finding with a reason; the same again by the same person changes nothing.

        Raises
        ------
        ValueError
            The reason is missing, or a text is too long.
        """
        row = self._add(pack, finding, "accepted", written("reason", reason, LONGEST_REASON), by=by, now=now)
        return _accepted(row)

    def reopen(self, pack: str, finding: str, *, reason: str, by: str, now: datetime) -> None:
        """Take an acceptance back; `StoreError` when the finding is not accepted."""
        if finding not in self.accepted(pack):
            raise StoreError(f"this finding of pack {pack} is not accepted, so it cannot be opened again")
        self._add(pack, finding, "open", written("reason", reason, LONGEST_REASON), by=by, now=now)

    def accepted(self, pack: str) -> dict[str, AcceptedFinding]:
        """Findings of a pack that are accepted now, by name."""
        rows = t.finding_decisions
        with self._database.read() as connection:
            found = connection.execute(select(rows).filter_by(pack=pack).order_by(rows.c.id)).all()
        last = {row.finding: row for row in found}
        return {name: _accepted(row) for name, row in last.items() if row.state == "accepted"}

    def _add(self, pack: str, finding: str, state: str, reason: str, *, by: str, now: datetime) -> Row:
        """The decision in force, which is the last one where that says the same."""
        name = written("finding", finding, LONGEST_REASON)
        new = {"pack": pack, "finding": name, "state": state, "reason": reason, "by": person(by)}
        rows, at = t.finding_decisions, chain.stamp(now)
        with self._database.write() as connection:
            query = select(rows).filter_by(pack=pack, finding=name).order_by(rows.c.id.desc()).limit(1)
            last = connection.execute(query).first()
            if last is not None and {key: last._mapping[key] for key in new} == new:
                return last
            added = connection.execute(insert(rows).values(at=at, **new))
            return chain.seal(connection, rows, added.inserted_primary_key[0], at=at)


def _accepted(row: Row) -> AcceptedFinding:
    return AcceptedFinding(row.id, row.pack, row.finding, row.reason, row.by, row.at)
