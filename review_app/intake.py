"""Photographs that were kept but not read yet are read one after another in the background.

A page that is reloaded or left does not stop the reading. What was kept is on disk before reading starts, so after a
restart the rest is read.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from digitise.batch import known_protocols, record
from digitise.photo import decode_photo
from digitise.read import read_decoded
from digitise.store import Store
from review_app import worklist


@dataclass(frozen=True, slots=True)
class Intake:
    """How far the reading is: photographs `done` of `total` in this run. `failed` has a sentence by SHA-256."""

    running: bool = False
    done: int = 0
    total: int = 0
    name: str = ""
    failed: dict[str, str] = field(default_factory=dict)


_lock = threading.Lock()
_states: dict[str, Intake] = {}


def progress(store: Store) -> Intake:
    """How far the reading of this store's photographs is."""
    return _states.get(str(store.folder), Intake())


def read_one(store: Store, sha256: str, name: str) -> None:
    """Read one kept photograph and record what it says."""
    known = known_protocols(store=store)
    result = read_decoded(decode_photo(store.original(sha256), name), known.layouts)
    record(store, result, known, now=worklist.utc_now())


def _waiting(store: Store, failed: dict[str, str]) -> list[tuple[str, str]]:
    return [(p.sha256, p.name) for p in store.photos() if p.status == "waiting" and p.sha256 not in failed]


def _run(store: Store) -> None:
    key, done = str(store.folder), 0
    failed = dict(progress(store).failed)
    while True:
        with _lock:
            waiting = _waiting(store, failed)
            if not waiting:
                _states[key] = Intake(False, done, done, "", failed)
                return
        sha256, name = waiting[0]
        _states[key] = Intake(True, done, done + len(waiting), name, dict(failed))
        try:
            read_one(store, sha256, name)
        except Exception as error:
            failed[sha256] = f"{name} could not be read: {error}. It is kept; start the program again to try once more."
        done += 1


def start(store: Store) -> bool:
    """Start reading what waits, unless it is being read already; whether anything was started."""
    with _lock:
        key = str(store.folder)
        waiting = _waiting(store, progress(store).failed)
        if progress(store).running or not waiting:
            return False
        _states[key] = Intake(True, 0, len(waiting), waiting[0][1], progress(store).failed)
    threading.Thread(target=_run, args=(store,), name="intake", daemon=True).start()
    return True
