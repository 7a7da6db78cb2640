"""What is done behind the tool's back is shown by name; what is backed up comes back. On both databases."""

import json
import os
import re
import shutil

import numpy as np
import pytest
from kept import NOW, PACK, keep, made_result, photo_of
from stores import GOBY, RAY, TOTAL, Kept, enter, fish

from digitise.cli import main
from digitise.reader.reading import PhotoResult, sentence
from digitise.store import Store, StoreError, chain, entries
from digitise.store import backup as backups
from digitise.store.backup import RECORD, backup, restore
from digitise.store.dump import TABLES, dumped, load
from digitise.store.verify import verify


def full(store) -> int:
    """A store with something of everything in it; the fish page's id."""
    page = fish(store, flagged=(TOTAL, GOBY))
    named = keep(store, made_result("substrate", {}, name="line.jpg", pack=None))
    store.assign(named, PACK, 2, "Anna", NOW)
    enter(store, page, value=5, client="desk-anna", seq=1)
    enter(store, page, value=6, by="Ben", client="desk-ben", seq=1)
    store.undo(page, TOTAL, by="Ben", now=NOW, client="desk-ben", seq=2)
    enter(store, page, GOBY, None, "blank")
    digest = store.keep_photo(photo_of("blur.jpg"), "blur.jpg", now=NOW)
    store.record(PhotoResult("blur.jpg", digest, "retake", (sentence("blurred", "1.2 mm"),)), None, now=NOW)
    store.keep_photo(photo_of("waiting.jpg"), "waiting.jpg", now=NOW)
    audit = store.audits.draw_strata({"sure": 3}, by="Mira", now=NOW, rng=np.random.default_rng(1))
    store.audits.answer(store.audits.cells(audit.id)[0].id, value=None, state="illegible", by="Mira", now=NOW)
    store.signoffs.sign(PACK, statement="Looked.", by="Mira", now=NOW, digest=store.signoffs.digest(PACK))
    store.findings.accept(PACK, "missing/fish/2", reason="Storm.", by="Mira", now=NOW)
    store.people.set("Mira", role="scientist", by="Setup", now=NOW)
    store.leases.take_free([(page, RAY)], by="Anna", client="desk-anna", now=NOW)
    return page


def told(store, **extra) -> tuple[str, ...]:
    return verify(store, **extra).problems


def contents(store) -> tuple:
    """All that people see of a store."""
    pages = store.pages()
    return (
        store.photos(),
        pages,
        [(store.readings(p.id), store.entries(p.id), store.page_image(p.id)) for p in pages],
        [store.original(p.sha256) for p in store.photos()],
        store.queue(),
        store.progress(),
        store.audits.all(),
        store.signoffs.of(PACK),
        store.findings.accepted(PACK),
        store.people.all(),
    )


# Verify


def test_a_store_that_only_the_tool_touched_is_whole(store):
    """Everything the tool writes has its link, and the head is the last of them."""
    full(store)
    report = verify(store)

    assert (report.problems, report.notes) == ((), ())
    assert (report.photos, report.pages) == (4, 2)
    with store.database.read() as connection:
        assert report.head == chain.head(connection)
    assert verify(store, head=report.head.hash).problems == ()


def test_a_cell_that_another_photograph_opens_again_leaves_the_store_whole(store, where, tmp_path):
    """The rule's entry that opens it has a link of its own, and so it has in a backup, and none in evidence taken in."""
    page = fish(store)
    spec = next(c for c in store.cells(page) if c.id == RAY)
    with store.database.write() as connection:
        entry = entries.doubt(connection, page, spec, why="second.jpg shows something else", at=chain.stamp(NOW))

    assert told(store) == ()

    backup(store, tmp_path / "backup", now=NOW)
    assert restore(tmp_path / "backup", tmp_path / "restored", now=NOW).problems == ()
    with Store.open(tmp_path / "taken-in") as other:
        load(other, {table: list(dumped(store, table)) for table in TABLES})
        assert [p for p in told(other) if "cannot be opened" not in p] == []

    where.sql(*where.unguarded("entries"), "UPDATE entries SET why = 'none' WHERE state = 'withdrawn'")
    assert any(f"entry {entry.id} ({RAY} on page {page}, by rule" in p for p in told(store))


@pytest.mark.parametrize(
    ("table", "change", "words"),
    [
        ("entries", "UPDATE entries SET value = '9' WHERE client = 'desk-anna'", "{RAY_TOTAL} on page 1, by Anna"),
        ("entries", "UPDATE entries SET at = '2026-01-01T00:00:00Z' WHERE client = 'desk-anna'", "by Anna"),
        ("entries", "UPDATE entries SET value = '9' WHERE cell = 'fish/ray/0-10/tally'", "pages 1: changed"),
        ("readings", "UPDATE readings SET value = '9' WHERE cell = 'fish/ray/0-10/tally'", "pages 1: changed"),
        ("readings", "UPDATE readings SET confidence = 0.5 WHERE page_id = 1 AND id = 3", "pages 1: changed"),
        ("pages", "UPDATE pages SET pack = 'WX3PLE' WHERE id = 1", "pages 1: changed"),
        ("photos", "UPDATE photos SET name = 'other.jpg' WHERE name = 'blur.jpg'", "photograph other.jpg"),
        ("verdicts", "UPDATE verdicts SET status = 'read'", "verdicts 1: changed"),
        ("verdicts", "DELETE FROM verdicts", "verdicts 1: removed"),
        ("assignments", "UPDATE assignments SET transect = 3", "assignments 1: changed"),
        ("layouts", "UPDATE layouts SET content = '{}'", "layouts .*: changed"),
        ("protocols", "UPDATE protocols SET version = '2'", "protocols .*: changed"),
        ("audit_cells", "UPDATE audit_cells SET page_id = 2 WHERE id = 1", "audits 1: changed"),
        ("audit_answers", "DELETE FROM audit_answers", "audit_answers 1: removed"),
        ("signoffs", "UPDATE signoffs SET statement = 'Nobody looked.'", "signoffs 1: changed"),
        ("finding_decisions", "DELETE FROM finding_decisions", "finding_decisions 1: removed"),
        ("people", "UPDATE people SET role = 'clerk'", "people 1: changed"),
        ("links", "UPDATE links SET content = previous WHERE id = 5", r"link 5 \(.*\) was changed"),
        ("links", "DELETE FROM links WHERE id = 5", "link 5 is missing"),
    ],
)
def test_whatever_is_changed_or_removed_behind_the_tools_back_is_named(store, where, table, change, words):
    """Somebody who takes the guards away first is seen all the same."""
    full(store)
    where.sql(*where.unguarded(table), change)

    named = [s for s in told(store) if "behind the tool's back" in s or "link" in s]
    pattern = words.replace("{RAY_TOTAL}", TOTAL)
    assert any(re.search(pattern, s) for s in named), named


@pytest.mark.parametrize("by", ["Anna", "rule"])
def test_an_entry_added_behind_the_tools_back_is_named(store, where, by):
    """Under a person's name it has no link; under the rule's its page no longer fits its link."""
    full(store)
    columns = "page_id, cell, value, state, by, decided_by, at, why, reading_id, undoes, client, seq"
    quoted = columns.replace(" by,", ' "by",')
    values = f"9999, page_id, cell, '60', state, '{by}', '{by}', at, why, reading_id, NULL, '', 0"
    where.sql(f"INSERT INTO entries (id, {quoted}) SELECT {values} FROM entries WHERE client = 'desk-anna'")  # noqa: S608

    expected = (
        f"entry 9999 ({TOTAL} on page 1, by Anna, 2026-03-28T09:30:00Z): added" if by == "Anna" else "pages 1: changed"
    )
    assert any(s.startswith(expected) for s in told(store))


def test_two_entries_that_changed_places_are_named(store, where):
    """The same values in another order are another history."""
    full(store)
    where.sql(
        *where.unguarded("entries"),
        "UPDATE entries SET value = CASE value WHEN '5' THEN '6' ELSE '5' END WHERE client <> '' AND undoes IS NULL",
    )

    assert sum("entry" in s and "changed" in s for s in told(store)) == 2


def test_a_history_written_anew_is_whole_in_itself_but_an_old_head_tells(store, where):
    """Whoever removes the end of the history with its links leaves no gap; the head written down earlier shows it."""
    page = full(store)
    enter(store, page, RAY, 9)
    head = verify(store).head
    where.sql(*where.unguarded("entries"), f"DELETE FROM entries WHERE cell = '{RAY}' AND \"by\" = 'Anna'")  # noqa: S608
    where.sql(*where.unguarded("links"), f"DELETE FROM links WHERE id = {head.length}")  # noqa: S608

    quiet = [s for s in told(store) if "out of step" not in s]
    assert quiet == []
    (words,) = [s for s in told(store, head=head.hash) if "head" in s]
    assert f"the head {head.hash[:16]}… is not in it" in words


def test_a_work_list_out_of_step_is_named(store, where):
    """Counts are made from entries; one that differs is a fault."""
    full(store)
    where.sql("UPDATE page_counts SET open = 7 WHERE page_id = 1")

    assert [s[:6] for s in told(store)] == ["page 1"]


def test_a_changed_or_missing_file_is_named(store):
    """Photographs and flattened pages, by name and with what to do."""
    full(store)
    first = next(p for p in store.photos() if p.name == "fish.jpg")
    original = next((store.folder / "originals").rglob(f"{first.sha256}*"))
    original.chmod(0o644)
    original.write_bytes(b"another picture")
    picture = sorted((store.folder / "pages").iterdir())[0]
    picture.unlink()
    (store.folder / "originals" / "ab").mkdir(exist_ok=True)
    (store.folder / "originals" / "ab" / "left.jpg").write_bytes(b"x")
    report = verify(store)

    changed, gone = report.problems
    assert changed.startswith("fish.jpg: the kept photograph was changed")
    assert changed.endswith(f"bring {original.relative_to(store.folder).as_posix()} back from a backup")
    assert "its flattened picture cannot be opened (No such file" in gone
    assert gone.endswith(f"bring pages/{picture.name} back from a backup")
    assert "1 file belongs to no photograph, such as originals/ab/left.jpg" in report.notes[0]


def test_a_damaged_database_file_is_named(tmp_path):
    """Bytes turned over in the middle of the file are seen by SQLite's own check or by the chain."""
    where = Kept(tmp_path / "kept")
    with where.open() as store:
        full(store)
    path = where.folder / "digitise.db"
    data = bytearray(path.read_bytes())
    middle = data.find(b"compared with the photograph")
    data[middle : middle + 8] = b"COMPARED"
    path.write_bytes(data)

    with where.open() as store:
        assert any("changed behind the tool's back" in s for s in told(store))


# Backup and restore


def test_a_backup_is_a_store_and_comes_back_whole(store, where, tmp_path):
    """Everything people see is the same in the backup, and in a store restored from it; leases are not kept."""
    full(store)
    before = contents(store)
    made = backup(store, tmp_path / "backup", now=NOW)

    assert (made.problems, made.photos, made.copied) == ((), 4, 6)
    with Store.open(tmp_path / "backup") as copy:
        assert contents(copy) == before
        assert verify(copy, head=verify(store).head.hash).problems == ()
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    assert (report.problems, report.head) == ((), verify(store).head)
    with Store.open(tmp_path / "again") as again:
        assert contents(again) == before
        assert again.leases.held(now=NOW) == {}


def test_a_store_moves_to_postgresql_and_work_goes_on(tmp_path, postgresql_server):
    """Restored into an empty database; new entries follow the old ones in number and in chain."""
    with Kept(tmp_path / "kept").open() as store:
        page = full(store)
        before = contents(store)
        backup(store, tmp_path / "backup", now=NOW)
    url = postgresql_server.new()

    report = restore(tmp_path / "backup", tmp_path / "moved", now=NOW, database=url)

    assert report.problems == ()
    assert not (tmp_path / "moved" / "digitise.db").exists()
    with Store.open(tmp_path / "moved", database=url) as moved:
        assert contents(moved) == before
        last = max(e.id for stack in moved.entries(page).values() for e in stack)
        assert enter(moved, page, RAY, 9).id > last
        fish(moved, name="more.jpg")
        assert told(moved) == ()


@pytest.mark.skipif(os.name != "posix", reason="other systems have no such rights")
@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_a_restored_store_is_open_to_nobody_whom_a_new_one_is_closed_to(tmp_path, mask):
    before = os.umask(mask)
    try:
        with Store.open(tmp_path / "store") as store:
            fish(store)
            backup(store, tmp_path / "backup", now=NOW)
        restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    finally:
        os.umask(before)

    assert (tmp_path / "again").stat().st_mode == (tmp_path / "store").stat().st_mode
    assert sorted(p.name for p in tmp_path.iterdir()) == ["again", "backup", "store"]


def test_a_photograph_that_comes_during_the_check_is_no_leftover(store):
    fish(store)
    come = []

    def tick(_total: int) -> None:
        come.append(store.keep_photo(photo_of("late.jpg"), "late.jpg", now=NOW))

    assert (verify(store, tick=tick).notes, len(come)) == ((), 2)


def test_a_second_backup_adds_only_what_is_new(store, tmp_path):
    """Six files the first time, two the second; the record holds the newer head."""
    page = full(store)
    backup(store, tmp_path / "backup", now=NOW)
    enter(store, page, RAY, 9)
    fish(store, name="more.jpg")

    made = backup(store, tmp_path / "backup", now=NOW)

    assert made.copied == 2
    assert json.loads((tmp_path / "backup" / RECORD).read_text())["head"] == verify(store).head.hash
    with Store.open(tmp_path / "backup") as copy:
        assert contents(copy) == contents(store)


def test_a_backup_is_of_one_moment_while_others_write(store, where, tmp_path, monkeypatch):
    """An entry made while rows are copied is in the next backup, not half in this one."""
    page = full(store)
    head = verify(store).head
    copy_rows = backups.copy_rows

    def disturbed(source, target):
        chain.head(source)
        with where.open() as other:
            enter(other, page, RAY, 9)
        copy_rows(source, target)

    monkeypatch.setattr("digitise.store.backup.copy_rows", disturbed)
    made = backup(store, tmp_path / "backup", now=NOW)

    assert made.head == head.hash
    with Store.open(tmp_path / "backup") as copy:
        assert told(copy) == ()
        assert copy.current(page)[RAY].value == 6
    assert store.current(page)[RAY].value == 9


def test_a_backup_that_holds_other_work_is_left_alone(store, tmp_path):
    """Somebody worked in the backup by mistake: nothing of theirs is written over."""
    page = full(store)
    backup(store, tmp_path / "backup", now=NOW)
    with Store.open(tmp_path / "backup") as copy:
        enter(copy, page, RAY, 8, by="Cara")

    with pytest.raises(StoreError, match="holds entries that this store does not have"):
        backup(store, tmp_path / "backup", now=NOW)
    with Store.open(tmp_path / "backup") as copy:
        assert copy.current(page)[RAY].by == "Cara"


def test_a_backup_that_is_refused_leaves_no_empty_folder(store, tmp_path, monkeypatch):
    """Neither its own nor those around it; what was there before stays."""

    def locked(*_args, **_rest):
        raise StoreError("the store is locked by another program; close that program and try again")

    monkeypatch.setattr(backups, "_snapshot", locked)
    (tmp_path / "mine").mkdir()
    for out in (tmp_path / "new" / "deep" / "copy", tmp_path / "mine"):
        with pytest.raises(StoreError, match="locked"):
            backup(store, out, now=NOW)

    assert not (tmp_path / "new").exists()
    assert list((tmp_path / "mine").iterdir()) == []


def test_backups_go_nowhere_they_could_do_harm(store, tmp_path):
    """Not into the store, not into a folder with other things, not over another store's backup."""
    full(store)
    (tmp_path / "things").mkdir()
    (tmp_path / "things" / "letter.txt").write_text("dear")
    with Store.open(tmp_path / "other") as other:
        fish(other)
        backup(other, tmp_path / "others", now=NOW)

    for out, words in (
        (store.folder, "cannot lie in the store"),
        (store.folder / "backup", "cannot lie in the store"),
        (tmp_path / "things", "neither empty nor a backup"),
        (tmp_path / "others", "backup of another store"),
    ):
        with pytest.raises(StoreError, match=words):
            backup(store, out, now=NOW)
    assert not (store.folder / "backup").exists()


def test_a_restore_writes_over_nothing(store, tmp_path, postgresql_server):
    """A folder or a database that holds something stays as it is."""
    full(store)
    backup(store, tmp_path / "backup", now=NOW)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear")

    with pytest.raises(StoreError, match="not empty; restore into a new folder"):
        restore(tmp_path / "backup", tmp_path / "full", now=NOW)
    with pytest.raises(StoreError, match="holds tables already"):
        restore(tmp_path / "backup", tmp_path / "new", now=NOW, database=postgresql_server.prepared())
    with pytest.raises(StoreError, match="is no backup"):
        restore(tmp_path / "full", tmp_path / "new", now=NOW)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["backup", "full", "kept"]


def test_a_damaged_original_is_said_and_the_rest_is_saved(store, tmp_path):
    """The backup leaves it out by name; the restored store says what it lacks."""
    full(store)
    first = next(p for p in store.photos() if p.name == "fish.jpg")
    original = next((store.folder / "originals").rglob(f"{first.sha256}*"))
    original.chmod(0o644)
    original.write_bytes(b"another picture")

    made = backup(store, tmp_path / "backup", now=NOW)
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert [s.endswith("so it was not copied") for s in made.problems] == [True]
    (words,) = report.problems
    assert words.startswith("fish.jpg: the kept photograph cannot be opened")


# On the command line


def test_verify_backup_and_restore_on_the_command_line(tmp_path, capsys):
    """0 when all is well; 1 and the names of what is wrong; 2 for a folder that is none."""
    with Store.open(tmp_path / "kept") as store:
        full(store)
        head = verify(store).head.hash
    kept, out, again = (str(tmp_path / name) for name in ("kept", "backup", "again"))

    assert main(["verify", "--store", kept]) == 0
    assert head in capsys.readouterr().out
    assert main(["verify", "--store", kept, "--head", head]) == 0
    assert main(["verify", "--store", kept, "--head", "0" * 63 + "1"]) == 1
    assert "1 thing is wrong" in capsys.readouterr().err
    with pytest.raises(SystemExit) as slip:  # half a head says nothing about the history
        main(["verify", "--store", kept, "--head", head[:40]])
    assert slip.value.code == 2
    assert main(["backup", "--store", kept, "--out", out]) == 0
    assert main(["restore", out, "--store", again]) == 0
    assert main(["restore", out, "--store", again]) == 2
    shutil.rmtree(tmp_path / "again" / "pages")
    capsys.readouterr()
    assert main(["verify", "--store", again]) == 1
    assert "its flattened picture cannot be opened" in capsys.readouterr().err
    assert main(["verify", "--store", str(tmp_path / "nowhere")]) == 2


def test_a_store_whose_database_is_damaged_beyond_opening_fails_the_check(tmp_path, capsys):
    """1, with a sentence; it is no matter of wrong arguments."""
    (tmp_path / "digitise.db").write_bytes(b"scribble" * 200)

    assert main(["verify", "--store", str(tmp_path)]) == 1
    assert "cannot be used" in capsys.readouterr().err
