"""Tesseract, asked for printed or written words in a picture, through its own C interface where it is installed.

Its program spends nine tenths of its time on reading its data, which is done here once a process.
"""

from __future__ import annotations

import atexit
import ctypes
import os
import shutil
from ctypes.util import find_library
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

_LSTM_ONLY, _SINGLE_BLOCK = 1, 6  # Tesseract's publictypes.h
_DPI = 70  # what the program takes for a picture that says nothing
_FUNCTIONS = {  # capi.h: what each hands back, and takes after the engine itself
    "Init2": (ctypes.c_int, (ctypes.c_char_p, ctypes.c_char_p, ctypes.c_int)),
    "SetVariable": (ctypes.c_int, (ctypes.c_char_p, ctypes.c_char_p)),
    "SetPageSegMode": (None, (ctypes.c_int,)),
    "ClearAdaptiveClassifier": (None, ()),
    "SetImage": (None, (ctypes.c_char_p, *(ctypes.c_int,) * 4)),
    "SetSourceResolution": (None, (ctypes.c_int,)),
    "GetTsvText": (ctypes.c_void_p, (ctypes.c_int,)),
    "Delete": (None, ()),
}


@dataclass(frozen=True, slots=True)
class Word:
    """One word: its text, confidence in whole hundredths, and where it begins and how high it is, pixels."""

    text: str
    confidence: float
    top: int
    height: int


class Engine:
    """Tesseract with its English data.

    Raises
    ------
    OSError
        It is not installed, too old, or lacks the data; in words.
    """

    def __init__(self) -> None:
        program = shutil.which("tesseract")
        beside = Path(program).resolve().parent if program else None
        names = ("libtesseract*.dll", "../lib/libtesseract*.dylib") if beside else ()
        found = find_library("tesseract") or next((str(f) for n in names for f in sorted(beside.glob(n))), None)
        if found is None:
            raise OSError("is not installed")
        self._library = ctypes.CDLL(found)
        try:
            self._library.TessBaseAPICreate.restype = ctypes.c_void_p
            self._library.TessDeleteText.argtypes = (ctypes.c_void_p,)
            for name, (gives, takes) in _FUNCTIONS.items():
                function = getattr(self._library, f"TessBaseAPI{name}")
                function.restype, function.argtypes = gives, (ctypes.c_void_p, *takes)
        except AttributeError:
            raise OSError("is too old") from None
        self._engine = self._library.TessBaseAPICreate()
        atexit.register(self._ask, "Delete")
        data = beside / "tessdata" if beside else None
        folder = os.fsencode(data) if data and data.is_dir() and "TESSDATA_PREFIX" not in os.environ else None
        self._ask("SetVariable", b"debug_file", os.fsencode(os.devnull))
        if self._ask("Init2", folder, b"eng", _LSTM_ONLY) != 0:
            raise OSError("lacks its English data")
        self._ask("SetPageSegMode", _SINGLE_BLOCK)

    def _ask(self, name: str, *arguments: object) -> object:
        return getattr(self._library, f"TessBaseAPI{name}")(self._engine, *arguments)

    def words(self, picture: np.ndarray) -> list[Word]:
        """Every word in a picture, (H, W) uint8, dark on light, in reading order."""
        height, width = picture.shape
        self._ask("ClearAdaptiveClassifier")  # nor may words of an earlier picture count in this one
        self._ask("SetImage", picture.tobytes(), width, height, 1, width)
        self._ask("SetSourceResolution", _DPI)
        table = self._ask("GetTsvText", 0)
        if not table:
            return []
        rows = [row.split("\t") for row in ctypes.string_at(table).decode("utf-8", "replace").splitlines()]
        self._library.TessDeleteText(table)
        whole = (row for row in rows if len(row) == 12 and row[11].strip())
        return [Word(row[11].strip(), int(float(row[10])) / 100, int(row[7]), int(row[9])) for row in whole]


@lru_cache(maxsize=1)
def engine() -> Engine | None:
    """This process's engine, None where there is none."""
    try:
        return Engine()
    except OSError:
        return None
