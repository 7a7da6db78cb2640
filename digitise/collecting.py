"""Python's search for cycles, put off where millions of small things are made that have none."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


@contextlib.contextmanager
def collecting_less() -> Iterator[None]:
    """Python looks through all it holds for cycles far less often: a survey's tens of thousands of cells have none."""
    usual = gc.get_threshold()
    gc.set_threshold(max(1_000_000, usual[0]), *usual[1:])
    try:
        yield
    finally:
        gc.set_threshold(*usual)
