"""Whether a survey may be handed over: reviewed and signed as it stands, and what a receiver must know of it if not."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from digitise.completeness import SurveyCheck, check_store
from digitise.surveys.known_plan import known_plan
from digitise.surveys.survey import Survey
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.store import Store

STATES = ("signed", "changed", "unsigned", "unreviewed")


class NotReady(ValueError):  # noqa: N818 - it is no fault, the surveys are not finished
    """Surveys that nobody reviewed or signed, and nobody asked for them all the same; the text names each."""


@dataclass(frozen=True, slots=True)
class Ready:
    """How far one survey is. `state` is one of `STATES`; "changed" is signed once and changed since.

    `digest` is that of a sign-off of this state; `check` is what the completeness check says of it. `audited` is the
    bound of its last finished audit by sample in percent, None without one.
    """

    pack: str
    site: str
    date: str
    state: str
    version: int
    signed_by: str
    signed_at: str
    unread: int
    missing: tuple[str, ...]
    digest: str
    check: SurveyCheck
    audited: float | None

    @property
    def heading(self) -> str:
        """ "Lantern Reef, 2026-04-11 (pack K7RM4X)"."""
        return f"{', '.join(filter(None, (self.site, self.date))) or 'site not entered'} (pack {self.pack})"

    @property
    def words(self) -> str:
        """The state in words."""
        return {
            "signed": f"version {self.version}, signed by {self.signed_by} on {self.signed_at[:10]}",
            "changed": f"changed since version {self.version} was signed",
            "unsigned": "reviewed, not signed",
            "unreviewed": f"{plural(self.unread, 'cell')} nobody has decided",
        }[self.state]


def readiness(store: Store, surveys: Sequence[Survey], *, today: datetime.date) -> tuple[Ready, ...]:
    """How far each of these surveys is.

    Raises
    ------
    PlanError
        A plan kept with the store cannot be used.
    """
    packs = [s.pack for s in surveys]
    found = check_store(store, today=today, plan=known_plan(store.folder), packs=packs)
    checks = {one.pack: one for one in found}
    return tuple(_ready(store, s, checks[s.pack]) for s in surveys)


def _ready(store: Store, survey: Survey, check: SurveyCheck) -> Ready:
    signed = store.signoffs.of(survey.pack)
    last = signed[-1] if signed else None
    state = "unsigned" if last is None else "signed" if last.current else "changed"
    bounds = [a.bound for a in store.audits.of(survey.pack) if a.bound is not None]
    return Ready(
        pack=survey.pack,
        site=survey.site or "",
        date=survey.date or "",
        state="unreviewed" if survey.unread else state,
        version=last.version if last else 0,
        signed_by=last.by if last else "",
        signed_at=last.at if last else "",
        unread=len(survey.unread),
        missing=survey.missing,
        digest=store.signoffs.digest(survey.pack),
        check=check,
        audited=100 * bounds[-1] if bounds else None,
    )


def refuse_unready(found: Sequence[Ready], *, with_unsigned: bool, with_unreviewed: bool) -> None:
    """Stop at surveys that are not finished, unless they were asked for; `NotReady` says how each gets there.

    `with_unreviewed` lets surveys in of which cells still wait; these cannot be signed. `with_unsigned` lets the
    others in that nobody has signed as they are now.
    """
    lines = []
    for one in found:
        if one.state == "unreviewed" and not with_unreviewed:
            lines.append(f"{one.heading}: {one.words}; review them")
        elif one.state in ("unsigned", "changed") and not with_unsigned:
            lines.append(f"{one.heading}: {one.words}; sign it on the Sign-off screen")
    if lines:
        raise NotReady("\n".join(["Nothing was handed over:", *lines]))
