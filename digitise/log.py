"""What the programs at a store did and where they broke, for whoever mends them: ``FOLDER/log.jsonl``.

One JSON object a line. It names no person, site, file or value: photographs go by the first letters of their SHA-256,
errors by their type and the lines of code they came through, never by their text, which may repeat what was typed.
"""

from __future__ import annotations

import json
import logging
import os
import re
import traceback
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path

from digitise import __version__

FILE = "log.jsonl"
MOST_BYTES, OLDER_FILES = 1_000_000, 2
MOST_FRAMES = 12
_LOGGER = logging.getLogger("digitise")
_LOGGER.addHandler(logging.NullHandler())  # until there is a folder
_BELOW = re.compile(
    r".*(?:site-packages|dist-packages|python3\.\d+)[/\\]|.*[/\\](?=(?:digitise|review_app)[/\\])|.*[/\\]"
)


def keep(folder: Path) -> None:
    """Keep the log of this process in a store's folder from now on; what cannot be written is left out."""
    for old in list(_LOGGER.handlers):
        _LOGGER.removeHandler(old)
        old.close()
    lines = _Lines(folder / FILE, maxBytes=MOST_BYTES, backupCount=OLDER_FILES, encoding="utf-8", delay=True)
    lines.setFormatter(_Formatter())
    _LOGGER.addHandler(lines)
    _LOGGER.setLevel(logging.INFO)
    _LOGGER.propagate = False


def note(event: str, **facts: str | float | None) -> None:
    """Note that something happened; `facts` hold nothing that a person wrote."""
    _LOGGER.info(event, extra={"facts": facts})


def trouble(event: str, error: BaseException, **facts: str | float | None) -> None:
    """Note an error that nobody expected."""
    _LOGGER.error(event, exc_info=error, extra={"facts": facts})


class _Lines(RotatingFileHandler):
    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's own name
        """A full disk stops no work for the sake of a log."""


class _Formatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        line = {"at": at, "version": __version__, "process": os.getpid(), "event": record.msg, **record.facts}
        if record.exc_info:
            error = record.exc_info[1]
            line |= {"error": type(error).__name__, "through": _frames(error)}
        return json.dumps(line, ensure_ascii=False)


def _frames(error: BaseException) -> list[str]:
    """The last lines of code that an error came through, without where this computer keeps them."""
    frames = traceback.extract_tb(error.__traceback__)[-MOST_FRAMES:]
    return [f"{_BELOW.sub('', f.filename, count=1)}:{f.lineno} {f.name}" for f in frames]


def troubles(folder: Path) -> int | None:
    """How many errors the log of a store holds; None where there is no log."""
    try:
        lines = (folder / FILE).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return None
    return sum('"error": ' in line for line in lines)
