"""Nines that may be fours: some people close a four at its top, and only its bar, beyond the stem, tells.

A nine's right side runs on smoothly from its loop into its stem; the end of a four's bar is a bump there, just below
the loop. Where a box read as a nine has one, the four gets nearly as much weight: so the field goes to a person, or the
strokes beside it settle a total. What the box is read as never changes. Limits were set on nines by calibration writers
and fours drawn as nines; see ``tests/benchmarks/README.md``. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from digitise.reader.characters import CharacterEvidence

FOUR, NINE = 4, 9
SURE = 0.9999  # of the digits' chance: a likelier nine is one
BUMP = 0.06  # of the digit's height by which the right side comes out and goes back again
WITHIN = 0.09  # of that height, up and down
ABOVE, BELOW = 0.3, 0.22  # of the loop's height from its top, and of the digit's from the loop's foot: there is the bar
ENLARGED, DARK, LEAST_LOOP_PX = 2, 0.35, 30  # of a crop; of the page's pencil, at least; enlarged pixels in the loop
LEAST_ROWS = 2  # of an enlarged crop on both sides of a bump
TIED = 0.99  # of the nine's chance


def as_perhaps_four(
    crops: np.ndarray, evidence: Sequence[CharacterEvidence], threshold: float
) -> list[CharacterEvidence]:
    """The same evidence, a four nearly as likely as each nine that has a bar; crops (N, H, W) as from
    `character_crops`, with pencil about 1, of which more than `threshold` is ink.
    """
    return [_tied(e) if _unsure_nine(e) and has_bar(c, threshold) else e for c, e in zip(crops, evidence, strict=True)]


def _unsure_nine(one: CharacterEvidence) -> bool:
    return one.digit.argmax() == NINE and one.digit[NINE] < SURE * one.digit[:10].sum()


def _tied(one: CharacterEvidence) -> CharacterEvidence:
    digit = one.digit.copy()
    digit[FOUR] = max(digit[FOUR], TIED * digit[NINE])
    return replace(one, digit=digit / digit.sum())


def has_bar(crop: np.ndarray, threshold: float) -> bool:
    """Whether a digit with a loop, (H, W), has a bump on its right side just below the loop."""
    large = cv2.resize(crop, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
    mask = (large > max(threshold, DARK)).view(np.uint8)
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    holes = [c for c, node in zip(contours, tree[0], strict=True) if node[3] >= 0] if tree is not None else []
    loop = max(holes, key=cv2.contourArea, default=None)
    if loop is None or cv2.contourArea(loop) < LEAST_LOOP_PX:
        return False
    _, top, _, loop_height = cv2.boundingRect(loop)
    inked = np.flatnonzero(mask.any(axis=1))
    height = int(inked[-1] - inked[0]) + 1
    first, last = top + int(ABOVE * loop_height), min(top + loop_height + int(BELOW * height), int(inked[-1]) - 1)
    side = mask.shape[1] - 1 - mask[first : last + 1, ::-1].argmax(axis=1)
    if len(side) < 3 * LEAST_ROWS:
        return False
    out = side - np.linspace(side[0], side[-1], len(side))
    reach, at = max(LEAST_ROWS, int(WITHIN * height)), int(out.argmax())
    return bool(out[at] - max(out[max(0, at - reach)], out[min(len(out) - 1, at + reach)]) > BUMP * height)
