"""Readings of a run that has not ended, so that the next run goes on where this one stopped.

Beside the file that is to hold all readings lies ``FILE.part``: one line of JSON for each picture that is done, flushed
to disk at once. A line torn by a power loss is left out. The file itself is written whole or not at all.
"""

from __future__ import annotations

import json
import os
from pathlib import Path


class Journal:
    """Finished pictures by the SHA-256 of their bytes: an entry of the result file for each sheet in them.

    Lines count only when they were written by the same reader with the same protocols, as `signature` says.

    Raises
    ------
    OSError
        The folder of `target` cannot be written in.
    """

    def __init__(self, target: Path, signature: str) -> None:
        self.path = target.with_name(target.name + ".part")
        self.done = _lines(self.path, signature)
        self._file = self.path.open("w", encoding="utf-8")
        self._write({"signature": signature})
        for sha256, sheets in self.done.items():
            self._write({"sha256": sha256, "sheets": sheets}, now=False)

    def add(self, sha256: str, sheets: list[dict]) -> None:
        """Write down one finished picture."""
        if sha256 and sha256 not in self.done:
            self.done[sha256] = sheets
            self._write({"sha256": sha256, "sheets": sheets})

    def _write(self, line: dict, *, now: bool = True) -> None:
        self._file.write(json.dumps(line, ensure_ascii=False) + "\n")
        if now:
            self._file.flush()
            os.fsync(self._file.fileno())

    def close(self, *, ended: bool) -> None:
        """Let go of the file; it is deleted when the run has `ended`."""
        self._file.close()
        if ended:
            self.path.unlink(missing_ok=True)


def _lines(path: Path, signature: str) -> dict[str, list[dict]]:
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return {}
    parsed = [one for one in map(_parsed, lines) if one is not None]
    if not parsed or parsed[0].get("signature") != signature:
        return {}
    return {one["sha256"]: one["sheets"] for one in parsed[1:] if {"sha256", "sheets"} <= set(one)}


def _parsed(line: str) -> dict | None:
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def write_whole(path: Path, text: str) -> None:
    """Write a file so that at every moment the old one or the new one is there, whole."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with draft.open("w", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
