"""Whether the light lets pencil be seen; page images are drawn by hand on a printed page at flat scale."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.exposure import LEAST_DARK, MOST_GRAIN, SURE_DARK, burnt_out, grain, print_darkness
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import LEAST_EVEN, register
from digitise.pages.sight import unseen_cells
from digitise.sheets.layout import Layout


def _sheet(printed, layout: Layout, *, paper: int, pencil: float, cells: int = 6) -> np.ndarray:
    """A printed page on paper of this grey, a stroke that takes this share of the light in some of its cells."""
    image = np.rint(printed("site") * (paper / 235)).clip(0, 255).astype(np.uint8)  # printed on paper of grey 235
    for cell in layout.cells[:cells]:
        x, y, _, h = (int(v * FLAT_PX_PER_MM) for v in cell.box_mm)
        cv2.line(image, (x + 30, y + 16), (x + 30, y + h - 16), round((1 - pencil) * paper), 4)
    return image


@pytest.fixture(scope="module")
def site(layouts) -> Layout:
    return next(one for one in layouts if one.sheet == "site" and one.paper == "A4")


def test_white_page_without_pencil_is_burnt_out(printed, site) -> None:
    """Nothing tells whether nothing was written or nothing is left."""
    assert burnt_out(_sheet(printed, site, paper=255, pencil=0.5, cells=0), site)


@pytest.mark.parametrize("pencil", [LEAST_DARK + 0.03, 2 * LEAST_DARK - 0.02])
def test_white_page_with_faint_pencil_is_burnt_out(printed, site, pencil: float) -> None:
    """Where the darkest of what is left is faint, fainter strokes are gone."""
    assert burnt_out(_sheet(printed, site, paper=255, pencil=pencil), site)


@pytest.mark.parametrize("pencil", [2 * LEAST_DARK + 0.04, SURE_DARK - 0.05])
def test_white_page_with_whole_strokes_is_a_scan(printed, site, pencil: float) -> None:
    """Paper that is white everywhere alike may be a scan or a drawing: clear strokes without a break say that it is."""
    assert not burnt_out(_sheet(printed, site, paper=255, pencil=pencil), site)


@pytest.mark.parametrize("darkness", [0.3, 1.0])
def test_strokes_in_crumbs_are_what_is_left_of_pencil(printed, site, darkness: float) -> None:
    """A scanning app that makes all but the darkest pencil white, and the rest black, leaves crumbs half a millimetre long."""
    whole = _sheet(printed, site, paper=255, pencil=darkness, cells=len(site.cells))
    broken = whole.copy()
    for start in range(4, 8):
        broken[start::8] = np.maximum(
            broken[start::8], printed("site")[start::8]
        )  # every other half millimetre is bare

    assert not burnt_out(whole, site)
    assert burnt_out(broken, site)


@pytest.mark.parametrize(("long_mm", "burnt"), [(2.5, True), (4.0, False)])
def test_strokes_in_short_pieces_are_what_is_left_where_specks_were_removed(
    printed, site, long_mm: float, burnt: bool
) -> None:
    """Black strokes broken into pieces so long, half of them beside whole ones, without a crumb among them."""
    whole = _sheet(printed, site, paper=255, pencil=1.0, cells=len(site.cells))
    broken, bare = whole.copy(), printed("site")
    for cell in site.cells[::2]:
        x, y, w, h = (int(v * FLAT_PX_PER_MM) for v in cell.box_mm)
        box = (slice(y + 4, y + h - 4), slice(x + 4, x + w - 4))
        broken[box] = np.maximum(broken[box], bare[box])
        cv2.line(broken, (x + 30, y + 16), (x + 30, y + 16 + round(long_mm * FLAT_PX_PER_MM)), 0, 4)

    assert not burnt_out(whole, site)
    assert burnt_out(broken, site) is burnt


def test_white_page_with_firm_pencil_is_a_scan(printed, site) -> None:
    """Scanners and copiers make paper white; firm pencil says that nothing was lost."""
    assert not burnt_out(_sheet(printed, site, paper=255, pencil=SURE_DARK + 0.1), site)


def test_bright_paper_that_is_nowhere_washed_out_has_kept_clear_pencil(printed, site) -> None:
    """Paper of grey 248 is white, not burnt out: pencil of a third of its light is there whole. Fainter pencil is not sure."""
    bright, cells = {"paper": 248, "cells": len(site.cells)}, len(site.cells)
    clear, faint = (_sheet(printed, site, pencil=p, **bright) for p in (0.34, 0.2))
    lit = clear.copy()
    x, y, w, h = (int(v * FLAT_PX_PER_MM) for v in site.cells[cells // 2].box_mm)
    lit[y : y + h, x : x + w][clear[y : y + h, x : x + w] > 240] = 255

    assert not burnt_out(clear, site)
    assert burnt_out(faint, site)
    assert burnt_out(lit, site)


@pytest.mark.parametrize("pencil", [0.15, 0.9])
def test_grey_paper_is_not_burnt_out(printed, site, pencil: float) -> None:
    """Paper that has kept its grey has kept faint pencil, too; so has a page on which nothing is written."""
    assert not burnt_out(_sheet(printed, site, paper=200, pencil=pencil), site)
    assert not burnt_out(_sheet(printed, site, paper=200, pencil=pencil, cells=0), site)


@pytest.mark.parametrize("share", [0.05, 0.1, 0.25])
def test_grain_is_the_share_of_the_papers_light(printed, site, share: float) -> None:
    """Normal noise of a known spread on paper of grey 120 is measured within a tenth; strokes and rules add nothing."""
    image = _sheet(printed, site, paper=120, pencil=0.5).astype(np.float32)
    noisy = image + np.random.default_rng(3).normal(0, 120 * share, image.shape)

    assert grain(np.clip(np.rint(noisy), 0, 255).astype(np.uint8)) == pytest.approx(share, rel=0.1)


def test_clean_page_has_no_grain(printed, site) -> None:
    """A grey step of one is half a percent of paper of grey 200: less than that is none."""
    assert grain(_sheet(printed, site, paper=200, pencil=0.5)) < 0.005 < MOST_GRAIN


@pytest.mark.parametrize(("veil", "told"), [(0.2, False), (0.6, True)])
def test_cells_under_a_veil_are_told_apart_from_those_beside_it(
    printed, site, page_of, veil: float, told: bool
) -> None:
    """Grease on the lens takes contrast from print and pencil alike; a fifth of it lost leaves pencil to be seen."""
    image, half = printed("site").astype(np.float32), 840
    image[:, :half] += veil * (235 - image[:, :half])
    unseen = unseen_cells(page_of(site, np.rint(image).astype(np.uint8)).flattened, site)
    framed = [c for c in site.cells if c.kind != "text"]
    under = {c.id for c in framed if c.box_mm[0] + c.box_mm[2] < 100}
    beside = {c.id for c in framed if c.box_mm[0] > 110}

    assert under
    assert beside
    assert under <= unseen.veiled if told else not unseen.veiled
    assert not beside & unseen.all


@pytest.mark.parametrize(("mist", "reason"), [(0.5, None), (0.75, None), (0.9, "veiled")])
def test_page_whose_print_has_all_but_gone_is_refused(printed, layouts, mist: float, reason: str | None) -> None:
    """Mist that leaves a tenth of the contrast leaves 3 hundredths of hard pencil: it would read as bare paper."""
    clear = cv2.resize(printed("fish"), None, fx=0.75, fy=0.75, interpolation=cv2.INTER_AREA)
    page = register(np.rint(clear * (1 - mist) + 190 * mist).astype(np.uint8), layouts)

    assert page.layout.sheet == "fish"
    assert bool(page) == (reason is None)
    assert reason is None or (page.reason, page.layout.sheet) == (reason, "fish")


def test_print_is_as_dark_as_the_light_that_it_takes(printed, site) -> None:
    """Black of grey 0 to 40 on paper of grey 235 takes most of the light; a veil of half of it, half of that."""
    image = printed("site").astype(np.float32)
    clear = print_darkness(image.astype(np.uint8), site)

    assert clear > 0.8
    assert print_darkness(np.rint((image + 235) / 2).astype(np.uint8), site) == pytest.approx(clear / 2, abs=0.02)


@pytest.mark.parametrize(("lost", "wide_mm", "hidden"), [(0.65, 5, True), (0.45, 5, False), (0.65, 1.5, False)])
def test_a_band_of_light_across_a_wide_box_hides_it(printed, layout, page_of, lost, wide_mm, hidden: bool) -> None:
    """Where print keeps a third of its contrast over 5 mm, faint strokes may be gone; over less, no stroke fits in."""
    fish = layout("fish")
    cell = next(c for c in fish.cells if c.kind == "tally")
    image, left = printed("fish").astype(np.float32), round((cell.box_mm[0] + 8) * FLAT_PX_PER_MM)
    band = image[:, left : left + round(wide_mm * FLAT_PX_PER_MM)]
    band += lost * (255 - band)

    assert (cell.id in unseen_cells(page_of(fish, np.rint(image).astype(np.uint8)).flattened, fish).all) is hidden


def test_print_smeared_one_way_hides_no_cells_and_is_measured(printed, layout, page_of) -> None:
    """A phone that moved 0.9 mm leaves upright rules paler than level ones all over the page: nothing lies over it."""
    fish, sharp = layout("fish"), printed("fish")
    smeared = cv2.blur(sharp, (7, 1))
    clear, moved = (unseen_cells(page_of(fish, image).flattened, fish) for image in (sharp, smeared))

    assert clear.evenness > 0.9
    assert 0.3 < moved.evenness < 0.45
    assert not moved.all


def test_print_that_is_pale_one_way_but_as_sharp_both_ways_was_not_smeared(printed, layout, layouts) -> None:
    """Level rules that hardly took the ink: only edges that are softer in one direction tell of a phone that moved."""
    image = printed("fish").astype(np.float32)
    for rule in (r for r in layout("fish").rules if r.y0 == r.y1):
        y, (x0, x1) = round(rule.y0 * FLAT_PX_PER_MM), sorted(round(x * FLAT_PX_PER_MM) for x in (rule.x0, rule.x1))
        part = image[y - 3 : y + 5, x0 + 6 : x1 - 6]
        part[:] = 235 - 0.2 * (235 - part)
    soft = cv2.GaussianBlur(image, (0, 0), 2.0).astype(np.uint8)
    page = register(cv2.copyMakeBorder(soft, 120, 120, 120, 120, cv2.BORDER_CONSTANT, value=90), layouts)

    assert page.evenness < LEAST_EVEN


@pytest.mark.parametrize(
    ("patch", "whole_page", "kind"),
    [
        pytest.param(225, 1.0, "glare", id="brighter-than-the-paper"),
        pytest.param(200, 1.0, "covered", id="as-bright-as-the-paper"),
        pytest.param(200, 0.1, "veiled", id="where-all-print-is-pale-as-through-mist"),
    ],
)
def test_what_hides_a_boxs_lower_rule_is_named_by_its_light(
    printed, site, page_of, patch: int, whole_page: float, kind: str
) -> None:
    """The middle of the box stays clear: the light is looked at where the print is lost."""
    image = 200 - whole_page * np.maximum(200 - printed("site").astype(np.float32) * (200 / 235), 0)
    cell = next(c for c in site.cells if c.kind == "number")
    x, y, w, h = (round(v * FLAT_PX_PER_MM) for v in cell.box_mm)
    image[y + h - 16 : y + h + 24, x - 40 : x + w + 40] = patch
    unseen = unseen_cells(page_of(site, np.rint(image).astype(np.uint8)).flattened, site)

    assert cell.id in getattr(unseen, kind)


def _around(x: int, w: int) -> tuple[int, int]:
    return x - 40, x + w + 40


def _to_its_left(x: int, w: int) -> tuple[int, int]:  # it ends on the rule of the box, and covers what is printed there
    return 80, x + 4


@pytest.mark.parametrize(("frames_seen", "hidden"), [(True, False), (False, True)])
@pytest.mark.parametrize(("cell_id", "columns"), [("site/team", _around), ("site/time", _to_its_left)])
def test_a_shadow_as_dark_as_skin_hides_nothing_where_print_is_seen_in_it(
    printed, site, page_of, cell_id: str, columns, frames_seen: bool, hidden: bool
) -> None:
    """A third of the page's grey is left, as where full sun lies beside; what lies over the sheet is as dark."""
    image = printed("site").copy()
    x, y, w, h = (round(v * FLAT_PX_PER_MM) for v in site.by_id[cell_id].box_mm)
    part = image[y - 40 : y + h + 40, slice(*columns(x, w))]
    part[:] = np.rint(part * 0.33) if frames_seen else 78
    unseen = unseen_cells(page_of(site, image).flattened, site)

    assert (cell_id in unseen.all) is hidden
