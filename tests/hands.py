"""Many clerks at one store: each takes cells and decides them, and one time in five looks at somebody else's instead.

Each clerk is a process of its own with its own connection. A clerk whose entry is refused because another was quicker
is told so, and that is counted as a conflict shown. What they were promised is then compared with what the store holds.
Waits are what a clerk sees: from the key press to the answer, busy answers and sending again included.
"""

from __future__ import annotations

import json
import os
import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kept import FLAGGED, keep, layout, made_result
from sqlalchemy import select

from digitise.store import ChangedMeanwhile, QueueItem, Store, StoreError, schema
from digitise.store.verify import verify
from review_app.ordering import front, key_of

AT_ONCE = 5  # cells that a clerk takes at a time
INTRUDING = 0.2  # share of turns in which a clerk goes to leased cells


def fill(store: Store, cells: int) -> int:
    """Sheets on which every cell that can hold a number is open, until there are so many; how many there are."""
    numbers = [c.id for c in layout("fish").cells if c.kind in ("tally", "number")]
    made = 0
    while made < cells:
        values = dict.fromkeys(numbers[: cells - made], FLAGGED)
        keep(store, made_result("fish", values, name=f"sheet-{made}.jpg", transect=1, pack=None), now=datetime.now(UTC))
        made += len(values)
    return made


def clerk(folder: Path, url: str | None, number: int, out: Path) -> None:
    """Work until nothing is open, and note what came of each attempt."""
    rng, client, seq, notes = random.Random(number), f"desk-{number}", 0, []
    with Store.open(folder, database=url) as store:
        while True:
            now = datetime.now(UTC)
            if rng.random() < INTRUDING:
                seen = store.queue(limit=3 * AT_ONCE)
                cells = rng.sample(seen, min(len(seen), AT_ONCE))
                if not cells:
                    break
            else:
                cells = patiently(notes, lambda: taken(store, f"Clerk {number}", client, now))  # noqa: B023
                if not cells and not store.queue(limit=1):
                    break
            for cell in cells:
                seq += 1
                press = {"value": rng.randint(0, 99), "state": "entered", "by": f"Clerk {number}"}
                press |= {"client": client, "seq": seq, "last_seen": cell.last_entry, "now": datetime.now(UTC)}
                pressed, kind, number = time.monotonic(), "entered", 0
                try:
                    number = patiently(notes, lambda: store.decide(cell.page_id, cell.cell, **press).id)  # noqa: B023
                except ChangedMeanwhile:
                    kind = "conflict"
                waited_s = time.monotonic() - pressed
                notes.append([kind, number, cell.page_id, cell.cell, press["value"], waited_s])
    out.write_text(json.dumps(notes))


def taken(store: Store, by: str, client: str, now: datetime) -> list[QueueItem]:
    """Open cells that no other clerk holds, leased to this one, as at the desk."""
    others = {key for key, one in store.leases.held(now=now).items() if one.client != client}
    while True:
        found = {key_of(i): i for i in front(store, "sheet", 3 * AT_ONCE, skip=others)}
        given = store.leases.take_free(list(found), by=by, client=client, now=now, most=AT_ONCE)
        if given or not found:  # else others were quicker with every one of them
            return [found[lease.page_id, lease.cell] for lease in given]
        others |= found.keys()


def patiently(notes: list, call: Callable):
    """Do again what the store was too busy for, the same key press as the desk's browser does, and note it."""
    while True:
        try:
            return call()
        except ChangedMeanwhile:
            raise
        except StoreError as error:
            if "another" not in str(error):  # another program, another desk
                raise
            notes.append(["busy", 0, 0, "", 0, 0.0])


def run(folder: Path, url: str | None, *, clerks: int, cells: int) -> dict:
    """Let clerks decide all cells of a new store; counts, rate, and what is wrong."""
    with Store.open(folder, database=url) as store:
        made = fill(store, cells)
    started, children = time.monotonic(), []
    for number in range(clerks):
        child = os.fork()
        if child == 0:
            try:
                clerk(folder, url, number, folder.parent / f"clerk-{number}.json")
                os._exit(0)
            except BaseException as error:
                print(f"clerk {number}: {type(error).__name__}: {error}", file=sys.stderr)
                os._exit(1)
        children.append(child)
    codes = [os.waitpid(child, 0)[1] for child in children]
    seconds = time.monotonic() - started
    wrong = [f"a clerk ended with {code}" for code in codes if code]
    files = [folder.parent / f"clerk-{i}.json" for i in range(clerks)]
    notes = [n for file in files if file.exists() for n in json.loads(file.read_text())]
    entered = [n for n in notes if n[0] == "entered"]
    with Store.open(folder, database=url) as store:
        with store.database.read() as connection:
            rows = connection.execute(select(schema.entries).where(schema.entries.c.client != "")).all()
        kept = {(e.id, e.page_id, e.cell, json.loads(e.value)) for e in rows}
        if kept != {tuple(n[1:5]) for n in entered}:
            wrong.append("entries kept are not those that were promised")
        twice = [k for k, n in Counter((e.page_id, e.cell) for e in rows).items() if n > 1]
        wrong += [f"{cell} on page {page} was decided twice" for page, cell in twice]
        wrong += ["cells are still open"] * bool(store.progress().open)
        wrong += verify(store).problems
    waits_s = sorted(n[5] for n in notes if n[0] != "busy") or [0.0]
    return {
        "clerks": clerks,
        "cells": made,
        "entered": len(entered),
        "conflicts_shown": sum(n[0] == "conflict" for n in notes),
        "told_to_try_again": sum(n[0] == "busy" for n in notes),
        "seconds": round(seconds, 1),
        "decisions_per_second": round(len(entered) / seconds),
        "wait_ms": {
            "median": round(1000 * waits_s[len(waits_s) // 2]),
            "99 %": round(1000 * waits_s[int(0.99 * (len(waits_s) - 1))]),
            "longest": round(1000 * waits_s[-1]),
        },
        "wrong": wrong[:20],
    }


if __name__ == "__main__":
    place = Path(sys.argv[1])
    address = sys.argv[4] if len(sys.argv) > 4 else None
    print(json.dumps(run(place / "kept", address, clerks=int(sys.argv[2]), cells=int(sys.argv[3]))))
