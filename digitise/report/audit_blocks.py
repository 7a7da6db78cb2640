"""What audits of accepted cells showed, in the report's part on data quality."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from digitise.estimate.error_rates import POOLED, PublishedRate
from digitise.report.blocks import Block, Heading, Paragraph, Table
from digitise.wording import plural, thousands

if TYPE_CHECKING:
    from digitise.store.audits import Audit

RISK_WORDS = "95 % confidence"


def audit_blocks(audits: Sequence[Audit], packs: Collection[str]) -> list[Block]:
    """A heading, what the last finished audit says, and a table; audits of other packs are left out.

    An audit over all packs is of the whole store, which may hold more than this report.
    """
    own = [a for a in audits if a.pack is None or a.pack in packs]
    if not own:
        return [
            Heading(2, "Audit of accepted cells"),
            Paragraph(
                "No accepted cell has been audited: how many of them are wrong is known only from the tests behind the "
                "thresholds. An audit draws some of them at random, to be keyed again by a person who does not see "
                "what was accepted."
            ),
        ]
    rows = tuple(("", _row(a)) for a in own)
    head = ("Drawn on", "From", "Accepted cells", "Keyed again blind", "Differing", f"At most wrong, {RISK_WORDS}")
    caption = (
        "Audits of cells accepted by rule. The limit is one-sided (Clopper & Pearson 1934) and known once every drawn "
        "cell is answered; an answer that differs may itself be the mistake."
    )
    return [Heading(2, "Audit of accepted cells"), Paragraph(_words(own)), Table(head, rows, caption, words=(0, 1))]


def _row(a: Audit) -> tuple[str, ...]:
    where = f"pack {a.pack}" if a.pack else "all packs"
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
        f"In the last finished audit {plural(last.sampled, 'accepted cell')} of {thousands(last.population)} were "
        f"keyed again without sight of the first value: {found}. With {RISK_WORDS} at most {percent(last.bound)} of "
        f"the accepted cells are wrong. For comparison, entering paper records by hand left {_rate(single)} of fields "
        f"wrong, and entering them twice {_rate(double)}, over 93 published studies ({single.source}; none of them "
        "under water)."
    )


def _rate(rate: PublishedRate) -> str:
    return f"{rate.per_10000 / 100:.2f} % ({rate.low / 100:.2f} to {rate.high / 100:.2f})"


def percent(share: float) -> str:
    """A share in percent, with decimals where it is small."""
    return f"{100 * share:.2f} %" if share < 0.1 else f"{100 * share:.0f} %"
