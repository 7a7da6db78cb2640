"""A strongly bowed page is followed from its marks, row by row, and read where a search around them takes wrong rows."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import Views, Warp, grid_shape
from digitise.pages.outward import followed
from digitise.pages.page import register
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import load_protocol
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf

PX_PER_MM = 8.0
BORDER_PX = 80


@pytest.fixture(scope="module")
def long_line() -> tuple[Layout, np.ndarray]:
    """A page of 18 even rows, and its print."""
    protocol = load_protocol("long-line")
    one = next(a for a in build_layouts(protocol) if (a.sheet, a.page, a.paper) == ("bottom", 2, "letter"))
    canvas = rasterise(sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))]), PX_PER_MM)
    gray = canvas if canvas.ndim == 2 else cv2.cvtColor(canvas, cv2.COLOR_BGR2GRAY)
    return one, cv2.GaussianBlur((0.8 * gray).astype(np.uint8), (0, 0), 1.0)


def _bowed(image: np.ndarray, one: Layout, deep_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """The page with its middle that much lower than the corner marks say, and where each cell's middle then is, px."""
    height = one.page_size_mm[1]
    here = np.linspace(0, height, 400)
    there = here + deep_mm * (1 - ((here - height / 2) / (height / 2 - 14)) ** 2)
    y = np.interp(np.arange(len(image)) / PX_PER_MM, there, here).astype(np.float32) * PX_PER_MM
    x = np.arange(image.shape[1], dtype=np.float32)
    bent = cv2.remap(image, *(np.ascontiguousarray(v) for v in np.meshgrid(x, y)), cv2.INTER_LINEAR)
    bent = cv2.copyMakeBorder(bent, *(BORDER_PX,) * 4, cv2.BORDER_CONSTANT, value=90)
    middles = np.array([(b[0] + b[2] / 2, b[1] + b[3] / 2) for b in (c.box_mm for c in one.cells)])
    middles[:, 1] = np.interp(middles[:, 1], here, there)
    return bent, middles * PX_PER_MM + BORDER_PX


@pytest.mark.parametrize("deep_mm", [0.0, 4.0, 9.0, 14.0])
def test_bowed_page_is_followed(long_line, deep_mm: float) -> None:
    """Rows are 10.6 mm apart; a page that bows by more is known to half a millimetre before any fine fit."""
    one, image = long_line
    bent, middles = _bowed(image, one, deep_mm)
    homography = np.array([[PX_PER_MM, 0, BORDER_PX], [0, PX_PER_MM, BORDER_PX], [0, 0, 1.0]])
    shift = followed(Views(bent), one, homography)

    assert shift.shape == (*grid_shape(one.page_size_mm), 2)
    boxes = np.array([(b[0] + b[2] / 2, b[1] + b[3] / 2) for b in (c.box_mm for c in one.cells)])
    error_mm = np.linalg.norm(Warp(homography, shift).photo_px(boxes) - middles, axis=1) / PX_PER_MM
    assert np.percentile(error_mm, 95) < 0.5


@pytest.mark.parametrize("deep_mm", [4.0, 8.0, 11.0])
def test_bowed_page_is_read_in_its_own_rows(long_line, deep_mm: float) -> None:
    """Each cell of the page that is found lies where it was printed."""
    one, image = long_line
    bent, middles = _bowed(image, one, deep_mm)
    page = register(bent, [one])

    assert page, page
    boxes = np.array([(b[0] + b[2] / 2, b[1] + b[3] / 2) for b in (c.box_mm for c in one.cells)])
    assert np.abs(page.flattened.warp.photo_px(boxes) - middles).max() / PX_PER_MM < 0.3
    assert not page.hidden


def test_paper_without_print_is_not_followed(long_line) -> None:
    """On bare paper nothing is found, and the page is taken to be as its marks say."""
    one, image = long_line
    homography = np.array([[PX_PER_MM, 0, 0], [0, PX_PER_MM, 0], [0, 0, 1.0]])

    assert not followed(Views(np.full_like(image, 200)), one, homography).any()
