"""A sheet filled in by type instead of a hand: quick to make, and never to be taken for a photograph.

It stands for sheets of the demonstration whose values are there and whose photographs are not.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from digitise.pages.flatten import FLAT_PX_PER_MM, Flattened, Warp, grid_shape
from digitise.pages.page import Page
from digitise.sheets.drawing import font_files
from digitise.sheets.layout import Cell, Layout
from digitise.sheets.protocol import Protocol
from digitise.sheets.sheet import Identity, identity_for, rasterise, sheet_pdf
from digitise.sheets.spelling import spelled

NOTE = "INVENTED DATA, set in type for a demonstration. Nobody wrote or photographed this sheet."
PAPER, INK = 238, 70
STROKE_MM, GROUP = 1.6, 5  # from stroke to stroke; of so many the last lies across the others


@lru_cache(maxsize=8)
def _blank(protocol: Protocol, layout: Layout) -> np.ndarray:
    """The printed page without pack and code, (H, W) uint8."""
    pdf = sheet_pdf(protocol, [(layout, identity_for(layout, "", 0))])
    size = tuple(round(v * FLAT_PX_PER_MM) for v in layout.page_size_mm)
    raster = Image.fromarray(rasterise(pdf, FLAT_PX_PER_MM)).resize(size)
    x, y, side = (round(v * FLAT_PX_PER_MM) for v in layout.qr_mm[:3])
    draw = ImageDraw.Draw(raster)
    draw.rectangle((x - 8, y - 8, x + side + 8, y + side + 8), fill=255)
    draw.rectangle(
        (round(23 * FLAT_PX_PER_MM), round(18 * FLAT_PX_PER_MM), x - 10, round(24 * FLAT_PX_PER_MM)), fill=255
    )
    return np.round(np.asarray(raster) * (PAPER / 255)).astype(np.uint8)


@lru_cache(maxsize=32)
def _font(protocol: Protocol, size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_files(protocol)[0]), size_px)


def typed_page(protocol: Protocol, layout: Layout, identity: Identity, values: Mapping[str, object]) -> Page:
    """A page on which `values` stand in type, flat and straight; other cells are empty.

    Raises
    ------
    ValueError
        A value that its cell cannot hold.
    """
    image = Image.fromarray(_blank(protocol, layout).copy())
    draw = ImageDraw.Draw(image)
    which = f"  ·  Transect {identity.transect}" if identity.transect else ""
    _words(draw, protocol, f"Pack {identity.pack}{which}  ·  INVENTED, set in type", (23.5, 18.2, 120.0, 5.5))
    _words(draw, protocol, NOTE, (25.0, layout.page_size_mm[1] - 9.0, layout.page_size_mm[0] - 50.0, 3.4))
    cells = {c["id"]: c for c in layout.to_json()["cells"]}
    for name, value in values.items():
        if value is not None and value is not False:
            _fill(draw, protocol, layout.by_id[name], cells[name], value)
    pixels = np.asarray(image)
    warp = Warp(
        np.diag([FLAT_PX_PER_MM, FLAT_PX_PER_MM, 1.0]), np.zeros((*grid_shape(layout.page_size_mm), 2), np.float32)
    )
    return Page(layout, identity, pixels, Flattened(pixels, warp, 0.0, 1.0), FLAT_PX_PER_MM, 0.1, frozenset())


def _fill(draw: ImageDraw.ImageDraw, protocol: Protocol, cell: Cell, plain: Mapping, value: object) -> None:
    if cell.kind == "tally":
        _strokes(draw, cell, int(value))
    elif cell.kind == "tick":
        _words(draw, protocol, "×", cell.box_mm)
    elif cell.kind == "text":
        _words(draw, protocol, str(value), cell.box_mm)
    else:
        for letter, box in zip(spelled(plain, value), cell.characters_mm, strict=True):
            _words(draw, protocol, letter, box, centred=True)


def _words(draw: ImageDraw.ImageDraw, protocol: Protocol, text: str, box_mm, *, centred: bool = False) -> None:
    """A text in a box, as large as its height and width allow."""
    x, y, w, h = (v * FLAT_PX_PER_MM for v in box_mm)
    size = max(8, round(0.7 * h))
    font = _font(protocol, size)
    if (wide := draw.textlength(text, font=font)) > w - 4 and not centred:
        font = _font(protocol, max(8, int(size * (w - 4) / wide)))
    left = x + w / 2 if centred else x + 3
    draw.text((left, y + h / 2), text, fill=INK, font=font, anchor="mm" if centred else "lm")


def _strokes(draw: ImageDraw.ImageDraw, cell: Cell, count: int) -> None:
    """Strokes in groups of five, closer together where there are many."""
    x, y, w, h = cell.box_mm
    step = min(STROKE_MM, (w - 2.0) / max(1, count))
    for n in range(1, count + 1):
        at = x + 1.0 + (n - 1) * step
        ends = (at, y + 0.2 * h, at, y + 0.8 * h)
        if n % GROUP == 0:
            ends = (at - (GROUP - 1) * step - 0.3, y + 0.75 * h, at - 0.2, y + 0.25 * h)
        draw.line(tuple(v * FLAT_PX_PER_MM for v in ends), fill=INK, width=4)
