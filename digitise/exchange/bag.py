"""A folder that proves itself: BagIt 1.0 (RFC 8493) with SHA-256, written and checked.

Nothing in a bag that is checked is trusted: names must stay inside its payload, links are refused, and a file that no
manifest names is as wrong as one that is missing.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_LINE = re.compile(r"([0-9a-f]{64})  ?(\S.*)")


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, read piece by piece."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def seal(folder: Path, info: Mapping[str, str]) -> list[Path]:
    """Write declaration, information and manifests around what lies in ``data/``; returns the files written."""
    payload = sorted(p for p in (folder / "data").rglob("*") if p.is_file())
    size = sum(p.stat().st_size for p in payload)
    lines = {**info, "Payload-Oxum": f"{size}.{len(payload)}"}
    texts = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": "".join(f"{k}: {' '.join(v.split())}\n" for k, v in lines.items()),
        "manifest-sha256.txt": manifest_lines(folder, payload),
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    tags = folder / "tagmanifest-sha256.txt"
    tags.write_text(manifest_lines(folder, [folder / n for n in sorted(texts)]), encoding="utf-8", newline="\n")
    return [*(folder / n for n in texts), tags]


def manifest_lines(folder: Path, files: list[Path]) -> str:
    """A line with SHA-256 and name, relative to `folder`, for each file; `sha256sum --check` reads it too."""
    return "".join(f"{sha256_of(p)}  {_encoded(p.relative_to(folder).as_posix())}\n" for p in files)


def _encoded(name: str) -> str:
    """Line breaks and per cent signs in names, as RFC 8493 section 2.1.3 has them."""
    return name.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def _decoded(name: str) -> str:
    return name.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")


def faults(folder: Path) -> list[str]:
    """Everything wrong with a bag, in words; empty when every file is there and is what was sealed."""
    if not (folder / "bagit.txt").is_file():
        return [f"{folder}: holds no bagit.txt, so it is no evidence folder"]
    if (folder / "bagit.txt").read_text(encoding="utf-8", errors="replace").replace("\r\n", "\n") != DECLARATION:
        return [f"{folder / 'bagit.txt'}: found another declaration, expected BagIt-Version: 1.0 in UTF-8"]
    out: list[str] = [
        f"{p.relative_to(folder)}: is a link; expected a file" for p in folder.rglob("*") if p.is_symlink()
    ]
    if out:
        return out
    named = {}
    for manifest, inside in (("manifest-sha256.txt", True), ("tagmanifest-sha256.txt", False)):
        entries, wrong = read_manifest(folder / manifest, payload=inside)
        out += wrong
        named |= entries
    for name, digest in named.items():
        path = folder / name
        if not path.is_file():
            out.append(f"{name}: is missing")
        elif sha256_of(path) != digest:
            out.append(f"{name}: has been changed since it was sealed (its SHA-256 differs)")
    for path in sorted(p for p in (folder / "data").rglob("*") if p.is_file()):
        if path.relative_to(folder).as_posix() not in named:
            out.append(f"{path.relative_to(folder).as_posix()}: is in no manifest; it was added later")
    out += [f"{n}: is in no manifest" for n in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt") if n not in named]
    return out


def read_manifest(path: Path, *, payload: bool) -> tuple[dict[str, str], list[str]]:
    """({name: digest}, faults). Payload names lie in ``data/``; names of the other manifest lie beside it."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return {}, [f"{path.name}: is missing or not readable"]
    entries, wrong = {}, []
    for number, line in enumerate(lines, start=1):
        found = _LINE.fullmatch(line)
        name = _decoded(found[2]) if found else ""
        parts = PurePosixPath(name).parts
        safe = bool(parts) and not name.startswith("/") and ".." not in parts and "\\" not in name and "\0" not in name
        if not safe or (parts[0] == "data") != payload or (payload and len(parts) < 2):
            wrong.append(f"{path.name}, line {number}: expected a SHA-256 and a file inside the evidence")
        elif name in entries:
            wrong.append(f"{path.name}, line {number}: {name} is named twice")
        else:
            entries[name] = found[1]
    return entries, wrong
