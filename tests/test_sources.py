"""Files, folders, patterns, archives, PDFs and TIFFs become single pictures, whatever is in them."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import tempfile
import warnings
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from damage import encoded, seeds
from PIL import Image

from digitise.batch import sources
from digitise.batch.folders import photo_files
from digitise.batch.sources import Original, Picture, original, pictures_in
from digitise.pages.photo import MAX_PAGES, PDF_LONG_PX, NotAPhoto, decode_photo
from digitise.sheets.sheet import identity_for, sheet_pdf


def _gray(value: int = 90, size: tuple[int, int] = (60, 80)) -> Image.Image:
    return Image.new("L", size, value)


def _write(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _zip(path: Path, members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


def _refusals(path: Path) -> list[tuple[str, str, str]]:
    return [(p.name, p.reason, p.detail) for p in pictures_in(path) if isinstance(p, NotAPhoto)]


# --- files of a folder -----------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path) -> Path:
    """Pictures here and below; hidden files, notes, and a folder with a photograph's name."""
    for name in ("a.jpg", "b.JPG", "c.pdf", "d.zip", ".hidden.jpg", "notes.txt", "sidecar.xmp"):
        _write(tmp_path / name, b"x")
    for name in ("later", ".thumbs", "x.jpg"):
        (tmp_path / name).mkdir()
        _write(tmp_path / name / "e.heic", b"x")
    return tmp_path


NAMES = ["a.jpg", "b.JPG", "c.pdf", "d.zip", "later/e.heic", "x.jpg/e.heic"]


def _inside(folder: Path, found: list[Path]) -> list[str]:
    return [p.relative_to(folder).as_posix() for p in found]


def test_pictures_of_a_folder_are_found_in_order(folder) -> None:
    """Sub-folders too, suffixes in any case; notes, hidden files and hidden folders are left out."""
    assert _inside(folder, photo_files([folder])) == NAMES


def test_each_file_is_read_once_in_the_order_named(folder) -> None:
    """Named by itself first and then with its folder, a file keeps its first place."""
    found = photo_files([folder / "later" / "e.heic", folder, folder / "a.jpg", folder / "later"])

    assert _inside(folder, found) == ["later/e.heic", *NAMES[:4], "x.jpg/e.heic"]


def test_a_file_named_outright_is_read_whatever_its_suffix(folder) -> None:
    """Who names a file wants to hear about it, even if it does not exist."""
    paths = [folder / "notes.txt", folder / "nowhere.jpg"]

    assert photo_files(paths) == paths


def test_a_store_among_the_photographs_is_passed_over(folder) -> None:
    """Its originals and flattened pages were read already; watching their folder would never end."""
    from digitise.store import Store

    with Store.open(folder / "later" / "survey-store") as store:
        store.keep_photo(b"x", "kept.jpg", now=datetime(2026, 3, 28, tzinfo=UTC))
    (folder / "originals").mkdir()
    _write(folder / "originals" / "mine.jpg", b"x")

    assert _inside(folder, photo_files([folder])) == [*NAMES[:5], "originals/mine.jpg", NAMES[5]]


def _without_suffix() -> dict[str, bytes]:
    """Pictures and what is none, of names without a suffix; a time at the end of a name is none."""
    kinds = ("jpeg", "png", "heic", "avif", "webp", "tiff-pages", "pdf", "zip")
    made = {f"IMG {n}": seeds()[kind] for n, kind in enumerate(kinds)}
    other = {"Image 2026-03-28 at 10.32.15": seeds()["jpeg"], "moving": encoded(_gray(), "GIF")}
    other |= {"scan": encoded(_gray(), "BMP"), "BM and others": b"BM and others were there."}
    return made | other | {".thumb": seeds()["jpeg"], "LICENSE": b"Text", "empty": b"", "notes.txt": seeds()["jpeg"]}


def test_a_picture_without_a_suffix_is_found_by_its_content(tmp_path) -> None:
    """As phones and messengers export them; texts, hidden files, pipes and links to nowhere are passed over."""
    for name, data in _without_suffix().items():
        _write(tmp_path / name, data)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "lost").symlink_to(tmp_path / "nowhere")
    found = photo_files([tmp_path])

    assert [p.name for p in found] == [
        *(f"IMG {n}" for n in range(8)),
        "Image 2026-03-28 at 10.32.15",
        "moving",
        "scan",
    ]
    assert [len(pictures_in(p)) for p in found] == [1, 1, 1, 1, 1, 2, 2, 4, 1, 1, 1]
    assert decode_photo(original(Picture(tmp_path / "moving")).data, "moving").reason == "not-an-image"


def test_in_an_archive_too(tmp_path) -> None:
    """An archive inside is told, by its content."""
    path = _zip(tmp_path / "z.zip", _without_suffix())

    names = [*(f"IMG {n}" for n in range(5)), *(f"IMG {n}#page={p}" for n in (5, 6) for p in (1, 2))]
    assert [p.name for p in pictures_in(path) if p] == [
        f"z.zip:{name}" for name in (*names, "Image 2026-03-28 at 10.32.15", "moving", "scan")
    ]
    assert _refusals(path) == [("z.zip:IMG 7", "archive", "it is an archive inside an archive")]


def test_too_many_members_without_a_suffix_are_not_opened(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sources, "MAX_MEMBERS", 2)
    path = _zip(tmp_path / "z.zip", {f"{n}": b"x" for n in range(3)})

    assert _refusals(path) == [("z.zip", "archive", "3 files without a suffix; 2 at most")]


def test_pictures_that_cannot_be_read_are_told(tmp_path) -> None:
    """A raw picture by its name, even where a TIFF reader would find a small copy in it; others by their content."""
    inside = {"a.DNG": encoded(_gray(), "TIFF"), "b.bmp": encoded(_gray(), "BMP"), "c.jfif": encoded(_gray(), "JPEG")}
    for name, data in inside.items():
        _write(tmp_path / name, data)
    packed = _zip(tmp_path / "d.zip", inside)

    raw, other, whole, archive = photo_files([tmp_path])
    assert _refusals(raw) == [("a.DNG", "raw", "")]
    assert decode_photo(original(pictures_in(other)[0]).data, "b.bmp").reason == "not-an-image"
    assert decode_photo(original(pictures_in(whole)[0]).data, "c.jfif")
    assert archive == packed
    assert [getattr(p, "reason", "") for p in pictures_in(packed)] == ["raw", "", ""]


def test_a_raw_picture_beside_its_photograph_is_left_out(tmp_path) -> None:
    """Cameras keep both; one by itself is told."""
    inside = dict.fromkeys(("IMG_1.JPG", "img_1.dng", "IMG_2.dng", "later/IMG_1.dng", "x.gpr", "y.nrw"), b"x")
    (tmp_path / "later").mkdir()
    for name, data in inside.items():
        _write(tmp_path / name, data)
    left = ["IMG_1.JPG", "IMG_2.dng", "later/IMG_1.dng", "x.gpr", "y.nrw"]

    assert _inside(tmp_path, photo_files([tmp_path])) == left
    packed = _zip(tmp_path / "all.zip", inside)
    assert [p.name for p in pictures_in(packed)] == [f"all.zip/{name}".replace("/", ":") for name in left]


def test_an_empty_folder_holds_no_photographs(tmp_path) -> None:
    assert photo_files([tmp_path]) == []


def test_a_pattern_stands_for_the_files_it_matches(folder) -> None:
    """For shells that leave patterns to the program; a pattern without a match is told as a file that is missing."""
    assert _inside(folder, photo_files([folder / "*.jpg"])) == ["a.jpg", "x.jpg/e.heic"]
    assert _inside(folder, photo_files([folder / "**" / "*.heic"])) == ["later/e.heic", "x.jpg/e.heic"]
    assert photo_files([folder / "*.webp"]) == [folder / "*.webp"]


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(folder) -> None:
    path = _write(folder / "dive [1].jpg", b"x")

    assert photo_files([path]) == [path]


def test_links_in_a_circle_end(folder) -> None:
    """A link to the folder above, and one to itself: the folder is read once, the link is no file."""
    (folder / "later" / "up").symlink_to(folder)
    (folder / "itself.jpg").symlink_to(folder / "itself.jpg")
    found = photo_files([folder])

    assert _inside(folder, found) == [*NAMES[:4], "itself.jpg", *NAMES[4:]]
    assert [type(p) for p in pictures_in(folder / "itself.jpg")] == [Picture]
    assert original(Picture(folder / "itself.jpg")).reason == "not-opened"


def test_a_folder_that_may_not_be_entered_is_told() -> None:
    """Root may read everything, so it asks as another user (65534, nobody's)."""
    with tempfile.TemporaryDirectory() as name:
        closed = Path(name) / "closed"
        closed.mkdir()
        Path(name).chmod(0o755)
        closed.chmod(0)
        root = os.geteuid() == 0
        if root:
            os.seteuid(65534)
        try:
            found = photo_files([Path(name)])
        finally:
            if root:
                os.seteuid(0)
            closed.chmod(0o755)

    assert closed in found


def test_what_is_no_ordinary_file_is_not_waited_for(tmp_path) -> None:
    """A pipe never ends: it is not opened at all."""
    os.mkfifo(tmp_path / "pipe.jpg")
    made = original(pictures_in(tmp_path / "pipe.jpg")[0])

    assert (made.reason, made.detail) == ("not-an-image", "it is no ordinary file")


# --- pages -----------------------------------------------------------------------------------------------


@pytest.fixture
def tiff(tmp_path) -> Path:
    """Three pages of 40, 120 and 200."""
    pages = [_gray(40), _gray(120), _gray(200)]
    return _write(tmp_path / "scans.tif", encoded(pages[0], "TIFF", save_all=True, append_images=pages[1:]))


def _pixels(picture: Picture) -> np.ndarray:
    made = original(picture)
    assert isinstance(made, Original), made
    return decode_photo(made.data, made.name).gray


def test_every_page_of_a_tiff_is_a_picture(tiff) -> None:
    """Their names and numbers say which; their pixels are the page's own."""
    pages = pictures_in(tiff)

    assert [p.name for p in pages] == ["scans.tif#page=1", "scans.tif#page=2", "scans.tif#page=3"]
    assert {p.sha256 for p in pages} == {hashlib.sha256(tiff.read_bytes()).hexdigest()}
    assert [_pixels(p).mean() for p in pages] == [40, 120, 200]


def test_a_tiff_of_one_page_stays_what_it_is(tmp_path) -> None:
    """It is read from, and kept as, its own bytes."""
    path = _write(tmp_path / "one.tif", encoded(_gray(), "TIFF"))

    assert pictures_in(path) == (Picture(path),)
    assert original(Picture(path)).data == path.read_bytes()


def test_a_thumbnail_in_a_tiff_is_no_page(tmp_path) -> None:
    """NewSubfileType 1 (TIFF 6.0, tag 254) marks a smaller copy of another page."""
    small, last = _gray(41, (6, 8)), _gray(200)
    small.encoderinfo = {"tiffinfo": {254: 1}}
    path = _write(tmp_path / "t.tif", encoded(_gray(40), "TIFF", save_all=True, append_images=[small, last]))
    with Image.open(path) as image:
        assert image.n_frames == 3

    assert [_pixels(p).mean() for p in pictures_in(path)] == [40, 200]


def test_the_pages_of_a_pdf_are_drawn_as_high_as_a_scan(tmp_path) -> None:
    """Two pages, upright and on its side: the longer side has 3508 pixels, grey values are kept."""
    pages = [_gray(60, (210, 297)), _gray(190, (297, 210))]
    path = _write(tmp_path / "scan.bin", encoded(pages[0], "PDF", save_all=True, append_images=pages[1:]))
    upright, aside = (_pixels(p) for p in pictures_in(path))

    assert upright.shape == pytest.approx((PDF_LONG_PX, PDF_LONG_PX * 210 / 297), abs=2)
    assert aside.shape == pytest.approx((PDF_LONG_PX * 210 / 297, PDF_LONG_PX), abs=2)
    assert (np.median(upright), np.median(aside)) == pytest.approx((60, 190), abs=2)


def test_a_page_is_kept_as_a_picture_that_says_where_it_came_from(tiff) -> None:
    """The same page gives the same bytes, so that it is known again."""
    page = pictures_in(tiff)[1]
    made = original(page)

    assert made.data == original(page).data
    assert (made.name, made.file_sha256, made.page) == ("scans.tif#page=2", page.sha256, 2)
    with Image.open(io.BytesIO(made.data)) as image:
        assert image.text["Source"] == f"page 2 of the TIFF file with SHA-256 {page.sha256}"


def test_a_file_that_changes_while_its_pages_are_read_is_told(tmp_path) -> None:
    """A scanning app adds a page in front: what is second now was first, and is no page of the file that was listed."""
    pages = [_gray(v, (210, 297)) for v in (60, 190)]
    path = _write(tmp_path / "scan.pdf", encoded(pages[0], "PDF", save_all=True, append_images=pages[1:]))
    first, second = pictures_in(path)
    assert isinstance(original(first), Original)
    _write(path, encoded(_gray(), "PDF", save_all=True, append_images=pages))
    changed = original(second)

    assert (changed.name, changed.reason) == ("scan.pdf#page=2", "not-opened")
    assert changed.detail == "it was changed while it was read"
    assert [isinstance(original(page), Original) for page in pictures_in(path)] == [True] * 3


def test_a_printed_sheet_is_not_taken_for_a_filled_one(reef, layout, tmp_path) -> None:
    """The file that sheets are printed from would read as a sheet on which nothing was written."""
    one = layout("fish")
    path = _write(tmp_path / "print.pdf", sheet_pdf(reef, [(one, identity_for(one, "QH7M4K", 1))]))

    assert _refusals(path) == [("print.pdf", "empty-sheet", "it is the file that the sheets are printed from")]


def _pdf_of(pages: int) -> bytes:
    document, out = pypdfium2.PdfDocument.new(), io.BytesIO()
    for _ in range(pages):
        document.new_page(200, 300).close()
    document.save(out)
    document.close()
    return out.getvalue()


def test_a_pdf_of_ten_thousand_pages_is_refused_before_any_is_drawn(tmp_path) -> None:
    path = _write(tmp_path / "book.pdf", _pdf_of(10_000))

    assert _refusals(path) == [("book.pdf", "too-many-pages", f"10,000 pages; {MAX_PAGES:,} at most")]


_LOCKED = (  # an encryption dictionary (ISO 32000-1, 7.6) whose user password is not the empty one
    b"%PDF-1.4\n1 0 obj<</Type/Catalog/Pages 2 0 R>>endobj\n2 0 obj<</Type/Pages/Kids[3 0 R]/Count 1>>endobj\n"
    b"3 0 obj<</Type/Page/Parent 2 0 R/MediaBox[0 0 9 9]>>endobj\n4 0 obj<</Filter/Standard/V 1/R 2/P -4/O<"
    + b"41" * 32
    + b">/U<"
    + b"42" * 32
    + b">>>endobj\ntrailer<</Root 1 0 R/Size 5/Encrypt 4 0 R/ID[<00><00>]>>\n%%EOF\n"
)


def test_a_locked_pdf_says_that_it_is_locked(tmp_path) -> None:
    assert _refusals(_write(tmp_path / "x.pdf", _LOCKED)) == [("x.pdf", "locked", "it opens with a password only")]


def test_a_broken_pdf_is_damaged(tmp_path) -> None:
    assert [r[1] for r in _refusals(_write(tmp_path / "x.pdf", seeds()["pdf"][:60]))] == ["damaged"]


def test_content_decides_what_a_file_is(tmp_path) -> None:
    """A PDF called .jpg has pages, a zip called .png members; a photograph with an archive behind it is a photograph."""
    polyglot = seeds()["jpeg"] + _zip(tmp_path / "x", {"a.jpg": seeds()["jpeg"]}).read_bytes()

    assert len(pictures_in(_write(tmp_path / "a.jpg", seeds()["pdf"]))) == 2
    assert len(pictures_in(_write(tmp_path / "b.png", seeds()["zip"]))) == 4
    assert pictures_in(_write(tmp_path / "c.jpg", polyglot)) == (Picture(tmp_path / "c.jpg"),)


# --- archives --------------------------------------------------------------------------------------------


def test_an_archive_gives_its_pictures_and_pages(tmp_path) -> None:
    """Names say where each was; folders, hidden files and notes are left out as they are in a folder."""
    members = {
        "dive 1/a.jpg": seeds()["jpeg"],
        "b.pdf": seeds()["pdf"],
        "__MACOSX/._a.jpg": b"x",
        ".c.jpg": b"x",
        "notes.txt": b"x",
    }
    path = _zip(tmp_path / "z.zip", members)
    found = pictures_in(path)

    assert [p.name for p in found] == ["z.zip:b.pdf#page=1", "z.zip:b.pdf#page=2", "z.zip:dive 1:a.jpg"]
    assert original(found[2]).data == seeds()["jpeg"]
    assert original(found[0]).file_sha256 == hashlib.sha256(seeds()["pdf"]).hexdigest()


OUTSIDE = ["../../evil.jpg", "/etc/evil.jpg", "C:/evil.jpg", "a/../../evil.jpg"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_name_that_points_outside_the_archive_is_refused(name: str, tmp_path) -> None:
    """Alone: the photograph beside it is taken."""
    path = _zip(tmp_path / "z.zip", {name: seeds()["jpeg"], "good.jpg": seeds()["jpeg"]})

    assert [(r, d) for _, r, d in _refusals(path)] == [("archive", "its name points outside the archive")]
    assert [p.name for p in pictures_in(path) if p] == ["z.zip:good.jpg"]


def test_an_archive_inside_an_archive_is_not_opened(tmp_path) -> None:
    path = _zip(tmp_path / "z.zip", {"inner.zip": seeds()["zip"]})

    assert _refusals(path) == [("z.zip:inner.zip", "archive", "it is an archive inside an archive")]


def test_an_archive_that_swells_is_not_unpacked(tmp_path) -> None:
    """A gigabyte of zeros in a megabyte: refused by what its list of contents says."""
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(20):
            archive.writestr(f"{number}.png", bytes(50_000_000))
    (refusal,) = _refusals(path)

    assert refusal[1] == "archive"
    assert refusal[2].endswith("would become 1,000 MB when unpacked")


def test_a_member_that_lies_about_its_size_is_unpacked_no_further(tmp_path) -> None:
    """Its header says 100 bytes, its content is a megabyte: damaged, and nothing beyond is made."""
    path = _zip(tmp_path / "z.zip", {"a.png": bytes(1_000_000)})
    data = bytearray(path.read_bytes())
    for magic, at in ((b"PK\3\4", 22), (b"PK\1\2", 24)):
        struct.pack_into("<I", data, data.index(magic) + at, 100)
    path.write_bytes(data)
    assert [r[1] for r in _refusals(path)] == ["damaged"]


def test_a_locked_member_says_so(tmp_path) -> None:
    """Bit 0 of the general purpose flag (APPNOTE 4.4.4) means that it is encrypted."""
    path = _zip(tmp_path / "z.zip", {"a.jpg": seeds()["jpeg"]})
    data = bytearray(path.read_bytes())
    for magic, at in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        data[data.index(magic) + at] |= 1
    path.write_bytes(data)

    assert _refusals(path) == [("z.zip:a.jpg", "locked", "the archive opens with a password only")]


def test_other_refusals_inside_an_archive(tmp_path) -> None:
    """A link, and a packing whose memory an archive may choose."""
    link = zipfile.ZipInfo("link.jpg")
    link.external_attr = 0o120777 << 16
    path = tmp_path / "z.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(link, "/etc/passwd")
        archive.writestr("odd.jpg", seeds()["jpeg"], zipfile.ZIP_LZMA)

    assert [d for _, _, d in _refusals(path)] == ["it is a link to another place", "it is packed in an unusual way"]


def test_an_archive_without_pictures_and_a_torn_one_say_so(tmp_path) -> None:
    empty = _zip(tmp_path / "e.zip", {"notes.txt": b"x"})
    torn = _write(tmp_path / "t.zip", seeds()["zip"][:500])

    assert _refusals(empty) == [("e.zip", "not-an-image", "the archive has no picture in it")]
    assert _refusals(torn)[0][1] == "damaged"
    assert "the archive cannot be opened" in _refusals(torn)[0][2]


def test_files_of_one_name_in_an_archive_are_told_since_only_one_of_them_could_be_read(tmp_path) -> None:
    """A photograph that another one hides is not left out in silence."""
    archive = tmp_path / "in.zip"
    with zipfile.ZipFile(archive, "w") as packed, warnings.catch_warnings(action="ignore"):
        for name, data in (("reef.jpg", b"first"), ("reef.jpg", b"second"), ("other.jpg", b"third")):
            packed.writestr(name, data)

    assert pictures_in(archive)[0] == Picture(archive, "other.jpg")
    assert _refusals(archive) == [("in.zip:reef.jpg", "archive", "2 files in it have this name")] * 2


def test_too_many_members_are_refused(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sources, "MAX_MEMBERS", 2)
    path = _zip(tmp_path / "z.zip", {f"{n}.jpg": b"x" for n in range(3)})

    assert _refusals(path) == [("z.zip", "archive", "3 files; 2 at most")]


def test_names_for_people_hold_no_control_characters(tmp_path) -> None:
    path = _zip(tmp_path / "z.zip", {"a\x1b[31m\n.jpg": seeds()["jpeg"]})

    assert pictures_in(path)[0].name == "z.zip:a[31m.jpg"
