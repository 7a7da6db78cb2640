"""What comes out of the printer: true size, its own font, marks and symbols that others can decode, rules in place."""

from __future__ import annotations

import ctypes
import itertools
import json
import re

import cv2
import numpy as np
import pypdfium2
import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st

from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout, Rule
from digitise.sheets.protocol import PAPERS_MM, ProtocolError, parse_protocol
from digitise.sheets.sheet import (
    MARK_DICTIONARY,
    PACK_ALPHABET,
    PACK_LENGTH,
    Identity,
    identity_for,
    new_pack,
    pack_pages,
    page_name,
    parse_identity,
    rasterise,
    sheet_pdf,
    write_sheets,
)

SHEETS = [(s, p) for p in ("A4", "letter") for s in ("site", "fish", "invertebrate", "substrate")]
pages = pytest.mark.parametrize(("sheet", "paper"), SHEETS)
PX_PER_MM = 12.0


def _pdf(reef, one: Layout, transect: int = 2) -> bytes:
    return sheet_pdf(reef, [(one, identity_for(one, "QH7M4K", transect))])


@pytest.fixture(scope="module")
def rasters(reef, layout):
    """Each sheet rasterised once at 12 pixels a millimetre."""
    return {key: rasterise(_pdf(reef, layout(*key)), PX_PER_MM) for key in SHEETS}


@pages
def test_page_is_as_large_as_its_paper(reef, layout, sheet: str, paper: str) -> None:
    """Width and height by an independent PDF reader, within 0.2 mm."""
    document = pypdfium2.PdfDocument(_pdf(reef, layout(sheet, paper)))
    size_mm = np.array(document[0].get_size()) * 25.4 / 72
    document.close()

    assert size_mm == pytest.approx(PAPERS_MM[paper], abs=0.2)


def _fonts_used(pdf: bytes) -> set[str]:
    """Names of the fonts of every letter on the first page, by an independent PDF reader."""
    document = pypdfium2.PdfDocument(pdf)
    words = document[0].get_textpage()
    name, flags = ctypes.create_string_buffer(100), ctypes.c_int()
    found = set()
    for i in range(words.count_chars()):
        length = pypdfium2.raw.FPDFText_GetFontInfo(words, i, name, 100, flags)
        found.add(name.raw[: max(0, length - 1)].decode())
    document.close()
    return found - {""}


def test_fonts_are_embedded_and_nothing_is_a_picture(reef, layout) -> None:
    """Every letter is set in one of two fonts whose TrueType programs (/FontFile2) are in the file; no raster image."""
    pdf = _pdf(reef, layout("site"))

    assert {name.split("+")[-1] for name in _fonts_used(pdf)} == {"DejaVuSans", "DejaVuSans-Bold"}
    assert len(re.findall(rb"/FontFile2 \d+ 0 R", pdf)) == 2
    assert b"/Subtype /Image" not in pdf


@pages
def test_corner_marks_decode_to_the_ids_of_the_layout(layout, rasters, sheet: str, paper: str) -> None:
    """OpenCV's own detector finds the four marks where the layout says, within 0.1 mm."""
    one = layout(sheet, paper)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY))
    quads, ids, _ = detector.detectMarkers(rasters[sheet, paper])
    scale = np.array(rasters[sheet, paper].shape[::-1]) / one.page_size_mm
    found = {int(i): (q.reshape(4, 2) + 0.5) / scale for q, i in zip(quads, ids.ravel(), strict=True)}

    assert set(found) == {f.id for f in one.fiducials}
    for mark in one.fiducials:
        assert found[mark.id] == pytest.approx(np.array(mark.corners_mm), abs=0.1)


def _outside_decoder(raster: np.ndarray, one: Layout) -> str:
    x, y, w, h = one.qr_mm
    left, top, right, bottom = (round(v * PX_PER_MM) for v in (x - 2.4, y - 2.4, x + w + 2.4, y + h + 2.4))
    return cv2.QRCodeDetector().detectAndDecode(raster[top:bottom, left:right])[0]


@pages
def test_an_independent_decoder_reads_the_identity(layout, rasters, sheet: str, paper: str) -> None:
    """The symbol is a QR code as in ISO/IEC 18004: OpenCV's decoder, which the reader does not use, reads it."""
    one = layout(sheet, paper)
    text = _outside_decoder(rasters[sheet, paper], one)

    assert text == f"RS1/REEF-TRANSECT/1/{sheet.upper()}/1/{paper.upper()}/{one.digest[:4].upper()}/QH7M4K/2"
    assert parse_identity(text) == Identity("reef-transect", "1", sheet, 1, paper, one.digest[:4], "QH7M4K", 2)


@pages
def test_symbol_has_its_quiet_zone(layout, rasters, sheet: str, paper: str) -> None:
    """Four modules of white all round the symbol, as ISO/IEC 18004 asks (section 'quiet zone')."""
    x, y, w, h = layout(sheet, paper).qr_mm
    modules = segno.make_qr(f"RS1/REEF-TRANSECT/1/{sheet}/1/{paper}/ABCD/QH7M4K/2".upper(), error="m").symbol_size(
        border=0
    )[0]
    quiet = 4 * w / modules
    outer = rasters[sheet, paper][_px(y - quiet) : _px(y + h + quiet), _px(x - quiet) : _px(x + w + quiet)].copy()
    inner = _px(quiet)
    outer[inner - 1 : -inner + 1, inner - 1 : -inner + 1] = 255

    assert outer.min() > 200


def _px(mm: float) -> int:
    return round(mm * PX_PER_MM)


def _lonely(rule: Rule, one: Layout) -> float | None:
    """A place along a rule where nothing else is printed within 1.2 mm, as a coordinate; None where there is none."""
    upright = rule.x0 == rule.x1
    low, high = sorted((rule.y0, rule.y1) if upright else (rule.x0, rule.x1))
    if high - low < 3:
        return None
    for at in np.linspace(low + 1.3, high - 1.3, 9):
        x, y = (rule.x0, at) if upright else (at, rule.y0)
        near = [
            r
            for r in one.rules
            if r is not rule
            and min(r.x0, r.x1) - 1.2 < x < max(r.x0, r.x1) + 1.2
            and min(r.y0, r.y1) - 1.2 < y < max(r.y0, r.y1) + 1.2
        ]
        if not near:
            return float(at)
    return None


FINE_PX_PER_MM = 25.0


def _centre_of_darkness(profile: np.ndarray) -> tuple[float, float]:
    """Centre of a dark line in a profile, and its width, both in pixels."""
    dark = 255.0 - profile
    return float((dark * (np.arange(len(dark)) + 0.5)).sum() / dark.sum()), float(dark.sum() / 255)


@pytest.mark.parametrize(("sheet", "paper"), [("site", "A4"), ("fish", "letter"), ("substrate", "A4")])
def test_printed_rules_lie_where_the_layout_says(reef, layout, sheet: str, paper: str) -> None:
    """Each long rule's centre of darkness is within 0.1 mm of its place, its width within 0.1 mm of its own."""
    one = layout(sheet, paper)
    raster = rasterise(_pdf(reef, one), FINE_PX_PER_MM)
    measured = 0
    for rule in one.rules:
        at = _lonely(rule, one)
        if at is None:
            continue
        upright = rule.x0 == rule.x1
        place = rule.x0 if upright else rule.y0
        turned = raster if upright else raster.T
        along, across = (n / mm for n, mm in zip(turned.shape, one.page_size_mm[:: -1 if upright else 1], strict=True))
        low = round((place - 0.9) * across)
        strip = turned[round(at * along) - 3 : round(at * along) + 4, low : round((place + 0.9) * across)]
        if strip[:, :4].min() < 250 or strip[:, -4:].min() < 250:
            continue  # a letter stands close by
        centre, width = _centre_of_darkness(strip.mean(axis=0))
        assert (centre + low) / across == pytest.approx(place, abs=0.1)
        assert width / across == pytest.approx(rule.width_mm, abs=0.1)
        measured += 1

    assert measured > 0.5 * len([r for r in one.rules if max(abs(r.x1 - r.x0), abs(r.y1 - r.y0)) >= 5])


@pages
def test_writing_areas_are_white(layout, rasters, sheet: str, paper: str) -> None:
    """Nothing is printed inside a box but a character comb's teeth and a decimal's point."""
    for cell in layout(sheet, paper).cells:
        for x, y, w, h in cell.characters_mm or (cell.box_mm,):
            inside = rasters[sheet, paper][_px(y + 0.2) : _px(y + h - 0.2), _px(x + 0.3) : _px(x + w - 0.3)]
            lowest = inside[: -_px(0.2 * h)] if cell.kind == "text" else inside
            assert lowest.min() > 240, cell.id


CAPTIONS = [
    pytest.param("Обследование рифа", id="cyrillic"),
    pytest.param("Έρευνα υφάλου", id="greek"),
    pytest.param("Khảo sát rạn san hô", id="vietnamese"),
    pytest.param("Größe & <Prüfung> “ø”", id="signs"),
]
POND = """\
protocol: pond
version: "1"
title: Pond
programme: {name}
sheets:
  pond:
    kind: line
    title: {name}
    categories:
      - {{code: AB, id: a, label: "{name}"}}
      - {{code: CD, id: c, label: C}}
"""


@pytest.mark.parametrize("name", CAPTIONS)
def test_captions_print_in_other_scripts(name: str) -> None:
    """The words can be read back from the PDF by another program, in the same letters."""
    protocol = parse_protocol(POND.format(name=name), "pond.yaml")
    one = next(a for a in build_layouts(protocol) if a.paper == "A4")
    document = pypdfium2.PdfDocument(sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))]))
    text = document[0].get_textpage().get_text_bounded()
    document.close()

    assert text.count(name) == 3


@pytest.mark.parametrize("name", ["礁石调查", "Reef 🐠", "សិក្សា"])
def test_letter_that_the_font_lacks_is_a_clear_error(name: str) -> None:
    """The missing characters, the caption and the cure are named; nothing is printed as an empty box."""
    protocol = parse_protocol(POND.format(name=name), "pond.yaml")
    one = build_layouts(protocol)[0]

    with pytest.raises(ProtocolError, match=f"the font has no .*{name[-1]}.*'{name}'.*'font: FILE.ttf'"):
        sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))])


def test_file_that_is_no_font_is_a_clear_error(tmp_path) -> None:
    (tmp_path / "Own.ttf").write_bytes(b"no font at all")
    protocol = parse_protocol(POND.format(name="Pond") + f"font: {tmp_path / 'Own.ttf'}\n", "pond.yaml")
    one = build_layouts(protocol)[0]

    with pytest.raises(ProtocolError, match=r"font .*Own\.ttf: not a TrueType font that can be embedded"):
        sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))])


def test_caption_too_long_for_its_place_is_a_clear_error() -> None:
    """A caption shrinks to 60 % and no further; then it must be shortened."""
    protocol = parse_protocol(POND.format(name="Rather a long name for such a small place " * 4), "pond.yaml")
    one = build_layouts(protocol)[0]

    with pytest.raises(
        ProtocolError, match=r"'Rather a long name .* does not fit in 1 line\(s\) of \d+ mm; shorten it"
    ):
        sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))])


def test_printing_again_gives_the_same_bytes(reef, layout) -> None:
    """No clock and no chance in a PDF: two printings can be compared."""
    assert _pdf(reef, layout("fish")) == _pdf(reef, layout("fish"))


# --- identity --------------------------------------------------------------------------------------------

names = st.from_regex(r"[a-z0-9][a-z0-9-]{0,39}", fullmatch=True)
identities = st.builds(
    Identity,
    names,
    st.from_regex(r"[0-9a-z][0-9a-z.]{0,7}", fullmatch=True),
    names,
    st.integers(1, 999),
    st.sampled_from(["A4", "letter"]),
    st.from_regex(r"[0-9a-f]{4}", fullmatch=True),
    st.text(PACK_ALPHABET, min_size=PACK_LENGTH, max_size=PACK_LENGTH),
    st.integers(0, 999),
)


@given(identities)
def test_identity_survives_its_symbol(identity: Identity) -> None:
    """What is encoded is parsed back, and uses only the alphanumeric set of ISO/IEC 18004 (from memory)."""
    text = identity.encode()

    assert parse_identity(text) == identity
    assert set(text) <= set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")


@given(st.text(max_size=80))
def test_any_other_text_is_no_identity(text: str) -> None:
    """A foreign symbol in the picture is not taken for ours, and never raises."""
    assert parse_identity(text) is None


def test_foreign_fields_are_no_identity() -> None:
    good = "RS1/REEF/1/FISH/1/A4/ABCD/QH7M4K/2"

    assert parse_identity(good) is not None
    for bad in (
        good.replace("RS1", "RS2"),
        good.replace("QH7M4K", "QH7M4O"),
        good.replace("QH7M4K", "QH7M4"),
        good.replace("/2", "/-2"),
        good.replace("/2", "/²"),
        good + "/3",
        good.replace("FISH/1/", "FISH/1234/"),
    ):
        assert parse_identity(bad) is None, bad


def test_packs_are_drawn_from_letters_that_cannot_be_confused() -> None:
    """28 characters, none of 0 O 1 I 2 Z 5 S; a thousand packs all differ."""
    assert len(set(PACK_ALPHABET)) == len(PACK_ALPHABET) == 28
    assert not set(PACK_ALPHABET) & set("0O1I2Z5S")
    assert len({new_pack() for _ in range(1000)}) == 1000


def test_pack_holds_one_site_sheet_and_three_of_the_others(reef) -> None:
    """Three transects: 1 + 3 x 3 pages; the site sheet says transect 0."""
    found = [(i.sheet, i.transect) for _, i in pack_pages(reef, "A4", "QH7M4K")]

    assert found == [("site", 0), *((s, t) for t in (1, 2, 3) for s in ("fish", "invertebrate", "substrate"))]
    names = [page_name(i) for _, i in pack_pages(reef, "A4", "QH7M4K")]
    assert names[:2] == ["QH7M4K-site-1-a4", "QH7M4K-t1-fish-1-a4"]
    assert len(set(names)) == 10


def test_every_page_is_written_with_its_layout_file(reef, tmp_path) -> None:
    """A pack on each paper: 20 one-page PDFs with 20 layout files, no name twice, and two PDFs of 10 pages to print."""
    letters = itertools.cycle(PACK_ALPHABET)
    written = write_sheets(reef, tmp_path / "sheets", papers=("A4", "letter"), packs=1, draw=lambda _: next(letters))

    assert len(written) == len(set(written)) == 20
    assert all(p.is_file() and p.with_suffix(".layout.json").is_file() for p in written)
    first = json.loads(written[0].with_suffix(".layout.json").read_text(encoding="utf-8"))
    assert (first["sheet"], first["page"], first["page_size_mm"]) == ("site", 1, [210.0, 297.0])
    for paper in ("a4", "letter"):
        document = pypdfium2.PdfDocument(tmp_path / "sheets" / "print" / f"{paper}.pdf")
        assert len(document) == 10
        document.close()
