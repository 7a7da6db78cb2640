"""A simulated phone camera: photographs a filled sheet and knows exactly where every millimetre landed.

The page is a raster, the sheet a bent surface (`paper`), the camera a pinhole with radial distortion
(`optics`); light falls in linear units (`light`, `droplets`), and the sensor blurs, adds noise and makes the
8-bit picture (`sensor`). Left out: parts of the sheet hiding others, rolling shutter, local tone mapping,
lens flare, and paper that lets its back shine through.

Axes: page points are (x, y) mm from the sheet's top-left corner, y down; photo points are (x, y) pixels, the
centre of the top-left pixel at (0, 0); angles turn clockwise as seen in the picture, 0 pointing right.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from digitise.simulate.background import BACKGROUNDS
from digitise.simulate.optics import STEP_PX, Projection, aim
from digitise.simulate.paper import bend_sheet
from digitise.simulate.scene import set_scene
from digitise.simulate.sensor import blur, expose, noise_stock, point_spread, sharpen, tone

RETAKE_FAULTS = ("blur", "cut", "glare", "far")
_STRIP_PX = 256


@dataclass(frozen=True, slots=True)
class Camera:
    """Everything that decides one photograph but the page and the random draw.

    Pixels are those of the finished picture, millimetres those of the page. ``fill`` is the larger share of
    the frame's width or height that the sheet's bounding box takes; ``shift`` moves the middle of that box
    from the middle of the frame, in shares of (width, height). Directions on the page (curl, wave, fold,
    light, shadow) are in the page's frame; ``tilt_direction_deg`` (where the page recedes) and
    ``motion_direction_deg`` are in the photo's. ``curl_phase`` 0 arches the page, pi cups it. ``corner``
    counts clockwise from the top left. ``shadow_at`` and ``glare_at`` are shares of the page's (width,
    height). ``exposure`` is the linear light of flat white paper, sensor full scale being 1; glare and sheen
    are in the same unit. ``depth_blur_px`` is the extra blur radius where the sheet is farthest from the
    distance of its middle, on which the lens is focused. ``paper_tint`` is the paper's BGR reflectance.
    """

    width_px: int = 3000
    height_px: int = 4000
    focal_ratio: float = 0.75
    rotation_deg: float = 2.0
    tilt_deg: float = 8.0
    tilt_direction_deg: float = -90.0
    fill: float = 0.9
    shift: tuple[float, float] = (0.0, 0.0)
    curl_mm: float = 3.0
    curl_direction_deg: float = 90.0
    curl_phase: float = 0.4
    wave_mm: float = 0.0
    wave_length_mm: float = 70.0
    wave_direction_deg: float = 90.0
    corner_lift_mm: float = 0.0
    corner: int = 2
    fold_mm: float = 0.0
    fold_direction_deg: float = 90.0
    fold_offset_mm: float = 0.0
    lens_k1: float = 0.01
    vignette: float = 0.15
    light_direction_deg: float = -120.0
    light_elevation_deg: float = 55.0
    light_gradient: float = 0.1
    ambient: float = 0.5
    warmth: float = 0.1
    exposure: float = 0.7
    shadow_strength: float = 0.0
    shadow_softness_mm: float = 25.0
    shadow_at: tuple[float, float] = (0.5, 0.8)
    shadow_direction_deg: float = 90.0
    glare_strength: float = 0.0
    glare_size_mm: float = 40.0
    glare_at: tuple[float, float] = (0.5, 0.5)
    sheen: float = 0.03
    wetness: float = 0.3
    droplets: int = 0
    defocus_px: float = 0.7
    depth_blur_px: float = 0.0
    motion_px: float = 0.0
    motion_direction_deg: float = 0.0
    noise: float = 0.012
    sharpen: float = 0.5
    jpeg_quality: int = 90
    background: str = "wood"
    background_seed: int = 0
    paper_tint: tuple[float, float, float] = (0.97, 0.99, 0.98)

    def __post_init__(self) -> None:
        if self.background not in BACKGROUNDS:
            raise ValueError(f"background {self.background!r}: choose from {', '.join(BACKGROUNDS)}")
        if not 0 <= self.tilt_deg <= 45:
            raise ValueError(f"tilt_deg {self.tilt_deg}: 0 to 45, beyond which the sheet would hide itself")
        if self.fill <= 0 or min(self.width_px, self.height_px) < 64:
            raise ValueError("fill must be above 0 and the frame at least 64 px on each side")


@dataclass(frozen=True, slots=True)
class Shot:
    """A photograph, (H, W, 3) uint8 BGR before JPEG, with the truth of where the page lies in it."""

    image: np.ndarray
    projection: Projection

    def page_to_photo_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Page points (N, 2) mm to photo pixels (N, 2), exact but for droplets; may lie off the frame."""
        return self.projection.page_to_photo_px(points_mm)


def photograph(
    page: np.ndarray, page_size_mm: tuple[float, float], camera: Camera, *, rng: np.random.Generator
) -> Shot:
    """Photograph a sheet.

    Parameters
    ----------
    page : (h, w) or (h, w, 3) uint8
        The filled sheet, grey or BGR, sRGB values, 255 = bare paper. The outer corner of its first pixel is
        the page's origin.
    page_size_mm : (float, float)
        Width and height of the sheet.
    camera : Camera
    rng : numpy Generator
        For droplets, water film, the hand's outline and noise.

    Returns
    -------
    Shot
    """
    projection = aim(camera, bend_sheet(camera, page_size_mm))
    scene = set_scene(page, camera, projection, rng=rng)
    spread = point_spread(
        camera.defocus_px, motion_px=camera.motion_px, motion_direction_deg=camera.motion_direction_deg
    )
    by_depth = point_spread(camera.depth_blur_px)
    halo = STEP_PX * -(-sum(s.reach_px for s in (spread, by_depth) if s) // STEP_PX)
    stock = noise_stock(rng, _STRIP_PX + 2 * halo, camera.width_px)
    image = np.empty((camera.height_px, camera.width_px, 3), np.uint8)
    for top in range(0, camera.height_px, _STRIP_PX):
        rows = slice(max(0, top - halo), min(camera.height_px, top + _STRIP_PX + halo))
        light = scene.blur_by_depth(blur(scene.strip(rows), spread), rows, by_depth)
        light = expose(light, camera.noise, stock, rng)
        keep = light[top - rows.start : top - rows.start + _STRIP_PX]
        image[top : top + len(keep)] = tone(keep)
    return Shot(sharpen(image, camera.sharpen), projection)


def _upright_or_any(rng: np.random.Generator) -> float:
    """A rotation: mostly within 12 degrees of one of the four ways to hold a phone, else anything."""
    if rng.random() < 0.3:
        return float(rng.uniform(-180, 180))
    turn = float(rng.choice([0, 0, 0, 180, 90, -90]) + rng.uniform(-12, 12))
    return (turn + 180) % 360 - 180


def _receding(rng: np.random.Generator) -> float:
    """A tilt direction: the page usually recedes from whoever holds the phone, but may do so any way."""
    return float(rng.normal(-90, 45) if rng.random() < 0.7 else rng.uniform(-180, 180))


def _roomy_shift(rng: np.random.Generator, fill: float) -> tuple[float, float]:
    """A shift that keeps a sheet of this fill inside the frame."""
    room = max(0.0, (1 - fill) / 2 - 0.01)
    return tuple(float(v) for v in rng.uniform(-room, room, 2))


def ordinary_camera(rng: np.random.Generator, *, width_px: int = 3000, height_px: int = 4000) -> Camera:
    """A careful volunteer: up to 25 degrees of tilt, gentle curl, indoor or shade light, any rotation."""
    pixels = max(width_px, height_px) / 4000
    fill = float(rng.uniform(0.75, 0.97))
    curl_direction = float(rng.choice([0, 90]) + rng.normal(0, 12))
    tilt = float(rng.uniform(0, 25))
    u = rng.uniform
    return Camera(
        width_px=width_px,
        height_px=height_px,
        focal_ratio=float(u(0.7, 0.9)),
        rotation_deg=_upright_or_any(rng),
        tilt_deg=tilt,
        tilt_direction_deg=_receding(rng),
        fill=fill,
        shift=_roomy_shift(rng, fill),
        curl_mm=float(u(0, 8)),
        curl_direction_deg=curl_direction,
        curl_phase=float(u(0, 2 * np.pi)),
        wave_mm=float(u(0, 0.8)),
        wave_length_mm=float(u(60, 120)),
        wave_direction_deg=curl_direction + float(rng.normal(0, 8)),
        lens_k1=float(u(-0.02, 0.03)),
        vignette=float(u(0.05, 0.25)),
        light_direction_deg=float(u(-180, 180)),
        light_elevation_deg=float(u(40, 80)),
        light_gradient=float(u(0, 0.3)),
        ambient=float(u(0.4, 0.8)),
        warmth=float(u(-0.4, 0.7)),
        exposure=float(u(0.5, 0.85)),
        shadow_strength=float(u(0, 0.3)),
        shadow_softness_mm=float(u(25, 70)),
        shadow_at=(float(u(0, 1)), float(u(0.6, 1.3))),
        shadow_direction_deg=float(u(45, 135)),
        sheen=float(u(0, 0.06)),
        glare_at=(float(u(0, 1)), float(u(0, 1))),
        wetness=float(u(0, 0.5)),
        defocus_px=float(u(0.4, 1.3)) * pixels,
        depth_blur_px=float(2.5 * np.sin(np.deg2rad(tilt))) * pixels,
        motion_px=float(u(0, 1.5)) * pixels,
        motion_direction_deg=float(u(0, 180)),
        noise=float(u(0.005, 0.018)),
        sharpen=float(u(0.2, 0.8)),
        jpeg_quality=int(rng.integers(82, 96)),
        background=str(rng.choice(list(BACKGROUNDS))),
        background_seed=int(rng.integers(1000)),
        paper_tint=tuple(float(v) for v in np.array([0.97, 0.99, 0.985]) + rng.uniform(-0.03, 0.01, 3)),
    )


def hard_camera(rng: np.random.Generator, *, width_px: int = 3000, height_px: int = 4000) -> Camera:
    """A bad day that should still be readable: steep, curled, wavy, wet, half in the sun, a little soft."""
    easy = ordinary_camera(rng, width_px=width_px, height_px=height_px)
    pixels = max(width_px, height_px) / 4000
    fill = float(rng.uniform(0.65, 0.95))
    tilt = float(rng.uniform(15, 40))
    u = rng.uniform
    edge = [float(u(0, 1)), float(rng.choice([u(0, 0.15), u(0.85, 1)]))]
    return replace(
        easy,
        fill=fill,
        shift=_roomy_shift(rng, fill),
        tilt_deg=tilt,
        curl_mm=float(u(5, 14)),
        wave_mm=float(u(0.5, 2.5)),
        wave_length_mm=float(u(50, 110)),
        corner_lift_mm=float(u(5, 16)) if rng.random() < 0.5 else 0.0,
        corner=int(rng.integers(4)),
        fold_mm=float(u(1, 3)) if rng.random() < 0.4 else 0.0,
        fold_direction_deg=easy.curl_direction_deg,
        fold_offset_mm=float(u(-60, 60)),
        light_elevation_deg=float(u(25, 60)),
        light_gradient=float(u(0.1, 0.4)),
        ambient=float(u(0.25, 0.6)),
        exposure=float(u(0.4, 0.9)),
        shadow_strength=float(u(0.3, 0.65)),
        shadow_softness_mm=float(u(3, 20)),
        glare_strength=float(u(0.25, 0.9)),
        glare_size_mm=float(u(15, 35)),
        glare_at=tuple(edge if rng.random() < 0.5 else edge[::-1]),
        sheen=float(u(0.03, 0.12)),
        wetness=float(u(0.4, 1)),
        droplets=int(rng.integers(3, 25)),
        defocus_px=float(u(0.8, 2.4)) * pixels,
        depth_blur_px=float(4 * np.sin(np.deg2rad(tilt))) * pixels,
        motion_px=float(u(0, 3.5)) * pixels,
        noise=float(u(0.01, 0.035)),
        jpeg_quality=int(rng.integers(70, 92)),
    )


def retake_camera(rng: np.random.Generator, fault: str, *, width_px: int = 3000, height_px: int = 4000) -> Camera:
    """A photo that deserves to be taken again, for one ``fault`` of `RETAKE_FAULTS`, otherwise ordinary.

    `ValueError` for another fault.
    """
    easy = ordinary_camera(rng, width_px=width_px, height_px=height_px)
    pixels = max(width_px, height_px) / 4000
    u = rng.uniform
    if fault == "blur":
        if rng.random() < 0.5:
            return replace(easy, defocus_px=float(u(9, 16)) * pixels)
        return replace(easy, defocus_px=float(u(2, 4)) * pixels, motion_px=float(u(25, 50)) * pixels)
    if fault == "cut":
        fill = float(u(0.8, 1.1))
        over = 0.5 - fill / 2 + u(0.06, 0.18, 2)
        return replace(easy, fill=fill, shift=tuple(float(v) for v in over * rng.choice([-1, 1], 2)))
    if fault == "glare":
        return replace(
            easy,
            curl_mm=float(u(0, 5)),
            glare_strength=float(u(2, 4)),
            glare_size_mm=float(u(60, 100)),
            glare_at=tuple(float(v) for v in u(0.25, 0.75, 2)),
        )
    if fault == "far":
        fill = float(u(0.14, 0.28))
        return replace(easy, fill=fill, shift=tuple(float(v) for v in u(-0.25, 0.25, 2)))
    raise ValueError(f"fault {fault!r}: choose from {', '.join(RETAKE_FAULTS)}")
