"""Calls on the machines of a Dask cluster, with the same face as `digitise.batch.workers.Workers`.

Machines keep nothing that matters: each call holds all it needs, and is made again elsewhere when its machine goes
away. On a machine every call still runs in a process of bounded memory and time, so that a file made to break its
decoder costs that file only. Values come in the order of the arguments, whichever machine was first.
"""

from __future__ import annotations

import hashlib
import pickle  # only for what the scheduler sends, see below  # nosec B403
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator

from digitise import __version__
from digitise.batch.workers import AHEAD, Stopped, Workers

REACH_SECONDS = 20
_RETRIES = 2  # of a call that failed outside its bounded process; Dask itself replaces machines that go away
_LOOK_SECONDS = 5.0  # between looks at how many machines there are


class ClusterError(ValueError):
    """The cluster cannot be used, or not any more; the text says why and what to do."""


class Cluster:
    """The machines behind a Dask scheduler; use it as a context. `prepare` and `map` are as in `Workers`.

    Raises
    ------
    ClusterError
        Dask is not installed here, or no scheduler with workers answers at `address`.
    """

    def __init__(self, address: str, prepare: Callable[[], object]) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise ClusterError("--dask needs Dask: pip install 'digitise[cluster]'") from None
        try:
            self._client = Client(address, timeout=REACH_SECONDS, set_as_default=False)
        except (OSError, ValueError):
            raise ClusterError(
                f"{address}: no Dask scheduler answers there; look whether it runs, and whether the address is right, "
                "such as tcp://HOST:8786"
            ) from None
        self._address, self._looked_at, self._at_once = address, float("-inf"), 1
        setup = pickle.dumps(prepare)
        self._setup = self._client.submit(bytes, setup, key=f"digitise-{hashlib.sha256(setup).hexdigest()}")
        try:
            self._client.wait_for_workers(1, timeout=REACH_SECONDS)
        except TimeoutError:
            self.__exit__()
            raise ClusterError(
                f"{address}: the scheduler has no workers; on each machine run: dask worker {address}"
            ) from None

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_error) -> None:
        """Leave the cluster; calls that were begun come to nothing."""
        self._setup.release()
        self._client.close(timeout=5)

    def map(self, function: Callable, arguments: Iterable) -> Iterator:
        """See `Workers.map`; so many calls are under way as the cluster can make, and few more.

        Raises
        ------
        ClusterError
            The scheduler is gone, or its workers are not able to make these calls.
        """
        todo = iter(arguments)
        order: deque = deque()
        more = True
        while True:
            while more and len(order) < self._wanted():
                try:
                    call = (__version__, self._setup, function, next(todo))
                except StopIteration:
                    more = False
                else:
                    key = f"digitise{function.__name__}-{uuid.uuid4().hex}"  # so the scheduler's own pages show it
                    order.append(self._client.submit(_called_there, *call, key=key, retries=_RETRIES))
            if not order:
                return
            yield self._value(order.popleft())

    def _wanted(self) -> int:
        """Calls to be under way: machines may come and go."""
        if time.monotonic() - self._looked_at > _LOOK_SECONDS:
            try:
                self._at_once, self._looked_at = sum(self._client.ncores().values()), time.monotonic()
            except OSError:
                raise self._gone() from None
        return max(1, self._at_once) * (1 + AHEAD)

    def _gone(self) -> ClusterError:
        return ClusterError(f"{self._address}: the scheduler is gone; start it again, then give the same command")

    def _value(self, future) -> object:
        from concurrent.futures import CancelledError

        from distributed import KilledWorker

        try:
            return future.result()
        except KilledWorker:
            return Stopped("the machines that were to read it went away one after another")
        except (CancelledError, OSError):
            raise self._gone() from None
        except Exception as error:  # whatever went wrong on another machine
            said = (str(error).splitlines() or [""])[0][:160]
            raise ClusterError(
                f"{self._address}: its workers cannot read photographs ({type(error).__name__}: {said}); "
                f"each machine needs digitise {__version__}"
            ) from None


# On the machines of the cluster


class _Idle:
    """Bounded processes that wait on this machine for the next call of the same run."""

    def __init__(self) -> None:
        self._lock, self._setup, self._workers = threading.Lock(), b"", []

    def take(self, setup: bytes) -> Workers:
        """One that is free, else a new one; those of another run end."""
        with self._lock:
            if setup != self._setup:
                self._end()
                self._setup = setup
            if self._workers:
                return self._workers.pop()
        # The scheduler sent it, which runs what it likes on its workers anyway.
        return Workers(1, pickle.loads(setup))  # noqa: S301 - see above  # nosec B301

    def give_back(self, setup: bytes, workers: Workers) -> None:
        """After a call."""
        with self._lock:
            if setup == self._setup:
                self._workers.append(workers)
                return
        workers.__exit__()

    def _end(self) -> None:
        while self._workers:
            self._workers.pop().__exit__()


_idle = _Idle()


def _called_there(version: str, setup: bytes, function: Callable, argument: object) -> object:
    """Make one call on a machine of the cluster."""
    from multiprocessing import current_process

    if version != __version__:
        raise ValueError(f"here is digitise {__version__}")
    current_process().daemon = False  # Dask starts its workers as processes that may have none of their own
    workers = _idle.take(setup)
    try:
        return next(workers.map(function, [argument]))
    finally:
        _idle.give_back(setup, workers)
