"""What people add is kept at once; photographs that were kept but not read yet are read in the background.

So are those of a protocol that was not known, as soon as others are known.

A page that is reloaded or left does not stop the reading. What was kept is on disk before reading starts, so after a
restart the rest is read. Files are opened in a process of their own, which stays for the next photograph: one that
breaks its decoder does no harm to the screens.
"""

from __future__ import annotations

import tempfile
import threading
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

from digitise import log
from digitise.adapt.known_learned import known_reader
from digitise.batch.batch import KnownProtocols, Reader, known_protocols, record, signature
from digitise.batch.folders import may_hold_several
from digitise.pages.photo import NotAPhoto
from digitise.reader.learned import OwnReader
from digitise.reader.read import read_decoded
from digitise.reader.reasons import REASONS
from digitise.store import PhotoRow, Store, StoreError
from review_app import worklist

NUL = "\0"  # no file's name can hold it, whatever a browser says
AGAIN_SECONDS = 60.0  # after which what the store could not take or give is read again, when somebody opens a screen


@dataclass(frozen=True, slots=True)
class Intake:
    """How far the reading is: photographs `done` of `total` in this run. `failed` has a sentence by SHA-256.

    Those of them that the store could not take or give (a full disk, a bucket out of reach) are in `again`, each with
    the time, by `time.monotonic`, from which on it is read once more.
    """

    running: bool = False
    done: int = 0
    total: int = 0
    name: str = ""
    failed: dict[str, str] = field(default_factory=dict)
    again: dict[str, float] = field(default_factory=dict)

    def waited(self) -> Intake:
        """The same without those whose time has come."""
        still = {sha256: at for sha256, at in self.again.items() if at > time.monotonic()}
        over = self.again.keys() - still.keys()
        return replace(self, failed={s: words for s, words in self.failed.items() if s not in over}, again=still)


_lock = threading.Lock()
_states: dict[str, Intake] = {}
_tried: dict[tuple[str, str], frozenset[str]] = {}  # by store and photograph, the protocols that were known then


class _SharedReader:
    """One reading process for all screens; it is started anew when protocols, thresholds or what was learned change."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reader: Reader | None = None
        self._knows = ""

    def call(self, known: KnownProtocols, own: OwnReader, method: str, *arguments):
        """One call of a method of `Reader`, after those that others wait for."""
        with self._lock:
            if self._reader is None or self._knows != signature(known, own):
                if self._reader is not None:
                    self._reader.__exit__()
                self._reader = Reader(known, jobs=1, own=own)
                self._knows = signature(known, own)
            return getattr(self._reader, method)(*arguments)


_reader = _SharedReader()


def progress(store: Store) -> Intake:
    """How far the reading of this store's photographs is."""
    return _states.get(str(store.folder), Intake())


def read_one(store: Store, sha256: str, name: str) -> tuple[str, ...]:
    """Read one kept photograph and record what it says; sentences about sheets in it that could not be kept."""
    known, own = known_protocols(store=store), known_reader(store.folder)
    began = time.monotonic()
    result = _reader.call(known, own, "read_bytes", store.original(sha256), name)
    told = {"status": result.status, "cells": len(result.readings), "open": sum(r.flagged for r in result.readings)}
    log.note("read", photo=sha256[:12], seconds=round(time.monotonic() - began, 1), **told)
    lost = record(store, result, known, now=worklist.utc_now(), own=own)
    beside = [" ".join(one.reasons) for one in result.others if one.status != "read"]  # the photograph counts as read
    return tuple(words for words in (own.trouble, *beside, *lost) if words)


def accept(store: Store, data: bytes, name: str) -> list[str]:
    """Keep what somebody adds: a photograph, or every picture in a PDF, TIFF or zip file.

    Returns sentences about what could not be taken. A file that holds nothing to read is kept itself, as unreadable.
    """
    try:
        return _accept(store, data, name)
    except StoreError as error:  # the disk is full, the bucket does not answer
        return [f"{name}: {error}. Add it again; what is kept already is not kept twice."]


def _accept(store: Store, data: bytes, name: str) -> list[str]:
    if not may_hold_several(data):
        store.keep_photo(data, name, now=worklist.utc_now())
        return []
    known, own = known_protocols(store=store), known_reader(store.folder)
    kept, refused = False, []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"added{Path(name.replace(NUL, '')).suffix[:8]}"
        path.write_bytes(data)
        for _, picture in _reader.call(known, own, "pictures", [path]):
            one = _reader.call(
                known, own, "original", picture
            )  # one at a time: of hundreds of pages each takes megabytes
            if isinstance(one, NotAPhoto):
                refused.append(one)
            else:
                store.keep_photo(one.data, name + one.name.removeprefix(path.name), now=worklist.utc_now())
                kept = True
    if not kept:
        sha256 = store.keep_photo(data, name, now=worklist.utc_now())
        why = NotAPhoto(name, sha256, refused[0].reason, refused[0].detail)
        record(store, read_decoded(why, ()), known, now=worklist.utc_now())
        return []
    return [f"{name}{one.name.removeprefix(path.name)}: {read_decoded(one, ()).reasons[0]}" for one in refused]


def of_unknown_protocol(photo: PhotoRow) -> bool:
    """Whether a sheet in a photograph was refused since what it was printed from was not known."""
    refused = photo.status in ("unreadable", "retake") and not photo.page_ids
    said = photo.reasons if refused else photo.beside
    return any(reason.startswith(REASONS["other-edition"].short) for reason in said)


def _digests(store: Store) -> frozenset[str]:
    return frozenset(one.digest for one in known_protocols(store=store).protocols)


def _waiting(store: Store, failed: dict[str, str]) -> list[tuple[str, str]]:
    """Photographs to be read: those that nobody has read, and those whose protocol may be known by now."""
    photos = store.photos()
    unknown = [p for p in photos if of_unknown_protocol(p)]
    known = _digests(store) if unknown else frozenset()
    again = {p.sha256 for p in unknown if _tried.get((str(store.folder), p.sha256)) != known}
    never = {p.sha256 for p in photos if p.status == "waiting" and p.sha256 not in failed}
    return [(p.sha256, p.name) for p in photos if p.sha256 in never | again]


def _run(store: Store) -> None:
    try:
        _read_what_waits(store)
    except Exception as error:  # the database cannot be reached: what waits is read when the next one asks
        log.trouble("intake", error)
        with _lock:
            _states[str(store.folder)] = replace(progress(store), running=False)


def _read_what_waits(store: Store) -> None:
    key, done = str(store.folder), 0
    failed, again = dict(progress(store).failed), dict(progress(store).again)
    while True:
        with _lock:
            waiting = _waiting(store, failed)
            if not waiting:
                _states[key] = Intake(False, done, done, "", failed, again)
                return
        sha256, name = waiting[0]
        _states[key] = Intake(True, done, done + len(waiting), name, dict(failed), dict(again))
        try:
            _tried[key, sha256] = _digests(store)
            failed.pop(sha256, None)
            lost = read_one(store, sha256, name)
            if lost:
                failed[sha256] = " ".join((f"{name}:", *lost))
        except ValueError as error:  # of the store, its bucket or its files, in words
            log.trouble("read", error, photo=sha256[:12])
            failed[sha256] = f"{name} is kept but not read yet: {error}. It is read again in a minute."
            again[sha256] = time.monotonic() + AGAIN_SECONDS
        except Exception as error:
            log.trouble("read", error, photo=sha256[:12])
            failed[sha256] = f"{name} could not be read: {error}. It is kept; start the program again to try once more."
        done += 1


def start(store: Store) -> bool:
    """Start reading what waits, unless it is being read already; whether anything was started."""
    with _lock:
        key = str(store.folder)
        now = progress(store).waited()
        waiting = _waiting(store, now.failed)
        if now.running or not waiting:
            return False
        _states[key] = Intake(True, 0, len(waiting), waiting[0][1], now.failed, now.again)
    threading.Thread(target=_run, args=(store,), name="intake", daemon=True).start()
    return True
