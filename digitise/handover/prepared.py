"""What is to be handed over, gathered: which surveys, how far each is, and what changed since the last time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.exchange.about import About
from digitise.exchange.content import Content, gather
from digitise.exchange.pseudonyms import pseudonyms_of
from digitise.exchange.shared import Sharing
from digitise.handover.changes import SurveyChange, numbers_of, survey_change
from digitise.handover.note import cells_of_packs, named
from digitise.handover.readiness import Ready, readiness, refuse_unready
from digitise.results import survey_results
from digitise.spool import on_disk_of
from digitise.store import ChangedMeanwhile
from digitise.store.handovers import LONGEST_REASON, LONGEST_RECIPIENT, HandOver
from digitise.store.values import person, written
from digitise.surveys.survey import load_survey, load_surveys

if TYPE_CHECKING:
    from digitise.store import Store

EVIDENCE = ("shared", "whole", "none")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is to be handed over. `packs` None is every survey; `corrects` is the number of a hand-over to correct.

    `evidence` is shared (pictures and history of these surveys), whole (the whole store, to be taken in again) or none.
    """

    recipient: str
    by: str
    reason: str = ""
    packs: tuple[str, ...] | None = None
    corrects: int | None = None
    with_unsigned: bool = False
    with_unreviewed: bool = False
    evidence: str = "shared"
    pseudonyms: bool = False
    positions: bool = False
    about: About | None = None


@dataclass(frozen=True, slots=True)
class Prepared:
    """A hand-over as it would be now: what goes in, how far each survey is, and what changed since the last one."""

    wishes: Wishes
    number: int
    content: Content
    ready: tuple[Ready, ...]
    changes: tuple[SurveyChange, ...]
    last: str
    last_entry: int
    sharing: Sharing


def prepare_handover(store: Store, wishes: Wishes, *, now: dt.datetime, out: Path | None = None) -> Prepared:
    """Gather what would be handed over; nothing is written but, once, the secret of pseudonyms.

    What is gathered lies on the disk of `out`, where the package is to be written (the store's when None).

    Raises
    ------
    ChangedMeanwhile
        Somebody entered a cell of one of the surveys while they were read.
    NotReady
        Surveys are not reviewed or not signed, and were not asked for all the same.
    ValueError
        Nothing has been read, nothing to correct, or the wishes contradict each other.
    """
    wishes = _checked(store, wishes)
    earlier = store.handovers.all()
    number = earlier[-1].number + 1 if earlier else 1
    # Digests first, the last entry after: while a digest stays the same, its survey has no entry beyond that one.
    before_reading = {p: store.signoffs.digest(p) for p in (wishes.packs or store.packs())}
    last_entry = store.handovers.last_entry()
    sharing = Sharing(
        pseudonyms_of(store, now=now) if wishes.pseudonyms else None,
        positions=wishes.positions or wishes.evidence == "whole",  # which has every file as it came
        pictures=wishes.evidence != "none",
    )
    with on_disk_of(out or store.folder):
        content = gather(
            store, now=now, packs=wishes.packs, with_unreviewed=True, about=wishes.about, names=sharing.names
        )
    if not content.results:
        raise ValueError(f"{store.folder}: no page belongs to a survey yet, so there is nothing to hand over")
    ready = _ready(store, content, wishes, before_reading, today=now.astimezone().date())
    before = store.handovers.to(wishes.recipient)
    changes = tuple(_changes(store, content, ready, before, sharing, whole=wishes.corrects is None))
    last = f"hand-over {before[-1].number} of {before[-1].at[:10]}" if before else ""
    return Prepared(wishes, number, content, ready, changes, last, last_entry, sharing)


def _checked(store: Store, wishes: Wishes) -> Wishes:
    """The wishes as they can be met; those of a correction with its surveys and its receiver."""
    if wishes.evidence not in EVIDENCE:
        raise ValueError(f"found evidence '{wishes.evidence}', expected one of {', '.join(EVIDENCE)}")
    wishes = _in_words(wishes)
    if wishes.corrects is not None:
        wishes = _correction(store, wishes)
    if wishes.evidence == "whole" and (wishes.packs is not None or wishes.pseudonyms):
        raise ValueError(
            "whole evidence is the whole store with every survey and name; leave no survey out and replace no names, "
            "or choose shared evidence"
        )
    return wishes


def _ready(
    store: Store, content: Content, wishes: Wishes, before_reading: Mapping[str, str], *, today: dt.date
) -> tuple[Ready, ...]:
    """How far each survey is, or why they do not go: one was changed while it was read, or is not ready."""
    ready = readiness(store, load_surveys(store, [s.pack for s in content.surveys]), today=today)
    for one in ready:
        if one.digest != before_reading.get(one.pack):
            raise ChangedMeanwhile(f"pack {one.pack} was changed while it was read; make the hand-over again")
    refuse_unready(ready, with_unsigned=wishes.with_unsigned, with_unreviewed=wishes.with_unreviewed)
    return ready


def _in_words(wishes: Wishes) -> Wishes:
    """The wishes with names and reason as they will be noted, or why they cannot be."""
    recipient = wishes.recipient
    if wishes.corrects is None:
        recipient = written("recipient", recipient, LONGEST_RECIPIENT, ask="write who receives it")
    elif not wishes.reason.strip():
        raise ValueError("a correction needs a reason in words; give it with --reason")
    reason = written("reason", wishes.reason, LONGEST_REASON) if wishes.reason.strip() else ""
    packs = None if wishes.packs is None else tuple(dict.fromkeys(wishes.packs))
    return replace(wishes, recipient=recipient, reason=reason, by=person(wishes.by), packs=packs)


def _correction(store: Store, wishes: Wishes) -> Wishes:
    """The wishes for those surveys of an earlier hand-over that are not as they were last sent."""
    corrected = store.handovers.get(wishes.corrects)
    asked = wishes.packs or tuple(s.pack for s in corrected.surveys)
    if strange := [p for p in asked if corrected.survey(p) is None]:
        raise ValueError(f"pack {strange[0]} was not part of hand-over {corrected.number}")
    sent, there = store.handovers.to(corrected.recipient), set(store.packs())
    packs = tuple(p for p in asked if p in there and _differs(store, p, _newest(sent, p)))
    if not packs:
        raise ValueError(f"nothing to correct: every survey of hand-over {corrected.number} is as it was last sent")
    hidden = wishes.pseudonyms or corrected.pseudonyms  # a correction never names whom the first did not
    return replace(wishes, packs=packs, recipient=corrected.recipient, pseudonyms=hidden)


def _differs(store: Store, pack: str, base: HandOver) -> bool:
    """Whether a cell, a photograph or a figure of a survey is not as it was sent."""
    numbers = numbers_of(survey_results(load_survey(store, pack)))
    return _against(store, base, pack, "", numbers).kind == "changed"


def _against(store: Store, base: HandOver, pack: str, heading: str, numbers: Sequence[tuple]) -> SurveyChange:
    """A survey as it is now against what was sent of it."""
    return survey_change(
        pack,
        heading,
        then=store.handovers.cells(base, pack),
        now=store.signoffs.cells(pack),
        before=base.survey(pack).numbers,
        after=numbers,
    )


def _newest(sent: Sequence[HandOver], pack: str) -> HandOver | None:
    """The last of these hand-overs that a pack was part of."""
    return next((h for h in reversed(sent) if h.survey(pack)), None)


def _changes(
    store: Store, content: Content, ready: Sequence[Ready], before: Sequence[HandOver], sharing: Sharing, *, whole: bool
) -> Iterator[SurveyChange]:
    """Each survey against what this receiver was last sent of it; then what they were sent and is not here."""
    numbers = {r.survey.pack: numbers_of(r) for r in content.results}
    known = cells_of_packs(content)
    for one in ready:
        base = _newest(before, one.pack)
        if base is None:
            yield SurveyChange(one.pack, one.heading, "new")
            continue
        found = _against(store, base, one.pack, one.heading, numbers[one.pack])
        yield replace(found, cells=named(found.cells, sharing, known.get(one.pack, {})))
    last = next((h for h in reversed(before) if h.corrects is None), None)
    here = {one.pack for one in ready}
    for sent in last.surveys if last and whole else ():
        if sent.pack not in here:
            yield SurveyChange(sent.pack, f"{sent.site or 'site not entered'}, {sent.date} (pack {sent.pack})", "gone")
