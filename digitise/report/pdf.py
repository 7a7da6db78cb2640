"""A report on A4: an embedded typeface, vector figures, bookmarks, and on every page what it is and how far it goes."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, CondPageBreak, Flowable, Frame, PageBreak, PageTemplate, Spacer
from reportlab.platypus import Paragraph as Para

from digitise.report.blocks import Block, Bullets, Figure, Heading, Paragraph, Part, Report, Table
from digitise.report.drawing import FAINT, GRID, INK
from digitise.report.paint import PLAIN, fonts, shortened, width_of
from digitise.report.pdf_blocks import flowables
from digitise.report.pdf_style import BOTTOM, HEIGHT, LEFT, RIGHT, STYLES, WIDTH, style
from digitise.spool import Spool

NEAR = 50  # things that are made ahead of the page they stand on
MOST_UNLISTED = 6  # parts of a report without a list of contents on paper
MOST_LISTED = 90  # parts in a list that is not broken over two pages
BEGINS = 35 * mm  # of a table or list that is longer than a page: its caption, heading and first rows
MOST_KEPT = 28  # rows of a table that is not broken over two pages


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
        self.canv.begins[self.key] = self.canv.getPageNumber()


class _Contents(Flowable):
    """Names of parts in two columns; their pages are put beside them once they are known. `entries` are (key, name)."""

    ROW, SIZE, GAP = 13.0, 8.2, 18.0

    def __init__(self, entries: Sequence[tuple[str, str]]):
        super().__init__()
        self.entries, self.rows = entries, -(-len(entries) // 2)

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        return WIDTH, self.ROW * self.rows + 8

    def draw(self) -> None:
        wide = (WIDTH - self.GAP) / 2
        self.canv.setStrokeColor(colors.HexColor(GRID))
        self.canv.setLineWidth(0.5)
        for i, (key, name) in enumerate(self.entries):
            x, y = (i // self.rows) * (wide + self.GAP), self.ROW * (self.rows - i % self.rows) - 3
            self.canv.setFont(PLAIN, self.SIZE)
            self.canv.drawString(x, y, shortened(name, self.SIZE, wide - 24))
            self.canv.line(x, y - 3.6, x + wide, y - 3.6)
            self.canv.linkRect("", key, (x, y - 3, x + wide, y + self.ROW - 4), relative=1, Border="[0 0 0]")
            right, height = self.canv.absolutePosition(x + wide, y)
            self.canv.awaited.append((self.canv.getPageNumber(), right, height, key))


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
    document.build(_Story(_story(report)), canvasmaker=lambda *a, **k: _Pages(report, *a, **k))
    return out.getvalue()


class _Pages(Canvas):
    """Holds pages back until their number is known, then puts head and foot on each."""

    def __init__(self, report: Report, *arguments, **options):
        super().__init__(*arguments, **options)
        self._report, self._held = report, []
        self._drawn = Spool()  # what is on each page
        self.begins: dict[str, int] = {}  # page by key of a heading
        self.awaited: list[tuple[int, float, float, str]] = []  # page, x, y and whose page stands there

    def showPage(self) -> None:  # noqa: N802 - ReportLab's name
        self._drawn.put_object(len(self._held), self._code)
        self._held.append({name: value for name, value in self.__dict__.items() if name != "_code"})
        self._startPage()

    def save(self) -> None:
        for i, state in enumerate(self._held):
            self.__dict__.update(state | {"_code": self._drawn.get_object(i)})
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
        self.setFillColor(colors.HexColor(INK))
        self.setFont(PLAIN, _Contents.SIZE)
        for page, x, y, key in self.awaited:
            if page == number:
                self.drawRightString(x, y, str(self.begins[key]))
        self.restoreState()

    def _ends(self, y: float, left: str, right: str) -> None:
        self.drawRightString(A4[0] - RIGHT, y, right)
        self.drawString(LEFT, y, shortened(left, 6.8, WIDTH - width_of(right, 6.8) - 12))


class _Story(list):
    """What goes on pages: ReportLab takes it from the front, and it is made when its turn is near."""

    def __init__(self, pieces: Iterator[list[Flowable]]):
        super().__init__()
        self._pieces = pieces

    def __len__(self) -> int:
        while super().__len__() < NEAR and (more := next(self._pieces, None)) is not None:
            self.extend(more)
        return super().__len__()


def _story(report: Report) -> Iterator[list[Flowable]]:
    """Head and contents, then part by part."""
    story: list[Flowable] = [
        Para(escape(report.programme), style("programme", 9, textColor=colors.HexColor(FAINT), spaceAfter=1)),
        Para(escape(report.title), STYLES["title"]),
    ]
    if report.subtitle:
        story.append(Para(escape(report.subtitle), STYLES["subtitle"]))
    story += [Spacer(1, 3), *flowables(report.notice)]
    if len(report.contents) > MOST_UNLISTED:
        names = dict(report.contents)
        entries = [(_first_key(p), names[p.anchor]) for p in report.parts]
        story += [Spacer(1, 4), *(_Contents(entries[i : i + MOST_LISTED]) for i in range(0, len(entries), MOST_LISTED))]
    yield story
    for number, part in enumerate(report.parts):
        begins = [PageBreak()] if part.new_page and number else []
        yield [*begins, *_kept(part.blocks, part.anchor)]


def _first_key(part: Part) -> str:
    """The key of a part's first heading, with which it begins."""
    return next(_key(b, part.anchor, i) for i, b in enumerate(part.blocks) if isinstance(b, Heading))


def _key(heading: Heading, anchor: str, place: int) -> str:
    return heading.anchor or f"{anchor}-{place}"


def _kept(blocks: Sequence[Block], anchor: str) -> list[Flowable]:
    """The blocks; a heading and the words under it stay with the figure, table or text that follows."""
    out: list[Flowable] = []
    held: list[Flowable] = []
    for i, block in enumerate(blocks):
        made = flowables(block)
        follows = blocks[i + 1] if i + 1 < len(blocks) else None
        if isinstance(block, Heading):
            held += [_Mark(_key(block, anchor, i), block.text, block.level - 1), *made]
        elif isinstance(block, Paragraph) and _leads(follows, under_heading=bool(held)):
            held += made
        elif isinstance(block, Bullets):
            out += [*_together(held, made[:2]), *made[2:]]
            held = []
        elif isinstance(block, Table) and (block.folded or len(block.rows) > MOST_KEPT):
            out += [CondPageBreak(_height(held) + BEGINS), *held, *made]
            held = []
        elif isinstance(block, (Figure, Table)) or held:
            out += _together(held, made)
            held = []
        else:
            out += made
    return [*out, *held]


def _leads(follows: Block | None, *, under_heading: bool) -> bool:
    """Whether a paragraph stays with what follows: a figure or list; under a heading also a table or heading."""
    return isinstance(follows, (Figure, Bullets)) or (under_heading and isinstance(follows, (Heading, Table)))


def _together(held: list[Flowable], made: list[Flowable]) -> list[Flowable]:
    """Both, after a new page where they would not fit on this one but would on the next.

    Of what is longer than a page the beginning has to fit.
    """
    need = _height([*held, *made])
    return [CondPageBreak(need if need < HEIGHT else _height(held) + BEGINS), *held, *made]


def _height(content: Sequence[Flowable]) -> float:
    return sum(f.wrap(WIDTH, 1e6)[1] + f.getSpaceBefore() + f.getSpaceAfter() for f in content)
