"""What a report consists of, before it is a page or a sheet of paper: headings, paragraphs, tables, figures.

Text is plain; whoever draws a block escapes it. DOIs in paragraphs become links.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from digitise.report.drawing import Drawing


@dataclass(frozen=True, slots=True)
class Text:
    """A piece of text in a table or a list: "" plain, "not" for what is not known, "strong", "code", "file" a path.

    A "command" is to be copied: it stands on one line.
    """

    text: str
    kind: str = ""


Cell = str | Text


@dataclass(frozen=True, slots=True)
class Heading:
    """Level 1 begins a part (and a page on paper); 2 and 3 lie inside."""

    level: int
    text: str
    anchor: str = ""
    aside: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """`kind` is "", "lead" or "small"."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Cards:
    """Headline numbers: (name, value, what its interval covers)."""

    cards: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Short facts under their names."""

    facts: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to see before anything else; `kind` is "open" or "done"."""

    kind: str
    word: str
    text: str


@dataclass(frozen=True, slots=True)
class Findings:
    """What to know before using the numbers: (where, what)."""

    title: str
    items: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """One drawing for a desk and for paper, one for a phone. `data` are the numbers behind it, heading first."""

    wide: Drawing
    narrow: Drawing
    caption: str = ""
    data: tuple[tuple[object, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """`rows` are (kind, cells), kind "" or "group"; the first column names the row. `folded` hides it on a screen.

    `words` are the columns (from 0) that hold words and are set flush left.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]
    caption: str = ""
    folded: str = ""
    words: tuple[int, ...] = (0,)


def heads_rows(cells: tuple[Cell, ...]) -> bool:
    """Whether a table's row has words in its first cell alone: it stands over the rows that follow."""
    return len(cells) > 1 and not any(cells[1:])


Block = Heading | Paragraph | Cards | Facts | Notice | Findings | Bullets | Figure | Table


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the report: a card on a screen; on paper it may begin a page."""

    blocks: tuple[Block, ...]
    anchor: str = ""
    new_page: bool = False

    @property
    def figures(self) -> Iterator[Figure]:
        """Its figures, in order."""
        return (b for b in self.blocks if isinstance(b, Figure))


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. `footer` stands on every sheet of paper."""

    title: str
    programme: str
    subtitle: str
    notice: Notice
    contents: tuple[tuple[str, str], ...]  # (anchor, words)
    parts: Sequence[Part]
    footer: str
    made: str

    @property
    def figures(self) -> Iterator[Figure]:
        """Every figure, in order."""
        return (figure for part in self.parts for figure in part.figures)
