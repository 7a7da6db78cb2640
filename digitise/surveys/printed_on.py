"""Which pages a pack must have, by the paper that its sheets are on.

A sheet is one page on A4 and two on A5. The pages that came back say which paper it was; of a sheet that nobody
photographed, the other sheets of the pack do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping

from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol
from digitise.store import CellNow, PageRow

Sheet = tuple[PageRow, Mapping[str, CellNow]]
Size = tuple[float, float]


def paper_of(pages: Collection[PageRow]) -> Size | None:
    """Size in mm of the paper that most of these pages are on, of several the newest page's; None without any."""
    if not pages:
        return None
    counts, newest = Counter(p.page_size_mm for p in pages), {p.page_size_mm: p.id for p in pages}
    return max(counts, key=lambda size: (counts[size], newest[size]))


def printed_pages(protocol: Protocol, pages: Collection[PageRow], sheet: str, transect: int) -> list[Layout]:
    """The pages that one sheet of a pack consists of; `pages` are those of the pack that came back."""
    own = [p for p in pages if (p.sheet, p.transect or 0) == (sheet, transect)]
    found = [one for one in build_layouts(protocol) if one.sheet == sheet]
    sizes = {one.paper: one.page_size_mm for one in found}
    size = next((s for s in (paper_of(own), paper_of(pages)) if s in sizes.values()), sizes[protocol.paper])
    return [one for one in found if one.page_size_mm == size]


def strangers(sheets: Collection[Sheet]) -> Iterator[PageRow]:
    """Pages on other paper than most of their sheet: where both have a cell, it cannot be told which holds."""
    own: dict[tuple[str, int], list[PageRow]] = {}
    for page, _ in sheets:
        own.setdefault((page.sheet, page.transect or 0), []).append(page)
    for pages in own.values():
        size = paper_of(pages)
        yield from (p for p in pages if p.page_size_mm != size)
