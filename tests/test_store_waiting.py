"""Who waits for whom: writers wait for each other, fairly and not for ever; readers and those who come too late do not."""

import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest
from kept import FLAGGED, keep, layout, made_result
from stores import TOTAL, Kept, enter, fish

from digitise.store import ChangedMeanwhile, StoreError, engine
from digitise.store.turns import Turns
from digitise.store.verify import verify

CELLS = [c.id for c in layout("fish").cells if c.kind in ("tally", "number")]
PRESS = {"client": "desk-anna", "seq": 1}


@contextmanager
def held_elsewhere(where: Kept):
    """Another program holds the writing lock, and has changed nothing."""
    with where.open() as other, other.database.write():
        yield


def test_whoever_comes_too_late_is_told_without_waiting(where, monkeypatch):
    """The conflict is named, and a key press that was entered comes back, while another program holds the lock."""
    monkeypatch.setattr(engine, "BUSY_SECONDS", 0.2)
    with where.open() as store:
        page = fish(store)
        first = enter(store, page, last_seen=0, **PRESS)
        with held_elsewhere(where):
            with pytest.raises(ChangedMeanwhile, match="Anna entered this cell meanwhile"):
                enter(store, page, by="Ben", value=5, last_seen=0)
            assert enter(store, page, last_seen=0, **PRESS) == first
            with pytest.raises(StoreError, match=r"locked by another program|writing for too long"):
                enter(store, page, by="Ben", value=5, last_seen=first.id)


def test_who_was_early_enough_when_looking_but_not_when_writing_is_told(store, where, monkeypatch):
    """Ben looks, Anna enters, Ben writes: the second look, under the lock, is the one that counts."""
    page = fish(store)
    honest = store.database.write

    @contextmanager
    def overtaken():
        monkeypatch.setattr(store.database, "write", honest)
        with where.open() as other:
            enter(other, page, last_seen=0)
        with honest() as connection:
            yield connection

    monkeypatch.setattr(store.database, "write", overtaken)
    with pytest.raises(ChangedMeanwhile, match="Anna entered this cell meanwhile"):
        enter(store, page, by="Ben", value=5, last_seen=0)
    assert [e.by for e in store.entries(page)[TOTAL]] == ["Anna"]


def test_more_waiting_writers_than_connections_leave_readers_some(store, where, monkeypatch):
    """41 threads wait for another program to finish; the queue is read meanwhile; then all 41 enter."""
    monkeypatch.setattr(engine, "BUSY_SECONDS", 60)
    writers = 4 * engine.CONNECTIONS + 1
    cells = CELLS[:writers]
    page = keep(store, made_result("fish", dict.fromkeys(cells, FLAGGED), name="a.jpg"))
    begun = threading.Barrier(writers + 1)

    def decide(number: int):
        begun.wait()
        return enter(store, page, cells[number], client=f"desk-{number}", seq=1)

    with ThreadPoolExecutor(writers) as pool:
        with held_elsewhere(where):
            waiting = [pool.submit(decide, n) for n in range(writers)]
            begun.wait()
            assert len(store.queue()) == writers
            assert not any(one.done() for one in waiting)
        assert sorted(one.result().cell for one in waiting) == sorted(cells)
    assert store.queue() == []
    assert verify(store).problems == ()


def test_every_writer_looks_for_the_lock_as_often_as_any_other(tmp_path, monkeypatch):
    """However long one has waited, the next look is at most 15 ms away: SQLite's own waits grow to 100 ms."""
    where, slept = Kept(tmp_path / "kept"), []
    monkeypatch.setattr(engine, "BUSY_SECONDS", 0.5)
    honest = engine.time.sleep
    with where.open() as store:
        page = fish(store)
        monkeypatch.setattr(engine.time, "sleep", lambda seconds: slept.append(seconds) or honest(seconds))
        with held_elsewhere(where), pytest.raises(StoreError, match="locked by another program"):
            enter(store, page)

    low, high = engine.LOOK_AGAIN_S
    assert len(slept) > 5
    assert low <= min(slept) < max(slept) <= high == 0.015
    assert len(set(slept)) > 3


def test_after_waiting_in_vain_a_connection_is_as_patient_as_before(tmp_path, monkeypatch):
    """Statements other than the beginning of a write wait for SQLite's lock as long as they should."""
    monkeypatch.setattr(engine, "BUSY_SECONDS", 0.3)
    where = Kept(tmp_path / "kept")
    with where.open() as store:
        page = fish(store)
        with held_elsewhere(where), pytest.raises(StoreError, match="locked by another program"):
            enter(store, page)
        with store.database.read() as connection:
            assert connection.exec_driver_sql("PRAGMA busy_timeout").scalar_one() == 300


def test_a_disk_that_refuses_is_not_mistaken_for_a_lock(tmp_path):
    """Only a busy database is waited for; anything else is said at once."""
    with sqlite3.connect(tmp_path / "plain.db", isolation_level=None) as connection:
        connection.execute("BEGIN IMMEDIATE")
        with pytest.raises(sqlite3.OperationalError, match="within a transaction"):
            engine._begin_writing(connection)
    connection.close()


def test_no_connection_left_is_told_in_words(tmp_path, monkeypatch):
    """Forty readers at once are served; the forty-first waits, and is then told."""
    monkeypatch.setattr(engine, "BUSY_SECONDS", 0.2)
    with Kept(tmp_path / "kept").open() as store:
        held = [store.database.read() for _ in range(4 * engine.CONNECTIONS)]
        for one in held:
            one.__enter__()
        with pytest.raises(StoreError, match="too many are asking at once; try again"):
            store.pages()
        for one in held:
            one.__exit__(None, None, None)
        assert store.pages() == []


def until_waiting(turns: Turns, number: int) -> None:
    """So many threads stand in line."""
    while len(turns._waiting) < number:
        threading.Event().wait(0.001)


def test_threads_get_their_turn_in_the_order_in_which_they_came():
    """Five in line behind one: 0, 1, 2, 3, 4, and never two at once; then nobody holds it."""
    turns, order, inside = Turns(), [], []

    def work(number: int) -> None:
        with turns.turn(60) as came:
            inside.append(number)
            order.append((number, came, len(inside)))
            inside.pop()

    with turns.turn(60):
        threads = [threading.Thread(target=work, args=(number,)) for number in range(5)]
        for number, thread in enumerate(threads):
            thread.start()
            until_waiting(turns, number + 1)
    for thread in threads:
        thread.join()

    assert order == [(number, True, 1) for number in range(5)]
    with turns.turn(0.01) as came:
        assert came


def test_whoever_gives_up_is_not_handed_the_turn_and_does_not_end_it():
    """The second of three leaves the line: the third gets it, and the first kept it until then."""
    turns, got = Turns(), []
    with turns.turn(60):
        with turns.turn(0.01) as came:
            assert not came
        thread = threading.Thread(target=lambda: got.append(turns._wait(60)))
        thread.start()
        until_waiting(turns, 1)
        assert got == []
    thread.join()

    assert got == [True]
    with turns.turn(0.01) as came:
        assert not came


def test_a_write_that_fails_passes_its_turn_on(store):
    """An exception within a write ends the turn as a commit does."""
    with pytest.raises(ZeroDivisionError), store.database.write():
        raise ZeroDivisionError
    page = fish(store)

    assert enter(store, page).value == 6


def test_threads_of_one_program_lose_and_double_nothing(store):
    """Eight threads fight for the same 40 cells: each is entered once, and all others are told."""
    cells = CELLS[:40]
    page = keep(store, made_result("fish", dict.fromkeys(cells, FLAGGED), name="a.jpg"))

    def work(number: int) -> int:
        told = 0
        for seq, cell in enumerate(cells):
            try:
                enter(store, page, cell, value=number, client=f"desk-{number}", seq=seq, last_seen=0)
            except ChangedMeanwhile:
                told += 1
        return told

    with ThreadPoolExecutor(8) as pool:
        told = sum(pool.map(work, range(8)))

    assert [len(found) for cell, found in store.entries(page).items() if cell in cells] == [1] * 40
    assert told == 7 * 40
    assert verify(store).problems == ()
