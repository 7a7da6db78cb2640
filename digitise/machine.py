"""What of the machine this program may use."""

from __future__ import annotations

import os


def cores() -> int:
    """How many cores: those that it was given, which may be fewer than there are."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
