"""Set texts one below the other in a column of a page, in millimetres."""

from __future__ import annotations

from dataclasses import replace

from digitise.sheets.drawing import LEADING_MM, Pen
from digitise.sheets.layout import Rule, Text
from digitise.sheets.protocol import Protocol, ProtocolError
from digitise.surveys.plan import SitePlan, SurveyPlan

MARGIN_MM = 14.0
BOX_MM = 3.4
FINE_MM = 0.18


def page_head(pen: Pen, full: float, what: str, protocol: Protocol, site: SitePlan, survey: SurveyPlan) -> float:
    """Site, date and pack over `what` the page is, `full` mm wide; returns the y below."""
    name, room = f"{site.name} ({site.code})", full * 0.7
    try:
        pen.text(Text(MARGIN_MM, 18, name, 18, room, bold=True))
    except ProtocolError:  # too long for one line, however small
        pen.text(Text(MARGIN_MM, 14, name, 11, room, lines=2, bold=True))
    right = MARGIN_MM + full
    if survey.date:
        pen.text(Text(right, 14.5, survey.date.isoformat(), 12, full * 0.28, bold=True, align="right"))
    pen.text(Text(right, 19.5, f"{protocol.caption('pack')} {survey.pack}", 10, full * 0.28, align="right"))
    pen.text(Text(MARGIN_MM, 23.5, f"{what} · {protocol.title} · {protocol.programme}", 9, full))
    pen.rule(Rule(MARGIN_MM, 26.0, right, 26.0, 0.5))
    return 26.0


class Column:
    """A column of a page. `y` is where the next thing begins; it grows downwards."""

    def __init__(self, pen: Pen, x: float, y: float, width: float):
        self.pen, self.x, self.y, self.width = pen, x, y, width

    def heading(self, text: str) -> None:
        """A bold line over a fine rule."""
        self.pen.text(Text(self.x, self.y + 4.2, text, 10.5, self.width, bold=True))
        self.rule(self.y + 5.8)
        self.y += 7.6

    def rule(self, y: float, width_mm: float = FINE_MM) -> None:
        """A fine line across the column."""
        self.pen.rule(Rule(self.x, y, self.x + self.width, y, width_mm))

    def lines(self, text: str, size: float, *, bold: bool = False, indent: float = 0.0) -> int:
        """How many lines a text takes."""
        return len(self.pen.face.broken(text, bold, size, self.width - indent))

    def words(self, text: str, size: float = 9.0, *, bold: bool = False, indent: float = 0.0, gap: float = 1.4) -> None:
        """A paragraph, as many lines as it needs; `gap` is the space below."""
        count = self.lines(text, size, bold=bold, indent=indent)
        first = self.y + 0.36 * size
        last = self.pen.text(Text(self.x + indent, first, text, size, self.width - indent, lines=count, bold=bold))
        self.y = last + 0.1 * size + gap

    def label(self, x: float, y: float, text: str, size: float, width: float) -> None:
        """A short text with its last line at `y`: in one line if it fits, else in two small ones."""
        try:
            self.pen.text(Text(x, y, text, size, width))
        except ProtocolError:
            small = Text(x, y, text, 0.6 * size, width, lines=2)
            self.pen.text(replace(small, y=y - self.pen.face.wrap(small)[0] * LEADING_MM))

    def numbered(self, mark: str, text: str, size: float = 9.0, *, indent: float = 0.0) -> None:
        """A paragraph behind a number or bullet."""
        self.pen.text(Text(self.x + indent, self.y + 0.36 * size, mark, size, 8, bold=True))
        self.words(text, size, indent=indent + 5.5)

    def tick(self, text: str, size: float = 9.0) -> None:
        """A box to tick, and what for."""
        self.frame(self.x, self.y, BOX_MM, BOX_MM)
        top = self.y
        self.words(text, size, indent=BOX_MM + 2.0, gap=1.6)
        self.y = max(self.y, top + BOX_MM + 1.6)

    def to_fill(self, label: str, size: float = 8.5) -> None:
        """A label and a line to write on."""
        self.pen.text(Text(self.x, self.y + 4.8, label, size, self.width * 0.55))
        start = self.x + min(self.width * 0.55, self.pen.face.width_mm(label, False, size)) + 2.0
        self.pen.rule(Rule(start, self.y + 5.4, self.x + self.width, self.y + 5.4, FINE_MM))
        self.y += 7.4

    def frame(self, x: float, y: float, w: float, h: float) -> None:
        """An empty rectangle."""
        for rule in (
            Rule(x, y, x + w, y, FINE_MM),
            Rule(x, y + h, x + w, y + h, FINE_MM),
            Rule(x, y, x, y + h, FINE_MM),
            Rule(x + w, y, x + w, y + h, FINE_MM),
        ):
            self.pen.rule(rule)
