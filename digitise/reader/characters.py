"""Single handwritten characters: cut out, then read by the project's own small network.

A network (``models/characters.onnx``, trained by `digitise.train`) sees one character box at a time and gives three
answers: as a digit, as a letter or digit, and as a tick. Blank, void (crossed out or written over) and junk are
classes of their own. Boxes that it is not sure of are looked at by a second network too (``models/second.onnx``),
trained apart and on more hands: what both say is weighed alike. Boxes in doubt even so are shown to both once more,
softened: on rough paper a line falls apart into grains, which look like scribble to networks that learned from
smoother ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.ink import LEAST_INK, InkPage, pixel_box
from digitise.sheets.layout import Box, Cell

MODELS = Path(__file__).parents[1] / "models"
SIDE_PX = 48
MARGIN_MM = 1.2  # of the neighbourhood shown around a character's box
ONE_CHARACTER_MM = 10.4  # side of what is shown of a box for one character
FILLED = 0.7  # of that at most, by a mark from a larger box
REACH_MM = 3.0  # how far around a cell ink is followed to find out whose it is
DIGIT_CLASSES = (*"0123456789", "dash", "blank", "void", "junk")
LETTER_CLASSES = (*"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789", "blank", "void", "junk")
TICK_CLASSES = ("blank", "mark", "void")
CLASSES = (DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES)  # of the networks' answers, side by side
DIGIT_NOUGHT, DIGIT_DASH = DIGIT_CLASSES.index("0"), DIGIT_CLASSES.index("dash")
HEADS = ("digit", "letter", "tick")
NETWORKS = ("characters.onnx", "second.onnx")
SURE = 0.999  # a box is shown to the second network too when the first one's likeliest answer is less likely
STILL_SURE = 0.99  # and softened to both when the likeliest of both together is less likely
SOFTENED_PX = 1.0  # by such a blur (sigma): less than a line's width, and more than the paper's grain
BARE_INK = 0.05
_BLOT = 2  # pixels around a neighbour's stroke that are left out with it
RARER = 0.25  # boxes crossed out or unreadable are so much rarer on sheets than on the practice sheets


@dataclass(frozen=True, slots=True, eq=False)
class CharacterEvidence:
    """Probabilities of one box: over `DIGIT_CLASSES`, over `LETTER_CLASSES`, and over `TICK_CLASSES`.

    `features` (F,) is what the first network's last layer saw; None for a box without ink.
    """

    digit: np.ndarray
    letter: np.ndarray
    tick: np.ndarray
    features: np.ndarray | None = None


def ink_threshold(page: InkPage) -> float:
    """Ink above which a pixel counts as pencil."""
    return max(0.30 * page.pencil, 5 * page.noise, LEAST_INK)


def _character_boxes(cell: Cell) -> tuple[Box, ...]:
    """The boxes read one by one: a tick box is one."""
    return cell.characters_mm or (cell.box_mm,)


def _owners(region: np.ndarray, cell: Cell, origin: tuple[int, int], threshold: float) -> tuple[np.ndarray, np.ndarray]:
    """Component labels of a region, and for each label the index of the box it belongs to.

    -1: lies mostly outside every box of the cell; -2: shared between boxes, or bare paper (label 0).
    """
    mask = region > threshold
    count, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    boxes = len(_character_boxes(cell)) + 1
    place = np.full(region.shape, boxes - 1, np.int32)
    for i, box in enumerate(_character_boxes(cell)):
        x0, y0, x1, y1 = pixel_box(box, 0.3)
        place[max(0, y0 - origin[1]) : y1 - origin[1], max(0, x0 - origin[0]) : x1 - origin[0]] = i
    at = labels[mask] * boxes + place[mask]
    share = np.bincount(at, minlength=count * boxes).reshape(count, boxes)
    share = share / np.maximum(share.sum(axis=1, keepdims=True), 1)
    most = share.argmax(axis=1)
    owner = np.where(share.max(axis=1) < 0.68, -2, np.where(most == boxes - 1, -1, most))
    owner[0] = -2
    return labels, owner


def character_crops(page: InkPage, cell: Cell) -> np.ndarray:
    """One picture for each character box of a cell, (N, SIDE_PX, SIDE_PX) float32.

    Ink is scaled so that this page's pencil is about 1. Strokes that belong to a neighbour (most of them lie in
    its box) are left out; what lies further than `MARGIN_MM` from the box is blank.
    """
    x0, y0, x1, y1 = pixel_box(cell.box_mm, REACH_MM)
    x0, y0 = max(0, x0), max(0, y0)
    region = page.ink[y0:y1, x0:x1]
    labels, owner = _owners(region, cell, (x0, y0), ink_threshold(page))
    own = _character_boxes(cell)
    crops = np.zeros((len(own), SIDE_PX, SIDE_PX), np.float32)
    for i, box in enumerate(own):
        bx0, by0, bx1, by1 = pixel_box(box, MARGIN_MM)
        left, top = max(0, bx0 - x0), max(0, by0 - y0)
        part = region[top : by1 - y0, left : bx1 - x0]
        above, before = min(top, _BLOT), min(left, _BLOT)
        near = labels[top - above : by1 - y0 + _BLOT, left - before : bx1 - x0 + _BLOT]
        foreign = ((owner != i) & (owner != -2)).view(np.uint8).take(near)
        if cv2.hasNonZero(foreign):
            blot = cv2.dilate(foreign, np.ones((2 * _BLOT + 1,) * 2, np.uint8)).view(bool)
            part = part.copy()
            part[blot[above:, before:][: part.shape[0], : part.shape[1]]] = 0.0
        side = max(*part.shape, int(round((max(box[2], box[3]) + 2 * MARGIN_MM) * FLAT_PX_PER_MM)))
        square = np.zeros((side, side), np.float32)
        top, left = (side - part.shape[0]) // 2, (side - part.shape[1]) // 2
        square[top : top + part.shape[0], left : left + part.shape[1]] = part
        crops[i] = cv2.resize(square, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
    return np.clip(crops / page.pencil, 0.0, 1.5)


def mark_crop(page: InkPage, ink: np.ndarray) -> np.ndarray:
    """One picture of all that is written in a larger box, as `character_crops` makes them, (SIDE_PX, SIDE_PX) float32.

    `ink` is the box's own, (H, W). The mark stands in the middle, as large as it would be in a box for one character,
    or smaller where it is too large for one.
    """
    x, y, width, height = cv2.boundingRect((ink > ink_threshold(page)).view(np.uint8))
    side = max(int(round(ONE_CHARACTER_MM * FLAT_PX_PER_MM)), int(max(width, height) / FILLED))
    top, left = y + height // 2 - side // 2, x + width // 2 - side // 2
    square = np.zeros((side, side), np.float32)
    part = ink[max(0, top) : top + side, max(0, left) : left + side]
    square[max(0, -top) :, max(0, -left) :][: part.shape[0], : part.shape[1]] = part
    crop = cv2.resize(square, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA)
    return np.clip(crop / page.pencil, 0.0, 1.5)


def load_network(name: str, engine: int) -> cv2.dnn.Net:
    """A shipped network by file name, in the one of OpenCV's engines (``cv2.dnn.ENGINE_...``) that runs it faster."""
    path = MODELS / name
    if not path.is_file():
        raise FileNotFoundError(f"{path}: the reader's network is missing; install the package again")
    return cv2.dnn.readNetFromONNX(str(path), engine)


@lru_cache(maxsize=len(NETWORKS))
def _network(name: str) -> cv2.dnn.Net:
    return load_network(name, cv2.dnn.ENGINE_NEW)


def feature_count() -> int:
    """How many features the last layer sees."""
    features, _ = _answers(np.zeros((1, SIDE_PX, SIDE_PX), np.float32), NETWORKS[0])
    return features.shape[1]


def softmax(logits: np.ndarray) -> np.ndarray:
    """Softmax over the last axis."""
    raised = np.exp(logits - logits.max(axis=-1, keepdims=True))
    return raised / raised.sum(axis=-1, keepdims=True)


def _bare(crops: np.ndarray, page: InkPage) -> np.ndarray:
    """Which crops hold no ink at all, (N,) bool."""
    soft = np.stack([cv2.blur(c, (3, 3)) for c in crops]) if len(crops) else crops
    limit = max(BARE_INK, 3 * page.noise) / page.pencil
    return soft.max(axis=(1, 2), initial=0.0) < limit


def _answers(crops: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    """What a network's last layer saw of each crop, (N, F), and its answers, (N, sum of the classes)."""
    network = _network(name)
    seen, answers = [], []
    for start in range(0, len(crops), 64):
        network.setInput(np.ascontiguousarray(crops[start : start + 64, None], dtype=np.float32))
        features, out = network.forward(("features", "answers"))
        seen.append(features)
        answers.append(out)
    return np.concatenate(seen), np.concatenate(answers)


def _weighed(answers: np.ndarray) -> list[np.ndarray]:
    """Probabilities of each head, void and junk weighed down as rarely as they are on sheets."""
    shifts = np.concatenate([np.where(np.isin(c, ("void", "junk")), np.log(RARER), 0.0) for c in CLASSES])
    ends = np.cumsum([len(c) for c in CLASSES])[:-1]
    return [softmax(part) for part in np.split(answers + shifts.astype(np.float32), ends, axis=1)]


def _softened(crops: np.ndarray) -> np.ndarray:
    """What both networks say of crops without the grain of rough paper, (N, sum of the classes)."""
    soft = np.stack([cv2.GaussianBlur(c, (0, 0), SOFTENED_PX) for c in crops])
    return np.mean([_answers(soft, name)[1] for name in NETWORKS], axis=0)


def _least_certain(answers: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Chance of the likeliest answer of each box's least certain head that `counts`, (heads, N) bool; (N,)."""
    return np.where(counts, np.stack([h.max(axis=1) for h in _weighed(answers)]), 1.0).min(axis=0)


def read_characters(page: InkPage, crops: np.ndarray, asked: Sequence[str] = ()) -> list[CharacterEvidence]:
    """Evidence for each crop, in order; crops without any ink never reach a network.

    `asked` names the one of `HEADS` that counts for each crop; without it all of them do.
    """
    heads = [np.full((len(crops), len(c)), 1e-6, np.float32) for c in CLASSES]
    for head, names in zip(heads, CLASSES, strict=True):
        head[:, names.index("blank")] = 1.0 - 1e-4
    features: list[np.ndarray | None] = [None] * len(crops)
    inked = np.flatnonzero(~_bare(crops, page))
    if len(inked):
        seen, answers = _answers(crops[inked], NETWORKS[0])
        counts = np.array([[not asked or asked[i] == h for i in inked] for h in HEADS])
        looks = (SURE, lambda part: _answers(part, NETWORKS[1])[1]), (STILL_SURE, _softened)
        for limit, look in looks:
            again = np.flatnonzero(_least_certain(answers, counts) < limit)
            if len(again):
                answers[again] = (answers[again] + look(crops[inked[again]])) / 2
        for head, rows in zip(heads, _weighed(answers), strict=True):
            head[inked] = rows
        for i, row in zip(inked, seen, strict=True):
            features[i] = row
    return [CharacterEvidence(*rows) for rows in zip(*heads, features, strict=True)]
