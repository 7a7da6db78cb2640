"""``digitise read`` as a run: stopped and taken up again, killed, watched; nothing read twice, nothing lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from damage import encoded, seeds
from PIL import Image

from digitise.cli import main
from digitise.store import Store
from digitise.wording import plural

WORDS = "is not a photograph"


@pytest.fixture(scope="module")
def photos(tmp_path_factory, photograph) -> Path:
    """A sheet, a second one, and a text."""
    out = tmp_path_factory.mktemp("photos")
    (out / "a.jpg").write_bytes(photograph("site").jpeg)
    (out / "b.jpg").write_bytes(photograph("fish").jpeg)
    (out / "c.jpg").write_text("no photograph", encoding="utf-8")
    return out


def _json(path: Path) -> list[dict]:
    return json.loads(path.read_text(encoding="utf-8"))["photos"]


def _started(*arguments: object) -> subprocess.Popen:
    command = [sys.executable, "-W", "error", "-m", "digitise", "read", *map(str, arguments)]
    return subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True)


def _until(condition, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.05)


def _lines(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines()) if path.exists() else 0


# --- stopped and taken up again --------------------------------------------------------------------------


@pytest.mark.parametrize(("how", "code"), [(signal.SIGINT, 130), (signal.SIGKILL, -9)])
def test_a_run_that_is_stopped_goes_on_from_there(how: int, code: int, photos, tmp_path) -> None:
    """Ctrl+C, or a kill that cannot be caught: no file half written, and the same command reads only the rest."""
    (tmp_path / "in").mkdir()
    for number in range(7):  # different files, so that there is time to stop
        data = (photos / "a.jpg").read_bytes() + bytes([number])
        (tmp_path / "in" / f"{number:02d}.jpg").write_bytes(data)
    out, part = tmp_path / "out.json", tmp_path / "out.json.part"
    run = _started(tmp_path / "in", "--json", out, "--jobs", 1)
    _until(lambda: _lines(part) >= 2)
    os.kill(run.pid, how)
    said = run.communicate(timeout=60)[1]
    finished = _lines(part) - 1

    assert run.returncode == code
    assert not out.exists()
    assert 1 <= finished < 7
    assert "Traceback" not in said
    if code == 130:
        assert f"Stopped after {plural(finished, 'photograph')}. The same command goes on from there." in said
    again = _started(tmp_path / "in", "--json", out, "--jobs", 1)
    said = again.communicate(timeout=120)[1]
    assert again.returncode == 0
    assert f"7 photographs: {7 - finished} read, 0 to take again, 0 unreadable, {finished} done before." in said
    assert not part.exists()
    assert [p["file"] for p in _json(out)] == [f"{n:02d}.jpg" for n in range(7)]
    assert {len(p["readings"]) for p in _json(out)} == {23}


def test_what_a_stopped_run_read_is_what_an_unbroken_one_reads(photos, tmp_path) -> None:
    """The journal's readings are the readings: whether a photograph was read today or before makes no difference."""
    from digitise.batch.batch import known_protocols, signature
    from digitise.batch.journal import journal_beside

    assert main(["read", str(photos), "--json", str(tmp_path / "whole.json")]) == 1
    journal = journal_beside(tmp_path / "out.json", signature(known_protocols()))
    for photo in _json(tmp_path / "whole.json")[:2]:
        journal.add(photo["sha256"], [photo | {"file": "another name.jpg"}])
    journal.close(ended=False)
    assert main(["read", str(photos), "--json", str(tmp_path / "out.json")]) == 1

    assert _json(tmp_path / "out.json") == _json(tmp_path / "whole.json")


def test_what_is_in_the_store_is_not_read_again_but_refused_ones_are(photos, tmp_path, capsys) -> None:
    """The second run reads the text only, since another protocol or reader may take what was refused."""
    command = ["read", str(photos), "--store", str(tmp_path / "store")]
    assert main(command) == 1
    first = capsys.readouterr().err
    assert main(command) == 1
    second = capsys.readouterr().err

    assert "3 photographs: 2 read, 0 to take again, 1 unreadable." in first
    assert "3 photographs: 0 read, 0 to take again, 1 unreadable, 2 done before." in second
    assert "a.jpg" not in second
    with Store.open(tmp_path / "store") as store:
        assert [p.status for p in store.photos()] == ["read", "read", "unreadable"]


def test_a_store_and_a_file_together_miss_nothing(photos, tmp_path, capsys) -> None:
    """Photographs in the store already are read again when their readings are wanted as a file too."""
    assert main(["read", str(photos), "--store", str(tmp_path / "store")]) == 1
    assert main(["read", str(photos), "--store", str(tmp_path / "store"), "--json", str(tmp_path / "out.json")]) == 1
    capsys.readouterr()

    assert [(p["file"], p["status"]) for p in _json(tmp_path / "out.json")] == [
        ("a.jpg", "read"),
        ("b.jpg", "read"),
        ("c.jpg", "unreadable"),
    ]
    with Store.open(tmp_path / "store") as store:
        assert len(store.pages()) == 2


# --- many pictures in one file ---------------------------------------------------------------------------


def test_a_pdf_of_scans_is_read_and_kept_page_by_page(photograph, tmp_path, capsys) -> None:
    """Two sheets and an empty page: two pages in the store, each opening the picture it was read from."""
    sheets = [Image.fromarray(photograph(name).gray()) for name in ("site", "fish")]
    pages = [*sheets, Image.new("L", (600, 800), 240)]
    data = encoded(pages[0], "PDF", save_all=True, append_images=pages[1:])
    (tmp_path / "scans.pdf").write_bytes(data)
    command = ["read", str(tmp_path / "scans.pdf"), "--store", str(tmp_path / "store")]
    code = main([*command, "--json", str(tmp_path / "out.json")])
    found = _json(tmp_path / "out.json")

    assert code == 1
    assert [(p["file"], p["status"], p["file_page"]) for p in found] == [
        ("scans.pdf#page=1", "read", 1),
        ("scans.pdf#page=2", "read", 2),
        ("scans.pdf#page=3", "unreadable", 3),
    ]
    assert len({p["sha256"] for p in found}) == 1
    with Store.open(tmp_path / "store") as store:
        kept = store.photos()
        assert [p.name for p in kept] == [p["file"] for p in found]
        assert [p.sha256 for p in kept] == [p["picture_sha256"] for p in found]
        assert all(store.original(p.sha256).startswith(b"\x89PNG") for p in kept)
        assert [(p.sheet, p.pack) for p in store.pages()] == [("site", "QH7M4K"), ("fish", "QH7M4K")]
    assert main(command) == 1
    assert "2 done before" in capsys.readouterr().err


def test_hostile_files_leave_the_rest_of_the_batch_unharmed(photos, tmp_path, capsys) -> None:
    """Every bad file has its sentence; the photograph among them is read."""
    folder = tmp_path / "in"
    folder.mkdir()
    bad = {
        "1.jpg": (seeds()["jpeg"][:-200], "damaged"),
        "2.jpg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", WORDS),
        "3.png": (seeds()["png-animated"], "animation"),
        "4.zip": (seeds()["zip"][:-30], "damaged"),
        "6.pdf": (b"%PDF-1.7 and nothing more", "damaged"),
        "7.heic": (seeds()["heic"][:200], WORDS),
        "8.tif": (seeds()["tiff"][:-5000], "damaged"),
    }
    for name, (data, _) in bad.items():
        (folder / name).write_bytes(data)
    (folder / "5.jpg").write_bytes((photos / "a.jpg").read_bytes())
    assert main(["read", str(folder)]) == 1
    said = capsys.readouterr().err.splitlines()

    for name, (_, words) in bad.items():
        assert [line for line in said if line.startswith(name) and words in line], (name, said)
    assert [line for line in said if line.startswith("5.jpg: Site sheet")]
    assert said[-1] == "8 photographs: 1 read, 0 to take again, 7 unreadable."


NAMES = {
    b"broken\xff.zip": (b"PK\3\4 and no more", "broken\ufffd.zip"),
    b"raw\xff.dng": (b"x", "raw\ufffd.dng"),
    b"two\nlines \x1b[2J.jpg": (b"x", "twolines [2J.jpg"),
    "turned \u202egpj.exe.jpg".encode(): (b"x", "turned gpj.exe.jpg"),
}


def test_no_name_of_a_file_costs_the_result_or_steers_the_terminal(tmp_path, capsys) -> None:
    """Names that are no UTF-8, that hold line breaks and a terminal's orders, or that are written from the right."""
    (tmp_path / "in").mkdir()
    for name, (data, _) in NAMES.items():
        Path(os.fsdecode(os.fsencode(tmp_path / "in") + b"/" + name)).write_bytes(data)
    assert main(["read", str(tmp_path / "in"), "--json", str(tmp_path / "out.json"), "--jobs", "1"]) == 1
    said = capsys.readouterr().err

    assert {p["file"] for p in _json(tmp_path / "out.json")} == {shown for _, shown in NAMES.values()}
    assert len(said.splitlines()) == 5
    assert "\x1b" not in said


# --- watched ---------------------------------------------------------------------------------------------


def test_a_watched_folder_is_read_as_photographs_come(photos, tmp_path) -> None:
    """The second comes in two parts, a moment apart: it is read once, whole. A kill ends the watch, and all is there."""
    folder, out = tmp_path / "in", tmp_path / "out.json"
    folder.mkdir()
    (folder / "a.jpg").write_bytes((photos / "a.jpg").read_bytes())
    run = _started(folder, "--json", out, "--watch", "--jobs", 1)
    try:
        _until(out.exists)
        assert [(p["file"], p["status"]) for p in _json(out)] == [("a.jpg", "read")]
        data = (photos / "b.jpg").read_bytes()
        with (folder / "b.jpg").open("wb") as growing:
            growing.write(data[:100_000])
            growing.flush()
            time.sleep(1.5)
            growing.write(data[100_000:])
        _until(lambda: len(_json(out)) == 2)
    finally:
        os.kill(run.pid, signal.SIGTERM)
        said = run.communicate(timeout=60)[1]

    assert run.returncode == 0
    assert [(p["file"], p["status"]) for p in _json(out)] == [("a.jpg", "read"), ("b.jpg", "read")]
    assert "Watching " in said
    assert said.strip().endswith("2 photographs: 2 read, 0 to take again, 0 unreadable.")
    assert "Traceback" not in said


def test_a_file_that_changes_in_a_watched_folder_stands_in_the_result_once(photos, tmp_path) -> None:
    """First cut short, then whole: what was said of the part is gone; a file of that name in another folder stays."""
    folder, out = tmp_path / "in", tmp_path / "out.json"
    (folder / "other").mkdir(parents=True)
    data = (photos / "a.jpg").read_bytes()
    (folder / "a.jpg").write_bytes(data[:100_000])
    (folder / "other" / "a.jpg").write_bytes((photos / "b.jpg").read_bytes())
    run = _started(folder, "--json", out, "--watch", "--jobs", 1)
    try:
        _until(lambda: out.exists() and sorted(p["status"] for p in _json(out)) == ["read", "unreadable"])
        (folder / "a.jpg").write_bytes(data)
        _until(lambda: [p["status"] for p in _json(out)] == ["read", "read"])
    finally:
        os.kill(run.pid, signal.SIGTERM)
        said = run.communicate(timeout=60)[1]

    assert len({p["sha256"] for p in _json(out)}) == 2
    assert said.strip().endswith("2 photographs: 2 read, 0 to take again, 0 unreadable.")


def test_a_file_that_is_renamed_in_a_watched_folder_stands_in_the_result_once(photos, tmp_path) -> None:
    """Under its new name; one that is taken away keeps its readings."""
    folder, out = tmp_path / "in", tmp_path / "out.json"
    folder.mkdir()
    for name in ("a.jpg", "b.jpg"):
        (folder / name).write_bytes((photos / name).read_bytes())
    run = _started(folder, "--json", out, "--watch", "--jobs", 1)
    try:
        _until(lambda: out.exists() and len(_json(out)) == 2)
        (folder / "a.jpg").rename(folder / "c.jpg")
        (folder / "b.jpg").unlink()
        _until(lambda: "c.jpg" in [p["file"] for p in _json(out)])
    finally:
        os.kill(run.pid, signal.SIGTERM)
        run.communicate(timeout=60)

    assert sorted((p["file"], p["status"]) for p in _json(out)) == [("b.jpg", "read"), ("c.jpg", "read")]


def test_a_watch_that_reads_nothing_leaves_the_result_of_the_one_before(tmp_path) -> None:
    """Ended before a file was quiet, or started after the photographs were taken away."""
    out = tmp_path / "out.json"
    (tmp_path / "in").mkdir()
    out.write_text('{"result_version": 1, "photos": [{"file": "a.jpg"}]}', encoding="utf-8")
    run = _started(tmp_path / "in", "--json", out, "--watch", "--jobs", 1)
    _until(lambda: run.stderr.readline().startswith("Watching"))
    time.sleep(0.5)
    os.kill(run.pid, signal.SIGINT)
    run.communicate(timeout=60)

    assert run.returncode == 0
    assert [p["file"] for p in _json(out)] == ["a.jpg"]


def test_only_folders_can_be_watched(photos, tmp_path, capsys) -> None:
    """A folder that is not there would be watched in vain."""
    for path in (tmp_path / "nowhere", photos / "a.jpg"):
        assert main(["read", str(path), "--watch"]) == 2
        assert f"{path}: --watch follows folders of this computer; make the folder first" in capsys.readouterr().err


def test_a_number_of_processes_is_a_number(capsys) -> None:
    """Nought and words are unusable arguments."""
    for text in ("0", "many", "-1"):
        with pytest.raises(SystemExit) as end:
            main(["read", "x.jpg", "--jobs", text])
        assert end.value.code == 2
        assert "--jobs" in capsys.readouterr().err
