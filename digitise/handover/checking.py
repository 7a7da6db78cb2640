"""Whether a package is whole and unchanged, and which hand-over it belongs to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from digitise.exchange.bag import read_manifest, sha256_of
from digitise.handover.package import CHECKSUMS
from digitise.store.handovers import HandOver


def check_package(folder: Path, records: Sequence[HandOver] | None) -> tuple[list[str], HandOver | None]:
    """(everything wrong with a package in words, the record that it belongs to or None).

    `records` are what the sender's store noted; None for a receiver, who has only the package.
    """
    path = folder / CHECKSUMS
    if not path.is_file():
        return [f"{folder}: holds no {CHECKSUMS}, so it is no package"], None
    digest = sha256_of(path)
    record = next((h for h in records or () if h.digest == digest), None)
    named_files, wrong = read_manifest(path, payload=False)
    for name, sha256 in named_files.items():
        file = folder / name
        if file.is_symlink() or not file.is_file():
            wrong.append(f"{name}: is missing")
        elif sha256_of(file) != sha256:
            wrong.append(f"{name}: has been changed since the package was made")
    for file in sorted(p for p in folder.rglob("*") if p.is_file() and p != path):
        if file.relative_to(folder).as_posix() not in named_files:
            wrong.append(f"{file.relative_to(folder).as_posix()}: was added after the package was made")
    if records is not None and record is None:
        wrong.append(f"{CHECKSUMS}: is not the list of any hand-over that this store knows")
    return wrong, record
