"""Measures of the page and styles of its text, for the report on paper."""

from __future__ import annotations

from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm

from digitise.report.drawing import FAINT, INK
from digitise.report.paint import BOLD, PLAIN

LEFT = RIGHT = 17 * mm
TOP, BOTTOM = 20 * mm, 20 * mm
WIDTH = A4[0] - LEFT - RIGHT
HEIGHT = A4[1] - TOP - BOTTOM


def style(name: str, size: float, **more) -> ParagraphStyle:
    """A style of so many points, in the report's typeface and ink."""
    base = {"fontName": PLAIN, "fontSize": size, "leading": 1.42 * size, "textColor": colors.HexColor(INK)}
    return ParagraphStyle(name, **(base | more))


STYLES = {
    "": style("body", 8.8, spaceAfter=5),
    "lead": style("lead", 9.6, spaceAfter=7),
    "small": style("small", 7.6, textColor=colors.HexColor(FAINT), spaceAfter=4),
    "caption": style("caption", 7.4, textColor=colors.HexColor(FAINT), spaceBefore=7, spaceAfter=3),
    "bullet": style("bullet", 8.4, leftIndent=10, bulletIndent=0, spaceAfter=3),
    "title": style("title", 21, fontName=BOLD, leading=26, spaceAfter=2),
    "subtitle": style("subtitle", 11, textColor=colors.HexColor(FAINT), spaceAfter=9),
    "1": style("h1", 15, fontName=BOLD, leading=19, spaceBefore=12, spaceAfter=6),
    "2": style("h2", 10.6, fontName=BOLD, leading=14, spaceBefore=13, spaceAfter=4),
    "cell": style("cell", 7.6, leading=9.6),
    "number": style("number", 7.6, leading=9.6, alignment=TA_RIGHT),
    "head": style("head", 7, leading=8.6, fontName=BOLD, textColor=colors.HexColor(FAINT)),
    "headnumber": style(
        "headnumber", 7, leading=8.6, fontName=BOLD, textColor=colors.HexColor(FAINT), alignment=TA_RIGHT
    ),
    "term": style("term", 7, leading=9, textColor=colors.HexColor(FAINT)),
    "fact": style("fact", 8.4, leading=11),
    "card": style("card", 7.4, leading=9.6, textColor=colors.HexColor(FAINT)),
    "value": style("value", 17, leading=21, fontName=BOLD),
}
