"""Calls in other processes cost nothing but themselves when they die, hang or grow."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from digitise.batch.workers import Stopped, Workers


def _context(value: int) -> int:
    return value


def _act(context: int, what: object) -> object:
    """What the worker is asked to do: a number is added, a word is acted upon."""
    if isinstance(what, int):
        return context + what
    word, argument = what
    if word == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if word == "die once":
        path = Path(argument)
        if not path.exists():
            path.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return "came through"
    if word == "hang":
        time.sleep(600)
    if word == "toil":
        for _ in range(argument):
            time.sleep(0.1)
        return "done"
    if word == "grow":
        return len(bytearray(argument))
    if word == "talk":
        os.write(2, b"a decoder's complaint\n")
        return "said"
    if word == "process":
        return os.getpid()
    if word == "threads":
        return os.environ.get(argument)
    raise ValueError(argument)


def _run(calls: list, *, jobs: int = 1, **limits) -> list:
    with Workers(jobs, partial(_context, 100), **limits) as workers:
        return list(workers.map(_act, calls))


def test_values_come_in_the_order_of_the_calls() -> None:
    assert _run([3, 1, 2], jobs=2) == [103, 101, 102]
    assert _run([]) == []


def test_a_call_that_kills_its_worker_costs_only_itself() -> None:
    """The calls before and after it have their values, from a new worker."""
    found = _run([1, ("die", None), 2])

    assert (found[0], found[2]) == (101, 102)
    assert found[1] == Stopped("the program that reads it broke down twice")
    assert not found[1]


def test_a_call_whose_worker_died_is_tried_once_more(tmp_path) -> None:
    """A worker ended from outside, as by a machine short of memory, loses nothing."""
    assert _run([("die once", tmp_path / "mark"), 5]) == ["came through", 105]


def test_a_call_that_hangs_is_ended() -> None:
    found = _run([("hang", None), 7], seconds=8)

    assert found == [Stopped("it took more than 8 seconds"), 107]


@pytest.mark.skipif(os.name != "posix", reason="only POSIX systems stop and go on with a group of processes")
def test_time_in_which_everything_was_stopped_does_not_count() -> None:
    """Ctrl+Z, or a laptop's lid, in the middle of a call of two seconds that may take four."""
    code = "import test_workers as t; print('begun', flush=True); print(t._run([('toil', 1), ('toil', 20)], seconds=4))"
    run = subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=Path(__file__).parent,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    run.stdout.readline()
    time.sleep(2)
    os.killpg(run.pid, signal.SIGSTOP)
    time.sleep(5)
    os.killpg(run.pid, signal.SIGCONT)

    assert run.communicate(timeout=60)[0] == "['done', 'done']\n"


@pytest.mark.skipif(sys.platform != "linux", reason="the limit of memory is Linux's")
def test_a_call_that_grows_beyond_its_memory_is_refused() -> None:
    """Three gigabytes asked for, one allowed; a tenth of one is fine."""
    found = _run([("grow", 3_000_000_000), ("grow", 100_000_000)], megabytes=1000)

    assert found == [Stopped("it needs too much memory"), 100_000_000]


def test_an_exception_is_a_value_that_names_it() -> None:
    assert _run([("raise", "no such colour"), 1]) == [Stopped("ValueError: no such colour"), 101]


def test_a_worker_that_lives_serves_all_calls() -> None:
    with Workers(1, partial(_context, 0)) as workers:
        first, second = workers.map(_act, [("process", None)] * 2)
        third = next(workers.map(_act, [("process", None)]))

    assert first == second == third != os.getpid()


def test_ctrl_c_ends_the_program_without_a_word_from_its_workers(tmp_path) -> None:
    """Sent to all processes of a terminal at once, also while a worker, or Python itself, is starting: no traceback."""
    (tmp_path / "a.jpg").write_bytes(b"x")
    command = [sys.executable, "-m", "digitise", "read", str(tmp_path), "--watch", "--json", str(tmp_path / "out.json")]
    for wait in (1.0, 4.2):
        run = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True)
        time.sleep(wait)
        os.killpg(run.pid, signal.SIGINT)
        said = run.communicate(timeout=60)[1]
        assert run.returncode in (0, 1, 130, -signal.SIGINT), said
        assert "Traceback" not in said


def test_no_process_outlives_its_context() -> None:
    """Neither an idle one, nor one that is busy when the work is given up."""
    with Workers(2, partial(_context, 0)) as workers:
        values = workers.map(_act, [("process", None), ("hang", None)])
        pid = next(values)

    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert not any(w.process for w in workers._workers)


def test_only_a_few_calls_are_made_ahead() -> None:
    """A list without end is read as far as needed: what waits to be taken costs memory."""
    asked = []

    def calls():
        for number in range(10_000):
            asked.append(number)
            yield number

    with Workers(1, partial(_context, 0)) as workers:
        values = workers.map(_act, calls())
        assert [next(values) for _ in range(4)] == [0, 1, 2, 3]

    assert len(asked) <= 8


def test_what_decoders_say_on_the_screen_is_not_heard(capfd) -> None:
    assert _run([("talk", None)]) == ["said"]
    assert "complaint" not in capfd.readouterr().err


def test_workers_use_one_thread_each_unless_told_otherwise(monkeypatch) -> None:
    """Linear algebra and the text engine in a worker have one thread; this program's own surroundings stay as they were."""
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    monkeypatch.setenv("OMP_THREAD_LIMIT", "3")

    assert _run([("threads", "OPENBLAS_NUM_THREADS"), ("threads", "OMP_THREAD_LIMIT")]) == ["1", "3"]
    assert "OPENBLAS_NUM_THREADS" not in os.environ
