"""Photographs that show no sheet of the survey, because a person says so: a holiday picture, somebody else's form.

They are kept like all others and only set aside, with the reason, who said it and when; it can be taken back. That is a
finding of no pack, accepted or open again (`digitise.store.findings`), so that it is part of the history.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from digitise.store import schema as t
from digitise.store.findings import Findings
from digitise.store.rows import NO_SHEET, PhotoRow, StoreError

NO_PACK = ""
_NAME = f"{NO_SHEET}/"
_BACK = "It is a survey sheet after all."


class Strangers:
    """Photographs of one store that were set aside."""

    def __init__(self, findings: Findings):
        self._findings = findings

    def set_aside(self, photo: PhotoRow, *, reason: str, by: str, now: datetime) -> None:
        """Say that a photograph shows no sheet of ours, and why.

        Raises
        ------
        ValueError
            It was read, or waits to be; or the reason is missing.
        """
        if photo.page_ids:
            raise StoreError(f"{photo.name} was read: a survey sheet is on it, so it is not set aside")
        if photo.status == "waiting":
            raise StoreError(f"{photo.name} has not been looked at yet; wait until it is")
        self._findings.accept(NO_PACK, f"{_NAME}{photo.sha256}", reason=reason, by=by, now=now)

    def take_back(self, photo: PhotoRow, *, by: str, now: datetime) -> None:
        """Say that it is a sheet after all; `StoreError` when it was not set aside."""
        if photo.status != NO_SHEET:
            raise StoreError(f"{photo.name} is not set aside")
        self._findings.reopen(NO_PACK, f"{_NAME}{photo.sha256}", reason=_BACK, by=by, now=now)


def set_aside(connection: Connection) -> dict[str, str]:
    """Why photographs are set aside now, with who said it and when, by SHA-256."""
    rows = t.finding_decisions
    own = rows.c.pack == NO_PACK, rows.c.finding.like(f"{_NAME}%")
    last = select(func.max(rows.c.id)).where(*own).group_by(rows.c.finding)
    found = connection.execute(select(rows).where(rows.c.id.in_(last), rows.c.state == "accepted"))
    return {one.finding.removeprefix(_NAME): f"{one.reason} ({one.by}, {one.at[:10]})" for one in found}
