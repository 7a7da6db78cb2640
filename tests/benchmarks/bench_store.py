"""The store under faults, many hands and a million cells: ``python tests/benchmarks/bench_store.py {faults,hands,cells}``.

Everything runs on SQLite in a temporary folder, and with ``--postgresql`` on a real PostgreSQL (see
``tests/postgresql.py``). Figures are printed after the machine.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
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
from kept import FLAGGED, keep, made_result
from postgresql import Server
from sqlalchemy import func, insert, select, text

from digitise.sheet import PACK_ALPHABET
from digitise.store import Store, counts, schema
from digitise.survey import load_survey

PAGES_A_PACK = 10
ROUNDS = 5


def pack_name(number: int) -> str:
    """A pack's six letters."""
    letters = ""
    for _ in range(6):
        number, rest = divmod(number, len(PACK_ALPHABET))
        letters += PACK_ALPHABET[rest]
    return letters


def multiply(store: Store, cells: int) -> None:
    """Copy one recorded page, row by row, until the store holds so many cells; a copy is a page of another pack."""
    with store.database.read() as connection:
        page = dict(connection.execute(select(schema.pages).limit(1)).one()._mapping)
        photo = dict(connection.execute(select(schema.photos).limit(1)).one()._mapping)
        readings = [dict(r._mapping) for r in connection.execute(select(schema.readings))]
        entries = [dict(e._mapping) for e in connection.execute(select(schema.entries))]
    first, copies = len(store.pages()), cells // len(readings)
    for start in range(first, copies, 500):
        some = range(start, min(start + 500, copies))
        with store.database.write() as connection:
            rows = {"photos": [], "pages": [], "readings": [], "entries": []}
            for n in some:
                sha = f"{n:064x}"
                rows["photos"].append(photo | {"sha256": sha, "name": f"{n}.jpg"})
                own = {"id": n + 1, "sha256": sha, "pack": pack_name(n // PAGES_A_PACK), "transect": 1 + n % 3}
                rows["pages"].append(page | own)
                shift = n * len(readings)
                rows["readings"] += [r | {"id": r["id"] + shift, "page_id": n + 1} for r in readings]
                made = n * len(entries)
                rows["entries"] += [
                    e | {"id": e["id"] + made, "page_id": n + 1, "reading_id": e["reading_id"] + shift} for e in entries
                ]
            for name, many in rows.items():
                connection.execute(insert(schema.metadata.tables[name]), many)
    with store.database.write() as connection:
        counts.rebuild(connection)
        if store.database.kind == "postgresql":
            for name in ("pages", "readings", "entries"):
                connection.execute(text(f"SELECT setval('{name}_id_seq', (SELECT max(id) FROM {name}))"))  # noqa: S608
    if store.database.kind == "postgresql":
        with store.database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.execute(text("ANALYZE"))


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
    result = made_result("fish", flagged | {"fish/none-seen": True}, name="0.jpg")
    for size in sizes:
        with Store.open(place / str(size), database=server.prepared() if server else None) as store:
            keep(store, result, now=datetime.now(UTC))
            multiply(store, size)
            with store.database.read() as connection:
                held[size] = connection.execute(select(func.count()).select_from(schema.readings)).scalar_one()
            table[size] = queries(store)
    print("| milliseconds, best of 5 | " + " | ".join(f"{held[size]:,} cells" for size in sizes) + " |")
    print("| --- |" + " --- |" * len(sizes))
    for name in table[sizes[0]]:
        print(f"| {name} | " + " | ".join(f"{table[size][name]:,}" for size in sizes) + " |")


def main() -> None:
    """Parse, print the machine, run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("faults", "hands", "cells"))
    parser.add_argument("--postgresql", action="store_true")
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--clerks", type=int, default=25)
    parser.add_argument("--decisions", type=int, default=10_000)
    parser.add_argument("--cells", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    args = parser.parse_args()
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
