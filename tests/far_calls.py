"""Calls for a cluster in tests: a module of its own, since every process of the cluster loads it."""

from __future__ import annotations

import os
import signal
import time


def nothing() -> None:
    """What a worker has to know before it starts."""


def later(_context: None, seconds: float) -> float:
    """Sleep, and say how long."""
    time.sleep(seconds)
    return seconds


def breaks(_context: None, how: str) -> str:
    """Die or raise, or come to nothing worse than an answer."""
    if how == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if how == "raises":
        raise KeyError(how)
    return how
