"""Tables of the report on paper: rules instead of boxes, a heading on every page, columns as wide as their words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.platypus import Flowable, Spacer
from reportlab.platypus import Paragraph as Para
from reportlab.platypus import Table as Grid

from digitise.report.blocks import Cell, Table, heads_rows
from digitise.report.drawing import GRID, RULE
from digitise.report.paint import OBLIQUE, width_of
from digitise.report.pdf_style import STYLES, WIDTH

AHEAD = 80  # rows of a table that are laid out at once: more than a page has
SHORT = 16  # a column's heading up to so many letters is not broken where there is room


def plain(cell: Cell) -> str:
    """A cell's words."""
    return cell if isinstance(cell, str) else cell.text


def marked_cell(cell: Cell) -> str:
    """A cell's words escaped for a paragraph, in the way of their kind."""
    if isinstance(cell, str):
        return escape(cell)
    text = escape(cell.text)
    return {
        "not": f'<font name="{OBLIQUE}" color="#7a4a00">{text}</font>',
        "strong": f"<b>{text}</b>",
        "code": f'<font size="6.6">{text}</font>',
    }.get(cell.kind, text)


def table(block: Table) -> list[Flowable]:
    """A caption above, a heading that repeats on every page, rules instead of boxes."""
    caption = [Para(escape(block.caption), STYLES["caption"])] if block.caption else []
    return [*caption, _laid_out(block, _widths(block)), Spacer(1, 5)]


def _laid_out(block: Table, widths: Sequence[float], *, goes_on: bool = False) -> Flowable:
    make = _LongTable if len(block.rows) > AHEAD else _grid
    return make(block, widths, goes_on=goes_on)


class _LongTable(Flowable):
    """A table longer than a page: ReportLab is given more rows than fit on it, the others when it comes to them."""

    def __init__(self, block: Table, widths: Sequence[float], *, goes_on: bool):
        super().__init__()
        self._block, self._widths = block, widths
        self._begins = _grid(replace(block, rows=block.rows[:AHEAD]), widths, goes_on=goes_on)

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        return self._begins.wrap(width, height)

    def split(self, width: float, height: float) -> list[Flowable]:
        fits = self._begins.split(width, height)[:1]
        drawn = sum(len(grid._cellvalues) - 1 for grid in fits)  # the heading is none of them
        rest = replace(self._block, rows=self._block.rows[drawn:])
        return [*fits, _laid_out(rest, self._widths, goes_on=True)] if fits else []


def _grid(block: Table, widths: Sequence[float], *, goes_on: bool) -> Grid:
    """The table; a heading among its rows stays with the next of them.

    One that goes on from the page before has ReportLab's thin line under its heading too.
    """
    head = [Para(escape(h), STYLES["head" if i in block.words else "headnumber"]) for i, h in enumerate(block.head)]
    body = []
    for kind, cells in block.rows:
        bold = ("<b>", "</b>") if kind == "group" else ("", "")
        body.append(
            [
                Para(f"{bold[0]}{marked_cell(c)}{bold[1]}", STYLES["cell" if i in block.words else "number"])
                for i, c in enumerate(cells)
            ]
        )
    heads = [i for i, (_, cells) in enumerate(block.rows, start=1) if heads_rows(cells)]
    grid = Grid([head, *body], colWidths=widths, repeatRows=1, hAlign="LEFT")
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
            *([("LINEABOVE", (0, 1), (-1, 1), 0.4, colors.HexColor(GRID))] if goes_on else ()),
            ("LINEBELOW", (0, 1), (-1, -1), 0.4, colors.HexColor(GRID)),
            *(("SPAN", (0, i), (-1, i)) for i in heads),
            *(("NOSPLIT", (0, i), (-1, i + 1)) for i in heads if i < len(body)),
        ]
    )
    return grid


def _shortest(cell: Cell) -> str:
    """What a cell's column has to have room for: of a digest, which is small and may be broken, less than half."""
    text = plain(cell)
    return text[: 3 * len(text) // 7] if not isinstance(cell, str) and cell.kind == "code" else text


def _narrowed(least: Sequence[float]) -> list[float]:
    """The widest columns give way until all fit; a long name breaks, and dates and numbers beside it do not."""
    room, most = WIDTH, 0.0
    for n, width in zip(range(len(least), 0, -1), sorted(least), strict=True):
        most = room / n
        if width >= most:
            break
        room -= width
    return [min(width, most) for width in least]


def _widths(block: Table) -> list[float]:
    """Columns as wide as their longest word or number needs, the rest shared out among what is longer."""
    rows = [(kind == "group", cells) for kind, cells in block.rows if not heads_rows(cells)]
    columns = [[(_shortest(cells[i]), bold) for bold, cells in rows] for i in range(len(block.head))]
    least, wish = zip(*map(_needed, block.head, columns), strict=True)
    heads = [7 + width_of(h, 7.2, bold=True) if len(h) <= SHORT else 0 for h in block.head]
    roomy = [max(w, h) for w, h in zip(wish, heads, strict=True)]
    wish = roomy if sum(roomy) <= WIDTH else wish
    if sum(wish) <= WIDTH:
        spare = (WIDTH - sum(wish)) / len(wish) if len(wish) > 3 else 0
        return [w + spare for w in wish]
    if sum(least) >= WIDTH:
        return _narrowed(least)
    share = (WIDTH - sum(least)) / (sum(wish) - sum(least))
    return [a + (b - a) * share for a, b in zip(least, wish, strict=True)]


def _needed(head: str, texts: Sequence[tuple[str, bool]]) -> tuple[float, float]:
    """(the width that breaks no word of a column, the width that breaks none of its `texts`, some of them bold)."""
    words = [width_of(word, 7.9, bold=bold) for text, bold in texts for word in text.split()]
    heads = [width_of(word, 7.2, bold=True) for word in head.split()]
    least = 7 + max((*words, *heads), default=0.0)
    return least, max(least, 7 + max((width_of(text, 7.9, bold=bold) for text, bold in texts), default=0.0))
