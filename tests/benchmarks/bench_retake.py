"""Whether photographs that must be taken again are refused, and good ones are not.

    python tests/benchmarks/bench_retake.py                              12 photographs of each group
    python tests/benchmarks/bench_retake.py --photos 150 --rows FILE     more; FILE keeps what was done, to go on later
    python tests/benchmarks/bench_retake.py --groups changed             what other phones, scanners and seas may do
    python tests/benchmarks/bench_retake.py --groups library             what a library of picture changes makes of them
    python tests/benchmarks/bench_retake.py --groups pencils             what becomes of pencil before

Photographs and their truth are those of `retakes.py`. A bad photograph is well judged when it is refused, or when every
cell that the camera spoilt goes to a person; a good one when it is read. Those of `other_cameras.py`, `other_beaches.py`,
`other_apps.py`, `library_changes.py` and `other_pencils.py` are looked through for values that are wrong without a word.
Intervals are Clopper-Pearson at 95 %.
"""

from __future__ import annotations

import argparse
import json
import platform
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import cv2
from library_changes import CHANGES as LIBRARY
from other_apps import CHANGES
from other_pencils import CHANGES as PENCILS
from retakes import BAD, GOOD, known, made

from digitise.adapt.evaluate import judge
from digitise.estimate.intervals import clopper_pearson
from digitise.pages.photo import decode_photo
from digitise.reader.read import read_decoded


def measured(group: str, number: int) -> dict:
    """What was made of one photograph."""
    photo = made(group, number)
    result = read_decoded(decode_photo(photo.jpeg, f"{group} {number}.jpg"), known())
    told = {r.cell for r in result.readings if r.flagged}
    wrong = [r.cell for r in judged_wrong(result.readings, photo.truth)]
    return {
        "group": group,
        "number": number,
        "refused": "" if result.status == "read" else result.failure.reason,
        "spoilt": len(photo.spoilt),
        "untold": sorted(photo.spoilt - told) if result.status == "read" else [],
        "cells": len(result.readings),
        "accepted": len(result.readings) - len(told),
        "silent": wrong,
    }


def judged_wrong(readings: Iterable, truth: dict) -> list:
    """Readings that are accepted and wrong."""
    kept = [r for r in readings if r.cell in truth]
    return [r for r, judged in zip(kept, judge(kept, truth), strict=True) if judged.wrong_accepted]


def _share(hits: int, count: int) -> str:
    found = clopper_pearson(hits, count)
    return f"{hits} of {count}: {100 * found.value:.1f} % ({100 * found.low:.1f}-{100 * found.high:.1f})"


def well_judged(row: dict) -> bool:
    """Whether a bad photograph was refused, or all that is spoilt in it told."""
    return bool(row["refused"]) or (row["spoilt"] > 0 and not row["untold"])


def tell(rows: list[dict]) -> None:
    """Print each group, and the two shares that matter."""
    for group in (*GOOD, *BAD, *CHANGES, *LIBRARY, *PENCILS):
        own = [r for r in rows if r["group"] == group]
        if not own:
            continue
        why = Counter(r["refused"] for r in own if r["refused"])
        share = f"refused {_share(sum(why.values()), len(own))}"
        if group in BAD:
            share = f"well judged {_share(sum(map(well_judged, own)), len(own))}"
        if group not in GOOD:  # how these are read is what bench_read.py tells
            silent, accepted = sum(len(r["silent"]) for r in own), sum(r["accepted"] for r in own)
            share += f"; wrong of accepted cells {silent} of {accepted}"
        print(f"{group:14} {share}; refused: {', '.join(f'{n} {name}' for name, n in why.most_common()) or 'none'}")
    bad, good = [r for r in rows if r["group"] in BAD], [r for r in rows if r["group"] == GOOD[0]]
    if bad and good:
        print(f"all bad        well judged {_share(sum(map(well_judged, bad)), len(bad))}")
        print(f"good           refused {_share(sum(bool(r['refused']) for r in good), len(good))}")


def main() -> None:
    """Measure what is not in the rows yet, then print all of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=12, help="photographs of each group (default 12)")
    names = [*GOOD, *BAD, *CHANGES, *LIBRARY, *PENCILS, "changed", "library", "pencils"]
    parser.add_argument("--groups", nargs="+", default=[*GOOD, *BAD], choices=names, metavar="GROUP")
    parser.add_argument("--rows", type=Path, help="file of what was measured; what it holds is not measured again")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop measuring after so long")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    print(f"{platform.machine()}, Python {platform.python_version()}, OpenCV {cv2.__version__}")
    rows = [json.loads(line) for line in args.rows.read_text().splitlines()] if args.rows and args.rows.exists() else []
    done, end = {(r["group"], r["number"]) for r in rows}, time.monotonic() + args.seconds
    several = {"changed": CHANGES, "library": LIBRARY, "pencils": PENCILS}
    groups = [g for name in args.groups for g in several.get(name, [name])]
    for number in range(args.photos):
        for group in groups:
            if (group, number) in done or time.monotonic() > end:
                continue
            rows.append(measured(group, number))
            if args.rows:
                with args.rows.open("a") as file:
                    file.write(json.dumps(rows[-1]) + "\n")
    tell(rows)


if __name__ == "__main__":
    main()
