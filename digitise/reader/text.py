"""Free handwriting: suggestions by the project's line reader and by Tesseract, always shown to a person.

The line reader is right twice as often, but knows no words, on which Tesseract leans. Tesseract is a process of its own
and dear to start, so it is asked only where it may settle something: between two texts about equally likely to the
line reader, or where that has none.
"""

from __future__ import annotations

import shutil
from functools import lru_cache

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import InkPage
from digitise.reader.line_network import line_input, line_texts
from digitise.reader.reading import Decoded
from digitise.reader.tally import own_ink
from digitise.sheets.layout import Cell

LINE_PX = 56
GAP_PX = 40
CLOSE = 0.7  # of the likeliest text's probability: a second one above it calls for another opinion
ONE_LINE_MM = 14.0  # a higher box holds several lines, which only Tesseract takes apart


@lru_cache(maxsize=1)
def engine_present() -> bool:
    """Whether the Tesseract program is installed."""
    return shutil.which("tesseract") is not None


def _line_picture(ink: np.ndarray, page: InkPage) -> np.ndarray:
    """Dark text on white, `LINE_PX` high."""
    scale = LINE_PX / ink.shape[0]
    small = cv2.resize(ink, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return (255 - 255 * np.clip(small / page.pencil, 0, 1)).astype(np.uint8)


def _suggestions(pictures: list[np.ndarray]) -> list[tuple[str, float]]:
    """Text and mean confidence of each line, one run of the engine for all."""
    import pytesseract

    width = max(p.shape[1] for p in pictures) + 2 * GAP_PX
    pitch = LINE_PX + GAP_PX
    sheet = np.full((pitch * len(pictures) + GAP_PX, width), 255, np.uint8)
    for i, picture in enumerate(pictures):
        top = GAP_PX + i * pitch
        sheet[top : top + LINE_PX, GAP_PX : GAP_PX + picture.shape[1]] = picture
    try:
        data = pytesseract.image_to_data(
            sheet, config="--psm 6 --oem 1", output_type=pytesseract.Output.DICT, timeout=20
        )
    except (pytesseract.TesseractError, RuntimeError, OSError):
        return [("", 0.0)] * len(pictures)
    words: list[list[tuple[str, float]]] = [[] for _ in pictures]
    for text, confidence, top, height in zip(data["text"], data["conf"], data["top"], data["height"], strict=True):
        line = int((top + height / 2 - GAP_PX / 2) // pitch)
        if text.strip() and 0 <= line < len(pictures):
            words[line].append((text.strip(), float(confidence) / 100))
    return [(" ".join(t for t, _ in line), float(np.mean([c for _, c in line])) if line else 0.0) for line in words]


def _joined(own: tuple[tuple[str, float], ...], other: tuple[str, float]) -> Decoded:
    """One reading from the line reader's texts and Tesseract's; agreement ranks above any single certainty."""
    text, sure = other[0].upper(), other[1]
    if not own or not own[0][0]:
        return Decoded(text or None, 0.1 * sure, ((text, sure),) if text else (), ("free-text",))
    known = dict(own)
    if text and text in known:
        first = (text, known.pop(text))
        return Decoded(text, 0.5 + 0.5 * first[1], (first, *known.items()), ("free-text",))
    candidates = (*own, (text, 0.1 * sure)) if text else own
    return Decoded(own[0][0], 0.5 * own[0][1], candidates, ("free-text",))


def _open(own: tuple[tuple[str, float], ...]) -> bool:
    """Whether the line reader leaves a line open."""
    return not own or not own[0][0] or (len(own) > 1 and own[1][1] > CLOSE * own[0][1])


def read_text(page: InkPage, cells: list[Cell]) -> list[Decoded]:
    """Suggestions for text cells; a line without ink is blank, any other goes to a person."""
    threshold = ink_threshold(page)
    inks = [own_ink(page, c) for c in cells]
    area = [np.count_nonzero(i > threshold) / FLAT_PX_PER_MM**2 for i in inks]
    written = [i for i, a in enumerate(area) if a >= 0.8]
    out = [Decoded(None, 1.0 - min(0.5, a / 2), ((None, 1.0),)) for a in area]
    if not written:
        return out
    own = {
        i: line_texts(line_input(inks[i], page.pencil)) if cells[i].box_mm[3] <= ONE_LINE_MM else () for i in written
    }
    asked = [i for i in written if _open(own[i])] if engine_present() else []
    found = dict(zip(asked, _suggestions([_line_picture(inks[i], page) for i in asked]), strict=True)) if asked else {}
    for i in written:
        out[i] = _joined(own[i], found.get(i, ("", 0.0)))
    return out
