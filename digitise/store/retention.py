"""How long original photographs are kept: a policy that people write, and what is due by it.

Only originals go, and only those of surveys that somebody vouched for. Flattened pages, readings, entries and the
photographs' hashes stay for good.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field

from digitise.batch.folders import may_hold_several
from digitise.sheets.yaml_file import checked, file_text, line_of_text
from digitise.store.rows import PhotoRow
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.store import Store

KEPT_AS = "retention.yaml"  # in the store's folder, once something was thinned by it
DAYS_A_YEAR = 365.25
_SEVERAL = (
    "a PDF, TIFF or archive that came as one photograph may hold sheets; add it on the screen Survey if it does, then "
    "set it aside there"
)
Title = line_of_text(3, 120)


class PolicyError(ValueError):
    """A policy that cannot be used; the text names file, key, found and expected."""


class Policy(BaseModel):
    """A policy in a file. `keep_years` count from the day a photograph was kept."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    policy: Title
    keep_years: float = Field(ge=0, le=200, allow_inf_nan=False)
    handed_over: bool = True
    refused_years: float | None = Field(default=None, ge=0, le=200, allow_inf_nan=False)

    @property
    def sentence(self) -> str:
        """The policy in words; kept with every photograph that goes by it."""
        which = "signed and handed over as they are" if self.handed_over else "signed as they are"
        text = f"{self.policy}: original photographs of surveys that are {which} go after {_years(self.keep_years)}"
        if self.refused_years is not None:
            text += f", refused ones after {_years(self.refused_years)}"
        return f"{text}; flattened pages, readings and entries stay."


def _years(number: float) -> str:
    return f"{number:g} year" if number == 1 else f"{number:g} years"


@dataclass(frozen=True, slots=True)
class Due:
    """A photograph that a policy no longer keeps, and why, in words."""

    photo: PhotoRow
    why: str


def load_policy(path: Path) -> Policy:
    """Load a policy; `PolicyError` says, a line for each problem, what cannot be used."""
    return checked(file_text(path, what="a policy", error=PolicyError), Policy, source=str(path), error=PolicyError)


def due(store: Store, policy: Policy, *, now: dt.datetime) -> tuple[list[Due], list[Due]]:
    """(photographs that go, photographs that are old enough and stay), each with why.

    A photograph stays while any page on it belongs to a survey that is not signed as it is, has a cell that waits, was
    not handed over as it is where the policy asks for that, or is in no survey. So does a file that came as one
    photograph and may hold several, which were never looked at, until a person sets it aside.
    """
    thinned, (photos, pages) = store.thinned.all(), store.photos_and_pages()
    standing = {pack: _standing(store, pack, policy) for pack in store.packs()}
    go, stay = [], []
    for photo in photos:
        years = policy.keep_years if photo.page_ids else policy.refused_years
        if photo.sha256 in thinned or photo.status == "waiting" or years is None or _age(photo, now) < years:
            continue
        packs = [pages[i].pack for i in photo.page_ids]
        lacking = list(dict.fromkeys(filter(None, (standing[p] if p else "a page is in no survey" for p in packs))))
        if photo.status == "unreadable" and (unseen := _unseen(store, photo)):
            lacking.append(unseen)
        if lacking:
            stay.append(Due(photo, "; ".join(lacking)))
        else:
            go.append(Due(photo, f"kept for {_age(photo, now):.1f} years"))
    return go, stay


def _unseen(store: Store, photo: PhotoRow) -> str:
    """Why a file that could not be read as a photograph must stay; empty when it may go."""
    try:
        return _SEVERAL if may_hold_several(store.original(photo.sha256)) else ""
    except ValueError as error:
        return str(error)


def _age(photo: PhotoRow, now: dt.datetime) -> float:
    """Years since a photograph was kept."""
    kept = dt.datetime.fromisoformat(photo.kept_at)
    return (now - kept).total_seconds() / (DAYS_A_YEAR * 86_400)


def _standing(store: Store, pack: str, policy: Policy) -> str:
    """Why a survey's photographs must stay; empty when they may go."""
    waits = store.progress(pack=pack).open
    if waits:
        return f"pack {pack}: {plural(waits, 'cell')} {'waits' if waits == 1 else 'wait'} for a person"
    signed = store.signoffs.of(pack)
    if not signed or not signed[-1].current:
        return f"pack {pack} is not signed as it is"
    if policy.handed_over:
        sent = [s for h in store.handovers.all() if (s := h.survey(pack))]
        if not sent or sent[-1].digest != signed[-1].digest:
            return f"pack {pack} was not handed over as it is"
    return ""


def thin(store: Store, found: Sequence[Due], policy: Policy, *, by: str, now: dt.datetime) -> Iterator[Due]:
    """Remove the originals of what is due, each noted in the store before its file goes; yields what went.

    Originals that were noted by a run that was stopped are removed too.
    """
    for one in found:
        store.thinned.note(one.photo.sha256, policy=policy.sentence, by=by, now=now)
        store.remove_original(one.photo.sha256)
        yield one
    for sha256 in store.thinned.all():
        store.remove_original(sha256)
