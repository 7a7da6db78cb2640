"""Photographs on their way from a phone, in pieces: a broken upload goes on where it stopped.

``FOLDER/phones/ID.part`` holds the bytes so far, ``ID.json`` the name and size that were announced. A piece counts
only when it starts exactly where the last one ended.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from digitise.pages.photo import MAX_BYTES
from digitise.store import Store, StoreError

MAX_PIECE = 2_000_000
MOST_UNFINISHED = 300
_locks = [threading.Lock() for _ in range(64)]  # by upload: keeping a photograph may take long, and others go on


class NotTaken(ValueError):  # noqa: N818 - it is an answer with a sentence
    """A piece was not taken; the text says why."""


@dataclass(frozen=True, slots=True)
class Part:
    """A photograph that has arrived in part: bytes `have` of `size`."""

    id: str
    name: str
    size: int
    have: int


def _files(store: Store, upload: str) -> tuple[Path, Path]:
    if not re.fullmatch(r"[0-9a-f]{16,40}", upload):
        raise NotTaken("The photograph came in a form that is not understood; add it again after reloading the page.")
    folder = store.folder / "phones"
    return folder / f"{upload}.part", folder / f"{upload}.json"


def have(store: Store, upload: str) -> int:
    """Bytes that have arrived."""
    data, _ = _files(store, upload)
    return data.stat().st_size if data.exists() else 0


def unfinished(store: Store) -> list[Part]:
    """Photographs that are here in part only."""
    return list(_unfinished(store.folder / "phones"))


def _unfinished(folder: Path) -> Iterator[Part]:
    for file in sorted(folder.glob("*.json")):
        try:
            said = json.loads(file.read_text("utf-8"))
            yield Part(file.stem, str(said["name"]), int(said["size"]), file.with_suffix(".part").stat().st_size)
        except (OSError, ValueError, KeyError, TypeError):
            continue


def add(store: Store, upload: str, piece: bytes, *, at: int, size: int, name: str, now: datetime) -> tuple[int, str]:
    """Add one piece; returns (bytes here, SHA-256 of the kept photograph or "" while some are missing).

    Raises
    ------
    NotTaken
        Too large, or the laptop has no room left. A piece out of place is not an error: the answer says how many bytes
        are here, and the phone goes on from there.
    """
    data, about = _files(store, upload)
    if not 0 < size <= MAX_BYTES:
        raise NotTaken(f"The file has {size / 1e6:.0f} MB; photographs of up to {MAX_BYTES / 1e6:.0f} MB are taken.")
    with _locks[int(upload[:8], 16) % len(_locks)]:
        try:
            here = _append(data, about, piece, at=at, size=size, name=name)
            if here < size:
                return here, ""
            digest = store.keep_photo(data.read_bytes(), name, now=now)
        except OSError as error:
            raise NotTaken(
                f"The laptop could not store it ({error.strerror}); make room there, then send it again."
            ) from None
        except StoreError as error:
            raise NotTaken(f"The laptop could not store it: {error}.") from None
        about.unlink(missing_ok=True)
        data.unlink(missing_ok=True)
        return size, digest


def _append(data: Path, about: Path, piece: bytes, *, at: int, size: int, name: str) -> int:
    data.parent.mkdir(exist_ok=True)
    here = data.stat().st_size if data.exists() else 0
    if not data.exists() and sum(1 for _ in data.parent.glob("*.part")) >= MOST_UNFINISHED:
        raise NotTaken("Too many photographs are here in part only; finish those first, or clear them at the laptop.")
    if at != here or here + len(piece) > size:
        return here
    if not about.exists():
        about.write_text(json.dumps({"name": name[:200], "size": size}), "utf-8")
    with data.open("ab") as out:
        out.write(piece)
    return here + len(piece)
