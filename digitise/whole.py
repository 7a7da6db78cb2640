"""Files that are there whole or not at all."""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that at every moment the old one or the new one is there, whole; `OSError` names it."""
    draft = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}")
    try:
        with draft.open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        draft.replace(path)
    except OSError as error:  # of the file that was asked for, whatever it is called until it is whole
        raise OSError(error.errno, error.strerror, str(path)) from None
    finally:
        with suppress(OSError):
            draft.unlink()
