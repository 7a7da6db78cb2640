"""Hand-overs: what was sent, to whom, when and in which version, and what each survey was then.

Entries are only added to and have rising ids, so a survey as it was sent is its pages of then with the last entry of
every cell up to the last id of then, each page in the place that it had then. Nothing is copied, and nothing sent can
change afterwards.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import Connection, Table, func, insert, select

from digitise.store import chain
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.marks import Mark
from digitise.store.read import Library, current_entries
from digitise.store.rows import ChangedMeanwhile, PageRow, StoreError
from digitise.store.signoffs import FrozenCell, SignOffs, frozen_cells
from digitise.store.values import person, written

LONGEST_REASON = 2000
LONGEST_RECIPIENT = 120
_CONTENT = ("surveys", "last_entry", "tool_version", "pseudonyms")


@dataclass(frozen=True, slots=True)
class SentSurvey:
    """One survey as it was sent.

    `state` is signed, changed (since it was signed), unsigned or unreviewed; `version` and `signed_by` are of the last
    signature, 0 and empty without any. `digest` is that of a sign-off of the same state. `numbers` are the figures that
    were sent: (name, value, low, high, unit), None where there is none.
    """

    pack: str
    site: str
    date: str
    state: str
    version: int
    signed_by: str
    unread: int
    digest: str
    pages: tuple[int, ...]
    numbers: tuple[tuple[str, float | None, float | None, float | None, str], ...]


@dataclass(frozen=True, slots=True)
class NewHandOver:
    """A hand-over about to be noted; `last_entry` is the id of the newest entry when its surveys were read.

    `pseudonyms` tells whether names of people were replaced in it.
    """

    number: int
    recipient: str
    reason: str
    by: str
    digest: str
    surveys: tuple[SentSurvey, ...]
    last_entry: int
    tool_version: str
    pseudonyms: bool = False
    corrects: int | None = None

    @property
    def kind(self) -> str:
        """The whole of its surveys, or a correction."""
        return "whole" if self.corrects is None else "correction"


@dataclass(frozen=True, slots=True)
class HandOver(NewHandOver):
    """A hand-over that was noted, at `at` (UTC, ISO 8601); `digest` is that of the package's list of checksums.

    `last_assignment` is the id of the newest record of a page's place then; None where that was not noted yet.
    """

    at: str = ""
    last_assignment: int | None = None

    def survey(self, pack: str) -> SentSurvey | None:
        """A survey in it; None when the pack was not part of it."""
        return next((s for s in self.surveys if s.pack == pack), None)


class HandOvers:
    """Hand-overs of one store."""

    def __init__(self, database: Database, library: Library, signoffs: SignOffs):
        self._database, self._library, self._signoffs = database, library, signoffs

    def all(self) -> list[HandOver]:
        """Every hand-over, oldest first."""
        with self._database.read() as connection:
            return [_hand_over(row) for row in connection.execute(select(t.handovers).order_by(t.handovers.c.number))]

    def get(self, number: int) -> HandOver:
        """One hand-over; `StoreError` when there is none of this number."""
        found = next((h for h in self.all() if h.number == number), None)
        if found is None:
            raise StoreError(f"there is no hand-over {number} in this store")
        return found

    def to(self, recipient: str) -> list[HandOver]:
        """What one recipient was handed, oldest first; capitals and spaces make no difference."""
        wanted = " ".join(recipient.split()).casefold()
        return [h for h in self.all() if h.recipient.casefold() == wanted]

    def last_entry(self) -> int:
        """Id of the newest entry, 0 when there is none."""
        with self._database.read() as connection:
            return _last(connection, t.entries)

    def add(self, new: NewHandOver, *, now: datetime) -> HandOver:
        """Note a hand-over.

        Raises
        ------
        ChangedMeanwhile
            Another hand-over took the number, or one of its surveys is not as it was when it was read.
        ValueError
            Recipient, name or reason is missing or too long.
        """
        recipient = written("recipient", new.recipient, LONGEST_RECIPIENT)
        reason = written("reason", new.reason, LONGEST_REASON) if new.reason or new.corrects else ""
        who, at = person(new.by), chain.stamp(now)
        content = {k: v for k, v in asdict(new).items() if k in _CONTENT}
        with self._database.write() as connection:
            if connection.execute(select(func.max(t.handovers.c.number))).scalar() not in (new.number - 1 or None,):
                raise ChangedMeanwhile("another hand-over was made meanwhile; make this one again")
            for one in new.surveys:
                if self._signoffs.digest_in(connection, one.pack) != one.digest:
                    raise ChangedMeanwhile(
                        f"pack {one.pack} was changed while the package was written; make the hand-over again"
                    )
            content["last_assignment"] = _last(connection, t.assignments)
            row = {"number": new.number, "kind": new.kind}
            row |= {"corrects": new.corrects, "recipient": recipient, "reason": reason, "by": who, "at": at}
            row |= {"digest": new.digest, "content": chain.canonical(content).decode()}
            added = connection.execute(insert(t.handovers).values(**row)).inserted_primary_key[0]
            chain.seal(connection, t.handovers, added, at=at)
        return self.get(new.number)

    def cells(self, sent: HandOver, pack: str) -> list[FrozenCell]:
        """Every cell of a survey as it was sent; empty when the pack was not part of the hand-over."""
        survey = sent.survey(pack)
        if survey is None:
            return []
        with self._database.read() as connection:
            return [
                cell
                for page in _pages(connection, self._library, pack, survey.pages, sent.last_assignment)
                for cell in frozen_cells(connection, page, current_entries(*_until(page.id, sent.last_entry)))
            ]


def _until(page_id: int, last_entry: int) -> tuple:
    return (t.entries.c.page_id == page_id, t.entries.c.id <= last_entry)


def _pages(
    connection: Connection, library: Library, pack: str, ids: Sequence[int], last_assignment: int | None
) -> list[PageRow]:
    """Pages by their ids in the order given, where they were at that assignment; where they are, when it is None."""
    then = None if last_assignment is None else Mark(max(ids, default=0), last_assignment, 0, "")
    own = {p.id: p for p in library.pages(connection, packs=[pack], until=then)}
    return [own.get(i) or library.page(connection, i, set_aside=True) for i in ids]


def _last(connection: Connection, table: Table) -> int:
    return connection.execute(select(func.max(table.c.id))).scalar() or 0


def sent_content(text: str) -> dict[str, object]:
    """What a row's content holds, in types of its own; `ValueError` when it is not of our making."""
    try:
        content = json.loads(text)
        surveys = tuple(
            SentSurvey(**(s | {"pages": tuple(map(int, s["pages"])), "numbers": tuple(map(_number, s["numbers"]))}))
            for s in content["surveys"]
        )
        kinds = {"last_entry": int, "tool_version": str, "pseudonyms": bool}
        place = content.get("last_assignment")
        known = {name: kind(content[name]) for name, kind in kinds.items()}
        return {"surveys": surveys, "last_assignment": None if place is None else int(place)} | known
    except (KeyError, TypeError, RecursionError, AttributeError) as error:
        raise ValueError(f"not the content of a hand-over ({error})") from None


def _number(row: list) -> tuple:
    name, value, low, high, unit = row
    return (str(name), *(None if v is None else float(v) for v in (value, low, high)), str(unit))


def _hand_over(row) -> HandOver:
    return HandOver(
        number=row.number,
        recipient=row.recipient,
        reason=row.reason,
        by=row.by,
        digest=row.digest,
        corrects=row.corrects,
        at=row.at,
        **sent_content(row.content),
    )
