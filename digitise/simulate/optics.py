"""Where page millimetres land in the photograph, and which page millimetre a pixel sees.

A pinhole with one radial distortion term (Brown 1966, Photogrammetric Engineering 32, 444-462) about the
frame's centre looks at the bent sheet. Forward projection is closed form and is the truth handed out with
every shot; the inverse follows each pixel's ray down to the surface by Newton's method.

Photo pixels follow OpenCV: (x, y), the centre of the top-left pixel is (0, 0). The camera frame has x right,
y down, z forward; the page frame is (x, y) in mm and lift towards the viewer, so its third axis is -lift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from digitise.simulate.paper import Sheet

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_NEAR_MM = 20.0  # how far off the sheet lines of sight must still be followed well
STEP_PX = 8  # spacing of the grid on which the slow things are worked out


@dataclass(frozen=True, slots=True)
class Projection:
    """A camera before a sheet; ``rotation`` (3, 3), ``translation`` (3,) mm lead from page to camera."""

    sheet: Sheet
    rotation: np.ndarray
    translation: np.ndarray
    focal_px: float
    centre_px: np.ndarray
    k1: float

    @property
    def eye_mm(self) -> np.ndarray:
        """The lens in the page frame: x, y, height above the table (3,), mm."""
        return -self.rotation.T @ self.translation * (1, 1, -1)

    def page_to_photo_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Page points (N, 2) mm on the bent sheet to photo pixels (N, 2); exact, distortion included."""
        points = np.asarray(points_mm, float).reshape(-1, 2)
        bend = self.sheet.bend(points)
        return self.place(points + bend.pull_mm, bend.lift_mm)

    def place(self, points_mm: np.ndarray, lift_mm: np.ndarray | float) -> np.ndarray:
        """Points (N, 2) mm at a lift above the table to photo pixels (N, 2)."""
        space = np.column_stack([points_mm, np.broadcast_to(-np.asarray(lift_mm), len(points_mm))])
        x, y, z = self.rotation @ space.T + self.translation[:, None]
        flat = np.stack([x / z, y / z], 1)
        flat *= 1 + self.k1 * (flat**2).sum(1, keepdims=True)
        return flat * self.focal_px + self.centre_px

    def rays(self, points_px: np.ndarray) -> np.ndarray:
        """How far a pixel's line of sight (N, 2) moves sideways on the page (N, 2) for each mm of height."""
        bent = (points_px - self.centre_px) / self.focal_px
        flat = bent.copy()
        for _ in range(8 if self.k1 else 0):
            flat = bent / (1 + self.k1 * (flat**2).sum(1, keepdims=True))
        x, y, z = self.rotation.T @ np.column_stack([flat, np.ones(len(flat))]).T
        return np.stack([x, y], 1) / np.minimum(-z, -1e-3)[:, None]

    def table_to_photo(self) -> np.ndarray:
        """Homography (3, 3) from table millimetres to photo pixels, leaving lens distortion out."""
        plane = np.column_stack([self.rotation[:, 0], self.rotation[:, 1], self.translation])
        (x, y), focal = self.centre_px, self.focal_px
        lens = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
        return lens @ plane


@dataclass(frozen=True, slots=True)
class View:
    """What the camera sees on a grid every 8 px, one cell beyond the frame on each side; float32.

    ``page_mm`` (h, w, 2) on the sheet, ``table_mm`` (h, w, 2) on the table below, ``slope`` (h, w, 2) of the
    sheet, ``lift_mm`` (h, w). Outside the sheet ``page_mm`` runs on past its edges.
    """

    page_mm: np.ndarray
    table_mm: np.ndarray
    slope: np.ndarray
    lift_mm: np.ndarray


def aim(camera: Camera, sheet: Sheet) -> Projection:
    """Point the camera so that the sheet's bounding box in the photo has the wanted share and place.

    Raises ValueError when no such position is found (a page all but edge on).
    """
    frame = np.array([camera.width_px, camera.height_px], float)
    focal = camera.focal_ratio * frame.max()
    rotation = _orientation(camera)
    outline = sheet.outline_mm(spacing_mm=8.0)
    wanted = (0.5 + np.asarray(camera.shift)) * frame - 0.5
    middle = rotation @ (sheet.width_mm / 2, sheet.height_mm / 2, 0.0)
    far = 1.5 * focal * max(sheet.width_mm, sheet.height_mm) / (camera.fill * frame.min())
    offset = np.array([0.0, 0.0, far])
    for _ in range(200):
        projection = Projection(sheet, rotation, offset - middle, focal, frame / 2 - 0.5, camera.lens_k1)
        px = projection.page_to_photo_px(outline)
        low, high = px.min(0), px.max(0)
        growth = ((high - low) / frame).max() / camera.fill
        miss = wanted - (low + high) / 2
        if abs(growth - 1) < 1e-6 and np.abs(miss).max() < 1e-3:
            return projection
        offset[2] *= growth**0.8
        offset[:2] = (offset[:2] + miss / focal * offset[2] * 0.9) if abs(growth - 1) < 0.5 else 0.0
    raise ValueError(f"no camera position shows the page so: {camera}")


def _orientation(camera: Camera) -> np.ndarray:
    """Turn in the plane, then tilt so that the page recedes towards ``tilt_direction_deg`` in the photo."""
    turn = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(camera.rotation_deg)]))[0]
    towards = np.deg2rad(camera.tilt_direction_deg)
    axis = np.array([np.sin(towards), -np.cos(towards), 0.0])
    return cv2.Rodrigues(axis * np.deg2rad(camera.tilt_deg))[0] @ turn


def look(projection: Projection, width_px: int, height_px: int) -> View:
    """Follow the lines of sight of a grid of pixels down to the sheet and to the table."""
    columns = (np.arange(-1, -(-width_px // STEP_PX) + 1) + 0.5) * STEP_PX - 0.5
    rows = (np.arange(-1, -(-height_px // STEP_PX) + 1) + 0.5) * STEP_PX - 0.5
    shape = (len(rows), len(columns))
    px = np.stack(np.meshgrid(columns, rows), -1).reshape(-1, 2)
    ray = projection.rays(px)
    eye = projection.eye_mm
    table = eye[:2] - ray * eye[2]
    page, bend = _meet(projection.sheet, table, ray)
    return View(*(a.astype(np.float32).reshape(*shape, *a.shape[1:]) for a in (page, table, bend.slope, bend.lift_mm)))


def _meet(sheet: Sheet, table_mm: np.ndarray, ray: np.ndarray):
    """Where lines of sight meet the sheet: page points (N, 2) and the surface there."""
    page, lift = table_mm, np.zeros(len(table_mm))
    middle = np.array([sheet.width_mm, sheet.height_mm]) / 2
    for _ in range(12):
        bend = sheet.bend(page)
        steep = 1 - (bend.slope * ray).sum(1)
        lift = lift + (bend.lift_mm - lift) / np.maximum(steep, 0.2)
        before, page = page, table_mm + ray * lift[:, None] - bend.pull_mm
        near = (np.abs(page - middle) < middle + _NEAR_MM).all(1)
        if np.abs(page - before)[near].max(initial=0.0) < 1e-3:
            break
    return page, bend


def upsample(grid: np.ndarray, rows: slice, width_px: int) -> np.ndarray:
    """A grid of `View` blown up to every pixel of some rows: (rows, width_px[, channels]) float32.

    ``rows.start`` must be a multiple of `STEP_PX`.
    """
    first, last = rows.start // STEP_PX, -(-rows.stop // STEP_PX) + 2
    part = grid[first:last]
    size = (part.shape[1] * STEP_PX, part.shape[0] * STEP_PX)
    large = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
    return large[STEP_PX : STEP_PX + rows.stop - rows.start, STEP_PX : STEP_PX + width_px]


def to_grid(points_px: np.ndarray) -> np.ndarray:
    """Photo pixels (N, 2) to positions on a `View` grid, in its cells (centre of its first cell is 0)."""
    return (points_px + 0.5) / STEP_PX + 0.5
