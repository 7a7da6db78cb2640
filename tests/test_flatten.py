"""A curled page becomes flat: warps that are known exactly are found again, and the residual is an honest number."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages import flatten as flatten_module
from digitise.pages import matching, smooth
from digitise.pages.flatten import (
    EDGE_MM,
    FLAT_PX_PER_MM,
    GRID_MM,
    Views,
    Warp,
    flatten_views,
    grid_shape,
)
from digitise.pages.matching import anchors_mm, edges_mm, match
from digitise.pages.page import MAX_STRAIN
from digitise.sheets.layout import Layout

SCALE = 7.0


def _still(one) -> Warp:
    return Warp(np.diag([SCALE, SCALE, 1.0]), np.zeros((*grid_shape(one.page_size_mm), 2), np.float32))


def _waves(amplitude_mm: float, period_mm: float = 180.0):
    """Shift (x, y) in mm at a place of the table."""
    return lambda x, y: (
        amplitude_mm * np.sin(2 * np.pi * y / period_mm),
        0.6 * amplitude_mm * np.sin(2 * np.pi * x / period_mm + 1),
    )


def _right_edge(x, y):
    """The last 3 cm of a page come up, most where its height is two thirds: the last column of boxes moves, and little else."""
    return -1.8 * np.clip((x - 176) / 18, 0, 1.2) * np.exp(-(((y - 180) / 40) ** 2)), 0 * y


def _bent(printed: np.ndarray, shift) -> tuple[np.ndarray, object]:
    """A printed flat page seen bent: a picture at `SCALE` px/mm on a dark table, and page mm -> photo px."""
    height, width = (int(round(v / FLAT_PX_PER_MM * SCALE)) + 160 for v in printed.shape)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    mm_x, mm_y = (x + 0.5 - 80) / SCALE, (y + 0.5 - 80) / SCALE
    dx, dy = shift(mm_x, mm_y)
    inside = cv2.remap(
        printed,
        ((mm_x - dx) * FLAT_PX_PER_MM - 0.5).astype(np.float32),
        ((mm_y - dy) * FLAT_PX_PER_MM - 0.5).astype(np.float32),
        cv2.INTER_AREA,
        borderValue=70,
    )

    def to_photo(points_mm):
        """Solve p = q - shift(q) for q by iteration, then mm to px."""
        points = np.asarray(points_mm, float)
        q = points.copy()
        for _ in range(40):
            q = points + np.column_stack(shift(q[:, 0], q[:, 1]))
        return q * SCALE + 80 - 0.5

    return inside, to_photo


def _from_marks(one, to_photo) -> np.ndarray:
    flat = np.array([c for m in one.fiducials for c in m.corners_mm])
    return cv2.findHomography(flat, to_photo(flat), 0)[0]


def _in_cells(one) -> np.ndarray:
    """Nine places in every cell that is not free text; none of them is a printed corner."""
    steps = np.array([(u, v) for u in (0.1, 0.5, 0.9) for v in (0.15, 0.5, 0.85)])
    return np.vstack([np.array(c.box_mm[:2]) + steps * c.box_mm[2:] for c in one.cells if c.kind != "text"])


# --- warps -----------------------------------------------------------------------------------------------


def test_warp_without_shift_is_its_homography(layout) -> None:
    """At 7 px/mm, page point (10, 20) mm lies on photo pixel (70, 140)."""
    warp = _still(layout("site"))

    assert warp.photo_px(np.array([[10.0, 20.0], [0, 0]])) == pytest.approx(np.array([[70, 140], [0, 0]]), abs=1e-4)


def test_shift_is_interpolated_between_nodes(layout) -> None:
    """A shift that grows linearly over the page is given back exactly, off the nodes too."""
    warp = _still(layout("site"))
    rows, columns = warp.shift_mm.shape[:2]
    warp.shift_mm[..., 0] = 0.01 * (np.arange(columns) * GRID_MM - EDGE_MM)
    points = np.random.default_rng(1).uniform(0, 200, (50, 2)).astype(np.float32)

    # OpenCV interpolates on 32nds of a node, so to within 0.01 x 2 mm / 32.
    assert rows * columns == len(warp.shift_mm.reshape(-1, 2))
    assert warp.shift_at(points)[:, 0] == pytest.approx(0.01 * points[:, 0], abs=0.001)
    assert warp.photo_px(points)[:, 0] == pytest.approx(SCALE * 1.01 * points[:, 0], abs=0.01)


def test_maps_agree_with_points(layout) -> None:
    """The raster's maps and `photo_px` say the same of every pixel centre, within 0.05 px."""
    one = layout("site")
    warp = _still(one)
    rng = np.random.default_rng(2)
    warp.shift_mm[...] = cv2.resize(
        rng.normal(0, 2, (4, 3, 2)).astype(np.float32), warp.shift_mm.shape[1::-1], interpolation=cv2.INTER_CUBIC
    )
    strips = list(warp.maps(one.page_size_mm, FLAT_PX_PER_MM))
    maps = np.stack([np.vstack([x for _, x, _ in strips]), np.vstack([y for _, _, y in strips])], axis=-1)
    at = np.column_stack([rng.integers(0, maps.shape[1], 200), rng.integers(0, maps.shape[0], 200)])
    px = warp.photo_px((at + 0.5) / FLAT_PX_PER_MM)

    assert maps.shape == (297 * 8, 210 * 8, 2)
    assert maps[at[:, 1], at[:, 0]] == pytest.approx(px, abs=0.15)


def test_anchors_are_corners_of_printed_boxes(layout) -> None:
    """Each anchor ends a horizontal and a vertical rule; the substrate page has four or more a point."""
    one = layout("substrate")
    anchors = anchors_mm(one)
    ends = {(round(x, 2), round(y, 2)) for r in one.rules for x, y in ((r.x0, r.y0), (r.x1, r.y1))}

    assert {(round(float(x), 2), round(float(y), 2)) for x, y in anchors} <= ends
    assert len(anchors) >= 4 * 40
    assert len(np.unique(anchors, axis=0)) == len(anchors)


# --- flattening ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sheet", "amplitude_mm"), [("substrate", 0.0), ("substrate", 2.0), ("fish", 2.0), ("site", 1.5)]
)
def test_known_bend_is_undone(printed, layout, sheet: str, amplitude_mm: float) -> None:
    """Places in the cells come back within 0.2 mm (95 of 100), although by the marks alone they are up to 3 mm out."""
    one = layout(sheet)
    photo, to_photo = _bent(printed(sheet), _waves(amplitude_mm))
    homography = _from_marks(one, to_photo)
    flat = flatten_views(Views(photo), one, homography)
    points = _in_cells(one)
    by_marks = Warp(homography, np.zeros_like(flat.warp.shift_mm))
    before = np.linalg.norm(by_marks.photo_px(points) - to_photo(points), axis=1) / SCALE
    after = np.linalg.norm(flat.warp.photo_px(points) - to_photo(points), axis=1) / SCALE

    assert flat.image.shape == (297 * 8, 210 * 8)
    assert np.percentile(before, 95) >= amplitude_mm
    assert np.percentile(after, 95) < 0.2
    assert flat.matched > 0.9
    assert flat.residual_mm < 0.3


@pytest.mark.parametrize("sheet", ["fish", "invertebrate"])
def test_a_column_that_moves_alone_is_followed(printed, layout, sheet) -> None:
    """Along a page's edge most neighbours of a corner lie further inside, where the paper is flat."""
    one = layout(sheet)
    photo, to_photo = _bent(printed(sheet), _right_edge)
    flat = flatten_views(Views(photo), one, _from_marks(one, to_photo))
    points = _in_cells(one)
    after = np.linalg.norm(flat.warp.photo_px(points) - to_photo(points), axis=1) / SCALE

    assert np.percentile(after, 98) < 0.4
    assert flat.residual_mm < 0.3


@pytest.mark.parametrize("sheet", ["site", "fish", "invertebrate", "substrate"])
def test_a_box_is_fitted_on_every_side(layout, sheet: str) -> None:
    """Of the corners held out, about one in five, no two lie so close that they are one side of a box."""
    one = flatten_module._printed(layout(sheet))
    held = one.corners[~one.fitted]
    apart = np.linalg.norm(held[:, None] - held, axis=2) + 1e3 * np.eye(len(held))

    assert 0.15 < (~one.fitted).mean() <= 0.2
    assert apart.min() > max(c.box_mm[3] for c in layout(sheet).cells if c.kind == "decimal")


def test_pencil_across_printed_corners_bends_no_page(printed, layout) -> None:
    """Dark strokes that cross close beside a corner look a little more like it than pale print does."""
    one, scale = layout("site"), FLAT_PX_PER_MM
    held = flatten_module._printed(one)
    written = (255 - 0.65 * (255.0 - printed("site"))).astype(np.uint8)
    for x, y in (held.corners[held.judged][:4] + 0.7) * scale:
        for dx, dy in ((3, 0), (0, 3), (-3, 0), (0, -3)):
            cv2.line(written, (int(x), int(y)), (int(x + dx * scale), int(y + dy * scale)), 20, 5)
    photo, to_photo = _bent(written, _waves(0.0))

    assert flatten_views(Views(photo), one, _from_marks(one, to_photo)).residual_mm < 0.3


def test_corners_of_lines_of_words_tell_no_residual(layout) -> None:
    """A person reads these; the corners of all other boxes, and the marks', are judged."""
    one = layout("site")
    held = flatten_module._printed(one)
    words = [c.box_mm for c in one.cells if c.kind == "text"]
    assert not any(
        x - 1 < px < x + w + 1 and y - 1 < py < y + h + 1
        for px, py in held.corners[held.judged]
        for x, y, w, h in words
    )
    assert 16 <= held.judged.sum() < (~held.fitted).sum()


def test_flat_page_equals_the_print(printed, layout) -> None:
    """A page photographed straight from above comes back as it was printed: correlation above 0.97."""
    photo, to_photo = _bent(printed("substrate"), _waves(0.0))
    flat = flatten_views(Views(photo), layout("substrate"), _from_marks(layout("substrate"), to_photo)).image
    body = (slice(240, -240), slice(120, -120))

    assert np.corrcoef(flat[body].ravel(), printed("substrate")[body].ravel())[0, 1] > 0.97


def test_wrong_layout_is_told_by_its_residual(printed, layout) -> None:
    """The fish sheet's picture under the substrate layout matches few corners: nothing to be trusted."""
    photo, to_photo = _bent(printed("fish"), _waves(0.5))
    flat = flatten_views(Views(photo), layout("substrate"), _from_marks(layout("fish"), to_photo))
    trusted = flat.matched >= 0.35 and flat.residual_mm < 0.9

    assert not trusted


@pytest.mark.parametrize("picture", ["white", "noise"])
def test_nothing_to_match_gives_no_trust(layout, picture: str) -> None:
    """A blank or a noisy picture ends without an exception, nothing matched."""
    one = layout("substrate")
    shape = (2100, 1500)
    photo = (
        np.full(shape, 230, np.uint8)
        if picture == "white"
        else np.random.default_rng(3).integers(0, 255, shape).astype(np.uint8)
    )
    flat = flatten_views(Views(photo), one, np.diag([SCALE, SCALE, 1.0]))

    assert flat.image.shape == (297 * 8, 210 * 8)
    assert flat.matched < 0.35


@pytest.mark.parametrize("name", ["fish", "site"])
def test_points_on_rules_are_found_as_a_search_all_around_finds_them(layout, name) -> None:
    """Across its rule a point's best place and score are OpenCV's own, among places with nothing moved along the rule."""
    one = layout(name)
    rng = np.random.default_rng(8)
    points, ways = edges_mm(one)
    drawing = matching._drawing(one, 5.0)
    image = cv2.warpAffine(drawing, np.float32([[1, 0, 1.6], [0, 1, -2.3]]), drawing.shape[::-1], borderValue=255)
    image = cv2.add(image, rng.normal(0, 4, image.shape), dtype=cv2.CV_8U)
    shifts, scores = match(image, one, points, px_per_mm=5.0, patch_mm=1.5, search_mm=0.8, along=ways)

    half, reach = 8, 4
    for i in range(0, len(points), 7):
        x, y = np.round(points[i] * 5.0).astype(int)
        rx, ry = (reach, 0) if ways[i, 1] else (0, reach)
        patch = drawing[y - half : y + half + 1, x - half : x + half + 1]
        area = image[y - half - ry : y + half + ry + 1, x - half - rx : x + half + rx + 1]
        found = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED).ravel()
        assert scores[i] == pytest.approx(found.max(), abs=2e-4)
        assert abs((shifts[i] * 5.0).sum() - (found.argmax() - reach)) <= 0.5001


def test_a_polynomial_on_a_grid_is_the_polynomial_at_its_points() -> None:
    """Columns and rows apart give what the sum of all products of powers gives at each crossing."""
    rng = np.random.default_rng(3)
    x, y, size, degree = np.linspace(0, 210, 7), np.linspace(-6, 300, 5), (210.0, 297.0), 5
    solution = rng.normal(0, 1, (21, 2))
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)

    by_point = smooth.monomials(points, size, degree) @ solution
    assert smooth.polynomial_on_grid(x, y, solution, size, degree).reshape(-1, 2) == pytest.approx(by_point)
    u, v = 2 * points.T / np.array(size)[:, None] - 1
    assert smooth.monomials(points, size, 2) == pytest.approx(np.stack([1 + 0 * u, v, v**2, u, u * v, u**2], axis=1))


def test_strain_is_the_change_of_the_shift_from_one_millimetre_to_the_next(layout) -> None:
    """A page whose points lie 0.3 mm further down for every millimetre to the right is strained by 0.3."""
    one = layout("fish")
    rows, columns = grid_shape(one.page_size_mm)
    shift = np.zeros((rows, columns, 2), np.float32)
    shift[..., 1] = 0.3 * GRID_MM * np.arange(columns)

    assert _still(one).strain(one) == 0
    assert Warp(np.eye(3), shift).strain(one) == pytest.approx(0.3, rel=1e-4)


def _steps(layout: Layout, first_mm: float, last_mm: float) -> Warp:
    """A warp that moves what lies below `last_mm` a row of 8 mm down, and nothing above `first_mm`."""
    rows, columns = grid_shape(layout.page_size_mm)
    y = np.arange(rows) * GRID_MM - EDGE_MM
    shift = np.zeros((rows, columns, 2), np.float32)
    shift[..., 1] = 8.0 * np.interp(y, [first_mm, last_mm], [0, 1])[:, None]
    return Warp(np.eye(3), shift)


@pytest.mark.parametrize("above", [0, 60, 120], ids=["all rows", "most rows", "half of the rows"])
def test_rows_taken_for_the_next_strain_the_page(layout, above: float) -> None:
    """The step lies between the corner marks and the first cells, or among the cells."""
    one = layout("fish")
    top = min(c.box_mm[1] for c in one.cells) + above

    assert _steps(one, top - 20, top).strain(one) > MAX_STRAIN


def test_paper_on_which_nothing_stands_cannot_strain_a_page(layouts) -> None:
    """The second half of a sheet on small paper holds four cells; the rest is bare, and nothing holds the warp there."""
    one = next(p for p in layouts if (p.sheet, p.page, p.paper) == ("site", 2, "A5"))
    low = max(c.box_mm[1] + c.box_mm[3] for c in one.cells)

    assert _steps(one, low + 15, low + 35).strain(one) == 0
