"""Light on the sheet and on the table: shading, shadow, wet glare.

Everything here is worked out in linear light on the coarse grid of `optics.View` (every 8 px) and blown up
later: light varies slowly, and the 8 px are well below a millimetre on the page. Gains multiply the
reflectance of paper or table; glare is added, since it never went into the paper.

The shading is Lambert's cosine under one broad light plus an even ambient part. The glare is the usual
microfacet picture in its simplest form, a Gaussian of the slope by which the surface misses the mirror
direction (Beckmann & Spizzichino 1963, The Scattering of Electromagnetic Waves from Rough Surfaces), with no
Fresnel term; its lobe is set so that a flat sheet shows a spot of the wanted size, and curl and waves then
stretch it into streaks by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from digitise.simulate.optics import STEP_PX, Projection, View, to_grid

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_SKY_TINT = np.array([0.86, 0.95, 1.0], np.float32)  # BGR share of a shadow: sky light fills it with blue


@dataclass(frozen=True, slots=True)
class Light:
    """Gains and glare on the grid: ``page_gain``, ``table_gain``, ``glare`` (h, w, 3) BGR float32."""

    page_gain: np.ndarray
    table_gain: np.ndarray
    glare: np.ndarray


def light_scene(camera: Camera, projection: Projection, view: View, rng: np.random.Generator) -> Light:
    """All the light of one photograph, exposure, colour cast and vignetting included."""
    sheet = projection.sheet
    size = np.array([sheet.width_mm, sheet.height_mm])
    film = _water_film(view.page_mm, rng)
    cast = _cast(camera.warmth)
    common = camera.exposure * _vignette(camera, view.lift_mm.shape)[..., None] * cast
    shadow = _Shadow.of(camera, size, rng)
    page = common * _fall_off(camera, view.page_mm, size) * shadow.gain(view.page_mm)
    page *= np.float32(camera.paper_tint)
    page *= (_lambert(camera, view.slope) * (1 - 0.05 * camera.wetness * film))[..., None]
    table = common * _fall_off(camera, view.table_mm, size) * shadow.gain(view.table_mm)
    table *= _contact(camera, projection, view.lift_mm.shape)[..., None]
    glare = _glare(camera, projection, view, film=film, rng=rng)[..., None] * cast
    return Light(page.astype(np.float32), table.astype(np.float32), glare.astype(np.float32))


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]) -> np.ndarray:
    """Cloudy noise (rows, columns) float32 of unit spread, about so many clouds (down, across)."""
    fine = [min(max(4, 3 * count), side) for count, side in zip(cells, shape, strict=True)]
    coarse = cv2.GaussianBlur(rng.standard_normal(fine, np.float32), (0, 0), 1.2)
    coarse /= max(float(coarse.std()), 1e-6)
    return cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def light_direction(camera: Camera) -> np.ndarray:
    """Unit vector towards the light in the page frame (x, y, up)."""
    around, above = np.deg2rad([camera.light_direction_deg, camera.light_elevation_deg])
    return np.array([np.cos(above) * np.cos(around), np.cos(above) * np.sin(around), np.sin(above)])


def _cast(warmth: float) -> np.ndarray:
    """BGR gains left over after white balance: warmth 1 is lamp light, -1 deep open shade."""
    return np.array([1 - 0.22 * warmth, 1.0, 1 + 0.16 * warmth], np.float32)


def _vignette(camera: Camera, shape: tuple[int, int]) -> np.ndarray:
    """1 in the middle falling to 1 - vignette in the corners, as the square of the distance."""
    rows = (np.arange(shape[0]) - 0.5) * STEP_PX - camera.height_px / 2
    columns = (np.arange(shape[1]) - 0.5) * STEP_PX - camera.width_px / 2
    corner = (camera.width_px**2 + camera.height_px**2) / 4
    away = (rows[:, None] ** 2 + columns[None, :] ** 2) / corner
    return (1 - camera.vignette * np.minimum(away, 1.1)).astype(np.float32)


def _fall_off(camera: Camera, points_mm: np.ndarray, size: np.ndarray) -> np.ndarray:
    """The light's even slope across the page: 1 at its centre, ``light_gradient`` from edge to edge."""
    towards = light_direction(camera)[:2]
    towards = towards / max(np.hypot(*towards), 1e-6)
    along = (points_mm - size / 2) @ towards.astype(np.float32) / np.float32(size.max())
    return (1 + camera.light_gradient * np.tanh(along))[..., None]


def _lambert(camera: Camera, slope: np.ndarray) -> np.ndarray:
    """Brightness of the bent sheet relative to the flat one."""
    x, y, up = light_direction(camera)
    facing = np.maximum(0, up - slope[..., 0] * x - slope[..., 1] * y) / up
    facing /= np.sqrt(1 + (slope**2).sum(-1))
    return camera.ambient + (1 - camera.ambient) * facing


def _water_film(page_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Where a film of water lies on the sheet, 0..1 on the grid: patches of some 20 to 40 mm, soft edges."""
    cloud = smooth_noise(rng, (160, 160), (14, 14)) + 0.4 * smooth_noise(rng, (160, 160), (50, 50))
    patches = 1 / (1 + np.exp(-5 * cloud))
    where = np.ascontiguousarray(page_mm / 2.5 + 8, np.float32)
    return cv2.remap(patches.astype(np.float32), where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


@dataclass(frozen=True, slots=True)
class _Shadow:
    """How deep the shadow of phone, hand and arm is, on a raster of the page plane (2 mm a pixel)."""

    depth: np.ndarray
    origin_mm: np.ndarray
    strength: float

    @staticmethod
    def of(camera: Camera, size: np.ndarray, rng: np.random.Generator) -> _Shadow:
        reach = 1.2 * float(size.max())
        side = int(2 * reach / 2) + 1
        origin = size / 2 - reach
        depth = np.zeros((side, side), np.float32)
        if camera.shadow_strength:
            for shape in _silhouette(camera, size, rng):
                cv2.fillPoly(depth, [np.rint((shape - origin) / 2 * 16).astype(np.int32)], 1.0, shift=4)
            depth = cv2.GaussianBlur(depth, (0, 0), max(camera.shadow_softness_mm / 2 / 2, 0.6))
        return _Shadow(depth, origin, camera.shadow_strength)

    def gain(self, points_mm: np.ndarray) -> np.ndarray:
        """BGR gain (h, w, 3) at points (h, w, 2)."""
        if not self.strength:
            return np.ones((1, 1, 3), np.float32)
        where = ((points_mm - self.origin_mm) / 2).astype(np.float32)
        depth = cv2.remap(self.depth, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return 1 - self.strength * depth[..., None] * _SKY_TINT


def _silhouette(camera: Camera, size: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Outlines in page mm: a phone, the fist that holds it, the forearm running off the page."""
    turn = np.deg2rad(camera.shadow_direction_deg)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    phone = np.array([(-75, -38), (75, -38), (80, -30), (80, 30), (75, 38), (-75, 38), (-80, 30), (-80, -30)])
    around = np.linspace(0, 2 * np.pi, 25)[:-1]
    knuckles = 1 + 0.07 * np.sin(5 * around + rng.uniform(0, 6)) + 0.05 * rng.standard_normal(24)
    fist = np.column_stack([45 * np.cos(around), 52 * np.sin(around)]) * knuckles[:, None] + (85, 0)
    arm = np.array([(95, -34), (160, -42), (900, -85), (900, 85), (160, 42), (95, 34)])
    return [part @ spin + np.asarray(camera.shadow_at) * size for part in (phone, fist, arm)]


def _contact(camera: Camera, projection: Projection, shape: tuple[int, int]) -> np.ndarray:
    """Gain on the table round the sheet: its cast shadow, longer where an edge is lifted, and contact."""
    sheet = projection.sheet
    outline = sheet.outline_mm()
    bend = sheet.bend(outline)
    x, y, up = light_direction(camera)
    foot = outline + bend.pull_mm
    cast = foot - np.outer(bend.lift_mm + 0.3, (x / up, y / up))
    unlit = _filled(projection.place(cast, 0.0), shape, blur=1.5)
    close = _filled(projection.place(foot, 0.0), shape, blur=5.0)
    return (1 - (1 - camera.ambient) * 0.75 * unlit) * (1 - 0.35 * close)


def _filled(outline_px: np.ndarray, shape: tuple[int, int], *, blur: float) -> np.ndarray:
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.rint(to_grid(outline_px) * 16).astype(np.int32)], 1.0, shift=4)
    return cv2.GaussianBlur(mask, (0, 0), blur)


def _glare(camera: Camera, projection: Projection, view: View, *, film, rng) -> np.ndarray:
    """Mirror-like light from the wet sheet, in units of sensor full scale (h, w)."""
    if not (camera.glare_strength or camera.sheen):
        return np.zeros(view.lift_mm.shape, np.float32)
    sheet = projection.sheet
    target = np.array([camera.glare_at]) * (sheet.width_mm, sheet.height_mm)
    bend = sheet.bend(target)
    to_eye = projection.eye_mm - (*(target + bend.pull_mm)[0], bend.lift_mm[0])
    distance = np.linalg.norm(to_eye)
    normal = np.array([*-bend.slope[0], 1.0])
    normal /= np.linalg.norm(normal)
    lamp = 2 * normal * (normal @ to_eye) - to_eye
    lamp /= distance
    width = camera.glare_size_mm / 4 / distance
    miss = _mirror_miss(projection, view, lamp)
    off = ((miss + 0.2 * width * _ripple(rng, miss.shape[:2])) ** 2).sum(-1) / width**2
    wet = 1 - camera.wetness * 0.6 * (1 - film)
    core = np.exp(-off / 2) + 0.12 * np.exp(-off / 18)
    broad = np.exp(-(miss**2).sum(-1) / (2 * 0.25**2))
    return wet * (camera.glare_strength * core + camera.sheen * camera.exposure * broad)


def _ripple(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Unevenness (h, w, 2) of the wet surface, in slopes of about unit spread, at several sizes."""
    sizes = ((6, 5), (20, 15), (60, 45), (150, 110))
    return np.stack([sum(smooth_noise(rng, shape, size) for size in sizes) / 2 for _ in range(2)], -1)


def _mirror_miss(projection: Projection, view: View, lamp: np.ndarray) -> np.ndarray:
    """Slope (h, w, 2) by which each grid point of the sheet misses mirroring a far lamp into the lens."""
    eye = projection.eye_mm.astype(np.float32)
    to_eye = np.dstack([eye[:2] - view.page_mm, eye[2] - view.lift_mm])
    to_eye /= np.linalg.norm(to_eye, axis=-1, keepdims=True)
    half = to_eye + lamp.astype(np.float32)
    return -view.slope - half[..., :2] / np.maximum(half[..., 2:], 0.05)
