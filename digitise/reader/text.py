"""Free handwriting: suggestions by the project's line reader and by Tesseract, always shown to a person.

The line reader knows no words and Tesseract leans on them; where both say the same, it is mostly what stands there.
Tesseract is slow, so it is asked only where the line reader is unsure.
"""

from __future__ import annotations

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import ink_threshold
from digitise.reader.ink import InkPage
from digitise.reader.line_network import line_input, line_texts
from digitise.reader.reading import Decoded
from digitise.reader.tally import own_ink
from digitise.reader.tesseract import Word, engine
from digitise.sheets.layout import Cell

LINE_PX = 56
GAP_PX = 40
SURE = 0.8  # a line read with this probability needs no second opinion
ONE_LINE_MM = 14.0  # a higher box holds several lines, which only Tesseract takes apart


def _line_picture(ink: np.ndarray, page: InkPage) -> np.ndarray:
    """Dark text on white, `LINE_PX` high."""
    scale = LINE_PX / ink.shape[0]
    small = cv2.resize(ink, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return (255 - 255 * np.clip(small / page.pencil, 0, 1)).astype(np.uint8)


def _suggestions(pictures: list[np.ndarray]) -> list[tuple[str, float]]:
    """Text and mean confidence of each line, all asked at once; nothing where there is no Tesseract."""
    if (asked := engine()) is None or not pictures:
        return [("", 0.0)] * len(pictures)
    width = max(p.shape[1] for p in pictures) + 2 * GAP_PX
    pitch = LINE_PX + GAP_PX
    sheet = np.full((pitch * len(pictures) + GAP_PX, width), 255, np.uint8)
    for i, picture in enumerate(pictures):
        top = GAP_PX + i * pitch
        sheet[top : top + LINE_PX, GAP_PX : GAP_PX + picture.shape[1]] = picture
    lines: list[list[Word]] = [[] for _ in pictures]
    for word in asked.words(sheet):
        line = int((word.top + word.height / 2 - GAP_PX / 2) // pitch)
        if 0 <= line < len(pictures):
            lines[line].append(word)
    return [
        (" ".join(w.text for w in own), float(np.mean([w.confidence for w in own])) if own else 0.0) for own in lines
    ]


def _joined(own: tuple[tuple[str, float], ...], other: tuple[str, float]) -> Decoded:
    """One reading from the line reader's texts and Tesseract's; agreement ranks above any single certainty."""
    text, sure = other[0].upper(), other[1]
    if not own or not own[0][0]:
        return Decoded(text or None, 0.1 * sure, ((text, sure),) if text else (), ("free-text",))
    best, p = own[0]
    candidates = own + (((text, 0.1 * sure),) if text and text not in dict(own) else ())
    return Decoded(best, 0.5 + 0.5 * p if text == best else 0.5 * p, candidates, ("free-text",))


def read_text(page: InkPage, cells: list[Cell]) -> list[Decoded]:
    """Suggestions for text cells; a line without ink is blank, any other goes to a person."""
    threshold = ink_threshold(page)
    inks = [own_ink(page, c) for c in cells]
    area = [float((i > threshold).sum()) / FLAT_PX_PER_MM**2 for i in inks]
    written = [i for i, a in enumerate(area) if a >= 0.8]
    out = [Decoded(None, 1.0 - min(0.5, a / 2), ((None, 1.0),)) for a in area]
    if not written:
        return out
    own = {
        i: line_texts(line_input(inks[i], page.pencil)) if cells[i].box_mm[3] <= ONE_LINE_MM else () for i in written
    }
    asked = [i for i in written if not own[i] or own[i][0][1] < SURE]
    found = dict(zip(asked, _suggestions([_line_picture(inks[i], page) for i in asked]), strict=True))
    for i in written:
        out[i] = _joined(own[i], found.get(i, own[i][0] if own[i] and own[i][0][1] >= SURE else ("", 0.0)))
    return out
