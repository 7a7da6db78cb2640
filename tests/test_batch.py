"""Many photographs at once: which files, in which order, by which protocols; one broken file stops nobody."""

from __future__ import annotations

import hashlib
import os
import re
import signal
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image

from digitise.batch.batch import KnownProtocols, Reader, keep, known_protocols, read_batch, read_before, summary
from digitise.batch.folders import photo_files
from digitise.batch.sources import Picture
from digitise.reader.reading import PhotoResult
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import SHIPPED, ProtocolError, load_protocol, shipped_names
from digitise.store import Store

NOW = datetime(2026, 3, 28, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, photograph) -> Path:
    """Two good photographs, a text called .jpg, an empty file, a cut-off one, and things that are no pictures."""
    out = tmp_path_factory.mktemp("photos")
    (out / "a-site.jpg").write_bytes(photograph("site").jpeg)
    (out / "b-text.JPG").write_text("no photograph at all", encoding="utf-8")
    (out / "c-empty.png").write_bytes(b"")
    (out / "d-cut.jpeg").write_bytes(photograph("site").jpeg[:90_000])
    (out / "later").mkdir()
    (out / "later" / "e-fish.jpg").write_bytes(photograph("fish").jpeg)
    (out / "notes.txt").write_text("not to be read", encoding="utf-8")
    (out / ".hidden.jpg").write_bytes(b"left by a file manager")
    return out


NAMES = ["a-site.jpg", "b-text.JPG", "c-empty.png", "d-cut.jpeg", "e-fish.jpg"]


# --- protocols -------------------------------------------------------------------------------------------


def test_shipped_protocols_are_always_known() -> None:
    known = known_protocols()

    assert [p.protocol for p in known.protocols] == shipped_names()
    assert len(known.layouts) == sum(len(build_layouts(p)) for p in known.protocols) == 100


def test_given_protocols_come_first_and_the_same_page_is_kept_once(tmp_path) -> None:
    """A copy of the shipped file adds nothing; an edited copy adds the page that differs, on each of four papers."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    (tmp_path / "copy.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "edited.yaml").write_text(text.replace("point_spacing_m: 0.5", "point_spacing_m: 1"), encoding="utf-8")
    known = known_protocols([tmp_path / "copy.yaml", tmp_path / "edited.yaml"])

    assert len(known.protocols) == 2 + len(shipped_names())
    assert len(known.layouts) == 100 + 4
    edited = load_protocol(tmp_path / "edited.yaml")
    assert all(known.home(one) is not None for one in known.layouts)
    line = next(one for one in build_layouts(edited) if one.sheet == "substrate")
    assert known.home(line).transect.point_spacing_m == 1


@pytest.mark.parametrize(
    ("old", "new", "sheet"),
    [
        ("{code: YB, id: sand, label: Sand and silt}", "{code: YB, id: mud, label: Mud}", "substrate"),
        ("width_m: 2 ", "width_m: 4 ", "fish"),
    ],
    ids=["another-category", "another-area"],
)
def test_a_change_without_a_new_version_is_refused_where_sheets_would_not_show_it(tmp_path, old, new, sheet) -> None:
    """Its sheets would be read as the other's: sand for mud, or counts over another area, and nobody would know."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "edited.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")

    words = (
        rf"edited\.yaml: its sheet '{sheet}' cannot be told from that of another 'reef-transect' of version 1; expected"
    )
    with pytest.raises(ProtocolError, match=words):
        known_protocols([path])
    path.write_text(text.replace(old, new).replace('version: "1"', 'version: "2"'), encoding="utf-8")
    assert known_protocols([path]).protocols[0].version == "2"


def test_an_unusable_protocol_is_refused_before_anything_is_read(tmp_path) -> None:
    (tmp_path / "bad.yaml").write_text("protocol: [", encoding="utf-8")

    with pytest.raises(ProtocolError, match=r"bad\.yaml: not readable as YAML"):
        known_protocols([tmp_path / "bad.yaml"])


# --- reading ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def in_turn(folder) -> list[PhotoResult]:
    return [t.result for t in read_batch(photo_files([folder]), known_protocols(), jobs=1)]


def test_one_broken_file_never_stops_the_others(in_turn) -> None:
    """Two read, three refused, each in its place and with a sentence."""
    assert [r.file for r in in_turn] == NAMES
    assert [r.status for r in in_turn] == ["read", "unreadable", "unreadable", "unreadable", "read"]
    assert all(r.reasons for r in in_turn if r.status != "read")
    assert [len(r.readings) for r in in_turn] == [23, 0, 0, 0, 53]


def test_photographs_read_in_parallel_equal_those_read_in_turn(folder, in_turn) -> None:
    """Two processes, five files: the same results in the same order."""
    together = [t.result.to_json() for t in read_batch(photo_files([folder]), known_protocols(), jobs=2)]

    assert together == [r.to_json() for r in in_turn]


def test_the_order_of_files_changes_no_result(folder, in_turn) -> None:
    """Backwards, each photograph says what it said forwards."""
    files = [p for p in reversed(photo_files([folder])) if "cut" not in p.name]
    backwards = {t.name: t.result.to_json() for t in read_batch(files, known_protocols(), jobs=1)}

    assert backwards == {r.file: r.to_json() for r in in_turn if "cut" not in r.file}


def test_a_worker_killed_in_the_middle_loses_and_doubles_nothing(folder, in_turn) -> None:
    """As a machine short of memory does it: what the worker was reading is read again by the next."""
    with Reader(known_protocols(), jobs=1) as reader:
        taken = reader.read(reader.pictures(photo_files([folder])))
        found = [next(taken)]
        os.kill(reader._workers._workers[0].process.pid, signal.SIGKILL)
        found += taken

    assert [t.result.to_json() for t in found] == [r.to_json() for r in in_turn]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only Linux tells the peak of another process")
def test_a_worker_stays_below_400_megabytes(folder, tmp_path) -> None:
    """With photographs of 12 megapixels, of a page of words and one of strokes: its own peak, as the system knows it."""
    for name in ("a-site.jpg", "later/e-fish.jpg"):
        with Image.open(folder / name) as image:
            image.resize((3000, 4000)).save(tmp_path / Path(name).name, quality=90)
    with Reader(known_protocols(), jobs=1) as reader:
        found = list(reader.read(reader.pictures(photo_files([tmp_path]))))
        status = Path(f"/proc/{reader._workers._workers[0].process.pid}/status").read_text()

    assert [t.result.status for t in found] == ["read", "read"]
    assert int(re.search(r"VmHWM:\s+(\d+) kB", status)[1]) < 400_000


def test_a_photograph_whose_reading_was_stopped_is_kept_and_says_so(folder) -> None:
    """Its bytes are at hand for the store, and it is known by them."""
    path = folder / "a-site.jpg"
    taken = Reader(known_protocols(), wanted=True)._stopped(Picture(path), "it took more than 60 seconds")

    assert taken.data == path.read_bytes()
    assert taken.sha256 == taken.result.sha256 == hashlib.sha256(taken.data).hexdigest()
    assert summary(taken.result) == (
        "a-site.jpg: unreadable. Reading the picture was stopped: it took more than 60 seconds. "
        "Photograph the sheet again, or save the picture anew as JPEG."
    )


def test_nothing_to_read_gives_nothing() -> None:
    assert list(read_batch([], known_protocols())) == []


def test_summary_says_what_was_found_or_what_to_do(in_turn) -> None:
    """Sheet, pack, transect and how many cells wait for a person; or the reason and its cure."""
    site, text, empty, cut, fish = (summary(r) for r in in_turn)

    assert site.startswith("a-site.jpg: Site sheet, pack QH7M4K; 23 cells, ")
    assert fish.startswith("e-fish.jpg: Fish belt, pack QH7M4K, transect 1; 53 cells, ")
    assert " for a person, flattened to 0." in fish
    assert text == (
        "b-text.JPG: unreadable. The file is not a photograph: the content is no JPEG, PNG, TIFF, HEIC, AVIF or "
        "WebP picture. Choose a JPEG, PNG, TIFF or HEIC photograph."
    )
    assert (
        empty
        == "c-empty.png: unreadable. The file is damaged or cut short: the file is empty. Copy it from the phone again."
    )
    assert "damaged or cut short" in cut


def test_summary_of_a_sheet_without_a_code_says_that_its_pack_is_not_known(registered) -> None:
    """Spare pages and slates have none: somebody gives it."""
    page = replace(registered("fish"), identity=None)

    words = summary(PhotoResult("x.jpg", "0" * 64, "read", (), page=page))
    assert words.startswith("x.jpg: Fish belt, pack not known; 0 cells, ")


def test_summary_of_a_photograph_to_be_taken_again() -> None:
    result = PhotoResult("x.jpg", "0" * 64, "retake", ("The picture is blurred. Hold the phone still.",))

    assert summary(result) == "x.jpg: take it again. The picture is blurred. Hold the phone still."


def test_every_photograph_is_kept_and_pages_recorded(folder, in_turn, tmp_path) -> None:
    """Four photographs in the store, two pages; an empty file and one that could not be opened leave no trace."""
    known = KnownProtocols((load_protocol("reef-transect"),))
    files = [*photo_files([folder]), folder / "nowhere.jpg"]
    with Store.open(tmp_path / "store") as store:
        taken = list(read_batch(files, known, jobs=1, wanted=True))
        for one in taken * 2:
            keep(store, one, known, now=NOW)

        assert sorted(p.name for p in store.photos()) == sorted(n for n in NAMES if "empty" not in n)
        assert [(p.sheet, p.pack, p.transect) for p in store.pages()] == [("site", "QH7M4K", 0), ("fish", "QH7M4K", 1)]
        assert read_before(store) == {t.sha256 for t in taken if t.result.status == "read"}


def test_what_is_in_the_store_is_not_read_again(folder, in_turn) -> None:
    """Known by its bytes, whatever it is called; the others are read."""
    known, files = known_protocols(), photo_files([folder])
    with Reader(known, jobs=1, done=frozenset({in_turn[0].sha256})) as reader:
        again = list(reader.read(reader.pictures(files[:2])))

    assert [(t.name, t.result is None) for t in again] == [("a-site.jpg", True), ("b-text.JPG", False)]
    assert again[0].sha256 == in_turn[0].sha256
