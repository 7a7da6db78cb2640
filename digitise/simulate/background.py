"""What the sheet lies on: procedural textures of wood, sand, towel, concrete and dark slate.

Each is a (1600, 1600, 3) BGR uint8 tile, 4 px a millimetre, mirrored at its edges when the table is larger.
They are made of filtered noise and stand for the kind of surface only.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from digitise.simulate.light import smooth_noise

PX_PER_MM = 4.0
_SIDE = 1600
_SHAPE = (_SIDE, _SIDE)


@lru_cache(maxsize=4)
def background_tile(name: str, seed: int) -> np.ndarray:
    """The texture called ``name`` (a key of `BACKGROUNDS`), always the same for the same seed."""
    tile = BACKGROUNDS[name](np.random.default_rng(seed))
    tile = np.clip(tile, 0, 255).astype(np.uint8)
    tile.flags.writeable = False
    return tile


def _tinted(level: np.ndarray, dark: tuple, bright: tuple) -> np.ndarray:
    """A grey pattern (h, w), 0..1, between two BGR colours."""
    low, high = np.array(dark, np.float32), np.array(bright, np.float32)
    return low + np.clip(level, 0, 1)[..., None] * (high - low)


def _jitter(rng: np.random.Generator, colour: tuple, *, by: float = 14) -> tuple:
    return tuple(np.asarray(colour) + rng.normal(0, by) + rng.normal(0, by / 7, 3))


def _wood(rng: np.random.Generator) -> np.ndarray:
    """Weathered planks some 90 mm wide with stretched grain and dark gaps."""
    grain = 0.6 * smooth_noise(rng, _SHAPE, (8, 400)) + 0.5 * smooth_noise(rng, _SHAPE, (30, 900))
    grain += 0.5 * np.sin(np.arange(_SIDE) / 9.0 + 3 * smooth_noise(rng, _SHAPE, (5, 16)))
    level = 0.5 + 0.16 * grain
    width = int(rng.uniform(300, 480))
    for left in range(int(rng.integers(width)), _SIDE, width):
        level[:, left:] += rng.normal(0, 0.1)
        level[:, left : left + 8] -= 0.7 * np.hanning(8).astype(np.float32)[: _SIDE - left]
    return _tinted(level, _jitter(rng, (35, 58, 84)), _jitter(rng, (120, 160, 190)))


def _sand(rng: np.random.Generator) -> np.ndarray:
    """Grains of about half a millimetre, some dark, on gentle hollows."""
    grains = cv2.GaussianBlur(rng.standard_normal(_SHAPE, np.float32), (0, 0), 0.9) * 3
    level = 0.55 + 0.08 * smooth_noise(rng, _SHAPE, (11, 14)) + 0.07 * smooth_noise(rng, _SHAPE, (120, 120))
    level += 0.13 * grains
    dark = cv2.GaussianBlur(rng.standard_normal(_SHAPE, np.float32), (0, 0), 1.2) * 4.2
    level -= 0.35 * (dark > 2.4)
    return _tinted(level, _jitter(rng, (78, 104, 128)), _jitter(rng, (165, 200, 222)))


def _towel(rng: np.random.Generator) -> np.ndarray:
    """Terry loops in rows, with broad woven stripes."""
    across, down = np.meshgrid(np.arange(_SIDE), np.arange(_SIDE))
    bend = 3 * smooth_noise(rng, _SHAPE, (40, 40))
    loops = np.sin(across * 0.9 + bend) * np.sin(down * 0.7 + bend[::-1])
    fuzz = cv2.GaussianBlur(rng.standard_normal(_SHAPE, np.float32), (0, 0), 1.5) * 5
    level = 0.55 + 0.17 * loops + 0.1 * fuzz + 0.1 * smooth_noise(rng, _SHAPE, (10, 10))
    first, second = rng.permutation([(150, 105, 40), (90, 120, 60), (70, 70, 170), (160, 160, 150)])[:2]
    stripe = (np.sin(down * 2 * np.pi / rng.uniform(250, 700) + bend / 60) > 0.3)[..., None]
    return np.where(stripe, first, second) * (0.35 + level[..., None])


def _concrete(rng: np.random.Generator) -> np.ndarray:
    """Grey and blotchy, with fine grit and small pits."""
    level = 0.55 + 0.07 * smooth_noise(rng, _SHAPE, (7, 9)) + 0.05 * smooth_noise(rng, _SHAPE, (37, 41))
    level += 0.05 * smooth_noise(rng, _SHAPE, (190, 190)) + 0.07 * smooth_noise(rng, _SHAPE, (533, 533))
    pits = cv2.GaussianBlur(rng.standard_normal(_SHAPE, np.float32), (0, 0), 2.5) * 9
    level -= 0.3 * np.clip(pits - 2.6, 0, 1)
    return _tinted(level, _jitter(rng, (84, 88, 90)), _jitter(rng, (180, 184, 186)))


def _slate(rng: np.random.Generator) -> np.ndarray:
    """Dark stone, bluish, split in faint ridges."""
    ridges = smooth_noise(rng, _SHAPE, (60, 9)) + 0.5 * smooth_noise(rng, _SHAPE, (220, 30))
    level = 0.4 + 0.17 * ridges + 0.1 * smooth_noise(rng, _SHAPE, (500, 500))
    return _tinted(level, _jitter(rng, (38, 33, 30), by=6), _jitter(rng, (104, 94, 86), by=8))


BACKGROUNDS = {"wood": _wood, "sand": _sand, "towel": _towel, "concrete": _concrete, "slate": _slate}
