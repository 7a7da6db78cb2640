"""Connected pieces of a mask: where each lies and how large it is.

As OpenCV's connected components with statistics, in a quarter of the time where little of the mask is inked.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Pieces of a mask by their labels, from 1 on; row 0 of each array is bare paper's, and says nothing.

    `labels` (H, W) says which piece each pixel is of; `boxes` (N, 4) are x, y, width and height, `areas` (N,) pixels,
    `centres` (N, 2) mean x and y.
    """

    labels: np.ndarray
    boxes: np.ndarray
    areas: np.ndarray
    centres: np.ndarray


def pieces_of(mask: np.ndarray) -> Pieces:
    """The pieces of a mask, (H, W) uint8 of 0 and 1; pixels that touch at a corner are of one."""
    count, labels = cv2.connectedComponents(mask, connectivity=8)
    inked = np.flatnonzero(mask.view(bool))
    own, places = labels.ravel()[inked], np.divmod(inked, mask.shape[1])[::-1]
    areas = np.bincount(own, minlength=count)
    boxes, centres = np.zeros((count, 4), np.int64), np.zeros((count, 2))
    for axis, at in enumerate(places):
        low, high = np.full(count, max(mask.shape)), np.full(count, -1)
        np.minimum.at(low, own, at)
        np.maximum.at(high, own, at)
        boxes[:, axis], boxes[:, axis + 2] = low, high + 1 - low
        centres[:, axis] = np.bincount(own, weights=at, minlength=count) / np.maximum(areas, 1)
    return Pieces(labels, boxes, areas, centres)
