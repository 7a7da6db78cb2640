"""Tables of many surveys, worked out on all cores: so many programs of our own, each given a part's packs at a time.

The parts are the same however many programs there are, and so is every number in them. A program that breaks down, or
cannot be started, leaves its packs to this one. They are programs of their own, not `multiprocessing`, which would run
a person's script again in each.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue

from digitise.collecting import collecting_less
from digitise.machine import cores
from digitise.results import parts
from digitise.results.parts import Part, tables_of, written
from digitise.results.results import survey_results
from digitise.store import Store
from digitise.store.engine import VARIABLE
from digitise.surveys.survey import iter_surveys, without_marks

ENOUGH = 600  # packs from which on other programs, which take a second to start, are worth it
MOST = 8  # programs, of some 300 MB each
_BEGIN = "import sys; sys.path[:] = sys.argv[4:]; from digitise.results.cores import serve; serve(*sys.argv[1:4])"


def made_parts(
    store: Store, packs: Sequence[str], home: Path, *, level: float, jobs: int | None = None
) -> Iterator[Part]:
    """Parts with the tables of these packs, as each is done; `jobs` programs make them (by default one a core)."""
    some = [packs[i : i + parts.AT_ONCE] for i in range(0, len(packs), parts.AT_ONCE)]
    many = min(jobs or cores(), MOST, len(some))
    left = some
    if many > 1 and len(packs) >= ENOUGH:
        left = []
        with contextlib.closing(_made_elsewhere(store, some, home, level, many)) as answers:
            for own, part in answers:
                if part is None:
                    left.append(own)
                else:
                    yield part
    for own in left:
        yield _made(store, own, home, level)


def _made(store: Store, packs: Sequence[str], home: Path, level: float) -> Part:
    with collecting_less(), contextlib.closing(iter_surveys(store, packs, as_planned=False)) as surveys:
        results = (replace(survey_results(s, level=level), survey=without_marks(s)) for s in surveys)
        return written(home, tables_of(results))


def _made_elsewhere(
    store: Store, some: Sequence[Sequence[str]], home: Path, level: float, many: int
) -> Iterator[tuple[Sequence[str], Part | None]]:
    """Each list of packs with its part as it is done, or with None where the program that had it broke down."""
    helpers = [_Helper(store, home, level) for _ in range(many)]
    idle: SimpleQueue[_Helper] = SimpleQueue()
    broken: list[_Helper] = []
    for one in helpers:
        idle.put(one)

    def made(packs: Sequence[str]) -> Part | None:
        helper = idle.get()
        part = helper.made(packs)
        if part is None:
            broken.append(helper)
        if part is not None or len(broken) >= many:  # one that broke down is given no more, but the last of all
            idle.put(helper)
        return part

    with ThreadPoolExecutor(many) as pool:
        asked = {pool.submit(made, packs): packs for packs in some}
        try:
            for one in as_completed(asked):
                yield asked[one], one.result()
        finally:
            for helper in helpers:
                helper.end()
            pool.shutdown(cancel_futures=True)


class _Helper:
    """One such program. It ends when its input does, so also when this program dies."""

    def __init__(self, store: Store, home: Path, level: float) -> None:
        self._home = home
        command = [sys.executable, "-c", _BEGIN, str(store.folder), str(home), repr(level), *sys.path]
        url = store.database.engine.url
        named = {VARIABLE: url.render_as_string(hide_password=False)} if store.database.kind == "postgresql" else {}
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
        try:
            self._process = subprocess.Popen(command, env=os.environ | named, text=True, encoding="utf-8", **pipes)  # noqa: S603 - our own program, no shell
        except OSError:
            self._process = None

    def made(self, packs: Sequence[str]) -> Part | None:
        """The part that it wrote; None when it could not."""
        if self._process is None:
            return None
        try:
            self._process.stdin.write(json.dumps(list(packs)) + "\n")
            self._process.stdin.flush()
            name = json.loads(self._process.stdout.readline())
            return Part(self._home / Path(name).name, frozenset(packs))
        except (OSError, ValueError):
            return None

    def end(self) -> None:
        """Stop it, wherever it is."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process.stdout.close()
            with contextlib.suppress(OSError):
                self._process.stdin.close()


def serve(folder: str, home: str, level: str) -> None:
    """Such a program's life: a line of packs in, the name of a part out."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl+C is for the program that began it
    with Store.open(Path(folder)) as store:
        for line in sys.stdin:
            part = _made(store, json.loads(line), Path(home), float(level))
            print(json.dumps(part.folder.name), flush=True)
