"""Draw in millimetres on a PDF page: texts in an embedded font, rules, symbols."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np

from digitise.sheets.layout import Rule, Text
from digitise.sheets.protocol import Protocol, ProtocolError

MM = 72 / 25.4  # points
LEADING_MM = 0.43  # from line to line, for each point of size


def font_files(protocol: Protocol) -> tuple[Path, Path]:
    """The protocol's font files, regular and bold."""
    if protocol.font is not None:
        return protocol.font, protocol.font
    spec = importlib.util.find_spec("matplotlib")
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    return folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"


class Typeface:
    """The embedded font, regular and bold; says so when a caption needs a character it lacks."""

    def __init__(self, protocol: Protocol):
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFError, TTFont

        self._metrics = pdfmetrics
        self._fonts = {}
        for bold, path in zip((False, True), font_files(protocol), strict=True):
            name = f"{path.stem}-{'b' if bold else 'r'}"
            try:
                font = TTFont(name, str(path))
            except (TTFError, OSError) as error:
                raise ProtocolError(f"font {path}: not a TrueType font that can be embedded ({error})") from None
            pdfmetrics.registerFont(font)
            self._fonts[bold] = font

    def name(self, bold: bool) -> str:
        """The face's name in a PDF."""
        return self._fonts[bold].fontName

    def width_mm(self, text: str, bold: bool, size_pt: float) -> float:
        """How wide a text is."""
        return self._metrics.stringWidth(text, self.name(bold), size_pt) / MM

    def check(self, text: str, bold: bool) -> None:
        """Refuse, with a `ProtocolError`, a text with characters that the font lacks."""
        known = self._fonts[bold].face.charToGlyph
        lacking = sorted({c for c in text if ord(c) not in known and not c.isspace()})
        if lacking:
            raise ProtocolError(
                f"the font has no {' '.join(lacking)} (in '{text}'); name one that has in the protocol, "
                "with 'font: FILE.ttf'"
            )

    def wrap(self, item: Text) -> tuple[float, list[str]]:
        """Size in points and lines that fit the item's width, the size reduced as far as 60 %.

        `ProtocolError` where even that is too wide.
        """
        self.check(item.text, item.bold)
        for step in range(9):
            size = item.size_pt * (1 - 0.05 * step)
            lines = self.broken(item.text, item.bold, size, item.width_mm)
            if len(lines) <= item.lines and all(
                self.width_mm(t, item.bold, size) <= item.width_mm + 0.1 for t in lines
            ):
                return size, lines
        raise ProtocolError(f"'{item.text}' does not fit in {item.lines} line(s) of {item.width_mm:.0f} mm; shorten it")

    def broken(self, text: str, bold: bool, size: float, width: float) -> list[str]:
        """The text in lines of at most `width` mm, broken at spaces; a single long word may be wider."""
        lines = [""]
        for word in text.split(" "):
            longer = f"{lines[-1]} {word}".strip()
            if not lines[-1] or self.width_mm(longer, bold, size) <= width:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines


class Pen:
    """Draws in page millimetres, y down, on a reportlab canvas."""

    def __init__(self, canvas, page_size_mm: tuple[float, float], face: Typeface):
        self.canvas, self.height, self.face = canvas, page_size_mm[1], face

    def fill_rect(self, x: float, y: float, w: float, h: float) -> None:
        """A black rectangle."""
        self.canvas.rect(x * MM, (self.height - y - h) * MM, w * MM, h * MM, stroke=0, fill=1)

    def dot(self, x: float, y: float, radius_mm: float) -> None:
        """A black disc round (x, y)."""
        self.canvas.circle(x * MM, (self.height - y) * MM, radius_mm * MM, stroke=0, fill=1)

    def text(self, item: Text) -> float:
        """A text, wrapped and made smaller as far as needed; returns the y of its last baseline."""
        size, lines = self.face.wrap(item)
        self.canvas.setFont(self.face.name(item.bold), size)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "centre": self.canvas.drawCentredString,
        }[item.align]
        for i, line in enumerate(lines):
            draw(item.x * MM, (self.height - item.y - i * size * LEADING_MM) * MM, line)
        return item.y + (len(lines) - 1) * size * LEADING_MM

    def rule(self, r: Rule) -> None:
        """A straight line."""
        half = r.width_mm / 2
        self.fill_rect(
            min(r.x0, r.x1) - half, min(r.y0, r.y1) - half, abs(r.x1 - r.x0) + r.width_mm, abs(r.y1 - r.y0) + r.width_mm
        )

    def modules(self, black: np.ndarray, x: float, y: float, side_mm: float) -> None:
        """A square symbol, each run of black modules one rectangle, so that no hairline shows between them."""
        step = side_mm / len(black)
        for row, line in enumerate(black):
            edges = np.flatnonzero(np.diff(np.concatenate(([0], line.astype(np.int8), [0]))))
            for start, end in zip(edges[::2], edges[1::2], strict=True):
                self.fill_rect(x + start * step, y + row * step, (end - start) * step, step + 0.01)


class DryPen(Pen):
    """Measures without drawing: the same returns, nothing on the page."""

    def __init__(self, page_size_mm: tuple[float, float], face: Typeface):
        super().__init__(None, page_size_mm, face)

    def fill_rect(self, x: float, y: float, w: float, h: float) -> None:
        """Nothing."""

    def text(self, item: Text) -> float:
        """The y of the last baseline."""
        size, lines = self.face.wrap(item)
        return item.y + (len(lines) - 1) * size * LEADING_MM
