"""A line of handwriting read by the project's own small network: every few pixels it says which character stands there.

The network (``models/lines.onnx``) is convolutional along the line, so a line may be of any length. Its answers are
joined into the likeliest texts by prefix beam search. It knows capitals, digits and a little punctuation, and no words;
but words seldom mix letters with digits, so that O and 0, I and 1, S and 5 are told apart by what stands beside them.

Graves et al. (2006), Connectionist temporal classification, ICML, 369-376. doi:10.1145/1143844.1143891
"""

from __future__ import annotations

import re
from functools import lru_cache

import cv2
import numpy as np

from digitise.reader.characters import load_network, softmax

LINE_CLASSES = ("", *"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-:/,'+()", " ")  # the first says: nothing new here
LINE_ROWS = 64  # height of the picture that the network sees, at half the flat page's resolution (16 mm)
STEP = 4  # pixels of its input to one answer
BEAM, FEW, KEPT = 12, 6, 3
MIXED = 0.2  # how much rarer a text is for each place in it where a letter and a digit touch (judgement, not measured)
BARE, BESIDE_PX = 0.2, 32  # paler columns show nothing; so far beside the last others, answers hardly change (0.004)
_TOUCH = re.compile("(?<=[A-Z])[0-9]|(?<=[0-9])[A-Z]")


def line_input(ink: np.ndarray, pencil: float) -> np.ndarray:
    """The (LINE_ROWS, w) float32 picture the network sees, from the middle of `ink` (as from `tally.own_ink`)."""
    rows, columns = (max(STEP, int(round(v / 2 / STEP)) * STEP) for v in ink.shape)
    small = cv2.resize(ink, (columns, rows), interpolation=cv2.INTER_AREA)
    picture = np.clip(small / pencil, 0.0, 1.5).astype(np.float32)
    out = np.zeros((LINE_ROWS, columns), np.float32)
    top, skip = max(0, (LINE_ROWS - rows) // 2), max(0, (rows - LINE_ROWS) // 2)
    kept = picture[skip : skip + LINE_ROWS]
    out[top : top + len(kept)] = kept
    return out


@lru_cache(maxsize=1)
def _network() -> cv2.dnn.Net:
    return load_network("lines.onnx", cv2.dnn.ENGINE_CLASSIC)


def line_texts(picture: np.ndarray) -> tuple[tuple[str, float], ...]:
    """The likeliest texts of one line with their probabilities, best first; ``picture`` from `line_input`."""
    network = _network()
    network.setInput(np.ascontiguousarray(_inked(picture)[None, None]))
    return unmixed(best_texts(softmax(network.forward()[0, :, 0].T.astype(np.float64)), BEAM))[:KEPT]


def _inked(picture: np.ndarray) -> np.ndarray:
    """The columns with ink and `BESIDE_PX` on both sides, in whole steps."""
    inked = np.flatnonzero(picture.max(axis=0) > BARE)
    if not len(inked):
        return picture
    first, last = max(0, int(inked[0]) - BESIDE_PX), int(inked[-1]) + 1 + BESIDE_PX
    return picture[:, first // STEP * STEP : -(-last // STEP) * STEP]


def unmixed(texts: tuple[tuple[str, float], ...]) -> tuple[tuple[str, float], ...]:
    """Texts with probabilities weighed by how rarely letters and digits touch, best first; others count as plain."""
    weights = [p * MIXED ** len(_TOUCH.findall(text)) for text, p in texts]
    total = max(0.0, 1.0 - sum(p for _, p in texts)) + sum(weights)
    ranked = sorted(zip((text for text, _ in texts), weights, strict=True), key=lambda item: -item[1])
    return tuple((text, weight / total) for text, weight in ranked)


def best_texts(p: np.ndarray, keep: int = 3) -> tuple[tuple[str, float], ...]:
    """Prefix beam search over (T, len(LINE_CLASSES)) probabilities: (text, probability), spaces at the ends dropped."""
    beam: dict[str, tuple[float, float]] = {"": (1.0, 0.0)}  # text to (ending in nothing, ending in its last character)
    first = np.argsort(p[:, 1:], axis=1)[:, ::-1][:, :FEW] + 1
    for row, order in zip(p.tolist(), first.tolist(), strict=True):
        grown: dict[str, list[float]] = {}
        likely = [i for i in order if row[i] > 1e-5]
        if not likely:
            beam = {text: ((rest + last) * row[0], 0.0) for text, (rest, last) in beam.items()}
            continue
        for text, (rest, last) in beam.items():
            stay = grown.setdefault(text, [0.0, 0.0])
            stay[0] += (rest + last) * row[0]
            for i in likely:
                char = LINE_CLASSES[i]
                longer = grown.setdefault(text + char, [0.0, 0.0])
                if text.endswith(char):
                    stay[1] += last * row[i]
                    longer[1] += rest * row[i]
                else:
                    longer[1] += (rest + last) * row[i]
        best = sorted(grown.items(), key=lambda item: -sum(item[1]))[:BEAM]
        beam = {text: (rest, last) for text, (rest, last) in best}
    joined: dict[str, float] = {}
    for text, (rest, last) in beam.items():
        joined[text.strip()] = joined.get(text.strip(), 0.0) + rest + last
    ranked = sorted(joined.items(), key=lambda item: -item[1])
    return tuple((text, float(weight)) for text, weight in ranked[:keep] if weight > 0)
