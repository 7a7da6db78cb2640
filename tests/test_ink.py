"""Pencil apart from print and paper: rules go, strokes stay, light and shadow are no ink."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import RULE_SLACK_MM, extract_ink, filled_paper, paper_brightness, pixel_box

SHEETS = ("site", "fish", "invertebrate", "substrate")


def _line(page: np.ndarray, start_mm, end_mm, *, darkness: float = 0.7, width_px: int = 5) -> np.ndarray:
    """A page with one pencil line on it."""
    mask = np.zeros(page.shape, np.uint8)
    ends = [tuple(int(round(v * FLAT_PX_PER_MM * 16)) for v in p) for p in (start_mm, end_mm)]
    cv2.line(mask, *ends, 255, width_px, cv2.LINE_AA, 4)
    return np.round(page * (1 - darkness * (mask / 255.0))).astype(np.uint8)


def _inked_mm2(page, box) -> float:
    return float((page.crop(box) > ink_threshold(page)).sum()) / FLAT_PX_PER_MM**2


def test_boxes_become_pixels_at_eight_to_a_millimetre() -> None:
    """(10, 20) mm with 5 by 2.5 mm, grown by 1 mm on each side."""
    assert pixel_box((10.0, 20.0, 5.0, 2.5)) == (80, 160, 120, 180)
    assert pixel_box((10.0, 20.0, 5.0, 2.5), 1.0) == (72, 152, 128, 188)


@pytest.mark.parametrize("sheet", SHEETS)
def test_an_empty_sheet_has_no_ink_in_its_cells(printed, layout, sheet: str) -> None:
    """Rules, comb teeth and printed points leave nothing behind but, under date and time, a trace on the rule itself."""
    one = layout(sheet)
    page = extract_ink(printed(sheet), one)

    assert page.ink.shape == (297 * 8, 210 * 8)
    assert page.ink.dtype == np.float32
    for cell in one.cells:
        assert page.crop(cell.box_mm, -0.2).max() < ink_threshold(page), cell.id
        assert (page.crop(cell.box_mm, 0.3) > ink_threshold(page)).mean() < 0.004, cell.id


def test_a_rule_a_little_out_of_place_goes_too(printed, layout) -> None:
    """Flattened 0.15 mm beside its place, a rule still leaves no ink."""
    one = layout("substrate")
    moved = np.roll(printed("substrate"), (1, 1), axis=(0, 1))
    page = extract_ink(moved, one)

    assert max(page.crop(c.box_mm, -0.4).max() for c in one.cells) < ink_threshold(page)


@pytest.mark.parametrize("sheet", SHEETS)
def test_rules_that_a_copier_made_thick_go_too(printed, layout, sheet: str) -> None:
    """Twice as thick, 0.7 mm and more, they leave no ink; a stroke beside them stays."""
    one, thick = layout(sheet), cv2.erode(printed(sheet), np.ones((4, 4), np.uint8), anchor=(2, 2))
    x, y, w, h = max(one.cells, key=lambda c: c.box_mm[2] * c.box_mm[3]).box_mm
    ends = (x + w / 2, y + 1.5), (x + w / 2, y + h - 1.5)
    bare, page, usual = (
        extract_ink(image, one) for image in (thick, _line(thick, *ends), _line(printed(sheet), *ends))
    )

    assert max(bare.crop(c.box_mm, -0.4).max() for c in one.cells if c.kind != "decimal") < ink_threshold(bare)
    assert page.slack_mm > usual.slack_mm == RULE_SLACK_MM
    assert _inked_mm2(page, (x, y, w, h)) == pytest.approx(_inked_mm2(usual, (x, y, w, h)), rel=0.15)


def test_a_stroke_across_a_rule_stays_whole(printed, layout) -> None:
    """Drawn from one box over the rule into the next, a line is one piece, not two."""
    one = layout("substrate")
    x, y, w, h = one.by_id["substrate/0.5"].box_mm
    page = extract_ink(_line(printed("substrate"), (x + 5, y + h - 4), (x + 7, y + h + 2)), one)
    mask = (page.crop((x, y, w, h), 3.0) > ink_threshold(page)).astype(np.uint8)
    stats = cv2.connectedComponentsWithStats(mask)[2]

    assert [s[cv2.CC_STAT_HEIGHT] for s in stats[1:] if s[cv2.CC_STAT_HEIGHT] > 20] == [pytest.approx(6 * 8, abs=8)]


@pytest.mark.parametrize("darkness", [0.35, 0.6, 0.9])
def test_pencil_is_as_dark_as_it_was_pressed(printed, layout, darkness: float) -> None:
    """The page's pencil is the share of light that its lines take away, within a tenth."""
    one = layout("substrate")
    image = printed("substrate")
    for cell in one.cells[3:23]:
        x, y, w, h = cell.box_mm
        image = _line(image, (x + 3, y + 2), (x + 6, y + h - 2), darkness=darkness)
    page = extract_ink(image, one)

    assert page.pencil == pytest.approx(darkness, abs=0.1)
    assert page.core == pytest.approx(darkness, abs=0.1)
    assert page.noise < 0.02


def test_without_writing_the_pencil_is_taken_as_middling(printed, layout) -> None:
    page = extract_ink(printed("substrate"), layout("substrate"))

    assert (page.pencil, page.core) == (0.5, 0.0)


def test_a_narrow_shadow_across_the_page_is_not_taken_for_its_pencil(printed, layout) -> None:
    """A rope's, 4 mm broad and as dark as a soft pencil, over a column of cells in which a hard one wrote."""
    one = layout("substrate")
    image = printed("substrate")
    cells = one.cells[:24]
    for x, y, _, h in (c.box_mm for c in cells):
        image = _line(image, (x + 4, y + 2), (x + 5, y + h - 2), darkness=0.3)
    x = cells[-1].box_mm[0] + 12
    shaded = _line(image, (x, 0), (x, 297), darkness=0.75, width_px=32)

    plain, other = (extract_ink(page, one).pencil for page in (image, shaded))
    assert other == pytest.approx(plain, abs=0.05)


def test_light_that_falls_off_is_no_ink(printed, layout) -> None:
    """Half the light at the right edge, and a soft shadow across the page, leave cells empty and lines whole."""
    one = layout("substrate")
    x, y, w, h = one.by_id["substrate/5.5"].box_mm
    image = _line(printed("substrate"), (x + 3, y + 2), (x + 6, y + h - 2)).astype(float)
    rows, columns = np.indices(image.shape)
    light = (1 - 0.5 * columns / image.shape[1]) * (1 - 0.4 / (1 + np.exp((rows - 1200) / 60)))
    plain, lit = (extract_ink(np.round(i).astype(np.uint8), one) for i in (image, image * light))

    assert _inked_mm2(lit, one.by_id["substrate/5.5"].box_mm) == pytest.approx(
        _inked_mm2(plain, one.by_id["substrate/5.5"].box_mm), rel=0.15
    )
    for cell in one.cells:
        if cell.id != "substrate/5.5":
            assert _inked_mm2(lit, cell.box_mm) < 0.1, cell.id


@pytest.mark.parametrize("shade", [0.5, 0.2])
def test_the_edge_of_a_shadow_darkens_no_paper_beside_it(printed, layout, shade: float) -> None:
    """2 mm wide and down the page, through the middle of a box."""
    one = layout("fish")
    box = next(c for c in one.cells if c.kind == "tally").box_mm
    at = (box[0] + box[2] / 2) * FLAT_PX_PER_MM
    light = np.clip((np.arange(one.page_size_mm[0] * FLAT_PX_PER_MM) - at) / 16 + 0.5, 0, 1) * (1 - shade) + shade
    image = printed("fish")
    ink = extract_ink(np.rint(image * light[: image.shape[1]]).astype(np.uint8), one)
    beside = (box[0] + box[2] / 2 - 4.0, box[1], 2.5, box[3])

    assert ink.crop(beside).max() < 0.12


def test_paper_brightness_sees_through_writing() -> None:
    """A line 0.6 mm wide does not darken the paper under it; a stain 20 mm wide does."""
    page = np.full((800, 800), 220, np.uint8)
    page[:, 398:403] = 60
    stained = page.copy()
    stained[200:600, 40:240] = 150
    flat, darker = (paper_brightness(filled_paper(one)) for one in (page, stained))

    assert flat == pytest.approx(np.full((200, 200), 220), abs=4)  # at a quarter of the size
    assert darker[100, 35] == pytest.approx(150, abs=8)


def test_crop_is_cut_at_the_edge_of_the_page(printed, layout) -> None:
    """A margin beyond the paper is left out, not wrapped round."""
    page = extract_ink(printed("site"), layout("site"))

    assert page.crop((0, 0, 5, 5), 3.0).shape == (64, 64)
    assert page.crop((205, 292, 5, 5), 3.0).shape == (64, 64)


@pytest.mark.parametrize("veil", [1.0, 0.5, 0.35])
def test_pale_print_makes_pale_pencil_count(printed, layout, veil: float) -> None:
    """A veil of light takes as much contrast from pencil as from print: what is left of print says how much to give back."""
    one = layout("site")
    image = printed("site").astype(np.float32)
    x, y, _, h = (int(v * FLAT_PX_PER_MM) for v in one.by_id["site/sun"].box_mm)
    image[y + 20 : y + h - 20, x + 30 : x + 34] *= 0.75
    veiled = np.rint(235 - veil * (235 - image)).astype(np.uint8)
    ink = extract_ink(veiled, one).crop(one.by_id["site/sun"].box_mm, -1.0)

    assert 0.17 < float(np.percentile(ink, 98)) < 0.27
