"""The closing list: one page for one survey, so that nothing is left in a dry bag."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from digitise.prepare.flow import BOX_MM, MARGIN_MM, Column, page_head
from digitise.sheets.drawing import Pen
from digitise.sheets.layout import Text
from digitise.sheets.protocol import Protocol, ProtocolError
from digitise.sheets.sheet import Identity
from digitise.surveys.plan import Plan, SurveyPlan

GUTTER_MM = 8.0
TICKS_MM = 36.0  # width of the two columns of boxes
LEAST_ROW_MM, MOST_ROW_MM = 4.6, 6.4
NOTE_LINE_MM = 8.0


def draw_closing(
    pen: Pen,
    size_mm: tuple[float, float],
    protocol: Protocol,
    plan: Plan,
    survey: SurveyPlan,
    *,
    sheets: Sequence[tuple[str, Identity]],
) -> None:
    """Draw the page. `sheets` are the pack's pages, with their titles.

    Raises
    ------
    ProtocolError
        The pack has more pages than the list has room for.
    """
    site, caption = plan.site(survey.site), protocol.caption
    full = size_mm[0] - 2 * MARGIN_MM
    bottom = size_mm[1] - MARGIN_MM
    top = page_head(pen, full, caption("closing"), protocol, site, survey) + 2.0
    wide = (full - GUTTER_MM) * 0.56
    left = Column(pen, MARGIN_MM, top, wide)
    right = Column(pen, MARGIN_MM + wide + GUTTER_MM, top, full - GUTTER_MM - wide)
    _sheets(left, protocol, sheets, bottom)
    right.heading(caption("closing_done"))
    for text in caption("closing_steps").split(";"):
        right.tick(text.strip())
    right.heading(caption("closing_kit"))
    for item in plan.kit or tuple(i.strip() for i in caption("kit_list").split(";")):
        right.tick(item, 8.5)
    below = Column(pen, MARGIN_MM, max(left.y, right.y) + 2.0, full)
    below.heading(caption("closing_notes"))
    names = [t.strip() for t in caption("closing_name").split(";")]
    while below.y + NOTE_LINE_MM < bottom - 8.0 * len(names) - 3.0:
        below.y += NOTE_LINE_MM
        below.rule(below.y)
    below.y += 3.0
    for name in names:
        below.to_fill(name, 9.0)
    if below.y > bottom + 6.0:
        raise ProtocolError("the closing list has no room left; expected fewer pages in a pack or a shorter kit list")


def _sheets(column: Column, protocol: Protocol, sheets: Sequence[tuple[str, Identity]], bottom: float) -> None:
    """Every page of the pack with a box for back and a box for photographed."""
    caption = protocol.caption
    column.heading(caption("closing_sheets"))
    first, second = column.x + column.width - TICKS_MM, column.x + column.width - TICKS_MM + 13.0
    column.pen.text(Text(first + BOX_MM / 2, column.y + 1.4, caption("closing_back"), 7, 16, align="centre"))
    column.pen.text(Text(second, column.y + 1.4, caption("closing_photo"), 7, TICKS_MM - 13.0, lines=2))
    column.y += 6.2
    high = bottom - 50.0 - column.y
    rows = next((r for r in _ways(protocol, sheets) if high / len(r) >= LEAST_ROW_MM), None)
    if rows is None:
        raise ProtocolError(f"the closing list has no room for {len(sheets)} pages; expected smaller packs")
    step = min(MOST_ROW_MM, high / len(rows))
    texts = [Text(column.x, 0, words, 8.5, column.width - TICKS_MM - 3.0) for words, _ in rows]
    size, before = min(column.pen.face.wrap(text)[0] for text in texts), 0
    for text, (_, transect) in zip(texts, rows, strict=True):
        if transect != before:
            column.rule(column.y - (step - BOX_MM) / 2)
        before = transect
        column.pen.text(replace(text, y=column.y + 3.0, size_pt=size))
        for x in (first, second):
            column.frame(x, column.y, BOX_MM, BOX_MM)
        column.y += step


def _ways(protocol: Protocol, sheets: Sequence[tuple[str, Identity]]) -> Iterator[list[tuple[str, int]]]:
    """What the list may name, as (words, transect), longest first: every page; every sheet; every line's sheets."""
    pages = Counter((who.transect, title) for title, who in sheets)
    every = []
    for title, who in sheets:
        count = pages[who.transect, title]
        page = ", " + protocol.caption("page").format(page=who.page, pages=count) if count > 1 else ""
        every.append((f"{_line(who.transect)}{title}{page}", who.transect))
    yield every
    yield [(f"{_line(n)}{title}{f' × {count}' if count > 1 else ''}", n) for (n, title), count in pages.items()]
    by_line = Counter(who.transect for _, who in sheets)
    names = {who.transect: title for title, who in sheets}
    yield [(f"{_line(n) or names[n]}{f' × {count}' if n or count > 1 else ''}", n) for n, count in by_line.items()]


def _line(transect: int) -> str:
    return f"T{transect}: " if transect else ""
