"""Which files are read: those named, in folders and below, behind patterns, here or in a bucket.

Of a folder's files pictures, PDFs and archives are taken, known by their suffix or, without one, by their content.
"""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Iterable
from pathlib import Path, PurePosixPath
from typing import TypeVar

from digitise.batch import remote
from digitise.batch.remote import Remote
from digitise.pages.photo import HEAD_BYTES, SUFFIXES, is_picture, paged_format

RAW = (  # what a sensor saw, undeveloped
    *(".dng", ".cr2", ".cr3", ".nef", ".nrw", ".arw", ".orf"),
    *(".pef", ".raf", ".rw2", ".srw", ".gpr"),
)
OTHER = (".bmp", ".gif", ".jp2", ".jxl", ".psd")  # pictures too, which are told and not read
TAKEN = (*SUFFIXES, ".pdf", ".zip", *RAW, *OTHER)  # of the files in a folder: no photograph vanishes without a word
_SUFFIX = re.compile(r"\.(?!\d+$)\w+")  # "scan 10.32.15" has none
_STORE = {"originals", "pages"}  # a store is a folder with these two
ARCHIVE = (b"PK\3\4", b"PK\5\6")  # how a zip file begins

File = TypeVar("File", Path, PurePosixPath, Remote)


def photo_files(paths: Iterable[Path | Remote]) -> list[Path | Remote]:
    """Files to read, each once, in order: those named, those a pattern stands for, those in folders and sub-folders.

    Links to folders are not followed, so that no loop is endless, and stores are passed over.

    Raises
    ------
    RemoteError
        A bucket cannot be looked into.
    """
    found: dict[Path | Remote, None] = {}
    for path in paths:
        if isinstance(path, Remote):
            found.update(dict.fromkeys(_inside_remote(path)))
            continue
        for one in _matched(path):
            found.update(dict.fromkeys(_inside(one) if one.is_dir() else [one]))
    return list(found)


def _inside_remote(folder: Remote) -> list[Remote]:
    """The same choice from a folder of a bucket; an address of one file is that file."""
    files = remote.files_below(folder)
    if files == [folder]:
        return files
    start = len(str(folder)) + 1 if all(str(f).startswith(f"{folder}/") for f in files) else 0
    inside = [(f, PurePosixPath(str(f)[start:]).parts) for f in files]
    shown = (f for f, parts in inside if not any(p.startswith(".") for p in parts))
    return developed(f for f in shown if is_taken(f, lambda f: remote.read(f, HEAD_BYTES)))


def is_taken(file: File, first_bytes: Callable[[File], bytes]) -> bool:
    """By its suffix; a file without one is opened, and taken where it cannot be, since reading it says why."""
    if not lacks_suffix(file):
        return file.suffix.lower() in TAKEN
    try:
        head = first_bytes(file)
    except Exception:  # zlib's, zipfile's and the system's own
        return True
    return may_hold_several(head) or is_picture(head)


def lacks_suffix(file: Path | PurePosixPath | Remote) -> bool:
    """Whether only its content can tell what a file is; a time at the end of its name is no suffix."""
    return not _SUFFIX.fullmatch(file.suffix)


def developed(files: Iterable[File]) -> list[File]:
    """The files without raw pictures beside which lies the photograph that the camera made of them."""
    files = list(files)
    made = {_stem(f) for f in files if f.suffix.lower() in SUFFIXES}
    return [f for f in files if not is_raw(f.name) or _stem(f) not in made]


def is_raw(name: str) -> bool:
    """Whether a file is a camera's raw picture, told by its name: many look like a TIFF with a small copy inside."""
    return PurePosixPath(name).suffix.lower() in RAW


def _stem(file: File) -> str:
    return str(file).lower().removesuffix(file.suffix.lower())


def _matched(path: Path) -> list[Path]:
    if not glob.has_magic(str(path)) or os.path.lexists(path):
        return [path]
    found = glob.glob(str(path), recursive=True)  # noqa: PTH207 - Path.glob takes no absolute patterns
    return sorted(map(Path, found)) or [path]


def _inside(folder: Path) -> list[Path]:
    found: list[Path] = []
    closed: list[Path] = []
    for place, folders, files in os.walk(folder, onerror=lambda error: closed.append(Path(error.filename))):
        if set(folders) >= _STORE:  # what was read must not be read again as if it were new
            folders.clear()
            continue
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        here = (Path(place) / f for f in files if not f.startswith("."))
        found += developed(p for p in here if is_taken(p, _file_head) and not (p.exists() and not p.is_file()))
    return sorted([*found, *closed])  # a folder that may not be entered is told as a file that cannot be read is


def head_of(path: Path) -> bytes:
    """The bytes that tell a file's format; it must be no pipe, which never ends."""
    with path.open("rb") as file:
        return file.read(HEAD_BYTES)


def _file_head(path: Path) -> bytes:
    return head_of(path) if path.is_file() else b""


def may_hold_several(data: bytes) -> bool:
    """Whether a file with this content is a zip archive, a PDF or a TIFF."""
    return data.startswith(ARCHIVE) or paged_format(data[:8]) is not None
