"""Things put away on disk while many are worked on, so that memory holds few of them at a time.

They lie on the disk that the output goes to, which has to have room for as much (`on_disk_of`), not in the system's
folder for temporary files, which may be small or in memory; there only where nothing may be written beside the output.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import pickle  # only what was written a moment ago into a file without a name  # nosec B403
import tempfile
import zlib
from collections.abc import Callable, Hashable, Iterator
from contextvars import ContextVar
from dataclasses import fields, is_dataclass
from functools import cache
from operator import attrgetter
from pathlib import Path
from typing import IO

_folder: ContextVar[Path | None] = ContextVar("where files without a name lie", default=None)
FULL = (errno.ENOSPC, errno.EDQUOT)
_FAST = 1  # zlib's level: a third of the room for a millisecond a survey


@contextlib.contextmanager
def on_disk_of(out: Path) -> Iterator[None]:
    """Files without a name that are begun in here lie on the disk of `out`, whether that is there already or not.

    An `OSError` because that disk is full names its folder, as one about a file with a name does.
    """
    before = _folder.set(next(p for p in (out, *out.absolute().parents) if p.is_dir()))
    try:
        yield
    except OSError as error:
        place = _folder.get()
        if place is None or error.filename is not None or error.errno not in FULL:
            raise
        raise OSError(error.errno, error.strerror, str(place)) from error
    finally:
        _folder.reset(before)


def nameless_file() -> IO[bytes]:
    """A file to write and read, which goes when it is closed."""
    place = _folder.get()
    if place is not None and not os.access(place, os.W_OK):
        _folder.set(None)
    return tempfile.TemporaryFile(prefix="digitise-", dir=_folder.get())


class _Pickler(pickle.Pickler):
    """Looks up the fields of a dataclass once, not for every object: results have thousands."""

    def reducer_override(self, value: object) -> object:
        if not is_dataclass(value) or isinstance(value, type):
            return NotImplemented
        return _made, (type(value), *_fields(type(value))(value))


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


@cache
def _fields(kind: type) -> Callable[[object], tuple]:
    names = _names(kind)
    return attrgetter(*names) if len(names) > 1 else lambda value: tuple(getattr(value, n) for n in names)


def _made(kind: type, *values: object) -> object:
    """The object with these fields, as it was: nothing is checked again."""
    made = object.__new__(kind)
    for name, value in zip(_names(kind), values, strict=True):
        object.__setattr__(made, name, value)
    return made


class Spool:
    """Values by key in a temporary file, which goes with this object."""

    def __init__(self) -> None:
        self._file = nameless_file()
        self._places: dict[Hashable, tuple[int, int]] = {}

    def __del__(self) -> None:
        self._file.close()

    def put(self, key: Hashable, data: bytes) -> None:
        """Put bytes away; what a key held before is given out no more."""
        packed = zlib.compress(data, _FAST)
        self._places[key] = (self._file.seek(0, io.SEEK_END), len(packed))
        self._file.write(packed)

    def get(self, key: Hashable) -> bytes:
        """The same bytes; `KeyError` when there are none of this key."""
        start, many = self._places[key]
        self._file.seek(start)
        return zlib.decompress(self._file.read(many))

    def put_object(self, key: Hashable, value: object) -> None:
        """Put any object away."""
        out = io.BytesIO()
        _Pickler(out, pickle.HIGHEST_PROTOCOL).dump(value)
        self.put(key, out.getvalue())

    def get_object(self, key: Hashable) -> object:
        """An equal object; `KeyError` when there is none of this key."""
        return pickle.loads(self.get(key))  # noqa: S301 - see above  # nosec B301
