"""How long results take from a store, and how that grows: ``python tests/benchmarks/bench_results.py``.

Makes stores of made-up surveys, three transects each with substrate, fish and invertebrate sheets, by writing rows
straight into the database: 40 points and about 220 count cells a transect, all accepted. Prints
seconds of processor time (so that a busy machine does not count) and peak memory, one survey at a time.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sqlalchemy import insert

from digitise.compose import build_layouts
from digitise.layout import Layout
from digitise.protocol import Protocol, load_protocol
from digitise.results import survey_results
from digitise.sheet import PACK_ALPHABET, PACK_LENGTH
from digitise.store import Store
from digitise.store import schema as t
from digitise.survey import iter_surveys

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
        chosen = {one.sheet: one for one in build_layouts(protocol) if one.paper == "A4"}
        self.layouts = [chosen[s] for s in ("substrate", "fish", "invertebrate")]
        self.codes = [c.code for c in protocol.sheets["substrate"].categories]

    def survey(self, pack: str) -> dict[str, list[dict]]:
        """Rows of one survey by table."""
        rows: dict[str, list[dict]] = {"photos": [], "pages": [], "readings": [], "entries": []}
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
        for cell in layout.cells:
            self.reading += 1
            value = self._value(cell.kind, cell.id)
            text = json.dumps(value)
            state = "blank" if value is None else "entered"
            common = {"page_id": self.page, "cell": cell.id, "value": text}
            rows["readings"].append(
                common
                | {
                    "id": self.reading,
                    "kind": cell.kind,
                    "confidence": 0.999,
                    "flagged": 0,
                    "candidates": json.dumps([[value, 0.999]]),
                    "reasons": "[]",
                    "score": 0.999,
                    "photo_px": "[]",
                }
            )
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

    def _value(self, kind: str, name: str) -> object:
        if kind == "code":
            return self.codes[int(self.rng.integers(len(self.codes)))]
        if kind in ("tally", "number"):
            return int(self.rng.poisson(4))
        return name.endswith("/none-seen") if kind == "tick" else None


def make_store(folder: Path, surveys: int) -> tuple[int, int]:
    """A store of so many surveys; returns the numbers of points and of count cells."""
    protocol = load_protocol("reef-transect")
    maker = Maker(protocol, np.random.default_rng(1))
    with Store.open(folder) as store, store.database.write() as c:
        named = {"digest": protocol.digest, "name": protocol.protocol, "version": protocol.version}
        c.execute(insert(t.protocols).values(**named, content=protocol.model_dump_json()))
        for layout in maker.layouts:
            content = layout.to_json() | {"pages": layout.pages, "per_transect": layout.per_transect}
            c.execute(insert(t.layouts).values(digest=layout.digest, content=json.dumps(content)))
        for i in range(surveys):
            rows = maker.survey(pack_name(i))
            for name in ("photos", "pages", "readings", "entries"):
                c.execute(insert(getattr(t, name)), rows[name])
    kinds = [cell.kind for one in maker.layouts for cell in one.cells]
    return 3 * surveys * kinds.count("code"), 3 * surveys * (kinds.count("tally") + kinds.count("number"))


def main() -> None:
    """Print the growth."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--transects", type=int, nargs="+", default=[30, 300, 3000], help="sizes (30 300 3000)")
    parser.add_argument("--profile", action="store_true", help="show where the time of the last size goes")
    args = parser.parse_args()
    print("| transects | points | counts | pages, s | loading, s | computing, s | peak memory, MB |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for size in args.transects:
        with tempfile.TemporaryDirectory() as folder:
            points, counts = make_store(Path(folder) / "store", size // 3)
            with Store.open(Path(folder) / "store") as store:
                if args.profile and size == args.transects[-1]:
                    _profile(store)
                begin = time.process_time()
                store.pages()
                listed = time.process_time()
                computing = 0.0
                for survey in iter_surveys(store):
                    start = time.process_time()
                    survey_results(survey)
                    computing += time.process_time() - start
                whole = time.process_time() - listed
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"| {size:,} | {points:,} | {counts:,} | {listed - begin:.2f} | {whole - computing:.2f} | {computing:.2f} "
            f"| {memory:.0f} |"
        )


def _profile(store: Store) -> None:
    import cProfile
    import pstats

    profile = cProfile.Profile()
    profile.enable()
    for survey in iter_surveys(store):
        survey_results(survey)
    profile.disable()
    pstats.Stats(profile).sort_stats("tottime").print_stats(28)


if __name__ == "__main__":
    main()
