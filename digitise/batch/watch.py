"""A folder into which photographs still come: a file is ready when it has stopped growing."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

QUIET_S = 3.0
_State = tuple[int, int]  # size in bytes, time of the last change in nanoseconds


class Watch:
    """Which files are ready, each once. A file that changes after it was ready becomes ready again."""

    def __init__(self, quiet_s: float = QUIET_S) -> None:
        self._quiet_s = quiet_s
        self._given: dict[Path, _State] = {}
        self._since: dict[Path, tuple[_State, float]] = {}

    def ready(self, files: Iterable[Path], *, now: float) -> list[Path]:
        """Those of `files` that have not changed for `quiet_s` seconds; `now` is any clock that only goes forward.

        A file that has gone meanwhile is left out.
        """
        out = []
        for path in files:
            state = _state(path)
            if state is None or self._given.get(path) == state:
                continue
            before, since = self._since.get(path, (None, now))
            if before != state:
                self._since[path] = (state, now)
            elif now - since >= self._quiet_s:
                self._given[path] = state
                del self._since[path]
                out.append(path)
        return out


def _state(path: Path) -> _State | None:
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_size, about.st_mtime_ns
