"""The closing list: one page for one survey, so that nothing is left in a dry bag."""

from __future__ import annotations

from collections.abc import Sequence

from digitise.prepare.flow import BOX_MM, Column
from digitise.sheets.drawing import Pen
from digitise.sheets.layout import Rule, Text
from digitise.sheets.protocol import Protocol, ProtocolError
from digitise.sheets.sheet import Identity
from digitise.surveys.plan import Plan, SurveyPlan

MARGIN_MM = 14.0
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
    when = survey.date.isoformat() if survey.date else ""
    pen.text(Text(MARGIN_MM, 18, f"{caption('closing')} · {site.name} ({site.code})", 16, full * 0.72, bold=True))
    pen.text(Text(MARGIN_MM + full, 14.5, when, 12, full * 0.26, bold=True, align="right"))
    pen.text(Text(MARGIN_MM + full, 19.5, f"{caption('pack')} {survey.pack}", 10, full * 0.26, align="right"))
    pen.rule(Rule(MARGIN_MM, 22.0, MARGIN_MM + full, 22.0, 0.5))
    wide = (full - GUTTER_MM) * 0.56
    left = Column(pen, MARGIN_MM, 24.0, wide)
    right = Column(pen, MARGIN_MM + wide + GUTTER_MM, 24.0, full - GUTTER_MM - wide)
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
    while below.y + NOTE_LINE_MM < bottom - 8.0 * len(names):
        below.y += NOTE_LINE_MM
        below.rule(below.y)
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
    row = min(MOST_ROW_MM, (bottom - 50.0 - column.y) / len(sheets))
    if row < LEAST_ROW_MM:
        raise ProtocolError(f"the closing list has no room for {len(sheets)} pages; expected smaller packs")
    for title, who in sheets:
        line = f"T{who.transect}: " if who.transect else ""
        pages = sum(t == title and w.transect == who.transect for t, w in sheets)
        page = ", " + caption("page").format(page=who.page, pages=pages) if pages > 1 else ""
        column.pen.text(Text(column.x, column.y + 3.0, f"{line}{title}{page}", 8.5, column.width - TICKS_MM - 3.0))
        for x in (first, second):
            column.frame(x, column.y, BOX_MM, BOX_MM)
        column.y += row
