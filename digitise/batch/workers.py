"""Calls in other processes, which may die, hang or grow at the cost of that one call.

Decoders are large programs in C; a file made to break one may end the process, never come back, or ask for all memory.
Each worker has a limit of memory, each call one of time. A call that a worker did not survive is tried once more, since
the machine and not the file may have been at fault; then it is `Stopped`, in words, and the others go on.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait

CALL_SECONDS = 60.0
WORKER_MEGABYTES = 2000
AHEAD = 2  # calls begun or done, for each worker, beyond the one whose value is awaited
_TRIES = 2
_LOOK_SECONDS = 1.0  # between looks at the clock
_ARENA_MAX, _MMAP_THRESHOLD, _TRIM_THRESHOLD = -8, -3, -1  # glibc's malloc.h
_KEPT = 32_000_000  # bytes: what pictures of 12 megapixels need is kept from one to the next
_THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "OMP_THREAD_LIMIT")
_WAITING = object()


@dataclass(frozen=True, slots=True)
class Stopped:
    """Why a call gave no value, in words. Falsy."""

    why: str

    def __bool__(self) -> bool:
        return False


@dataclass(slots=True)
class _Call:
    function: Callable
    argument: object
    value: object = _WAITING
    tries: int = 0


@dataclass(slots=True)
class _Worker:
    process: object
    connection: Connection
    call: _Call | None = None
    deadline: float = field(default=float("inf"))


def _keep_little_memory() -> None:
    """Ask the C library, where it can be asked, for one heap, which gives back what only a large picture needed.

    To give back more, and fetch it again for the next picture, costs a third of the time of reading.
    """
    import ctypes

    with suppress(OSError, AttributeError, TypeError):
        library = ctypes.CDLL(None)
        library.mallopt(_ARENA_MAX, 1)
        library.mallopt(_MMAP_THRESHOLD, _KEPT)
        library.mallopt(_TRIM_THRESHOLD, 4 * _KEPT)


def _limit_memory(megabytes: int) -> None:
    """Bound what this process may still ask for; where the system has no such limit, it has none."""
    try:
        import resource
        from pathlib import Path

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        limit = pages * resource.getpagesize() + megabytes * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    except (ImportError, OSError, ValueError):
        return


def _called(function: Callable, context: object, argument: object) -> object:
    try:
        return function(context, argument)
    except MemoryError:
        return Stopped("it needs too much memory")
    except Exception as error:
        return Stopped(f"{type(error).__name__}: {str(error)[:160]}")


def _serve(connection: Connection, prepare: Callable[[], object], megabytes: int) -> None:
    """A worker's life: until the other end is closed, or Ctrl+C ends the program that started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _keep_little_memory()
    context = prepare()
    _limit_memory(megabytes)
    with open(os.devnull, "w") as nowhere:  # noqa: PTH123 - decoders in C talk to the screen about every bad byte
        os.dup2(nowhere.fileno(), 2)
    with suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            connection.send(_called(*_sorted_out(connection.recv(), context)))


def _sorted_out(message: tuple, context: object) -> tuple:
    function, argument = message
    return function, context, argument


@contextmanager
def _single() -> Iterator[None]:
    """A process begun meanwhile, and programs that it begins, use one thread each: there is a worker for each core.

    Libraries read this when they are loaded; what the user has set stays.
    """
    mine = {name: "1" for name in _THREADS if name not in os.environ}
    os.environ.update(mine)
    try:
        yield
    finally:
        for name in mine:
            os.environ.pop(name, None)


@contextmanager
def _deaf() -> Iterator[None]:
    """A process begun meanwhile never hears Ctrl+C, which is for the program that began it."""
    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


class Workers:
    """So many processes, started when first needed; use it as a context, so that none outlives it.

    `prepare` is called once in each; what it returns is the first argument of every call. Like all that is sent to
    another process, functions must be importable by name.
    """

    def __init__(
        self,
        jobs: int,
        prepare: Callable[[], object],
        *,
        seconds: float = CALL_SECONDS,
        megabytes: int = WORKER_MEGABYTES,
    ) -> None:
        self._jobs, self._prepare, self._seconds, self._megabytes = max(1, jobs), prepare, seconds, megabytes
        self._workers: list[_Worker] = []

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_error) -> None:
        for worker in self._workers:
            self._end(worker)
        self._workers.clear()

    def map(self, function: Callable, arguments: Iterable) -> Iterator:
        """Values of ``function(context, argument)`` in the order of `arguments`, as they come.

        A value that could not be had is `Stopped`. Little is done ahead, so a long list costs no memory.
        """
        todo = iter(arguments)
        order: deque[_Call] = deque()
        ready: deque[_Call] = deque()
        more = True
        while True:
            while more and len(order) < self._jobs * (1 + AHEAD):
                try:
                    order.append(_Call(function, next(todo)))
                except StopIteration:
                    more = False
                else:
                    ready.append(order[-1])
            if not order:
                return
            self._hand_out(ready)
            while order and order[0].value is not _WAITING:
                yield order.popleft().value
            if order:
                self._listen(ready)

    def _hand_out(self, ready: deque[_Call]) -> None:
        while ready:
            idle = next((w for w in self._workers if w.call is None), None)
            if idle is None and len(self._workers) == self._jobs:
                return
            if idle is None:
                idle = self._start()
            idle.call, idle.deadline = ready.popleft(), time.monotonic() + self._seconds
            try:
                idle.connection.send((idle.call.function, idle.call.argument))
            except OSError:  # it died while idle
                self._lost(idle, ready)

    def _start(self) -> _Worker:
        here, there = get_context("spawn").Pipe()
        process = get_context("spawn").Process(
            target=_serve, args=(there, self._prepare, self._megabytes), daemon=True, name="reader"
        )
        with _deaf(), _single():
            process.start()
        there.close()
        worker = _Worker(process, here)
        self._workers.append(worker)
        return worker

    def _listen(self, ready: deque[_Call]) -> None:
        """Wait until something happens; take in values, and see to workers that died or hang."""
        busy = {w.connection: w for w in self._workers if w.call is not None}
        began = time.monotonic()
        patience = max(0.0, min(w.deadline for w in busy.values()) - began) if busy else 0.0
        heard = wait(list(busy), timeout=min(patience + 0.01, _LOOK_SECONDS))
        slept = time.monotonic() - began - _LOOK_SECONDS
        if slept > _LOOK_SECONDS:  # the machine did, or Ctrl+Z stopped all of us: no call went on meanwhile
            for worker in busy.values():
                worker.deadline += slept
        for connection in heard:
            worker = busy[connection]
            try:
                worker.call.value = connection.recv()
            except (EOFError, OSError):
                self._lost(worker, ready)
            else:
                worker.call, worker.deadline = None, float("inf")
        for worker in list(self._workers):
            if time.monotonic() > worker.deadline:
                worker.call.value = Stopped(f"it took more than {self._seconds:.0f} seconds")
                self._remove(worker)

    def _lost(self, worker: _Worker, ready: deque[_Call]) -> None:
        call = worker.call
        call.tries += 1
        if call.tries < _TRIES:
            ready.appendleft(call)
        else:
            call.value = Stopped("the program that reads it broke down twice")
        self._remove(worker)

    def _remove(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        self._end(worker)

    @staticmethod
    def _end(worker: _Worker) -> None:
        worker.connection.close()
        if worker.call is not None:
            worker.process.kill()
        worker.process.join(5)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()
        worker.process.close()
