"""Layouts become true-size vector PDFs, one page each, with their identity printed on them."""

from __future__ import annotations

import importlib.util
import json
import re
import secrets
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np

from digitise.compose import build_layouts
from digitise.layout import Layout, Text
from digitise.protocol import Protocol, ProtocolError

MARK_DICTIONARY = cv2.aruco.DICT_6X6_1000
PACK_ALPHABET = "ABCDEFGHJKLMNPQRTUVWXY346789"  # no 0/O, 1/I, 2/Z, 5/S
PACK_LENGTH = 6
_MM = 72 / 25.4


@dataclass(frozen=True, slots=True)
class Identity:
    """What the QR code on a page says: which page, which pack, which transect (0 = the whole survey)."""

    protocol: str
    version: str
    sheet: str
    page: int
    paper: str
    digest: str
    pack: str
    transect: int

    def encode(self) -> str:
        """Text for the symbol, in the QR alphanumeric set (ISO/IEC 18004)."""
        parts = [
            "RS1",
            self.protocol,
            self.version,
            self.sheet,
            self.page,
            self.paper,
            self.digest[:4],
            self.pack,
            self.transect,
        ]
        return "/".join(str(p) for p in parts).upper()


def parse_identity(text: str) -> Identity | None:
    """The identity in a symbol's text; None when the text is not one of ours."""
    parts = text.split("/")
    if len(parts) != 9 or parts[0] != "RS1" or not re.fullmatch(r"\d{1,3}/\d{1,3}", f"{parts[4]}/{parts[8]}"):
        return None
    if not re.fullmatch(f"[{PACK_ALPHABET}]{{{PACK_LENGTH}}}", parts[7]):
        return None
    paper = "A4" if parts[5] == "A4" else parts[5].lower()
    return Identity(
        parts[1].lower(),
        parts[2].lower(),
        parts[3].lower(),
        int(parts[4]),
        paper,
        parts[6].lower(),
        parts[7],
        int(parts[8]),
    )


def identity_for(layout: Layout, pack: str, transect: int) -> Identity:
    """The identity printed on a page of `layout`."""
    return Identity(
        layout.protocol, layout.protocol_version, layout.sheet, layout.page, layout.paper, layout.digest, pack, transect
    )


def new_pack(draw=secrets.choice) -> str:
    """A pack identity no other printing is likely to have (28^6, about 480 million)."""
    return "".join(draw(PACK_ALPHABET) for _ in range(PACK_LENGTH))


def mark_modules(mark_id: int) -> np.ndarray:
    """The 8 x 8 modules of a corner mark, True where black."""
    dictionary = cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY)
    return cv2.aruco.generateImageMarker(dictionary, mark_id, 8) < 128


def _font_files(protocol: Protocol) -> tuple[Path, Path]:
    if protocol.font is not None:
        return protocol.font, protocol.font
    spec = importlib.util.find_spec("matplotlib")
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    return folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"


class _Typeface:
    """The embedded font, regular and bold; says so when a caption needs a character it lacks."""

    def __init__(self, protocol: Protocol):
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFError, TTFont

        self._metrics = pdfmetrics
        self._fonts = {}
        for bold, path in zip((False, True), _font_files(protocol), strict=True):
            name = f"{path.stem}-{'b' if bold else 'r'}"
            try:
                font = TTFont(name, str(path))
            except (TTFError, OSError) as error:
                raise ProtocolError(f"font {path}: not a TrueType font that can be embedded ({error})") from None
            pdfmetrics.registerFont(font)
            self._fonts[bold] = font

    def name(self, bold: bool) -> str:
        return self._fonts[bold].fontName

    def width_mm(self, text: str, bold: bool, size_pt: float) -> float:
        return self._metrics.stringWidth(text, self.name(bold), size_pt) / _MM

    def check(self, text: str, bold: bool) -> None:
        known = self._fonts[bold].face.charToGlyph
        lacking = sorted({c for c in text if ord(c) not in known and not c.isspace()})
        if lacking:
            raise ProtocolError(
                f"the font has no {' '.join(lacking)} (in '{text}'); name one that has, with 'font: FILE.ttf'"
            )

    def wrap(self, item: Text) -> tuple[float, list[str]]:
        """Size in points and lines that fit the item's width, the size reduced as far as 60 %."""
        self.check(item.text, item.bold)
        for step in range(9):
            size = item.size_pt * (1 - 0.05 * step)
            lines = self._broken(item.text, item.bold, size, item.width_mm)
            if len(lines) <= item.lines and all(
                self.width_mm(t, item.bold, size) <= item.width_mm + 0.1 for t in lines
            ):
                return size, lines
        raise ProtocolError(f"'{item.text}' does not fit in {item.lines} line(s) of {item.width_mm:.0f} mm; shorten it")

    def _broken(self, text: str, bold: bool, size: float, width: float) -> list[str]:
        lines = [""]
        for word in text.split(" "):
            longer = f"{lines[-1]} {word}".strip()
            if not lines[-1] or self.width_mm(longer, bold, size) <= width:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines


class _Pen:
    """Draws in page millimetres, y down, on a reportlab canvas."""

    def __init__(self, canvas, layout: Layout, face: _Typeface):
        self.canvas, self.height, self.face = canvas, layout.page_size_mm[1], face

    def fill_rect(self, x: float, y: float, w: float, h: float) -> None:
        self.canvas.rect(x * _MM, (self.height - y - h) * _MM, w * _MM, h * _MM, stroke=0, fill=1)

    def text(self, item: Text) -> None:
        size, lines = self.face.wrap(item)
        self.canvas.setFont(self.face.name(item.bold), size)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "centre": self.canvas.drawCentredString,
        }[item.align]
        for i, line in enumerate(lines):
            draw(item.x * _MM, (self.height - item.y - i * size * 0.43) * _MM, line)

    def rule(self, r) -> None:
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


def _draw(canvas, layout: Layout, identity: Identity, face: _Typeface, protocol: Protocol) -> None:
    import segno

    pen = _Pen(canvas, layout, face)
    for mark in layout.fiducials:
        pen.modules(mark_modules(mark.id), *mark.box_mm[:3])
    symbol = segno.make_qr(identity.encode(), error="m")
    pen.modules(np.array([[bool(v) for v in row] for row in symbol.matrix]), *layout.qr_mm[:3])
    for rule in layout.rules:
        pen.rule(rule)
    for x, y in layout.dots_mm:
        canvas.circle(x * _MM, (pen.height - y) * _MM, 0.55 * _MM, stroke=0, fill=1)
    for item in layout.texts:
        pen.text(item)
    which = f"{protocol.caption('transect')} {identity.transect}" if identity.transect else protocol.caption("survey")
    pen.text(
        Text(
            23.5, 22.3, f"{protocol.caption('pack')} {identity.pack}  ·  {which}", 11, layout.qr_mm[0] - 26.5, bold=True
        )
    )


def sheet_pdf(protocol: Protocol, pages: list[tuple[Layout, Identity]]) -> bytes:
    """A PDF of the given pages, at true size, vector only, with its font embedded.

    Raises
    ------
    ProtocolError
        A caption does not fit or needs a character that the font lacks.
    """
    from reportlab.pdfgen.canvas import Canvas

    face = _Typeface(protocol)
    out = BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=1, initialFontName=face.name(False))
    canvas.setTitle(protocol.title)
    canvas.setCreator("digitise")
    for layout, identity in pages:
        canvas.setPageSize((layout.page_size_mm[0] * _MM, layout.page_size_mm[1] * _MM))
        _draw(canvas, layout, identity, face, protocol)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def rasterise(pdf: bytes, px_per_mm: float, page: int = 0) -> np.ndarray:
    """One page of a PDF as a grey image, (height, width) uint8, as a printer would lay it down."""
    import pypdfium2

    document = pypdfium2.PdfDocument(pdf)
    try:
        image = document[page].render(scale=px_per_mm * 25.4 / 72, grayscale=True).to_numpy()
    finally:
        document.close()
    return image[:, :, 0] if image.ndim == 3 else image


def pack_pages(protocol: Protocol, paper: str, pack: str) -> list[tuple[Layout, Identity]]:
    """All pages of one pack: survey-wide sheets once, the others once for each transect."""
    layouts = [one for one in build_layouts(protocol) if one.paper == paper]
    pages = [(one, identity_for(one, pack, 0)) for one in layouts if not one.per_transect]
    for transect in range(1, protocol.transects + 1):
        pages += [(one, identity_for(one, pack, transect)) for one in layouts if one.per_transect]
    return pages


def page_name(identity: Identity) -> str:
    """File name without extension for one printed page."""
    where = f"t{identity.transect}-" if identity.transect else ""
    return f"{identity.pack}-{where}{identity.sheet}-{identity.page}-{identity.paper.lower()}"


def write_sheets(
    protocol: Protocol, out: Path, *, papers: tuple[str, ...], packs: int, draw=secrets.choice
) -> list[Path]:
    """Write packs of sheets: one PDF and one layout file for each page, and one PDF to print them all.

    Returns the paths of the one-page PDFs; the collected PDF is ``out/print/PAPER.pdf``.
    """
    out.mkdir(parents=True, exist_ok=True)
    (out / "print").mkdir(exist_ok=True)
    written = []
    for paper in papers:
        everything = []
        for _ in range(packs):
            pages = pack_pages(protocol, paper, new_pack(draw))
            everything += pages
            for layout, identity in pages:
                path = out / f"{page_name(identity)}.pdf"
                path.write_bytes(sheet_pdf(protocol, [(layout, identity)]))
                path.with_suffix(".layout.json").write_text(
                    json.dumps(layout.to_json(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
                )
                written.append(path)
        (out / "print" / f"{paper.lower()}.pdf").write_bytes(sheet_pdf(protocol, everything))
    return written
