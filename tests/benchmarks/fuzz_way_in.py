"""Damaged files by the thousand through the whole way in: listed, unpacked, decoded, in a bounded worker.

    nice python tests/benchmarks/fuzz_way_in.py --files 10500 --first 0

It prints what became of them, the slowest, the worker's peak memory, and ends with 1 when a worker had to be stopped, an
exception came through, or a file gave no sentence. Every file is made from its number, so a fault can be made again.
"""

from __future__ import annotations

import argparse
import platform
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from damage import mutated, nothing, seeds, way_in

from digitise.batch.workers import Stopped, Workers


def _timed(context: object, path: Path) -> tuple[list, float, int]:
    begin = time.perf_counter()
    found = way_in(context, path)
    return found, time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _written(folder: Path, names: list[str], first: int, files: int):
    for seed in range(first, first + files):
        path = folder / f"{seed}.jpg"
        path.write_bytes(mutated(names[seed % len(names)], seed))
        yield path


def main() -> int:
    """Run so many files; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=10_500)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    args = parser.parse_args()
    names, faults, outcome = sorted(seeds()), [], Counter()
    slowest, peak, begin = (0.0, 0), 0, time.perf_counter()
    with tempfile.TemporaryDirectory() as folder, Workers(1, nothing, seconds=30) as workers:
        paths = _written(Path(folder), names, args.first, args.files)
        for seed, value in enumerate(workers.map(_timed, paths), args.first):
            (Path(folder) / f"{seed}.jpg").unlink()
            if isinstance(value, Stopped):
                faults.append((seed, names[seed % len(names)], value.why))
                continue
            found, seconds, peak_kb = value
            slowest, peak = max(slowest, (seconds, seed)), max(peak, peak_kb)
            outcome.update(reason for reason, _ in found)
            if not found or not all(words or reason == "photo" for reason, words in found):
                faults.append((seed, names[seed % len(names)], "no sentence"))
    print(
        f"{platform.machine()}, Python {platform.python_version()}: {args.files} files from seed {args.first} "
        f"in {time.perf_counter() - begin:.0f} s; slowest {slowest[0]:.2f} s (seed {slowest[1]}); "
        f"peak {peak / 1024:.0f} MB"
    )
    print(", ".join(f"{reason} {count}" for reason, count in outcome.most_common()))
    for fault in faults:
        print("FAULT", *fault)
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
