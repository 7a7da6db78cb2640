"""A page whose rows were taken for their neighbours is known by the row of boxes that lies beyond its table."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.page import register
from digitise.pages.rows import boxes_beyond, places_beyond
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol, shipped_names
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf

PX_PER_MM = 4.0
SHIPPED = {name: load_protocol(name) for name in shipped_names()}
PAGES = [(name, one) for name, protocol in SHIPPED.items() for one in build_layouts(protocol)]


def _printed(protocol: Protocol, one: Layout, px_per_mm: float = PX_PER_MM) -> np.ndarray:
    canvas = rasterise(sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))]), px_per_mm)
    gray = canvas if canvas.ndim == 2 else cv2.cvtColor(canvas, cv2.COLOR_BGR2GRAY)
    return cv2.GaussianBlur((0.8 * gray).astype(np.uint8), (0, 0), 0.12 * px_per_mm)


def _page(name: str, sheet: str, page: int, paper: str) -> Layout:
    return next(one for own, one in PAGES if (own, one.sheet, one.page, one.paper) == (name, sheet, page, paper))


def _step_mm(one: Layout) -> float:
    tops = sorted({c.box_mm[1] for c in one.cells if c.kind in ("code", "tally")})
    return tops[1] - tops[0]


def _moved(image: np.ndarray, down_mm: float) -> np.ndarray:
    return np.roll(image, round(down_mm * PX_PER_MM), axis=0)


@pytest.mark.parametrize(
    ("name", "one"), PAGES[::3], ids=lambda v: v if isinstance(v, str) else f"{v.sheet}{v.page}{v.paper}"
)
def test_printed_page_has_no_box_beyond_its_table(name: str, one: Layout) -> None:
    """Captions, writing lines and other boxes of all shipped sheets are not taken for one."""
    assert boxes_beyond(_printed(SHIPPED[name], one), one) == 0


@pytest.mark.parametrize(
    ("name", "sheet", "page", "paper"),
    [
        ("reef-transect", "fish", 1, "A4"),
        ("reef-transect", "substrate", 1, "letter"),
        ("lagoon-frames", "animals", 1, "A5"),
        ("lagoon-frames", "floor", 1, "A4"),
        ("long-line", "bottom", 2, "letter"),
    ],
)
def test_page_off_by_a_row_has(name: str, sheet: str, page: int, paper: str) -> None:
    """Moved by one row up or down, 2 mm more or less, and slightly turned; half a row off there is none."""
    one = _page(name, sheet, page, paper)
    image, step = _printed(SHIPPED[name], one), _step_mm(one)
    turned = cv2.warpAffine(image, np.float64([[1, 0, 0], [0.004, 1, 0]]), image.shape[::-1], borderValue=204)

    assert places_beyond(one)
    seen = [boxes_beyond(_moved(image, way * step), one) for way in (-1, 1)]
    assert max(seen) >= 2
    way = (-1, 1)[int(np.argmax(seen))]
    assert boxes_beyond(_moved(turned, way * step - 0.5), one)
    assert boxes_beyond(_moved(image, way * (step + 1.5)), one)
    assert boxes_beyond(_moved(image, way * step / 2), one) == 0


def test_dark_band_where_a_box_would_be_is_none() -> None:
    """A thumb or a shadow over the place is broader than a printed line."""
    one = _page("long-line", "bottom", 2, "letter")
    image = _printed(SHIPPED["long-line"], one)
    for x, y, w, h in places_beyond(one):
        top, left = int((y - 2) * PX_PER_MM), int((x - 2) * PX_PER_MM)
        image[top : top + int((h + 4) * PX_PER_MM), left : left + int((w + 4) * PX_PER_MM)] = 60

    assert boxes_beyond(image, one) == 0


def test_sheet_bowed_by_a_row_is_not_read_a_row_off() -> None:
    """All rows lie one lower than the corner marks say, as on paper that bows between them: sent back, in words."""
    one = _page("long-line", "bottom", 2, "letter")
    image = _printed(SHIPPED["long-line"], one, 8.0)
    tops = [c.box_mm[1] for c in one.cells]
    first, last, step = min(tops), max(tops) + one.cells[0].box_mm[3], _step_mm(one)
    there = [0, 20, first - step, last - step, one.page_size_mm[1] - 20, one.page_size_mm[1]]
    here = [0, 20, first, last, one.page_size_mm[1] - 20, one.page_size_mm[1]]
    y = np.interp(np.arange(len(image)) / 8, there, here).astype(np.float32) * 8
    rows = np.repeat(y[:, None], image.shape[1], axis=1)
    columns = np.repeat(np.arange(image.shape[1], dtype=np.float32)[None], len(image), axis=0)
    bowed = cv2.copyMakeBorder(
        cv2.remap(image, columns, rows, cv2.INTER_LINEAR), *(80,) * 4, cv2.BORDER_CONSTANT, value=90
    )
    refused = register(bowed, [one])

    assert not refused
    assert refused.reason == "not-flat"
