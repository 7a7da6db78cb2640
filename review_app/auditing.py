"""Audits for the screens: how many cells to look at, the sample without its values, and the result in words."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from digitise.estimate.audit import audit_size_lot
from digitise.store import RULE, Store
from digitise.store.audits import Audit
from review_app import worklist

RISK = 0.05
RATES = (0.05, 0.02, 0.01, 0.005)  # shares of wrong cells that an audit may be asked to exclude


@dataclass(frozen=True, slots=True)
class Plan:
    """Looking at `size` of `lot` accepted cells and finding none wrong shows that fewer than `rate` are wrong."""

    rate: float
    lot: int
    size: int


def accepted_cells(store: Store, pack: str = "") -> int:
    """Cells that the program accepted and nobody has looked at, of one survey or of all."""
    pages = [p for p in store.pages(pack or None) if not p.superseded]
    return sum(c.by == RULE and c.state != "unread" for p in pages for c in store.current(p.id).values())


def plans(lot: int) -> list[Plan]:
    """What each sample size would show about a lot of so many cells, with 95 % confidence; hypergeometric."""
    return [Plan(rate, lot, audit_size_lot(lot, rate, RISK)) for rate in RATES] if lot else []


def draw(store: Store, pack: str, size: int, *, by: str, now: datetime) -> Audit:
    """Draw a sample with fresh randomness; `ValueError` in words when it cannot be."""
    return store.audits.draw(size, by=by, now=now, rng=np.random.default_rng(secrets.randbits(128)), pack=pack or None)


def sample(store: Store, audit_id: int) -> dict:
    """The cells still to answer, with nothing of what was accepted or read; `ValueError` without such an audit."""
    audit = store.audits.audit(audit_id)
    pages = {p.id: p for p in store.pages()}
    items = []
    for one in store.audits.cells(audit_id):
        if one.answered:
            continue
        page = pages[one.page_id]
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
                "where": worklist.place_words(page.title, page.transect, page.pack, ""),
                "box": [x / wide, y / high, w / wide, h / high],
                "size_mm": [wide, high],
                "codes": list(cell.choices),
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
    return (
        f"{audit.sampled} of {audit.population} accepted cells of {scope} were keyed again blind: {found}. "
        f"With 95 % confidence at most {_percent(audit.bound)} of the accepted cells are wrong."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.2f} %" if share < 0.1 else f"{100 * share:.0f} %"
