"""How well photographs are read; `bench_speed.py` tells how fast.

    python tests/benchmarks/bench_read.py                           a few simulated photographs, drawn hands
    python tests/benchmarks/bench_read.py --pages 200 --strokes F   many, by real writers
    python tests/benchmarks/bench_read.py --second 60 --pages 0 --strokes F   of the second simulator, written apart
    python tests/benchmarks/bench_read.py --unusual 60 --pages 0 --strokes F   tallied, ticked and crossed out as few do
    python tests/benchmarks/bench_read.py --pages 0 --handy 4 --strokes F   the same cells by plain_reading.py too
    python tests/benchmarks/bench_read.py --protocol long-line --every-paper --strokes F   other sheets, small paper too

Writers that neither training nor calibration saw (drawn hands when no stroke file is given), and cameras with
settings outside those of training: other frame sizes, more lens distortion, stronger compression, other light.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import second_simulator

from digitise.adapt.evaluate import Judged, Truth, judge, report, same_value
from digitise.estimate.intervals import clopper_pearson
from digitise.pages.page import register
from digitise.pages.photo import decode_photo
from digitise.reader.read import decode_page, read_decoded
from digitise.sheets.compose import build_layouts, whole_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.simulate.answers import Mess, random_answers
from digitise.simulate.camera import Camera, hard_camera, ordinary_camera
from digitise.simulate.hand import load_hands, pooled, split_writers
from digitise.simulate.take import any_hand, take

KINDS = ("ordinary", "hard", "second", "unusual")
FRAMES = ((2268, 3024), (2448, 3264), (3456, 4608))
MESS = Mess(struck=0.01, overwritten=0.008, erased_rewritten=0.02, ditto=0.003, unreadable=0.003, overrun=0.03)


@dataclass(frozen=True, slots=True)
class Sheets:
    """Sheets of a protocol, a file or the name of a shipped one: on whole paper, or on `every_paper`."""

    protocol: str
    every_paper: bool


@lru_cache(maxsize=1)
def drawn(sheets: Sheets) -> tuple[Protocol, Sequence[Layout]]:
    """The protocol of sheets, and their layouts."""
    protocol = load_protocol(sheets.protocol)
    return protocol, (build_layouts if sheets.every_paper else whole_layouts)(protocol)


def unseen_camera(rng: np.random.Generator, *, hard: bool) -> Camera:
    """A camera whose settings lie outside those of training and calibration."""
    width, height = FRAMES[int(rng.integers(len(FRAMES)))]
    camera = (hard_camera if hard else ordinary_camera)(rng, width_px=width, height_px=height)
    return replace(
        camera,
        focal_ratio=float(rng.uniform(0.92, 1.1)),
        lens_k1=float(rng.choice([-0.035, 0.045])),
        vignette=float(rng.uniform(0.26, 0.4)),
        warmth=float(rng.choice([-0.6, 0.85])),
        jpeg_quality=int(rng.integers(66, 70) if hard else rng.integers(74, 82)),
        sharpen=float(rng.choice([0.1, 0.95])),
        background_seed=int(rng.integers(5000, 6000)),
    )


def read_one(seed: int, kind: str, strokes: Path | None, sheets: Sheets) -> tuple[str, list[Judged], float]:
    """Status, judged readings and reading time of one simulated photograph."""
    cv2.setNumThreads(1)
    hands = _test_hands(strokes) if strokes else {}
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    protocol, layouts = drawn(sheets)
    layout = layouts[seed % len(layouts)]
    answers = random_answers(layout.to_json(), rng, mess=MESS)
    hand = any_hand(hands, rng, drawn=0.0 if hands else 1.0)
    if kind == "second":
        jpeg = second_simulator.photograph(protocol, layout, answers, hand, rng)
    else:
        camera = unseen_camera(rng, hard=kind == "hard")
        jpeg = take(protocol, layout, answers, hand, rng, camera=camera, unusual=kind == "unusual").jpeg
    begin = time.perf_counter()
    result = read_decoded(decode_photo(jpeg, f"{seed}.jpg"), layouts)
    spent = time.perf_counter() - begin
    truth = {a.cell: Truth(a.value, a.must_flag, a.mark) for a in answers}
    return result.status, judge(result.readings, truth), spent


_HANDS: dict[Path, dict] = {}


def _test_hands(strokes: Path) -> dict:
    if strokes not in _HANDS:
        hands = load_hands(strokes)
        _HANDS[strokes] = pooled(hands, split_writers(hands)[2])
    return _HANDS[strokes]


def accuracy(kind: str, pages: int, strokes: Path | None, jobs: int, *, first: int, sheets: Sheets) -> None:
    """Print the accuracy table of one of the `KINDS` of photographs."""
    if strokes:
        _test_hands(strokes)
    with ProcessPoolExecutor(jobs, mp_context=get_context("fork")) as pool:
        same = ([one] * pages for one in (kind, strokes, sheets))
        rows = list(pool.map(read_one, range(first, first + pages), *same, chunksize=4))
    states = [state for state, _, _ in rows]
    print(
        f"\n{kind} photographs: {pages}; read {states.count('read')}, to take again {states.count('retake')}, "
        f"unreadable {states.count('unreadable')}; "
        f"median {statistics.median(t for _, _, t in rows):.2f} s a photograph, {jobs} at once"
    )
    print(report([j for _, judged, _ in rows for j in judged]))


def handy(pages: int, strokes: Path | None, *, first: int, sheets: Sheets) -> None:
    """Print how the same cells of the same flat pages are read by a plain script and by the reader, and how fast.

    Both are given the flattened page, so that the plain script need not find it. Words are left out on both sides.
    """
    from plain_reading import read_plainly

    cv2.setNumThreads(1)
    os.environ["OMP_THREAD_LIMIT"] = "1"  # Tesseract on one core too
    hands = _test_hands(strokes) if strokes else {}
    protocol, layouts = drawn(sheets)
    rows: list[tuple[str, bool, bool]] = []
    spent = {"plain": 0.0, "read": 0.0}
    for seed in range(first, first + pages):
        rng = np.random.default_rng([seed, 0])
        layout = layouts[seed % len(layouts)]
        answers = random_answers(layout.to_json(), rng, mess=MESS)
        hand = any_hand(hands, rng, drawn=0.0 if hands else 1.0)
        taken = take(protocol, layout, answers, hand, rng, camera=unseen_camera(rng, hard=False))
        page = register(taken.gray(), layouts)
        if not page:
            continue
        truth = {a.cell: a.value for a in answers if not a.must_flag}
        cells = [c for c in page.layout.cells if c.kind != "text" and c.id in truth]
        begin = time.perf_counter()
        plain = [read_plainly(page.image, c) for c in cells]
        spent["plain"] += time.perf_counter() - begin
        begin = time.perf_counter()
        decoded = decode_page(page)
        spent["read"] += time.perf_counter() - begin
        for cell, value in zip(cells, plain, strict=True):
            kind = f"{cell.kind}, {'blank' if truth[cell.id] in (None, False) else 'written'}"
            own = decoded[cell.id][1].value
            rows.append((kind, same_value(value, truth[cell.id]), same_value(own, truth[cell.id])))
    _handy_table(rows, spent)


def _handy_table(rows: list[tuple[str, bool, bool]], spent: dict[str, float]) -> None:
    print(f"\n{'read right before review':28}{'cells':>7}{'plain script (95 %)':>26}{'digitise (95 %)':>26}")
    kinds = sorted({kind for kind, _, _ in rows})
    for name in ("all", *kinds):
        mine = [r for r in rows if name in ("all", r[0])]
        shown = []
        for column in (1, 2):
            found = clopper_pearson(sum(r[column] for r in mine), len(mine))
            shown.append(f"{100 * found.value:.1f} % ({100 * found.low:.1f}-{100 * found.high:.1f})")
        print(f"{name:28}{len(mine):7d}{shown[0]:>26}{shown[1]:>26}")
    plain, read = (1000 * spent[k] / max(1, len(rows)) for k in ("plain", "read"))
    print(f"milliseconds a cell, one core: plain script {plain:.1f}, digitise {read:.1f} (words included)")


def main() -> None:
    """Print the machine, then the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pages", type=int, default=12, help="simulated photographs of each kind (default 12)")
    parser.add_argument("--second", type=int, default=0, help="photographs of the second simulator")
    parser.add_argument("--unusual", type=int, default=0, help="ordinary photographs of pages by unusual writers")
    parser.add_argument("--handy", type=int, default=0, help="pages read by a plain script of Tesseract too")
    parser.add_argument("--first", type=int, default=70_000_000, help="first seed")
    parser.add_argument("--strokes", type=Path, help="stroke data of real writers (.jsonl.gz)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--protocol", default="reef-transect", help="file or name of a shipped one (reef-transect)")
    parser.add_argument("--every-paper", action="store_true", help="A5 and half-letter too, not only A4 and Letter")
    args = parser.parse_args()
    sheets = Sheets(args.protocol, args.every_paper)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {sys.version.split()[0]}, OpenCV {cv2.__version__}, "
        f"NumPy {np.__version__}"
    )
    for kind, pages in zip(KINDS, (args.pages, args.pages, args.second, args.unusual), strict=True):
        if pages:
            accuracy(kind, pages, args.strokes, args.jobs, first=args.first, sheets=sheets)
    if args.handy:
        handy(args.handy, args.strokes, first=args.first, sheets=sheets)


if __name__ == "__main__":
    main()
