"""Threads of one program take turns in the order in which they came; Python's own lock goes to whoever is quickest."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager


class Turns:
    """One turn at a time, handed from each to the one who has waited longest."""

    def __init__(self):
        self._lock, self._taken = threading.Lock(), False
        self._waiting: deque[threading.Event] = deque()

    @contextmanager
    def turn(self, seconds: float) -> Iterator[bool]:
        """Whether the turn came within so many seconds; it ends with the block."""
        came = self._wait(seconds)
        try:
            yield came
        finally:
            if came:
                self._pass_on()

    def _wait(self, seconds: float) -> bool:
        with self._lock:
            if not self._taken:
                self._taken = True
                return True
            mine = threading.Event()
            self._waiting.append(mine)
        if mine.wait(seconds):
            return True
        with self._lock:
            if mine.is_set():  # it came just now
                return True
            self._waiting.remove(mine)
            return False

    def _pass_on(self) -> None:
        with self._lock:
            if self._waiting:
                self._waiting.popleft().set()
            else:
                self._taken = False
