"""The log that a coordinator can send: what was done and where it broke, and nothing that a person wrote."""

import json
import logging

import pytest
from asgi import Browser
from kept import NOW, photo_of
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Route

from digitise import doctor, log
from review_app import intake
from review_app.troubles import Troubles


@pytest.fixture
def folder(tmp_path):
    """A folder whose log is kept until the test ends."""
    log.keep(tmp_path)
    yield tmp_path
    log.keep(tmp_path / "nowhere")


def lines(folder) -> list[dict]:
    return [json.loads(line) for line in (folder / log.FILE).read_text(encoding="utf-8").splitlines()]


def fail(_request=None):
    raise ValueError("Mira Tole wrote 6 at Lantern Garden, /srv/mira/secret")


def test_an_error_is_noted_by_its_kind_and_its_lines_of_code_without_its_text(folder):
    """Where the code lies on this computer is left out too."""
    with pytest.raises(ValueError, match="Mira") as raised:
        fail()
    log.trouble("read", raised.value, photo="0123456789ab")
    (line,) = lines(folder)

    assert (line["event"], line["error"], line["photo"]) == ("read", "ValueError", "0123456789ab")
    assert line["through"][-1].endswith(" fail")
    text = (folder / log.FILE).read_text()
    assert [w for w in ("Mira", "Lantern", "secret", "srv", str(log.Path(__file__).parents[1])) if w in text] == []


@pytest.mark.parametrize(
    ("where", "left"),
    [
        ("/srv/mira/reefs/digitise/log.py", "digitise/log.py"),
        ("C:\\Users\\mira\\reefs\\review_app\\app.py", "review_app\\app.py"),
        ("C:\\Users\\mira\\venv\\Lib\\site-packages\\numpy\\core.py", "numpy\\core.py"),
        ("/srv/mira/mine.py", "mine.py"),
        ("C:\\Users\\mira\\mine.py", "mine.py"),
    ],
)
def test_folders_of_any_system_are_left_out_of_a_line_of_code(where, left):
    """They hold the names of people and of their computers."""
    assert log._BELOW.sub("", where, count=1) == left


def test_an_address_that_breaks_is_noted_without_what_it_was_asked_for(folder):
    app = Starlette(routes=[Route("/{rest:path}", fail)], middleware=[Middleware(Troubles)])
    for path in ("/desk/trace/7?cell=Mira", "/b/thesecretofthelink/state", "/"):
        with pytest.raises(ValueError, match="Mira"):
            Browser(app).get(path)

    assert [line["address"] for line in lines(folder)] == ["/desk/trace", "/b", "/"]
    assert "thesecret" not in (folder / log.FILE).read_text()


def test_a_photograph_that_is_read_leaves_a_line_without_its_name(folder, store):
    sha256 = store.keep_photo(photo_of("Mira at Lantern Garden.jpg"), "Mira at Lantern Garden.jpg", now=NOW)
    intake.read_one(store, sha256, "Mira at Lantern Garden.jpg")
    (line,) = lines(folder)

    assert {k: line[k] for k in ("event", "photo", "status", "cells")} == {
        "event": "read", "photo": sha256[:12], "status": "unreadable", "cells": 0,
    }  # fmt: skip
    assert "Mira" not in (folder / log.FILE).read_text()


def test_a_log_takes_little_room_and_a_full_disk_stops_no_work(folder, monkeypatch, capsys):
    monkeypatch.setattr(log, "MOST_BYTES", 2000)
    log.keep(folder)
    for _ in range(60):
        log.note("start", shared=True)
    kept = sorted(p.name for p in folder.iterdir())
    log.keep(folder / "no such folder")
    log.note("start")

    assert kept == ["log.jsonl", "log.jsonl.1", "log.jsonl.2"]
    assert sum(p.stat().st_size for p in folder.iterdir()) <= 3 * 2000
    assert capsys.readouterr().err == ""


def test_the_doctor_says_where_errors_are(folder):
    assert doctor._log(folder / "store")[0] == doctor.WELL
    log.note("start")
    assert doctor._log(folder)[0] == doctor.WELL
    log.trouble("read", OSError("x"))
    state, words = doctor._log(folder)

    assert state == doctor.LESS
    assert words.startswith("1 error in ")


def test_without_a_folder_nothing_is_written_or_said(capsys):
    logger = logging.getLogger("digitise")
    held, logger.handlers = logger.handlers, [logging.NullHandler()]
    try:
        log.note("start")
    finally:
        logger.handlers = held
    assert capsys.readouterr().err == ""
