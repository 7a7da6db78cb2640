"""Guessing made slow: after a few wrong tries a name, and the address they come from, wait longer each time."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from digitise.store.tries import Key, Tries, WrongTries

FREE = {"name": 5, "from": 20}  # wrong tries before there is any wait; many people may share an address
FIRST_SECONDS, LONGEST_SECONDS = 5, 900
FORGET = timedelta(hours=1)


class Throttle:
    """How long who tried wrongly has to wait; the tries are kept in the store, so that a restart changes nothing."""

    def __init__(self, tries: WrongTries) -> None:
        self._tries = tries

    def seconds_left(self, keys: Iterable[Key], *, now: datetime) -> int:
        """How long to wait before another try is looked at; 0 when it may be made now."""
        found = self._tries.of(keys, since=now - FORGET)
        return max((_left(key, tries, now) for key, tries in found.items()), default=0)

    def wrong(self, keys: Iterable[Key], *, now: datetime) -> None:
        """Count a wrong try."""
        self._tries.add(keys, now=now, since=now - FORGET)

    def right(self, key: Key) -> None:
        """Forget the wrong tries under one key."""
        self._tries.forget(key)


def _left(key: Key, tries: Tries, now: datetime) -> int:
    over = tries.wrong - FREE[key[0]]
    if over < 0:
        return 0
    wait = min(FIRST_SECONDS * 2 ** min(over, 20), LONGEST_SECONDS)
    passed = max(0.0, (now - tries.last).total_seconds())  # a clock put back makes nobody wait for longer
    return max(0, int(wait - passed + 0.999))
