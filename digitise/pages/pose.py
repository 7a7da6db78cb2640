"""A sheet's pose in the picture, from whatever of its corner marks is in view.

Marks of one picture are put together into sheets. With all four marks a sheet's plane is known; with fewer, the plane
is carried on from the marks over the printed corners beside them, a ring at a time, so that a thumb on a corner does
not cost the page. Points are (x, y); page points in millimetres, photo points in pixels.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from digitise.pages.fiducials import FoundMark
from digitise.pages.flatten import Views, Warp, grid_shape
from digitise.pages.matching import anchors_mm, match
from digitise.pages.smooth import agreeing
from digitise.sheets.layout import Layout

COPIES = 3  # of one mark that are told apart in one picture
GROW_PX_PER_MM = 2.5
GROW_MM = 40.0  # how far beyond what is known printed corners are looked for
GROW_SEARCH_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A sheet in the picture: its layout, its marks, and the homography (3, 3) from page mm to photo px by them.

    `homography` is None where the marks do not lie as on one sheet; `miss` says how badly they fit, in sides of a mark.
    """

    layout: Layout
    marks: tuple[FoundMark, ...]
    homography: np.ndarray | None
    miss: float = 0.0

    @property
    def size_px(self) -> float:
        """Sum of the sides of its marks: larger for sheets that are seen whole and from near."""
        return sum(m.side_px for m in self.marks)

    @property
    def px_per_mm(self) -> float:
        """Pixels a millimetre of its largest mark: of the part of the sheet that is nearest."""
        return max(m.side_px / self.layout.fiducials[m.corner].box_mm[2] for m in self.marks)


def homography_of(layout: Layout, marks: Iterable[FoundMark]) -> tuple[np.ndarray | None, float]:
    """Page mm to photo px by the marks' corners, and how badly they fit, in sides of a mark; None of a bad fit."""
    marks = list(marks)
    flat = np.array([c for m in marks for c in layout.fiducials[m.corner].corners_mm], np.float64)
    seen = np.vstack([m.corners_px for m in marks])
    homography, _ = cv2.findHomography(flat, seen, 0)
    if homography is None or not np.all(np.isfinite(homography)):
        return None, np.inf
    back = cv2.perspectiveTransform(flat.reshape(-1, 1, 2), homography).reshape(-1, 2)
    miss = float(np.abs(back - seen).max()) / max(m.side_px for m in marks)
    return (homography, miss) if miss <= 0.35 else (None, miss)


def scales(layout: Layout, homography: np.ndarray) -> tuple[float, float]:
    """Photo pixels a millimetre at the middle of the page, in the directions in which they are fewest and most."""
    x, y = layout.page_size_mm[0] / 2, layout.page_size_mm[1] / 2
    points = np.array([[(x, y), (x + 20, y), (x, y + 20)]], np.float64)
    middle, across, down = cv2.perspectiveTransform(points, homography.astype(np.float64))[0]
    most, fewest = np.linalg.svd(np.array([across - middle, down - middle]) / 20, compute_uv=False)
    return float(fewest), float(most)


def _sheets_of(layout: Layout, marks: list[FoundMark]) -> list[Pose]:
    """Marks of one slot put together into sheets, those that fit best first; no mark is used twice."""
    by_corner = [[m for m in marks if m.corner == c][:COPIES] for c in range(4)]
    poses: list[Pose] = []
    while any(by_corner):
        most = sum(bool(own) for own in by_corner)
        tried = []
        for count in range(most, 0, -1):
            for corners in itertools.combinations([c for c in range(4) if by_corner[c]], count):
                for chosen in itertools.product(*(by_corner[c] for c in corners)):
                    tried.append((chosen, *homography_of(layout, chosen)))
            if any(h is not None for _, h, _ in tried):
                break
        chosen, homography, miss = min(tried, key=lambda t: (t[1] is None, -len(t[0]), t[2]))
        poses.append(Pose(layout, chosen, homography, miss))
        by_corner = [[m for m in own if all(m is not c for c in chosen)] for own in by_corner]
    return poses


def poses_in(marks: list[FoundMark], layouts: Iterable[Layout]) -> list[Pose]:
    """Every sheet of a known layout in a picture, most marks and largest first; of pages with the same marks, on small
    paper and on whole or of two protocols, the one on which they fit best.
    """
    seen = {m.slot for m in marks}
    known = (one for one in layouts if one.slot in seen)
    poses = [p for one in known for p in _sheets_of(one, [m for m in marks if m.slot == one.slot])]
    return sorted(poses, key=lambda p: (-len(p.marks), -p.size_px, p.miss))


def carried_on(views: Views, pose: Pose) -> np.ndarray:
    """The homography of a sheet some of whose marks are hidden, refined outward from the marks in view.

    Each round looks for printed corners within `GROW_MM` of what is known already, keeps those that moved as their
    neighbours did, and fits marks and corners together. Nothing is taken on trust: flattening measures the result at
    corners held out of its fit.
    """
    layout, size = pose.layout, pose.layout.page_size_mm
    marks = np.array([c for m in pose.marks for c in layout.fiducials[m.corner].corners_mm], np.float32)
    marks_px = np.vstack([m.corners_px for m in pose.marks])
    still = np.zeros((*grid_shape(size), 2), np.float32)
    anchors, homography, known, tried = anchors_mm(layout), pose.homography, marks, 0
    for _ in range(12):
        apart = np.linalg.norm(anchors[:, None] - known[None], axis=2).min(axis=1)
        near = anchors[apart < GROW_MM]
        warp = Warp(homography, still)
        image = views.flat(warp, size, GROW_PX_PER_MM)
        shifts, scores = match(image, layout, near, px_per_mm=GROW_PX_PER_MM, patch_mm=4.0, search_mm=GROW_SEARCH_MM)
        good = scores > 0.5
        good[good] = agreeing(near[good], shifts[good])
        if not good.any():
            break
        at = near[good]
        there = np.vstack([marks_px, warp.photo_px(at + shifts[good])])
        fitted, _ = cv2.findHomography(np.vstack([marks, at]).astype(np.float64), there.astype(np.float64), 0)
        if fitted is None or not np.all(np.isfinite(fitted)):
            break
        settled = len(near) == len(anchors) == tried
        homography, known, tried = fitted, np.vstack([marks, at]), len(near)
        if settled:
            break
    return homography
