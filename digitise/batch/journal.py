"""Readings of a run that has not ended, so that the next run goes on where this one stopped.

Beside the file that is to hold all readings lies ``FILE.part``: one line of JSON for each picture that is done, flushed
to disk at once. A line torn by a power loss is left out. The file itself is written whole or not at all.

A file in a bucket cannot be added to, so there ``FILE.part`` is a folder of pieces of a few lines, each under the
SHA-256 of what it holds: the same lines written twice are one piece. Runs of other readers have folders of their own.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Protocol

from digitise import whole
from digitise.batch import remote
from digitise.batch.remote import Remote

PIECE_LINES, PIECE_SECONDS = 50, 10.0  # a piece is written when either is reached


class Journal(Protocol):
    """Finished pictures by the SHA-256 of their bytes: an entry of the result file for each sheet in them (`done`).

    Those of earlier runs count only when they were written by the same reader with the same protocols, as `signature`
    says.
    """

    done: dict[str, list[dict]]

    def add(self, sha256: str, sheets: list[dict]) -> None:
        """Write down one finished picture."""

    def close(self, *, ended: bool) -> None:
        """Let go of it; it is deleted when the run has `ended`."""


def journal_beside(target: Path | Remote, signature: str) -> Journal:
    """The journal of the run that is to write `target`.

    Raises
    ------
    OSError
        The folder of `target` cannot be written in.
    """
    return _FileJournal(target, signature) if isinstance(target, Path) else _BucketJournal(target, signature)


class _FileJournal:
    def __init__(self, target: Path, signature: str) -> None:
        self.path = target.with_name(target.name + ".part")
        self.done = _lines(self.path, signature)
        kept = ({"sha256": sha256, "sheets": sheets} for sha256, sheets in self.done.items())
        write_whole(self.path, "".join(map(_line, ({"signature": signature}, *kept))))
        self._file = self.path.open("a", encoding="utf-8")

    def add(self, sha256: str, sheets: list[dict]) -> None:
        """Write down one finished picture."""
        if sha256 and sha256 not in self.done:
            self.done[sha256] = sheets
            self._file.write(_line({"sha256": sha256, "sheets": sheets}))
            self._file.flush()
            os.fsync(self._file.fileno())

    def close(self, *, ended: bool) -> None:
        """Let go of the file; it is deleted when the run has `ended`."""
        self._file.close()
        if ended:
            self.path.unlink(missing_ok=True)


class _BucketJournal:
    def __init__(self, target: Remote, signature: str) -> None:
        self._pieces = Remote(f"{target}.part") / hashlib.sha256(signature.encode()).hexdigest()[:16]
        self._head = _line({"signature": signature})
        self.done: dict[str, list[dict]] = {}
        for piece in remote.files_below(self._pieces):
            self.done |= _finished(remote.read(piece).decode(errors="replace"), signature)
        self._lines: list[str] = []
        self._since = time.monotonic()

    def add(self, sha256: str, sheets: list[dict]) -> None:
        """Note one finished picture, and write what was noted when it is enough."""
        if not sha256 or sha256 in self.done:
            return
        self.done[sha256] = sheets
        self._lines.append(_line({"sha256": sha256, "sheets": sheets}))
        if len(self._lines) >= PIECE_LINES or time.monotonic() - self._since > PIECE_SECONDS:
            self._write()

    def _write(self) -> None:
        data = "".join([self._head, *self._lines]).encode()
        remote.write_new(self._pieces / f"{hashlib.sha256(data).hexdigest()}.jsonl", data)
        self._lines.clear()
        self._since = time.monotonic()

    def close(self, *, ended: bool) -> None:
        """Write the rest, or remove all pieces when the run has `ended`."""
        if not ended:
            if self._lines:
                self._write()
            return
        for piece in remote.files_below(self._pieces):
            remote.remove(piece)


def _line(data: dict) -> str:
    return json.dumps(data, ensure_ascii=False) + "\n"


def _lines(path: Path, signature: str) -> dict[str, list[dict]]:
    try:
        return _finished(path.read_text(encoding="utf-8", errors="replace"), signature)
    except OSError:
        return {}


def _finished(text: str, signature: str) -> dict[str, list[dict]]:
    parsed = [one for one in map(_parsed, text.split("\n")) if one is not None]
    if not parsed or parsed[0].get("signature") != signature:
        return {}
    return {one["sha256"]: one["sheets"] for one in parsed[1:] if {"sha256", "sheets"} <= set(one)}


def _parsed(line: str) -> dict | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def write_whole(path: Path | Remote, text: str) -> None:
    """Write a text file, here or in a bucket, so that the old one or the new one is there, whole, at every moment."""
    if isinstance(path, Remote):
        remote.write(path, text.encode())
    else:
        whole.write_whole(path, text.encode())
