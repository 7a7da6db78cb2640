"""How long results take from a store, and how that grows: ``python tests/benchmarks/bench_results.py``.

Makes stores of made-up surveys, three transects each with substrate, fish and invertebrate sheets and belts in five
stretches, by writing rows straight into the database: 40 points and 220 count cells a transect, all accepted but for one
code in 200, which is unread. Then asks for every cover, density and occurrence of every site, each time in a process of
its own, as a user meets it:

- cold, when nothing is kept: on one core, and on all;
- at the end of a `read` that brought one survey more (what is new is worked out there), and asked after that;
- again, when nothing has changed; and after one more entry.

Prints seconds by the clock without imports and, in brackets, of processor time of all processes, so that one sees what a
busy machine adds; and the peak memory of the largest process.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import func, insert, select

from digitise.notebook import open_programme
from digitise.results import cores, survey_results
from digitise.results.kept import make_ahead
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import PACK_ALPHABET, PACK_LENGTH
from digitise.store import Store
from digitise.store import schema as t
from digitise.surveys.survey import iter_surveys

TABLES = ("photos", "pages", "page_counts", "readings", "open_cells", "entries")
NOW = datetime(2026, 11, 25, tzinfo=UTC).isoformat()


def pack_name(number: int) -> str:
    """A pack's name."""
    letters = ""
    for _ in range(PACK_LENGTH):
        number, i = divmod(number, len(PACK_ALPHABET))
        letters += PACK_ALPHABET[i]
    return letters


class Maker:
    """Rows for made-up surveys, numbered on."""

    def __init__(self, protocol: Protocol, rng: np.random.Generator) -> None:
        self.protocol, self.rng, self.page, self.reading = protocol, rng, 0, 0
        sheets = ("substrate", "fish", "invertebrate")
        self.layouts = [one for one in build_layouts(protocol) if one.paper == "A4" and one.sheet in sheets]
        self.codes = [c.code for c in protocol.sheets["substrate"].categories]

    def survey(self, pack: str) -> dict[str, list[dict]]:
        """Rows of one survey by table."""
        rows: dict[str, list[dict]] = {name: [] for name in TABLES}
        for transect in (1, 2, 3):
            for layout in self.layouts:
                self._sheet(rows, layout, pack, transect)
        return rows

    def _sheet(self, rows: dict[str, list[dict]], layout: Layout, pack: str, transect: int) -> None:
        self.page += 1
        sha = f"{self.page:064x}"
        rows["photos"].append({"sha256": sha, "name": f"{self.page}.jpg", "file": sha, "bytes": 1, "kept_at": NOW})
        rows["pages"].append(
            {
                "id": self.page,
                "sha256": sha,
                "reader_version": "bench",
                "acceptance_basis": "made up",
                "layout_digest": layout.digest,
                "protocol_digest": self.protocol.digest,
                "pack": pack,
                "transect": transect,
                "mean_confidence": 0.999,
                "residual_mm": 0.2,
                "px_per_mm": 10.0,
                "image": sha,
                "recorded_at": NOW,
            }
        )
        unread = 0
        for cell in layout.cells:
            self.reading += 1
            waits = cell.kind == "code" and self.rng.random() < 0.005
            unread += waits
            value = self._value(cell.kind, cell.id)
            text = json.dumps(value)
            state = "blank" if value is None else "entered"
            common = {"page_id": self.page, "cell": cell.id, "value": text}
            rows["readings"].append(
                common
                | {
                    "id": self.reading,
                    "kind": cell.kind,
                    "confidence": 0.6 if waits else 0.999,
                    "flagged": int(waits),
                    "candidates": json.dumps([[value, 0.999]]),
                    "reasons": "[]",
                    "score": 0.999,
                    "photo_px": "[]",
                }
            )
            if waits:
                rows["open_cells"].append({"reading_id": self.reading, "page_id": self.page, "last_entry": 0})
                continue
            rows["entries"].append(
                common
                | {
                    "state": state,
                    "by": "rule",
                    "decided_by": "rule",
                    "at": NOW,
                    "why": "",
                    "reading_id": self.reading,
                    "client": "",
                    "seq": 0,
                }
            )

        rows["page_counts"].append({"page_id": self.page, "flagged": unread, "open": unread, "decided": 0})

    def _value(self, kind: str, name: str) -> object:
        if kind == "code":
            return self.codes[int(self.rng.integers(len(self.codes)))]
        if kind in ("tally", "number"):
            return int(self.rng.poisson(4))
        return name.endswith("/none-seen") if kind == "tick" else None


def five_stretches() -> Protocol:
    """The shipped protocol with belts counted every 4 m."""
    data = load_protocol("reef-transect").model_dump(mode="json")
    data["belt"]["segments"] = ["0-4", "4-8", "8-12", "12-16", "16-20"]
    return Protocol.model_validate(data)


def add_surveys(folder: Path, numbers: Iterable[int]) -> None:
    """Put made-up surveys with these numbers into a store, in which their layouts are."""
    with Store.open(folder) as store, store.database.write() as c:
        maker = Maker(five_stretches(), np.random.default_rng(1))
        maker.page, maker.reading = (
            c.execute(select(func.max(one.c.id))).scalar() or 0 for one in (t.pages, t.readings)
        )
        for number in numbers:
            rows = maker.survey(pack_name(number))
            for name in TABLES:
                if rows[name]:
                    c.execute(insert(getattr(t, name)), rows[name])


def make_store(folder: Path, surveys: int) -> tuple[int, int]:
    """A store of so many surveys; returns the numbers of points and of count cells."""
    protocol = five_stretches()
    maker = Maker(protocol, np.random.default_rng(1))
    with Store.open(folder) as store, store.database.write() as c:
        named = {"digest": protocol.digest, "name": protocol.protocol, "version": protocol.version}
        c.execute(insert(t.protocols).values(**named, content=protocol.model_dump_json()))
        for layout in maker.layouts:
            content = layout.to_json() | {"pages": layout.pages, "per_transect": layout.per_transect}
            c.execute(insert(t.layouts).values(digest=layout.digest, content=json.dumps(content)))
    add_surveys(folder, range(surveys))
    kinds = [cell.kind for one in maker.layouts for cell in one.cells]
    return 3 * surveys * kinds.count("code"), 3 * surveys * (kinds.count("tally") + kinds.count("number"))


def ask(folder: Path, what: str, jobs: int) -> dict[str, float]:
    """Bring results up to date, or every site's covers, densities and occurrences: seconds, rows, and peak memory in MB.

    Imports are not timed.
    """
    import pandas  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import scipy.special  # noqa: F401

    cores.cores = lambda: jobs
    begin, used, rows = time.perf_counter(), processor(), 0
    if what == "ahead":
        with Store.open(folder) as store:
            make_ahead(store)
    else:
        with open_programme(folder) as programme:
            site = {"level": "site"}
            rows = sum(map(len, (programme.cover(**site), programme.density(**site), programme.occurrence())))
    seconds, used = time.perf_counter() - begin, processor() - used
    who = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    memory = max(resource.getrusage(one).ru_maxrss for one in who) / 1024
    return {"seconds": seconds, "processor": used, "rows": rows, "memory": memory}


def processor() -> float:
    """Seconds that this process and those it began and ended have computed."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def asked(folder: Path, *, what: str = "ask", jobs: int = 1) -> dict[str, float]:
    """The same in a process of its own."""
    run = [sys.executable, __file__, "--ask", str(folder), "--what", what, "--jobs", str(jobs)]
    return json.loads(subprocess.run(run, check=True, stdout=subprocess.PIPE, text=True).stdout)


def met(folder: Path, more: int) -> dict[str, dict[str, float]]:
    """What a user meets, by name; `more` is the number of the survey that is read in addition."""
    out = {"cold, 1 core": asked(folder)}
    shutil.rmtree(folder / "results")
    every = cores.cores()
    out[f"cold, {every} cores"] = asked(folder, jobs=every)
    add_surveys(folder, [more])
    out["end of a read"] = asked(folder, what="ahead", jobs=every)
    out["asked after it"] = asked(folder, jobs=every)
    out["again"] = asked(folder, jobs=every)
    with Store.open(folder) as store:
        page = next(p.id for p in store.pages() if p.sheet == "substrate")
        cell = next(c for c in store.current(page).values() if c.kind == "code" and c.state == "entered")
        store.decide(page, cell.cell, value=cell.value, state="entered", by="Bench", why="", now=datetime.now(UTC))
    out["after an entry"] = asked(folder, jobs=every)
    return out


def main() -> None:
    """Print the growth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    sizes = [300, 3000, 9999]
    parser.add_argument("--transects", type=int, nargs="+", default=sizes, help=f"sizes ({' '.join(map(str, sizes))})")
    parser.add_argument("--profile", action="store_true", help="show where the time of the last size goes")
    parser.add_argument("--ask", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--what", default="ask", help=argparse.SUPPRESS)
    parser.add_argument("--jobs", type=int, default=1, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.ask:
        print(json.dumps(ask(args.ask, args.what, args.jobs)))
        return
    print("| transects | points | counts | numbers | asked | seconds (of processors) | MB |")
    print("| --- | --- | --- | --- | --- | --- | --- |", flush=True)
    for size in args.transects:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder) / "store"
            points, counts = make_store(home, size // 3)
            if args.profile and size == args.transects[-1]:
                _profile(home)
            for name, one in met(home, size // 3).items():
                told = f"{size:,} | {points:,} | {counts:,} | {one['rows']:,} | {name}"
                print(f"| {told} | {one['seconds']:.2f} ({one['processor']:.2f}) | {one['memory']:.0f} |", flush=True)
    print(f"load of the machine at the end: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


def _profile(folder: Path) -> None:
    import cProfile
    import pstats

    profile = cProfile.Profile()
    with Store.open(folder) as store:
        profile.enable()
        for survey in iter_surveys(store):
            survey_results(survey)
        profile.disable()
    pstats.Stats(profile).sort_stats("tottime").print_stats(28)


if __name__ == "__main__":
    main()
