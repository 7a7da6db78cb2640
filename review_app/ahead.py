"""Results worked out ahead while people review, so that nobody waits for them: by another program, at low priority.

It brings the tables up to date that are kept beside the store (`digitise.results.kept`), shortly after the start, which
may be the first one with a new version, and then once a minute while something is added.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from contextlib import suppress

from digitise import log
from digitise.results.kept import make_ahead
from digitise.store import Store, StoreError
from digitise.store.marks import Mark, mark_now

FIRST_S, EVERY_S, LONGEST_S = 5.0, 60.0, 3600.0  # what fails is tried again after twice as long each time
NICENESS = 15


class Ahead:
    """The thread that looks whether something was added, and the program that works it out; `end` stops both."""

    def __init__(self, store: Store) -> None:
        self._store, self._stopped = store, threading.Event()
        self._thread = threading.Thread(target=self._run, name="ahead", daemon=True)

    def start(self) -> Ahead:
        """Begin to look."""
        self._thread.start()
        return self

    def end(self) -> None:
        """Stop, also in the middle of the work: what is done of it is kept."""
        self._stopped.set()
        self._thread.join()

    def _run(self) -> None:
        known: Mark | None = None
        pause, again = FIRST_S, EVERY_S
        while not self._stopped.wait(pause):
            pause = EVERY_S
            now = known
            with suppress(StoreError), self._store.database.read() as connection:
                now = mark_now(connection)
            if now != known:
                if self._worked_out():
                    known, again = now, EVERY_S
                else:
                    pause, again = again, min(2 * again, LONGEST_S)

    def _worked_out(self) -> bool:
        """Whether the program came to its end, and no other is at the same work."""
        command = [sys.executable, "-m", "review_app.ahead", str(self._store.folder)]
        try:
            program = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL)  # noqa: S603 - our own program, no shell
        except OSError as error:
            log.trouble("results-ahead", error)
            return False
        with program:
            while program.poll() is None:
                if self._stopped.wait(0.2):
                    program.terminate()
                    program.wait()
        log.note("results-ahead", ended=program.returncode)
        return program.returncode == 0


def main(folder: str) -> int:
    """What the program does; 0 when everything is worked out at its end. It ends when its input does."""
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    threading.Thread(target=_end_with_input, name="input", daemon=True).start()
    with Store.open(folder) as store:
        return 0 if make_ahead(store, jobs=1) else 1


def _end_with_input() -> None:
    """Screens that are stopped by a signal, or die, come to no end of their own; their pipe does."""
    os.read(0, 1)
    os._exit(1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
