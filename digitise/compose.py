"""Compose pages: a protocol becomes layouts, every page of every sheet on every paper.

Lengths are millimetres on the printed page, origin top left, y down. Nothing here measures text or touches files.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import lru_cache

from digitise.belt_pages import belt_pages
from digitise.layout import Cell, Fiducial, Layout, Rule, Text
from digitise.page_builder import (
    MARK_INSET_MM,
    MARK_MM,
    PageBuilder,
    character_boxes,
    place_fields,
    place_instructions,
    span_of,
)
from digitise.protocol import PAPERS_MM, LineSheet, Protocol, SiteSheet

SLOTS = 250  # page identities a set of four corner marks can carry


def _site_pages(protocol: Protocol, name: str, sheet: SiteSheet, paper: str) -> list[PageBuilder]:
    page = PageBuilder(protocol, name, sheet.title, paper, number=1, per_transect=False)
    y = place_fields(page, sheet.fields, place_instructions(page, sheet.instructions)) + 3
    page.rules.append(Rule(page.left, y, page.right, y))
    page.texts.append(Text(page.left, y + 5.5, protocol.caption("cautions"), 10, page.right - page.left, bold=True))
    y += 10.5
    for caution in sheet.cautions:
        page.texts.append(Text(page.left, y, "•", 8, 4))
        page.texts.append(Text(page.left + 4, y, caution, 8, page.right - page.left - 4, lines=2))
        y += 7.6
    _fits(y - 6, page, "site sheet's fields and cautions")
    return [page]


def _fits(y: float, page: PageBuilder, what: str) -> None:
    if y > page.bottom + 0.01:
        raise ValueError(
            f"{page.name}: the {what} need {y - page.bottom:.0f} mm more than {page.paper} paper has; "
            "expected fewer or shorter entries"
        )


def _line_pages(protocol: Protocol, name: str, sheet: LineSheet, paper: str) -> list[PageBuilder]:
    pages: list[PageBuilder] = []
    points = list(protocol.transect.points_m)
    codes = tuple(c.code for c in sheet.categories)
    while points:
        page = PageBuilder(protocol, name, sheet.title, paper, number=len(pages) + 1, per_transect=True)
        y = place_instructions(page, sheet.instructions)
        if not pages:
            y = place_fields(page, sheet.fields, y)
        y = _legend(page, sheet, y + 1.5) + 3
        column_mm = (page.right - page.left) / sheet.columns
        if column_mm < 17 + 2 * 10:
            raise ValueError(f"{name}: {sheet.columns} columns of points do not fit {paper} paper; expected fewer")
        deepest = int((page.bottom - y) / 11.5)
        rows = min(deepest, -(-len(points) // sheet.columns))
        pitch = min(18.5, (page.bottom - y) / rows)
        height = min(pitch - 2.2, 13.0)
        for column in range(sheet.columns):
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
    boxes = character_boxes(x + 17, y, (2,), 0, 10.0, height)
    page.comb(
        Cell(f"{page.name}/{position:g}", "code", span_of(boxes), label, characters_mm=boxes, choices=codes), (2,)
    )


def _legend(page: PageBuilder, sheet: LineSheet, y: float) -> float:
    """The codes and what they mean, three to a row."""
    width = (page.right - page.left) / 3
    rows = -(-len(sheet.categories) // 3)
    for i, category in enumerate(sheet.categories):
        x, line = page.left + (i // rows) * width, y + 4 + (i % rows) * 5.0
        page.texts += [
            Text(x, line, category.code, 11, 10, bold=True),
            Text(x + 9, line, category.label, 9, width - 10),
        ]
    return y + rows * 5.0 + 1


_MAKERS = {"site": _site_pages, "belt": belt_pages, "line": _line_pages}


def _laid_out(protocol: Protocol, paper: str) -> Iterator[Layout]:
    for name, sheet in protocol.sheets.items():
        pages = _MAKERS[sheet.kind](protocol, name, sheet, paper)
        for page in pages:
            yield page.finish(len(pages))


def layout_problems(protocol: Protocol) -> list[str]:
    """Why sheets do not fit on their papers, a sentence for each; empty when everything does."""
    out = []
    for paper in PAPERS_MM:
        for name, sheet in protocol.sheets.items():
            try:
                pages = _MAKERS[sheet.kind](protocol, name, sheet, paper)
                [page.finish(len(pages)) for page in pages]
            except ValueError as error:
                out.append(str(error))
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
    """Every page of every sheet on every paper.

    Each page's corner marks carry a slot made from its digest, so a protocol edited without a new version
    prints other marks; two pages of one protocol never share a slot. The protocol's `marks` shifts all of them,
    so that two protocols in use side by side can be kept apart (`shared_marks`).

    Raises
    ------
    ValueError
        Something does not fit on the paper; the text names the sheet and what to shorten.
    """
    taken: set[int] = set()
    out = []
    for paper in PAPERS_MM:
        for layout in _laid_out(protocol, paper):
            if len(taken) == SLOTS:
                raise ValueError(
                    f"{protocol.protocol}: more than {SLOTS} pages on all papers; expected fewer, since the "
                    "corner marks tell no more apart"
                )
            slot = (int(layout.digest, 16) + protocol.marks) % SLOTS
            while slot in taken:
                slot = (slot + 1) % SLOTS
            taken.add(slot)
            out.append(with_marks(layout, slot))
    return tuple(out)


def shared_marks(protocols: Iterable[Protocol]) -> list[tuple[Layout, Layout]]:
    """Pairs of pages of different protocols with the same corner marks; best none.

    Such pages are still told apart by their printed code, but not when that cannot be read.
    """
    first: dict[int, tuple[Layout, Protocol]] = {}
    out = []
    for protocol in protocols:
        for layout in build_layouts(protocol):
            other, owner = first.setdefault(layout.slot, (layout, protocol))
            if owner is not protocol and other.digest != layout.digest:
                out.append((other, layout))
    return out


def free_marks(protocol: Protocol, others: Iterable[Protocol]) -> int | None:
    """The smallest `marks` with which `protocol` shares no corner marks with the others; None when there is none."""
    taken = {one.slot for other in others for one in build_layouts(other)}
    for marks in range(SLOTS):
        moved = build_layouts(Protocol.model_validate(protocol.model_dump() | {"marks": marks}))
        if not taken & {one.slot for one in moved}:
            return marks
    return None
