"""What an audit hands out: its cells without their values, what differs, its strata, and what it shows."""

from __future__ import annotations

from dataclasses import dataclass

from digitise.reader.reading import Value
from digitise.store.rows import RULE

PAGE = "page"  # the one stratum of a page that is keyed again as a whole
PERSON = "person"  # the stratum of what people entered


@dataclass(frozen=True, slots=True)
class AuditCell:
    """One cell of a sample. `answered` is empty or who answered; the accepted value is not told.

    `entered_by` is whose entry is on trial: the rule's, or a person's, who cannot answer it.
    """

    id: int
    audit_id: int
    page_id: int
    cell: str
    kind: str
    label: str
    answered: str
    entered_by: str


@dataclass(frozen=True, slots=True)
class Differing:
    """A sampled cell whose blind answer is another than the accepted value."""

    page_id: int
    cell: str
    accepted: Value
    accepted_state: str
    answer: Value
    answer_state: str
    by: str
    entry_id: int = 0  # the entry that was on trial
    entered_by: str = RULE


@dataclass(frozen=True, slots=True)
class Stratum:
    """A part of an audit's population: how many cells it has, how many were drawn, and how many of these differ."""

    name: str
    population: int
    sampled: int
    differing: int


@dataclass(frozen=True, slots=True)
class Pair:
    """One cell entered by a person and keyed again blind by another; values with their states."""

    kind: str
    entered: tuple[str, Value]
    entered_by: str
    answered: tuple[str, Value]
    answered_by: str


@dataclass(frozen=True, slots=True)
class Audit:
    """An audit so far: `sampled` of `population` cells, `answered` of these, and where the answers differ.

    `bound` is the share of wrong ones among accepted cells that is not exceeded with 95 % confidence; None until every
    sampled cell is answered. A cell answered blank or illegible where a value was accepted differs.
    """

    id: int
    pack: str | None
    by: str
    at: str
    population: int
    sampled: int
    answered: int
    differing: tuple[Differing, ...]
    bound: float | None
    strata: tuple[Stratum, ...] = ()

    @property
    def whole_page(self) -> bool:
        """Whether this is a page keyed again from top to bottom."""
        return [s.name for s in self.strata] == [PAGE]

    @property
    def what(self) -> str:
        """Of which cells it is a sample, in words: also of those that people entered, or of accepted ones only."""
        return "cells" if any(s.name == PERSON for s in self.strata) else "accepted cells"
