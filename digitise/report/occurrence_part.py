"""On how many transects things were seen, how unevenly, and how diverse the counts are."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate
from digitise.report.blocks import Block, Cell, Heading, Paragraph, Part, Table
from digitise.report.words import with_span
from digitise.results import DensityLine, ImpactLine
from digitise.results.change_tables import community_table
from digitise.wording import number, p_text

if TYPE_CHECKING:
    import pandas as pd

    from digitise.report.together import Together

NOT_MANY = 5  # transects under which a large p says nothing
SEEN = ("Seen on", "Share, %", "Variance / mean", "p")
NOTED = ("Noted on", "Share, %", "Mean, %")


def seen_cells(d: DensityLine) -> tuple[Cell, ...]:
    """Under `SEEN`: transects on which it was seen, their share, spread between those counted in full."""
    return *_seen(d.occurrence), number(d.dispersion.index), p_text(d.dispersion.p)


def seen_words(lines: Sequence[DensityLine]) -> str:
    """What the columns `SEEN` hold."""
    words = "Seen on: transects with at least one, of those known whole; p: of such a variance by chance alone."
    if any(d.dispersion.p is not None and d.dispersion.transects < NOT_MANY for d in lines):
        words += f" With under {NOT_MANY} transects a large p says nothing."
    return words


def noted_cells(i: ImpactLine) -> tuple[Cell, ...]:
    """Under `NOTED`: transects on which it was noted, their share, and the mean of a percentage."""
    return *_seen(i.occurrence), "–" if i.mean is None else with_span(i.mean)


def noted_words(level: str, part: str) -> str:
    """What the columns `NOTED` hold; it is noted in each `part` of a transect."""
    return (
        f"Noted on: transects, of those whose every {part} is known; in brackets the {level} intervals of their share "
        "and of the mean of a percentage, between transects."
    )


def _seen(e: Estimate) -> tuple[Cell, Cell]:
    if e.value is None:
        return "not known", "–"
    return f"{round(e.value * e.n / 100)} of {e.n:g}", f"{number(e.value, 0)} ({e.low:.0f} to {e.high:.0f})"


def community_part(told: Together) -> Part | None:
    """Richness, diversity and evenness of each survey; None when no transect was counted in full."""
    frame = community_table(told.pooled).assign(protocol=told.pooled["protocol"])
    frame = frame[frame["transects"] > 0]
    if frame.empty:
        return None
    names = {v.pack: v.name for v in told.visits}
    lead = (
        "Over transects whose every count is known. Every measure grows with effort: compare only surveys of as many "
        "transects, or the rarefied numbers. Kinds are rows of the sheet, not species. Effective kinds are as many "
        "equally common kinds as would give the same Shannon index; Simpson is the chance that two animals differ in "
        "kind."
    )
    blocks: list[Block] = [Heading(1, "Diversity", "diversity"), Paragraph(lead)]
    editions = {p.digest: f"{p.protocol} {p.version}" for p in told.protocols}
    for key, own in frame.groupby(["protocol", "sheet"], sort=False):
        title = told.titles[key]
        if list(told.titles.values()).count(title) > 1:
            title = f"{title} of {editions[key[0]]}"
        blocks.append(_diversity_table(own, title, names))
    return Part(tuple(blocks), "diversity")


def _diversity_table(frame: pd.DataFrame, title: str, names: Mapping[str, str]) -> Table:
    head = ("Site", "Date", "Transects", "Animals", "Kinds", "Effective", "Shannon", "Simpson", "Evenness", "Rarefied")
    rows = []
    for r in frame.itertuples(index=False):
        cells = (names[r.pack], r.date or "–", f"{r.transects:g}", f"{r.individuals:g}", f"{r.richness:g}")
        cells += tuple(_number(v) for v in (r.effective, r.shannon, r.simpson, r.evenness))
        rows.append(("", (*cells, _number(r.rarefied_richness, 1))))
    least = min((v for v in frame["rarefied_to"] if _known(v)), default=None)
    among = "" if least is None else f" Rarefied: kinds expected among {least:g} animals, the fewest of any survey."
    return Table(head, tuple(rows), f"{title}: diversity.{among}", words=(0, 1))


def _number(value: float | None, digits: int = 2) -> str:
    return f"{value:.{digits}f}" if _known(value) else "–"


def _known(value: float | None) -> bool:
    return value is not None and not math.isnan(value)
