"""A file becomes grey pixels, once: the only module that decodes photographs.

EXIF orientation is applied here and forgotten; the SHA-256 is of the original bytes. A file that is no usable
photograph is a value, `NotAPhoto`, never an exception.
"""

from __future__ import annotations

import hashlib
import struct
import warnings
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image, ImageOps, UnidentifiedImageError

FORMATS = ("JPEG", "PNG", "TIFF", "HEIF", "WEBP")  # phones' MPO files open as JPEG
SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp")
MAX_PIXELS = 120_000_000
MAX_BYTES = 80_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A decoded photograph: `gray` is (H, W) uint8, upright."""

    name: str
    sha256: str
    gray: np.ndarray


@dataclass(frozen=True, slots=True)
class NotAPhoto:
    """Why a file gave no pixels: a reason's name and the details in words. Falsy."""

    name: str
    sha256: str
    reason: str
    detail: str

    def __bool__(self) -> bool:
        return False


@lru_cache(maxsize=1)
def _register_formats() -> bool:
    """Register every decoder on first use; Pillow looks a format up by name only once it is known."""
    from pillow_heif import register_heif_opener

    Image.init()
    register_heif_opener()
    return True


def _gray(image: Image.Image) -> np.ndarray:
    """Upright (H, W) uint8; transparency over white, 16-bit scaled to 8."""
    image = ImageOps.exif_transpose(image)
    if image.mode.startswith(("I", "F")):
        values = np.asarray(image, dtype=np.float32)
        top = 65535.0 if values.max(initial=0) > 255 else 255.0
        return np.clip(values * (255.0 / top), 0, 255).astype(np.uint8)
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(white, image)
    return np.array(image.convert("L"))


def decode_photo(data: bytes, name: str) -> Photo | NotAPhoto:
    """Decode the bytes of one photograph.

    Parameters
    ----------
    data : bytes
        The file's content; its format is judged by content, not by name.
    name : str
        Name for messages.
    """
    digest = hashlib.sha256(data).hexdigest()
    if not data:
        return NotAPhoto(name, digest, "damaged", "the file is empty")
    if len(data) > MAX_BYTES:
        return NotAPhoto(name, digest, "too-large", f"{len(data) / 1e6:.0f} MB; {MAX_BYTES / 1e6:.0f} MB at most")
    _register_formats()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(BytesIO(data), formats=FORMATS)
            width, height = image.size
            if width * height > MAX_PIXELS:
                return NotAPhoto(name, digest, "too-large", f"{width} x {height} pixels")
            image.draft("L", None)
            gray = _gray(image)
    except UnidentifiedImageError:
        return NotAPhoto(name, digest, "not-an-image", "the content is no JPEG, PNG, TIFF, HEIC or WebP picture")
    except Image.DecompressionBombError:
        return NotAPhoto(name, digest, "too-large", "the header announces too many pixels")
    except (
        OSError,
        ValueError,
        SyntaxError,
        KeyError,
        IndexError,
        TypeError,
        EOFError,
        OverflowError,
        MemoryError,
        ZeroDivisionError,
        struct.error,
        RuntimeError,
    ) as error:
        return NotAPhoto(name, digest, "damaged", f"decoding stopped: {str(error)[:120]}")
    return Photo(name, digest, gray)


def load_photo(path: Path) -> Photo | NotAPhoto:
    """Read and decode one file; a missing or unreadable file is `NotAPhoto` too."""
    try:
        if path.stat().st_size > MAX_BYTES:
            return NotAPhoto(path.name, "", "too-large", f"{path.stat().st_size / 1e6:.0f} MB")
        data = path.read_bytes()
    except OSError as error:
        return NotAPhoto(path.name, "", "not-an-image", error.strerror or "the file could not be opened")
    return decode_photo(data, path.name)
