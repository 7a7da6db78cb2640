"""What apps, screens and light of other kinds make of a picture, up to strengths at which pencil goes: more changes.

In the manner of `other_cameras.py`; `CHANGES` has those, the ones of `other_beaches.py` and these by name. Strengths are drawn
from harmless to far too much, since values are lost without a word between the two.
"""

from __future__ import annotations

import cv2
import numpy as np
import other_beaches
from other_cameras import Change, Picture, clipped, cloud, jpeg


def _of_paper(image: Picture) -> np.ndarray:
    """Each grey as a share of the paper's around it, (H, W) float32."""
    gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    small = cv2.dilate(cv2.resize(gray, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), np.ones((11, 11)))
    paper = cv2.resize(cv2.GaussianBlur(small, (0, 0), 5), gray.shape[::-1]).astype(np.float32)
    return gray / np.maximum(paper, 1)


def _colours(gray: np.ndarray) -> Picture:
    return cv2.cvtColor(clipped(gray), cv2.COLOR_GRAY2BGR)


def black_and_white(image: Picture, rng: np.random.Generator) -> Picture:
    """A scanning app that knows no grey: what is darker than a share of the paper is black, all else white."""
    return _colours(255.0 * (_of_paper(image) > rng.uniform(0.45, 0.9)))


def without_specks(image: Picture, rng: np.random.Generator) -> Picture:
    """The same app, which then takes away what it holds for specks: pieces up to a millimetre or two long."""
    black = (black_and_white(image, rng)[..., 0] == 0).view(np.uint8)
    _, labels, pieces, _ = cv2.connectedComponentsWithStats(black, connectivity=8)
    lengths = np.hypot(pieces[:, cv2.CC_STAT_WIDTH], pieces[:, cv2.CC_STAT_HEIGHT])
    stays = lengths >= rng.uniform(0.7, 2.5) / 320 * max(image.shape)  # a sheet that fills most of the picture
    stays[0] = False
    return _colours(255.0 * ~stays[labels])


def scanned(image: Picture, rng: np.random.Generator) -> Picture:
    """A scanning app that makes paper white and pencil black, with some grey between."""
    low, high = rng.uniform(0.2, 0.5), rng.uniform(0.6, 0.95)
    return _colours(255 * (_of_paper(image) - low) / (high - low))


def whitened(image: Picture, rng: np.random.Generator) -> Picture:
    """A scanning app that makes paper white, and pencil no darker."""
    return _colours(255 * _of_paper(image) / rng.uniform(0.6, 1.0))


def contrast(image: Picture, rng: np.random.Generator) -> Picture:
    """More contrast, as people ask of a picture that looks dull."""
    middle = 0.7 * float(np.median(image))
    return clipped((image.astype(np.float32) - middle) * rng.uniform(1.3, 4) + middle)


def few_greys(image: Picture, rng: np.random.Generator) -> Picture:
    """Saved with four to ten greys."""
    steps = int(rng.integers(3, 10))
    return clipped(np.round(image / 255 * steps) / steps * 255)


def mist(image: Picture, rng: np.random.Generator) -> Picture:
    """A housing misted up inside: a veil over everything, up to nine tenths of the contrast."""
    share = rng.uniform(0.6, 0.9)
    return clipped(image * (1 - share) + rng.uniform(120, 200) * share)


def flared(image: Picture, rng: np.random.Generator) -> Picture:
    """The sun just outside the picture: a broad veil from one side."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    away = np.hypot(x - rng.uniform(0, 1) * width, y - rng.uniform(0, 1) * height) / height
    return clipped(image + (rng.uniform(40, 160) * np.exp(-((away / 0.35) ** 2)))[..., None])


def tinted(image: Picture, rng: np.random.Generator) -> Picture:
    """Light of one colour: blue-green water, a lamp, red light."""
    casts = ((1, 0.85, 0.2), (1, 0.35, 0.05), (0.2, 0.8, 0.15), (0.25, 0.6, 1), (0.1, 0.25, 1))
    return clipped(image * np.array(casts[rng.integers(len(casts))]))


def two_lamps(image: Picture, rng: np.random.Generator) -> Picture:
    """Two lamps of two colours near the sheet, dark between them."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    light = np.zeros(image.shape, np.float32)
    for colour in ((0.6, 0.85, 1.0), (1.0, 0.9, 0.75)):
        away = np.hypot(x - rng.uniform(-0.1, 1.1) * width, y - rng.uniform(-0.1, 1.1) * height) / height
        light += (1 / (1 + (away / 0.5) ** 2))[..., None] * np.array(colour, np.float32)
    return clipped(image * (0.2 + 0.8 * light / light.max()))


def dusk(image: Picture, rng: np.random.Generator) -> Picture:
    """Hardly any light, made bright again: grains and blotches of colour."""
    share = rng.uniform(0.08, 0.3)
    light = (image.astype(np.float32) / 255) ** 2.2 * share
    grain = rng.standard_normal(image.shape[:2]).astype(np.float32)[..., None]
    blotches = np.dstack([cloud(rng, image.shape[:2], 4) for _ in range(3)])
    light += np.sqrt(light * 0.0015 + 0.00003) * (grain + 0.7 * blotches)
    return clipped(np.clip(light / share, 0, 1) ** (1 / 2.2) * 200)


def smeared(image: Picture, rng: np.random.Generator) -> Picture:
    """Noise, and noise reduction that takes pencil for noise."""
    gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    strength = rng.uniform(10, 30)
    noisy = clipped(gray + rng.standard_normal(gray.shape) * strength)
    return _colours(cv2.fastNlMeansDenoising(noisy, None, float(strength), 5, 11))


def enlarged(image: Picture, rng: np.random.Generator) -> Picture:
    """A small picture made large: there are pixels, and nothing in them."""
    scale = rng.uniform(900, 1500) / max(image.shape)
    few = jpeg(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), 85)
    return cv2.resize(few, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)


def wet(image: Picture, rng: np.random.Generator) -> Picture:
    """Wet through in places: darker paper with a sharp, darker edge."""
    depth = cloud(rng, image.shape[:2], 250) + 0.2 * cloud(rng, image.shape[:2], 40) - 0.5
    soaked, edge = 1 / (1 + np.exp(np.clip(-25 * depth, -50, 50))), np.exp(-((depth / 0.04) ** 2))
    return clipped(image * (1 - rng.uniform(0.1, 0.5) * soaked - 0.12 * edge)[..., None])


CHANGES: dict[str, Change] = other_beaches.CHANGES | {
    f.__name__.replace("_", " "): f
    for f in (
        black_and_white, without_specks, scanned, whitened, contrast, few_greys, mist, flared, tinted, two_lamps, dusk, smeared, enlarged, wet,
    )
}  # fmt: skip
