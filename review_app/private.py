"""A small file that nobody but its owner can read, at any moment, and that is there whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_private(file: Path, text: str) -> None:
    """Write it by way of a file beside it; `OSError` when that cannot be, and what was there before stays."""
    beside = file.with_suffix(".new")
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as out:
        out.write(text)
    beside.replace(file)
