"""What a store teaches: written cells that are decided, with what the network saw in each of their boxes.

All cells of a decided page teach, not only those that a person looked at: a person sees the doubtful ones, and a reader
that learned from these alone would forget the others. Where nobody looked, the accepted value is the label, wrong in
less than 1 of 1,000. Left out are cells that are no plain writing in their boxes: blank, illegible, struck out or
written over, hidden, with a gap, or where the network sees a blank box where the value needs a character.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from digitise.adapt.evaluate import same_value
from digitise.adapt.fair_cells import FairSample
from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, CharacterEvidence
from digitise.reader.ink import extract_ink
from digitise.reader.learned import WRITTEN
from digitise.reader.read import WRITTEN_IN_BOXES, boxed_evidence
from digitise.reader.reading import Value
from digitise.sheets.layout import Cell
from digitise.sheets.spelling import spelled
from digitise.store.rows import RULE, TOGETHER, CellNow, ReadingRow
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.adapt.own_cells import ReadAgain
    from digitise.pages.page import Page
    from digitise.store import PageRow, Store

MOST_PAGES = 200  # that teach: the latest ones, so that a large store takes minutes, not hours
NO_PLAIN_WRITING = frozenset({"crossed-out", "gap", "hard-to-see", "line-drawn", "beside", "no-text-engine"})
NO_LABEL = -1
SETTLED, SEEN, RULED = "settled", "seen", "ruled"


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """A decided cell. `labels` has an index among the characters of its answer for each box, `NO_LABEL` for blank ones.

    `origin`: `SETTLED` by a person without the reading having chosen it, `RULED` where nobody looked, and `SEEN` where
    a person changed an accepted cell: errors are what people look for, so these teach, but compare nothing. `group` is
    what is left out together when readers are compared.
    """

    cell: Cell
    page: str
    group: str
    origin: str
    value: Value
    evidence: tuple[CharacterEvidence, ...]
    labels: tuple[int, ...]

    @property
    def head(self) -> str:
        """The answer of the network that reads this cell: digit or letter."""
        return "letter" if self.cell.kind == "code" else "digit"


def seen_boxes(page: Page) -> dict[str, tuple[Cell, list[CharacterEvidence]]]:
    """The written cells of a page that are not hidden, with what the shipped network sees in each of their boxes."""
    cells = [c for c in page.layout.cells if c.kind in WRITTEN_IN_BOXES and c.id not in page.hidden]
    evidence = boxed_evidence(extract_ink(page.image, page.layout), cells)
    return {c.id: (c, evidence[c.id]) for c in cells}


def latest(sample: FairSample) -> FairSample:
    """The same for the `MOST_PAGES` pages that came last."""
    pages = tuple(sorted(sample.pages, key=lambda p: p.id)[-MOST_PAGES:])
    ids = {p.id for p in pages}
    return replace(sample, pages=pages, cells=tuple(c for c in sample.cells if c.page_id in ids))


def taught(sample: FairSample, store: Store, again: Sequence[ReadAgain], *, fewest_packs: int) -> list[Taught]:
    """Every cell of the sample's pages that teaches, grouped by pack where there are enough packs, else by page."""
    found = {(photo.sha256, layout): boxes for photo in again for layout, boxes in photo.pages.items()}
    pages = [p for p in sample.pages if (p.sha256, p.layout_digest) in found]
    by_pack = len({p.pack for p in pages if p.pack}) >= fewest_packs
    fair = {(c.page_id, c.cell): c for c in sample.cells}
    out: list[Taught] = []
    for page in pages:
        boxes = found[page.sha256, page.layout_digest]
        group = page.pack if by_pack and page.pack else page_key(page)
        now = store.current(page.id)
        for reading in store.readings(page.id):
            if reading.cell not in boxes or NO_PLAIN_WRITING & set(reading.reasons):
                continue
            settled = fair.get((page.id, reading.cell))
            value, origin = _label(now[reading.cell], reading, settled)
            cell, evidence = boxes[reading.cell]
            labels = box_labels(cell, value, evidence)
            if labels is not None:
                out.append(Taught(cell, page_key(page), group, origin, value, tuple(evidence), labels))
    return out


def about(cells: Sequence[Taught], sample: FairSample) -> str:
    """Which cells these are, in words: how many, on how many pages, settled when."""
    settled = sum(c.origin == SETTLED for c in cells)
    return f"{settled} reviewed and audited and {len(cells) - settled} other written cells on " + (
        plural(len({c.page for c in cells}), "page") + sample.when
    )


def page_key(page: PageRow) -> str:
    """A page of a photograph, as something learned names what it was learned from."""
    return f"{page.sha256}/{page.layout_digest}"


def _label(now: CellNow, reading: ReadingRow, settled) -> tuple[Value, str]:
    """(value, origin); None for a cell that says nothing."""
    if settled is not None:
        return (None if settled.illegible else settled.value), SETTLED
    value = now.value if now.state == "entered" else None
    glance = now.why == TOGETHER and same_value(value, reading.value)
    return value, RULED if now.by == RULE or glance else SEEN


def box_labels(cell: Cell, value: Value, evidence: Sequence[CharacterEvidence]) -> tuple[int, ...] | None:
    """A label for each box of a cell that holds `value`, or None where it is not plainly written in its boxes."""
    if value is None:
        return None
    try:
        text = spelled(cell.to_json(), value)
    except (ValueError, TypeError):
        return None
    head, classes = ("letter", LETTER_CLASSES) if cell.kind == "code" else ("digit", DIGIT_CLASSES)
    written = WRITTEN[head]
    labels = []
    for character, one in zip(text, evidence, strict=True):
        chances = getattr(one, head)
        likeliest, inked = int(chances.argmax()), chances[:written].sum() > 0.5 and one.features is not None
        if inked != (character != " "):
            return None
        dash = value == 0 and cell.kind == "number" and head == "digit" and classes[likeliest] == "dash"
        labels.append(NO_LABEL if not inked else classes.index("dash" if dash else character))
    return tuple(labels)
