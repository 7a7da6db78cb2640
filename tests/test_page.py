"""A sheet is found at any turn, told from every other, flattened to a fraction of a millimetre, or refused in words."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache, partial

import cv2
import numpy as np
import pytest
from conftest import CLEAR
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from digitise.pages import page as page_module
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.matching import anchors_mm
from digitise.pages.page import CORNER_NAMES, MIN_PX_PER_MM, NotRegistered, register
from digitise.pages.photo import Photo
from digitise.pages.sight import place_words
from digitise.reader.read import read_decoded, read_page
from digitise.reader.reasons import REASONS
from digitise.sheets.compose import build_layouts, with_marks
from digitise.sheets.protocol import load_protocol, shipped_names
from digitise.sheets.sheet import MARK_DICTIONARY, identity_for, mark_modules, pack_pages, rasterise, sheet_pdf
from digitise.simulate.camera import ordinary_camera
from digitise.simulate.camera import photograph as shoot

WAVE_PX, WAVE_ROWS = 10.0, 35.0  # about 10 to the millimetre
SHEETS = ("site", "fish", "invertebrate", "substrate")


def _far_from_fit(one) -> np.ndarray:
    """Printed places that take no part in the fit, (N, 2) mm: held-out corners, and the middles of cells."""
    return np.vstack([anchors_mm(one)[2::5], [(x + w / 2, y + h / 2) for x, y, w, h in (c.box_mm for c in one.cells)]])


def _error_mm(page, taken) -> np.ndarray:
    points = _far_from_fit(page.layout)
    truth = taken.shot.page_to_photo_px(points)
    px_per_mm = np.linalg.norm(taken.shot.page_to_photo_px(points + np.array([1, 0])) - truth, axis=1)
    return np.linalg.norm(page.flattened.warp.photo_px(points) - truth, axis=1) / px_per_mm


def _with_status(gray: np.ndarray, layouts):
    return read_decoded(Photo("IMG_1.jpg", "0" * 64, gray), layouts)


# --- found -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270, 37])
def test_sheet_is_found_and_flattened_at_any_turn(photographed, layouts, rotation_deg: float) -> None:
    """Tilted, curled and turned: identity right, printed places within 0.2 mm of the truth (the task allows 0.5)."""
    taken = photographed("substrate", camera=replace(CLEAR, rotation_deg=rotation_deg, tilt_deg=12, curl_mm=4))
    page = register(taken.gray(), layouts)

    assert page, page
    assert page.identity == replace(identity_for(page.layout, "QH7M4K", 1), digest=page.layout.digest[:4])
    assert (page.layout.sheet, page.layout.paper) == ("substrate", "A4")
    assert np.percentile(_error_mm(page, taken), 95) < 0.2
    assert page.image.shape == (297 * 8, 210 * 8)
    assert page.hidden == frozenset()


@pytest.mark.parametrize(("sheet", "paper"), [("site", "A4"), ("fish", "letter"), ("invertebrate", "A4")])
def test_every_sheet_is_told_from_the_others(photograph, registered, sheet: str, paper: str) -> None:
    """Sheet, paper, pack and transect come from the picture alone; the site sheet belongs to the whole survey."""
    page = registered(sheet, paper)

    assert (page.layout.sheet, page.layout.paper) == (sheet, paper)
    assert (page.identity.pack, page.identity.transect) == ("QH7M4K", 0 if sheet == "site" else 1)
    assert np.percentile(_error_mm(page, photograph(sheet, paper)), 95) < 0.5


def test_reported_residual_is_of_the_size_of_the_true_error(photographed, layouts) -> None:
    """The number told for each photograph is no flattery: at least a third of the true error, at most 0.3 mm more."""
    for seed, curl_mm in ((1, 2.0), (2, 9.0)):
        taken = photographed("fish", camera=replace(CLEAR, curl_mm=curl_mm, wave_mm=0.5), seed=seed)
        page = register(taken.gray(), layouts)
        true = float(np.percentile(_error_mm(page, taken), 95))
        assert true / 3 - 0.05 < page.residual_mm < true + 0.3


def test_resolution_is_measured(photograph, registered) -> None:
    """Pixels a millimetre at the middle of the page, within a tenth of the truth."""
    page, taken = registered("fish"), photograph("fish")
    middle = np.array(page.layout.page_size_mm) / 2
    step = taken.shot.page_to_photo_px(np.vstack([middle, middle + np.eye(2)]))
    true = min(np.linalg.norm(step[1] - step[0]), np.linalg.norm(step[2] - step[0]))

    assert page.native_px_per_mm == pytest.approx(true, rel=0.1)


@lru_cache(maxsize=4)
def _values(page) -> dict:
    """Values that may be accepted; free text is only ever a suggestion."""
    return {r.cell: r.value for r in read_page(page) if r.kind != "text"}


@settings(max_examples=3, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    turns=st.integers(0, 3),
    sheet=st.sampled_from(SHEETS[1:]),
    margin=st.tuples(*[st.integers(0, 150)] * 4),
    grey=st.integers(0, 255),
)
@example(turns=2, sheet="substrate", margin=(0, 0, 0, 0), grey=0)
@example(turns=2, sheet="fish", margin=(0, 0, 0, 0), grey=0)
@example(turns=2, sheet="site", margin=(0, 0, 0, 0), grey=0)
def test_turning_or_framing_the_photograph_changes_no_value(
    photograph, registered, layouts, turns, sheet, margin, grey
) -> None:
    """Turned by quarter turns and set in a margin of any grey, the picture says what it said."""
    turned = np.ascontiguousarray(np.rot90(photograph(sheet).gray(), turns))
    framed = cv2.copyMakeBorder(turned, *margin, cv2.BORDER_CONSTANT, value=grey)
    page = register(framed, layouts)

    assert page, page
    assert _values(page) == _values(registered(sheet))


def test_saving_again_changes_no_value(photograph, registered, layouts) -> None:
    """The same picture compressed once more at quality 90."""
    gray = photograph("substrate").gray()
    again = cv2.imdecode(cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, 90])[1], cv2.IMREAD_GRAYSCALE)

    assert _values(register(again, layouts)) == _values(registered("substrate"))


# --- refused ---------------------------------------------------------------------------------------------


FAULTS = [
    pytest.param(
        {"fill": 1.0, "shift": (0.15, 0), "tilt_deg": 3}, "retake", "cut-off", "lower right", id="right-side-cut"
    ),
    pytest.param({"fill": 1.0, "shift": (-0.2, 0), "tilt_deg": 3}, "retake", "cut-off", "left", id="left-side-cut"),
    pytest.param(
        {"fill": 1.0, "shift": (0.2, 0.15), "tilt_deg": 3},
        "retake",
        "few-marks",
        "found 1 of the 4 corner marks (top right, bottom right and bottom left missing)",
        id="one-mark-left",
    ),
    pytest.param({"fill": 0.28}, "retake", "too-far", f"pixels a millimetre; {MIN_PX_PER_MM:g} are needed", id="far"),
    pytest.param(
        {"fill": 0.17}, "retake", "too-far", f"pixels a millimetre; {MIN_PX_PER_MM:g} are needed", id="very-far"
    ),
    pytest.param({"defocus_px": 9.0}, None, "blurred", "", id="out-of-focus"),
    pytest.param({"motion_px": 40.0}, None, "blurred", "", id="shaken"),
    pytest.param({"motion_px": 40.0, "motion_direction_deg": 90.0}, None, "blurred", "", id="shaken-the-other-way"),
    pytest.param({"exposure": 0.02, "noise": 0.08, "sheen": 0.0}, "retake", "too-dark", "grain", id="too-dark"),
    pytest.param({"exposure": 5.0}, "retake", "too-bright", "white all over", id="too-bright"),
    pytest.param(
        {"glare_strength": 3, "glare_size_mm": 85, "glare_at": (0.8, 0.8)},
        "retake",
        "glare",
        "lower",
        id="glare-low",
    ),
    pytest.param(
        {"glare_strength": 3, "glare_size_mm": 85, "glare_at": (0.5, 0.5)},
        "retake",
        "glare",
        "centre",
        id="glare-middle",
    ),
]


@pytest.mark.parametrize(("fault", "status", "reason", "words"), FAULTS)
def test_photograph_to_be_taken_again_is_refused_in_words(photographed, layouts, fault, status, reason, words) -> None:
    """The reason is the true one, says where, and ends with what to do; no reading is given."""
    gray = photographed("substrate", camera=replace(CLEAR, **fault)).gray()
    result = _with_status(gray, layouts)
    refused = result.failure

    assert isinstance(refused, NotRegistered)
    assert not refused
    assert refused.reason == reason
    assert words in refused.detail
    assert status in (None, result.status)
    assert result.status in ("retake", "unreadable")
    assert result.readings == ()
    assert result.reasons[0].startswith(REASONS[reason].short)
    assert result.reasons[0].endswith(REASONS[reason].advice)


@pytest.mark.parametrize(
    ("refused", "words"),
    [
        (partial(page_module._too_far, 2.999), "the sheet has 2.9 pixels a millimetre; 3 are needed"),
        (partial(page_module._blurred, 0.851), "printed edges are 0.9 mm wide; 0.85 mm is the limit"),
        (partial(page_module._blurred, float("inf")), "no printed edge is sharp enough to be measured"),
    ],
)
def test_a_measure_told_in_words_lies_beyond_its_limit(layouts, refused, words) -> None:
    assert refused(layouts[0]).detail == words


def _shaken(gray: np.ndarray) -> np.ndarray:
    """The phone moved along one side of the sheet: only edges across its way are soft."""
    return cv2.blur(gray, (10, 1))


def _half_soft(gray: np.ndarray) -> np.ndarray:
    """Sharp above, and far out of focus below, as a phone's portrait mode leaves a page."""
    sharp = np.clip((0.55 * len(gray) - np.arange(len(gray), dtype=np.float32)) / 200 + 0.5, 0, 1)[:, None]
    return (sharp * gray + (1 - sharp) * cv2.GaussianBlur(gray, (0, 0), 7)).astype(np.uint8)


@pytest.mark.parametrize("changed", [_shaken, _half_soft])
def test_blur_in_one_direction_or_over_one_part_is_said_to_be_blur(photograph, layouts, changed) -> None:
    result = _with_status(changed(photograph("substrate").gray()), layouts)

    assert (result.status, result.failure.reason) == ("retake", "blurred")


def _wavy(gray: np.ndarray) -> np.ndarray:
    """The sheet under waves of water, or by a phone that trembled while its picture was read out row by row."""
    down, across = np.mgrid[0 : gray.shape[0], 0 : gray.shape[1]].astype(np.float32)
    moved = across + np.float32(WAVE_PX) * np.sin(down / np.float32(WAVE_ROWS))
    return cv2.remap(gray, moved, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def test_marks_too_wavy_to_read_are_not_said_to_be_missing(photograph, layouts) -> None:
    """All four corners are in the picture, so to ask for them would help nobody."""
    gray = _wavy(photograph("substrate").gray())
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY))

    assert len(detector.detectMarkers(gray)[0]) < 4
    assert register(gray, layouts).reason == "not-flat"


def test_small_glare_hides_cells_but_not_the_page(photographed, layouts) -> None:
    """Cells under the glare go to a person as hard to see; all others are read."""
    camera = replace(CLEAR, glare_strength=3, glare_size_mm=55, glare_at=(0.2, 0.35))
    page = register(photographed("substrate", camera=camera).gray(), layouts)
    readings = {r.cell: r for r in read_page(page)}
    x, y = 0.2 * 210, 0.35 * 297
    near = {c.id for c in page.layout.cells if abs(c.box_mm[0] + 10 - x) < 12 and abs(c.box_mm[1] + 6 - y) < 9}
    far = {c.id for c in page.layout.cells if c.box_mm[1] > 200}

    assert near
    assert near <= page.hidden
    assert not far & page.hidden
    assert all(readings[i].flagged and "hard-to-see" in readings[i].reasons for i in page.hidden)
    assert all("hard-to-see" not in r.reasons for i, r in readings.items() if i not in page.hidden)


def _marks_only(ids: dict[int, tuple[int, int]]) -> np.ndarray:
    picture = np.full((1400, 1000), 200, np.uint8)
    for mark_id, (x, y) in ids.items():
        picture[y - 20 : y + 140, x - 20 : x + 140] = 255
        picture[y : y + 120, x : x + 120] = np.kron(
            1 - mark_modules(mark_id).astype(np.uint8), np.full((15, 15), 255, np.uint8)
        )
    return picture


def test_marks_of_an_unknown_protocol_are_no_known_sheet(layouts) -> None:
    """Two marks of a slot nobody knows: unreadable, and the words say that marks were seen."""
    unknown = next(s for s in range(250) if s not in {one.slot for one in layouts})
    picture = _marks_only({4 * unknown: (100, 100), 4 * unknown + 1: (760, 100)})
    refused = register(picture, layouts)

    assert (refused.reason, refused.layout) == ("no-sheet", None)
    assert "2 corner marks were found, of no known protocol" in refused.detail
    assert _with_status(picture, layouts).status == "unreadable"


def test_marks_without_a_sheet_are_not_read(layouts) -> None:
    """Four known marks on an empty page have no printed boxes between them: never a page of blank cells."""
    one = next(a for a in layouts if a.sheet == "substrate" and a.paper == "A4")
    ids = {f.id: tuple(int(v * 4.5) + 25 for v in f.box_mm[:2]) for f in one.fiducials}
    refused = register(cv2.resize(_marks_only(ids), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), layouts)

    assert isinstance(refused, NotRegistered)
    assert refused.reason in REASONS


EMPTY = {
    "white": np.full((900, 700), 255, np.uint8),
    "black": np.zeros((900, 700), np.uint8),
    "noise": np.random.default_rng(1).integers(0, 256, (900, 700)).astype(np.uint8),
    "one-pixel": np.zeros((1, 1), np.uint8),
    "narrow": np.full((300, 20), 90, np.uint8),
}
DARK = ("black", "one-pixel")


@pytest.mark.parametrize("picture", EMPTY)
def test_picture_without_a_sheet_is_no_sheet(layouts, picture: str) -> None:
    refused = register(EMPTY[picture], layouts)

    assert (refused.reason, refused.layout) == ("too-dark" if picture in DARK else "no-sheet", None)
    words = "no corner marks were found" if picture == "noise" else "it looks empty, as the back of a sheet does"
    assert refused.detail == ("no corner mark could be made out" if picture in DARK else words)


@pytest.mark.parametrize("shape", [(5000, 20), (7, 3000), (1, 30_000), (30_000, 1), (2, 20_000)])
def test_a_strip_is_no_picture_of_a_sheet(layouts, shape) -> None:
    """One row of pixels too: reduced as others are, nothing of it would be left."""
    refused = register(np.full(shape, 90, np.uint8), layouts)

    assert (refused.reason, refused.layout) == ("no-sheet", None)
    assert refused.detail == f"the picture is a strip of {shape[1]} x {shape[0]} pixels"


def _back(*, edge: int = 0, front: np.ndarray | None = None, shade: float = 1.0) -> np.ndarray:
    """A scan of a sheet's back, with a dark edge, a front that is seen through, paler on its right, and specks."""
    rng = np.random.default_rng(7)
    paper = rng.normal(247, 2, (1750, 1240)) * np.linspace(1, shade, 1240)
    for y, x in rng.integers(40, 1200, (60, 2)):
        paper[y : y + 4, x : x + 4] = 120
    if front is not None:
        paper -= 0.25 * (255.0 - cv2.resize(front, (1240, 1750), interpolation=cv2.INTER_AREA)[:, ::-1])
    paper[:, :edge] = 40
    return np.clip(paper, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("back", [_back(), _back(edge=30), _back(edge=30, shade=0.7)], ids=["plain", "edge", "shade"])
def test_an_empty_page_is_called_empty_and_not_blurred(layouts, back) -> None:
    refused = register(back, layouts)

    assert (refused.reason, refused.detail) == ("no-sheet", "it looks empty, as the back of a sheet does")


@pytest.mark.parametrize("seed", [3, 5, 12])
def test_an_empty_sheet_on_a_table_is_called_empty_and_not_blurred(layouts, seed) -> None:
    """Taken by an ordinary camera: less than half of the picture is paper."""
    rng = np.random.default_rng(seed)
    camera = ordinary_camera(rng, width_px=1500, height_px=2000)
    shot = shoot(np.full((3564, 2520), 250, np.uint8), (210.0, 297.0), camera, rng=rng)
    refused = register(cv2.cvtColor(shot.image, cv2.COLOR_BGR2GRAY), layouts)

    assert (refused.reason, refused.detail) == ("no-sheet", "it looks empty, as the back of a sheet does")


@pytest.mark.parametrize("soft_px", [12, 25, 50])
def test_a_blurred_page_is_not_called_empty(reef, layouts, soft_px) -> None:
    """However soft: what was on it leaves more than paper does."""
    sheet = rasterise(sheet_pdf(reef, pack_pages(reef, "A4", "QH7M4K")[1:2]), 5.9)
    refused = register(cv2.GaussianBlur(sheet, (0, 0), soft_px), layouts)

    assert refused.reason in ("blurred", "no-sheet")
    assert "empty" not in refused.detail


def test_a_back_through_which_the_front_is_seen_is_called_a_back(reef, layouts) -> None:
    sheet = rasterise(sheet_pdf(reef, pack_pages(reef, "A4", "QH7M4K")[1:2]), 5.9)
    refused = register(_back(front=sheet), layouts)

    assert refused.reason == "mirrored"
    assert "the back of the sheet" in REASONS[refused.reason].short


@pytest.mark.parametrize("turn", [0, 10, 90])
def test_a_squeezed_sheet_is_not_called_too_far_away(reef, layouts, turn) -> None:
    """A third as wide as it was, upright or lying: no step nearer mends that; a small one is too far away as before."""
    sheet = rasterise(sheet_pdf(reef, pack_pages(reef, "A4", "QH7M4K")[1:2]), 6.0)
    height, width = 2200, 2200
    matrix = cv2.getRotationMatrix2D((sheet.shape[1] / 2, sheet.shape[0] / 2), turn, 1.0)
    matrix[:, 2] += (width / 2 - sheet.shape[1] / 2, height / 2 - sheet.shape[0] / 2)
    whole = cv2.warpAffine(sheet, matrix, (width, height), borderValue=120, flags=cv2.INTER_AREA)
    squeezed = register(cv2.resize(whole, None, fx=0.3, fy=1, interpolation=cv2.INTER_AREA), layouts)
    small = register(cv2.resize(whole, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA), layouts)

    assert (squeezed.reason, squeezed.layout.sheet) == ("squeezed", "fish")
    assert squeezed.detail.startswith("one way it has 1.")
    assert "the other way 6.0; 3 are needed" in squeezed.detail.replace("5.9;", "6.0;")
    assert small.reason == "too-far"


@pytest.mark.parametrize("flip", [np.fliplr, np.flipud])
def test_mirrored_photograph_is_said_to_be_mirrored(photograph, layouts, flip) -> None:
    """A sheet seen in a mirror has no corner mark of ours: it is not read, and the words say why."""
    refused = register(np.ascontiguousarray(flip(photograph("fish").gray())), layouts)

    assert (bool(refused), refused.reason, refused.layout) == (False, "mirrored", None)


def test_without_any_layout_a_sheet_is_named_by_its_code_and_its_back_is_none(photograph) -> None:
    """With no known protocol at all, a good photograph is still refused by value."""
    gray = photograph("fish").gray()

    assert register(gray, []).reason == "other-edition"
    assert register(np.full_like(gray, 200), []).reason == "no-sheet"


# --- other editions --------------------------------------------------------------------------------------


def _edited(reef, spare: int = 1):
    """The shipped protocol with fewer categories but the same version number."""
    line = reef.sheets["substrate"]
    fewer = line.model_copy(update={"categories": line.categories[:-spare]})
    return reef.model_copy(update={"sheets": {**reef.sheets, "substrate": fewer}})


def _shot_of(protocol, one, *, printed_digest: str | None = None, seed: int = 2) -> np.ndarray:
    identity = identity_for(one, "QH7M4K", 1)
    if printed_digest:
        identity = replace(identity, digest=printed_digest)
    canvas = rasterise(sheet_pdf(protocol, [(one, identity)]), 12.0)
    image = shoot(canvas, one.page_size_mm, CLEAR, rng=np.random.default_rng(seed)).image
    return cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)


def test_sheet_of_an_edited_protocol_is_not_read_by_the_old_layout(reef, layouts) -> None:
    """Printed from an edited file of the same version, it has other marks: its code is named, until its file is."""
    edited = build_layouts(_edited(reef))
    one = next(a for a in edited if (a.sheet, a.paper) == ("substrate", "A4"))
    gray = _shot_of(reef, one)
    refused = register(gray, layouts)

    assert (refused.reason, refused.layout) == ("other-edition", None)
    assert f"edition {one.digest[:4]}" in refused.detail
    page = register(gray, [*layouts, *edited])
    assert page.layout.digest == one.digest


def test_other_edition_with_the_same_marks_is_told_by_its_code(reef, layouts) -> None:
    """Should two editions share their marks by chance, the printed code still tells them apart."""
    known = next(a for a in layouts if (a.sheet, a.paper) == ("substrate", "A4"))
    other = next(a for a in build_layouts(_edited(reef)) if (a.sheet, a.paper) == ("substrate", "A4"))
    gray = _shot_of(reef, with_marks(other, known.slot))
    refused = register(gray, layouts)

    assert (refused.reason, refused.layout) == ("other-edition", None)
    assert f"edition {other.digest[:4]}" in refused.detail
    assert _with_status(gray, layouts).status == "unreadable"


def test_an_unknown_sheet_that_has_the_marks_of_a_known_one_is_named_by_its_code(reef, layouts) -> None:
    """With the marks of the fish sheet it looks like one that something lies over; its code says what it is."""
    fish = next(a for a in layouts if (a.sheet, a.paper) == ("fish", "A4"))
    other = next(a for a in build_layouts(_edited(reef)) if (a.sheet, a.paper) == ("substrate", "A4"))
    refused = register(_shot_of(reef, with_marks(other, fish.slot)), layouts)

    assert (refused.reason, refused.layout) == ("other-edition", None)
    assert f"substrate page 1, edition {other.digest[:4]}" in refused.detail


def test_code_of_another_sheet_under_known_marks_is_refused(reef, layouts) -> None:
    """Marks of the substrate sheet with a code that names another edition: not read."""
    known = next(a for a in layouts if (a.sheet, a.paper) == ("substrate", "A4"))

    assert register(_shot_of(reef, known, printed_digest="0000"), layouts).reason == "other-edition"


def test_page_without_a_readable_code_has_no_identity(photographed, layouts) -> None:
    """A code under a thumb leaves the page readable, without pack and transect: a person must say them."""
    taken = photographed("fish")
    gray = taken.gray().copy()
    x, y, w, h = next(a for a in layouts if (a.sheet, a.paper) == ("fish", "A4")).qr_mm
    corners = taken.shot.page_to_photo_px(np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)]))
    cv2.fillPoly(gray, [np.rint(corners).astype(np.int32)], 150)
    page = register(gray, layouts)

    assert page
    assert page.identity is None
    assert page.layout.sheet == "fish"


def test_a_code_that_the_flattened_page_has_out_of_its_place_is_read_as_it_was_photographed(reef, layouts) -> None:
    """Paper waves most where no box is printed to flatten it by: here the code alone lies 5 mm to the left."""
    one = next(a for a in layouts if (a.sheet, a.paper) == ("fish", "A4"))
    gray = _flat_shot(reef, one, code=True)
    page = register(gray, layouts)
    x, y, w, h = one.qr_mm
    ends = np.array([(x - 1, y - 1), (x + w + 1, y + h + 1), (x - 6, y - 1), (x + w - 4, y + h + 1)])
    (x0, y0), (x1, y1), (x2, y2), _ = np.rint(page.flattened.warp.photo_px(ends)).astype(int)
    code = gray[y0:y1, x0:x1].copy()
    gray[y0:y1, x0:x1] = 255
    gray[y2 : y2 + len(code), x2 : x2 + code.shape[1]] = code

    assert register(gray, layouts).identity == page.identity is not None


def _flat_shot(protocol, one, *, code: bool, covered_mm: float = 0.0) -> np.ndarray:
    """A page a little askew on grey ground, its square code painted over where `code` is false, and so much of the left
    of its last cells."""
    canvas = rasterise(sheet_pdf(protocol, [(one, identity_for(one, "QH7M4K", 1))]), 9.0)
    gray = canvas if canvas.ndim == 2 else cv2.cvtColor(canvas, cv2.COLOR_BGR2GRAY)
    if not code:
        x, y, w, h = (int(9 * v) for v in one.qr_mm)
        gray[y : y + h, x : x + w] = 120
    last = max(c.box_mm[1] for c in one.cells) - 1
    gray[int(9 * last) : int(9 * (last + 15)), : int(9 * covered_mm)] = 120
    height, width = gray.shape
    corners = np.float32([(0, 0), (width, 0), (width, height), (0, height)])
    there = np.float32([(90, 110), (width + 60, 80), (width + 120, height + 130), (70, height + 90)])
    askew = cv2.getPerspectiveTransform(corners, there)
    gray = cv2.warpPerspective(gray, askew, (width + 200, height + 240), borderValue=120)
    return cv2.GaussianBlur((0.85 * gray).astype(np.uint8), (0, 0), 1.2)


@pytest.mark.parametrize(
    ("protocol", "sheet", "page", "rival"),
    [
        ("wall-segments", "fish", 2, "animals"),
        ("lagoon-frames", "animals", 5, "fish"),
        ("reef-transect", "fish", 1, "bottom"),
    ],
)
def test_pages_with_the_same_marks_are_told_by_code_or_by_print(protocol, sheet, page, rival) -> None:
    """Half-letter pages of two protocols with one slot: where rows lie alike and not all print is seen, one without its
    code is not read."""
    shipped = {name: load_protocol(name) for name in shipped_names()}
    every = [one for p in shipped.values() for one in build_layouts(p)]
    own = (protocol, sheet, page, "half-letter")
    one = next(a for a in every if (a.protocol, a.sheet, a.page, a.paper) == own)
    assert any((a.slot, a.sheet, a.paper) == (one.slot, rival, "half-letter") for a in every if a is not one)

    for code, covered_mm in ((True, 0.0), (True, 60.0), (False, 0.0)):
        shot = _flat_shot(shipped[protocol], one, code=code, covered_mm=covered_mm)
        assert register(shot, every).layout.digest == one.digest
    unread = _flat_shot(shipped[protocol], one, code=False, covered_mm=60.0)
    found = register(unread, every)
    if rival == "bottom":
        assert found.layout.digest == one.digest
    else:
        assert found.reason == "which-sheet"
        assert one.title in found.detail
        assert _with_status(unread, every).status == "retake"


# --- words -----------------------------------------------------------------------------------------------


PLACES = [
    ((10, 10), "upper left"),
    ((105, 10), "upper middle"),
    ((200, 10), "upper right"),
    ((10, 150), "middle left"),
    ((105, 150), "centre"),
    ((200, 150), "middle right"),
    ((10, 290), "lower left"),
    ((105, 290), "lower middle"),
    ((200, 290), "lower right"),
    ((60, 10, 90, 20), "upper middle"),
    ((-5, -5), "upper left"),
    ((500, 500), "lower right"),
]


@pytest.mark.parametrize(("place", "words"), PLACES)
def test_places_have_plain_names(place, words: str) -> None:
    """Thirds of the page; a box goes by its middle; beyond the edge counts as at the edge."""
    assert place_words(place, (210.0, 297.0)) == words


def test_corners_are_named_clockwise() -> None:
    assert CORNER_NAMES == ("top left", "top right", "bottom right", "bottom left")
    assert FLAT_PX_PER_MM == 8
