"""Python's search for cycles, put off where millions of small things are made that have none."""

from __future__ import annotations

import contextlib
import gc
import threading
from collections.abc import Iterator

RARELY = 1_000_000  # things made between two searches
_lock = threading.Lock()
_inside = 0
_usual: tuple[int, int, int] = gc.get_threshold()


@contextlib.contextmanager
def collecting_less() -> Iterator[None]:
    """Python looks through all it holds for cycles far less often: a survey's tens of thousands of cells have none.

    Threads may be in here at once; when the last one leaves, all is as it was before the first.
    """
    global _inside, _usual
    with _lock:
        if _inside == 0:
            _usual = gc.get_threshold()
            gc.set_threshold(RARELY, *_usual[1:])
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                gc.set_threshold(*_usual)
