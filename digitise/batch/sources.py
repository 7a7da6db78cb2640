"""The pictures in a file: a photograph, the members of a zip archive, the pages of a PDF or TIFF file.

A `Picture` is one thing to be read; its file lies on this machine or in a bucket. Where it came from stays known: its
name says the file, the member of an archive and the page ("scans.zip:reef.pdf#page=2"), its identity is the SHA-256 of
the file (of the member, in an archive) and the page.
Nothing is unpacked to disk, so names in an archive do no harm.
"""

from __future__ import annotations

import hashlib
import stat
import zipfile
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from io import BytesIO
from pathlib import Path, PurePosixPath

from digitise.batch import remote
from digitise.batch.folders import ARCHIVE, developed, head_of, is_raw, is_taken, lacks_suffix, may_hold_several
from digitise.batch.remote import Remote, RemoteError
from digitise.pages.photo import (
    HEAD_BYTES,
    MAX_BYTES,
    NotAPhoto,
    count_pages,
    page_png,
    paged_format,
    read_file,
)

MAX_PAGED_BYTES = 1_000_000_000  # a PDF or TIFF file is opened where it lies, page by page
MAX_FETCHED_BYTES = 500_000_000  # one from elsewhere is held in memory
MAX_MEMBERS = 20_000
MAX_SWELLING = 100  # unpacked size over packed size: pictures hardly shrink at all
_ENCRYPTED = 0x1


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture to be read. `member` is its name in an archive; `page`, from 1, its place in a file of several."""

    path: Path | Remote
    member: str = ""
    page: int = 0
    sha256: str = ""  # of the file of several pages, else not known yet

    @property
    def name(self) -> str:
        """Name for people and results."""
        file = spelt(self.path.name)
        inside = f"{file}:{spelt(self.member).replace('/', ':')[-120:]}" if self.member else file
        return f"{inside}#page={self.page}" if self.page else inside


@dataclass(frozen=True, slots=True, eq=False)
class Original:
    """A picture's bytes as they are kept: the file itself, or a page of one as a PNG without loss.

    `file_sha256` and `page` say which file and page a PNG was made from; empty and 0 for a file itself.
    """

    name: str
    data: bytes
    file_sha256: str = ""
    page: int = 0


def spelt(name: str) -> str:
    """A file's name as text that can be written anywhere.

    What is no UTF-8 in it becomes a replacement character; characters that steer a terminal or a line are left out.
    """
    text = name.encode(errors="surrogateescape").decode(errors="replace")
    return "".join(c for c in text if c.isprintable())


def _several(pages: int | tuple[str, str]) -> bool:
    return isinstance(pages, int) and pages > 1


def not_one_photograph(data: bytes, name: str) -> NotAPhoto | None:
    """Why a file that came as one photograph is none: a camera's raw picture, or one that may hold several."""
    kind = paged_format(data[:8])
    if is_raw(name):
        why = "raw", ""
    elif data.startswith(ARCHIVE) or kind == "PDF" or (kind and _several(count_pages(BytesIO(data), kind))):
        why = "not-an-image", "it may hold several; add it on the screen Survey instead"
    else:
        return None
    return NotAPhoto(name, hashlib.sha256(data).hexdigest(), *why)


def pictures_in(path: Path | Remote) -> tuple[Picture | NotAPhoto, ...]:
    """Every picture in a file; content decides what it is, not its name. What cannot be taken is there as `NotAPhoto`.

    Never empty, never raises: a file that cannot be opened is one `NotAPhoto`, and a plain photograph is not looked
    into.
    """
    if is_raw(path.name):
        return (_refused(path, "raw"),)
    if isinstance(path, Remote):
        return _remote_pictures(path)
    try:
        about = path.stat()
        head = head_of(path) if stat.S_ISREG(about.st_mode) else b""
    except (OSError, ValueError):
        return (Picture(path),)  # reading it will say why not
    if head.startswith(ARCHIVE):
        return _members(path, path, about.st_size)
    kind = paged_format(head)
    return _pages(Picture(path), kind, path, about.st_size) if kind else (Picture(path),)


def _remote_pictures(file: Remote) -> tuple[Picture | NotAPhoto, ...]:
    """Only a file that may hold several is fetched to be looked into."""
    try:
        if not may_hold_several(remote.read(file, HEAD_BYTES)):
            return (Picture(file),)
    except RemoteError as error:
        return (_not_fetched(file, error),)
    source = _source(file)
    if isinstance(source, NotAPhoto):
        return (source,)
    data = source.getvalue()
    if data.startswith(ARCHIVE):
        return _members(file, source, len(data))
    return _pages(Picture(file), paged_format(data[:8]) or "PDF", source, len(data))


def _refused(file: Path | Remote, reason: str, detail: str = "") -> NotAPhoto:
    return NotAPhoto(Picture(file).name, "", reason, detail)


def _not_fetched(file: Remote, error: RemoteError) -> NotAPhoto:
    return _refused(file, "not-fetched", str(error))


def _source(file: Path | Remote) -> Path | BytesIO | NotAPhoto:
    """What an archive or a file of pages is read from: where it lies here, else a copy in memory."""
    if isinstance(file, Path):
        return file
    try:
        if file not in _last_fetched:
            if (size := remote.size(file)) > MAX_FETCHED_BYTES:
                detail = f"{size / 1e6:,.0f} MB; {MAX_FETCHED_BYTES / 1e6:,.0f} MB at most where it is"
                return _refused(file, "too-large", detail)
            _last_fetched.clear()
            _last_fetched[file] = remote.read(file)
    except RemoteError as error:
        return _not_fetched(file, error)
    return BytesIO(_last_fetched[file])


_last_fetched: dict[Remote, bytes] = {}  # one at most: pictures of a file are read one after another


def file_bytes(path: Path | Remote) -> bytes | NotAPhoto:
    """The bytes of a file that is one picture."""
    if isinstance(path, Path):
        found = read_file(path)
        return found if isinstance(found, bytes) else replace(found, name=Picture(path).name)
    try:
        data = remote.read(path, MAX_BYTES + 1)
    except RemoteError as error:
        return _not_fetched(path, error)
    if len(data) > MAX_BYTES:
        return _refused(path, "too-large", f"{MAX_BYTES / 1e6:.0f} MB at most")
    return data


def _pages(whole: Picture, kind: str, source: Path | BytesIO, size: int) -> tuple[Picture | NotAPhoto, ...]:
    """The pages of a PDF or TIFF file; a TIFF of one page is a plain photograph."""
    if size > MAX_PAGED_BYTES:
        detail = f"{size / 1e6:,.0f} MB; {MAX_PAGED_BYTES / 1e6:,.0f} MB at most"
        return (NotAPhoto(whole.name, "", "too-large", detail),)
    pages = count_pages(source, kind)
    if pages == 1 and kind == "TIFF":
        return (whole,)
    digest = _digest(source)
    if isinstance(pages, tuple):
        return (NotAPhoto(whole.name, digest, *pages),)
    return tuple(Picture(whole.path, whole.member, n, digest) for n in range(1, pages + 1))


def _digest(source: Path | BytesIO) -> str:
    """SHA-256 of a file; one that lies here is read through again only when it has changed."""
    if isinstance(source, BytesIO):
        return hashlib.sha256(source.getvalue()).hexdigest()
    about = source.stat()
    return _digest_at(source, about.st_size, about.st_mtime_ns)


@lru_cache(maxsize=8)
def _digest_at(path: Path, _size: int, _changed_ns: int) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# Archives


def _members(path: Path | Remote, source: Path | BytesIO, size: int) -> tuple[Picture | NotAPhoto, ...]:
    try:
        with zipfile.ZipFile(source) as archive:
            return _listed(path, archive, size)
    except Exception as error:  # zipfile's, struct's and the system's own
        return (_refused(path, "damaged", f"the archive cannot be opened ({str(error)[:80]})"),)


def _listed(path: Path | Remote, archive: zipfile.ZipFile, size: int) -> tuple[Picture | NotAPhoto, ...]:
    shown = [m for m in archive.infolist() if _is_shown(m)]
    if (opened := sum(lacks_suffix(PurePosixPath(m.filename)) for m in shown)) > MAX_MEMBERS:
        return (_refused(path, "archive", f"{opened:,} files without a suffix; {MAX_MEMBERS:,} at most"),)
    wanted = [m for m in shown if _is_wanted(archive, m)]
    taken = set(developed(PurePosixPath(m.filename) for m in wanted))
    wanted = [m for m in wanted if PurePosixPath(m.filename) in taken]
    swollen = sum(m.file_size for m in wanted)
    if len(wanted) > MAX_MEMBERS:
        return (_refused(path, "archive", f"{len(wanted):,} files; {MAX_MEMBERS:,} at most"),)
    if swollen > MAX_BYTES and swollen > MAX_SWELLING * size:
        return (_refused(path, "archive", f"{size / 1e6:,.1f} MB would become {swollen / 1e6:,.0f} MB when unpacked"),)
    found: list[Picture | NotAPhoto] = []
    many = Counter(m.filename for m in wanted)
    for member in sorted(wanted, key=lambda m: m.filename):
        if many[member.filename] > 1:  # only the last of them could be had by its name
            name = Picture(path, member.filename).name
            found.append(NotAPhoto(name, "", "archive", f"{many[member.filename]} files in it have this name"))
        else:
            found += _member_pictures(path, archive, member)
    return tuple(found) or (_refused(path, "not-an-image", "the archive has no picture in it"),)


def _is_shown(member: zipfile.ZipInfo) -> bool:
    parts = PurePosixPath(member.filename).parts
    return not member.is_dir() and not any(p.startswith((".", "__MACOSX")) and p not in (".", "..") for p in parts)


def _is_wanted(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bool:
    """The same choice as in a folder: no notes."""

    def first_bytes(_: PurePosixPath) -> bytes:
        with archive.open(member) as file:
            return file.read(HEAD_BYTES)

    return is_taken(PurePosixPath(member.filename), first_bytes)


def _why_not(member: zipfile.ZipInfo) -> tuple[str, str] | None:
    """Why a member is left alone: a reason's name and the details in words."""
    path = PurePosixPath(member.filename)
    if path.is_absolute() or ".." in path.parts or "\\" in member.filename or ":" in member.filename:
        return "archive", "its name points outside the archive"
    if stat.S_ISLNK(member.external_attr >> 16):
        return "archive", "it is a link to another place"
    if path.suffix.lower() == ".zip":
        return "archive", "it is an archive inside an archive"
    if is_raw(path.name):
        return "raw", ""
    if member.flag_bits & _ENCRYPTED:
        return "locked", "the archive opens with a password only"
    if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "archive", "it is packed in an unusual way"
    if member.file_size > MAX_BYTES:
        return "too-large", f"{member.file_size / 1e6:,.0f} MB; {MAX_BYTES / 1e6:.0f} MB at most inside an archive"
    return None


def _member_pictures(
    path: Path | Remote, archive: zipfile.ZipFile, member: zipfile.ZipInfo
) -> tuple[Picture | NotAPhoto, ...]:
    whole = Picture(path, member.filename)
    if why := _why_not(member):
        return (NotAPhoto(whole.name, "", *why),)
    try:
        with archive.open(member) as file:
            head = file.read(HEAD_BYTES)
        if head.startswith(ARCHIVE):
            return (NotAPhoto(whole.name, "", "archive", "it is an archive inside an archive"),)
        kind = paged_format(head)
        if kind is None:
            return (whole,)
        return _pages(whole, kind, BytesIO(archive.read(member)), member.file_size)
    except Exception as error:  # zlib's, zipfile's and the system's own
        return (NotAPhoto(whole.name, "", "damaged", f"unpacking stopped: {str(error)[:80]}"),)


def _member_bytes(picture: Picture) -> bytes | NotAPhoto:
    """A member's bytes; what it announces bounds what is unpacked."""
    source = _source(picture.path)
    if isinstance(source, NotAPhoto):
        return source
    try:
        with zipfile.ZipFile(source) as archive, archive.open(picture.member) as file:
            data = file.read(MAX_BYTES + 1)
    except Exception as error:  # zlib's, zipfile's and the system's own
        return NotAPhoto(picture.name, "", "damaged", f"unpacking stopped: {str(error)[:80]}")
    if len(data) > MAX_BYTES:
        return NotAPhoto(picture.name, "", "too-large", f"more than {MAX_BYTES / 1e6:.0f} MB when unpacked")
    return data


def original(picture: Picture) -> Original | NotAPhoto:
    """The bytes that a picture is read from, and kept as."""
    if not picture.page:
        data = _member_bytes(picture) if picture.member else file_bytes(picture.path)
        if isinstance(data, NotAPhoto):
            return data
        return Original(picture.name, data)
    source = _source(picture.path)
    if picture.member:
        data = _member_bytes(picture)
        source = data if isinstance(data, NotAPhoto) else BytesIO(data)
    if isinstance(source, NotAPhoto):
        return source
    try:
        kind = paged_format(source.getvalue()[:8] if isinstance(source, BytesIO) else head_of(source))
        png = page_png(source, kind or "PDF", picture.page, sha256=picture.sha256)
        changed = _digest(source) != picture.sha256
    except OSError as error:
        return NotAPhoto(picture.name, "", "not-opened", error.strerror or "")
    if changed:  # so that this may be a page of another file
        return NotAPhoto(picture.name, "", "not-opened", "it was changed while it was read")
    if isinstance(png, tuple):
        return NotAPhoto(picture.name, picture.sha256, *png)
    return Original(picture.name, png, picture.sha256, picture.page)
