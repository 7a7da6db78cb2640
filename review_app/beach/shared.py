"""One answer for all who ask at the same time, so that a beach full of phones costs what one phone costs."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from digitise.store import Store

T = TypeVar("T")


class Shared(Generic[T]):
    """What `make` makes of a store, made by one thread at a time.

    Whoever asks while it is being made gets the next one, together with all others who came meanwhile: nobody gets what
    was begun before they asked, so nobody is told of yesterday.
    """

    def __init__(self, make: Callable[[Store], T]) -> None:
        self._make = make
        self._turn = threading.Condition()
        self._begun: dict[str, int] = {}  # by store: the number of the last one begun
        self._made: dict[str, tuple[int, T]] = {}
        self._busy: set[str] = set()

    def of(self, store: Store) -> T:
        """One that was begun after this call."""
        key = str(store.folder)
        with self._turn:
            wanted = self._begun.get(key, 0) + 1
            while key in self._busy and self._made.get(key, (0,))[0] < wanted:
                self._turn.wait()
            number, *made = self._made.get(key, (0,))
            if number >= wanted:
                return made[0]
            self._begun[key] = wanted = self._begun.get(key, 0) + 1
            self._busy.add(key)
        try:
            value = self._make(store)
        except BaseException:
            self._ended(key)
            raise
        self._ended(key, (wanted, value))
        return value

    def _ended(self, key: str, made: tuple[int, T] | None = None) -> None:
        with self._turn:
            if made is not None:
                self._made[key] = made
            self._busy.discard(key)
            self._turn.notify_all()
