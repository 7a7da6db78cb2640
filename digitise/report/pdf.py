"""A report on A4: an embedded typeface, vector figures, bookmarks, and on every page what it is and how far it goes."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Spacer,
)
from reportlab.platypus import Paragraph as Para
from reportlab.platypus import Table as Grid

from digitise.report.blocks import (
    Block,
    Bullets,
    Cards,
    Cell,
    Facts,
    Figure,
    Findings,
    Heading,
    Notice,
    Paragraph,
    Report,
    Table,
)
from digitise.report.drawing import FAINT, GRID, INK, RULE, SEA, Drawing
from digitise.report.paint import BOLD, OBLIQUE, PLAIN, fonts, paint, shortened, width_of

LEFT = RIGHT = 17 * mm
TOP, BOTTOM = 20 * mm, 20 * mm
WIDTH = A4[0] - LEFT - RIGHT
HEIGHT = A4[1] - TOP - BOTTOM
MOST_KEPT = 28  # rows of a table that is not broken over two pages
_DOI = re.compile(r"doi:(10\.[0-9]{4,9}/[^\s,;)]+[^\s,;).])")


def _style(name: str, size: float, **more) -> ParagraphStyle:
    base = {"fontName": PLAIN, "fontSize": size, "leading": 1.42 * size, "textColor": colors.HexColor(INK)}
    return ParagraphStyle(name, **(base | more))


STYLES = {
    "": _style("body", 8.8, spaceAfter=5),
    "lead": _style("lead", 9.6, spaceAfter=7),
    "small": _style("small", 7.6, textColor=colors.HexColor(FAINT), spaceAfter=4),
    "caption": _style("caption", 7.4, textColor=colors.HexColor(FAINT), spaceBefore=7, spaceAfter=3),
    "bullet": _style("bullet", 8.4, leftIndent=10, bulletIndent=0, spaceAfter=3),
    "title": _style("title", 21, fontName=BOLD, leading=26, spaceAfter=2),
    "subtitle": _style("subtitle", 11, textColor=colors.HexColor(FAINT), spaceAfter=9),
    "1": _style("h1", 15, fontName=BOLD, leading=19, spaceBefore=12, spaceAfter=6),
    "2": _style("h2", 10.6, fontName=BOLD, leading=14, spaceBefore=13, spaceAfter=4),
    "cell": _style("cell", 7.6, leading=9.6),
    "number": _style("number", 7.6, leading=9.6, alignment=TA_RIGHT),
    "head": _style("head", 7, leading=8.6, fontName=BOLD, textColor=colors.HexColor(FAINT)),
    "headnumber": _style(
        "headnumber", 7, leading=8.6, fontName=BOLD, textColor=colors.HexColor(FAINT), alignment=TA_RIGHT
    ),
    "term": _style("term", 7, leading=9, textColor=colors.HexColor(FAINT)),
    "fact": _style("fact", 8.4, leading=11),
    "card": _style("card", 7.4, leading=9.6, textColor=colors.HexColor(FAINT)),
    "value": _style("value", 17, leading=21, fontName=BOLD),
}


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


class _Mark(Flowable):
    """An entry in the outline, at the place where it stands."""

    def __init__(self, key: str, text: str, level: int):
        super().__init__()
        self.key, self.text, self.level = key, text, level

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        return 0, 0

    def draw(self) -> None:
        self.canv.bookmarkHorizontal(self.key, 0, 20)
        self.canv.addOutlineEntry(self.text, self.key, self.level, closed=False)


def pdf_bytes(report: Report) -> bytes:
    """The report as a PDF; the same report gives the same bytes."""
    fonts()
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=A4,
        title=f"{report.title} {report.subtitle}".strip(),
        author=report.programme,
        subject=f"{report.notice.word}. {report.notice.text}",
        creator=report.made,
        lang="en-GB",
        invariant=1,
        displayDocTitle=True,
    )
    frame = Frame(LEFT, BOTTOM, WIDTH, HEIGHT, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate("all", [frame]))
    document.build(_story(report), canvasmaker=lambda *a, **k: _Pages(report, *a, **k))
    return out.getvalue()


class _Pages(Canvas):
    """Holds pages back until their number is known, then puts head and foot on each."""

    def __init__(self, report: Report, *arguments, **options):
        super().__init__(*arguments, **options)
        self._report, self._held = report, []

    def showPage(self) -> None:  # noqa: N802 - ReportLab's name
        self._held.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for state in self._held:
            self.__dict__.update(state)
            self._furniture(len(self._held))
            super().showPage()
        super().save()

    def _furniture(self, total: int) -> None:
        report, number = self._report, self.getPageNumber()
        self.saveState()
        self.setFillColor(colors.HexColor(FAINT))
        self.setStrokeColor(colors.HexColor(GRID))
        self.setFont(PLAIN, 6.8)
        self.setLineWidth(0.7)
        self.line(LEFT, 14.5 * mm, A4[0] - RIGHT, 14.5 * mm)
        self._ends(10.5 * mm, report.footer, f"page {number} of {total}")
        if number > 1:
            head = f"{report.programme} · {report.title} {report.subtitle}".strip()
            self._ends(A4[1] - 12 * mm, head, report.notice.word)
        else:
            self.setFillColor(colors.HexColor("#0b3c55"))
            self.rect(0, A4[1] - 6 * mm, A4[0], 6 * mm, stroke=0, fill=1)
        self.restoreState()

    def _ends(self, y: float, left: str, right: str) -> None:
        self.drawRightString(A4[0] - RIGHT, y, right)
        self.drawString(LEFT, y, shortened(left, 6.8, WIDTH - width_of(right, 6.8) - 12))


def _story(report: Report) -> list[Flowable]:
    story: list[Flowable] = [
        Para(escape(report.programme), _style("programme", 9, textColor=colors.HexColor(FAINT), spaceAfter=1)),
        Para(escape(report.title), STYLES["title"]),
    ]
    if report.subtitle:
        story.append(Para(escape(report.subtitle), STYLES["subtitle"]))
    story += [Spacer(1, 3), *_block(report.notice)]
    for number, part in enumerate(report.parts):
        if part.new_page and number:
            story.append(PageBreak())
        story += _kept(part.blocks, part.anchor)
    return story


def _kept(blocks: Sequence[Block], anchor: str) -> list[Flowable]:
    """The blocks; a heading and the words under it stay with the figure, table or text that follows."""
    out: list[Flowable] = []
    held: list[Flowable] = []
    for i, block in enumerate(blocks):
        made = _block(block)
        follows = blocks[i + 1] if i + 1 < len(blocks) else None
        if isinstance(block, Heading):
            held += [_Mark(block.anchor or f"{anchor}-{i}", block.text, block.level - 1), *made]
        elif isinstance(block, Paragraph) and isinstance(follows, (Figure, Bullets, Heading)):
            held += made
        elif isinstance(block, Table) and len(block.rows) > MOST_KEPT:
            out += [CondPageBreak(60 * mm), *held, *made]
            held = []
        elif isinstance(block, (Figure, Table)) or held:
            out += _together([*held, *made])
            held = []
        else:
            out += made
    return [*out, *held]


def _together(content: list[Flowable]) -> list[Flowable]:
    """The content, after a new page where it would not fit on this one but would on the next."""
    need = sum(f.wrap(WIDTH, 1e6)[1] + f.getSpaceBefore() + f.getSpaceAfter() for f in content)
    return [CondPageBreak(need), *content] if need < HEIGHT else content


def _marked(text: str) -> str:
    """Escaped text for a paragraph; DOIs are links."""
    return _DOI.sub(rf'<a href="https://doi.org/\1" color="{SEA}">doi:\1</a>', escape(text))


def _block(block: Block) -> list[Flowable]:
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
            return _table(block)


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
    """Three facts a row; one that is long takes a row of its own."""
    rows: list[list] = []
    spans: list[tuple] = []
    line: list = []
    for name, value in block.facts:
        cell = [Para(escape(name), STYLES["term"]), Para(_cell(value), STYLES["fact"])]
        if len(_plain(value)) > 44 or len(name) > 60:
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


def _plain(cell: Cell) -> str:
    return cell if isinstance(cell, str) else cell.text


def _cell(cell: Cell) -> str:
    if isinstance(cell, str):
        return escape(cell)
    text = escape(cell.text)
    return {
        "not": f'<font name="{OBLIQUE}" color="#7a4a00">{text}</font>',
        "strong": f"<b>{text}</b>",
        "code": f'<font size="6.6">{text}</font>',
    }.get(cell.kind, text)


def _table(block: Table) -> list[Flowable]:
    """A caption above, a heading that repeats on every page, rules instead of boxes."""
    head = [Para(escape(h), STYLES["head" if i in block.words else "headnumber"]) for i, h in enumerate(block.head)]
    body = []
    for kind, cells in block.rows:
        bold = ("<b>", "</b>") if kind == "group" else ("", "")
        body.append(
            [
                Para(f"{bold[0]}{_cell(c)}{bold[1]}", STYLES["cell" if i in block.words else "number"])
                for i, c in enumerate(cells)
            ]
        )
    grid = Grid([head, *body], colWidths=_widths(block), repeatRows=1, hAlign="LEFT")
    grid.setStyle(
        [
            ("LEFTPADDING", (0, 0), (-1, -1), 3),
            ("LEFTPADDING", (0, 0), (0, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 2.1),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.9, colors.HexColor(RULE)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, colors.HexColor(GRID)),
        ]
    )
    caption = [Para(escape(block.caption), STYLES["caption"])] if block.caption else []
    return [*caption, grid, Spacer(1, 5)]


def _widths(block: Table) -> list[float]:
    """Columns as wide as their longest word or number needs, the rest shared out among what is longer."""
    columns = len(block.head)
    texts = [[_plain(cells[i]) for _, cells in block.rows] for i in range(columns)]
    least, wish = [], []
    for i in range(columns):
        words = [w for text in (*texts[i],) for w in text.split()] or [""]
        heads = block.head[i].split() or [""]
        least.append(7 + max(*(width_of(w, 7.9) for w in words), *(width_of(w, 7.2, bold=True) for w in heads)))
        wish.append(max(least[i], 7 + max((width_of(t, 7.9) for t in texts[i]), default=0)))
    if sum(wish) <= WIDTH:
        spare = (WIDTH - sum(wish)) / columns if columns > 3 else 0
        return [w + spare for w in wish]
    if sum(least) >= WIDTH:
        return [w * WIDTH / sum(least) for w in least]
    share = (WIDTH - sum(least)) / (sum(wish) - sum(least))
    return [a + (b - a) * share for a, b in zip(least, wish, strict=True)]
