"""A file becomes grey pixels, once: the only module that decodes photographs, and pages of PDF and TIFF files.

EXIF orientation is applied here and forgotten; the SHA-256 is of the original bytes. A file that is no usable
photograph is a value, `NotAPhoto`, never an exception. Files are hostile until decoded: headers are believed only as
far as the limits below, and `digitise.batch.batch` calls this in processes whose memory and time are bounded.
"""

from __future__ import annotations

import hashlib
import stat
import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image, UnidentifiedImageError
from PIL.PngImagePlugin import PngInfo

FORMATS = ("JPEG", "PNG", "TIFF", "HEIF", "AVIF", "WEBP")  # phones' MPO files open as JPEG
OTHER_FORMATS = ("GIF", "JPEG2000", "PSD")  # known by their first bytes, and not read
HEAD_BYTES = 16  # tell a file's format
SUFFIXES = (
    *(".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"),
    *(".png", ".tif", ".tiff", ".heic", ".heif", ".hif", ".avif", ".webp"),
)
MAX_PIXELS = 120_000_000
MAX_BYTES = 80_000_000
MAX_PAGES = 1000  # of one PDF or TIFF file
PDF_LONG_PX = 3508  # a page's longer side: A4 at 300 dots an inch
_STRIP_ROWS = 256
_ORIENTATION, _SUBFILE = 0x0112, 254  # TIFF 6.0 tags
_NOT_A_PAGE = 0b101  # NewSubfileType: a smaller copy of another page, or a mask
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_PAGED = {b"%PDF-": "PDF", b"II*\0": "TIFF", b"MM\0*": "TIFF", b"II+\0": "TIFF", b"MM\0+": "TIFF"}
_DECODER_ERRORS = (
    OSError,
    ValueError,
    SyntaxError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    EOFError,
    OverflowError,
    MemoryError,
    ZeroDivisionError,
    struct.error,
    RuntimeError,
)


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A decoded photograph: `gray` is (H, W) uint8, upright, not to be written to."""

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


class _Refused(Exception):  # noqa: N818 - not a fault, a verdict on the way to `NotAPhoto`
    """A reason's name and the details in words."""


@lru_cache(maxsize=1)
def _register_formats() -> bool:
    """Register every decoder on first use; Pillow looks a format up by name only once it is known."""
    from pillow_heif import register_heif_opener

    Image.init()
    register_heif_opener()
    return True


def _words(error: Exception) -> tuple[str, str]:
    """A decoder's exception as a reason's name and the details in words."""
    if isinstance(error, _Refused):
        return error.args
    if isinstance(error, UnidentifiedImageError):
        return "not-an-image", "the content is no JPEG, PNG, TIFF, HEIC, AVIF or WebP picture"
    if isinstance(error, Image.DecompressionBombError):
        return "too-large", "the header announces too many pixels"
    if "password" in str(error).lower():
        return "locked", "it opens with a password only"
    if "truncated" in str(error):
        return "damaged", "it ends before the picture does"
    return "damaged", f"decoding stopped: {str(error)[:120]}"


@contextmanager
def _hushed() -> Iterator[None]:
    """Decoders' warnings are about the file, and what they lead to is told in our words."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _orientation(image: Image.Image) -> int:
    """The EXIF orientation, 1 where the tags cannot be read: a sheet is found at any rotation."""
    try:
        return image.getexif().get(_ORIENTATION, 1)
    except _DECODER_ERRORS:
        return 1


def _strips(image: Image.Image) -> Iterator[tuple[slice, Image.Image]]:
    """The picture a few rows at a time, so that no second copy of it is ever held."""
    width, height = image.size
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(height, top + _STRIP_ROWS)
        yield slice(top, bottom), image.crop((0, top, width, bottom))


def _over_white(strip: Image.Image) -> np.ndarray:
    strip = strip.convert("RGBA")
    return np.asarray(Image.alpha_composite(Image.new("RGBA", strip.size, "white"), strip).convert("L"))


def _gray(image: Image.Image) -> np.ndarray:
    """Upright (H, W) uint8, not to be written to; transparency over white, 16-bit scaled to 8."""
    if image.width * image.height > MAX_PIXELS:
        raise _Refused("too-large", f"{image.width} x {image.height} pixels")
    image.draft("L", None)
    image.load()
    turn = _TURNS.get(_orientation(image))
    deep = image.mode.startswith(("I", "F"))
    clear = image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info
    if deep or clear:
        gray = np.empty((image.height, image.width), np.uint8)
        scale = 255.0 / (65535.0 if deep and image.getextrema()[1] > 255 else 255.0)
        for rows, strip in _strips(image):
            values = np.nan_to_num(np.asarray(strip, np.float32)) * scale if deep else _over_white(strip)
            gray[rows] = np.clip(values, 0, 255)
    else:
        gray = image if image.mode == "L" else image.convert("L")
    if turn is not None:
        gray = (gray if isinstance(gray, Image.Image) else Image.fromarray(gray)).transpose(turn)
    return np.asarray(gray)


def _opened(source: BytesIO | Path) -> Image.Image:
    _register_formats()
    return Image.open(source, formats=FORMATS)


def is_picture(head: bytes) -> bool:
    """Whether a file that begins with these `HEAD_BYTES` bytes is a picture, of a format that is read or another."""
    _register_formats()
    windows = head[:2] == b"BM" and head[6:10] == bytes(4)  # two letters alone begin texts too
    return windows or any(Image.OPEN[kind][1](head) is True for kind in (*FORMATS, *OTHER_FORMATS))


def _one_picture(image: Image.Image) -> Image.Image:
    """Refuse an animation; of the pictures in a phone's file (JPEG, HEIC) the main one is taken."""
    if image.format in ("PNG", "AVIF", "WEBP") and getattr(image, "n_frames", 1) > 1:
        raise _Refused("animated", f"it holds {image.n_frames} pictures")
    return image


def decode_photo(data: bytes, name: str) -> Photo | NotAPhoto:
    """Decode the bytes of one photograph.

    Parameters
    ----------
    data : bytes
        The file's content; its format is judged by content, not by name. Of a TIFF file's pages the first is taken.
    name : str
        Name for messages.
    """
    digest = hashlib.sha256(data).hexdigest()
    if not data:
        return NotAPhoto(name, digest, "damaged", "the file is empty")
    if len(data) > MAX_BYTES:
        return NotAPhoto(name, digest, "too-large", f"{len(data) / 1e6:.0f} MB; {MAX_BYTES / 1e6:.0f} MB at most")
    try:
        with _hushed(), _opened(BytesIO(data)) as image:
            return Photo(name, digest, _gray(_one_picture(image)))
    except (_Refused, Image.DecompressionBombError, *_DECODER_ERRORS) as error:
        return NotAPhoto(name, digest, *_words(error))


def read_file(path: Path) -> bytes | NotAPhoto:
    """The bytes of a photograph's file; what is no ordinary file, or too large, is `NotAPhoto`."""
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            kind = "it is a folder" if stat.S_ISDIR(about.st_mode) else "it is no ordinary file"
            return NotAPhoto(path.name, "", "not-an-image", kind)
        if about.st_size > MAX_BYTES:
            size = f"{about.st_size / 1e6:.0f} MB; {MAX_BYTES / 1e6:.0f} MB at most"
            return NotAPhoto(path.name, "", "too-large", size)
        return path.read_bytes()
    except (OSError, ValueError) as error:
        return NotAPhoto(path.name, "", "not-opened", getattr(error, "strerror", None) or "its name is none")


def load_photo(path: Path) -> Photo | NotAPhoto:
    """Read and decode one file; a missing or unreadable file is `NotAPhoto` too."""
    data = read_file(path)
    return data if isinstance(data, NotAPhoto) else decode_photo(data, path.name)


# Files that hold several pictures


def paged_format(head: bytes) -> str | None:
    """ "PDF" or "TIFF" when a file that begins like this may hold several pages, else None."""
    return next((kind for magic, kind in _PAGED.items() if head.startswith(magic)), None)


def _tiff_frames(image: Image.Image) -> list[int]:
    """Numbers of the frames that are pages: thumbnails and masks are left out."""
    found = []
    for frame in range(4 * MAX_PAGES):
        try:
            image.seek(frame)
        except EOFError:
            break
        except _DECODER_ERRORS:
            return [*found, frame]  # reading that page will say what is wrong with it
        if frame == 0 or not int(image.tag_v2.get(_SUBFILE, 0)) & _NOT_A_PAGE:
            found.append(frame)
    return found


@contextmanager
def _pdf(source: BytesIO | Path):
    import pypdfium2

    document = pypdfium2.PdfDocument(source)
    try:
        if document.get_metadata_value("Creator") == "digitise":
            raise _Refused("empty-sheet", "it is the file that the sheets are printed from")
        yield document
    finally:
        document.close()


def count_pages(source: BytesIO | Path, kind: str) -> int | tuple[str, str]:
    """Pages of a "PDF" or "TIFF", or a reason's name and details in words when it cannot be opened."""
    try:
        with _hushed():
            if kind == "PDF":
                with _pdf(source) as document:
                    pages = len(document)
            else:
                with _opened(source) as image:
                    pages = len(_tiff_frames(image))
    except (_Refused, Image.DecompressionBombError, *_DECODER_ERRORS) as error:
        return _words(error)
    if not pages:
        return "damaged", "it has no pages"
    return pages if pages <= MAX_PAGES else ("too-many-pages", f"{pages:,} pages; {MAX_PAGES:,} at most")


def _pdf_page(source: BytesIO | Path, number: int) -> np.ndarray:
    with _pdf(source) as document:
        page = document[number - 1]
        try:
            longer = max(page.get_size())
            if not 0 < longer < 1e6:
                raise _Refused("damaged", "the page has no size")
            bitmap = page.render(scale=PDF_LONG_PX / longer, grayscale=True, may_draw_forms=False)
            pixels = bitmap.to_numpy()
            return pixels.reshape(pixels.shape[:2]).copy()
        finally:
            page.close()


def _tiff_page(source: BytesIO | Path, number: int) -> np.ndarray:
    with _opened(source) as image:
        image.seek(_tiff_frames(image)[number - 1])
        return _gray(image)


def page_png(source: BytesIO | Path, kind: str, number: int, *, sha256: str) -> bytes | tuple[str, str]:
    """Page `number` (from 1) of a PDF or TIFF as a grey PNG without loss, or a reason's name and details in words.

    The PNG says in its own text where it came from: `sha256` is that of the file. A PDF page is drawn
    `PDF_LONG_PX` high or wide.
    """
    try:
        with _hushed():
            gray = (_pdf_page if kind == "PDF" else _tiff_page)(source, number)
    except (_Refused, Image.DecompressionBombError, *_DECODER_ERRORS) as error:
        return _words(error)
    about, out = PngInfo(), BytesIO()
    about.add_text("Source", f"page {number} of the {kind} file with SHA-256 {sha256}")
    Image.fromarray(gray).save(out, "PNG", compress_level=1, pnginfo=about)
    return out.getvalue()
