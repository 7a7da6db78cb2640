"""Writing beside an empty box, on empty pages of the shipped layouts."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.beside import written_beside
from digitise.reader.ink import InkPage, extract_ink
from digitise.reader.read import read_page

THRESHOLD = 0.2


def _letter(image: np.ndarray, x: float, y: float, ink: float) -> None:
    """An L, 4 mm high and 3 mm broad, from (x, y) mm on."""
    points = np.round(np.array([(x, y), (x, y + 4), (x + 3, y + 4)]) * FLAT_PX_PER_MM).astype(np.int32)
    cv2.polylines(image, [points], False, ink, 5, cv2.LINE_AA)


@pytest.mark.parametrize(
    ("off", "beside"),
    [
        pytest.param(1.2, True, id="close-to-its-right"),
        pytest.param(5.0, False, id="further-away"),
        pytest.param(-12.0, False, id="inside"),
    ],
)
def test_what_is_written_close_beside_a_box_is_seen(layout, off: float, beside: bool) -> None:
    """A letter begins so many mm to the right of the box's right rule."""
    one = layout("substrate")
    cell = one.by_id["substrate/4"]
    x, y, w, _ = cell.box_mm
    page = InkPage(np.zeros((2376, 1680), np.float32), 0.01, 0.6, paper=np.full((594, 420), 220, np.uint8))
    _letter(page.ink, x + w + off, y + 4, 0.6)

    assert (cell.id in written_beside(page, one, THRESHOLD)) is beside


@pytest.mark.parametrize(("under", "beside"), [(220, True), (205, True), (90, False)])
def test_the_edge_of_a_shadow_or_a_finger_beside_a_box_is_no_writing(layout, under: int, beside: bool) -> None:
    """A line of ink where paper of grey 220 meets what is as bright or darker."""
    one = layout("substrate")
    cell = one.by_id["substrate/4"]
    x, y, w, h = cell.box_mm
    page = InkPage(np.zeros((2376, 1680), np.float32), 0.01, 0.6, paper=np.full((594, 420), 220, np.uint8))
    page.paper[:, round((x + w + 2) * 2) :] = under
    cv2.line(page.ink, *(tuple(int(v * FLAT_PX_PER_MM) for v in (x + w + 2, y + t * h)) for t in (0.1, 0.9)), 0.3, 6)

    assert (cell.id in written_beside(page, one, THRESHOLD)) is beside


def test_grain_beside_a_box_is_no_writing(layout) -> None:
    """Specks of 0.06 square millimetres, 40 of them on each side."""
    one = layout("substrate")
    cell = one.by_id["substrate/4"]
    x, y, w, _ = (round(v * FLAT_PX_PER_MM) for v in cell.box_mm)
    page = InkPage(np.zeros((2376, 1680), np.float32), 0.01, 0.6, paper=np.full((594, 420), 220, np.uint8))
    for row in range(8):
        for column in (8, 13, 18, 23, 28):
            page.ink[y + 6 + 7 * row :, :][:2, x + w + column : x + w + column + 2] = 0.4

    assert cell.id not in written_beside(page, one, THRESHOLD)


@pytest.mark.parametrize("sheet", ["site", "substrate", "fish", "invertebrate"])
def test_print_beside_a_box_is_no_writing(layout, printed, sheet: str) -> None:
    """Captions, units, legends and other boxes stand around every box of a blank sheet."""
    one = layout(sheet)
    page = extract_ink(printed(sheet), one)

    assert written_beside(page, one, THRESHOLD) == frozenset()


@pytest.mark.parametrize(
    ("radius", "beside"), [pytest.param(0.0, False, id="only-the-sign"), pytest.param(2.0, True, id="a-ring-around-it")]
)
def test_a_nought_over_the_sign_of_a_percentage_is_seen(layout, printed, radius: float, beside: bool) -> None:
    """The sign's own ink says nothing, neither for nor against what goes around it."""
    one = layout("invertebrate")
    cell = one.by_id["invertebrate/bleached-percent/0-10/percent"]
    x, y, w, h = cell.box_mm
    image = printed("invertebrate").copy()
    middle, shape = (
        (round(v * FLAT_PX_PER_MM) for v in ends) for ends in ((x + w + 3.5, y + h / 2), (radius, 1.2 * radius))
    )
    cv2.ellipse(image, tuple(middle), tuple(shape), 0, 0, 360, 60, 5, cv2.LINE_AA)

    assert (cell.id in written_beside(extract_ink(image, one), one, THRESHOLD)) is beside


def test_an_empty_box_with_an_entry_beside_it_goes_to_a_person(printed, layout, page_of) -> None:
    one = layout("substrate")
    x, y, w, _ = one.by_id["substrate/4"].box_mm
    image = printed("substrate").copy()
    _letter(image, x + w + 1.5, y + 4, 90)
    read = {r.cell: r for r in read_page(page_of(one, image))}

    assert (read["substrate/4"].value, read["substrate/4"].reasons) == (None, ("beside",))
    assert not read["substrate/4.5"].flagged
