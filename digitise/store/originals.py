"""Where a store's original photographs lie: in its folder, or in a bucket.

Either holds each photograph once, under its SHA-256, and never writes over it. ``DIGITISE_ORIGINALS=s3://BUCKET/FOLDER``
puts those of a store into a bucket when the store is made; ``originals.json`` in the store's folder remembers that, and
``store.json`` in the bucket says whose they are, so that two stores never share them. Without the bucket a store opens
and serves its pages; only what needs an original is refused, in words.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from sqlalchemy import select

from digitise.batch import remote
from digitise.batch.remote import Remote, RemoteError
from digitise.store import schema as t
from digitise.store.engine import Database
from digitise.store.files import write_once
from digitise.store.rows import StoreError

VARIABLE = "DIGITISE_ORIGINALS"
MARKER = "originals.json"  # in the store's folder
ORIGINALS = "originals/"  # before a photograph's name among all files of a store
OWNER = "store.json"  # beside the photographs in a bucket


class Originals(Protocol):
    """Photographs by names such as ``ab/abcd….jpg``. `place` is where they are, in words; `far` on another machine."""

    place: str
    far: bool

    def write(self, name: str, data: bytes) -> None:
        """Keep a photograph's bytes; `StoreError` when they could not be kept."""

    def read(self, name: str) -> bytes:
        """A photograph's bytes as they are there; `OSError` when they cannot be had."""

    def remove(self, name: str) -> None:
        """Remove a photograph; `OSError` when that could not be done."""

    def names(self) -> Iterator[str]:
        """What is there, whether or not the store knows of it; `OSError` when nobody can tell."""


class FolderOriginals:
    """Photographs in ``originals/`` of a store's folder."""

    far = False

    def __init__(self, folder: Path) -> None:
        self._folder, self._incoming, self.place = folder / "originals", folder / "incoming", str(folder / "originals")

    def write(self, name: str, data: bytes) -> None:
        """See `write_once`: a damaged file is mended by adding its photograph again."""
        write_once(self._folder / name, data, incoming=self._incoming)

    def read(self, name: str) -> bytes:
        """The file's bytes."""
        return (self._folder / name).read_bytes()

    def remove(self, name: str) -> None:
        """Remove the file; one that is gone is no trouble."""
        (self._folder / name).unlink(missing_ok=True)

    def names(self) -> Iterator[str]:
        """Every file."""
        return (p.relative_to(self._folder).as_posix() for p in self._folder.rglob("*") if p.is_file())


class BucketOriginals:
    """Photographs in a folder of a bucket, which lets nobody write over one by mistake, this class included."""

    far = True

    def __init__(self, at: Remote) -> None:
        self._at, self.place = at, str(at)

    def write(self, name: str, data: bytes) -> None:
        """Write it, unless it is there; what is there under its name must be it.

        `StoreError` where something else is, or the bucket takes nothing.
        """
        try:
            if remote.write_new(self._at / name, data) or remote.read(self._at / name) == data:
                return
        except RemoteError as error:
            raise StoreError(f"the photograph could not be kept: {error}") from None
        raise StoreError(
            f"{self._at / name}: holds something else than the photograph of this name and is never written over; "
            "move it away, then add the photograph again"
        )

    def read(self, name: str) -> bytes:
        """The object's bytes."""
        return remote.read(self._at / name)

    def remove(self, name: str) -> None:
        """Remove the object; one that is gone is no trouble."""
        remote.remove(self._at / name)

    def owner(self) -> str:
        """The name of the store whose photographs these are, as the bucket has it."""
        return json.loads(remote.read(self._at / OWNER))["store"]

    def names(self) -> Iterator[str]:
        """Every object but the one that says whose they are."""
        start = len(str(self._at)) + 1
        return (name for one in remote.files_below(self._at) if (name := str(one)[start:]) != OWNER)


def wanted_bucket() -> str | None:
    """The address that ``DIGITISE_ORIGINALS`` names, if any."""
    return os.environ.get(VARIABLE) or None


def originals_of(folder: Path, database: Database, *, wanted: str | None = None) -> Originals:
    """Where the photographs of a store are, or, in one that has none yet, are to be: `wanted`, or else its folder.

    Raises
    ------
    StoreError
        `wanted` is no address, is not where this store's photographs are, or holds those of another store.
    """
    known = _remembered(folder)
    if wanted is None:
        return BucketOriginals(known) if known else FolderOriginals(folder)
    at = _address(wanted)
    if known and at != known:
        raise StoreError(
            f"{folder}: its photographs are in {known}, but {VARIABLE} names {at}; set it right or unset it, or move "
            "them with 'digitise backup' and 'digitise restore'"
        )
    if not known:
        with database.read() as connection:
            name = connection.execute(select(t.about.c.value).filter_by(key="store")).scalar_one()
            kept = connection.execute(select(t.photos.c.sha256).limit(1)).first()
        if kept:
            raise StoreError(
                f"{folder}: keeps its photographs in its own folder, but {VARIABLE} is set; unset it, or move the "
                "store with 'digitise backup' and 'digitise restore'"
            )
        return claim(folder, wanted, name)
    return BucketOriginals(at)


def claim(folder: Path, wanted: str, name: str) -> BucketOriginals:
    """Write down in the bucket `wanted` whose photographs it holds, then in the store's folder where they are.

    Raises
    ------
    StoreError
        They are another store's, or the bucket cannot be used.
    """
    at, mine = _address(wanted), json.dumps({"store": name}).encode()
    try:
        free = remote.write_new(at / OWNER, mine) or remote.read(at / OWNER) == mine
    except RemoteError as error:
        raise StoreError(f"{VARIABLE}: {error}") from None
    if not free:
        raise StoreError(f"{at}: holds the photographs of another store; name another folder of the bucket")
    write_once(folder / MARKER, json.dumps({"at": str(at)}).encode(), incoming=folder / "incoming")
    return BucketOriginals(at)


def _address(text: str) -> Remote:
    try:
        at = remote.place(text)
    except RemoteError as error:
        raise StoreError(f"{VARIABLE}: {error}") from None
    if isinstance(at, Path):
        raise StoreError(f"{VARIABLE}: found '{text}', expected an address such as s3://BUCKET/FOLDER")
    return at


def _remembered(folder: Path) -> Remote | None:
    try:
        return _address(json.loads((folder / MARKER).read_text(encoding="utf-8"))["at"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        raise StoreError(
            f'{folder / MARKER}: is damaged; write it anew as {{"at": "s3://BUCKET/FOLDER"}}, with the address where '
            "the photographs of this store are"
        ) from None


def checked(originals: Originals, name: str, sha256: str, photo: str) -> bytes:
    """Bytes of an original photograph, held against its SHA-256; `photo` is its name for people.

    Raises
    ------
    ValueError
        It is missing, cannot be reached, or is no longer what was kept.
    """
    again = "or add the photograph again on the screen Survey"
    try:
        data = originals.read(name)
    except OSError as error:
        if isinstance(error, RemoteError) and not error.missing:
            raise ValueError(f"{photo}: its original is elsewhere and cannot be had now: {error}") from None
        raise ValueError(
            f"{photo}: the kept photograph cannot be opened ({error.strerror}); bring {Path(name).name} back from a "
            f"backup, {again}"
        ) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        again = f"move {originals.place}/{name} away first, {again}" if originals.far else again
        raise ValueError(
            f"{photo}: the kept photograph has been changed since it was added (its SHA-256 differs); "
            f"bring it back from a backup, {again}"
        )
    return data
