"""Things that hide part of a photographed sheet: a thumb that holds it, a clip, a torn-off corner.

A cover is an outline on the page and what is seen inside it. It is laid over the finished picture: its edge is softened
and it has some grain, but the scene's light and blur do not reach it. A coarse likeness, then; what it hides, it hides
exactly. Page points are (x, y) mm, corners count clockwise from the top left.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from digitise.simulate.camera import Shot

KINDS = ("thumb", "clip", "tear")
_COLOURS = {"thumb": (118, 144, 192), "clip": (48, 46, 44), "tear": (70, 84, 96)}  # BGR


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """One thing over the sheet: its kind and its outline, (N, 2) page mm, reaching beyond the paper's edge."""

    kind: str
    outline_mm: np.ndarray

    def hides(self, points_mm: np.ndarray) -> np.ndarray:
        """Which page points (N, 2) mm lie under it, (N,) bool."""
        outline = self.outline_mm.astype(np.float32).reshape(-1, 1, 2)
        points = np.asarray(points_mm, float).reshape(-1, 2)
        return np.array([cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0 for x, y in points])


def corner_cover(kind: str, corner: int, size_mm: tuple[float, float], rng: np.random.Generator) -> Cover:
    """A cover of one of `KINDS` over a corner mark, about 25 to 40 mm into a page of this (width, height).

    `ValueError` for another kind.
    """
    width, height = size_mm
    tip = np.array([(22, 22), (width - 22, 22), (width - 22, height - 22), (22, height - 22)][corner], float)
    inward = np.sign(np.array([width, height]) / 2 - tip)
    if kind == "thumb":
        way = inward * rng.uniform(0.5, 1.0, 2)
        return Cover(kind, _capsule(tip + inward * rng.uniform(-3, 5), way / np.linalg.norm(way), rng.uniform(8, 11)))
    if kind == "clip":
        wide, deep = rng.uniform(26, 34), rng.uniform(26, 34)
        far = tip - inward * 34
        return Cover(kind, _box(far, far + inward * (wide + 12, deep + 12)))
    if kind == "tear":
        return Cover(kind, _tear(tip - inward * 30, inward, rng.uniform(62, 75), rng))
    raise ValueError(f"cover {kind!r}: choose from {', '.join(KINDS)}")


def _capsule(tip: np.ndarray, way: np.ndarray, radius: float) -> np.ndarray:
    """A finger that points along `way` and ends at `tip`."""
    side = np.array([-way[1], way[0]])
    turn = np.linspace(-np.pi / 2, np.pi / 2, 17)[:, None]
    end = tip + radius * (np.cos(turn) * way + np.sin(turn) * side)
    return np.vstack([tip - 70 * way - radius * side, end, tip - 70 * way + radius * side])


def _box(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    (x0, y0), (x1, y1) = one, other
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def _tear(corner: np.ndarray, inward: np.ndarray, reach: float, rng: np.random.Generator) -> np.ndarray:
    """A corner torn off along a ragged line."""
    along = np.linspace(0, 1, 24)
    ragged = rng.normal(0, 0.8, (24, 2)).cumsum(axis=0) * 0.5
    edge = corner + inward * np.column_stack([reach * (1 - along), reach * along]) + ragged
    return np.vstack([corner, edge])


def lay(shot: Shot, cover: Cover, rng: np.random.Generator) -> Shot:
    """The photograph with the cover over the sheet, its edge soft by about a pixel."""
    height, width = shot.image.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    outline = shot.page_to_photo_px(cover.outline_mm)
    cv2.fillPoly(mask, [np.rint(outline * 16).astype(np.int32)], 255, lineType=cv2.LINE_AA, shift=4)
    x, y, w, h = cv2.boundingRect(mask)
    if not w:
        return shot
    pad = 8
    at = (slice(max(0, y - pad), y + h + pad), slice(max(0, x - pad), x + w + pad))
    alpha = cv2.GaussianBlur(mask[at], (0, 0), 1.2).astype(np.float32)[..., None] / 255
    inside = cv2.distanceTransform((mask[at] > 127).astype(np.uint8), cv2.DIST_L2, 3)
    round_off = np.clip(inside / max(float(inside.max()), 1.0), 0, 1) ** 0.5 if cover.kind == "thumb" else 1.0
    grain = cv2.GaussianBlur(rng.normal(0, 1, alpha.shape[:2]).astype(np.float32), (0, 0), 2) * 14
    shade = np.float32(0.65 + 0.35 * round_off) * np.float32(rng.uniform(0.8, 1.1))
    colour = np.float32(_COLOURS[cover.kind]) * np.broadcast_to(shade, grain.shape)[..., None] + grain[..., None]
    image = shot.image.copy()
    image[at] = np.clip(image[at] * (1 - alpha) + colour * alpha, 0, 255).astype(np.uint8)
    return replace(shot, image=image)
