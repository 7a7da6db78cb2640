"""Reading from buckets and on a Dask cluster: the same results as on one computer, whatever goes away meanwhile.

The cluster is a real one of two processes on this machine, the bucket one of a real S3 server.
"""

from __future__ import annotations

import io
import json
import os
import signal
import sys
import threading
import time
import zipfile

import pytest
from buckets import closed_port
from far_calls import breaks, later, nothing

from digitise.batch import cluster as clusters
from digitise.batch.batch import Reader
from digitise.batch.cluster import Cluster, ClusterError
from digitise.batch.folders import photo_files
from digitise.batch.journal import journal_beside
from digitise.batch.remote import place
from digitise.batch.sources import pictures_in
from digitise.cli import main
from digitise.store import Store


@pytest.fixture(scope="module")
def cluster(bucket_server):
    """Two workers of one thread each, each in a process of its own."""
    from distributed import LocalCluster

    with pytest.MonkeyPatch.context() as patch:
        for name, value in bucket_server.environment().items():
            patch.setenv(name, value)
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as local:
            yield local


@pytest.fixture
def photos(bucket, photograph) -> str:
    """Two photographs of sheets, an archive of a third and a note, and two texts that are no photographs."""
    site, fish = photograph("site").jpeg, photograph("fish").jpeg
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("d.jpg", fish + b"2")
        archive.writestr("note.jpg", "no photograph")
    files = {"a.jpg": site, "b/c.jpg": fish, "b.jpg": b"a text too", "c.zip": packed.getvalue(), "d.JPG": b"a text"}
    for name, data in (files | {"notes.txt": b"x", ".hidden/e.jpg": site}).items():
        bucket.put(f"photos/{name}", data)
    return f"{bucket.url}/photos"


NAMES = ["a.jpg", "c.jpg", "b.jpg", "c.zip:d.jpg", "c.zip:note.jpg", "d.JPG"]


# --- files in buckets ------------------------------------------------------------------------------------


def test_a_bucket_is_listed_as_a_folder_with_the_same_files_is(photos, bucket, photograph, tmp_path) -> None:
    """The same choice in the same order; a pattern and a single file work too."""
    for name, data in {"e": photograph("site").jpeg, "LICENSE": b"Text", "empty": b""}.items():
        bucket.put(f"photos/{name}", data)
    for key, data in bucket.files().items():
        (tmp_path / key).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / key).write_bytes(data)
    here = [p.relative_to(tmp_path / "photos").as_posix() for p in photo_files([tmp_path / "photos"])]
    there = [str(p).removeprefix(f"{photos}/") for p in photo_files([place(photos)])]

    assert there == here == ["a.jpg", "b/c.jpg", "b.jpg", "c.zip", "d.JPG", "e"]
    assert [p.name for p in photo_files([place(f"{photos}/*.jpg")])] == ["a.jpg", "b.jpg"]
    assert [p.name for p in photo_files([place(f"{photos}/b.jpg")])] == ["b.jpg"]
    assert [p.name for f in photo_files([place(photos)]) for p in pictures_in(f)] == [*NAMES, "e"]


def test_an_empty_place_and_a_missing_bucket_are_sentences(bucket, capsys) -> None:
    assert main(["read", f"{bucket.url}/nothing", "--json", "-"]) == 2
    assert f"no photographs found in {bucket.url}/nothing" in capsys.readouterr().err
    assert main(["read", "s3://never-made/x", "--json", "-"]) == 2
    assert "s3://never-made/x: is not there; look whether the address is right" in capsys.readouterr().err
    assert main(["read", f"{bucket.url}/x", "--watch"]) == 2
    assert "--watch follows folders of this computer" in capsys.readouterr().err


def test_a_file_that_cannot_be_fetched_is_told_and_stays_to_be_done(photos, bucket, tmp_path, monkeypatch) -> None:
    """It leaves no trace in a store, and the journal stays, so that the same command reads nothing else again."""
    listed = Reader.pictures

    def then_gone(reader, files):
        found = listed(reader, files)
        bucket.delete("photos/d.JPG")
        return found

    monkeypatch.setattr(Reader, "pictures", then_gone)
    out, store = tmp_path / "out.json", tmp_path / "store"
    assert (
        main(["read", f"{photos}/d.JPG", f"{photos}/b.jpg", "--json", str(out), "--store", str(store), "--jobs", "1"])
        == 1
    )
    gone, text = json.loads(out.read_bytes())["photos"]

    assert (gone["file"], gone["sha256"], gone["status"]) == ("d.JPG", "", "unreadable")
    assert gone["reasons"][0].startswith(f"The file could not be fetched: {photos}/d.JPG: is not there")
    assert gone["reasons"][0].endswith("Give the same command again, which tries it anew.")
    with Store.open(store) as kept:
        assert [p.name for p in kept.photos()] == ["b.jpg"]
    lines = (tmp_path / "out.json.part").read_text().splitlines()
    assert [json.loads(line).get("sha256") for line in lines] == [None, text["sha256"]]


# --- a journal in a bucket -------------------------------------------------------------------------------


def test_pieces_of_a_journal_are_written_once_by_content_and_found_again(bucket) -> None:
    """Another reader's are left out; they go when the run has ended."""
    target = place(f"{bucket.url}/out.json")
    for _ in range(2):
        one = journal_beside(target, "reader 1")
        one.done.clear()  # as two programs that started at once
        one.add("aa", [{"file": "a.jpg"}])
        one.close(ended=False)
    pieces = list(bucket.files())
    again, other = journal_beside(target, "reader 1"), journal_beside(target, "reader 2")

    assert len(pieces) == 1
    assert again.done == {"aa": [{"file": "a.jpg"}]}
    assert other.done == {}
    bucket.put(pieces[0] + "x", b'{"sign')
    assert journal_beside(target, "reader 1").done == again.done
    again.close(ended=True)
    assert bucket.files() == {}


# --- the cluster -----------------------------------------------------------------------------------------


def _kill_when_busy(cluster, killed: list[int]) -> None:
    """Kill, as the system would for lack of memory, the first worker that reads a picture, while it does."""

    end = time.monotonic() + 120
    while not killed and time.monotonic() < end:
        for state in list(cluster.scheduler.workers.values()):
            if any(str(task.key).startswith("digitise_take") for task in list(state.processing)):
                killed.append(next(n.pid for n in cluster.workers.values() if n.worker_address == state.address))
                os.kill(killed[0], signal.SIGKILL)
                return
        time.sleep(0.02)


def test_a_worker_killed_in_the_middle_loses_and_doubles_nothing(cluster, photos, bucket, tmp_path, capsys) -> None:
    """From bucket to bucket and store, what comes out is what one process on one computer makes, to the byte."""
    near, far, here = tmp_path / "near", tmp_path / "far", tmp_path / "here.json"
    assert main(["read", photos, "--json", str(here), "--store", str(near), "--jobs", "1"]) == 1
    said_here = capsys.readouterr().err
    killed: list[int] = []
    killer = threading.Thread(target=_kill_when_busy, args=(cluster, killed))
    killer.start()
    target, address = f"{bucket.url}/out/readings.json", cluster.scheduler_address
    code = main(["read", photos, "--json", target, "--store", str(far), "--dask", address])
    killer.join()
    said = capsys.readouterr().err

    assert code == 1
    assert len(killed) == 1
    written = {k: v for k, v in bucket.files().items() if k.startswith("out/")}
    assert written == {"out/readings.json": here.read_bytes()}
    assert [p["file"] for p in json.loads(here.read_bytes())["photos"]] == NAMES
    assert "6 photographs: 3 read, 0 to take again, 3 unreadable." in said
    assert said == said_here
    with Store.open(far) as one, Store.open(near) as other:
        for what in (_photos_of, _pages_of):
            assert what(one) == what(other)
        assert len(one.pages()) == 3


def _photos_of(store: Store) -> list[tuple]:
    """By name: in the store's own order two kept in one second stand by name, two kept in two seconds by time."""
    return sorted((p.name, p.sha256, p.status) for p in store.photos())


def _pages_of(store: Store) -> list[tuple]:
    return [(p.sha256, store.readings(p.id), store.page_image(p.id)) for p in store.pages()]


def test_values_come_in_the_order_of_the_arguments(cluster) -> None:
    """Whichever machine is first."""
    with Cluster(cluster.scheduler_address, nothing) as machines:
        assert list(machines.map(later, [0.3, 0.0, 0.1, 0.0])) == [0.3, 0.0, 0.1, 0.0]
        assert list(machines.map(later, [])) == []


def test_a_call_that_breaks_its_process_costs_itself_only(cluster) -> None:
    """As on one computer: in words, and neither the machine nor the other calls suffer."""
    with Cluster(cluster.scheduler_address, nothing) as machines:
        before = set(cluster.scheduler.workers)
        well, dead, wrong, last = machines.map(breaks, ["well", "dies", "raises", "well too"])

        assert (well, last) == ("well", "well too")
        assert (bool(dead), dead.why) == (False, "the program that reads it broke down twice")
        assert (bool(wrong), wrong.why) == (False, "KeyError: 'raises'")
        assert set(cluster.scheduler.workers) == before


def test_machines_with_another_version_are_told(cluster, monkeypatch) -> None:
    """Their readings might differ."""
    monkeypatch.setattr(clusters, "__version__", "99.0")
    with (
        Cluster(cluster.scheduler_address, nothing) as machines,
        pytest.raises(ClusterError, match=r"cannot read photographs \(ValueError: here is .*needs digitise 99\.0$"),
    ):
        list(machines.map(later, [0.0]))


def test_no_scheduler_no_dask_no_fsspec_are_sentences(photos, tmp_path, monkeypatch, capsys) -> None:
    """Each says what to do; nothing is read."""
    monkeypatch.setattr(clusters, "REACH_SECONDS", 0.5)
    (tmp_path / "a.jpg").write_bytes(b"a text")
    here, port = str(tmp_path / "a.jpg"), closed_port()
    assert main(["read", here, "--json", "-", "--dask", f"tcp://127.0.0.1:{port}"]) == 2
    assert f"tcp://127.0.0.1:{port}: no Dask scheduler answers there" in capsys.readouterr().err
    assert main(["read", here, "--json", "-", "--dask", "tcp://127.0.0.1:1", "--jobs", "2"]) == 2
    assert "--jobs is for this computer" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["read", here, "--json", "-", "--dask", "tcp://127.0.0.1:1"]) == 2
    assert capsys.readouterr().err == "digitise read: --dask needs Dask: pip install 'digitise[cluster]'\n"
    monkeypatch.setitem(sys.modules, "fsspec", None)
    assert main(["read", photos, "--json", "-"]) == 2
    assert "files elsewhere need fsspec: pip install 'digitise[bucket]'" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["read", "s3://key:secret@x/y"])
    assert "addresses hold no keys" in capsys.readouterr().err
