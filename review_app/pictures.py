"""Pictures for the browser, made from what the store keeps and cached by content.

Everything is looked up by page id or SHA-256; nothing a browser sends is used as a file's name.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from digitise.store import Store
from review_app import bounded

SMALL_PX = 320
MIDDLE_PX = 800  # as wide as a phone's screen shows


def _jpeg(image: np.ndarray) -> bytes:
    return cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 82])[1].tobytes()


def _shrunk(gray: np.ndarray, side: int) -> np.ndarray:
    scale = side / max(gray.shape)
    return cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else gray


@lru_cache(maxsize=400)
def small_page(store: Store, page_id: int, side: int = SMALL_PX) -> bytes:
    """JPEG of a flattened page, at most `side` pixels on its longer side; `ValueError` in words where it is damaged."""
    gray = cv2.imdecode(np.frombuffer(store.page_image(page_id), np.uint8), cv2.IMREAD_GRAYSCALE)
    if gray is None:
        raise ValueError(f"the flattened page {page_id} is damaged; bring it back from a backup")
    return _jpeg(_shrunk(gray, side))


@lru_cache(maxsize=200)
def small_photo(store: Store, sha256: str, side: int = SMALL_PX) -> bytes:
    """JPEG of a kept photograph, at most `side` pixels on its longer side; an empty tile when it is no picture."""
    photo = bounded.decode(store.original(sha256), sha256)
    return _jpeg(_shrunk(photo.gray, side) if photo else np.full((SMALL_PX, 3 * SMALL_PX // 4), 238, np.uint8))


@lru_cache(maxsize=4)
def upright(store: Store, sha256: str) -> bytes:
    """JPEG of a kept photograph in its full size, for formats that browsers do not show.

    `ValueError` in words where it cannot be decoded.
    """
    photo = bounded.decode(store.original(sha256), sha256)
    if not photo:
        raise ValueError(f"{photo.name}: {photo.detail}")
    return _jpeg(photo.gray)


def picture_type(data: bytes) -> str | None:
    """Media type of a picture browsers can show, judged by content; None for anything else."""
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    return "image/png" if data.startswith(b"\x89PNG\r\n\x1a\n") else None
