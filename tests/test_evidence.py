"""The evidence folder proves itself, gives the same store back, and believes nothing that it is handed."""

import hashlib
import json
import os
import sqlite3
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from kept import FLAGGED, NOW, PACK, keep, made_result, points

from digitise.exchange import evidence as evidence_module
from digitise.exchange.bag import faults, seal
from digitise.exchange.evidence import take_in, verify
from digitise.exchange.write import write_export
from digitise.provenance import provenance
from digitise.store import Store
from digitise.store.dump import TABLES, dumped
from digitise.store.verify import verify as whole
from digitise.surveys.known_plan import keep_plan
from digitise.surveys.survey import load_surveys

RAY, TOTAL = "fish/ray/0-10/tally", "fish/ray/0-10/total"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A fish sheet with an entry, an undone entry and an unread cell; a line assigned to its pack by hand."""
    with Store.open(tmp_path_factory.mktemp("kept") / "store") as opened:
        page = keep(opened, made_result("fish", {RAY: FLAGGED, TOTAL: FLAGGED}, name="fish.jpg"))
        opened.decide(page, RAY, value=6, state="entered", by="Anna", now=NOW)
        opened.decide(page, TOTAL, value=7, state="entered", by="Anna", now=NOW)
        opened.undo(page, TOTAL, by="Anna", now=NOW)
        line = keep(opened, made_result("substrate", points({"BK": 40}), name="line.jpg", pack=None))
        opened.assign(line, PACK, 1, "Anna", NOW)
        yield opened


@pytest.fixture
def evidence(store, tmp_path):
    write_export(store, tmp_path, now=NOW, formats=("evidence",), with_unreviewed=True)
    return tmp_path / "evidence"


def rows(store):
    return {name: list(dumped(store, name)) for name in TABLES}


def rehash(folder):
    """Seal the folder anew, as somebody would who changes evidence on purpose."""
    seal(folder, {})


def test_evidence_is_a_whole_bag_that_other_programs_check_too(evidence):
    """RFC 8493: declaration, manifests of SHA-256; `sha256sum --check` agrees."""
    assert verify(evidence) == []
    assert (evidence / "bagit.txt").read_text() == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    done = subprocess.run(["sha256sum", "--check", "--quiet", "manifest-sha256.txt"], cwd=evidence, check=False)  # noqa: S607
    assert done.returncode == 0


def test_payload_oxum_counts_bytes_and_files(evidence):
    """RFC 8493, section 2.2.2: octets and streams of the payload."""
    files = [p for p in (evidence / "data").rglob("*") if p.is_file()]
    oxum = f"{sum(p.stat().st_size for p in files)}.{len(files)}"

    assert f"Payload-Oxum: {oxum}\n" in (evidence / "bag-info.txt").read_text()


def test_photographs_are_the_original_bytes_and_open_cells_have_crops(store, evidence):
    """Named by their SHA-256; the cell that Anna entered and the one that is open again are pictures, others are not."""
    originals = [p for p in (evidence / "data" / "originals").rglob("*") if p.is_file()]
    crops = sorted(p.name for p in (evidence / "data" / "crops").rglob("*.png"))
    picture = cv2.imread(str(evidence / "data" / "crops" / "page-1" / crops[0]), cv2.IMREAD_GRAYSCALE)

    assert {p.stem for p in originals} == {p.sha256 for p in store.photos()}
    assert [p.name for p in originals if hashlib.sha256(p.read_bytes()).hexdigest() != p.stem] == []
    assert crops == ["fish_ray_0-10_tally.png", "fish_ray_0-10_total.png"]
    assert picture is not None
    assert np.ptp(picture) == 0  # the made-up page is blank


def test_evidence_taken_in_again_is_the_same_store(store, evidence, tmp_path):
    """Row for row: photographs, pages, readings, every entry with its history, assignments; and the same digest."""
    with take_in(evidence, tmp_path / "second", now=NOW) as second:
        assert rows(second) == rows(store)
        assert [second.current(p.id) for p in second.pages()] == [store.current(p.id) for p in store.pages()]
        digests = {provenance(load_surveys(s), now=NOW).digest for s in (store, second)}
        assert len(digests) == 1
        assert second.original(store.photos()[0].sha256) == store.original(store.photos()[0].sha256)
        assert second.queue()[0].cell == TOTAL


def test_a_store_taken_in_has_a_whole_audit_trail_and_nobody_who_may_log_in(tmp_path):
    """Passphrases stay at home; the new trail covers every row and shows a row changed behind the tool's back."""
    with Store.open(tmp_path / "store") as own:
        keep(own, made_result("fish", {}, name="fish.jpg"))
        own.people.set("Mira Tole", role="scientist", by="Mira Tole", now=NOW, passphrase=" ".join(["surf"] * 5))
        page = own.pages()[0].id
        own.decide(page, RAY, value=2, state="entered", by="Mira Tole", now=NOW)
        assert whole(own).problems == ()
        write_export(own, tmp_path / "out", now=NOW, formats=("evidence",), with_unreviewed=True)
    written = b"".join(p.read_bytes() for p in (tmp_path / "out" / "evidence").rglob("*.jsonl"))
    with take_in(tmp_path / "out" / "evidence", tmp_path / "second", now=NOW) as second:
        report = whole(second)
        assert (report.problems, second.people.all()) == ((), [])
        assert report.head.length >= 4
    assert b"argon2" not in written
    assert b"Mira Tole" in written
    with sqlite3.connect(tmp_path / "second" / "digitise.db") as file:
        names = [n for (n,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        for name in names:
            file.execute(f'DROP TRIGGER "{name}"')
        file.execute("UPDATE entries SET value = '9' WHERE \"by\" = 'Mira Tole'")
    with Store.open(tmp_path / "second") as second:
        assert whole(second).problems


def test_earlier_results_go_with_the_evidence(store, tmp_path):
    """Taken in beside the store, out with the evidence, and in again; a changed one is refused."""
    from digitise.earlier.keep import earlier_results, keep_table, read_table

    (tmp_path / "past.csv").write_text("site,date,hc\nA,2019-03-17,30\n")
    (tmp_path / "past.yaml").write_text(
        "protocol: reef-transect\nsite: site\ndate: date\ncolumns: {hc: {cover: Hard coral}}\n"
    )
    files = (tmp_path / "past.csv", tmp_path / "past.yaml")
    with Store.open(tmp_path / "store") as own:
        keep(own, made_result("fish", {}, name="fish.jpg"))
        results, _ = read_table(*files, today=NOW.date())
        keep_table(own.folder, *files, results, at="2026-03-28T09:30:00Z")
        write_export(own, tmp_path / "out", now=NOW, formats=("evidence",))
    take_in(tmp_path / "out" / "evidence", tmp_path / "second", now=NOW).close()

    assert earlier_results(tmp_path / "second") == results
    kept = next((tmp_path / "out" / "evidence" / "data" / "earlier").iterdir())
    kept.write_text("[]")
    rehash(tmp_path / "out" / "evidence")
    with pytest.raises(ValueError, match="not readable as kept earlier results"):
        take_in(tmp_path / "out" / "evidence", tmp_path / "third", now=NOW)


def test_plans_go_with_the_evidence_so_that_sites_have_the_same_names(tmp_path):
    """A site written by its code is the planned one in the store that is taken in too, and in every table."""
    (tmp_path / "north.yaml").write_text(
        "plan: north\nprotocol: reef-transect\nsites:\n  - {name: Amber Point, code: AP}\nsurveys: [{site: AP}]\n"
    )
    with Store.open(tmp_path / "store") as own:
        keep(own, made_result("site", {"site/site": "AP", "site/date": "2026-03-28"}, name="site.jpg"))
        keep(own, made_result("substrate", points({"BK": 40}), name="line.jpg"))
        keep_plan(own.folder, tmp_path / "north.yaml")
        write_export(own, tmp_path / "first", now=NOW, formats=("tables", "evidence"))
    with take_in(tmp_path / "first" / "evidence", tmp_path / "second", now=NOW) as second:
        write_export(second, tmp_path / "again", now=NOW, formats=("tables",))
        (survey,) = load_surveys(second)

    assert survey.site == "Amber Point"
    for name in ("surveys.csv", "cover.csv", "observations.csv"):
        assert (tmp_path / "again" / "tables" / name).read_bytes() == (
            tmp_path / "first" / "tables" / name
        ).read_bytes()


def test_a_store_taken_in_exports_the_same_evidence(evidence, tmp_path):
    """Out, in, out: the same bytes in every file."""
    with take_in(evidence, tmp_path / "second", now=NOW) as second:
        write_export(second, tmp_path / "again", now=NOW, formats=("evidence",), with_unreviewed=True)
    first, again = (
        {p.relative_to(f): p.read_bytes() for p in f.rglob("*") if p.is_file()}
        for f in (evidence, tmp_path / "again" / "evidence")
    )

    assert [str(n) for n in first.keys() | again.keys() if first.get(n) != again.get(n)] == []


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lambda f: (f / "data" / "cells.csv").write_text("x"), "data/cells.csv: has been changed since it was sealed"),
        (lambda f: (f / "data" / "cells.csv").unlink(), "data/cells.csv: is missing"),
        (lambda f: (f / "data" / "more.txt").write_text("x"), "data/more.txt: is in no manifest; it was added later"),
        (lambda f: (f / "bag-info.txt").write_text("x"), "bag-info.txt: has been changed"),
        (lambda f: (f / "bagit.txt").unlink(), "holds no bagit.txt"),
        (lambda f: (f / "data" / "link").symlink_to("/etc/hostname"), "data/link: is a link; expected a file"),
        (lambda f: (f / "tagmanifest-sha256.txt").unlink(), "tagmanifest-sha256.txt: is missing"),
    ],
)
def test_every_kind_of_harm_is_found_and_named(evidence, tmp_path, harm, words):
    """And nothing is taken in."""
    harm(evidence)

    assert words in " ".join(verify(evidence))
    with pytest.raises(ValueError, match="not taken in"):
        take_in(evidence, tmp_path / "second", now=NOW)
    assert not (tmp_path / "second").exists()


@pytest.mark.parametrize("name", ["../outside.txt", "/etc/hostname", "data/../../outside.txt", "data", "other/file"])
def test_manifests_cannot_point_outside(evidence, name):
    """A name that leaves the payload is a fault, and the file is not opened."""
    with (evidence / "manifest-sha256.txt").open("a") as file:
        file.write(f"{'0' * 64}  {name}\n")

    assert "expected a SHA-256 and a file inside the evidence" in " ".join(faults(evidence))


def _edit(folder, table, change):
    path = folder / "data" / "store" / f"{table}.jsonl"
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    change(lines)
    path.write_text("".join(json.dumps(row) + "\n" for row in lines), encoding="utf-8")
    rehash(folder)


@pytest.mark.parametrize(
    ("table", "change", "words"),
    [
        ("photos", lambda r: r[0].update(file="../../evil.jpg"), "the file's name is not the one its SHA-256 gives"),
        ("pages", lambda r: r[0].update(image="../digitise.db"), "is not the name of a page's picture"),
        ("protocols", lambda r: r[0].update(content="{}"), "not a protocol"),
        ("protocols", lambda r: r[0].update(version="9"), "not the one its digest names"),
        ("readings", lambda r: r[0].update(value="{"), "not readable as JSON"),
        ("readings", lambda r: r[0].update(confidence="high"), "found str, expected float"),
        ("readings", lambda r: r[0].update(confidence=float("inf")), "readings, line 1: not readable as JSON"),
        ("readings", lambda r: r[0].update(candidates="5"), "line 1, candidates: not what this column holds"),
        ("photos", lambda r: r[0].update(bytes=2**70), "found a number of 22 digits, expected a smaller one"),
        ("photos", lambda r: r[0].update(sha256=None), "line 1, sha256: empty, expected a value"),
        ("photos", lambda r: r[0].update(name="\ud800"), "photos, line 1: not readable as JSON"),
        ("photos", lambda r: r[0].update(name="a\0b"), "holds a character that no database keeps"),
        ("layouts", lambda r: r[0].update(content="{}"), "line 1, content: not a layout"),
        ("entries", lambda r: r[0].update(extra=1), "expected exactly the columns"),
        ("entries", lambda r: r[0].update(page_id=99), "cannot be taken in"),
        ("entries", lambda r: r[-4].update(value="8"), "do not give the data that it says it holds"),
    ],
)
def test_rows_changed_on_purpose_are_refused_even_when_sealed_anew(evidence, tmp_path, table, change, words):
    """Names, references, types and the digest of the data; nothing is left behind."""
    _edit(evidence, table, change)

    assert faults(evidence) == []
    with pytest.raises(ValueError, match=words):
        take_in(evidence, tmp_path / "second", now=NOW)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["evidence"]


def test_a_photograph_under_another_name_is_found(evidence):
    """Sealed anew with foreign bytes under a photograph's name."""
    path = next(p for p in (evidence / "data" / "originals").rglob("*") if p.is_file())
    path.chmod(0o644)
    path.write_bytes(b"another photograph")
    rehash(evidence)

    assert "its content is not the photograph that its name says" in " ".join(verify(evidence))


def test_evidence_never_goes_over_other_files(store, evidence, tmp_path):
    """A folder with something else in it is left alone; so is a store that holds something."""
    (tmp_path / "b" / "evidence").mkdir(parents=True)
    (tmp_path / "b" / "evidence" / "mine.txt").write_text("x")

    with pytest.raises(ValueError, match="holds other files"):
        write_export(store, tmp_path / "b", now=NOW, formats=("evidence",), with_unreviewed=True)
    with pytest.raises(ValueError, match="holds files already"):
        take_in(evidence, tmp_path / "b", now=NOW)


def test_two_exports_into_one_folder_at_once_leave_it_whole(store, tmp_path, monkeypatch):
    """One is made from beginning to end while the other is in the middle; nothing unfinished is left."""
    out, begun = tmp_path / "out", []

    def sealed(folder, info, seal=evidence_module.seal):
        if not begun:
            begun.append(folder)
            write_export(store, out, now=NOW, formats=("evidence",), with_unreviewed=True)
        return seal(folder, info)

    monkeypatch.setattr(evidence_module, "seal", sealed)
    write_export(store, out, now=NOW, formats=("evidence",), with_unreviewed=True)

    assert verify(out / "evidence") == []
    assert [p.name for p in out.iterdir()] == ["evidence"]


def test_evidence_that_comes_into_place_at_the_same_moment_is_told_of_in_a_sentence(store, tmp_path, monkeypatch):
    """Just after the older one was moved away; the other's stays as it is."""
    out = tmp_path / "out"
    write_export(store, out, now=NOW, formats=("evidence",), with_unreviewed=True)

    def moved(path, target, replace=Path.replace):
        done = replace(path, target)
        if path == out / "evidence":
            path.mkdir()
            (path / "bagit.txt").write_text("the other's", encoding="utf-8")
        return done

    monkeypatch.setattr(Path, "replace", moved)
    with pytest.raises(ValueError, match="another export wrote its evidence here at the same moment"):
        write_export(store, out, now=NOW, formats=("evidence",), with_unreviewed=True)

    assert [p.name for p in out.rglob("*")] == ["evidence", "bagit.txt"]


def test_what_a_killed_export_left_goes_after_a_day_and_nobody_elses_folder(store, tmp_path):
    """Only names that the program gives itself are its own."""
    own, young, other = (tmp_path / f"evidence.{name}.incoming" for name in ("0a1b2c", "3d4e5f", "my notes"))
    for folder in (own, young, other):
        folder.mkdir()
    for folder in (own, other):
        os.utime(folder, (0, 0))
    write_export(store, tmp_path, now=NOW, formats=("evidence",), with_unreviewed=True)

    assert {p.name for p in tmp_path.iterdir()} == {"evidence", young.name, other.name}
