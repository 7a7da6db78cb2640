"""The plain script to compare with: what a handy user would write with OpenCV and Tesseract in an afternoon.

It is given the flattened page and the layout, cuts out each cell a little inside its rule, thresholds it (Otsu), and
asks Tesseract for one word with the characters that the kind of cell can hold; a tally is the number of long contours.
"""

from __future__ import annotations

import re

import cv2
import numpy as np
import pytesseract

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.reading import Value
from digitise.sheets.layout import Cell

INSIDE_MM = 0.5  # of the cell, so that the printed rule stays outside
BLANK = 0.004  # share of dark pixels below which a cell is blank
SOFT = 25  # grey values between paper and the darkest below which nothing is written
LETTERS, DIGITS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ", "0123456789"


def read_plainly(page: np.ndarray, cell: Cell) -> Value:
    """What the script makes of one cell of a flat page, (h, w) uint8; None for blank or not understood."""
    x, y, w, h = (v * FLAT_PX_PER_MM for v in cell.box_mm)
    inside = INSIDE_MM * FLAT_PX_PER_MM
    crop = page[int(y + inside) : int(y + h - inside), int(x + inside) : int(x + w - inside)]
    crop = cv2.GaussianBlur(crop, (3, 3), 0)
    _, dark = cv2.threshold(crop, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    blank = int(np.median(crop)) - int(crop.min()) < SOFT or (dark > 0).mean() < BLANK
    if cell.kind == "tick":
        return not blank
    if blank:
        return None
    if cell.kind == "tally":
        return _strokes(dark)
    return _understood(cell, _text(dark, LETTERS if cell.kind == "code" else DIGITS + ".:-"))


def _strokes(dark: np.ndarray) -> int:
    """Contours at least as high as a third of the box."""
    contours, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    return sum(cv2.boundingRect(c)[3] > dark.shape[0] / 3 for c in contours)


def _text(dark: np.ndarray, characters: str) -> str:
    picture = cv2.copyMakeBorder(255 - dark, 20, 20, 20, 20, cv2.BORDER_CONSTANT, value=255)
    config = f"--psm 7 --oem 1 -c tessedit_char_whitelist={characters}"
    return re.sub(r"\s", "", pytesseract.image_to_string(picture, config=config))


def _understood(cell: Cell, text: str) -> Value:
    """The text as the cell's own type; None when it is not one."""
    digits = re.sub(r"[^0-9]", "", text)
    if cell.kind == "code":
        return text or None
    if not digits:
        return None
    if cell.kind == "number":
        return int(digits)
    if cell.kind == "date" and len(digits) == 8:
        return f"{digits[:4]}-{digits[4:6]}-{digits[6:]}"
    if cell.kind == "time" and len(digits) == 4:
        return f"{digits[:2]}:{digits[2:]}"
    if cell.kind == "decimal":
        after = len(cell.format.partition(".")[2])
        return float(f"{digits[:-after] or 0}.{digits[-after:]}") if len(digits) > after else None
    return None
