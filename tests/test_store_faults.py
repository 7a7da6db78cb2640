"""Nothing promised is lost or doubled: killed programs, full and read-only disks, locks, clocks, cut connections."""

import json
import os
import re
import resource
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from shutil import which

import pytest
from kept import NOW
from stores import GOBY, RAY, TOTAL, Kept, enter, fish

from digitise.cli import main
from digitise.store import Store, StoreError, chain
from digitise.store.verify import verify

HERE = Path(__file__).parent
PRESS = {"client": "desk-anna", "seq": 1}


def script(name: str, *arguments) -> dict:
    """Run one of the scripts beside this file; what it printed."""
    command = [sys.executable, HERE / name, *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


def kept_once(where: Kept) -> int:
    """How often Anna's key press is in the store, seen from outside."""
    return where.sql("SELECT count(*) FROM entries WHERE client = 'desk-anna' AND seq = 1")[0][0]


def until(true) -> None:
    """Wait for what another program is just doing, and fail when it does not come true."""
    for _ in range(200):
        if true():
            return
        time.sleep(0.02)
    assert true()


def whole(where: Kept) -> None:
    with where.open() as store:
        assert verify(store).problems == ()


# Killed


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_killed_at_random_moments_nothing_promised_is_lost_or_doubled(kind, tmp_path, request):
    """20 kills while importing, deciding and exporting: every promise is kept once, and the store opens by itself."""
    server = request.getfixturevalue("postgresql_server") if kind == "postgresql" else None
    database = ["--database", server.prepared()] if server else []
    found = script("faults.py", tmp_path / "x", "--kills", 20, "--longest", 0.15, *database)

    assert found["wrong"] == []
    assert found["kills"] == 20
    assert min(found["promised"]["import"], found["promised"]["decide"]) >= 3  # however slow the machine


def test_the_check_would_see_a_lost_and_a_doubled_promise(tmp_path):
    """The torture's own check finds an entry and a photograph that were promised and are not there."""
    import faults

    place = tmp_path / "kept"
    with Store.open(place) as store:
        page = fish(store)
        entry = enter(store, page, client="7", seq=1)
    good = {"step": "decide", "key": "7-1", "page": page, "cell": TOTAL, "value": 6, "entry": entry.id}

    assert faults.check(place, None, [good]) == []
    assert len(faults.check(place, None, [good | {"key": "7-2"}, good | {"value": 5}])) == 2
    assert len(faults.check(place, None, [{"step": "import", "key": "7-3", "page": 99}])) == 1


def test_a_stopped_import_goes_on_where_it_was(tmp_path, photograph, capsys, monkeypatch):
    """Killed after the first of two photographs, the same command reads only the second."""
    for sheet in ("site", "substrate"):
        (tmp_path / f"{sheet}.jpg").write_bytes(photograph(sheet).jpeg)
    store = str(tmp_path / "kept")
    assert main(["read", str(tmp_path / "site.jpg"), "--store", store]) == 0
    with Store.open(store) as kept:  # kept, but killed before it was read
        kept.keep_photo((tmp_path / "substrate.jpg").read_bytes(), "substrate.jpg", now=NOW)
    capsys.readouterr()

    assert main(["read", str(tmp_path / "site.jpg"), str(tmp_path / "substrate.jpg"), "--store", store]) == 0

    said = capsys.readouterr().err
    assert "2 photographs: 1 read, 0 to take again, 0 unreadable, 1 done before." in said
    with Store.open(store) as kept:
        assert sorted(p.sheet for p in kept.pages()) == ["site", "substrate"]
    assert main(["read", str(tmp_path / "site.jpg"), "--store", store]) == 0


def test_files_that_killed_programs_left_half_written_are_cleared_away(where):
    """An hour later; a younger one may still be in work."""
    with where.open() as store:
        fish(store)
    for name, age_s in (("part-old", 7200), ("part-new", 60)):
        path = where.folder / "incoming" / name
        path.write_bytes(b"half")
        then = path.stat().st_mtime - age_s
        os.utime(path, (then, then))

    where.open().close()

    assert [p.name for p in (where.folder / "incoming").iterdir()] == ["part-new"]


# Full and read-only disks


@contextmanager
def largest_file(size: int):
    """Files cannot grow beyond `size` bytes, as on a disk with no room left."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_photograph_that_finds_no_room_is_refused_in_words_and_can_be_added_later(where):
    """No row, no half file; with room again it is kept."""
    data = os.urandom(300_000)
    with where.open() as store:
        with largest_file(100_000), pytest.raises(StoreError, match=r"could not be written .*File too large"):
            store.keep_photo(data, "big.jpg", now=NOW)
        assert store.photos() == []
        assert [
            p for p in store.folder.rglob("*") if p.is_file() and p.suffix in (".jpg", "") and "part" in p.name
        ] == []
        assert store.original(store.keep_photo(data, "big.jpg", now=NOW)) == data
    whole(where)


def test_a_decision_that_finds_no_room_is_refused_and_sent_again_it_is_entered_once(tmp_path):
    """SQLite's log cannot grow: the sentence says so, nothing is half entered, the same key press goes in later."""
    where = Kept(tmp_path / "kept")
    with where.open() as store:
        page = fish(store)
    with where.open() as store:
        store.queue()
        with largest_file(1000), pytest.raises(StoreError, match="disk"):
            enter(store, page, **PRESS)
        assert kept_once(where) == 0
        enter(store, page, **PRESS)
    assert kept_once(where) == 1
    whole(where)


@pytest.fixture
def small_disk(tmp_path):
    """A real file system of 3 MB; skipped where this program may not mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        [which("mount") or "mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", place], capture_output=True, text=True
    )
    if mounted.returncode != 0:
        pytest.skip(f"a small disk could not be mounted: {mounted.stderr.strip()}")
    yield place
    subprocess.run([which("umount"), "-l", place], check=True)


def test_a_disk_that_fills_up_loses_nothing_that_was_promised(small_disk):
    """Photographs until it is full, then room again: what was promised is there, and work goes on."""
    where, promised = Kept(small_disk / "kept"), []
    with where.open() as store:
        page = fish(store)
        with pytest.raises(StoreError, match="No space left on device"):
            keep_until_full(store, promised)
        fill_up(small_disk)
        with pytest.raises(StoreError, match="disk is full"):
            enter_until_full(store, page)
    entered = where.sql("SELECT count(*) FROM entries WHERE client = 'desk-full'")[0][0]
    (small_disk / "rest").unlink()

    with where.open() as store:
        assert [len(store.original(sha256)) for sha256 in promised] == [200_000] * len(promised)
        enter(store, page, **PRESS)
        assert verify(store).problems == ()
    assert where.sql("SELECT count(*) FROM entries WHERE client = 'desk-full'")[0][0] == entered


def keep_until_full(store: Store, promised: list[str]) -> None:
    for number in range(100):
        promised.append(store.keep_photo(os.urandom(200_000), f"{number}.jpg", now=NOW))


def enter_until_full(store: Store, page: int) -> None:
    for number in range(200):
        enter(store, page, value=number % 9, client="desk-full", seq=number)


def fill_up(disk: Path) -> None:
    """Take what room is left."""
    with (disk / "rest").open("wb", buffering=0) as rest:
        try:
            while True:
                rest.write(b"x" * 4096)
        except OSError:
            return


@contextmanager
def nobody():
    """Act as a user with no rights, when this program has all of them."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_folder_that_may_not_be_written_in_is_refused_in_words(tmp_path):
    """Neither made nor opened, and nothing in it is touched."""
    where = Kept(tmp_path / "kept")
    with where.open() as store:
        page = fish(store)
    tmp_path.chmod(0o755)
    for parent in tmp_path.parents[:3]:
        if parent != Path("/tmp") and parent.stat().st_uid == os.getuid():  # noqa: S108
            parent.chmod(parent.stat().st_mode | 0o011)
    for folder in (where.folder, *(p for p in where.folder.rglob("*") if p.is_dir())):
        folder.chmod(0o555)
    (where.folder / "digitise.db").chmod(0o444)

    with nobody(), pytest.raises(StoreError, match=r"cannot be (written in|opened); look whether the folder"):
        Store.open(where.folder)
    with nobody(), pytest.raises(StoreError, match="choose a folder you may write in"):
        Store.open(where.folder / "below")

    for folder in (where.folder, *(p for p in where.folder.rglob("*") if p.is_dir())):
        folder.chmod(0o755)
    (where.folder / "digitise.db").chmod(0o644)
    with where.open() as store:
        assert len(store.readings(page)) == 53


def test_a_disk_that_has_become_read_only_is_told_in_words_and_serves_again_afterwards(small_disk):
    """A real file system, mounted anew without the right to write, and then with it."""
    where = Kept(small_disk / "kept")
    with where.open() as store:
        page = fish(store)
    remount(small_disk, "ro")
    with pytest.raises(StoreError, match="cannot be opened; look whether the folder is there and may be written in"):
        where.open()
    remount(small_disk, "rw")

    with where.open() as store:
        enter(store, page, **PRESS)
        assert verify(store).problems == ()
    assert kept_once(where) == 1


def remount(disk: Path, how: str) -> None:
    subprocess.run([which("mount"), "-o", f"remount,{how}", disk], check=True)


# Locks and clocks


def test_a_database_that_another_program_holds_is_told_in_words_and_serves_again_afterwards(where, monkeypatch):
    """Whoever waits too long is told; reading goes on meanwhile; the same key press goes in when the lock is gone."""
    monkeypatch.setattr("digitise.store.engine.BUSY_SECONDS", 0.2)
    with where.open() as store, where.open() as other:
        page = fish(store)
        with other.database.write():
            with pytest.raises(
                StoreError, match=r"locked by another program|another desk has been writing for too long"
            ):
                enter(store, page, **PRESS)
            assert [i.cell for i in store.queue()] == [TOTAL]
        enter(store, page, **PRESS)
    assert kept_once(where) == 1


@pytest.mark.parametrize(("size", "words"), [(0, "is empty"), (16, "is damaged"), (20_000, "is damaged")])
def test_a_backup_that_was_cut_short_is_a_sentence_and_makes_no_store(tmp_path, capsys, size, words):
    """A copy that broke off: nobody is left with an empty store that calls itself whole."""
    with Store.open(tmp_path / "store") as store:
        store.keep_photo(b"a", "a.jpg", now=NOW)
    assert main(["backup", "--store", str(tmp_path / "store"), "--out", str(tmp_path / "backup")]) == 0
    os.truncate(tmp_path / "backup" / "digitise.db", size)
    capsys.readouterr()

    assert main(["restore", str(tmp_path / "backup"), "--store", str(tmp_path / "new")]) == 2
    assert f"digitise.db: {words}" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir() if "new" in p.name] == []


@pytest.mark.parametrize("gone", [True, False])
def test_a_database_that_was_lost_is_told_and_none_is_begun_beside_its_photographs(tmp_path, capsys, gone):
    """Cut to nothing by a full disk or left behind by a copy, it would be an empty store that verifies as whole."""
    with Store.open(tmp_path / "store") as store:
        store.keep_photo(b"a", "a.jpg", now=NOW)
    for part in (tmp_path / "store").glob("digitise.db*"):
        part.unlink() if gone or part.name != "digitise.db" else os.truncate(part, 0)

    said = rf"digitise\.db: is {'missing' if gone else 'empty'}, though photographs lie in"
    with pytest.raises(StoreError, match=said):
        Store.open(tmp_path / "store")
    assert main(["verify", "--store", str(tmp_path / "store")]) != 0
    assert re.search(said, "".join(capsys.readouterr()))


def test_a_clock_put_back_changes_no_order(store):
    """An entry dated before the one it follows still is the last one; the trail holds."""
    page = fish(store)
    enter(store, page, value=5, now=NOW)
    late = enter(store, page, value=6, now=NOW - timedelta(days=400))

    assert store.entries(page)[TOTAL][-1] == late
    assert store.current(page)[TOTAL].value == 6
    assert store.undo(page, TOTAL, by="Anna", now=NOW - timedelta(days=800)).value == 5
    assert verify(store).problems == ()


BEGIN = """
import sys
from kept import NOW, PACK, keep, made_result
from digitise.store import Store
with Store.open(sys.argv[1], database=sys.argv[2] or None) as store:
    print(keep(store, made_result("fish", {}, name="a.jpg"), now=NOW, reader_version="1"))
"""


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_programs_that_start_at_once_on_a_new_store_make_one_store(kind, tmp_path, request):
    """Three make the tables, keep and record the same photograph: one page, one history."""
    url = request.getfixturevalue("postgresql_server").new() if kind == "postgresql" else ""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE), str(HERE.parent)])}
    command = [sys.executable, "-c", BEGIN, str(tmp_path / "kept"), url]
    started = [
        subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(3)
    ]
    said = [one.communicate(timeout=120) for one in started]

    assert [(out, err) for out, err in said] == [(b"1\n", b"")] * 3
    with Store.open(tmp_path / "kept", database=url or None) as store:
        assert (len(store.pages()), len(store.readings(1))) == (1, 53)
        assert verify(store).problems == ()


# The network to PostgreSQL


class Wire:
    """A wire between store and server that can be cut, also right after a COMMIT has gone through."""

    def __init__(self, port: int):
        self._to, self.cut_after_commit, self._ends = port, False, []
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = self._door.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._to))
            self._ends += [near, far]
            for source, target, outward in ((near, far, True), (far, near, False)):
                threading.Thread(target=self._carry, args=(source, target, outward), daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket, outward: bool) -> None:
        try:
            while data := source.recv(65536):
                if outward and self.cut_after_commit and b"COMMIT" in data.replace(b"COMMITTED", b""):
                    self.cut_after_commit = False
                    source.shutdown(socket.SHUT_RDWR)  # the answer will find nobody
                    target.sendall(data)
                    return
                target.sendall(data)
        except OSError:
            pass

    def cut(self) -> None:
        """Cut every connection; new ones may be made."""
        for end in self._ends:
            for act in (lambda e: e.shutdown(socket.SHUT_RDWR), lambda e: e.close()):
                with suppress(OSError):
                    act(end)
        self._ends = []

    def close(self) -> None:
        """No connection any more, old or new."""
        with suppress(OSError):  # closed already
            self._door.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits at the door
        self._door.close()
        self.cut()


@pytest.fixture
def wired(tmp_path, postgresql_server):
    """A store in PostgreSQL at the end of a wire, and the wire."""
    url = postgresql_server.prepared()
    wire = Wire(postgresql_server.port)
    yield Kept(tmp_path / "kept", url), url.replace(f":{postgresql_server.port}/", f":{wire.port}/"), wire
    wire.close()


def test_a_connection_cut_between_two_decisions_is_made_anew(wired):
    """Nobody notices."""
    where, url, wire = wired
    with Store.open(where.folder, database=url) as store:
        page = fish(store)
        wire.cut()
        enter(store, page, **PRESS)
    assert kept_once(where) == 1


def test_a_connection_cut_within_a_decision_enters_nothing_and_the_key_press_goes_in_again(wired, monkeypatch):
    """The sentence says that the database cannot be reached; half a decision is none."""
    where, url, wire = wired
    with Store.open(where.folder, database=url) as store:
        page = fish(store)
        with monkeypatch.context() as patched:
            patched.setattr(chain, "seal", lambda *_a, **_k: wire.cut())
            with pytest.raises(StoreError, match=r"the database cannot be reached .*; look whether it runs"):
                enter(store, page, **PRESS)
        assert kept_once(where) == 0
        enter(store, page, **PRESS)
    assert kept_once(where) == 1
    whole(where)


def test_an_answer_lost_after_the_commit_makes_no_second_entry(wired):
    """The entry is kept, the clerk is told it may not be; sent again, it is the same entry."""
    where, url, wire = wired
    with Store.open(where.folder, database=url) as store:
        page = fish(store)
        wire.cut_after_commit = True
        with pytest.raises(StoreError, match="cannot be reached"):
            enter(store, page, **PRESS)
        until(lambda: kept_once(where) == 1)
        again = enter(store, page, **PRESS)
        assert store.entries(page)[TOTAL] == [again]
    whole(where)


def test_a_server_that_is_gone_is_a_sentence_and_the_store_serves_again_when_it_is_back(wired, postgresql_server):
    """A door that is shut, then opened again."""
    where, url, wire = wired
    store = Store.open(where.folder, database=url)
    page = fish(store)
    wire.close()
    with pytest.raises(StoreError, match="cannot be reached"):
        enter(store, page, **PRESS)
    store.close()

    with where.open() as again:
        enter(again, page, **PRESS)
    assert kept_once(where) == 1


# Many hands


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_clerks_with_conflicting_leases_lose_and_double_nothing(kind, tmp_path, request):
    """4 clerks, 120 cells, one look in five at somebody else's cell: each cell decided once, each conflict shown."""
    url = [request.getfixturevalue("postgresql_server").prepared()] if kind == "postgresql" else []
    found = script("hands.py", tmp_path, 4, 120, *url)

    assert found["wrong"] == []
    assert found["entered"] == found["cells"] == 120


def test_the_pages_kept_in_memory_are_those_made_anew(store, where):
    """After entries, undos, a better photograph, an assignment, and work by somebody else."""
    first = fish(store, name="worse.jpg", confidence=0.97)
    other = fish(store, name="better.jpg", confidence=0.999)
    nameless = fish(store, name="c.jpg", pack=None)
    steps = [
        lambda: enter(store, first),
        lambda: enter(store, first, RAY, 3),
        lambda: store.undo(first, TOTAL, by="Anna", now=NOW),
        lambda: store.undo(first, RAY, by="Anna", now=NOW),
        lambda: store.assign(nameless, "WX3PLE", 2, "Anna", NOW),
        lambda: enter(store, other, GOBY, 4),
        lambda: fish(store, name="d.jpg", pack="WX3PLE", transect=2, confidence=0.9999),
    ]
    for step in steps:
        step()
        with where.open() as fresh:
            enter(fresh, nameless, GOBY, 4)
            assert store.pages() == fresh.pages()
            assert store.progress() == fresh.progress()
