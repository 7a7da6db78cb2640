"""The simulated camera: its truth is exact, its draws repeat, its faults are real."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitise.simulate.background import BACKGROUNDS
from digitise.simulate.camera import RETAKE_FAULTS, Camera, hard_camera, ordinary_camera, photograph, retake_camera
from digitise.simulate.droplets import Droplet
from digitise.simulate.light import light_scene
from digitise.simulate.optics import aim, look, upsample
from digitise.simulate.paper import bend_sheet
from digitise.simulate.sensor import blur, encode_jpeg, expose, noise_stock, point_spread

A4 = (210.0, 297.0)
CORNERS = np.array([(0, 0), (210, 0), (210, 297), (0, 297)], float)
PLAIN = Camera(
    width_px=840,
    height_px=1188,
    rotation_deg=0,
    tilt_deg=0,
    fill=1.0,
    curl_mm=0,
    lens_k1=0,
    vignette=0,
    light_gradient=0,
    warmth=0,
    exposure=1.0,
    sheen=0,
    wetness=0,
    defocus_px=0,
    noise=0,
    sharpen=0,
    paper_tint=(1, 1, 1),
)
SHAPES = [
    pytest.param({"tilt_deg": 25, "curl_mm": 8, "rotation_deg": 130}, id="tilt-25-curl-8-rotation-130"),
    pytest.param({"tilt_deg": 0, "curl_mm": 0, "rotation_deg": 0}, id="flat"),
    pytest.param(
        {
            "tilt_deg": 40,
            "curl_mm": 12,
            "wave_mm": 2,
            "corner_lift_mm": 15,
            "fold_mm": 3,
            "rotation_deg": -65,
            "lens_k1": -0.05,
        },
        id="everything-bent",
    ),
]


def _dots(per_mm: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """A page of dots, 2 mm wide on a 15 mm grid, and their centres (N, 2) mm."""
    x, y = np.meshgrid(np.arange(7.5, 210, 15), np.arange(6, 297, 15))
    centres = np.column_stack([x.ravel(), y.ravel()])
    page = np.full((297 * per_mm, 210 * per_mm), 255, np.uint8)
    for centre in centres:
        at = np.rint((centre * per_mm - 0.5) * 16).astype(int)
        cv2.circle(page, at.tolist(), per_mm * 16, 0, -1, cv2.LINE_AA, 4)
    return page, centres


def _centroid(image: np.ndarray, near: np.ndarray, reach: int) -> np.ndarray:
    """Centre of darkness (2,) within ``reach`` px of a place."""
    left, top = np.rint(near).astype(int) - reach
    patch = image[top : top + 2 * reach + 1, left : left + 2 * reach + 1].astype(float)
    dark = np.maximum(0, np.percentile(patch, 90) - 25 - patch)
    rows, columns = np.indices(patch.shape)
    return np.array([(dark * columns).sum(), (dark * rows).sum()]) / dark.sum() + (left, top)


def _text_page(per_mm: int = 6) -> np.ndarray:
    """A page with rules and lettering in it, nothing alike under a turn or a mirror."""
    page = np.full((297 * per_mm, 210 * per_mm), 255, np.uint8)
    for line in range(20):
        x, y = 12 * per_mm, (20 + 13 * line) * per_mm
        cv2.putText(page, f"row {line} 0123456789", (x, y), 0, per_mm / 5, 40, per_mm // 2, cv2.LINE_AA)
        cv2.line(page, (x, y + 3 * per_mm), (195 * per_mm, y + 3 * per_mm), 90, 3)
    return page


def _shoot(camera: Camera, page: np.ndarray | None = None, *, seed: int = 0):
    return photograph(_text_page() if page is None else page, A4, camera, rng=np.random.default_rng(seed))


def _on_page(shot) -> np.ndarray:
    """Grey values (N,) of the photo at 5,000 places spread evenly over the sheet."""
    points = np.random.default_rng(5).uniform((3, 3), (207, 294), (5000, 2))
    px = np.rint(shot.page_to_photo_px(points)).astype(int)
    height, width = shot.image.shape[:2]
    px = px[((px >= 0) & (px < (width, height))).all(1)]
    return shot.image[px[:, 1], px[:, 0]].max(-1)


def _sharpness(shot) -> float:
    """Spread of the Laplacian over the spread of grey, so that light and contrast cancel."""
    grey = cv2.cvtColor(shot.image, cv2.COLOR_BGR2GRAY)
    box = shot.page_to_photo_px(CORNERS).mean(0).astype(int)
    part = grey[box[1] - 200 : box[1] + 200, box[0] - 150 : box[0] + 150]
    return float(cv2.Laplacian(part, cv2.CV_64F).std() / part.std())


# --- truth -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES)
def test_dots_land_where_the_truth_says(shape: dict) -> None:
    """Dots photographed at 12 megapixels are found within 0.1 px rms of `page_to_photo_px`."""
    page, centres = _dots()
    camera = replace(Camera(), noise=0.003, defocus_px=0.5, **shape)
    shot = _shoot(camera, page)
    truth = shot.page_to_photo_px(centres)
    right, below = (shot.page_to_photo_px(centres + np.array(step)) - truth for step in ((1, 0), (0, 1)))
    grey = cv2.cvtColor(shot.image, cv2.COLOR_BGR2GRAY)
    reach = np.rint(np.maximum(np.hypot(*right.T), np.hypot(*below.T)) * 1.8).astype(int)
    found = np.array([_centroid(grey, t, r) for t, r in zip(truth, reach, strict=True)])

    rms = np.sqrt(((found - truth) ** 2).sum(1).mean())
    assert rms < 0.1


def test_flat_page_filling_its_frame_maps_by_scale_alone() -> None:
    """840 px for 210 mm: millimetre m lands on pixel 4 m - 0.5, pixel centres being whole numbers."""
    points = np.array([(0, 0), (210, 297), (105, 148.5), (30, 200)], float)
    px = aim(PLAIN, bend_sheet(PLAIN, A4)).page_to_photo_px(points)

    assert px == pytest.approx(4 * points - 0.5, abs=0.01)


def test_plain_camera_copies_the_page() -> None:
    """Without any fault the photo is the page at another size: same place to 0.05 px, paper white."""
    page = _text_page(8)
    small = cv2.resize(page, (840, 1188), interpolation=cv2.INTER_AREA)
    grey = _shoot(PLAIN, page).image[..., 1]
    shift, _ = cv2.phaseCorrelate(small.astype(float), grey.astype(float))

    assert shift == pytest.approx((0, 0), abs=0.05)
    assert np.corrcoef(grey.ravel(), small.ravel())[0, 1] > 0.95
    assert np.median(grey) >= 253


def test_turning_by_180_degrees_flips_the_photo() -> None:
    """The mapping mirrors through the frame's middle, and so does the picture."""
    camera = replace(PLAIN, fill=0.8, tilt_deg=0)
    upright, turned = _shoot(camera), _shoot(replace(camera, rotation_deg=180))

    flipped = np.array([839, 1187]) - upright.page_to_photo_px(CORNERS)
    assert turned.page_to_photo_px(CORNERS) == pytest.approx(flipped, abs=0.01)
    inside = np.s_[160:1028, 120:720]
    difference = cv2.absdiff(turned.image[::-1, ::-1][inside], upright.image[inside])
    assert difference.mean() < 1.0


def test_positive_rotation_turns_the_page_clockwise() -> None:
    """At 90 degrees the page's top-left corner lies at the photo's top right."""
    px = aim(replace(PLAIN, rotation_deg=90), bend_sheet(PLAIN, A4)).page_to_photo_px(CORNERS)

    assert px[0, 0] > px[2, 0]
    assert px[0, 1] < px[2, 1]


def test_tilt_makes_the_far_edge_short() -> None:
    """A page receding towards the top of the photo has its top edge shorter than its bottom edge."""
    camera = replace(PLAIN, tilt_deg=20, tilt_direction_deg=-90)
    px = aim(camera, bend_sheet(camera, A4)).page_to_photo_px(CORNERS)

    assert np.linalg.norm(px[1] - px[0]) < 0.9 * np.linalg.norm(px[2] - px[3])


def test_half_the_frame_gives_half_the_pixels() -> None:
    """The same camera with a frame of half the size sees the same, in outer-corner coordinates halved."""
    camera = ordinary_camera(np.random.default_rng(3))
    small = replace(camera, width_px=1500, height_px=2000)
    large_px = aim(camera, bend_sheet(camera, A4)).page_to_photo_px(CORNERS)
    small_px = aim(small, bend_sheet(small, A4)).page_to_photo_px(CORNERS)

    assert small_px + 0.5 == pytest.approx((large_px + 0.5) / 2, abs=0.01)


@pytest.mark.parametrize("seed", range(8))
def test_lines_of_sight_end_where_they_began(seed: int) -> None:
    """Page positions seen by pixels project back to those pixels, within 0.1 px between grid points too."""
    camera = hard_camera(np.random.default_rng(seed), width_px=1500, height_px=2000)
    projection = aim(camera, bend_sheet(camera, A4))
    page_mm = upsample(look(projection, 1500, 2000).page_mm, slice(0, 2000), 1500)
    rows, columns = np.mgrid[3:2000:23, 3:1500:23]
    seen = page_mm[rows, columns]
    on_sheet = ((seen > 0) & (seen < A4)).all(-1)
    back = projection.page_to_photo_px(seen[on_sheet].astype(float))

    assert np.abs(back - np.stack([columns, rows], -1)[on_sheet]).max() < 0.1


# --- the sheet -------------------------------------------------------------------------------------------


def test_curled_sheet_does_not_stretch() -> None:
    """Along the curl, steps of 1 mm on the sheet are 1 mm apart in space."""
    camera = replace(PLAIN, curl_mm=14, curl_direction_deg=90, curl_phase=1.0)
    sheet = bend_sheet(camera, A4)
    points = np.column_stack([np.full(298, 80.0), np.arange(298.0)])
    bend = sheet.bend(points)
    space = np.column_stack([points + bend.pull_mm, bend.lift_mm])

    assert np.linalg.norm(np.diff(space, axis=0), axis=1) == pytest.approx(np.ones(297), abs=2e-4)


@pytest.mark.parametrize("phase", [0.0, 1.0, np.pi])
def test_curl_lifts_by_its_name_and_rests_on_the_table(phase: float) -> None:
    """The highest point stands ``curl_mm`` above the lowest, which touches the table."""
    camera = replace(PLAIN, curl_mm=8, curl_direction_deg=0, curl_phase=phase)
    points = np.column_stack([np.linspace(0, 210, 500), np.full(500, 100.0)])
    lift = bend_sheet(camera, A4).bend(points).lift_mm

    assert lift.min() == pytest.approx(0, abs=0.02)
    assert lift.max() == pytest.approx(8, abs=0.02)


def test_lifted_corner_is_the_one_asked_for() -> None:
    """Corner 1 is the top right one; the other three stay on the table."""
    sheet = bend_sheet(replace(PLAIN, corner_lift_mm=12, corner=1), A4)

    assert sheet.bend(CORNERS).lift_mm == pytest.approx([0, 12, 0, 0], abs=0.01)


def test_sheet_too_steep_to_photograph_is_refused() -> None:
    """A wave of 30 mm every 40 mm would hide parts of the page."""
    with pytest.raises(ValueError, match="too steeply"):
        bend_sheet(replace(PLAIN, wave_mm=30, wave_length_mm=40), A4)


# --- light -----------------------------------------------------------------------------------------------


def _glare_on(camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Glare (h, w) on the grid with the page positions (h, w, 2) it fell on."""
    projection = aim(camera, bend_sheet(camera, A4))
    view = look(projection, camera.width_px, camera.height_px)
    return light_scene(camera, projection, view, np.random.default_rng(0)).glare[..., 1], view.page_mm


def _spread_mm(glare: np.ndarray, page_mm: np.ndarray) -> np.ndarray:
    """Extent (2,) mm across and down of where glare exceeds half its peak on the sheet."""
    on_sheet = ((page_mm > 0) & (page_mm < A4)).all(-1)
    bright = page_mm[on_sheet & (glare > glare[on_sheet].max() / 2)]
    return np.ptp(bright, axis=0)


def test_glare_lies_where_asked_for_on_a_tilted_sheet() -> None:
    """The middle of the bright spot of a flat sheet is within 8 mm of ``glare_at``."""
    camera = replace(PLAIN, tilt_deg=20, glare_strength=2, glare_size_mm=30, glare_at=(0.3, 0.6))
    glare, page_mm = _glare_on(camera)

    assert np.median(page_mm[glare > 1], axis=0) == pytest.approx((63, 178), abs=8)


def test_curl_shapes_the_glare_as_a_curved_mirror_does() -> None:
    """Down the bend an arch shortens the spot and a cup stretches it; across the bend it stays as wide."""
    flat = replace(PLAIN, glare_strength=2, glare_size_mm=40)
    bent = replace(flat, curl_mm=12, curl_direction_deg=90)
    spot = _spread_mm(*_glare_on(flat))
    arch = _spread_mm(*_glare_on(replace(bent, curl_phase=0)))
    cup = _spread_mm(*_glare_on(replace(bent, curl_phase=np.pi)))

    assert spot[0] / spot[1] == pytest.approx(1, abs=0.15)
    assert arch[1] < 0.75 * spot[1]
    assert cup[1] > 1.5 * spot[1]
    assert arch[0] == pytest.approx(spot[0], rel=0.15)


def test_shadow_darkens_where_it_lies_and_nowhere_else() -> None:
    """Below the shadow's place the page is darker, at its far end it is not."""
    blank = np.full((594, 420), 255, np.uint8)
    camera = replace(PLAIN, exposure=0.6)
    shadow = replace(camera, shadow_strength=0.6, shadow_softness_mm=8, shadow_at=(0.5, 0.8))
    lit, dark = _shoot(camera, blank).image, _shoot(shadow, blank).image

    assert dark[960, 420].mean() < 0.75 * lit[960, 420].mean()
    assert dark[100, 420] == pytest.approx(lit[100, 420], abs=2)


def test_drop_magnifies_what_lies_under_it_and_leaves_the_rest() -> None:
    """Inside, pixels see points nearer the drop's middle; outside its rim nothing moves."""
    drop = Droplet(np.array([50.0, 50.0]), 3.0, np.zeros(2), np.zeros(4, int), np.array([1.0, 0.0]))
    page_mm = np.dstack(np.meshgrid(np.linspace(45, 55, 101), np.linspace(45, 55, 101))).astype(np.float32)
    before = np.hypot(*(page_mm - 50).transpose(2, 0, 1))
    drop.refract(page_mm)
    after = np.hypot(*(page_mm - 50).transpose(2, 0, 1))
    inside = (before > 0.5) & (before < 2.7)

    assert (after[inside] < before[inside]).all()
    assert after[before > 3.01] == pytest.approx(before[before > 3.01], abs=1e-4)


def test_droplets_change_the_photo_only_on_the_sheet() -> None:
    """The table round a sheet with drops on it is pixel for pixel that of a dry one."""
    camera = replace(PLAIN, fill=0.8)
    dry, wet = _shoot(camera), _shoot(replace(camera, droplets=20))
    changed = (dry.image != wet.image).any(-1)

    assert changed.sum() > 500
    assert not changed[:100].any()
    assert not changed[:, :75].any()


# --- sensor ----------------------------------------------------------------------------------------------


def test_blur_disc_has_the_variance_of_a_disc_and_motion_adds_that_of_a_line() -> None:
    """A disc of radius r has variance r**2 / 4 along each axis, a line of length l adds l**2 / 12."""
    kernel = point_spread(4.0, motion_px=5.0).kernel
    at = np.arange(len(kernel)) - len(kernel) // 2

    assert kernel.sum() == pytest.approx(1, abs=1e-5)
    assert (kernel.sum(0) * at**2).sum() == pytest.approx(4**2 / 4 + 5**2 / 12 + 1 / 12, rel=0.02)
    assert (kernel.sum(1) * at**2).sum() == pytest.approx(4**2 / 4 + 1 / 12, rel=0.02)


@pytest.mark.parametrize("radius", [1.0, 5.0, 12.0])
def test_blur_keeps_light_and_place(radius: float) -> None:
    """A point of light keeps its sum and its centre, also where the blur is done at half size."""
    light = np.zeros((121, 143, 3), np.float32)
    light[60, 71] = 1.0
    spot = blur(light, point_spread(radius))[..., 0]
    rows, columns = np.indices(spot.shape)

    assert spot.sum() == pytest.approx(1, abs=0.02)
    assert (spot * columns).sum() / spot.sum() == pytest.approx(71, abs=0.05)
    assert (spot * rows).sum() / spot.sum() == pytest.approx(60, abs=0.05)


def test_shot_noise_grows_as_the_root_of_the_light() -> None:
    """Four times the light, twice the noise: sqrt(1.01 / 0.26) = 1.97 with the read noise."""
    rng = np.random.default_rng(0)
    stock = noise_stock(rng, 300, 300)
    bright, dim = (expose(np.full((300, 300, 3), level, np.float32), 0.02, stock, rng).std() for level in (1.0, 0.25))

    assert bright / dim == pytest.approx((1.01 / 0.26) ** 0.5, rel=0.02)
    assert 0.008 < bright < 0.02


def test_jpeg_decodes_to_the_same_picture_and_shrinks_with_quality() -> None:
    """A file at quality 95 is within 3 grey levels on average, one at 40 is smaller."""
    image = _shoot(PLAIN).image
    fine = encode_jpeg(image, replace(PLAIN, jpeg_quality=95))
    decoded = cv2.imdecode(np.frombuffer(fine, np.uint8), cv2.IMREAD_COLOR)

    assert cv2.absdiff(decoded, image).mean() < 3
    assert len(encode_jpeg(image, replace(PLAIN, jpeg_quality=40))) < 0.7 * len(fine)


# --- photographs -----------------------------------------------------------------------------------------


def test_same_draw_gives_the_same_image() -> None:
    """Camera, page and generator decide every pixel; another generator gives another noise."""
    camera = hard_camera(np.random.default_rng(1), width_px=750, height_px=1000)

    assert np.array_equal(_shoot(camera, seed=4).image, _shoot(camera, seed=4).image)
    assert not np.array_equal(_shoot(camera, seed=4).image, _shoot(camera, seed=5).image)


def test_recipes_repeat_with_their_generator() -> None:
    """Equal generators give equal cameras."""
    for recipe in (ordinary_camera, hard_camera, lambda rng: retake_camera(rng, "cut")):
        assert recipe(np.random.default_rng(2)) == recipe(np.random.default_rng(2))


def test_colour_page_keeps_its_colours() -> None:
    """A red square on the page is red in the photo."""
    page = np.full((594, 420, 3), 255, np.uint8)
    page[200:300, 100:200] = (0, 0, 255)
    blue, green, red = _shoot(PLAIN, page).image[500, 300].astype(int)

    assert red > 240
    assert max(blue, green) < 10


@pytest.mark.parametrize("size", [(500, 700), (701, 523)])
def test_frame_of_any_size_is_filled(size: tuple[int, int]) -> None:
    """Width and height need not be multiples of anything; landscape works."""
    camera = replace(Camera(), width_px=size[0], height_px=size[1], droplets=3, depth_blur_px=1.0)

    assert _shoot(camera).image.shape == (size[1], size[0], 3)


@pytest.mark.parametrize("name", list(BACKGROUNDS))
def test_sheet_stands_out_from_every_background(name: str) -> None:
    """The paper is brighter than the table it lies on, whatever that is made of."""
    camera = replace(PLAIN, width_px=420, height_px=594, fill=0.7, exposure=0.7, background=name)
    image = _shoot(camera, np.full((594, 420), 255, np.uint8)).image.mean(-1)

    assert image[297, 210] > image[:40].mean() + 20


@pytest.mark.parametrize("recipe", [ordinary_camera, hard_camera], ids=["ordinary", "hard"])
def test_readable_recipes_keep_all_four_corners_in_the_frame(recipe) -> None:
    """A hundred draws, and not one cuts a corner off; tilt stays within 25 and 40 degrees."""
    most = 25 if recipe is ordinary_camera else 40
    for seed in range(100):
        camera = recipe(np.random.default_rng(seed))
        px = aim(camera, bend_sheet(camera, A4)).page_to_photo_px(CORNERS)
        assert ((px >= 0) & (px <= (2999, 3999))).all()
        assert camera.tilt_deg <= most


def _retake(fault: str, seed: int) -> Camera:
    return retake_camera(np.random.default_rng(seed), fault, width_px=1500, height_px=2000)


@pytest.mark.parametrize("seed", range(3))
def test_blur_fault_loses_the_detail(seed: int) -> None:
    """Detail falls below a quarter of what the same camera shows in focus, noise left out of both."""
    camera = replace(_retake("blur", seed), noise=0.0)
    sharp = replace(camera, defocus_px=0.5, motion_px=0.0)

    assert _sharpness(_shoot(camera)) < _sharpness(_shoot(sharp)) / 4


def test_cut_fault_leaves_a_corner_outside_the_frame() -> None:
    """In each of fifty draws at least one corner of the sheet is not in the picture."""
    for seed in range(50):
        camera = _retake("cut", seed)
        px = aim(camera, bend_sheet(camera, A4)).page_to_photo_px(CORNERS)
        assert ((px < 0) | (px > (1499, 1999))).any()


@pytest.mark.parametrize("seed", range(5))
def test_glare_fault_burns_out_part_of_the_page(seed: int) -> None:
    """Between 4 % and 95 % of the sheet is burnt out in the faulty photo, far less without the glare."""
    camera = _retake("glare", seed)
    burnt = (_on_page(_shoot(camera)) >= 254).mean()
    without = (_on_page(_shoot(replace(camera, glare_strength=0.0))) >= 254).mean()

    assert 0.04 < burnt - without < 0.95


def test_far_fault_makes_the_page_small() -> None:
    """The sheet's bounding box takes under 30 % of the frame's width and of its height."""
    for seed in range(50):
        camera = _retake("far", seed)
        box = np.ptp(aim(camera, bend_sheet(camera, A4)).page_to_photo_px(CORNERS), axis=0)
        assert (box < (0.3 * 1500, 0.3 * 2000)).all()


MISTAKES = [
    pytest.param(lambda: Camera(background="lawn"), "choose from wood", id="background"),
    pytest.param(lambda: Camera(tilt_deg=60), "0 to 45", id="tilt"),
    pytest.param(lambda: Camera(fill=0), "fill must be above 0", id="fill"),
    pytest.param(lambda: retake_camera(np.random.default_rng(0), "rain"), "choose from blur", id="fault"),
]


@pytest.mark.parametrize(("make", "words"), MISTAKES)
def test_impossible_camera_is_refused_with_the_choices(make, words: str) -> None:
    """The message names the field and what it may be."""
    with pytest.raises(ValueError, match=words):
        make()


def test_every_fault_has_its_recipe() -> None:
    """`RETAKE_FAULTS` lists exactly the faults that `retake_camera` knows."""
    for fault in RETAKE_FAULTS:
        assert isinstance(retake_camera(np.random.default_rng(0), fault), Camera)
