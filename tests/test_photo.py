"""A file becomes upright grey pixels, or a sentence; never an exception, whatever is in it."""

from __future__ import annotations

import hashlib
import io
import json
import struct
import subprocess
import sys
import zipfile
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from digitise.pages.photo import FORMATS, MAX_BYTES, MAX_PIXELS, NotAPhoto, Photo, decode_photo, load_photo
from digitise.reader.read import read_decoded
from digitise.reader.reasons import REASONS

ORIENTATION = 0x0112
# How a camera must have stored the upright picture for each orientation tag (EXIF 2.32, table of tag 274):
STORED = {
    1: lambda a: a,
    2: np.fliplr,
    3: lambda a: np.rot90(a, 2),
    4: np.flipud,
    5: lambda a: a.swapaxes(0, 1),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: np.rot90(a.swapaxes(0, 1), 2),
    8: lambda a: np.rot90(a, 3),
}


def _upright() -> np.ndarray:
    """A picture that no turn or mirror leaves alike, 96 rows by 64 columns."""
    picture = np.add.outer(np.arange(96), 2 * np.arange(64)).astype(np.uint8)
    picture[8:24, 40:56] = 250
    return picture


def _bytes(image: Image.Image, kind: str, **options) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def _encoded(kind: str, picture: np.ndarray, exif: Image.Exif | None = None) -> bytes:
    options: dict = {"exif": exif} if exif is not None else {}
    if kind == "HEIF":
        options["quality"] = -1
        if exif is not None:
            options["exif"] = exif.tobytes()  # as bytes, the encoder writes turn and mirror into the file's own boxes
        pillow_heif.register_heif_opener()
    elif kind == "WEBP":
        options["lossless"] = True
    elif kind == "AVIF" or kind == "JPEG":
        options["quality"] = 95
    image = Image.fromarray(np.ascontiguousarray(picture))
    return _bytes(image.convert("RGB") if kind in ("HEIF", "AVIF", "WEBP") else image, kind, **options)


# --- orientation -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_eight_orientations_give_equal_arrays(kind: str) -> None:
    """Turned or mirrored by its tag, the stored picture comes out upright, pixel for pixel."""
    for tag, stored in STORED.items():
        exif = Image.Exif()
        exif[ORIENTATION] = tag
        photo = decode_photo(_encoded(kind, stored(_upright()), exif), "x")
        assert photo, photo
        assert np.array_equal(photo.gray, _upright()), tag


@pytest.mark.parametrize(("kind", "near"), [("JPEG", 6), ("WEBP", 2), ("HEIF", 1), ("AVIF", 3)])
def test_eight_orientations_give_like_arrays_where_compression_loses(kind: str, near: int) -> None:
    """The formats that phones write, within a few grey levels."""
    for tag, stored in STORED.items():
        exif = Image.Exif()
        exif[ORIENTATION] = tag
        photo = decode_photo(_encoded(kind, stored(_upright()), exif), "x")
        assert photo, photo
        assert photo.gray.shape == (96, 64)
        assert np.abs(photo.gray.astype(int) - _upright()).mean() < near, tag


@pytest.mark.parametrize("tag", [0, 9, 255])
def test_impossible_orientation_is_taken_as_upright(tag: int) -> None:
    exif = Image.Exif()
    exif[ORIENTATION] = tag

    assert np.array_equal(decode_photo(_encoded("PNG", _upright(), exif), "x").gray, _upright())


# --- formats ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF", "AVIF"])
def test_each_format_is_decoded_whatever_its_name(kind: str, tmp_path) -> None:
    """Content decides, not the suffix; the digest is that of the file's own bytes."""
    data = _encoded(kind, _upright())
    path = tmp_path / "photograph.txt"
    path.write_bytes(data)
    photo = load_photo(path)

    assert isinstance(photo, Photo)
    assert photo.name == "photograph.txt"
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.gray.dtype == np.uint8
    assert np.abs(photo.gray.astype(int) - _upright()).mean() < 6


def test_two_pictures_in_one_file_give_the_first() -> None:
    """A phone's multi-picture JPEG (MPO) holds the photograph first."""
    first, second = (Image.fromarray(np.full((40, 30), v, np.uint8)) for v in (200, 20))
    photo = decode_photo(_bytes(first, "MPO", save_all=True, append_images=[second]), "x.jpg")

    assert photo.gray.mean() == pytest.approx(200, abs=1)


def test_colours_become_luma() -> None:
    """Red, green and blue by ITU-R BT.601: 0.299, 0.587 and 0.114 of full scale."""
    picture = np.zeros((8, 24, 3), np.uint8)
    for i in range(3):
        picture[:, 8 * i : 8 * i + 8, i] = 255
    gray = decode_photo(_bytes(Image.fromarray(picture), "PNG"), "x").gray

    assert [int(gray[0, 8 * i]) for i in range(3)] == [76, 150, 29]


def test_sixteen_bits_become_eight() -> None:
    """Full scale stays full scale: 65,535 is white, 32,896 the middle, 0 black."""
    picture = np.repeat(np.array([[0, 32896, 65535]], np.uint16), 8, axis=0)
    for kind in ("PNG", "TIFF"):
        gray = decode_photo(_bytes(Image.fromarray(picture), kind), "x").gray
        assert gray[0].tolist() == [0, 128, 255]


def test_palette_is_looked_up() -> None:
    """Indices are no grey values: index 0 may be white."""
    image = Image.fromarray(np.array([[0, 1], [1, 0]], np.uint8)).convert("P")
    image.putpalette([255, 255, 255, 10, 10, 10])

    assert decode_photo(_bytes(image, "PNG"), "x").gray.tolist() == [[255, 10], [10, 255]]


def test_transparency_lies_over_white() -> None:
    """A transparent pixel shows paper, whatever colour hides in it; in RGBA, grey with alpha and palettes."""
    rgba = np.array([[[0, 0, 0, 0], [0, 0, 0, 255], [0, 0, 0, 128]]], np.uint8)
    la = np.array([[[0, 0], [0, 255], [0, 128]]], np.uint8)
    palette = Image.fromarray(np.array([[0, 1]], np.uint8)).convert("P")
    palette.putpalette([0, 0, 0, 0, 0, 0])

    for picture in (rgba, la):
        assert decode_photo(_bytes(Image.fromarray(picture), "PNG"), "x").gray[0].tolist() == [255, 0, 127]
    assert decode_photo(_bytes(palette, "PNG", transparency=0), "x").gray[0].tolist() == [255, 0]


def test_cmyk_is_not_inverted() -> None:
    """Paper without printing ink is white, black ink black, in JPEG and TIFF."""
    for kind in ("JPEG", "TIFF"):
        for inks, grey in (((0, 0, 0, 0), 255), ((0, 0, 0, 255), 0)):
            data = _bytes(Image.new("CMYK", (16, 16), inks), kind)
            assert decode_photo(data, "x").gray.mean() == pytest.approx(grey, abs=3), (kind, inks)


def test_tall_pictures_are_converted_strip_by_strip() -> None:
    """Transparency and 16 bits are worked on a few rows at a time: 600 rows come out as one picture, turned as tagged."""
    rows = np.repeat(np.linspace(0, 255, 600).astype(np.uint8)[:, None], 4, axis=1)
    exif = Image.Exif()
    exif[ORIENTATION] = 3
    clear = np.dstack([rows, np.full_like(rows, 255)])
    turned = decode_photo(_bytes(Image.fromarray(clear), "PNG", exif=exif), "x").gray
    deep = decode_photo(_bytes(Image.fromarray(rows.astype(np.uint16) * 257), "PNG"), "x").gray

    assert np.array_equal(turned, rows[::-1])
    assert np.array_equal(deep, rows)


@pytest.mark.parametrize("block", [b"", b"II*\0", b"II*\0\xff\xff\xff\x7f", b"MM\0*\0\0\0\x08" + b"\xff" * 60_000])
def test_a_broken_exif_block_leaves_the_picture_as_it_is(block: bytes) -> None:
    """Tags that cannot be read, or claim 65,535 entries, turn nothing: a sheet is found at any rotation."""
    data = _bytes(Image.fromarray(_upright()), "JPEG", quality=95, exif=b"Exif\0\0" + block)
    photo = decode_photo(data, "x")

    assert photo, photo
    assert photo.gray.shape == _upright().shape


def test_black_and_white_pictures_are_read() -> None:
    """One bit a pixel, as scanners write."""
    for kind in ("PNG", "TIFF"):
        gray = decode_photo(_bytes(Image.fromarray(_upright() > 99), kind), "x").gray
        assert np.array_equal(gray, np.where(_upright() > 99, 255, 0))


# --- what is no photograph -------------------------------------------------------------------------------


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png_header(width: int, height: int) -> bytes:
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + _chunk(b"IDAT", zlib.compress(bytes(1000))) + _chunk(b"IEND", b"")


def _jpeg_header(width: int, height: int) -> bytes:
    """A small JPEG whose frame header (SOF0, ISO/IEC 10918-1 B.2.2) tells another size."""
    data = bytearray(_encoded("JPEG", _upright()))
    struct.pack_into(">HH", data, data.index(b"\xff\xc0") + 5, height, width)
    return bytes(data)


def _animated(kind: str) -> bytes:
    first, second = Image.fromarray(_upright()), Image.fromarray(np.ascontiguousarray(_upright()[::-1]))
    return _bytes(first, kind, save_all=True, append_images=[second])


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("photo.jpg", _encoded("JPEG", _upright()))
    return out.getvalue()


def _half(kind: str) -> bytes:
    noise = np.random.default_rng(1).integers(0, 255, (96, 64), np.uint8)
    data = _encoded(kind, noise)
    return data[: len(data) // 2]


BAD = [
    pytest.param(b"", "damaged", "the file is empty", id="empty"),
    pytest.param(_half("JPEG"), "damaged", "it ends before", id="half-a-jpeg"),
    pytest.param(_half("PNG"), "damaged", "it ends before", id="half-a-png"),
    pytest.param(_half("WEBP"), None, "", id="half-a-webp"),
    pytest.param(_half("HEIF"), None, "", id="half-a-heic"),
    pytest.param(_half("AVIF"), None, "", id="half-an-avif"),
    pytest.param(_half("TIFF"), None, "", id="half-a-tiff"),
    pytest.param(_encoded("JPEG", _upright())[:3], "not-an-image", "no JPEG, PNG", id="three-bytes"),
    pytest.param(b"Just words, saved as a photograph.\n" * 50, "not-an-image", "no JPEG, PNG", id="text"),
    pytest.param(_zip(), "not-an-image", "no JPEG, PNG", id="zip"),
    pytest.param(
        b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>', "not-an-image", "no JPEG", id="svg"
    ),
    pytest.param(_bytes(Image.fromarray(_upright()), "GIF"), "not-an-image", "no JPEG, PNG", id="gif"),
    pytest.param(b"%PDF-1.7\n%%EOF\n", "not-an-image", "no JPEG, PNG", id="pdf"),
    pytest.param(_png_header(60_000, 60_000), "too-large", "", id="header-of-3600-megapixels"),
    pytest.param(_png_header(12_000, 11_000), "too-large", "12000 x 11000 pixels", id="header-of-132-megapixels"),
    pytest.param(_png_header(2**31 - 1, 2**31 - 1), None, "", id="header-beyond-all-measure"),
    pytest.param(_jpeg_header(60_000, 60_000), "too-large", "", id="jpeg-of-3600-megapixels"),
    pytest.param(_animated("PNG"), "animated", "it holds 2 pictures", id="animated-png"),
    pytest.param(_animated("WEBP"), "animated", "it holds 2 pictures", id="animated-webp"),
    pytest.param(_animated("AVIF"), "animated", "it holds 2 pictures", id="animated-avif"),
    pytest.param(_png_header(0, 0), None, "", id="header-of-no-size"),
    pytest.param(np.random.default_rng(2).bytes(5000), "not-an-image", "no JPEG, PNG", id="noise"),
]


@pytest.mark.parametrize(("data", "reason", "words"), BAD)
def test_a_file_that_is_no_photograph_is_a_value_with_a_sentence(data: bytes, reason: str | None, words: str) -> None:
    """It is falsy, names a known reason, and reads as one sentence with what to do."""
    found = decode_photo(data, "IMG_1.jpg")
    result = read_decoded(found, ())

    assert isinstance(found, NotAPhoto)
    assert not found
    assert found.sha256 == hashlib.sha256(data).hexdigest()
    assert reason in (None, found.reason)
    assert words in found.detail
    assert result.status == "unreadable"
    assert result.reasons[0].startswith(REASONS[found.reason].short)
    assert result.reasons[0].endswith(REASONS[found.reason].advice)


_LONE = """
import json, pathlib, sys
from digitise.pages.photo import load_photo
for name in sys.argv[1:]:
    found = load_photo(pathlib.Path(name))
    print(json.dumps([bool(found), getattr(found, "reason", ""), getattr(found, "detail", "")]))
"""


def _in_a_fresh_process(*paths) -> list:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _LONE, *map(str, paths)],
        text=True,
        timeout=60,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-500:]
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF", "AVIF"])
def test_each_format_may_be_the_first_that_a_process_decodes(kind: str, tmp_path) -> None:
    """No decoder needs another to have been loaded before it."""
    (tmp_path / "first.jpg").write_bytes(_encoded(kind, _upright()))

    assert _in_a_fresh_process(tmp_path / "first.jpg") == [[True, "", ""]]


@pytest.mark.parametrize(
    "data", [BAD[i].values[0] for i in (1, 2, 4, 5, 8, 9, 10, 13)], ids=[BAD[i].id for i in (1, 2, 4, 5, 8, 9, 10, 13)]
)
def test_a_bad_file_may_be_the_first_too(data: bytes, tmp_path) -> None:
    """A fresh process gives the same reason as one that has decoded before, and no warning or traceback."""
    (tmp_path / "first.jpg").write_bytes(data)
    here = decode_photo(data, "first.jpg")

    assert _in_a_fresh_process(tmp_path / "first.jpg") == [[False, here.reason, here.detail]]


def test_what_cannot_be_opened_is_a_value_too(tmp_path) -> None:
    """A missing file, a folder and a dangling link end as `NotAPhoto`, without a digest."""
    (tmp_path / "link.jpg").symlink_to(tmp_path / "gone.jpg")
    for path in (tmp_path / "missing.jpg", tmp_path, tmp_path / "link.jpg"):
        found = load_photo(path)
        assert isinstance(found, NotAPhoto)
        assert found.sha256 == ""
        assert found.reason in REASONS
        assert len(found.detail) > 5


def test_a_file_beyond_the_limit_is_not_read(tmp_path) -> None:
    """A sparse file one byte too long is refused by its size alone."""
    with (tmp_path / "film.jpg").open("wb") as out:
        out.truncate(MAX_BYTES + 1)
    found = load_photo(tmp_path / "film.jpg")

    assert (found.reason, found.sha256) == ("too-large", "")


def test_limits_are_beyond_any_phone() -> None:
    """108 megapixels, the most that phones had in 2023 in one exposure (common knowledge, no source), still fit."""
    assert MAX_PIXELS > 108_000_000
    assert set(FORMATS) == {"JPEG", "PNG", "TIFF", "HEIF", "AVIF", "WEBP"}


@pytest.mark.parametrize(("kind", "count"), [("JPEG", 250), ("PNG", 250), ("TIFF", 150), ("WEBP", 100), ("AVIF", 100)])
def test_random_damage_never_raises(kind: str, count: int) -> None:
    """Bytes changed, cut out, doubled or cut off at random: a photograph or a sentence, nothing else."""
    rng = np.random.default_rng([len(kind), count])
    whole = _encoded(kind, _upright())
    seen = set()
    for _ in range(count):
        data = bytearray(whole)
        for _ in range(int(rng.integers(1, 6))):
            at, length = int(rng.integers(len(data))), int(rng.integers(1, 9))
            move = rng.integers(4)
            if move == 0:
                data[at : at + length] = rng.bytes(min(length, len(data) - at))
            elif move == 1:
                del data[at : at + length]
            elif move == 2:
                data[at:at] = data[at : at + length]
            elif len(data) > 40:
                del data[-length:]
        found = decode_photo(bytes(data), "x")
        assert isinstance(found, Photo | NotAPhoto)
        seen.add(bool(found))
        if found:
            assert found.gray.dtype == np.uint8
            assert found.gray.ndim == 2
        else:
            assert found.reason in REASONS

    assert False in seen


def test_a_file_that_is_not_there_is_told(tmp_path) -> None:
    """No photograph, and no traceback either."""
    found = load_photo(tmp_path / "absent.jpg")

    assert isinstance(found, NotAPhoto)
    assert (found.reason, found.sha256) == ("not-opened", "")
