"""Files are written in a folder of their own and moved into place whole: what is killed leaves none half written.

Others may export into the same place at the same moment. Whose files are mixed with another's is told so.
"""

from __future__ import annotations

import secrets
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from glob import escape
from pathlib import Path

UNFINISHED = ".incoming"  # the end of the name of a folder that is not whole yet
A_DAY_S = 86_400


@contextmanager
def fresh_beside(target: Path) -> Iterator[Path]:
    """A new folder beside `target`, nobody else's; gone afterwards, and what was left by programs killed long ago."""
    for old in target.parent.glob(f"{escape(target.name)}.{'[0-9a-f]' * 6}{UNFINISHED}"):
        with suppress(FileNotFoundError):  # another program takes it away too
            if time.time() - old.stat().st_mtime > A_DAY_S:
                shutil.rmtree(old, ignore_errors=True)
    fresh = target.with_name(f"{target.name}.{secrets.token_hex(3)}{UNFINISHED}")
    fresh.mkdir(parents=True)
    try:
        yield fresh
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def moved_into(folder: Path, fresh: Path, files: Sequence[Path]) -> list[Path]:
    """Move `files` of the folder `fresh` to the same places in `folder`, over older ones; returns where they are.

    Raises
    ------
    ValueError
        Another program moved its files there meanwhile, so that some are its and some ours. Whichever of the two looks
        last finds that out.
    """
    placed = [folder / file.relative_to(fresh) for file in files]
    own = []
    for file, place in zip(files, placed, strict=True):
        place.parent.mkdir(parents=True, exist_ok=True)
        own.append(_which(file))
        file.replace(place)
    if [_which(place) for place in placed] != own:
        raise ValueError(
            f"{folder}: another export wrote into it at the same moment, so its files are not of one export. Export "
            "again, or into another folder"
        )
    return placed


def _which(file: Path) -> tuple[int, int] | None:
    """Which file this is, whatever its name."""
    try:
        about = file.stat()
    except FileNotFoundError:
        return None
    return about.st_dev, about.st_ino
