"""Small files of every kind that comes in, and seeded damage to them; shared by the quick test and the long run."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import Image

from digitise.batch.sources import original, pictures_in
from digitise.pages.photo import NotAPhoto, decode_photo
from digitise.reader.read import read_decoded

_EXTREMES = (
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\x80\0\0\0",
    b"\xea\x60\xea\x60",
)


def encoded(image: Image.Image, kind: str, **options) -> bytes:
    out = io.BytesIO()
    image.copy().save(out, kind, **options)
    return out.getvalue()


@lru_cache(maxsize=1)
def seeds() -> dict[str, bytes]:
    """Whole files by what they are."""
    pillow_heif.register_heif_opener()
    y, x = np.mgrid[:90, :70]
    gray = Image.fromarray(((x * 3 + y * 2 + (x // 9 % 2) * 60) % 256).astype(np.uint8))
    rgb, rgba = gray.convert("RGB"), gray.convert("RGBA")
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "maker"
    out = {
        "jpeg": encoded(rgb, "JPEG", exif=exif),
        "jpeg-progressive": encoded(rgb, "JPEG", progressive=True),
        "jpeg-cmyk": encoded(rgb.convert("CMYK"), "JPEG"),
        "mpo": encoded(gray, "MPO", save_all=True, append_images=[gray.rotate(180)]),
        "png": encoded(rgb, "PNG"),
        "png-alpha": encoded(rgba, "PNG", exif=exif),
        "png-palette": encoded(rgb.quantize(32), "PNG", transparency=3),
        "png-16-bit": encoded(Image.fromarray(np.asarray(gray, np.uint16) * 257), "PNG"),
        "png-animated": encoded(rgb, "PNG", save_all=True, append_images=[rgba]),
        "tiff": encoded(rgb, "TIFF", exif=exif),
        "tiff-lzw": encoded(gray, "TIFF", compression="tiff_lzw"),
        "tiff-jpeg": encoded(rgb, "TIFF", compression="jpeg"),
        "tiff-fax": encoded(gray.convert("1"), "TIFF", compression="group4"),
        "tiff-pages": encoded(gray, "TIFF", save_all=True, append_images=[gray.rotate(180)], compression="tiff_lzw"),
        "avif": encoded(rgb, "AVIF", exif=exif),
        "webp": encoded(rgb, "WEBP"),
        "webp-lossless": encoded(rgba, "WEBP", lossless=True),
        "webp-animated": encoded(rgb, "WEBP", save_all=True, append_images=[rgb.rotate(180)]),
        "heic": encoded(rgb, "HEIF", quality=50),
        "pdf": encoded(rgb, "PDF", save_all=True, append_images=[gray.rotate(180)]),
    }
    for name, method in (("zip-stored", zipfile.ZIP_STORED), ("zip", zipfile.ZIP_DEFLATED)):
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", method) as archive:
            archive.writestr("a.jpg", out["jpeg"])
            archive.writestr("more/b.pdf", out["pdf"])
            archive.writestr("c.png", out["png-alpha"])
        out[name] = packed.getvalue()
    return out


def _flip(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at] ^= 1 << int(rng.integers(8))


def _noise(data: bytearray, at: int, rng: np.random.Generator) -> None:
    block = rng.bytes(int(rng.integers(1, 17)))
    data[at : at + len(block)] = block


def _extreme(data: bytearray, at: int, rng: np.random.Generator) -> None:
    value = _EXTREMES[int(rng.integers(len(_EXTREMES)))][: int(rng.choice([1, 2, 4]))]
    data[at : at + len(value)] = value


def _cut(data: bytearray, at: int, rng: np.random.Generator) -> None:
    del data[at : at + int(rng.integers(1, 65))]


def _double(data: bytearray, at: int, rng: np.random.Generator) -> None:
    block = data[at : at + int(rng.integers(1, 257))]
    data[at:at] = block * int(rng.integers(1, 9))


def _end(data: bytearray, at: int, rng: np.random.Generator) -> None:
    del data[max(at, 4) :]


def _graft(data: bytearray, at: int, rng: np.random.Generator) -> None:
    other = seeds()[str(rng.choice(sorted(seeds())))]
    start = int(rng.integers(len(other)))
    data[at:at] = other[start : start + int(rng.integers(1, 2000))]


_DAMAGE: tuple[Callable, ...] = (_flip, _flip, _noise, _extreme, _extreme, _cut, _double, _end, _graft)


def mutated(name: str, seed: int) -> bytes:
    """The file `name` of `seeds` with one to six kinds of damage; half of it near the start, where
    headers are."""
    rng = np.random.default_rng([seed, len(name)])
    data = bytearray(seeds()[name])
    for _ in range(int(rng.integers(1, 7))):
        if len(data) < 8:
            break
        reach = len(data) if rng.random() < 0.5 else min(len(data), 400)
        start = 0 if rng.random() < 0.03 else min(8, reach - 1)  # most files keep the bytes they are known by
        _DAMAGE[int(rng.integers(len(_DAMAGE)))](data, int(rng.integers(start, reach)), rng)
    return bytes(data)


def way_in(context: object, path: Path) -> list[tuple[str, str]]:
    """(what came out, sentence) for every picture in a file: "photo", or the reason's name."""
    out = []
    for picture in pictures_in(path):
        made = picture if isinstance(picture, NotAPhoto) else original(picture)
        photo = made if isinstance(made, NotAPhoto) else decode_photo(made.data, made.name)
        if isinstance(photo, NotAPhoto):
            out.append((photo.reason, read_decoded(photo, ()).reasons[0]))
        else:
            assert photo.gray.ndim == 2
            out.append(("photo", ""))
    return out


def nothing() -> None:
    """Nothing to prepare."""
