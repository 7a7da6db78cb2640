"""What of the machine this program may use, against what the system was told."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system does not bind programs to cores")
def test_a_program_that_was_given_one_core_counts_one():
    """As `taskset` and batch systems give them, whatever the machine has; workers are as many."""
    text = (
        "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}); from digitise.machine import cores; "
        "from digitise.batch.batch import Reader, known_protocols; print(cores(), Reader(known_protocols())._workers._jobs)"
    )
    done = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1", "1"]
