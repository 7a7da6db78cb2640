"""Layouts become true-size vector PDFs, one page each, with their identity printed on them."""

from __future__ import annotations

import contextlib
import json
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np

from digitise.sheets.compose import build_layouts, paper_problems
from digitise.sheets.drawing import MM, Pen, Typeface
from digitise.sheets.layout import Layout, Rule, Text
from digitise.sheets.protocol import HALVES, PAPERS_MM, Protocol, ProtocolError

MARK_DICTIONARY = cv2.aruco.DICT_6X6_1000
PACK_ALPHABET = "ABCDEFGHJKLMNPQRTUVWXY346789"  # no 0/O, 1/I, 2/Z, 5/S
PACK_LENGTH = 6
PACK_LINE_MM, TRANSECT_LINE_MM, WRITE_GAP_MM = 33.0, 13.0, 1.5  # what is written on a page without a code
CUT_MM = 3.0  # a dash of the line along which two pages are cut apart, and the gap behind it


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
    paper = next((p for p in PAPERS_MM if p.upper() == parts[5]), parts[5].lower())
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


def _heading(pen: Pen, layout: Layout, identity: Identity, protocol: Protocol, note: str) -> None:
    """Pack, transect and the note: under the title, left of the code; in two lines where the page is small."""
    room = layout.qr_mm[0] - 26.5
    pack = f"{protocol.caption('pack')} {identity.pack}"
    which = f"{protocol.caption('transect')} {identity.transect}" if identity.transect else protocol.caption("survey")
    if layout.paper in HALVES.values():
        pen.text(Text(23.5, 20.5, f"{pack}  ·  {which}", 9, room, bold=True))
        pen.text(Text(23.5, 23.9, note, 7.5, room))
    else:
        pen.text(Text(23.5, 22.3, "  ·  ".join(filter(None, (pack, which, note))), 11, room, bold=True))


def _blank_heading(pen: Pen, layout: Layout, identity: Identity, protocol: Protocol, note: str) -> None:
    """As `_heading` with lines to write on: for the transect of a spare page, and for the pack too of a slate."""
    x, y, size = 23.5, 23.6, 9.0

    def word(text: str) -> float:
        pen.text(Text(x, y, text, size, layout.qr_mm[0] - x, bold=True))
        return x + pen.face.width_mm(text, True, size) + WRITE_GAP_MM

    def line(width: float) -> float:
        pen.rule(Rule(x, y + 0.6, x + width, y + 0.6))
        return x + width + 2 * WRITE_GAP_MM

    x = word(" ".join(filter(None, (protocol.caption("pack"), identity.pack))))
    x = x + WRITE_GAP_MM if identity.pack else line(PACK_LINE_MM)
    x = word(protocol.caption("transect"))
    x = line(TRANSECT_LINE_MM)
    words = "  ·  ".join(filter(None, (protocol.caption("spare") if identity.pack else "", note)))
    left, top, side, _ = layout.qr_mm
    if layout.paper in HALVES.values():
        with contextlib.suppress(ProtocolError):  # a word too wide for there; the pack stands on the page
            pen.text(Text(left - 2, top + 3.5, words.replace("  ·  ", " "), 7.5, side + 3, lines=6))
    else:
        pen.text(Text(x, y, words, size, left + side - x))


def _draw(canvas, layout: Layout, identity: Identity, face: Typeface, protocol: Protocol, note: str) -> None:
    import segno

    pen = Pen(canvas, layout.page_size_mm, face)
    spare = layout.per_transect and not identity.transect
    for mark in layout.fiducials:
        pen.modules(mark_modules(mark.id), *mark.box_mm[:3])
    if not spare:
        symbol = segno.make_qr(identity.encode(), error="m")
        pen.modules(np.array([[bool(v) for v in row] for row in symbol.matrix]), *layout.qr_mm[:3])
    for rule in layout.rules:
        pen.rule(rule)
    for x, y in layout.dots_mm:
        pen.dot(x, y, 0.55)
    for item in layout.texts:
        pen.text(item)
    (_blank_heading if spare else _heading)(pen, layout, identity, protocol, note)


def _draw_two_up(canvas, pages: list[tuple[Layout, Identity]], draw: Callable[[Layout, Identity], None]) -> None:
    """Small pages two by two on whole sheets laid across, each in the middle of its half, a line to cut between."""
    whole = next(p for p, half in HALVES.items() if half == pages[0][0].paper)
    height, width = PAPERS_MM[whole]
    for first in range(0, len(pages), 2):
        canvas.setPageSize((width * MM, height * MM))
        for i, (layout, identity) in enumerate(pages[first : first + 2]):
            across, down = (width / 2 - layout.page_size_mm[0]) / 2, (height - layout.page_size_mm[1]) / 2
            canvas.saveState()
            canvas.translate((i * width / 2 + across) * MM, down * MM)
            draw(layout, identity)
            canvas.restoreState()
        canvas.setLineWidth(0.5)
        canvas.setDash(CUT_MM * MM, CUT_MM * MM)
        canvas.line(width / 2 * MM, 0, width / 2 * MM, height * MM)
        canvas.showPage()


def sheet_pdf(
    protocol: Protocol, pages: list[tuple[Layout, Identity]], *, note: str = "", two_up: bool = False
) -> bytes:
    """A PDF of the given pages, at true size, vector only, with its font embedded.

    `note` stands beside the pack on every page: site and date where they are known. A page of a line whose identity
    names no line is a spare one: it carries no code and is given its line by a person, after it was photographed.
    `two_up` puts two A5 pages side by side on A4, or two half-letter pages on Letter, to be cut apart.

    Raises
    ------
    ProtocolError
        A caption does not fit or needs a character that the font lacks.
    """
    from reportlab.pdfgen.canvas import Canvas

    face = Typeface(protocol)
    out = BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=1, initialFontName=face.name(False))
    canvas.setTitle(protocol.title)
    canvas.setCreator("digitise")
    if two_up:
        _draw_two_up(canvas, pages, lambda layout, identity: _draw(canvas, layout, identity, face, protocol, note))
    for layout, identity in () if two_up else pages:
        canvas.setPageSize((layout.page_size_mm[0] * MM, layout.page_size_mm[1] * MM))
        _draw(canvas, layout, identity, face, protocol, note)
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
    """All pages of one pack: survey-wide sheets once, the others once for each transect.

    Raises
    ------
    ProtocolError
        The protocol does not fit on this paper; the text says what does not, and which papers it fits on.
    """
    layouts = [one for one in build_layouts(protocol) if one.paper == paper]
    if not layouts:
        fitting = ", ".join(dict.fromkeys(one.paper for one in build_layouts(protocol)))
        why = "\n".join(paper_problems(protocol, paper)) or "its pages are too many for the corner marks"
        raise ProtocolError(f"{protocol.protocol} does not fit on {paper} paper, but on {fitting}:\n{why}")
    pages = [(one, identity_for(one, pack, 0)) for one in layouts if not one.per_transect]
    for transect in range(1, protocol.transects + 1):
        pages += [(one, identity_for(one, pack, transect)) for one in layouts if one.per_transect]
    return pages


def page_name(identity: Identity) -> str:
    """File name without extension for one printed page."""
    where = f"t{identity.transect}-" if identity.transect else ""
    return f"{identity.pack}-{where}{identity.sheet}-{identity.page}-{identity.paper.lower()}"


def write_sheets(
    protocol: Protocol, out: Path, *, papers: tuple[str, ...], packs: int, two_up: bool = False, draw=secrets.choice
) -> list[Path]:
    """Write packs of sheets: one PDF and one layout file for each page, and one PDF to print them all.

    Returns the paths of the one-page PDFs; the collected PDF is ``out/print/PAPER.pdf``, which holds two pages on each
    sheet with `two_up`.

    Raises
    ------
    ProtocolError
        Something does not fit on its page, or packs on one of the papers were printed into this folder before.
    """
    together = {paper: out / "print" / f"{paper.lower()}.pdf" for paper in papers}
    for path in together.values():
        if path.exists():
            raise ProtocolError(
                f"{path} holds packs printed before; print those again from there, or choose another folder with --out "
                "for new packs"
            )
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
        together[paper].write_bytes(sheet_pdf(protocol, everything, two_up=two_up))
    return written
