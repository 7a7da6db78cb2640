"""Digits that may be eights: an eight whose upper loop stays open is taken for a five or a three, but its lower loop
closes.

Of eights by training and calibration writers 97 in 100 close the lower one. A five, and a three's or a nine's lower
half, has no loop, nor has the upper half of a six. Where a box read as one of these has such a loop, the eight gets
nearly as much weight: so the field goes to a person, or the strokes beside it settle a total. What the box is read as
never changes. What it costs is in ``tests/benchmarks/README.md``. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from digitise.reader.characters import CharacterEvidence

EIGHT = 8
NO_LOOP = {3: (False, True), 5: (True, True), 6: (True, False), 9: (False, True)}  # in its upper half, in its lower one
DARK, LEAST_LOOP_PX = 0.4, 6  # of the page's pencil, at least; of a crop inside the loop
TIED = 0.99  # of the likeliest digit's chance


def as_perhaps_eight(
    crops: np.ndarray, evidence: Sequence[CharacterEvidence], threshold: float
) -> list[CharacterEvidence]:
    """The same evidence, an eight nearly as likely as each digit that has a loop where it should have none.

    Crops are (N, H, W) as from `character_crops`, with pencil about 1, of which more than `threshold` is ink.
    """
    return [_tied(e) if _has_strange_loop(c, e, threshold) else e for c, e in zip(crops, evidence, strict=True)]


def _has_strange_loop(crop: np.ndarray, one: CharacterEvidence, threshold: float) -> bool:
    none_above, none_below = NO_LOOP.get(int(one.digit.argmax()), (False, False))
    if not (none_above or none_below):
        return False
    above, below = loops(crop, threshold)
    return (none_above and above) or (none_below and below)


def loops(crop: np.ndarray, threshold: float) -> tuple[bool, bool]:
    """Whether a character, (H, W), has a closed loop in its upper half, and in its lower half."""
    mask = (crop > max(threshold, DARK)).view(np.uint8)
    _, top, _, height = cv2.boundingRect(mask)
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    inside = [c for c, node in zip(contours, tree[0], strict=True) if node[3] >= 0] if tree is not None else []
    lower = {c[:, 0, 1].mean() > top + height / 2 for c in inside if cv2.contourArea(c) >= LEAST_LOOP_PX}
    return False in lower, True in lower


def _tied(one: CharacterEvidence) -> CharacterEvidence:
    digit = one.digit.copy()
    digit[EIGHT] = max(digit[EIGHT], TIED * digit[digit.argmax()])
    return replace(one, digit=digit / digit.sum())
