"""What other phones, scanners and seas do to a picture: each a change of a finished photograph that the simulator lacks.

A change takes a picture, (H, W, 3) uint8 BGR, and a generator, and hands back a picture of the same sheet: what is written
stays as it was, whatever becomes of how it looks. `CHANGES` has them by name. They are coarse likenesses, made to look for
values that are read wrongly without a word, not to tell how often phones do so.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

Picture = np.ndarray
Change = Callable[[Picture, np.random.Generator], Picture]


def clipped(values: np.ndarray) -> Picture:
    return np.clip(values, 0, 255).astype(np.uint8)


def cloud(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> np.ndarray:
    """Smooth noise of unit spread whose blobs are about so large, (H, W) float32."""
    coarse = rng.standard_normal([max(4, int(v / size_px)) for v in shape]).astype(np.float32)
    return cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC) / 0.8


def jpeg(image: Picture, quality: int) -> Picture:
    return cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


def grain(image: Picture, rng: np.random.Generator) -> Picture:
    """High ISO: coarse grain, stronger in the dark."""
    noise = cv2.GaussianBlur(rng.standard_normal(image.shape[:2]).astype(np.float32), (0, 0), rng.uniform(0.5, 1.0))
    return clipped(image + (noise / noise.std() * rng.uniform(8, 18))[..., None])


def chroma(image: Picture, rng: np.random.Generator) -> Picture:
    """Blotches of colour, as cheap sensors leave in the shade."""
    noise = [cloud(rng, image.shape[:2], rng.uniform(2, 8)) for _ in range(3)]
    return clipped(image + np.dstack(noise) * rng.uniform(8, 20))


def low_quality(image: Picture, rng: np.random.Generator) -> Picture:
    """JPEG at quality 20 to 35."""
    return jpeg(image, int(rng.integers(20, 36)))


def messenger(image: Picture, rng: np.random.Generator) -> Picture:
    """Sent through a messenger: 1,600 pixels long, and compressed twice."""
    scale = 1600 / max(image.shape)
    return jpeg(jpeg(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), 70), 60)


def haloes(image: Picture, rng: np.random.Generator) -> Picture:
    """Sharpened far too much."""
    amount, sigma = rng.uniform(1.5, 3), rng.uniform(1.5, 4)
    return cv2.addWeighted(image, 1 + amount, cv2.GaussianBlur(image, (0, 0), sigma), -amount, 0)


def tone_mapped(image: Picture, rng: np.random.Generator) -> Picture:
    """HDR: every part of the picture stretched to the whole range of grey."""
    lab = cv2.cvtColor(image, cv2.COLOR_BGR2LAB)
    clahe = cv2.createCLAHE(float(rng.uniform(3, 8)), (int(rng.integers(6, 16)),) * 2)
    lab[..., 0] = clahe.apply(lab[..., 0])
    return cv2.cvtColor(lab, cv2.COLOR_LAB2BGR)


def cleaned(image: Picture, rng: np.random.Generator) -> Picture:
    """Noise reduction that paints over what is faint and thin."""
    if rng.random() < 0.5:
        return cv2.medianBlur(image, 5)
    return cv2.bilateralFilter(image, 9, rng.uniform(25, 50), 3)


def washed_out(image: Picture, rng: np.random.Generator) -> Picture:
    """Overexposed: paper burns out, and faint pencil with it."""
    return clipped(image.astype(np.float32) * rng.uniform(1.25, 1.8))


def flat_contrast(image: Picture, rng: np.random.Generator) -> Picture:
    """Grey wet paper seen through mist: black is far from black."""
    low, high = rng.uniform(70, 110), rng.uniform(135, 170)
    mottled = 4 * cloud(rng, image.shape[:2], 60)
    return clipped(low + image.astype(np.float32) * (high - low) / 255 + mottled[..., None])


def smeared_lens(image: Picture, rng: np.random.Generator) -> Picture:
    """Grease or a drop on the lens: parts of the picture lose contrast to a veil of the light around them."""
    smear = cloud(rng, image.shape[:2], max(image.shape) / rng.uniform(2, 6))
    veil = (rng.uniform(0.5, 0.75) / (1 + np.exp(-4 * smear)))[..., None]
    light = cv2.resize(
        cv2.blur(cv2.resize(image, None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA), (25, 25)), image.shape[1::-1]
    )
    return clipped(image * (1 - veil) + light * veil)


def slate(image: Picture, rng: np.random.Generator) -> Picture:
    """Coloured plastic instead of paper, with a rough surface."""
    tint = np.array([(0.45, 0.9, 0.98), (0.95, 0.75, 0.5), (0.65, 0.6, 0.95), (0.6, 0.85, 0.6)][rng.integers(4)])
    rough = 1 + 0.05 * cloud(rng, image.shape[:2], 3) + 0.06 * cloud(rng, image.shape[:2], 25)
    return clipped(image * tint.astype(np.float32) * rough[..., None])


def _bent(image: Picture, k1: float) -> Picture:
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = (x - width / 2) / max(image.shape), (y - height / 2) / max(image.shape)
    swell = (1 + k1 * 4 * (x * x + y * y)) / (1 + min(k1, 0) * 1.6)  # all of the picture stays in view
    at = [v * swell * max(image.shape) + half / 2 for v, half in ((x, width), (y, height))]
    return cv2.remap(image, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def barrel(image: Picture, rng: np.random.Generator) -> Picture:
    """A wide lens that bends straight lines outward."""
    return _bent(image, float(rng.uniform(0.06, 0.16)))


def pincushion(image: Picture, rng: np.random.Generator) -> Picture:
    """A lens that bends straight lines inward."""
    return _bent(image, -float(rng.uniform(0.06, 0.14)))


def rolling(image: Picture, rng: np.random.Generator) -> Picture:
    """A shutter that rolls while the hand trembles: rows shift and smear by turns."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    waves = rng.uniform(1.5, 5)
    x += rng.uniform(3, 9) * np.sin(2 * np.pi * (waves * y / height + rng.random()))
    moved = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    smeared = cv2.blur(moved, (int(rng.integers(3, 8)), 1))
    share = (0.5 + 0.5 * np.sin(2 * np.pi * (waves * y / height + rng.random())))[..., None]
    return clipped(moved * (1 - share) + smeared * share)


def vignetted(image: Picture, rng: np.random.Generator) -> Picture:
    """Corners a fifth as bright as the middle."""
    height, width = image.shape[:2]
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    return clipped(image * (1 - rng.uniform(0.6, 0.8) * np.minimum((x * x + y * y) / 2, 1))[..., None])


def screen(image: Picture, rng: np.random.Generator) -> Picture:
    """Taken off a screen: its lines beat with the pixels."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    turn, pitch = rng.uniform(-0.1, 0.1), rng.uniform(2.1, 2.9)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    lines = 1 + rng.uniform(0.08, 0.2) * (np.sin(2 * np.pi * u / pitch) + np.sin(2 * np.pi * v / pitch))
    colours = np.dstack([1 + 0.05 * np.sin(2 * np.pi * u / pitch + p) for p in (0, 2.1, 4.2)])
    return cv2.GaussianBlur(clipped(image * lines[..., None] * colours), (0, 0), 0.6)


def photocopy(image: Picture, rng: np.random.Generator) -> Picture:
    """A photocopy: hard contrast, specks and streaks."""
    gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY).astype(np.float32)
    paper = cv2.GaussianBlur(cv2.dilate(gray, np.ones((25, 25))), (0, 0), 25)
    share = gray / np.maximum(paper, 1)
    out = 255 / (1 + np.exp(-(share - rng.uniform(0.68, 0.82)) * rng.uniform(12, 25)))
    specks = cv2.GaussianBlur(rng.standard_normal(gray.shape).astype(np.float32), (0, 0), 0.8) > 1.45
    out[specks] *= 0.25
    for column in rng.integers(0, gray.shape[1], 3):
        out[:, column : column + 2] *= 0.7
    return cv2.cvtColor(clipped(out), cv2.COLOR_GRAY2BGR)


def fax(image: Picture, rng: np.random.Generator) -> Picture:
    """Black or white, nothing between, at about 200 dots an inch."""
    gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
    side = int(max(image.shape) / 40) | 1
    binary = cv2.adaptiveThreshold(
        gray, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, side, float(rng.uniform(14, 24))
    )
    return cv2.cvtColor(binary, cv2.COLOR_GRAY2BGR)


def lenses(image: Picture, rng: np.random.Generator) -> Picture:
    """Drops of water that magnify and shift what lies under them."""
    out, (height, width) = image.copy(), image.shape[:2]
    for _ in range(int(rng.integers(6, 25))):
        radius = float(rng.uniform(8, 45) * max(image.shape) / 3000)
        cx, cy = rng.uniform(0.12, 0.88) * width, rng.uniform(0.12, 0.88) * height
        x0, y0, r = int(cx - radius), int(cy - radius), int(2 * radius) + 1
        y, x = np.mgrid[y0 : y0 + r, x0 : x0 + r].astype(np.float32)
        off = np.hypot(x - cx, y - cy) / radius
        pull = np.where(off < 1, 1 - rng.uniform(0.25, 0.6) * (1 - off**2), 1).astype(np.float32)
        seen = cv2.remap(
            image, cx + (x - cx) * pull, cy + (y - cy) * pull, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        rim = np.where(off < 1, 1 - 0.35 * off**8, 1)
        spot = 120 * np.exp(-(((x - cx) / radius + 0.4) ** 2 + ((y - cy) / radius + 0.4) ** 2) / 0.02)
        there = out[max(0, y0) : y0 + r, max(0, x0) : x0 + r]
        part = clipped(seen * rim[..., None] + spot[..., None])[max(0, -y0) :, max(0, -x0) :]
        there[...] = part[: there.shape[0], : there.shape[1]]
    return out


def flash(image: Picture, rng: np.random.Generator) -> Picture:
    """The phone's own flash: one small burnt spot, light falling off around it."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    cx, cy, size = rng.uniform(0.25, 0.75) * width, rng.uniform(0.25, 0.75) * height, max(image.shape)
    away = np.hypot(x - cx, y - cy) / size
    light = 300 * np.exp(-((away / rng.uniform(0.02, 0.05)) ** 2)) + 60 * np.exp(-((away / 0.15) ** 2))
    return clipped(image * (1.1 - 0.5 * away)[..., None] + light[..., None])


def mirrored(image: Picture, rng: np.random.Generator) -> Picture:
    """A window mirrored in a wet sheet: bright panes with sharp edges and dark bars between."""
    height, width = image.shape[:2]
    light = np.zeros((height, width), np.float32)
    cx, cy = rng.uniform(0.3, 0.7) * width, rng.uniform(0.3, 0.7) * height
    side = rng.uniform(0.08, 0.2) * width
    turn = cv2.getRotationMatrix2D((cx, cy), float(rng.uniform(-30, 30)), 1.0)
    for dx, dy in ((-1, -1), (0.1, -1), (-1, 0.1), (0.1, 0.1)):
        corners = np.array(
            [(cx + side * (dx + a), cy + side * (dy + b)) for a, b in ((0, 0), (0.9, 0), (0.9, 0.9), (0, 0.9))]
        )
        cv2.fillPoly(light, [np.rint(cv2.transform(corners[None], turn)[0]).astype(np.int32)], 1.0)
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(1, 8)) * rng.uniform(60, 190)
    return clipped(image + light[..., None])


def blinds(image: Picture, rng: np.random.Generator) -> Picture:
    """Sun through a fence or blinds: sharp stripes of shadow."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    turn, pitch = rng.uniform(0, np.pi), rng.uniform(0.02, 0.12) * width
    wave = np.sin(2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / pitch)
    shade = cv2.GaussianBlur((wave > rng.uniform(-0.3, 0.5)).astype(np.float32), (0, 0), rng.uniform(1.5, 6))
    return clipped(image * (1 - rng.uniform(0.3, 0.6) * shade)[..., None])


def hairs(image: Picture, rng: np.random.Generator) -> Picture:
    """Hairs, threads of weed and grains of sand on the sheet."""
    out, scale = image.copy(), max(image.shape) / 3000
    for _ in range(int(rng.integers(5, 20))):
        start, way = rng.uniform(0.1, 0.9, 2) * image.shape[1::-1], rng.uniform(0, 2 * np.pi)
        steps = way + np.cumsum(rng.normal(0, 0.12, 40))
        line = start + np.cumsum(np.stack([np.cos(steps), np.sin(steps)], 1), axis=0) * rng.uniform(1, 8) * scale
        colour = tuple(float(v) for v in rng.uniform(20, 90, 3))
        cv2.polylines(
            out,
            [np.rint(line * 8).astype(np.int32)],
            False,
            colour,
            max(1, round(rng.uniform(1, 3) * scale)),
            cv2.LINE_AA,
            3,
        )
    for x, y in rng.uniform(0.1, 0.9, (150, 2)) * image.shape[1::-1]:
        cv2.circle(
            out,
            (int(x), int(y)),
            max(1, round(rng.uniform(1, 4) * scale)),
            tuple(rng.uniform(40, 140, 3)),
            -1,
            cv2.LINE_AA,
        )
    return cv2.addWeighted(out, 0.9, cv2.GaussianBlur(out, (0, 0), 0.8), 0.1, 0)


def see_through(image: Picture, rng: np.random.Generator) -> Picture:
    """Thin wet paper: what is printed and written on another sheet below shines through, the wrong way round."""
    below = cv2.warpAffine(
        image[:, ::-1],
        cv2.getRotationMatrix2D((image.shape[1] / 2, image.shape[0] / 2), float(rng.uniform(-4, 4)), 1.0),
        image.shape[1::-1],
        borderMode=cv2.BORDER_REFLECT,
    )
    gray = cv2.cvtColor(below, cv2.COLOR_BGR2GRAY).astype(np.float32)
    paper = cv2.GaussianBlur(cv2.dilate(gray, np.ones((25, 25))), (0, 0), 25)
    dark = cv2.GaussianBlur(np.clip(1 - gray / np.maximum(paper, 1), 0, 1), (0, 0), 2.0)
    return clipped(image * (1 - rng.uniform(0.15, 0.4) * dark)[..., None])


def creased(image: Picture, rng: np.random.Generator) -> Picture:
    """Crumpled and smoothed again: many sharp lines of light and shade."""
    out, scale = np.ones(image.shape[:2], np.float32), max(image.shape) / 3000
    for _ in range(int(rng.integers(15, 45))):
        a = rng.uniform(0, 1, 2) * image.shape[1::-1]
        b = a + rng.normal(0, 350 * scale, 2)
        for shift, value in ((0, rng.uniform(0.55, 0.85)), (2.5 * scale, rng.uniform(1.05, 1.2))):
            ends = [tuple(np.rint((p + shift) * 8).astype(int).tolist()) for p in (a, b)]
            cv2.line(out, *ends, float(value), max(1, round(2 * scale)), cv2.LINE_AA, 3)
    return clipped(image * cv2.GaussianBlur(out, (0, 0), 1.0 * scale)[..., None])


CHANGES: dict[str, Change] = {
    f.__name__.replace("_", " "): f
    for f in (
        grain, chroma, low_quality, messenger, haloes, tone_mapped, cleaned, washed_out, flat_contrast, smeared_lens, slate, barrel,
        pincushion, rolling, vignetted, screen, photocopy, fax, lenses, flash, mirrored, blinds, hairs, see_through, creased,
    )
}  # fmt: skip
