"""Files of the store: original photographs, written once and checked when read, and flattened pages.

Images are grey (H, W) uint8 at `FLAT_PX_PER_MM`; boxes are ``(x, y, width, height)`` in page millimetres.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import time
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.photo import SUFFIXES
from digitise.sheets.layout import Box
from digitise.store.rows import StoreError

PAGE_QUALITY = 92
STALE_SECONDS = 3600
STALE_FOLDER_SECONDS = 2 * 24 * 3600  # a large backup takes hours


def original_name(sha256: str, name: str) -> str:
    """Where a photograph lies below ``originals/``: by content, with the suffix of the name it came under."""
    suffix = Path(name).suffix.lower()
    return f"{sha256[:2]}/{sha256}{suffix if suffix in SUFFIXES else '.bin'}"


def is_original(sha256: str, file: str) -> bool:
    """Whether a photograph may lie under this name below ``originals/``."""
    return re.fullmatch("[0-9a-f]{64}", sha256) is not None and file == original_name(sha256, file)


def is_page(name: str) -> bool:
    """Whether a flattened page may have this name below ``pages/``."""
    return re.fullmatch(r"[0-9A-Za-z][0-9A-Za-z._-]{0,199}\.jpg", name) is not None


def write_once(path: Path, data: bytes, *, incoming: Path) -> None:
    """Write to the disk by way of a file in `incoming` and a rename, read-only; a file that holds `data` is left alone.

    Raises
    ------
    StoreError
        The disk is full or may not be written on; what was there before is still there.
    """
    try:
        if path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data:
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=incoming, prefix="part-")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
            Path(temporary).chmod(0o444)
            Path(temporary).replace(path)
            _sync_folder(path.parent)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise StoreError(
            f"{path.name}: could not be written ({error.strerror}); look whether the disk is full or may not be "
            "written on, then try again"
        ) from None


def _sync_folder(folder: Path) -> None:
    """Make a rename in `folder` last through a power cut, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(incoming: Path) -> None:
    """Remove what programs that were killed left half written; what is younger may still be in work."""
    for part in incoming.glob("part-*"):
        with suppress(OSError):
            age_s = time.time() - part.stat().st_mtime
            if part.is_dir() and age_s > STALE_FOLDER_SECONDS:
                shutil.rmtree(part)
            elif not part.is_dir() and age_s > STALE_SECONDS:
                part.unlink()


def encode_page(image: np.ndarray) -> bytes:
    """A flattened page as JPEG."""
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, PAGE_QUALITY])[1].tobytes()


def read_page(path: Path) -> bytes:
    """Bytes of a flattened page; `ValueError` with a sentence when the file is gone."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise ValueError(
            f"{path.name}: the flattened page cannot be opened ({error.strerror}); bring it back from a backup"
        ) from None


@lru_cache(maxsize=6)
def _page_pixels(path: Path) -> np.ndarray:
    image = cv2.imdecode(np.frombuffer(read_page(path), np.uint8), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise ValueError(f"{path.name}: the flattened page is damaged; bring it back from a backup")
    return image


def cut_out(path: Path, box_mm: Box, *, context_mm: float) -> bytes:
    """PNG of a page around a box; cut at the page's edges."""
    image = _page_pixels(path)
    x, y, w, h = box_mm
    left, top = (max(0, int((v - context_mm) * FLAT_PX_PER_MM)) for v in (x, y))
    right, bottom = (int(np.ceil((v + context_mm) * FLAT_PX_PER_MM)) for v in (x + w, y + h))
    return cv2.imencode(".png", image[top:bottom, left:right])[1].tobytes()
