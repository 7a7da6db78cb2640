"""Kept photographs are decoded in a process of their own, bounded in memory and time, as they are when they are read.

A refused photograph is kept, and looked at again in the screens; one that breaks its decoder must not break them. The
process is started when first needed and stays for the next photograph.
"""

from __future__ import annotations

import threading

from digitise.batch.workers import Workers
from digitise.pages.photo import NotAPhoto, Photo, decode_photo

SECONDS, MEGABYTES = 20.0, 1000


class Decoder:
    """One process that decodes photographs, one after another; safe for several threads."""

    def __init__(self, *, seconds: float = SECONDS, megabytes: int = MEGABYTES) -> None:
        self._lock = threading.Lock()
        self._workers = Workers(1, _nothing_to_prepare, seconds=seconds, megabytes=megabytes)

    def decode(self, data: bytes, sha256: str) -> Photo | NotAPhoto:
        """As `digitise.pages.photo.decode_photo`; what needs too much of anything is a `NotAPhoto` too."""
        with self._lock:
            found = next(self._workers.map(_decoded, [(data, sha256)]))
        return found if isinstance(found, Photo | NotAPhoto) else NotAPhoto(sha256, sha256, "damaged", found.why)

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._workers.__exit__()


def _nothing_to_prepare() -> None:
    return None


def _decoded(_context: object, given: tuple[bytes, str]) -> Photo | NotAPhoto:
    return decode_photo(*given)


_decoder = Decoder()
decode = _decoder.decode
