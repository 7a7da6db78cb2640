"""Each block of a report as what ReportLab sets on paper."""

from __future__ import annotations

from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.platypus import Flowable, Spacer
from reportlab.platypus import Paragraph as Para
from reportlab.platypus import Table as Grid

from digitise.report.blocks import Block, Bullets, Cards, Facts, Figure, Findings, Heading, Notice, Paragraph, Table
from digitise.report.drawing import FAINT, SEA, Drawing
from digitise.report.links import pieces
from digitise.report.paint import PLAIN, paint
from digitise.report.pdf_style import HEIGHT, STYLES, WIDTH
from digitise.report.pdf_table import marked_cell, plain, table


class _Figure(Flowable):
    """A drawing, scaled to the page where it is wider or higher."""

    def __init__(self, drawing: Drawing):
        super().__init__()
        self.drawing, self.scale = drawing, min(1.0, WIDTH / drawing.width, 0.9 * HEIGHT / drawing.height)
        self.width, self.height = drawing.width * self.scale, drawing.height * self.scale

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        self.canv.saveState()
        self.canv.scale(self.scale, self.scale)
        paint(self.canv, self.drawing)
        self.canv.restoreState()


def _marked(text: str) -> str:
    """Escaped text for a paragraph; DOIs are links."""
    return "".join(
        f'<a href="{escape(address)}" color="{SEA}">{escape(words)}</a>' if address else escape(words)
        for words, address in pieces(text)
    )


def flowables(block: Block) -> list[Flowable]:
    """One block, with the space around it."""
    match block:
        case Heading():
            aside = (
                f' <font name="{PLAIN}" size="10" color="{FAINT}">{escape(block.aside)}</font>' if block.aside else ""
            )
            return [Para(escape(block.text) + aside, STYLES[str(min(block.level, 2))])]
        case Paragraph():
            return [Para(_marked(block.text), STYLES[block.kind])]
        case Cards():
            return _cards(block)
        case Facts():
            return _facts(block)
        case Notice():
            return _framed(
                [Para(f"<b>{escape(block.word)}.</b> {escape(block.text)}", STYLES[""])],
                *(("#fdf1d8", "#d08a12") if block.kind == "open" else ("#e2f2ea", "#1f7a54")),
            )
        case Findings():
            items = [
                Para(f"<b>{escape(a)}</b>: {escape(b)}.", STYLES["bullet"], bulletText="•") for a, b in block.items
            ]
            head = Para(f"<b>{escape(block.title)}</b>", STYLES[""])
            return [Spacer(1, 8), *_framed([head, *items], "#fdf6e7", "#d08a12")]
        case Bullets():
            return [Para(_marked(text), STYLES["bullet"], bulletText="•") for text in block.items]
        case Figure():
            caption = [Para(escape(block.caption), STYLES["caption"])] if block.caption else []
            return [Spacer(1, 3), _Figure(block.wide), *caption, Spacer(1, 4)]
        case Table():
            return table(block)


def _framed(content: list[Flowable], fill: str, edge: str) -> list[Flowable]:
    """Lines on a tinted ground with a thick edge at the left; each line is a row, so that a long list may break."""
    grid = Grid([[one] for one in content], colWidths=[WIDTH], splitByRow=1)
    last = len(content) - 1
    grid.setStyle(
        [
            ("BACKGROUND", (0, 0), (-1, -1), colors.HexColor(fill)),
            ("LINEBEFORE", (0, 0), (0, -1), 3.5, colors.HexColor(edge)),
            ("LEFTPADDING", (0, 0), (-1, -1), 10),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ("TOPPADDING", (0, 0), (-1, 0), 6),
            ("BOTTOMPADDING", (0, last), (-1, last), 4),
        ]
    )
    return [grid, Spacer(1, 8)]


def _cards(block: Cards) -> list[Flowable]:
    count = max(len(block.cards), 2)
    cells = [
        [Para(escape(a), STYLES["card"]), Para(escape(b), STYLES["value"]), Para(escape(c), STYLES["card"])]
        for a, b, c in block.cards
    ]
    gap = 7.0
    wide = (WIDTH - gap * (count - 1)) / count
    row, widths = [], []
    for i, cell in enumerate(cells):
        row += ([""] if i else []) + [cell]
        widths += ([gap] if i else []) + [wide]
    grid = Grid([row], colWidths=widths, hAlign="LEFT")
    grid.setStyle(
        [("LEFTPADDING", (0, 0), (-1, -1), 9), ("TOPPADDING", (0, 0), (-1, -1), 6), ("VALIGN", (0, 0), (-1, -1), "TOP")]
    )
    for i in range(0, len(row), 2):
        grid.setStyle([("BACKGROUND", (i, 0), (i, 0), colors.HexColor("#f3f7f9"))])
    return [grid, Spacer(1, 8)]


def _facts(block: Facts) -> list[Flowable]:
    """Three facts a row; one that is long, or a command, takes a row of its own."""
    rows: list[list] = []
    spans: list[tuple] = []
    line: list = []
    for name, value in block.facts:
        cell = [Para(escape(name), STYLES["term"]), Para(marked_cell(value), STYLES["fact"])]
        if len(plain(value)) > 44 or len(name) > 60 or getattr(value, "kind", "") == "command":
            if line:
                rows.append(line + [""] * (3 - len(line)))
                line = []
            spans.append(("SPAN", (0, len(rows)), (2, len(rows))))
            rows.append([cell, "", ""])
            continue
        line.append(cell)
        if len(line) == 3:
            rows.append(line)
            line = []
    if line:
        rows.append(line + [""] * (3 - len(line)))
    grid = Grid(rows, colWidths=[WIDTH / 3] * 3)
    grid.setStyle(
        [
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            *spans,
        ]
    )
    return [grid]
