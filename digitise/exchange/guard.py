"""Text that no spreadsheet runs, and archives that are the same bytes for the same content."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Iterable
from io import SEEK_END
from pathlib import Path
from typing import IO

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_WHEN = (1980, 1, 1, 0, 0, 0)  # the first that ZIP knows


def guarded(value: object) -> object:
    """Text that a spreadsheet would run as a formula, with an apostrophe in front; anything else as it is.

    Text that already begins with apostrophes before such a sign gets one more, so that taking one away gives it back.
    """
    return f"'{value}" if isinstance(value, str) and value.lstrip("'").startswith(FORMULA_STARTS) else value


def write_zip(path: Path, files: Iterable[tuple[str, bytes | IO[bytes]]]) -> Path:
    """A ZIP file without the time it was made, from bytes and from files, which are read piece by piece."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files:
            entry = zipfile.ZipInfo(name, _WHEN)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            if isinstance(data, bytes):
                archive.writestr(entry, data)
                continue
            entry.file_size = data.seek(0, SEEK_END)
            data.seek(0)
            with archive.open(entry, "w") as packed:
                shutil.copyfileobj(data, packed)
    return path
