"""A worker that is killed at random moments while it imports, reviews and exports, and a check of what it promised.

``python tests/faults.py FOLDER --kills 500`` works in FOLDER (SQLite) or with ``--database URL`` (PostgreSQL). Every
promise (a call that returned) is noted in a file beside the store right after it was made. After each kill the store is
opened again, and nothing promised may be lost or doubled; a key press that was under way is sent again. Photographs and
readings are made up: the reader has no part in what is kept. Prints JSON.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kept import FLAGGED, PACK, keep, made_result, photo_of
from sqlalchemy import select

from digitise.exchange.write import write_export
from digitise.store import Store, schema
from digitise.store.verify import verify

CELLS = [f"fish/{row}/0-10/total" for row in ("ray", "goby", "damselfish")]
STEPS = ("import", "decide", "export")


class Notes:
    """Lines in a file, each on its way to the disk when `add` returns: what was meant, and what was promised."""

    def __init__(self, path: Path):
        self.path = path
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def add(self, **note) -> None:
        """Add a line."""
        os.write(self._file, (json.dumps(note) + "\n").encode())

    def read(self) -> list[dict]:
        """All lines so far."""
        return [json.loads(line) for line in self.path.read_text().splitlines()]


def work(folder: Path, url: str | None, notes: Notes, seed: int) -> None:
    """Work until killed; first whatever was meant and not promised is done again."""
    rng = random.Random(seed)
    with Store.open(folder, database=url) as store:
        done = notes.read()
        promised = {n["key"] for n in done if n["what"] == "promised"}
        for meant in [n for n in done if n["what"] == "meant" and n["key"] not in promised][-1:]:
            do(store, folder, notes, meant)
        number = len(done)
        while True:
            number += 1
            step = rng.choices(STEPS, weights=(5, 10, 1))[0]
            meant = {"step": step, "key": f"{seed}-{number}", "number": number}
            if step == "decide":
                open_cells = store.queue(limit=20)
                if not open_cells:
                    continue
                cell = rng.choice(open_cells)
                meant |= {"page": cell.page_id, "cell": cell.cell, "value": rng.randint(0, 99)}
            notes.add(what="meant", **meant)
            do(store, folder, notes, meant)


def do(store: Store, folder: Path, notes: Notes, meant: dict) -> None:
    """One step; it is noted as promised when every call of it has returned."""
    now, key = datetime.now(UTC), meant["key"]
    if meant["step"] == "import":
        cells = dict.fromkeys(CELLS, FLAGGED) | {"fish/none-seen": True}
        result = made_result("fish", cells, name=key, pack=None if store.packs() else PACK)
        page = keep(store, result, now=now)
        notes.add(what="promised", key=key, step="import", page=page)
    elif meant["step"] == "decide":
        client, seq = key.split("-")
        entry = store.decide(
            *(meant["page"], meant["cell"]),
            value=meant["value"],
            state="entered",
            by="Anna",
            client=client,
            seq=int(seq),
            now=now,
        )
        notes.add(what="promised", **{k: meant[k] for k in ("key", "step", "page", "cell", "value")}, entry=entry.id)
    elif store.pages():
        write_export(store, folder.parent / "export", now=now, packs=[PACK], formats=("tables",), with_unreviewed=True)
        notes.add(what="promised", key=key, step="export")


def check(folder: Path, url: str | None, promised: list[dict]) -> list[str]:
    """What of these promises was not kept, in words; opens the store as the next program would."""
    wrong = []
    with Store.open(folder, database=url) as store, store.database.read() as connection:
        for note in promised:
            if note["step"] == "import":
                rows = connection.execute(select(schema.pages).filter_by(id=note["page"])).all()
                kept = len(rows) == 1 and store.original(rows[0].sha256) == photo_of(note["key"])
                if not kept or not (folder / "pages" / rows[0].image).is_file():
                    wrong.append(f"photograph {note['key']} is not kept once with its page")
            elif note["step"] == "decide":
                client, seq = note["key"].split("-")
                query = select(schema.entries).filter_by(client=client, seq=int(seq))
                found = [(e.id, e.page_id, e.cell, json.loads(e.value)) for e in connection.execute(query)]
                if found != [(note["entry"], note["page"], note["cell"], note["value"])]:
                    wrong.append(f"decision {note['key']} is there {len(found)} times or differs")
    return wrong


def doubled(folder: Path, url: str | None) -> list[str]:
    """Pages of one photograph and entries of one key press that are there more than once."""
    with Store.open(folder, database=url) as store, store.database.read() as connection:
        pages = Counter(connection.execute(select(schema.pages.c.sha256)).scalars())
        presses = Counter(
            tuple(r) for r in connection.execute(select(schema.entries.c.client, schema.entries.c.seq)) if r.client
        )
    return [str(k) for counted in (pages, presses) for k, n in counted.items() if n > 1]


def warm_up() -> None:
    """Load everything once, so that workers spend their short lives on the store."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "kept"
        place.mkdir()
        notes = Notes(Path(folder) / "notes.jsonl")
        with Store.open(place, database=None) as store:
            for number, step in enumerate(("import", "export")):
                do(store, place, notes, {"step": step, "key": f"0-{number}", "number": number})


def torture(folder: Path, url: str | None, kills: int, seed: int, longest_s: float) -> dict:
    """Kill a worker `kills` times; what was promised, and what was wrong."""
    warm_up()
    rng = random.Random(seed)
    notes, wrong, seen = Notes(folder.parent / "notes.jsonl"), [], 0
    for number in range(kills):
        child = os.fork()
        if child == 0:
            try:
                work(folder, url, notes, seed * 1000 + number)
            except BaseException as error:
                notes.add(what="failed", key="", error=f"{type(error).__name__}: {error}")
            finally:
                os._exit(1)
        if number % 5:  # every fifth is killed at any moment from its start, the others after some steps
            _wait_until_longer(notes.path, seen + rng.randrange(9))
        time.sleep(rng.uniform(0, longest_s))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        everything = notes.read()
        if not os.WIFSIGNALED(status):
            wrong += [n["error"] for n in everything[seen:] if n["what"] == "failed"]
        wrong += check(folder, url, [n for n in everything[seen:] if n["what"] == "promised"])
        seen = len(everything)
    promised = [n for n in notes.read() if n["what"] == "promised"]
    wrong += check(folder, url, promised) + doubled(folder, url)
    with Store.open(folder, database=url) as store:
        wrong += verify(store).problems
        if store.pages():
            write_export(
                store,
                folder.parent / "export",
                now=datetime.now(UTC),
                packs=[PACK],
                formats=("tables",),
                with_unreviewed=True,
            )
    meant = sum(n["what"] == "meant" for n in notes.read())
    return {"kills": kills, "meant": meant, "promised": dict(Counter(n["step"] for n in promised)), "wrong": wrong[:20]}


def _wait_until_longer(path: Path, lines: int) -> None:
    for _ in range(3000):
        if path.read_bytes().count(b"\n") > lines:
            return
        time.sleep(0.01)


def main() -> None:
    """Parse, torture, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--database")
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=0.3, metavar="SECONDS", help="until the kill, at most")
    args = parser.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    started = time.monotonic()
    out = torture(args.folder / "kept", args.database, args.kills, args.seed, args.longest)
    print(json.dumps(out | {"seconds": round(time.monotonic() - started, 1)}))


if __name__ == "__main__":
    main()
