"""Marks become sheets, and a sheet whose corners are hidden is still found, or refused in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest
from conftest import CLEAR
from covers import Cover, corner_cover, lay

from digitise.adapt.own_cells import _decode
from digitise.batch.batch import known_protocols, record, summary
from digitise.pages import page
from digitise.pages.fiducials import FoundMark
from digitise.pages.flatten import Views
from digitise.pages.page import register, register_all
from digitise.pages.photo import Photo
from digitise.pages.pose import carried_on, homography_of, poses_in
from digitise.pages.sight import unseen_cells
from digitise.reader.read import read_decoded
from digitise.reader.reasons import REASONS
from digitise.store import Store

NOW = datetime(2026, 3, 28, 9, 30, tzinfo=UTC)


def _marks(one, place, *, corners=range(4)) -> list[FoundMark]:
    """Marks of a layout where the homography `place` puts them."""
    found = []
    for corner in corners:
        flat = np.array(one.fiducials[corner].corners_mm, np.float64).reshape(-1, 1, 2)
        found.append(FoundMark(one.fiducials[corner].id, cv2.perspectiveTransform(flat, place).reshape(4, 2)))
    return found


def _gray(shot) -> np.ndarray:
    return cv2.cvtColor(shot.image, cv2.COLOR_BGR2GRAY)


def _error_mm(page, shot) -> np.ndarray:
    """How far the middles of cells are from where they truly lie, mm."""
    points = np.array([(x + w / 2, y + h / 2) for x, y, w, h in (c.box_mm for c in page.layout.cells)])
    truth = shot.page_to_photo_px(points)
    px_per_mm = np.linalg.norm(shot.page_to_photo_px(points + np.array([1, 0])) - truth, axis=1)
    return np.linalg.norm(page.flattened.warp.photo_px(points) - truth, axis=1) / px_per_mm


def _hidden_truly(page, covers) -> set[str]:
    """Cells of which a cover hides the middle, or a place an eighth of their size from an edge or corner."""
    steps = np.array([(u, v) for u in (0.12, 0.5, 0.88) for v in (0.12, 0.5, 0.88)])
    return {
        c.id
        for c in page.layout.cells
        if any(cover.hides(np.array(c.box_mm[:2]) + steps * c.box_mm[2:]).any() for cover in covers)
    }


# --- marks to sheets -------------------------------------------------------------------------------------


def test_homography_of_exact_marks_is_theirs(layout) -> None:
    """Eight pixels a millimetre and 40 px from the left: page point (10, 20) lies on (120, 160)."""
    place = np.array([[8.0, 0, 40], [0, 8.0, 0], [0, 0, 1]])
    found, miss = homography_of(layout("fish"), _marks(layout("fish"), place))

    assert miss < 1e-6
    assert cv2.perspectiveTransform(np.array([[[10.0, 20.0]]]), found).ravel() == pytest.approx([120, 160])


def test_marks_of_two_sheets_of_one_kind_are_not_mixed(layout) -> None:
    """Eight marks, each id twice: two sheets, each with the four marks of one of them."""
    one = layout("fish")
    left, right = (np.array([[4.0, 0, x], [0.2, 4.0, 0], [0, 0, 1]]) for x in (0, 1000))
    poses = poses_in([*_marks(one, left), *_marks(one, right)][::-1], [one])

    assert [len(p.marks) for p in poses] == [4, 4]
    assert sorted(round(p.homography[0, 2]) for p in poses) == [0, 1000]


def test_marks_of_a_second_sheet_need_not_all_be_seen(layout) -> None:
    one = layout("fish")
    left, right = (np.array([[4.0, 0, x], [0, 4.0, 0], [0, 0, 1]]) for x in (0, 1000))
    poses = poses_in([*_marks(one, left, corners=(1, 3)), *_marks(one, right)], [one])

    assert [len(p.marks) for p in poses] == [4, 2]


def test_marks_that_do_not_lie_as_on_a_sheet_have_no_homography(layout) -> None:
    """One of the four 300 px from its place."""
    one = layout("fish")
    marks = _marks(one, np.diag([4.0, 4.0, 1.0]))
    marks[2] = FoundMark(marks[2].id, marks[2].corners_px - 300)

    assert homography_of(one, marks)[0] is None


# --- hidden corners --------------------------------------------------------------------------------------

HIDDEN = [("thumb", (0,)), ("clip", (1, 2)), ("tear", (0, 3)), ("thumb", (1, 3))]


@pytest.mark.parametrize(("kind", "corners"), HIDDEN)
def test_one_or_two_hidden_corners_do_not_cost_the_page(photographed, layouts, kind: str, corners) -> None:
    """Tilted and curled; the cells in view lie within 0.5 mm, covered ones are hard to see, most are neither."""
    rng = np.random.default_rng([7, *corners])
    shot = photographed("fish", camera=replace(CLEAR, tilt_deg=18, curl_mm=6, curl_phase=1.0)).shot
    covers = [corner_cover(kind, c, (210.0, 297.0), rng) for c in corners]
    for cover in covers:
        shot = lay(shot, cover, rng)
    page = register(_gray(shot), layouts)

    assert page, page
    assert page.layout.sheet == "fish"
    seen = np.array([c.id not in page.hidden for c in page.layout.cells])
    assert np.percentile(_error_mm(page, shot)[seen], 95) < 0.5
    assert _hidden_truly(page, covers) <= page.hidden
    assert page.hidden_share < 0.25


def test_pose_is_carried_on_from_two_marks_at_one_end(photographed, layout) -> None:
    """From the two upper marks alone the far end is some millimetres out; carried on, within the search of the warp."""
    one = layout("fish")
    taken = photographed("fish", camera=replace(CLEAR, tilt_deg=20, curl_mm=6))
    truth = taken.shot.page_to_photo_px
    upper = [FoundMark(f.id, truth(np.array(f.corners_mm)) + 0.3) for f in one.fiducials[:2]]
    pose = poses_in(upper, [one])[0]
    far = np.array([f.corners_mm[0] for f in one.fiducials[2:]])
    px_per_mm = np.linalg.norm(truth(far + np.array([1, 0])) - truth(far), axis=1)

    def out_mm(homography):
        there = cv2.perspectiveTransform(far.reshape(-1, 1, 2), homography).reshape(-1, 2)
        return (np.linalg.norm(there - truth(far), axis=1) / px_per_mm).max()

    assert out_mm(carried_on(Views(taken.gray()), pose)) < min(6.0, out_mm(pose.homography))


def test_cover_over_cells_is_found_wherever_it_lies(photographed, layouts) -> None:
    """Something 30 mm wide in the middle of the sheet: every cell it reaches into is hard to see, far ones are not."""
    shot = photographed("substrate").shot
    cover = Cover("clip", np.array([(80, 120), (112, 124), (110, 152), (78, 148)], float))
    page = register(_gray(lay(shot, cover, np.random.default_rng(2))), layouts)
    hidden = _hidden_truly(page, [cover])

    assert hidden
    assert hidden <= page.hidden
    assert not {c.id for c in page.layout.cells if c.box_mm[1] > 200} & page.hidden


def test_sheet_covered_in_the_middle_is_refused_with_the_place(photographed, layouts) -> None:
    """A hand's breadth of something over the cells: covered, and where; not glare."""
    shot = photographed("substrate").shot
    cover = Cover("clip", np.array([(30, 110), (180, 110), (180, 240), (30, 240)], float))
    refused = register(_gray(lay(shot, cover, np.random.default_rng(2))), layouts)

    assert not refused
    assert refused.reason == "covered"
    assert any(place in refused.detail for place in ("centre", "middle", "lower"))


def test_light_inside_a_cell_hides_it_though_its_frame_is_seen(page_of, layout, printed) -> None:
    """A washed-out patch of 6 x 6 mm in the middle of one wide box: that box and no other, as glare."""
    one = layout("fish")
    cell = next(c for c in one.cells if c.kind == "tally" and c.box_mm[2] > 20 and c.box_mm[3] > 9)
    image = printed("fish").copy()
    x, y = (int(8 * (cell.box_mm[i] + cell.box_mm[i + 2] / 2)) for i in (0, 1))
    image[y - 24 : y + 24, x - 24 : x + 24] = 255
    unseen = unseen_cells(page_of(one, image).flattened, one)

    assert unseen.glare == unseen.all == {cell.id}
    assert unseen_cells(page_of(one, printed("fish")).flattened, one).all == frozenset()


def test_three_hidden_corners_are_named(photographed, layouts) -> None:
    rng = np.random.default_rng(4)
    shot = photographed("substrate").shot
    for corner in (0, 1, 3):
        shot = lay(shot, corner_cover("tear", corner, (210.0, 297.0), rng), rng)
    refused = register(_gray(shot), layouts)

    assert refused.reason == "few-marks"
    assert refused.detail == "found 1 of the 4 corner marks (top left, top right and bottom left missing)"


def test_a_bent_sheet_whose_print_is_all_found_is_not_flat_whatever_mark_it_lacks(
    photographed, layouts, monkeypatch
) -> None:
    """Its fourth mark would not make it any flatter, and whoever sees it would look for one in vain."""
    monkeypatch.setattr(page, "MAX_RESIDUAL_MM", 0.0)
    shot = photographed("substrate").shot
    gray = _gray(lay(shot, corner_cover("tear", 1, (210.0, 297.0), np.random.default_rng(4)), np.random.default_rng(4)))
    refused = register(gray, layouts)

    assert refused.reason == "not-flat"
    assert "marks" not in refused.detail


# --- several sheets --------------------------------------------------------------------------------------


def _beside(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    height = max(len(one), len(other))
    padded = [cv2.copyMakeBorder(g, 0, height - len(g), 0, 0, cv2.BORDER_CONSTANT, value=90) for g in (one, other)]
    return np.hstack(padded)


@pytest.fixture(scope="module")
def two_sheets(photograph) -> np.ndarray:
    return _beside(photograph("substrate").gray(), photograph("fish").gray())


def test_two_sheets_in_one_picture_are_both_read(two_sheets, photograph, layouts) -> None:
    """Each says what it says alone, cell by cell, and is an entry of its own under the same file and SHA-256."""
    both = read_decoded(Photo("IMG_1.jpg", "0" * 64, two_sheets), layouts).sheets
    alone = [read_decoded(Photo("x", "1", photograph(s).gray()), layouts) for s in ("fish", "substrate")]

    assert [r.status for r in both] == ["read", "read"]
    entries = sorted((r.to_json() for r in both), key=lambda e: e["sheet"])
    assert [(e["file"], e["sha256"], e["sheet"]) for e in entries] == [
        ("IMG_1.jpg", "0" * 64, "fish"),
        ("IMG_1.jpg", "0" * 64, "substrate"),
    ]
    for entry, single in zip(entries, alone, strict=True):
        values = {r.cell: r.value for r in single.readings if r.kind != "text"}
        assert {r["cell"]: r["value"] for r in entry["readings"] if r["cell"] in values} == values


def test_a_sheet_of_an_unknown_protocol_beside_one_that_is_read_is_told(two_sheets, photograph, layouts) -> None:
    """It would be lost without a word; where the picture has no room for a second sheet none is looked for."""
    known = [one for one in layouts if one.sheet != "substrate"]
    page, beside = register_all(two_sheets, known)

    assert page.layout.sheet == "fish"
    assert (beside.reason, beside.layout) == ("other-edition", None)
    assert ", substrate page 1, edition " in beside.detail
    assert len(register_all(photograph("fish").gray(), known)) == 1


def test_two_sheets_of_one_kind_are_two_pages(photographed, photograph, layouts) -> None:
    """Two substrate sheets; both are read, and none of the marks is mixed up."""
    other = photographed("substrate", seed=23, camera=replace(CLEAR, rotation_deg=184.0))
    pages = register_all(_beside(photograph("substrate").gray(), other.gray()), layouts)

    assert [p.layout.sheet for p in pages] == ["substrate", "substrate"]
    assert all(p.residual_mm < 0.3 for p in pages)


def test_two_sheets_of_one_kind_are_no_evidence_when_read_again(photographed, photograph, layouts) -> None:
    """Which of them the store has kept is not known; one of another kind beside them is."""
    other = photographed("substrate", seed=23, camera=replace(CLEAR, rotation_deg=184.0))
    alike, different = (_beside(photograph("substrate").gray(), o) for o in (other.gray(), photograph("fish").gray()))
    found = [_decode((layouts, lambda page: page.layout.sheet), ("x", _png(gray))) for gray in (alike, different)]

    assert [sorted(pages.values()) for pages in found] == [[], ["fish", "substrate"]]


def _png(gray: np.ndarray) -> bytes:
    return cv2.imencode(".png", gray)[1].tobytes()


def test_store_keeps_both_sheets_and_refuses_a_second_of_one_kind(two_sheets, layouts, tmp_path) -> None:
    """Nothing is lost in silence: of two alike, the one that is not kept stands there in words."""
    known = known_protocols()
    with Store.open(tmp_path / "store") as store:
        sha256 = store.keep_photo(b"picture", "IMG_1.jpg", now=NOW)
        result = read_decoded(Photo("IMG_1.jpg", sha256, two_sheets), layouts)
        twice = replace(result, others=(*result.others, replace(result, others=())))
        lost = record(store, twice, known, now=NOW)
        kept = {p.sheet for p in store.pages()}

    assert kept == {"fish", "substrate"}
    assert len(lost) == 1
    assert lost[0].startswith(REASONS["two-alike"].short)
    assert len(summary(twice).splitlines()) == 3


def test_sheet_that_peeps_out_under_another_is_not_complained_of(photograph, layouts) -> None:
    """Two marks of a second sheet at the picture's side: the first is read, of the other nothing is said."""
    whole, part = photograph("substrate").gray(), photograph("fish").gray()
    pages = register_all(_beside(whole, part[:, : part.shape[1] // 3]), layouts)

    assert [p.layout.sheet for p in pages] == ["substrate"]
