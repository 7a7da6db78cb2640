"""What else happens to a sheet and to its picture: what lies on it and under it, and what phones and people do afterwards.

Changes of a finished photograph in the manner of `other_cameras.py`; `CHANGES` has those and these by name.
"""

from __future__ import annotations

import cv2
import numpy as np
import other_cameras
from other_cameras import Change, Picture, clipped, cloud, haloes, jpeg


def portrait(image: Picture, rng: np.random.Generator) -> Picture:
    """Portrait mode: what the phone takes for background is blurred, and part of the sheet with it."""
    away = 1 / (1 + np.exp(-6 * (cloud(rng, image.shape[:2], max(image.shape) / rng.uniform(1.5, 4)) - 0.6)))[..., None]
    soft = cv2.GaussianBlur(image, (0, 0), rng.uniform(2, 7) * max(image.shape) / 3000)
    return clipped(image * (1 - away) + soft * away)


def zoomed(image: Picture, rng: np.random.Generator) -> Picture:
    """Digital zoom: few pixels made into many, and sharpened."""
    height, width = image.shape[:2]
    scale = rng.uniform(0.3, 0.7)
    few = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return haloes(cv2.resize(jpeg(few, 80), (width, height), interpolation=cv2.INTER_CUBIC), rng)


def fringed(image: Picture, rng: np.random.Generator) -> Picture:
    """A cheap lens: red and blue are drawn at other sizes than green."""
    height, width = image.shape[:2]
    size = rng.uniform(0.001, 0.004)
    turns = (cv2.getRotationMatrix2D((width / 2, height / 2), 0, float(1 + d)) for d in (-size, 0, size))
    return np.dstack(
        [
            cv2.warpAffine(c, t, (width, height), borderMode=cv2.BORDER_REPLICATE)
            for c, t in zip(cv2.split(image), turns, strict=True)
        ]
    )


def hand_shadow(image: Picture, rng: np.random.Generator) -> Picture:
    """The shadow of a hand and the phone in it, with rather sharp edges."""
    height, width = image.shape[:2]
    shade, scale = np.zeros((height, width), np.float32), max(image.shape) / 3000
    start, way = rng.uniform(0.2, 0.8, 2) * (width, height), rng.uniform(0, 2 * np.pi)
    for lean in rng.uniform(-0.35, 0.35, 4):
        tip = start + rng.uniform(400, 1100) * scale * np.array([np.cos(way + lean), np.sin(way + lean)])
        cv2.line(
            shade,
            tuple(start.astype(int).tolist()),
            tuple(tip.astype(int).tolist()),
            1.0,
            int(110 * scale),
            cv2.LINE_AA,
        )
    cv2.circle(shade, tuple(start.astype(int).tolist()), int(300 * scale), 1.0, -1, cv2.LINE_AA)
    return clipped(
        image * (1 - rng.uniform(0.35, 0.65) * cv2.GaussianBlur(shade, (0, 0), rng.uniform(2, 15) * scale))[..., None]
    )


def sleeve(image: Picture, rng: np.random.Generator) -> Picture:
    """In a clear plastic sleeve: a veil, bright streaks along its folds, and a welded edge."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    light = np.full((height, width), rng.uniform(5, 25), np.float32)
    for _ in range(int(rng.integers(2, 7))):
        turn, at, broad = rng.uniform(0, np.pi), rng.uniform(0.1, 0.9), rng.uniform(0.002, 0.02) * width
        off = (
            (x - at * width) * np.cos(turn)
            + (y - at * height) * np.sin(turn)
            + 0.02 * width * np.sin(x / width * rng.uniform(2, 9))
        )
        light += rng.uniform(30, 160) * np.exp(-((off / broad) ** 2))
    return clipped(cv2.GaussianBlur(image, (0, 0), 0.7) * 0.93 + light[..., None])


def squared(image: Picture, rng: np.random.Generator) -> Picture:
    """Printed on squared paper, or squared paper shining through."""
    height, width = image.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    turn, pitch = rng.uniform(-0.04, 0.04), rng.uniform(4, 10) * max(image.shape) / 330
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    broad = rng.uniform(0.2, 0.4) * max(image.shape) / 330
    lines = np.maximum(*(np.exp(-((((w + pitch / 2) % pitch - pitch / 2) / broad) ** 2)) for w in (u, v)))
    tint = np.array([(0.5, 0.8, 1.0), (1.0, 1.0, 1.0), (1.0, 0.7, 0.6)][rng.integers(3)], np.float32)
    return clipped(image * (1 - rng.uniform(0.08, 0.35) * lines[..., None] * tint))


def sand(image: Picture, rng: np.random.Generator) -> Picture:
    """Wet sand on the sheet, in heaps and strewn: grains as broad as a pencil line, dark and bright."""
    out, scale = image.copy(), max(image.shape) / 3000
    for _ in range(int(rng.integers(3, 12))):
        heap, spread = rng.uniform(0.1, 0.9, 2) * image.shape[1::-1], rng.uniform(20, 250) * scale
        for x, y in heap + rng.normal(0, spread, (int(rng.integers(20, 250)), 2)):
            shade = rng.uniform(30, 235) * np.array([0.75, 0.9, 1.0])
            cv2.circle(
                out, (int(8 * x), int(8 * y)), int(8 * rng.uniform(1, 4.5) * scale), shade.tolist(), -1, cv2.LINE_AA, 3
            )
    return out


def grazing(image: Picture, rng: np.random.Generator) -> Picture:
    """Low sun along the sheet: every fibre and dent of the paper throws a shadow."""
    scale = max(image.shape) / 3000
    relief = sum(a * cloud(rng, image.shape[:2], s * scale) for a, s in ((1, 4), (1.5, 12), (3, 60), (5, 300)))
    turn = rng.uniform(0, 2 * np.pi)
    slope = np.cos(turn) * cv2.Sobel(relief, cv2.CV_32F, 1, 0) + np.sin(turn) * cv2.Sobel(relief, cv2.CV_32F, 0, 1)
    return clipped(image * np.clip(1 + rng.uniform(0.05, 0.16) * slope / slope.std(), 0.2, 1.6)[..., None])


def small_messenger(image: Picture, rng: np.random.Generator) -> Picture:
    """Sent on and on: 1,280 pixels long, compressed three times."""
    scale = 1280 / max(image.shape)
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return jpeg(jpeg(jpeg(small, 75), 60), int(rng.integers(45, 60)))


def screenshot(image: Picture, rng: np.random.Generator) -> Picture:
    """A screenshot of the picture on a phone: black above and below, bars and words on it."""
    width = int(rng.choice([1080, 1170, 1440]))
    shown = cv2.resize(image, (width, width * image.shape[0] // image.shape[1]), interpolation=cv2.INTER_AREA)
    bar = (max(0, int(2.17 * width) - len(shown)) + 1) // 2
    out = cv2.copyMakeBorder(shown, bar, bar, 0, 0, cv2.BORDER_CONSTANT, value=(8, 8, 8))
    for x, y in ((60, 90), (width - 300, 90), (width // 3, len(out) - 90)):
        cv2.putText(out, "10:42", (x, y), cv2.FONT_HERSHEY_SIMPLEX, 1.6, (240, 240, 240), 3, cv2.LINE_AA)
    return out


def black_edges(image: Picture, rng: np.random.Generator) -> Picture:
    """A scan with its lid open: black around, askew, with a bright strip along one side."""
    out = cv2.copyMakeBorder(image, *rng.integers(20, 300, 4).tolist(), cv2.BORDER_CONSTANT, value=(3, 3, 3))
    turn = cv2.getRotationMatrix2D((out.shape[1] / 2, out.shape[0] / 2), float(rng.uniform(-3, 3)), 1.0)
    out = cv2.warpAffine(out, turn, out.shape[1::-1], borderValue=(3, 3, 3))
    out[:, : int(rng.integers(5, 60))] = 250
    return out


def doubled(image: Picture, rng: np.random.Generator) -> Picture:
    """The phone jerked halfway: everything twice, side by side."""
    way, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 3.0) * max(image.shape) / 330
    shift = np.float32([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
    other, share = (
        cv2.warpAffine(image, shift, image.shape[1::-1], borderMode=cv2.BORDER_REPLICATE),
        rng.uniform(0.15, 0.5),
    )
    return cv2.addWeighted(image, 1 - share, other, share, 0)


def wiped(image: Picture, rng: np.random.Generator) -> Picture:
    """A slate wiped and used again: what was on it before, a little aside, is not quite gone."""
    scale = max(image.shape) / 330
    gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY).astype(np.float32)
    paper = cv2.GaussianBlur(cv2.dilate(gray, np.ones((25, 25))), (0, 0), 25)
    dark = np.clip(1 - gray / np.maximum(paper, 1), 0, 1)
    shift = np.float32([[1, 0, rng.choice([-1, 1]) * rng.uniform(3, 12) * scale], [0, 1, rng.normal(0, 4) * scale]])
    ghost = cv2.GaussianBlur(cv2.warpAffine(dark, shift, dark.shape[::-1]), (0, 0), rng.uniform(0.5, 1.5))
    return clipped(image * (1 - rng.uniform(0.15, 0.5) * ghost)[..., None])


def stained(image: Picture, rng: np.random.Generator) -> Picture:
    """Rings of rust and of a cup, streaks of mud."""
    out, scale = np.ones(image.shape[:2], np.float32), max(image.shape) / 3000
    for _ in range(int(rng.integers(2, 7))):
        centre = tuple(int(v) for v in rng.uniform(0.1, 0.9, 2) * image.shape[1::-1])
        axes = tuple(int(v) for v in rng.uniform(60, 380, 2) * scale)
        angles = float(rng.uniform(0, 360)), 0, float(rng.uniform(120, 360))
        cv2.ellipse(
            out, centre, axes, *angles, float(rng.uniform(0.45, 0.85)), int(rng.uniform(4, 30) * scale), cv2.LINE_AA
        )
    out = cv2.GaussianBlur(out, (0, 0), rng.uniform(1, 4) * scale)
    return clipped(image * (1 - (1 - out)[..., None] * np.array([1.0, 0.8, 0.5], np.float32)))


def stitched(image: Picture, rng: np.random.Generator) -> Picture:
    """Put together from two pictures that do not quite meet: a strip is lost, or there twice."""
    height = len(image)
    at, far = (
        int(rng.uniform(0.25, 0.75) * height),
        int(rng.choice([-1, 1]) * rng.uniform(2, 14) * max(image.shape) / 330),
    )
    below = image[at + far :]
    aside = np.float32([[1, 0, rng.normal(0, 1.0) * max(image.shape) / 330], [0, 1, 0]])
    below = cv2.warpAffine(below, aside, below.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
    return np.vstack([image[:at], below])


CHANGES: dict[str, Change] = other_cameras.CHANGES | {
    f.__name__.replace("_", " "): f
    for f in (
        portrait, zoomed, fringed, hand_shadow, sleeve, squared, sand, grazing, small_messenger, screenshot, black_edges, doubled, wiped,
        stained, stitched,
    )
}  # fmt: skip
