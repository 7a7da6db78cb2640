"""Figures as a few plain shapes, so that one description gives SVG, PDF and PNG alike.

Lengths are points, x to the right and y down from the top left corner. Shapes are drawn in the order they are given.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

INK, FAINT, SEA, GRID, RULE = "#1d2b33", "#52626b", "#0b5d8c", "#dfe6ea", "#9aa8b0"
BAND, BAND_EDGE, PAPER = "#fbe7c2", "#b57a12", "#ffffff"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line; `dash` is lengths on and off."""

    x1: float
    y1: float
    x2: float
    y2: float
    color: str = INK
    width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Shape:
    """A closed polygon through `points`."""

    points: tuple[tuple[float, float], ...]
    fill: str | None = None
    stroke: str | None = None
    line_width: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Dot:
    """A circle."""

    x: float
    y: float
    radius: float
    fill: str | None = SEA
    stroke: str | None = None
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text on baseline `y`; `anchor` is start, middle or end; turned anticlockwise by `turn` degrees."""

    x: float
    y: float
    text: str
    size: float = 11.0
    color: str = INK
    anchor: str = "start"
    bold: bool = False
    turn: float = 0.0


Item = Line | Shape | Dot | Words


@dataclass(frozen=True, slots=True)
class Drawing:
    """`title` is what a screen reader says; `name` is a file's stem."""

    name: str
    title: str
    width: float
    height: float
    items: tuple[Item, ...]


def box(x: float, y: float, width: float, height: float, **style) -> Shape:
    """A rectangle."""
    return Shape(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), **style)


def diamond(x: float, y: float, radius: float, **style) -> Shape:
    """A square on its corner."""
    return Shape(((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y)), **style)


def moved(item: Item, dx: float, dy: float) -> Item:
    """The same item elsewhere."""
    match item:
        case Line():
            return Line(item.x1 + dx, item.y1 + dy, item.x2 + dx, item.y2 + dy, item.color, item.width, item.dash)
        case Shape():
            points = tuple((x + dx, y + dy) for x, y in item.points)
            return Shape(points, item.fill, item.stroke, item.line_width, item.dash)
        case Dot():
            return Dot(item.x + dx, item.y + dy, item.radius, item.fill, item.stroke, item.width)
    return Words(item.x + dx, item.y + dy, item.text, item.size, item.color, item.anchor, item.bold, item.turn)


def svg(drawing: Drawing, *, alone: bool = False) -> str:
    """SVG with text as text: to stand in a page, or `alone` as a file."""
    size = f"{_n(drawing.width)} {_n(drawing.height)}"
    name = escape(drawing.title, quote=True)
    sized = f'width="{_n(drawing.width)}" height="{_n(drawing.height)}"' if alone else ""
    style = "" if alone else f' style="width:100%;max-width:{_n(1.25 * drawing.width)}px"'
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" {sized} viewBox="0 0 {size}" role="img" aria-label="{name}"{style} '
        f'font-family="{FONT}">'
    )
    back = f'<rect width="100%" height="100%" fill="{PAPER}"/>' if alone else ""
    title = f"<title>{escape(drawing.title)}</title>" if alone else ""
    prologue = '<?xml version="1.0" encoding="UTF-8"?>\n' if alone else ""
    return prologue + head + title + back + "".join(_element(i) for i in drawing.items) + "</svg>"


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _paint(fill: str | None, stroke: str | None, width: float, dash: tuple[float, ...] = ()) -> str:
    text = f' fill="{fill or "none"}"'
    if stroke:
        text += f' stroke="{stroke}" stroke-width="{_n(width)}"'
    return text + (f' stroke-dasharray="{" ".join(_n(d) for d in dash)}"' if dash else "")


def _element(item: Item) -> str:
    match item:
        case Line():
            ends = f'x1="{_n(item.x1)}" y1="{_n(item.y1)}" x2="{_n(item.x2)}" y2="{_n(item.y2)}"'
            return f"<line {ends}{_paint(None, item.color, item.width, item.dash)}/>"
        case Shape():
            points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points)
            return f'<polygon points="{points}"{_paint(item.fill, item.stroke, item.line_width, item.dash)}/>'
        case Dot():
            where = f'cx="{_n(item.x)}" cy="{_n(item.y)}" r="{_n(item.radius)}"'
            return f"<circle {where}{_paint(item.fill, item.stroke, item.width)}/>"
    turned = f' transform="rotate({_n(-item.turn)} {_n(item.x)} {_n(item.y)})"' if item.turn else ""
    anchor = f' text-anchor="{item.anchor}"' if item.anchor != "start" else ""
    weight = ' font-weight="600"' if item.bold else ""
    return (
        f'<text x="{_n(item.x)}" y="{_n(item.y)}" font-size="{_n(item.size)}" fill="{item.color}"{anchor}{weight}'
        f"{turned}>{escape(item.text)}</text>"
    )
