"""From light on the sensor to the phone's 8-bit picture: blur, noise, demosaicing, tone, sharpening.

Blur and noise act in linear light. Shot noise grows as the square root of the light, read noise is constant;
the noise is added before the slight softening of demosaicing, so that it comes out grainy, not white, as a
phone's does. The tone curve is that of sRGB (IEC 61966-2-1) with a mild rise of contrast.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_LEVELS = 16383
_NOISE_SPARE_PX = 512
# Colour noise is weaker than brightness noise once a phone has cleaned it: most of it is shared.
_SHARED_NOISE = 0.8


@lru_cache(maxsize=1)
def linear_table() -> np.ndarray:
    """Linear light (256,) float32, 0..1, of each 8-bit sRGB value."""
    value = np.arange(256) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)


@lru_cache(maxsize=1)
def _tone_table() -> np.ndarray:
    light = np.arange(_LEVELS + 1) / _LEVELS
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    value = 0.8 * value + 0.2 * value**2 * (3 - 2 * value)
    return np.rint(value * 255).astype(np.uint8)


def tone(light: np.ndarray) -> np.ndarray:
    """Linear light, any shape float32, to 8-bit values; what exceeds 1 is burnt out."""
    index = np.clip(light * np.float32(_LEVELS), 0, _LEVELS).astype(np.uint16)
    return _tone_table()[index]


@dataclass(frozen=True, slots=True)
class PointSpread:
    """A blur kernel (n, n) float32, n odd, summing to 1; a ``halved`` one is for the image at half size."""

    kernel: np.ndarray
    halved: bool

    @property
    def reach_px(self) -> int:
        """How far it spreads light, in pixels of the full image."""
        return (len(self.kernel) // 2 + 2) * (2 if self.halved else 1)


def point_spread(defocus_px: float, *, motion_px: float = 0.0, motion_direction_deg: float = 0.0) -> PointSpread | None:
    """A defocus disc of that radius dragged along a line of that length; None where neither shows."""
    if defocus_px < 0.2 and motion_px < 0.3:
        return None
    halved = defocus_px + motion_px / 2 > 7
    disc, line = max(defocus_px, 0.3), max(motion_px, 0.05)
    if halved:
        disc, line = disc / 2, line / 2
    reach = int(np.ceil(disc + line / 2 + 0.5))
    at = (np.arange((2 * reach + 1) * 8) + 0.5) / 8 - reach - 0.5
    x, y = np.meshgrid(at, at)
    turn = np.deg2rad(motion_direction_deg)
    along, aside = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    half = np.sqrt(np.maximum(disc**2 - aside**2, 0))
    stay = np.minimum(along + half, line / 2) - np.maximum(along - half, -line / 2)
    kernel = cv2.resize(np.maximum(stay, 0), (2 * reach + 1,) * 2, interpolation=cv2.INTER_AREA)
    return PointSpread((kernel / kernel.sum()).astype(np.float32), halved)


def blur(light: np.ndarray, spread: PointSpread | None) -> np.ndarray:
    """Convolve (h, w, 3) linear light; wide kernels at half size, which loses nothing that they leave."""
    if spread is None:
        return light
    if not spread.halved:
        return cv2.filter2D(light, -1, spread.kernel, borderType=cv2.BORDER_REPLICATE)
    size = (light.shape[1], light.shape[0])
    half = cv2.resize(light, (-(-size[0] // 2), -(-size[1] // 2)), interpolation=cv2.INTER_AREA)
    half = cv2.filter2D(half, -1, spread.kernel, borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(half, size, interpolation=cv2.INTER_LINEAR)


def noise_stock(rng: np.random.Generator, rows: int, width_px: int) -> np.ndarray:
    """Unit noise (rows + spare, width + spare, 3) to cut from; its channels are partly alike."""
    shape = (rows + _NOISE_SPARE_PX // 8, width_px + _NOISE_SPARE_PX)
    shared = rng.standard_normal((*shape, 1), np.float32)
    own = rng.standard_normal((*shape, 3), np.float32)
    return _SHARED_NOISE * shared + np.float32((1 - _SHARED_NOISE**2) ** 0.5) * own


def expose(light: np.ndarray, noise: float, stock: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Add shot and read noise to (h, w, 3) linear light in place and soften as demosaicing does.

    ``noise`` is the spread at full scale, as a share of full scale.
    """
    if noise:
        down, right = (int(rng.integers(spare + 1)) for spare in np.array(stock.shape[:2]) - light.shape[:2])
        cut = stock[down : down + light.shape[0], right : right + light.shape[1]]
        spread = cv2.sqrt(np.maximum(light, 0) * np.float32(noise**2) + np.float32(0.01 * noise**2))
        light += spread * (cut[:, ::-1] if rng.random() < 0.5 else cut)
    return cv2.GaussianBlur(light, (3, 3), 0.55)


def sharpen(image: np.ndarray, amount: float) -> np.ndarray:
    """The halo-making unsharp mask of phones on an 8-bit image (h, w, 3)."""
    if not amount:
        return image
    return cv2.addWeighted(image, 1 + amount, cv2.GaussianBlur(image, (0, 0), 1.3), -amount, 0)


def encode_jpeg(image: np.ndarray, camera: Camera) -> bytes:
    """The file the phone would write: JPEG at ``camera.jpeg_quality``."""
    _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, camera.jpeg_quality])
    return data.tobytes()
