"""What lies before the lens, drawn in linear light a strip of rows at a time.

The slow things (which millimetre a pixel sees, the light on it) are known on a coarse grid and blown up
strip by strip, so that a 12-megapixel picture never needs a full-size array of floats.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from digitise.simulate.background import PX_PER_MM, background_tile
from digitise.simulate.droplets import Droplet, scatter
from digitise.simulate.light import Light, light_scene
from digitise.simulate.optics import Projection, View, look, upsample
from digitise.simulate.sensor import PointSpread, blur, linear_table

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_TABLE_SHARE = 0.85  # reflectance of the table's brightest parts beside that of paper


@dataclass(frozen=True, slots=True)
class Scene:
    """The lit sheet on its table as seen by one camera.

    ``raster`` is the sheet's linear reflectance (h, w[, 3]) float32, ``raster_per_mm`` (2,) its pixels a mm,
    ``coverage`` (H, W) uint8 the sheet's share of each pixel, ``table`` (H, W, 3) uint8 the table's colour.
    """

    camera: Camera
    view: View
    light: Light
    drops: list[Droplet]
    raster: np.ndarray
    raster_per_mm: np.ndarray
    coverage: np.ndarray
    table: np.ndarray
    blur_weight: np.ndarray

    def strip(self, rows: slice) -> np.ndarray:
        """Linear light (rows, W, 3) float32 of rows that start at a multiple of the grid's step."""
        width = self.camera.width_px
        page_mm = upsample(self.view.page_mm, rows, width)
        drops = [(at, *drop.refract(page_mm[at])) for drop in self.drops if (at := _overlap(drop.box_px, rows, width))]
        page = self._paper(page_mm)
        cv2.multiply(page, upsample(self.light.page_gain, rows, width), page)
        page += upsample(self.light.glare, rows, width)
        lamp = np.float32(1.3 * self.camera.exposure)
        for at, gain, sparkle in drops:
            page[at] = page[at] * gain[..., None] + lamp * sparkle[..., None]
        below = cv2.LUT(self.table[rows], linear_table())
        cv2.multiply(below, upsample(self.light.table_gain, rows, width), below, _TABLE_SHARE)
        page -= below
        cv2.multiply(page, cv2.merge([self.coverage[rows]] * 3).astype(np.float32), page, 1 / 255)
        page += below
        return page

    def blur_by_depth(self, light: np.ndarray, rows: slice, spread: PointSpread | None) -> np.ndarray:
        """Mix in a blurred copy where the sheet is off the focal distance."""
        if spread is None:
            return light
        change = blur(light, spread) - light
        cv2.multiply(change, cv2.merge([upsample(self.blur_weight, rows, light.shape[1])] * 3), change)
        change += light
        return change

    def _paper(self, page_mm: np.ndarray) -> np.ndarray:
        """Reflectance (rows, W, 3), the tint left out, at page points (rows, W, 2), which are overwritten."""
        page_mm *= self.raster_per_mm
        page_mm -= np.float32(0.5)
        seen = cv2.remap(self.raster, page_mm, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return seen if seen.ndim == 3 else cv2.merge([seen] * 3)


def set_scene(page: np.ndarray, camera: Camera, projection: Projection, *, rng: np.random.Generator) -> Scene:
    """Lay the page, (h, w[, 3]) uint8, before the camera and light it."""
    view = look(projection, camera.width_px, camera.height_px)
    raster = _linear_raster(page, projection)
    sheet = projection.sheet
    return Scene(
        camera,
        view,
        light=light_scene(camera, projection, view, rng),
        drops=scatter(camera, projection, rng),
        raster=raster,
        raster_per_mm=np.float32([raster.shape[1] / sheet.width_mm, raster.shape[0] / sheet.height_mm]),
        coverage=_coverage(camera, projection),
        table=_table(camera, projection),
        blur_weight=_blur_weight(projection, view),
    )


def _overlap(box_px: np.ndarray, rows: slice, width: int) -> tuple[slice, slice] | None:
    """The part of a box (left, top, right, bottom) within some rows, as slices of them; None if none is."""
    left, right = max(0, box_px[0]), min(width, box_px[2])
    top, bottom = max(rows.start, box_px[1]) - rows.start, min(rows.stop, box_px[3]) - rows.start
    return (slice(top, bottom), slice(left, right)) if left < right and top < bottom else None


def _linear_raster(page: np.ndarray, projection: Projection) -> np.ndarray:
    """The page in linear light float32, shrunk by area to a little above the photo's own resolution."""
    light = cv2.LUT(np.ascontiguousarray(page), linear_table())
    sheet = projection.sheet
    share = 1.2 * _photo_per_mm(projection) * sheet.width_mm / page.shape[1]
    if share > 0.85:
        return light
    size = (round(page.shape[1] * share), round(page.shape[0] * share))
    return cv2.resize(light, size, interpolation=cv2.INTER_AREA)


def _photo_per_mm(projection: Projection) -> float:
    """Photo pixels a millimetre at the middle of the sheet, the mean of both directions."""
    middle = np.array([projection.sheet.width_mm, projection.sheet.height_mm]) / 2
    corner, across, down = projection.page_to_photo_px(middle + np.array([(0, 0), (5, 0), (0, 5)]))
    return float(np.abs(np.linalg.det([across - corner, down - corner])) ** 0.5 / 5)


def _coverage(camera: Camera, projection: Projection) -> np.ndarray:
    """How much of each pixel the sheet covers, (H, W) uint8: its exact outline, antialiased."""
    mask = np.zeros((camera.height_px, camera.width_px), np.uint8)
    outline = projection.page_to_photo_px(projection.sheet.outline_mm())
    cv2.fillPoly(mask, [np.rint(outline * 64).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=6)
    return mask


def _table(camera: Camera, projection: Projection) -> np.ndarray:
    """The table's texture in perspective, (H, W, 3) uint8."""
    tile = background_tile(camera.background, camera.background_seed)
    share = min(1.0, 1.5 * _photo_per_mm(projection) / PX_PER_MM)
    if share < 1:
        tile = cv2.resize(tile, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    sheet, per_mm = projection.sheet, PX_PER_MM * share
    offset = tile.shape[0] / 2 - per_mm * np.array([sheet.width_mm, sheet.height_mm]) / 2
    to_tile = np.array([[per_mm, 0, offset[0]], [0, per_mm, offset[1]], [0, 0, 1]])
    inverse = to_tile @ np.linalg.inv(projection.table_to_photo())
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (camera.width_px, camera.height_px)
    return cv2.warpPerspective(tile, inverse, size, flags=flags, borderMode=cv2.BORDER_REFLECT)


def _blur_weight(projection: Projection, view: View) -> np.ndarray:
    """Weight (h, w) of the depth blur: 0 at the distance of the sheet's middle, 1 at its farthest corner.

    A thin lens focused at f blurs a point at distance d by a disc that grows as ``|1 - f / d|``; the weight
    is the square of that, so that the mixture has the disc's variance.
    """
    eye, axis = projection.eye_mm, projection.rotation[2] * (1, 1, -1)
    size = np.array([projection.sheet.width_mm, projection.sheet.height_mm])

    def away(x: np.ndarray, y: np.ndarray, lift: np.ndarray | float) -> np.ndarray:
        return (x - eye[0]) * axis[0] + (y - eye[1]) * axis[1] + (lift - eye[2]) * axis[2]

    middle = away(*size / 2, 0.0)
    corners = away(size[0] * np.array([0, 1, 0, 1]), size[1] * np.array([0, 0, 1, 1]), 0.0)
    most = max(float(np.abs(1 - middle / corners).max()), 0.02)
    seen = np.maximum(away(view.page_mm[..., 0], view.page_mm[..., 1], view.lift_mm), 1.0)
    return np.minimum(((1 - middle / seen) / most) ** 2, 1).astype(np.float32)
