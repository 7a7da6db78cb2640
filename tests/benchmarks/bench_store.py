"""The store under faults, many hands and a million cells: ``python tests/benchmarks/bench_store.py {faults,hands,cells}``.

Everything runs on SQLite in a temporary folder, and with ``--postgresql`` on a real PostgreSQL (see
``tests/postgresql.py``). Figures are printed after the machine. ``verify --store FOLDER`` checks one store in a process
of its own, so that the memory it takes can be told.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import faults
import hands
from kept import FLAGGED, keep, made_result, photo_of
from postgresql import Server
from sqlalchemy import func, insert, select, text

from digitise.sheets.sheet import PACK_ALPHABET
from digitise.store import Store, chain, counts, schema
from digitise.store.files import original_name
from digitise.store.verify import verify
from digitise.surveys.survey import load_survey

PAGES_A_PACK = 3  # one sheet of each of three transects; more would be rivals
ROUNDS = 5


def pack_name(number: int) -> str:
    """A pack's six letters."""
    letters = ""
    for _ in range(6):
        number, rest = divmod(number, len(PACK_ALPHABET))
        letters += PACK_ALPHABET[rest]
    return letters


def multiply(store: Store, cells: int) -> None:
    """Copy one recorded page, row by row, until the store holds so many cells; a copy is a page of another pack.

    Photographs, pictures and the audit trail of the copies are there too, so that the store is whole.
    """
    with store.database.read() as connection:
        page = dict(connection.execute(select(schema.pages).limit(1)).one()._mapping)
        photo = dict(connection.execute(select(schema.photos).limit(1)).one()._mapping)
        readings = [dict(r._mapping) for r in connection.execute(select(schema.readings))]
        entries = [dict(e._mapping) for e in connection.execute(select(schema.entries))]
    picture = (store.folder / "pages" / page["image"]).read_bytes()
    first, copies = len(store.pages()), cells // len(readings)
    for start in range(first, copies, 500):
        rows = {"photos": [], "pages": [], "readings": [], "entries": []}
        for n in range(start, min(start + 500, copies)):
            data = photo_of(f"{n}.jpg")
            sha = hashlib.sha256(data).hexdigest()
            file, image = original_name(sha, f"{n}.jpg"), page["image"].replace(page["sha256"], sha)
            put(store.folder / "originals" / file, data)
            put(store.folder / "pages" / image, picture)
            rows["photos"].append(photo | {"sha256": sha, "name": f"{n}.jpg", "file": file, "bytes": len(data)})
            own = {"id": n + 1, "sha256": sha, "pack": pack_name(n // PAGES_A_PACK), "transect": 1 + n % 3}
            rows["pages"].append(page | own | {"image": image})
            shift = n * len(readings)
            rows["readings"] += [r | {"id": r["id"] + shift, "page_id": n + 1} for r in readings]
            made = n * len(entries)
            rows["entries"] += [
                e | {"id": e["id"] + made, "page_id": n + 1, "reading_id": e["reading_id"] + shift} for e in entries
            ]
        with store.database.write() as connection:
            for name, many in rows.items():
                connection.execute(insert(schema.metadata.tables[name]), many)
            for table, key in ((schema.photos, "sha256"), (schema.pages, "id")):
                for row in rows[table.name]:
                    chain.seal(connection, table, row[key], at=page["recorded_at"])
    with store.database.write() as connection:
        counts.rebuild(connection)
        if store.database.kind == "postgresql":
            for name in ("pages", "readings", "entries"):
                connection.execute(text(f"SELECT setval('{name}_id_seq', (SELECT max(id) FROM {name}))"))  # noqa: S608
    if store.database.kind == "postgresql":
        with store.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("ANALYZE"))


def put(path: Path, data: bytes) -> None:
    """Write a file; this need not outlast a power cut."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data)


def checked(folder: Path, url: str | None) -> dict[str, float]:
    """Seconds and megabytes of a check of the whole store, in a process of its own."""
    command = [sys.executable, __file__, "verify", "--store", folder, *(["--database", url] if url else [])]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def check(folder: Path, url: str | None) -> None:
    """Check a store; print seconds, the memory taken before and at most (Linux counts it), and how much was wrong."""
    with Store.open(folder, database=url) as store:
        Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
        before, started = megabytes("VmRSS"), time.perf_counter()
        problems = verify(store).problems
        seconds = time.perf_counter() - started
    found = {"verify, s": round(seconds, 1), "verify, MB more than before": round(megabytes("VmHWM") - before)}
    print(json.dumps(found | {"verify, problems": len(problems)}))


def megabytes(what: str) -> float:
    """What Linux says of this process's memory: VmRSS now, VmHWM at most."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith(f"{what}:"))


def fastest_ms(work: Callable[[], object]) -> float:
    """Best of several rounds."""
    best = float("inf")
    for _ in range(ROUNDS):
        started = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - started)
    return round(1000 * best, 1)


def queries(store: Store) -> dict[str, float]:
    """Milliseconds of what the screens ask for."""
    pack = pack_name(0)
    page = store.queue(limit=1, pack=pack)[0].page_id
    seq = iter(range(1, 1_000_000))

    def decide() -> None:
        item = store.queue(limit=1, pack=pack_name(1))[0]
        store.decide(
            *(item.page_id, item.cell),
            value=3,
            state="entered",
            by="Anna",
            now=datetime.now(UTC),
            client="bench",
            seq=next(seq),
        )

    def after_an_entry(work: Callable[[], object]) -> float:
        """Best of several, each just after somebody's entry, so that nothing kept in memory is still true."""
        best = float("inf")
        for _ in range(ROUNDS):
            enter_again()
            started = time.perf_counter()
            work()
            best = min(best, time.perf_counter() - started)
        return round(1000 * best, 1)

    def enter_again() -> None:
        press = {"client": "bench", "seq": next(seq), "by": "Anna", "now": datetime.now(UTC)}
        store.decide(page, "fish/ray/0-10/total", value=next(seq) % 99, state="entered", **press)

    started = time.perf_counter()
    store.pages()
    cold = round(1000 * (time.perf_counter() - started), 1)
    return {
        "all pages, the first time": cold,
        "first 100 of the queue, just after an entry": after_an_entry(lambda: store.queue(limit=100)),
        "progress of all, just after an entry": after_an_entry(store.progress),
        "all pages, just after an entry": after_an_entry(store.pages),
        "first 100 of the queue": fastest_ms(lambda: store.queue(limit=100)),
        "queue of one pack": fastest_ms(lambda: store.queue(pack=pack)),
        "one page": fastest_ms(lambda: store.page(page)),
        "cells of a page": fastest_ms(lambda: store.current(page)),
        "survey for results": fastest_ms(lambda: load_survey(store, pack)),
        "find a cell and decide it": fastest_ms(decide),
        "progress of one pack": fastest_ms(lambda: store.progress(pack=pack)),
        "progress of all": fastest_ms(store.progress),
        "all pages": fastest_ms(store.pages),
    }


def cells(place: Path, server: Server | None, sizes: list[int]) -> None:
    """Time queries in stores of growing size."""
    table, held = {}, {}
    flagged = dict.fromkeys([f"fish/{row}/0-10/total" for row in ("ray", "goby", "damselfish")], FLAGGED)
    result = made_result("fish", flagged | {"fish/none-seen": True}, name="0.jpg", pack=pack_name(0))
    for size in sizes:
        with Store.open(place / str(size), database=server.prepared() if server else None) as store:
            keep(store, result, now=datetime.now(UTC))
            multiply(store, size)
            with store.database.read() as connection:
                held[size] = connection.execute(select(func.count()).select_from(schema.readings)).scalar_one()
            table[size] = queries(store)
            url = store.database.engine.url.render_as_string(hide_password=False) if server else None
        table[size] |= checked(place / str(size), url)
    print("| milliseconds, best of 5 | " + " | ".join(f"{held[size]:,} cells" for size in sizes) + " |")
    print("| --- |" + " --- |" * len(sizes))
    for name in table[sizes[0]]:
        print(f"| {name} | " + " | ".join(f"{table[size][name]:,}" for size in sizes) + " |")


def main() -> None:
    """Parse, print the machine, run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("faults", "hands", "cells", "verify"))
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--clerks", type=int, default=25)
    parser.add_argument("--decisions", type=int, default=10_000)
    parser.add_argument("--cells", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--store", type=Path, help="for verify")
    parser.add_argument("--database", help="for verify")
    args = parser.parse_args()
    if args.what == "verify":
        check(args.store, args.database)
        return
    kind = "PostgreSQL" if args.postgresql else "SQLite"
    print(
        f"{datetime.now(UTC):%Y-%m-%d}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {platform.platform()}, {kind}"
    )
    server = Server()
    try:
        if args.postgresql:
            server.start()
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "kept"
            url = server.prepared() if args.postgresql and args.what != "cells" else None
            folder.mkdir()
            if args.what == "faults":
                print(json.dumps(faults.torture(folder, url, args.kills, seed=1, longest_s=0.3)))
            elif args.what == "hands":
                print(json.dumps(hands.run(folder, url, clerks=args.clerks, cells=args.decisions)))
            else:
                cells(folder, server if args.postgresql else None, args.cells)
    finally:
        server.stop()


if __name__ == "__main__":
    main()
