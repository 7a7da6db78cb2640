"""The screens as a service: started by a service manager, stopped by it, and unharmed by visitors who never finish."""

import configparser
import os
import shlex
import signal
import socket
import subprocess
import sys
from pathlib import Path
from urllib.request import urlopen

import pytest
from browsing import free_port, serving, until_it_answers

from digitise.cli import _parser
from digitise.commands.reviewing import UNIT


@pytest.mark.parametrize(
    ("how", "ask"), [(signal.SIGTERM, os.kill), (signal.SIGINT, os.killpg), (signal.SIGINT, os.kill)]
)
def test_whoever_stops_the_command_stops_the_server(tmp_path, how, ask):
    """A service manager asks the one process it started, Ctrl+C all of them: 0, and nobody listens any more.

    What it says is the address, and that the store is a new one, which may be a slip; and nothing else.
    """
    port, store, said = free_port(), tmp_path / "store", tmp_path / "said.txt"
    command = [sys.executable, "-m", "digitise", "review", "--store", str(store), "--port", str(port)]
    with (
        said.open("wb") as out,
        subprocess.Popen(command, stdout=out, stderr=out, start_new_session=True) as one,
    ):
        until_it_answers(one, port)
        ask(one.pid, how)
        assert one.wait(60) == 0
    assert said.read_text(encoding="utf-8").split("\n")[:2] == [
        f"{store}: no store is here; a new one is made.",
        f"Review screens at http://127.0.0.1:{port} (Ctrl+C stops them).",
    ]
    assert "Streamlit" not in said.read_text(encoding="utf-8")
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0


def test_no_address_is_told_where_none_is_served(tmp_path):
    """A port that another program has: 2, a sentence, and no address to open."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        command = [sys.executable, "-m", "digitise", "review", "--store", str(tmp_path / "store"), "--port", str(port)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120)

    assert done.returncode == 2
    assert f"127.0.0.1:{port} cannot be used" in done.stderr
    assert "Review screens at" not in done.stderr + done.stdout


@pytest.mark.skipif(sys.platform != "linux", reason="the list of a process's children is Linux's")
def test_a_server_that_is_killed_fails_its_command(tmp_path):
    """Else a service manager would take it for stopped on purpose, and start nothing again."""
    port = free_port()
    command = [sys.executable, "-m", "digitise", "review", "--store", str(tmp_path / "store"), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True) as one:
        until_it_answers(one, port)
        (server,) = Path(f"/proc/{one.pid}/task/{one.pid}/children").read_text().split()
        os.kill(int(server), signal.SIGKILL)
        assert one.wait(60) == 128 + signal.SIGKILL


def test_visitors_who_never_finish_keep_nobody_waiting(tmp_path):
    """200 who send half a request and 200 who send half a form: the next one is answered."""
    port = free_port()
    with serving(tmp_path / "store", port) as address:
        halves = (
            b"GET / HTTP/1.1\r\nX: ",
            b"POST /desk/take HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 900\r\n\r\na",
        )
        waiting = [socket.create_connection(("127.0.0.1", port), timeout=10) for _ in range(400)]
        try:
            for number, one in enumerate(waiting):
                one.sendall(halves[number % 2])
            with urlopen(f"{address}_stcore/health", timeout=60) as answer:  # noqa: S310 - our own server
                assert answer.status == 200
        finally:
            for one in waiting:
                one.close()


def test_the_unit_shown_by_review_starts_a_command_that_there_is():
    """systemd's unit files are read as INI here; what they mean is systemd's (its own check needs it installed)."""
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str
    unit.read_string("\n".join(line[2:] for line in UNIT.splitlines() if line.startswith("  ")))
    program, *words = shlex.split(unit["Service"]["ExecStart"])
    args = _parser().parse_args(words)

    assert (Path(program).name, args.command, args.name) == ("digitise", "review", "reef.example")
    assert unit["Service"]["ReadWritePaths"] == str(args.store)
    assert unit["Service"]["User"] != "root"


def test_review_opens_by_its_name_as_every_other_screen(tmp_path):
    port = free_port()
    with serving(tmp_path / "store", port) as address, urlopen(f"{address}review?order=sheet") as answer:  # noqa: S310 - ours
        assert (answer.status, answer.url) == (200, f"{address}?order=sheet")
