"""Corner marks are found at any turn and size, told apart, and their corners known to a fraction of a pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from digitise.pages.fiducials import FoundMark, _crossing, find_marks
from digitise.sheets.sheet import MARK_DICTIONARY, mark_modules


def _mark(mark_id: int, module_px: int) -> np.ndarray:
    """A mark on white, one module of white around it."""
    black = np.pad(mark_modules(mark_id), 1).astype(np.uint8)
    return np.kron(1 - black, np.full((module_px, module_px), 255, np.uint8)).astype(np.uint8)


def _scene(turn_deg: float, *, side_px: float = 80, ids=(40, 41, 42, 43)) -> tuple[np.ndarray, dict[int, np.ndarray]]:
    """Marks on a grey table, each turned; the picture and the true corners (4, 2) of each mark."""
    canvas = np.full((900, 1200), 170, np.uint8)
    truth = {}
    for i, mark_id in enumerate(ids):
        centre = np.array([250 + 700 * (i in (1, 2)), 220 + 450 * (i > 1)], float)
        source = _mark(mark_id, 24)
        n, inner = source.shape[0], 24 * 8
        scale = side_px / inner
        cos, sin = scale * np.cos(np.deg2rad(turn_deg)), scale * np.sin(np.deg2rad(turn_deg))
        matrix = np.array([[cos, -sin, 0], [sin, cos, 0]])
        matrix[:, 2] = centre - matrix[:, :2] @ np.array([n / 2 - 0.5, n / 2 - 0.5])
        small = cv2.GaussianBlur(source, (0, 0), 0.4 / scale)
        cv2.warpAffine(
            small, matrix, canvas.shape[::-1], dst=canvas, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_TRANSPARENT
        )
        low, high = 24 - 0.5, 24 + inner - 0.5
        corners = np.array([(low, low), (high, low), (high, high), (low, high)])
        truth[mark_id] = corners @ matrix[:, :2].T + matrix[:, 2]
    return canvas, truth


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 90, 133, 180, 270, 341])
def test_marks_are_found_at_any_turn(turn_deg: float) -> None:
    """All four, each by its id; corners start at the mark's own top left and run clockwise, within 0.3 px."""
    picture, truth = _scene(turn_deg)
    found = {m.id: m for m in find_marks(picture)}

    assert set(found) == set(truth)
    for mark_id, mark in found.items():
        assert np.abs(mark.corners_px - truth[mark_id]).max() < 0.3


@pytest.mark.parametrize("side_px", [30, 55, 150, 230])
def test_marks_are_found_at_any_usual_size(side_px: float) -> None:
    """From 30 px (2.5 pixels a millimetre) on; the side is measured within 2 %."""
    found = find_marks(_scene(8, side_px=side_px)[0])

    assert len(found) == 4
    assert [m.side_px for m in found] == pytest.approx([side_px] * 4, rel=0.02)


def test_slot_and_corner_are_parts_of_the_id() -> None:
    """Id 43 is corner 3 (bottom left) of slot 10."""
    mark = FoundMark(43, np.array([(0, 0), (10, 0), (10, 10), (0, 10)], float))

    assert (mark.slot, mark.corner, mark.side_px) == (10, 3, 10.0)


def test_nothing_is_found_where_nothing_is() -> None:
    """Plain grey, noise and a chessboard hold no marks."""
    rng = np.random.default_rng(4)
    board = np.kron(np.indices((12, 16)).sum(axis=0) % 2, np.ones((40, 40))) * 255

    for picture in (
        np.full((300, 400), 128, np.uint8),
        rng.integers(0, 256, (400, 500)).astype(np.uint8),
        board.astype(np.uint8),
    ):
        assert find_marks(picture) == []


@pytest.mark.parametrize("shape", [(1, 1), (1, 500), (40, 30), (5000, 20)])
def test_a_picture_of_any_shape_is_searched(shape: tuple[int, int]) -> None:
    """The smallest and the narrowest pictures end quietly."""
    assert find_marks(np.full(shape, 200, np.uint8)) == []


def test_mirrored_marks_are_not_taken_for_ours() -> None:
    """A sheet seen in a mirror, or through its back, is no sheet."""
    assert find_marks(np.ascontiguousarray(np.fliplr(_scene(5)[0]))) == []


def test_same_mark_twice_is_kept_twice_largest_first() -> None:
    """Two sheets of one kind in one picture show every id twice."""
    large, _ = _scene(3, side_px=100)
    small, _ = _scene(3, side_px=60)
    found = find_marks(np.vstack([small, large]))

    assert sorted(m.id for m in found) == [40, 40, 41, 41, 42, 42, 43, 43]
    assert [m.side_px > 80 for m in found] == [True] * 4 + [False] * 4


def test_marks_of_a_page_lie_where_its_photograph_says(photograph, layout) -> None:
    """On a simulated photograph of a curled sheet, the corners are within 0.8 px (0.1 mm) of the truth."""
    taken, one = photograph("substrate"), layout("substrate")
    found = {m.id: m.corners_px for m in find_marks(taken.gray())}

    assert set(found) == {f.id for f in one.fiducials}
    for mark in one.fiducials:
        truth = taken.shot.page_to_photo_px(np.array(mark.corners_mm))
        assert np.abs(found[mark.id] - truth).max() < 0.8


def _sheet_px(size_px: int, homography: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
    """A sheet of 600 x 800 with marks of 40 at its corners, seen through a homography on a grey table."""
    page = np.full((800, 600), 255, np.uint8)
    places = [(30, 30), (530, 30), (530, 730), (30, 730)]
    for mark_id, (x, y) in zip((40, 41, 42, 43), places, strict=True):
        page[y : y + 40, x : x + 40] = _mark(mark_id, 5)[5:-5, 5:-5]
    picture = cv2.warpPerspective(page, homography, (size_px, size_px), flags=cv2.INTER_AREA, borderValue=150)
    corners = [np.array([(x, y), (x + 40, y), (x + 40, y + 40), (x, y + 40)], float) - 0.5 for x, y in places]
    return picture, [cv2.perspectiveTransform(c[None], homography)[0] for c in corners]


@pytest.mark.parametrize("corner", range(4))
def test_three_marks_say_where_the_fourth_should_lie(corner: int) -> None:
    """Under perspective, within one side of a mark; where middle lines run side by side they say nothing."""
    homography = np.array([[1.1, 0.2, 50], [-0.25, 1.0, 220], [0.0003, 0.0001, 1]])
    _, quads = _sheet_px(900, homography)
    marks = {c: FoundMark(40 + c, q) for c, q in enumerate(quads) if c != corner}
    place = _crossing(marks, corner)

    assert np.linalg.norm(place - quads[corner].mean(axis=0)) < 40
    turned = (corner + 1) % 4
    marks[turned] = FoundMark(40 + turned, np.roll(quads[turned], 1, axis=0))
    assert _crossing(marks, corner) is None


def test_a_mark_too_dim_for_a_glance_is_found_beside_the_other_three() -> None:
    """A faint fourth mark is found where it should lie; a covered one stays away, and the three are there."""
    picture, quads = _sheet_px(2000, np.diag([2.2, 2.2, 1.0]))
    x0, y0 = quads[2].min(axis=0).astype(int) - 30
    whole = picture.copy()
    picture[y0 : y0 + 150, x0 : x0 + 150] = 200 + picture[y0 : y0 + 150, x0 : x0 + 150] // 16
    hidden = whole.copy()
    hidden[y0 : y0 + 150, x0 : x0 + 150] = 90

    assert {m.id for m in find_marks(whole)} == {40, 41, 42, 43}
    assert {m.id for m in find_marks(picture)} == {40, 41, 42, 43}
    assert {m.id for m in find_marks(hidden)} == {40, 41, 43}


def _lit(picture: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """The picture with a strip of light across the middle of a mark: black is bright there, brighter than white beside it."""
    x, y = corners.mean(axis=0)
    rows, columns = np.mgrid[0 : picture.shape[0], 0 : picture.shape[1]]
    far = np.abs((columns - x) * 0.8 + (rows - y) * 0.6) / 20
    return np.clip(0.7 * picture + 180 * np.exp(-(far**2)), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("turn_deg", [0, 77, 163, 250])
def test_a_mark_that_light_lies_across_is_recognised_by_the_other_three(turn_deg: float) -> None:
    """Its corners begin at its own top left, as those of a mark that is read do."""
    picture, truth = _scene(turn_deg)
    lit = _lit(picture, truth[43])
    found = {m.id: m.corners_px for m in find_marks(lit)}

    assert 43 not in _read(lit)
    assert np.abs(found[43] - truth[43]).max() < 1.0


@pytest.mark.parametrize("other", [47, 39, 41])
def test_another_mark_under_light_is_not_taken_for_the_missing_one(other: int) -> None:
    picture, truth = _scene(20, ids=(40, 41, 42, other))
    lit = _lit(picture, truth[other])

    assert other not in _read(lit) - {40, 41, 42}
    assert sorted(m.id for m in find_marks(lit)) == [40, 41, 42]


def _read(picture: np.ndarray) -> set[int]:
    """The marks that are read as they are, none of them recognised."""
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY))
    return set(detector.detectMarkers(picture)[1].ravel().tolist())


def test_knowing_which_sheets_there_are_changes_no_mark_of_theirs() -> None:
    """Marks 40 to 43 are those of page 10; searched for among others' or all alone, they are found at the same place."""
    picture, _ = _scene(8)
    everything, known = find_marks(picture), find_marks(picture, {3, 10, 77})

    assert [m.id for m in known] == [m.id for m in everything]
    assert all((a.corners_px == b.corners_px).all() for a, b in zip(known, everything, strict=True))


def test_marks_of_no_known_sheet_are_found_too() -> None:
    """Where none of a known sheet is there, others are, so that it can be told that they are of no known sheet."""
    assert {m.slot for m in find_marks(_scene(8)[0], {3, 77})} == {10}


def test_a_small_sheet_beside_a_large_one_is_seen() -> None:
    """Marks of 44 px, 3.6 pixels a millimetre, in a picture of 12 megapixels that is half filled by another sheet."""
    large, _ = _sheet_px(2900, np.diag([3.6, 3.6, 1.0]))
    small, _ = _sheet_px(1000, np.diag([1.1, 1.1, 1.0]))
    picture = np.full((3000, 4000), 150, np.uint8)
    picture[:2900, :2900], picture[1000:2000, 2950:3950] = large, small
    found = find_marks(picture, {10})

    assert [round(m.side_px, -1) for m in found] == [140] * 4 + [40] * 4
