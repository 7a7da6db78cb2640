"""Compose pages: a protocol becomes layouts, every page of every sheet on every paper.

Lengths are millimetres on the printed page, origin top left, y down. Nothing here measures text or touches files.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache

from digitise.sheets.belt_pages import belt_pages
from digitise.sheets.layout import Cell, Fiducial, Layout, Rule, Text
from digitise.sheets.page_builder import (
    FIELD_ROW_MM,
    MARK_INSET_MM,
    MARK_MM,
    PageBuilder,
    character_boxes,
    field_rows,
    place_fields,
    place_instructions,
    place_row,
    span_of,
)
from digitise.sheets.protocol import HALVES, PAPERS_MM, LineSheet, Protocol, SiteSheet

SLOTS = 250  # page identities a set of four corner marks can carry
CAUTIONS_MM = 13.5  # from the fields to the first caution
LABEL_MM = 17.0  # a point's label beside its boxes
LETTER_MM = {2: 10.0, 3: 9.0}  # width of a letter's box, by how many a code has


def _site_pages(protocol: Protocol, name: str, sheet: SiteSheet, paper: str) -> list[PageBuilder]:
    """One page; on small paper as many as the fields need, the cautions below the last of them."""
    first = PageBuilder(protocol, name, sheet.title, paper, number=1, per_transect=False)
    top, rows = place_instructions(first, sheet.instructions), field_rows(first, sheet.fields)
    lines = 3 if first.small else 2
    need = CAUTIONS_MM + len(sheet.cautions) * _caution_mm(lines) - 6
    fit = int((first.bottom - top) / FIELD_ROW_MM) if first.small else len(rows)
    chunks = [rows[i : i + fit] for i in range(0, len(rows), max(1, fit))] or [[]]
    if first.small and top + len(chunks[-1]) * FIELD_ROW_MM + need > first.bottom and len(chunks[-1]) > 1:
        chunks.append([chunks[-1].pop()])
    pages = [first]
    for _ in chunks[1:]:
        pages.append(PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=False))
        place_instructions(pages[-1], sheet.instructions)
    y = top
    for page, chunk in zip(pages, chunks, strict=True):
        y = top
        for row in chunk:
            y = place_row(page, row, y)
    if (lacking := y + need - first.bottom) > 0.01:
        raise ValueError(
            f"{name}: the site sheet's fields and cautions need {lacking:.0f} mm more than {paper} paper has; "
            "expected fewer or shorter entries"
        )
    _place_cautions(pages[-1], sheet, y + 3, lines)
    return pages


def _caution_mm(lines: int) -> float:
    return 0.8 + 3.4 * lines


def _place_cautions(page: PageBuilder, sheet: SiteSheet, y: float, lines: int) -> None:
    width = page.right - page.left
    page.rules.append(Rule(page.left, y, page.right, y))
    page.texts.append(Text(page.left, y + 5.5, page.protocol.caption("cautions"), 10, width, bold=True))
    y += CAUTIONS_MM - 3
    for caution in sheet.cautions:
        page.texts.append(Text(page.left, y, "•", 8, 4))
        page.texts.append(Text(page.left + 4, y, caution, 8, width - 4, lines=lines))
        y += _caution_mm(lines)


def _line_pages(protocol: Protocol, name: str, sheet: LineSheet, paper: str) -> list[PageBuilder]:
    pages: list[PageBuilder] = []
    points = list(protocol.transect.points_m)
    codes = tuple(c.code for c in sheet.categories)
    while points:
        page = PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=True)
        width = page.right - page.left
        y = place_instructions(page, sheet.instructions)
        if not pages:
            y = place_fields(page, sheet.fields, y)
        y = _legend(page, sheet, y + 1.5) + 3
        least = LABEL_MM + len(codes[0]) * LETTER_MM[len(codes[0])]
        columns = min(sheet.columns, int(width / least)) if page.small else sheet.columns
        if (column_mm := width / columns) < least:
            raise ValueError(f"{name}: {sheet.columns} columns of points do not fit {paper} paper; expected fewer")
        deepest = int((page.bottom - y) / 11.5)
        if deepest < 1:
            raise ValueError(
                f"{name}: its {len(codes)} codes leave no room for points on {paper} paper; expected fewer"
            )
        rows = min(deepest, -(-len(points) // columns))
        pitch = min(18.5, (page.bottom - y) / rows)
        height = min(pitch - 2.2, 13.0)
        for column in range(columns):
            for row in range(rows):
                if not points:
                    break
                _place_point(page, points.pop(0), codes, (page.left + column * column_mm, y + row * pitch), height)
        pages.append(page)
    return pages


def _place_point(
    page: PageBuilder, position: float, codes: tuple[str, ...], at: tuple[float, float], height: float
) -> None:
    x, y = at
    label = page.protocol.caption("point").format(position=f"{position:g}")
    page.texts.append(Text(x + 14.5, y + height / 2 + 1.4, label, 10, 15, bold=True, align="right"))
    letters = (len(codes[0]),)
    boxes = character_boxes(x + LABEL_MM, y, letters, 0, LETTER_MM[letters[0]], height)
    page.comb(
        Cell(f"{page.name}/{position:g}", "code", span_of(boxes), label, characters_mm=boxes, choices=codes), letters
    )


def _legend(page: PageBuilder, sheet: LineSheet, y: float) -> float:
    """The codes and what they mean, three to a row, two on a small page."""
    across = 2 if page.small else 3
    width = (page.right - page.left) / across
    rows = -(-len(sheet.categories) // across)
    code_mm = {2: 10.0, 3: 13.5}[len(sheet.categories[0].code)]
    for i, category in enumerate(sheet.categories):
        x, line = page.left + (i // rows) * width, y + 4 + (i % rows) * 5.0
        page.texts += [
            Text(x, line, category.code, 11, code_mm, bold=True),
            Text(x + code_mm, line, category.label, 9, width - code_mm - 1),
        ]
    return y + rows * 5.0 + 1


_MAKERS = {"site": _site_pages, "belt": belt_pages, "line": _line_pages}


def _sheet_layouts(protocol: Protocol, name: str, paper: str) -> list[Layout]:
    """The pages of one sheet; `ValueError` where something does not fit, or two of its cells have one id."""
    sheet = protocol.sheets[name]
    pages = _MAKERS[sheet.kind](protocol, name, sheet, paper)
    ids = Counter(cell.id for page in pages for cell in page.cells)
    if twice := [i for i, count in ids.items() if count > 1]:
        raise ValueError(f"{name}: two cells would be called '{twice[0]}'; expected another id for one of them")
    return [page.finish(len(pages)) for page in pages]


def _must(protocol: Protocol, paper: str) -> bool:
    """Whether a protocol must fit on a paper: on whole sheets and on its own; on other small ones it may."""
    return paper in HALVES or paper == protocol.paper


def paper_problems(protocol: Protocol, paper: str) -> list[str]:
    """Why sheets do not fit on one paper, a sentence for each; empty when all do."""
    out = []
    for name in protocol.sheets:
        try:
            _sheet_layouts(protocol, name, paper)
        except ValueError as error:
            out.append(str(error))
    return out


def layout_problems(protocol: Protocol) -> list[str]:
    """Why sheets do not fit on the papers that they must fit on, a sentence for each; empty when everything does."""
    out = [text for paper in PAPERS_MM if _must(protocol, paper) for text in paper_problems(protocol, paper)]
    if not out:
        try:
            build_layouts(protocol)
        except ValueError as error:
            out.append(str(error))
    return list(dict.fromkeys(out))


def with_marks(layout: Layout, slot: int) -> Layout:
    """The layout with the four corner marks of a slot."""
    width, height = layout.page_size_mm
    far_x, far_y = width - MARK_INSET_MM - MARK_MM, height - MARK_INSET_MM - MARK_MM
    places = ((MARK_INSET_MM, MARK_INSET_MM), (far_x, MARK_INSET_MM), (far_x, far_y), (MARK_INSET_MM, far_y))
    marks = tuple(Fiducial(4 * slot + i, i, (x, y, MARK_MM, MARK_MM)) for i, (x, y) in enumerate(places))
    return replace(layout, slot=slot, fiducials=marks)


@lru_cache(maxsize=64)
def build_layouts(protocol: Protocol) -> tuple[Layout, ...]:
    """Every page of every sheet on every paper that the protocol fits on.

    A5 and half-letter are left out where a sheet does not fit (`paper_problems` says why). Each page's corner marks
    carry a slot made from its digest, so a protocol edited without a new version prints other marks; two pages of one
    protocol never share a slot. The protocol's `marks` shifts all of them, so that two protocols in use side by side
    can be kept apart (`shared_marks`).

    Raises
    ------
    ValueError
        Something does not fit on the paper; the text names the sheet and what to shorten.
    """
    out: list[Layout] = []
    for paper in sorted(PAPERS_MM, key=lambda p: not _must(protocol, p)):
        try:
            laid_out = [page for name in protocol.sheets for page in _sheet_layouts(protocol, name, paper)]
            if len(out) + len(laid_out) > SLOTS:
                raise ValueError(
                    f"{protocol.protocol}: more than {SLOTS} pages on all papers; expected fewer, since the "
                    "corner marks tell no more apart"
                )
        except ValueError:
            if _must(protocol, paper):
                raise
        else:
            out += laid_out
    return tuple(with_marks(layout, slot) for layout, slot in zip(out, _slots(out, protocol.marks), strict=True))


def _slots(layouts: Iterable[Layout], marks: int) -> Iterator[int]:
    """A slot for each page: its digest's, shifted by `marks`, or the next that none before it has."""
    taken: set[int] = set()
    for layout in layouts:
        slot = (int(layout.digest, 16) + marks) % SLOTS
        while slot in taken:
            slot = (slot + 1) % SLOTS
        taken.add(slot)
        yield slot


def whole_layouts(protocol: Protocol) -> list[Layout]:
    """Every page of every sheet on A4 and Letter."""
    return [one for one in build_layouts(protocol) if one.paper in HALVES]


def shared_marks(protocols: Iterable[Protocol]) -> list[tuple[Layout, Layout]]:
    """Pairs of pages of different protocols on whole sheets with the same corner marks; best none.

    Such pages are still told apart by their printed code, and where that cannot be read by whether what is printed is
    found in its place. There are too few marks for keeping small pages apart too; marks fit those differently.
    """
    first: dict[int, tuple[Layout, Protocol]] = {}
    out = []
    for protocol in protocols:
        for layout in whole_layouts(protocol):
            other, owner = first.setdefault(layout.slot, (layout, protocol))
            if owner is not protocol and other.digest != layout.digest:
                out.append((other, layout))
    return out


def free_marks(protocol: Protocol, others: Iterable[Protocol]) -> int | None:
    """The smallest `marks` with which `protocol` shares none on whole sheets with the others; None if there is none."""
    taken, own = {one.slot for other in others for one in whole_layouts(other)}, whole_layouts(protocol)
    return next((marks for marks in range(SLOTS) if taken.isdisjoint(_slots(own, marks))), None)
