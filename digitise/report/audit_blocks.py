"""What audits of entered cells showed, in the report's part on data quality."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from digitise.estimate.error_rates import POOLED, PublishedRate
from digitise.report.blocks import Block, Heading, Paragraph, Table
from digitise.wording import percent, plural, thousands

if TYPE_CHECKING:
    from digitise.store.audits import Audit

RISK_WORDS = "95 % confidence"


def audit_blocks(audits: Sequence[Audit], packs: Collection[str]) -> list[Block]:
    """A heading, what the last finished audit says, and a table; audits of other packs are left out.

    An audit over all packs is of the whole store, which may hold more than this report.
    """
    here = [a for a in audits if a.pack is None or a.pack in packs]
    own, pages = [a for a in here if not a.whole_page], [a for a in here if a.whole_page and a.bound is not None]
    twice = [Paragraph(_pages_words(pages))] if pages else []
    if not own:
        return [
            Heading(2, "Audit of accepted cells"),
            *twice,
            Paragraph(
                "No accepted cell has been audited: how many of them are wrong is known only from the tests behind the "
                "thresholds. An audit draws some of them at random, to be keyed again by a person who does not see "
                "what was accepted."
            ),
        ]
    rows = tuple(("", _row(a)) for a in own)
    head = ("Drawn on", "From", "Cells", "Keyed again blind", "Differing", f"At most wrong, {RISK_WORDS}")
    caption = (
        "Audits by sample. The limit is one-sided, the sum of the exact limits of each probability's own sample, and "
        "known once every drawn cell is answered; an answer that differs may itself be the mistake."
    )
    table = Table(head, rows, caption, words=(0, 1))
    return [Heading(2, "Audit of accepted cells"), Paragraph(_words(own)), table, *twice]


def _pages_words(pages: Sequence[Audit]) -> str:
    """Pages that were keyed a second time from top to bottom are no sample, so they have no limit."""
    cells, differing = sum(a.sampled for a in pages), sum(len(a.differing) for a in pages)
    were = "page was" if len(pages) == 1 else "pages were"
    return (
        f"{len(pages)} {were} keyed a second time as a whole, blind, by another person: {differing} of "
        f"{plural(cells, 'cell')} differed. They were chosen, not drawn, so they say nothing of other pages."
    )


def _row(a: Audit) -> tuple[str, ...]:
    where = f"{a.what} of {f'pack {a.pack}' if a.pack else 'all packs'}"
    bound = "not finished" if a.bound is None else percent(a.bound)
    keyed = f"{a.answered} of {a.sampled}"
    return a.at[:10], where, thousands(a.population), keyed, str(len(a.differing)), bound


def _words(audits: Sequence[Audit]) -> str:
    done = [a for a in audits if a.bound is not None]
    if not done:
        return "An audit has been begun; what it shows is known when every drawn cell is answered."
    last = done[-1]
    found = "none differed" if not last.differing else f"{len(last.differing)} differed"
    single, double = (next(p for p in POOLED if p.way == way) for way in ("single entry", "double entry"))
    return (
        f"In the last finished audit {plural(last.sampled, last.what[:-1])} of {thousands(last.population)} were "
        f"keyed again without sight of the first value: {found}. With {RISK_WORDS} at most {percent(last.bound)} of "
        f"those {thousands(last.population)} are wrong. For comparison, entering paper records by hand left "
        f"{_rate(single)} of fields wrong, and entering them twice {_rate(double)}, over 93 published studies "
        f"({single.source}; none of them under water)."
    )


def _rate(rate: PublishedRate) -> str:
    return f"{rate.per_10000 / 100:.2f} % ({rate.low / 100:.2f} to {rate.high / 100:.2f})"
