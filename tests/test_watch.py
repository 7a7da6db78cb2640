"""A file that comes in is read when it has stopped growing, and once."""

from __future__ import annotations

import os
from pathlib import Path

from digitise.batch.watch import Watch


def _touch(path: Path, size: int, changed_s: int) -> Path:
    path.write_bytes(bytes(size))
    os.utime(path, (changed_s, changed_s))
    return path


def test_a_file_is_ready_when_it_has_been_quiet(tmp_path) -> None:
    """Seen at 0 s, unchanged at 2.9 s: not yet; at 3 s: ready; then never again."""
    path, watch = _touch(tmp_path / "a.jpg", 10, 1), Watch(3.0)

    assert [watch.ready([path], now=t) for t in (0.0, 2.9, 3.0, 3.1, 60.0)] == [[], [], [path], [], []]


def test_a_file_that_grows_is_left(tmp_path) -> None:
    """Each new size, or time of change, starts the waiting anew."""
    path, watch = _touch(tmp_path / "a.jpg", 10, 1), Watch(3.0)
    assert watch.ready([path], now=0.0) == []
    _touch(path, 20, 1)
    assert watch.ready([path], now=3.0) == []
    _touch(path, 20, 2)
    assert watch.ready([path], now=6.0) == []

    assert watch.ready([path], now=9.0) == [path]


def test_a_file_that_changes_afterwards_is_ready_again(tmp_path) -> None:
    """A copy that stalled, was read as damaged, and then went on is read once more."""
    path, watch = _touch(tmp_path / "a.jpg", 10, 1), Watch(1.0)
    assert [watch.ready([path], now=t) for t in (0.0, 1.0)] == [[], [path]]
    _touch(path, 30, 5)

    assert [watch.ready([path], now=t) for t in (2.0, 3.0, 4.0)] == [[], [path], []]


def test_one_file_does_not_wait_for_another(tmp_path) -> None:
    first, second = _touch(tmp_path / "a.jpg", 10, 1), _touch(tmp_path / "b.jpg", 10, 1)
    watch = Watch(2.0)

    assert watch.ready([first], now=0.0) == []
    assert watch.ready([first, second], now=2.0) == [first]
    assert watch.ready([first, second], now=4.0) == [second]


def test_a_file_that_has_gone_is_left_out(tmp_path) -> None:
    assert Watch(0.0).ready([tmp_path / "gone.jpg"], now=0.0) == []
