"""Files that lie beside a store's rows: plans, own protocols and thresholds, what the reader learned, earlier results,
the policy by which photographs go, and packages that were handed over.

A backup holds them under their SHA-256 and lists their names, so that none is ever written over; a restore puts those
of the list back, each held against its hash. Names on a list may be a stranger's, and are checked.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from digitise.store.files import write_once
from digitise.store.rows import StoreError

HELD = "beside"  # in a backup: files under their SHA-256
_FILES = ("acceptance.json", "learned.json", "retention.yaml")
_FOLDERS = ("plans", "protocols", "earlier", "learned", "handovers")
RECORD = "backup.json"
_PART = r"[^./\\\0][^/\\\0]*"  # one that begins with a full stop is hidden, half written, or leads elsewhere
_OURS = re.compile(
    rf"{'|'.join(map(re.escape, _FILES))}|(?:plans|protocols)/{_PART}\.yaml|(?:earlier|learned)/{_PART}\.json"
    rf"|handovers/(?!{_PART}\.incoming/){_PART}(?:/{_PART})*"
)
_SHA256 = re.compile("[0-9a-f]{64}")
_MOST_BYTES = 64_000_000  # of a list; one of 100,000 files has 15 million
WITHOUT = (
    "this backup is from before plans, own protocols, thresholds, earlier results and what the reader learned were in "
    "it; copy these files yourself"
)


def names(folder: Path) -> Iterator[str]:
    """Names below a store's folder, such as ``plans/spring.yaml``, in order; links are left out."""
    found = (folder / name for name in _FILES), *((folder / name).rglob("*") for name in _FOLDERS)
    files = (p.relative_to(folder).as_posix() for p in chain(*found) if p.is_file() and not p.is_symlink())
    yield from sorted(name for name in files if _OURS.fullmatch(name))


def copy_out(folder: Path, out: Path) -> tuple[dict[str, str], int, list[str]]:
    """Copy a store's files into a backup; (SHA-256 by name, how many are new in it, what could not be copied)."""
    files, copied, problems = {}, 0, []
    for name in names(folder):
        try:
            data = (folder / name).read_bytes()
        except OSError as error:
            problems.append(f"{name}: could not be read ({error.strerror})")
            continue
        files[name] = hashlib.sha256(data).hexdigest()
        target = out / HELD / files[name]
        copied += not target.exists()
        write_once(target, data, incoming=out / "incoming")
    return files, copied, problems


def bring_back(source: Path, folder: Path) -> tuple[str, list[str], list[str]]:
    """Put the files of a backup into a new store's folder; (head that the backup had, problems, notes).

    `StoreError` where one cannot be written.
    """
    try:
        record = _record(source / RECORD)
    except ValueError as error:
        return "", [f"{RECORD} {error}, so it is not known which files lay beside the store: look into {HELD}/"], []
    listed, problems = record.get("files"), []
    for name, sha256 in (listed or {}).items():
        held = source / HELD / sha256
        if not _OURS.fullmatch(name) or not _SHA256.fullmatch(sha256) or held.is_symlink():
            problems.append(f"{RECORD}: '{name[:80]}' is not the name of a store's file, so it was not brought back")
            continue
        try:
            data = held.read_bytes()
        except OSError as error:
            problems.append(f"{name}: not in the backup ({error.strerror}); bring {HELD}/{sha256} back from another")
            continue
        if hashlib.sha256(data).hexdigest() != sha256:
            problems.append(f"{name}: was changed in the backup, so it was not brought back")
            continue
        try:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(data)
        except OSError as error:
            raise StoreError(f"{name}: could not be written ({error.strerror}); make room and restore again") from None
    return record["head"], problems, [] if listed is not None else [WITHOUT]


def _record(path: Path) -> dict:
    """What ``backup.json`` says; `ValueError` with the end of a sentence when it cannot be used."""
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError
        record = json.loads(path.read_text(encoding="utf-8"))
        files = record.get("files") or {}
        if not isinstance(record["head"], str) or not all(isinstance(one, str) for one in files.values()):
            raise ValueError
    except OSError as error:
        raise ValueError(f"cannot be read ({error.strerror})") from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise ValueError("makes no sense") from None
    return record
