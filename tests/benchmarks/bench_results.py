"""How long results take from a store, and how that grows: ``python tests/benchmarks/bench_results.py``.

Makes stores of made-up surveys, three transects each with substrate, fish and invertebrate sheets and belts in five
stretches, by writing rows straight into the database: 40 points and 220 count cells a transect, all accepted but for one
code in 200, which is unread. Then asks for every cover, density and occurrence of every site, each time in a process of
its own: the first time, when all surveys are computed; again; and after one more entry. Prints seconds of processor time
(so that a busy machine does not count) without imports, and each process's peak memory.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import insert

from digitise.notebook import open_programme
from digitise.results import survey_results
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
        for i in range(surveys):
            rows = maker.survey(pack_name(i))
            for name in TABLES:
                if rows[name]:
                    c.execute(insert(getattr(t, name)), rows[name])
    kinds = [cell.kind for one in maker.layouts for cell in one.cells]
    return 3 * surveys * kinds.count("code"), 3 * surveys * (kinds.count("tally") + kinds.count("number"))


def ask(folder: Path) -> dict[str, float]:
    """Every site's covers, densities and occurrences: seconds, rows, and peak memory in MB; imports are not timed."""
    import pandas  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import scipy.special  # noqa: F401

    begin = time.process_time()
    with open_programme(folder) as programme:
        site = {"level": "site"}
        frames = [programme.cover(**site), programme.density(**site), programme.occurrence()]
    seconds = time.process_time() - begin
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "rows": sum(map(len, frames)), "memory": memory}


def asked(folder: Path) -> dict[str, float]:
    """The same in a process of its own."""
    run = [sys.executable, __file__, "--ask", str(folder)]
    return json.loads(subprocess.run(run, check=True, stdout=subprocess.PIPE, text=True).stdout)


def main() -> None:
    """Print the growth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--transects", type=int, nargs="+", default=[30, 300, 3000], help="sizes (30 300 3000)")
    parser.add_argument("--profile", action="store_true", help="show where the time of the last size goes")
    parser.add_argument("--ask", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.ask:
        print(json.dumps(ask(args.ask)))
        return
    print("| transects | points | counts | numbers | first, s | MB | again, s | MB | after an entry, s | MB |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |", flush=True)
    for size in args.transects:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder) / "store"
            points, counts = make_store(home, size // 3)
            if args.profile and size == args.transects[-1]:
                _profile(home)
            first, again = asked(home), asked(home)
            with Store.open(home) as store:
                page = next(p.id for p in store.pages() if p.sheet == "substrate")
                cell = next(c for c in store.current(page).values() if c.kind == "code" and c.state == "entered")
                store.decide(
                    page, cell.cell, value=cell.value, state="entered", by="Bench", why="", now=datetime.now(UTC)
                )
            figures = [f"{one['seconds']:.2f} | {one['memory']:.0f}" for one in (first, again, asked(home))]
        print(f"| {size:,} | {points:,} | {counts:,} | {again['rows']:,} | {' | '.join(figures)} |", flush=True)


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
