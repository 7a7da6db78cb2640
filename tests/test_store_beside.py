"""A restored store is the whole store: what lies beside its rows comes back too, each file held against its hash."""

import errno
import hashlib
import json
import os
import shutil
import signal
import sqlite3
import sys
from contextlib import closing

import numpy as np
import pytest
from kept import NOW
from stores import fish

from digitise.adapt.known_acceptance import keep_acceptance
from digitise.adapt.known_learned import adopt, go_back, known_reader
from digitise.prepare.prepare import plan_yaml
from digitise.reader.calibration import shipped_acceptance
from digitise.reader.characters import feature_count
from digitise.reader.learned import WRITTEN, Learned, characters_digest
from digitise.store import Store, StoreError, beside
from digitise.store.backup import RECORD, backup, restore
from digitise.surveys.known_plan import keep_plan, known_plan
from digitise.surveys.known_protocol import keep_protocol, kept_protocols
from digitise.surveys.plan import Plan

OWN = b"""protocol: pond
version: "1"
title: Pond survey
programme: Example pond group
sheets:
  visit: {kind: site, title: Visit, cautions: [This sheet plans no dive.], fields: [{id: date, label: Date, kind: date}]}
"""
SITE = {"name": "Lantern Garden", "code": "LG", "latitude": 5.4125, "longitude": -161.2034}
PLAN = {"plan": "spring", "protocol": "reef-transect", "sites": [SITE], "surveys": [{"site": "LG", "transects": 1}]}


def learned() -> Learned:
    corrections = {h: np.zeros((feature_count() + 1, k), np.float32) for h, k in WRITTEN.items()}
    return Learned(**corrections, network=characters_digest(), about="made up for a test")


def equipped(store, place) -> None:
    """A store with a plan, a protocol, thresholds, something learned, a policy and a package."""
    fish(store)
    keep_plan(store.folder, written(place / "plan.yaml", plan_yaml(Plan.model_validate(PLAN))))
    keep_protocol(store.folder, OWN, "pond.yaml")
    adopt(store.folder, learned())
    keep_acceptance(store.folder, written(place / "own.json", shipped_acceptance().to_json()), learned=learned().digest)
    written(store.folder / "retention.yaml", "policy: Photographs of Orrin Shoals\nkeep_years: 5\n")
    written(store.folder / "handovers" / "handover-1-2026-03-28" / "evidence" / "data" / "note.txt", "Handed over.")


def written(path, text):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def beside_of(folder) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in beside.names(folder)}


def test_plans_protocols_thresholds_and_what_was_learned_come_back(store, tmp_path):
    """To the byte, and in force as before: the same plan, protocol, thresholds and reader."""
    equipped(store, tmp_path)
    before = beside_of(store.folder)
    made = backup(store, tmp_path / "backup", now=NOW)
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    again = tmp_path / "again"

    assert len(before) == 7
    assert (made.problems, report.problems, report.notes) == ((), (), ())
    assert beside_of(again) == before
    assert made.files == {name: hashlib.sha256(data).hexdigest() for name, data in before.items()}
    assert known_plan(again) == known_plan(store.folder)
    assert [p.digest for p in kept_protocols(again)] == [p.digest for p in kept_protocols(store.folder)]
    assert known_reader(again).learned.digest == learned().digest
    assert known_reader(again).acceptance == known_reader(store.folder).acceptance
    assert go_back(again)[0] is None


def test_what_a_server_keeps_for_itself_is_in_no_backup(store, tmp_path):
    """Log-ins, the phones' secret, unfinished uploads, results that can be made again, and files being written."""
    equipped(store, tmp_path)
    for name in ("sessions.json", "phones.json", "phones/a.part", "results/95/x.json", "plans/.spring.yaml.7"):
        written(store.folder / name, "{}")
    written(store.folder / "handovers" / "handover-2-2026-03-28.incoming" / "half.csv", "")
    (store.folder / "plans" / "linked.yaml").symlink_to("/etc/hostname")
    backup(store, tmp_path / "backup", now=NOW)

    assert sorted(json.loads((tmp_path / "backup" / RECORD).read_text())["files"]) == [
        "acceptance.json",
        "handovers/handover-1-2026-03-28/evidence/data/note.txt",
        "learned.json",
        f"learned/{learned().digest}.json",
        "plans/spring.yaml",
        "protocols/pond-1.yaml",
        "retention.yaml",
    ]


def test_a_later_backup_restores_what_was_in_force_then_and_keeps_the_earlier_file(store, tmp_path):
    """The plan was changed and the thresholds set aside: the old plan's bytes stay in the backup under their hash."""
    equipped(store, tmp_path)
    first = backup(store, tmp_path / "backup", now=NOW).files
    written(store.folder / "plans" / "spring.yaml", plan_yaml(Plan.model_validate(PLAN | {"people": ["Ada Lind"]})))
    (store.folder / "acceptance.json").unlink()
    again = backup(store, tmp_path / "backup", now=NOW)
    restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert again.copied == 1
    assert beside_of(tmp_path / "again") == beside_of(store.folder)
    assert (tmp_path / "backup" / "beside" / first["plans/spring.yaml"]).is_file()


def test_a_file_that_was_changed_or_lost_in_the_backup_is_named_and_the_rest_comes_back(store, tmp_path):
    equipped(store, tmp_path)
    made = backup(store, tmp_path / "backup", now=NOW)
    held = tmp_path / "backup" / "beside"
    (held / made.files["plans/spring.yaml"]).chmod(0o644)
    (held / made.files["plans/spring.yaml"]).write_text("plan: other")
    (held / made.files["acceptance.json"]).unlink()
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert [p.split(":")[0] for p in report.problems] == ["acceptance.json", "plans/spring.yaml"]
    assert "was changed in the backup" in report.problems[1]
    assert len(beside_of(tmp_path / "again")) == 5


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (None, "backup.json cannot be read"),
        (b"[", "makes no sense"),
        (b'{"head": 3}', "makes no sense"),
        (b"[]", "makes"),
    ],
)
def test_a_backup_whose_record_is_gone_or_damaged_brings_rows_back_and_says_what_it_cannot(
    store, tmp_path, record, words
):
    equipped(store, tmp_path)
    backup(store, tmp_path / "backup", now=NOW)
    (tmp_path / "backup" / RECORD).unlink()
    if record is not None:
        (tmp_path / "backup" / RECORD).write_bytes(record)
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert [words in p for p in report.problems] == [True]
    with Store.open(tmp_path / "again") as again:
        assert len(again.pages()) == 1


def test_a_backup_of_an_earlier_version_says_what_it_never_held(store, tmp_path):
    """No list of files in it: restored, with a sentence."""
    fish(store)
    backup(store, tmp_path / "backup", now=NOW)
    record = json.loads((tmp_path / "backup" / RECORD).read_text())
    del record["files"]
    (tmp_path / "backup" / RECORD).write_text(json.dumps(record))
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert (report.problems, report.notes) == ((), (beside.WITHOUT,))


def test_rows_that_were_cut_off_in_a_backup_are_noticed_by_its_own_head(store, tmp_path):
    """A chain that is whole in itself but shorter than the backup's record says."""
    page = fish(store)
    fish(store, name="more.jpg")
    backup(store, tmp_path / "backup", now=NOW)
    with Store.open(tmp_path / "shorter") as other:
        assert fish(other) == page
    shutil.copyfile(tmp_path / "shorter" / "digitise.db", tmp_path / "backup" / "digitise.db")
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert any("is not in it; history from before that time was written anew" in p for p in report.problems)


def test_a_restore_that_finds_no_room_is_a_sentence_and_leaves_nothing(store, tmp_path, monkeypatch):
    equipped(store, tmp_path)
    backup(store, tmp_path / "backup", now=NOW)
    there = sorted(p.name for p in tmp_path.iterdir())

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("digitise.store.beside.Path.write_bytes", full)
    with pytest.raises(
        StoreError, match=r"could not be written .No space left on device.; make room and restore again"
    ):
        restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    assert sorted(p.name for p in tmp_path.iterdir()) == there


# A backup that a stranger made


@pytest.mark.parametrize(
    "name",
    ["../out.yaml", "plans/../../out.yaml", "/out.yaml", "plans/.hidden.yaml", "digitise.db", "originals/x.jpg"],
)
def test_a_backups_list_leads_to_no_file_outside_those_of_a_store(tmp_path, name):
    with Store.open(tmp_path / "kept") as store:
        equipped(store, tmp_path)
        backup(store, tmp_path / "backup", now=NOW)
    record = json.loads((tmp_path / "backup" / RECORD).read_text())
    record["files"] = {name: record["files"]["plans/spring.yaml"]}
    (tmp_path / "backup" / RECORD).write_text(json.dumps(record))
    there = sorted(p.name for p in tmp_path.iterdir())
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert ["is not the name of a store's file" in p for p in report.problems] == [True]
    assert beside_of(tmp_path / "again") == {}
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*there, "again"])


@pytest.mark.parametrize(
    ("table", "column", "name"),
    [("photos", "file", "../../out.jpg"), ("photos", "file", "/out.jpg"), ("pages", "image", "../../out.jpg")],
)
def test_a_backups_rows_lead_to_no_file_outside_it(tmp_path, table, column, name):
    """Nothing is read or written under such a name, and nothing is left behind."""
    with Store.open(tmp_path / "kept") as store:
        fish(store)
        backup(store, tmp_path / "backup", now=NOW)
    with closing(sqlite3.connect(tmp_path / "backup" / "digitise.db")) as rows:
        rows.execute(f"DROP TRIGGER {table}_no_update")
        rows.execute(f"UPDATE {table} SET {column} = ?", (name,))  # noqa: S608
        rows.commit()
    (tmp_path / "out.jpg").write_bytes(b"a file of somebody else")
    there = sorted(p.name for p in tmp_path.iterdir())

    with pytest.raises(StoreError, match="as no store does; nothing was restored"):
        restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    assert sorted(p.name for p in tmp_path.iterdir()) == there


@pytest.mark.parametrize("whole_folder", [False, True])
def test_a_link_in_a_backup_is_not_followed(tmp_path, whole_folder):
    """Somebody else's file does not become a photograph of the store."""
    with Store.open(tmp_path / "kept") as store:
        fish(store)
        backup(store, tmp_path / "backup", now=NOW)
    pages = tmp_path / "backup" / "pages"
    page = next(pages.iterdir())
    (tmp_path / "secret").mkdir()
    written(tmp_path / "secret" / page.name, "a letter")
    shutil.rmtree(pages) if whole_folder else page.unlink()
    if whole_folder:
        pages.symlink_to(tmp_path / "secret")
    else:
        page.symlink_to(tmp_path / "secret" / page.name)
    report = restore(tmp_path / "backup", tmp_path / "again", now=NOW)

    assert ["its flattened picture cannot be opened" in p for p in report.problems] == [True]
    assert list((tmp_path / "again" / "pages").iterdir()) == []


def test_a_backup_whose_rows_are_a_link_is_none(tmp_path):
    """Nobody's other store is restored in its place."""
    with Store.open(tmp_path / "kept") as store:
        fish(store)
    (tmp_path / "backup").mkdir()
    (tmp_path / "backup" / "digitise.db").symlink_to(tmp_path / "kept" / "digitise.db")

    with pytest.raises(StoreError, match=r"there is no digitise.db in it, or only a link"):
        restore(tmp_path / "backup", tmp_path / "again", now=NOW)
    assert not (tmp_path / "again").exists()


# Killed in the middle


@pytest.mark.parametrize("what", ["backup", "restore"])
def test_killed_before_any_of_its_files_is_in_place_a_backup_or_restore_can_be_done_again(tmp_path, what):
    """Each step in turn is the last one: afterwards the same command does it, and what is restored is whole."""
    with Store.open(tmp_path / "kept") as store:
        equipped(store, tmp_path)
        before = beside_of(store.folder)
        if what == "restore":
            backup(store, tmp_path / "backup", now=NOW)
    kills = 0
    while killed_at(kills, tmp_path, what):
        kills += 1
        assert not (tmp_path / "again").exists()
        with Store.open(tmp_path / "kept") as store:
            backup(store, tmp_path / "backup", now=NOW)
        assert restore(tmp_path / "backup", tmp_path / "again", now=NOW).problems == ()
        assert beside_of(tmp_path / "again") == before
        shutil.rmtree(tmp_path / "again")
        if what == "backup":
            shutil.rmtree(tmp_path / "backup")

    assert kills == (10 if what == "backup" else 3)


def killed_at(step: int, place, what: str) -> bool:
    """Do it in a process of its own that is killed instead of putting its file number `step` in place."""
    child = os.fork()
    if child == 0:
        try:
            _die_at(step)
            if what == "backup":
                with Store.open(place / "kept") as store:
                    backup(store, place / "backup", now=NOW)
            else:
                restore(place / "backup", place / "again", now=NOW)
            os._exit(0)
        except BaseException as error:
            print(f"{type(error).__name__}: {error}", file=sys.stderr)
            os._exit(1)
    _, status = os.waitpid(child, 0)
    assert status in (0, signal.SIGKILL)
    return status == signal.SIGKILL


def _die_at(step: int) -> None:
    import pathlib

    done, replace = [], pathlib.Path.replace

    def counted(path, target):
        if len(done) == step:
            os.kill(os.getpid(), signal.SIGKILL)
        done.append(target)
        return replace(path, target)

    pathlib.Path.replace = counted
