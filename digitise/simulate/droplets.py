"""Water drops on the sheet: small lenses that magnify the print under them, with bright and dark rims.

A drop is a spherical cap with a contact angle of 45 degrees, a middling value for water on a slightly
roughened plastic sheet (from memory, no source). Looked at from above, a ray refracts at the cap (Snell,
n = 1.33) and meets the paper nearer the middle; the light that the cap gathers brightens the side away from
the lamp. The view from the side, which a tilted camera has, is not followed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from digitise.simulate.light import light_direction
from digitise.simulate.optics import Projection

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_CONTACT = np.sin(np.pi / 4)
_WATER = 1.33


@dataclass(frozen=True, slots=True)
class Droplet:
    """A drop at ``centre_mm`` (2,); ``wobble`` (2,) is the size and phase of its unroundness.

    ``box_px`` is (left, top, right, bottom) in the photo, ``lamp`` (2,) the direction along the page to the
    light.
    """

    centre_mm: np.ndarray
    radius_mm: float
    wobble: np.ndarray
    box_px: np.ndarray
    lamp: np.ndarray

    def refract(self, page_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shift page positions (h, w, 2) in place as the drop does; returns gain and sparkle, each (h, w)."""
        away = page_mm - self.centre_mm.astype(np.float32)
        far = np.hypot(away[..., 0], away[..., 1]) + 1e-6
        angle = np.arctan2(away[..., 1], away[..., 0])
        rim = self.radius_mm * (
            1
            + self.wobble[0] * np.cos(2 * angle + self.wobble[1])
            + 0.4 * self.wobble[0] * np.cos(3 * angle + 2 * self.wobble[1])
        )
        part = far / rim
        page_mm -= away * (_displacement(np.minimum(part, 1)) * rim / far)[..., None]
        towards = (away @ self.lamp.astype(np.float32)) / rim
        return _gain(part, towards), _sparkle(away / rim[..., None], self.lamp)


def scatter(camera: Camera, projection: Projection, rng: np.random.Generator) -> list[Droplet]:
    """``camera.droplets`` drops of 2 to 8 mm across, small ones more common, anywhere on the sheet."""
    sheet = projection.sheet
    lamp = light_direction(camera)[:2]
    lamp = lamp / max(np.hypot(*lamp), 1e-6)
    drops = []
    for _ in range(camera.droplets):
        radius = 1 + 3 * rng.beta(1.2, 3.0)
        centre = rng.uniform(radius, np.array([sheet.width_mm, sheet.height_mm]) - radius)
        reach = 1.5 * radius * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
        px = projection.page_to_photo_px(centre + reach)
        box = np.concatenate([np.floor(px.min(0)), np.ceil(px.max(0)) + 1]).astype(int)
        drops.append(Droplet(centre, float(radius), rng.uniform((0.0, 0.0), (0.12, 6.28)), box, lamp))
    return drops


def _displacement(part: np.ndarray) -> np.ndarray:
    """How far towards the middle the seen point lies, in drop radii, at ``part`` radii from the middle."""
    lean = np.arcsin(part * _CONTACT)
    bend = lean - np.arcsin(part * _CONTACT / _WATER)
    thickness = (np.cos(lean) - np.sqrt(1 - _CONTACT**2)) / _CONTACT
    return thickness * np.tan(bend)


def _gain(part: np.ndarray, towards: np.ndarray) -> np.ndarray:
    """Brightness under the drop: bright away from the lamp, a dark rim, a caustic outside."""
    inside = 1 / (1 + np.exp((part - 1) * 40))
    gathered = 1 - 0.3 * towards * part * inside
    line = 0.35 * np.exp(-(((part - 0.97) / 0.05) ** 2)) * (0.6 + 0.4 * np.clip(towards, -1, 1))
    caustic = 0.25 * np.exp(-(((part - 1.1) / 0.08) ** 2)) * np.clip(-towards, 0, 1)
    return gathered - line + caustic


def _sparkle(spot: np.ndarray, lamp: np.ndarray) -> np.ndarray:
    """The lamp mirrored in the cap, near its lit side; peak 1."""
    off = ((spot - 0.5 * lamp.astype(np.float32)) ** 2).sum(-1)
    return np.exp(-off / 0.13**2) + 0.15 * np.exp(-off / 0.35**2)
