"""The pocket card of codes: four on a page, to be cut apart."""

from __future__ import annotations

from digitise.prepare.flow import FINE_MM, Column
from digitise.sheets.drawing import Pen
from digitise.sheets.layout import Rule, Text
from digitise.sheets.protocol import BeltSheet, LineSheet, Protocol, ProtocolError

EDGE_MM = 7.0
CUT_MM = 6.0
LEAST_STEP_MM = 3.8
COLUMNS = ((16, 1, 13, 14.0), (40, 2, 10, 11.0), (60, 3, 9, 9.5))  # up to so many codes: columns, size, width of a code


def draw_cards(pen: Pen, size_mm: tuple[float, float], protocol: Protocol) -> None:
    """Draw the page; `ProtocolError` when a card has more codes than room."""
    width, height = size_mm
    for column in (0, 1):
        for row in (0, 1):
            _card(pen, (column * width / 2, row * height / 2), (width / 2, height / 2), protocol)
    for k in range(int(width // 6)):
        pen.rule(Rule(k * 6.0 + 1, height / 2, k * 6.0 + 4, height / 2, FINE_MM))
    for k in range(int(height // 6)):
        pen.rule(Rule(width / 2, k * 6.0 + 1, width / 2, k * 6.0 + 4, FINE_MM))


def _card(pen: Pen, at: tuple[float, float], size: tuple[float, float], protocol: Protocol) -> None:
    column = Column(pen, at[0] + EDGE_MM, at[1] + EDGE_MM, size[0] - 2 * EDGE_MM)
    column.words(protocol.title, 11, bold=True, gap=0.4)
    column.words(f"{protocol.caption('card')} · {protocol.protocol} {protocol.version}", 7)
    for sheet in protocol.sheets.values():
        if isinstance(sheet, LineSheet):
            column.heading(sheet.title)
            _codes(column, sheet, at[1] + size[1] - EDGE_MM - 18.0)
            column.words(protocol.caption("card_rule"), 8)
    if any(isinstance(s, BeltSheet) for s in protocol.sheets.values()):
        column.words(protocol.caption("tally_rule"), 8)
    if column.y > at[1] + size[1] - 3.0:
        raise ProtocolError("the code card is too small for this protocol's codes; expected fewer line sheets")


def _codes(column: Column, sheet: LineSheet, bottom: float) -> None:
    """Codes and meanings down to `bottom`, in more columns and smaller the more they are."""
    count = len(sheet.categories)
    across, size, code = next((a, s, c) for most, a, s, c in COLUMNS if count <= most)
    rows = -(-count // across)
    step = min(10.5, (bottom - column.y) / rows)
    if step < LEAST_STEP_MM:
        raise ProtocolError(f"the card has no room for {count} codes; expected fewer")
    width = column.width / across
    for i, category in enumerate(sheet.categories):
        x, y = column.x + (i // rows) * width, column.y + (i % rows) * step + 4.4
        column.pen.text(Text(x, y, category.code, size, code - 1, bold=True))
        column.label(x + code, y, category.label, min(size, 10), width - code - 1)
    column.y += rows * step + 1.0
