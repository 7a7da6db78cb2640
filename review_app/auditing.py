"""Audits for the screens: how many cells to look at, the sample without its values, and the result in words."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from digitise.estimate.audit import Agreement, kappa, sizes_for_bound
from digitise.estimate.intervals import wilson
from digitise.store import RULE, EntryRow, Store
from digitise.store.audits import Audit, Differing, Pair
from digitise.wording import percent, plural, thousands
from review_app import worklist

_STRATUM_WORDS = {
    "sure": "accepted with a probability of 99.9 % or more",
    "rule": "accepted with less",
    "person": "entered by people",
    "page": "on the page",
}
RATES = (0.05, 0.02, 0.01, 0.005)  # shares of wrong cells that an audit may be asked to exclude


@dataclass(frozen=True, slots=True)
class Plan:
    """Keying so many cells of each stratum and finding none wrong shows that fewer than `rate` of all are wrong."""

    rate: float
    lots: dict[str, int]
    sizes: dict[str, int]

    @property
    def words(self) -> str:
        """The plan in a line."""
        return (
            f"Fewer than {100 * self.rate:g} % wrong: key {thousands(sum(self.sizes.values()))} of "
            f"{plural(sum(self.lots.values()), 'cell')}"
        )


def lots(store: Store, pack: str = "", *, people: bool = False) -> dict[str, int]:
    """Cells by stratum that an audit may draw from: those accepted, and with `people` what they entered."""
    found = store.audits.strata(pack=pack or None)
    return {name: n for name, n in found.items() if people or name != "person"}


def plans(found: dict[str, int]) -> list[Plan]:
    """What samples would show with 95 % confidence about these strata together, some cells of each drawn."""
    out = []
    for rate in RATES if found else ():
        sizes = sizes_for_bound(list(found.values()), rate)
        out.append(Plan(rate, found, dict(zip(found, sizes, strict=True))))
    return out


def draw(store: Store, pack: str, sizes: dict[str, int], *, by: str, now: datetime) -> Audit:
    """Draw a sample by strata with fresh randomness; `ValueError` in words when it cannot be."""
    rng = np.random.default_rng(secrets.randbits(128))
    return store.audits.draw_strata(sizes, by=by, now=now, rng=rng, pack=pack or None)


def sample(store: Store, audit_id: int) -> dict:
    """The cells still to answer, with nothing of what was accepted or read; `ValueError` without such an audit.

    Cells of a sheet that was given up since are left out.
    """
    audit = store.audits.audit(audit_id)
    pages = {p.id: p for p in store.pages()}
    items = []
    for one in store.audits.cells(audit_id):
        page = pages.get(one.page_id)
        if one.answered or page is None:
            continue
        cell = next(c for c in store.cells(page.id) if c.id == one.cell)
        (x, y, w, h), (wide, high) = cell.box_mm, page.page_size_mm
        items.append(
            {
                "audit": one.id,
                "page": page.id,
                "sha256": page.sha256,
                "cell": one.cell,
                "kind": one.kind,
                "label": one.label,
                "title": page.title,
                "where": worklist.place_words(page.page_title, page.transect, page.pack, ""),
                "box": [x / wide, y / high, w / wide, h / high],
                "size_mm": [wide, high],
                "codes": list(cell.choices),
                "keyed": page.keyed,
                "entered_by": "" if one.entered_by == RULE else one.entered_by,
            }
        )
    return {"items": items, "sampled": audit.sampled, "answered": audit.answered}


def result_words(audit: Audit) -> str:
    """What an audit says, in a sentence; what is missing while it is not finished."""
    scope = f"pack {audit.pack}" if audit.pack else "all surveys"
    if audit.bound is None:
        return f"{audit.answered} of {audit.sampled} cells answered. The bound is known when all are."
    wrong = len(audit.differing)
    found = "none differs" if not wrong else "1 differs" if wrong == 1 else f"{wrong} differ"
    if audit.whole_page:
        return f"All {audit.sampled} entered cells of the page were keyed again blind: {found}."
    return (
        f"{audit.sampled} of {audit.population} {audit.what} of {scope} were keyed again blind: {found}. "
        f"With 95 % confidence at most {percent(audit.bound)} of the {audit.what} are wrong."
    )


def strata_words(audit: Audit) -> list[str]:
    """What was found in each stratum, a line each; nothing for a plain sample or a page."""
    if audit.whole_page:
        return []
    return [
        f"{s.sampled} of {s.population} {_STRATUM_WORDS.get(s.name, s.name)}: {s.differing} differ"
        + ("s" if s.differing == 1 else "")
        for s in audit.strata
    ]


def settled(store: Store, one: Differing) -> EntryRow | None:
    """The entry by which a person has settled a difference; None while it waits."""
    entries = store.entries(one.page_id).get(one.cell, [])
    last = entries[-1] if entries else None
    return last if last is not None and last.id != one.entry_id and last.state != "withdrawn" else None


def settle(store: Store, one: Differing, *, answer: bool, by: str, now: datetime) -> None:
    """Enter one of the two values of a difference, the blind answer's or the other; `ValueError` when it changed."""
    state, value = (one.answer_state, one.answer) if answer else (one.accepted_state, one.accepted)
    why = f"keyed twice: {one.by} and {'the program' if one.entered_by == RULE else one.entered_by} differed"
    store.decide(one.page_id, one.cell, value=value, state=state, by=by, why=why, last_seen=one.entry_id, now=now)


@dataclass(frozen=True, slots=True)
class Compared:
    """Two people who keyed the same cells: `same` of `cells`, and the agreement on codes where they keyed any."""

    people: tuple[str, str]
    cells: int
    same: int
    codes: Agreement | None

    @property
    def words(self) -> str:
        """The comparison in a sentence, with a 95 % interval; cells are taken as independent."""
        share = wilson(self.same, self.cells).scaled(100, "%")
        text = (
            f"{self.people[0]} and {self.people[1]} keyed {self.cells} cells alike in {self.same} "
            f"({share.value:.0f} %, {share.low:.0f} to {share.high:.0f} %)."
        )
        if self.codes is not None and self.codes.kappa is not None:
            k = self.codes
            limits = "" if k.low is None else f" ({k.low:.2f} to {min(1.0, k.high):.2f})"
            text += f" Codes: kappa {k.kappa:.2f}{limits}, {k.percent:.0f} % the same."
        return text


def comparisons(store: Store) -> list[Compared]:
    """Every two people of whom one keyed blind what the other had entered, in the order of their names."""
    found: dict[tuple[str, str], list[Pair]] = {}
    for pair in store.audits.pairs():
        found.setdefault(tuple(sorted((pair.entered_by, pair.answered_by))), []).append(pair)
    return [_compared(people, pairs) for people, pairs in sorted(found.items())]


def _compared(people: tuple[str, str], pairs: list[Pair]) -> Compared:
    both = [
        (p.kind, *((p.entered, p.answered) if p.entered_by == people[0] else (p.answered, p.entered))) for p in pairs
    ]
    codes = [(str(a), str(b)) for kind, a, b in both if kind == "code"]
    names = sorted({name for pair in codes for name in pair})
    table = [[codes.count((row, column)) for column in names] for row in names]
    return Compared(people, len(both), sum(a == b for _, a, b in both), kappa(table) if codes else None)
