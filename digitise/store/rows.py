"""What the store hands out: small frozen rows without a database behind them.

Boxes are ``(x, y, width, height)``: in millimetres on the printed page where the name says so, else as fractions of
the page's width and height. Times are UTC, ISO 8601. `Value` is the cell's own type (see `digitise.reader.reading`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from digitise.reader.reading import Candidates, Value
from digitise.sheets.layout import Box, Cell
from digitise.wording import page_title

RULE = "rule"  # who, when no person was asked
KEYED = "keyed by hand"  # in place of a reader's version, when a person keys a sheet from a photograph
BY_HAND = "by-hand"  # why such a cell waits
NO_SHEET = "no-sheet"  # status of a photograph that shows no sheet of the survey, as a person says
TOGETHER = "looked at among others that read the same"  # why, when many cells were confirmed at a glance
STATES = ("entered", "blank", "illegible", "withdrawn")


class StoreError(ValueError):
    """The store cannot do what was asked; the text says why and what to do."""


class ChangedMeanwhile(StoreError):  # noqa: N818 - it is no fault, another person was quicker
    """Someone else entered the cell after it was shown."""


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A kept photograph. `status` is read, retake, unreadable, no-sheet (set aside by a person), or waiting (kept, not
    yet read).

    `layout_digest` is that of the page recognised in a refused photograph, empty when none was. `beside` is what was
    said of another sheet, of which nothing was known, when the only page was read.
    """

    sha256: str
    name: str
    bytes: int
    kept_at: str
    status: str
    reasons: tuple[str, ...]  # sentences
    page_ids: tuple[int, ...]
    layout_digest: str = ""
    beside: tuple[str, ...] = ()  # sentences


@dataclass(frozen=True, slots=True)
class PageRow:
    """One page read from one photograph.

    `pack` is None when its printed code could not be read and nobody has assigned it. `superseded_by` is the id of
    the page that counts instead, None for a page that counts. `identity_from` is "printed", "person" or "".
    """

    id: int
    sha256: str
    photo: str
    protocol: str
    protocol_version: str
    protocol_digest: str
    layout_digest: str
    sheet: str
    title: str
    page: int
    pages: int
    per_transect: bool
    page_size_mm: tuple[float, float]
    pack: str | None
    transect: int | None
    identity_from: str
    superseded_by: int | None
    cells: int
    flagged: int
    open: int  # cells without an accepted or entered value
    decided: int  # cells whose present entry is a person's
    mean_confidence: float
    residual_mm: float
    px_per_mm: float
    reader_version: str
    acceptance_basis: str
    recorded_at: str

    @property
    def page_title(self) -> str:
        """The sheet's title, and which of its pages this is where it has several."""
        return page_title(self.title, self.page, self.pages)

    @property
    def keyed(self) -> bool:
        """Whether a person keys it from the photograph: nothing was read, and where its cells are is not known."""
        return self.reader_version == KEYED

    @property
    def to_review(self) -> int:
        """How many of its cells wait at the desk; those of a sheet that is keyed by hand wait beside its photograph."""
        return 0 if self.superseded or self.keyed else self.open

    @property
    def superseded(self) -> bool:
        """Whether another photograph of this page counts instead."""
        return self.superseded_by is not None


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One cell as the reader read it; never changes. `photo_px` are the cell's corners in the upright photograph."""

    id: int
    page_id: int
    cell: str
    kind: str
    label: str
    value: Value
    confidence: float
    flagged: bool
    candidates: Candidates
    reasons: tuple[str, ...]  # names in `digitise.reader.reasons.REASONS`
    score: float
    box_mm: Box
    box: Box  # fractions of the page
    photo_px: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One entry; the last of a cell is current, and "withdrawn" means the cell is open.

    `undoes` is the id of the entry this one takes back; it then restates what held before. `decided_by` is whose
    value it is: the same as `by` except after an undo.
    """

    id: int
    page_id: int
    cell: str
    value: Value
    state: str  # entered | blank | illegible | withdrawn
    by: str
    decided_by: str
    at: str
    why: str
    reading_id: int
    undoes: int | None = None
    client: str = ""
    seq: int = 0


class CellNow(NamedTuple):
    """A cell with its present state: entered, blank, illegible, or unread (nobody has decided).

    `by` is "rule" or a person; empty while unread. `read_value`, `confidence` and `candidates` are the reader's,
    whatever was entered. A named tuple, since cells come by the million and it is made in a seventh of the time.
    """

    page_id: int
    cell: str
    kind: str
    label: str
    state: str
    value: Value
    by: str
    at: str
    why: str
    read_value: Value
    confidence: float
    reasons: tuple[str, ...]
    box_mm: Box
    candidates: Candidates = ()


@dataclass(frozen=True, slots=True)
class QueueItem:
    """An open cell with what a person needs to decide it. `last_entry` goes into `Store.decide`'s `last_seen`."""

    page_id: int
    sha256: str
    photo: str
    pack: str | None
    transect: int | None
    sheet: str
    title: str
    page: int
    cell: str
    kind: str
    label: str
    value: Value
    candidates: Candidates
    reasons: tuple[str, ...]  # sentences
    reason_names: tuple[str, ...]
    confidence: float
    box: Box  # fractions of the page
    choices: tuple[str, ...] = ()
    max: int | None = None
    format: str | None = None
    last_entry: int = 0


@dataclass(frozen=True, slots=True)
class Doubt:
    """A cell that is to be opened again although the rule has accepted it, and why."""

    page_id: int
    cell: str
    why: str


@dataclass(frozen=True, slots=True)
class Progress:
    """Cells of the pages that count: `open`, `decided` by a person, `accepted` by rule; and photographs.

    Of the open ones `to_key` are on sheets that a person keys from a photograph that could not be read.
    """

    open: int
    decided: int
    accepted: int
    photos: int
    refused: int
    to_key: int = 0

    @property
    def cells(self) -> int:
        """All cells of the pages that count."""
        return self.open + self.decided + self.accepted


def as_they_came(pages: Iterable[PageRow]) -> list[str]:
    """Packs of these pages, by the first page of each that was read."""
    first: dict[str, int] = {}
    for page in pages:
        if page.pack is not None:
            first[page.pack] = min(page.id, first.get(page.pack, page.id))
    return sorted(first, key=first.__getitem__)


def cell_label(cell: Cell) -> str:
    """The printed label, told apart where two boxes share one: a tally and the total beside it."""
    if cell.kind == "tally":
        return f"{cell.label}: tally"
    return f"{cell.label}: written total" if cell.id.endswith("/total") else cell.label


def page_fractions(box_mm: Box, size_mm: tuple[float, float]) -> Box:
    """A box in millimetres as fractions of the page's width and height."""
    x, y, w, h = box_mm
    return (x / size_mm[0], y / size_mm[1], w / size_mm[0], h / size_mm[1])
