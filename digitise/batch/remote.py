"""Files on other machines: addresses such as ``s3://reefs/season-2026/``, reached through fsspec.

An address names no key and no passphrase: buckets take those from where their own tools look for them (for S3 the
variables ``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY`` and ``AWS_ENDPOINT_URL``, or ``~/.aws``). What another
machine answers is never shown as it is, since it may repeat what it was sent; whatever goes wrong is a `RemoteError`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)
_S3 = {"config_kwargs": {"connect_timeout": 5, "read_timeout": 30, "retries": {"max_attempts": 1}}}
_S3_TRIES = 2  # and what cannot be connected to or answers that it is busy is asked so often


class RemoteError(OSError):
    """A file elsewhere that cannot be had or written: which, why, and what to do. `missing` when it is not there."""

    def __init__(self, text: str, *, missing: bool = False) -> None:
        super().__init__(text)
        self.strerror, self.missing = text, missing


@dataclass(frozen=True, slots=True, order=True)
class Remote:
    """A file or folder elsewhere, by its address without a slash at the end."""

    url: str

    def __str__(self) -> str:
        return self.url

    def __truediv__(self, inside: str) -> Remote:
        return Remote(f"{self.url}/{inside}")

    @property
    def name(self) -> str:
        """The last part of the address."""
        return self.url.rsplit("/", 1)[-1]

    @property
    def suffix(self) -> str:
        """As that of a `Path`."""
        return PurePosixPath(self.name).suffix


def place(text: str) -> Path | Remote:
    """What somebody named: a file or folder of this machine, or an address.

    Raises
    ------
    RemoteError
        The address holds a passphrase, or is of a kind that is not taken.
    """
    scheme = _ADDRESS.match(text)
    if not scheme:
        return Path(text)
    host = text[scheme.end() :].split("/", 1)[0]
    if "@" in host:
        raise RemoteError(
            f"{scheme[0]}…: addresses hold no keys, since they are shown and kept; give the keys by the environment, "
            "such as AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"
        )
    if "::" in text or "?" in text or not host:
        raise RemoteError(f"{text.split('?')[0]}: expected an address such as s3://BUCKET/FOLDER")
    return Remote(text.rstrip("/"))


def read(remote: Remote, most: int | None = None) -> bytes:
    """The bytes of a file, or its first `most`."""
    with _reached(remote) as (system, path):
        if most is None:
            return system.cat_file(path)
        return system.cat_file(path, start=0, end=min(most, _size(system, path)))


def size(remote: Remote) -> int:
    """The size of a file in bytes."""
    with _reached(remote) as (system, path):
        return _size(system, path)


def _size(system, path: str) -> int:
    about = system.info(path)
    if about["type"] != "file":
        raise FileNotFoundError(path)
    return int(about["size"] or 0)


def write_new(remote: Remote, data: bytes) -> bool:
    """Write a file that is not there yet, whole or not at all; False when there is one, which stays as it is."""
    with _reached(remote) as (system, path):
        try:
            system.pipe_file(path, data, mode="create")
        except FileExistsError:
            return False
    return True


def write(remote: Remote, data: bytes) -> None:
    """Write a file; at every moment the old one or the new one is there, whole, as far as the server can."""
    with _reached(remote) as (system, path):
        system.pipe_file(path, data)


def remove(remote: Remote) -> None:
    """Remove a file; one that is not there is no trouble."""
    with _reached(remote) as (system, path):
        if system.exists(path):
            system.rm_file(path)


def files_below(remote: Remote) -> list[Remote]:
    """Every file whose address begins with this folder's, or that a pattern with * stands for, or the file itself.

    In the order in which a folder of this machine is listed; none when there is none.
    """
    with _reached(remote) as (system, path):
        matched = system.glob(path) if any(sign in path for sign in "*[") else [path]
        found = {file for one in matched for file in system.find(one)}
        return [Remote(system.unstrip_protocol(file)) for file in sorted(found, key=lambda f: PurePosixPath(f).parts)]


@contextmanager
def _reached(remote: Remote) -> Iterator[tuple]:
    """(file system, path in it); what goes wrong inside comes out in words."""
    try:
        yield _opened(remote.url)
    except RemoteError:
        raise
    except Exception as error:  # botocore's, aiohttp's, fsspec's and the system's own
        said = _words(error)
        missing = isinstance(error, FileNotFoundError)
        raise RemoteError(f"{remote}: {said}", missing=missing) from None


def _opened(url: str) -> tuple:
    try:
        import fsspec
    except ImportError:
        raise RemoteError(f"{url}: files elsewhere need fsspec: pip install 'digitise[bucket]'") from None
    scheme = url.split("://", 1)[0].lower()
    settings = {"use_listings_cache": False} | (_S3 if scheme in ("s3", "s3a") else {})
    try:
        system, path = fsspec.core.url_to_fs(url, **settings)
    except ImportError:
        extra = "'digitise[bucket]'" if scheme in ("s3", "s3a") else f"fsspec's package for {scheme}://"
        raise RemoteError(f"{url}: cannot be reached from here yet: pip install {extra}") from None
    except ValueError:
        raise RemoteError(f"{url}: '{scheme}://' is unknown; expected an address such as s3://BUCKET/FOLDER") from None
    if hasattr(system, "retries"):
        system.retries = _S3_TRIES
    return system, path


_REFUSED: tuple[tuple[Callable[[Exception], bool], str], ...] = (
    (lambda e: isinstance(e, FileNotFoundError), "is not there; look whether the address is right"),
    (
        lambda e: isinstance(e, PermissionError) or "Credential" in type(e).__name__,
        "may not be used with the keys that this machine has; ask whoever looks after it, or set other keys",
    ),
    (lambda e: isinstance(e, NotImplementedError), "cannot be used so; its server has no such service"),
)


def _words(error: Exception) -> str:
    for is_it, words in _REFUSED:
        if is_it(error):
            return words
    return f"cannot be reached ({type(error).__name__}); look whether network and server are there, then try again"
