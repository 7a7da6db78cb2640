"""Lay out belt sheets: rows down, segments or frames across, over as many pages as they need.

Lengths are millimetres on the printed page.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from digitise.sheets.layout import Cell, Text
from digitise.sheets.page_builder import (
    CHAR_W_MM,
    PageBuilder,
    character_boxes,
    is_small,
    place_fields,
    place_instructions,
    side_mm,
    span_of,
)
from digitise.sheets.protocol import PAPERS_MM, BeltSheet, Part, Protocol, RowSpec

BELT_LABEL_MM, SMALL_LABEL_MM = 36.0, 31.0  # room for a row's name
NAME_MM_PER_LETTER = 2.2
LEAST_TALLY_MM = 24.0
LEAST_ROW_MM, HEADING_MM, TITLE_MM = 11.0, 5.2, 7.0
BLOCK_GAP_MM = 3.0


def _label_mm(paper: str) -> float:
    return SMALL_LABEL_MM if is_small(paper) else BELT_LABEL_MM


def _columns_mm(page: PageBuilder, count: int) -> list[tuple[float, float]]:
    """x and tally width of `count` parts side by side, as wide as where the sheet has most of them."""
    most = max(len(block) for block in _blocks(page.protocol, page.name, page.paper))
    label = _label_mm(page.paper)
    per = (page.right - page.left - label) / most
    return [(page.left + label + i * per, per - 2 * CHAR_W_MM - 4.0) for i in range(count)]


def _blocks(protocol: Protocol, name: str, paper: str) -> list[tuple[Part, ...]]:
    """The sheet's parts in groups of even size that fit side by side; more than one group follow each other."""
    parts = protocol.parts(name)
    room = PAPERS_MM[paper][0] - 2 * side_mm(paper) - _label_mm(paper)
    most = int(room / (2 * CHAR_W_MM + 4.0 + LEAST_TALLY_MM))
    groups = -(-len(parts) // most)
    ends = [-(-len(parts) * i // groups) for i in range(groups + 1)]
    return [parts[start:end] for start, end in itertools.pairwise(ends)]


def _place_belt_row(page: PageBuilder, row: RowSpec, block: tuple[Part, ...], y: float, pitch: float) -> None:
    height = min(pitch - 1.8, 13.0)
    mid = y + height / 2
    room = _label_mm(page.paper) - 2
    if page.small and not row.note and " " in row.label and NAME_MM_PER_LETTER * len(row.label) > room:
        page.texts.append(Text(page.left, mid - 0.9, row.label, 9.5, room, lines=2, bold=True))
    else:
        page.texts.append(Text(page.left, mid + (0.2 if row.note else 1.2), row.label, 9.5, room, bold=True))
    if row.note:
        page.texts.append(Text(page.left, mid + 3.6, row.note, 6.5, room))
    for part, (x, tally_w) in zip(block, _columns_mm(page, len(block)), strict=True):
        stem = f"{page.name}/{row.id}/{part.id}"
        label = f"{row.label}, {part.label}"
        boxes = character_boxes(x + tally_w + 1.5, y, (2,), 0, CHAR_W_MM, height)
        if row.kind == "count":
            page.open_box(Cell(f"{stem}/tally", "tally", (x, y, tally_w, height), label, max=row.max))
            page.comb(Cell(f"{stem}/total", "number", span_of(boxes), label, characters_mm=boxes, max=99), (2,))
        elif row.kind == "percent":
            boxes = character_boxes(x, y, (3,), 0, CHAR_W_MM, height)
            page.comb(Cell(f"{stem}/percent", "number", span_of(boxes), label, characters_mm=boxes, max=100), (3,))
            page.texts.append(Text(x + 3 * CHAR_W_MM + 1.5, mid + 1.3, page.protocol.caption("percent"), 9, 8))
        else:
            page.open_box(Cell(f"{stem}/tick", "tick", (x, y, CHAR_W_MM, height), label))


def _belt_heading(page: PageBuilder, block: tuple[Part, ...], y: float) -> None:
    caption = page.protocol.caption
    for part, (x, tally_w) in zip(block, _columns_mm(page, len(block)), strict=True):
        page.texts += [
            Text(x, y + 3.6, part.label.replace("-", "–"), 9.5, 24, bold=True),
            Text(x + tally_w, y + 3.6, caption("tally"), 7, 20, align="right"),
            Text(x + tally_w + 1.5 + CHAR_W_MM, y + 3.6, caption("total"), 7, 18, align="centre"),
        ]


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of a belt sheet: a heading of its parts, the title of the impacts, or a row."""

    block: tuple[Part, ...]
    row: RowSpec | None = None
    title: str = ""
    gap_mm: float = 0.0  # above a heading that does not begin the page

    @property
    def least_mm(self) -> float:
        if self.row is not None:
            return LEAST_ROW_MM
        return TITLE_MM if self.title else HEADING_MM + self.gap_mm


def _block_lines(sheet: BeltSheet, block: tuple[Part, ...]) -> list[_Line]:
    title = [_Line(block, title=sheet.impacts_title)] if sheet.impacts else []
    rows = [[_Line(block, row) for row in rows] for rows in (sheet.rows, sheet.impacts)]
    return [*rows[0], *title, *rows[1]]


def _taken(queue: list[list[_Line]], room: float) -> list[_Line]:
    """Lines for one page: whole blocks with their headings as long as they fit, else the start of one block."""
    out: list[_Line] = []
    while queue:
        block = [_Line(queue[0][0].block, gap_mm=BLOCK_GAP_MM if out else 0.0), *queue[0]]
        need = sum(line.least_mm for line in block)
        if need > room + 0.01:
            break
        out += block
        room -= need
        queue.pop(0)
    if out or not queue:
        return out
    out = [_Line(queue[0][0].block)]
    room -= HEADING_MM
    while queue[0] and room >= queue[0][0].least_mm + LEAST_ROW_MM * bool(queue[0][0].title) - 0.01:
        line = queue[0].pop(0)
        out.append(line)
        room -= line.least_mm
    return out


def _pitch_mm(lines: list[_Line], room: float) -> float:
    """Height of a row, so that the page is used but rows stay rows."""
    others = sum(line.least_mm for line in lines if line.row is None)
    return min(16.0, max(LEAST_ROW_MM, (room - others) / sum(bool(line.row or line.title) for line in lines)))


def belt_pages(protocol: Protocol, name: str, sheet: BeltSheet, paper: str) -> list[PageBuilder]:
    """The pages of one belt sheet; `ValueError` when its fields leave no room for rows."""
    pages: list[PageBuilder] = []
    queue = [_block_lines(sheet, block) for block in _blocks(protocol, name, paper)]
    while queue:
        page = PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=True)
        y = place_instructions(page, sheet.instructions)
        if not pages:
            y = place_fields(page, sheet.fields, y)
        y += 1.5
        room = page.bottom - y - (12.0 if not pages else 0.0)
        if room < HEADING_MM + LEAST_ROW_MM:
            raise ValueError(f"{name}: the fields leave no room for rows on {paper} paper; expected fewer fields")
        lines = _taken(queue, room)
        pitch = LEAST_ROW_MM if queue else _pitch_mm(lines, room)
        for line in lines:
            if line.row is not None:
                _place_belt_row(page, line.row, line.block, y, pitch)
            elif line.title:
                width = min(120, page.right - page.left)
                page.texts.append(Text(page.left, y + 5.2, line.title, 10, width, bold=True))
            else:
                _belt_heading(page, line.block, y + line.gap_mm)
            y += pitch if line.row is not None else line.least_mm
        if not pages:
            tick_mm = y + 1.0
            box = (page.left, tick_mm, CHAR_W_MM, 9.0)
            page.open_box(Cell(f"{name}/none-seen", "tick", box, protocol.caption("none_seen")))
        pages.append(page)
    _say_what_is_ticked(pages, tick_mm)
    return pages


def _say_what_is_ticked(pages: list[PageBuilder], tick_mm: float) -> None:
    """The words beside the box for none seen on the first page, and for which pages it speaks where they are many."""
    page, protocol = pages[0], pages[0].protocol
    many = len(pages) > 1
    left, width = page.left + 12, min(150, page.right - page.left - 12)
    words = Text(left, tick_mm + (4.2 if many else 5.8), protocol.caption("none_seen"), 9, width, bold=True)
    page.texts.append(words)
    if many:
        every = protocol.caption("page").format(page=f"1–{len(pages)}", pages=len(pages))
        page.texts.append(Text(left, tick_mm + 8.2, every, 8, width))
