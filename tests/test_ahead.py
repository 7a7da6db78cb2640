"""Results worked out while people review: by another program, soon after something was entered."""

import subprocess
import sys
import time

import pytest
from kept import FLAGGED, NOW, keep, made_result

from digitise.results.kept import KeptTables
from digitise.results.parts import alone
from digitise.store import Store
from review_app import ahead

PACK, GOBY = "QH7M4A", "fish/goby/0-10/tally"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "store") as opened:
        keep(opened, made_result("fish", {GOBY: FLAGGED}, name="one", pack=PACK, transect=1), now=NOW)
        yield opened


def until_made(store):
    """Until nothing waits to be worked out, and what was is put together: a part is kept before that."""
    end = time.monotonic() + 120
    while (seen := KeptTables(store)._looked())[1] or not seen[0].whole:
        assert time.monotonic() < end
        time.sleep(0.1)


def test_results_are_made_soon_after_the_start_and_after_entries(store, monkeypatch):
    """By nobody's asking: the tables lie beside the store."""
    monkeypatch.setattr(ahead, "FIRST_S", 0.0)
    monkeypatch.setattr(ahead, "EVERY_S", 0.1)
    assert KeptTables(store).waiting == 1
    at_work = ahead.Ahead(store).start()
    until_made(store)
    store.decide(store.pages()[0].id, GOBY, value=7, state="entered", by="Anna", why="", now=NOW)
    assert KeptTables(store).waiting == 1
    until_made(store)
    at_work.end()

    monkeypatch.setattr(KeptTables, "_worked_out", None)  # they are only read
    found = KeptTables(store).read("density", level="site")
    assert list(found[found.taxon == "goby"]["count"]) == [7]


def test_the_program_says_whether_all_is_worked_out(store):
    """While another is at work it leaves that alone, and tries again later."""

    def code():
        run = [sys.executable, "-m", "review_app.ahead", str(store.folder)]
        with subprocess.Popen(run, stdin=subprocess.PIPE) as program:
            return program.wait(timeout=60)

    home = store.folder / "results" / "95"
    home.mkdir(parents=True)
    with alone(home):
        assert code() == 1
    assert code() == 0
    assert KeptTables(store).waiting == 0


def test_the_end_comes_also_in_the_middle_of_the_work(store, monkeypatch):
    """A program that never ends is stopped with the screens."""
    monkeypatch.setattr(ahead, "FIRST_S", 0.0)
    begun = []

    class Slow(subprocess.Popen):
        def __init__(self, _command, **rest):
            super().__init__([sys.executable, "-c", "import time; time.sleep(600)"], **rest)
            begun.append(self)

    monkeypatch.setattr(ahead.subprocess, "Popen", Slow)
    at_work = ahead.Ahead(store).start()
    while not begun:
        time.sleep(0.01)
    at_work.end()

    assert begun[0].returncode is not None


def test_the_program_ends_with_screens_that_are_killed(store):
    """They share one standard output, which comes to its end with the last of both; the work alone would take hours."""
    program = (
        "import sys, time\n"
        "from review_app import ahead\n"
        "ahead.make_ahead = lambda *_, **__: print('at work', flush=True) or time.sleep(36_000)\n"
        "ahead.main(sys.argv[1])\n"
    )
    screens = (
        "import subprocess, sys, time\n"
        "from digitise.store import Store\n"
        "from review_app import ahead\n"
        "class Long(subprocess.Popen):\n"
        "    def __init__(self, _command, **rest):\n"
        "        super().__init__([sys.executable, '-c', *sys.argv[1:]], **rest)\n"
        "ahead.FIRST_S, ahead.subprocess.Popen = 0.0, Long\n"
        "ahead.Ahead(Store.open(sys.argv[2])).start()\n"
        "time.sleep(36_000)\n"
    )
    run = [sys.executable, "-c", screens, program, str(store.folder)]
    with subprocess.Popen(run, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as killed:
        assert killed.stdout.readline() == "at work\n"
        killed.kill()
        assert killed.communicate(timeout=60)[0] == ""
