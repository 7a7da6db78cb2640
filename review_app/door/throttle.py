"""Guessing made slow: after a few wrong tries a name, and the address they come from, wait longer each time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

FREE = {"name": 5, "from": 20}  # wrong tries before there is any wait; many people may share an address
FIRST_SECONDS, LONGEST_SECONDS = 5, 900
FORGET = timedelta(hours=1)
MOST_KEPT = 5000
Key = tuple[str, str]  # "name" or "from", and which


@dataclass(frozen=True, slots=True)
class _Tries:
    wrong: int
    last: datetime


class Throttle:
    """Counts wrong tries in memory; safe for several threads. A restart forgets them."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Key, _Tries] = OrderedDict()
        self._lock = threading.Lock()

    def seconds_left(self, keys: Iterable[Key], *, now: datetime) -> int:
        """How long to wait before another try is looked at; 0 when it may be made now."""
        with self._lock:
            return max((self._left(key, now) for key in keys), default=0)

    def wrong(self, keys: Iterable[Key], *, now: datetime) -> None:
        """Count a wrong try."""
        with self._lock:
            for key in keys:
                tries = self._of(key, now)
                self._kept[key] = _Tries(tries.wrong + 1 if tries else 1, now)
                self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)

    def right(self, key: Key) -> None:
        """Forget the wrong tries under one key."""
        with self._lock:
            self._kept.pop(key, None)

    def _of(self, key: Key, now: datetime) -> _Tries | None:
        tries = self._kept.get(key)
        return tries if tries and now - tries.last < FORGET else None

    def _left(self, key: Key, now: datetime) -> int:
        tries = self._of(key, now)
        over = (tries.wrong - FREE[key[0]]) if tries else -1
        if over < 0:
            return 0
        wait = min(FIRST_SECONDS * 2 ** min(over, 20), LONGEST_SECONDS)
        passed = max(0.0, (now - tries.last).total_seconds())  # a clock put back makes nobody wait for longer
        return max(0, int(wait - passed + 0.999))
