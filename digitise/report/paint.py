"""Drawings and text onto PDF pages, with an embedded font; and from a PDF page to PNG."""

from __future__ import annotations

import importlib.util
import io
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.report.drawing import Dot, Drawing, Item, Line, Shape, Words

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PLAIN, BOLD, OBLIQUE = "report", "report-bold", "report-oblique"
_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf", OBLIQUE: "DejaVuSans-Oblique.ttf"}


@cache
def fonts() -> None:
    """Make the report's typeface known to ReportLab, once: DejaVu Sans, which comes with Matplotlib."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(importlib.util.find_spec("matplotlib").origin).parent / "mpl-data" / "fonts" / "ttf"
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=OBLIQUE, boldItalic=BOLD)


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of text in points; a little more than in most screens' own typefaces."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    fonts()
    return stringWidth(text, BOLD if bold else PLAIN, size)


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Lines that fit into `width`; a word that is too long gets a line of its own."""
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and width_of(longer, size) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines


def shortened(text: str, size: float, width: float, *, bold: bool = False) -> str:
    """The text, cut with an ellipsis where it is wider than `width`."""
    if width_of(text, size, bold=bold) <= width:
        return text
    while text and width_of(text + "…", size, bold=bold) > width:
        text = text[:-1].rstrip()
    return text + "…"


def paint(canvas: Canvas, drawing: Drawing) -> None:
    """Draw with the canvas's origin at the drawing's bottom left corner."""
    fonts()
    canvas.saveState()
    for item in drawing.items:
        _paint(canvas, item, drawing.height)
    canvas.restoreState()


def _style(canvas: Canvas, fill: str | None, stroke: str | None, width: float, dash: tuple[float, ...]) -> None:
    from reportlab.lib.colors import HexColor

    if fill:
        canvas.setFillColor(HexColor(fill))
    if stroke:
        canvas.setStrokeColor(HexColor(stroke))
    canvas.setLineWidth(width)
    canvas.setDash(*([list(dash)] if dash else [[]]))


def _paint(canvas: Canvas, item: Item, height: float) -> None:
    match item:
        case Line():
            _style(canvas, None, item.color, item.width, item.dash)
            canvas.line(item.x1, height - item.y1, item.x2, height - item.y2)
        case Shape():
            _style(canvas, item.fill, item.stroke, item.line_width, item.dash)
            path = canvas.beginPath()
            path.moveTo(item.points[0][0], height - item.points[0][1])
            for x, y in item.points[1:]:
                path.lineTo(x, height - y)
            path.close()
            canvas.drawPath(path, stroke=int(bool(item.stroke)), fill=int(bool(item.fill)))
        case Dot():
            _style(canvas, item.fill, item.stroke, item.width, ())
            canvas.circle(
                item.x, height - item.y, item.radius, stroke=int(bool(item.stroke)), fill=int(bool(item.fill))
            )
        case Words():
            _words(canvas, item, height)


def _words(canvas: Canvas, item: Words, height: float) -> None:
    _style(canvas, item.color, None, 1, ())
    canvas.saveState()
    canvas.setFont(BOLD if item.bold else PLAIN, item.size)
    canvas.translate(item.x, height - item.y)
    if item.turn:
        canvas.rotate(item.turn)
    {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[item.anchor](
        0, 0, item.text
    )
    canvas.restoreState()


def png(drawing: Drawing, *, scale: float = 3.0, margin: float = 10.0) -> bytes:
    """PNG on white paper, `scale` pixels a point."""
    import pypdfium2
    from reportlab.pdfgen.canvas import Canvas

    raw = io.BytesIO()
    size = (drawing.width + 2 * margin, drawing.height + 2 * margin)
    canvas = Canvas(raw, pagesize=size, invariant=1)
    canvas.translate(margin, margin)
    paint(canvas, drawing)
    canvas.showPage()
    canvas.save()
    with pypdfium2.PdfDocument(raw.getvalue()) as document:
        image = document[0].render(scale=scale).to_pil()
        out = io.BytesIO()
        image.save(out, format="PNG")
    return out.getvalue()
