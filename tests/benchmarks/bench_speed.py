"""How fast photographs are read: stage by stage, against the least that any reader does, by workers, and as a run grows.

    python tests/benchmarks/bench_speed.py                   simulated photographs of 12 megapixels, stages and workers
    python tests/benchmarks/bench_speed.py --growth 2000     the cost of a photograph along a run of so many, too
    python tests/benchmarks/bench_speed.py --folder DIR      photographs of your own

Stages are processor time of one core, so that other work on the machine disturbs them little; Tesseract's own time, spent
in a process of its own, is counted. The plain script of the same libraries decodes to grey, detects corner marks once and
warps once; it runs in turn with the reading, and the ratio is what to look at. Photographs a second are by the clock.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as in the reader's workers; read when NumPy is loaded
os.environ.setdefault("OMP_THREAD_LIMIT", "1")

import argparse
import platform
import re
import resource
import statistics
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from itertools import cycle, islice
from pathlib import Path

import cv2
import numpy as np
from bench_read import unseen_camera

from digitise.batch.batch import KnownProtocols, Reader, known_protocols
from digitise.batch.folders import photo_files
from digitise.batch.workers import _keep_little_memory
from digitise.pages import flatten, page, photo
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader import read, text
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import load_protocol
from digitise.sheets.sheet import MARK_DICTIONARY
from digitise.simulate.answers import random_answers
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.take import take

STAGES = (  # module, function, how deep it lies, words
    (photo, "load_photo", 0, "file to grey pixels"),
    (read, "register_all", 0, "pixels to flat pages"),
    (page, "marks_in", 1, "corner marks"),
    (page, "flatten_views", 1, "flattening"),
    (flatten, "_coarse", 2, "large bends"),
    (flatten, "_fine", 2, "small bends"),
    (flatten, "_sample", 2, "sampling, also inside the two above"),
    (flatten, "_checked", 2, "what the printed points say of it"),
    (page, "_read_identity", 1, "printed code"),
    (page, "unseen_cells", 1, "hidden cells"),
    (read, "read_page", 0, "page to readings"),
    (read, "extract_ink", 1, "pencil from paper"),
    (read, "boxed_evidence", 1, "character and tick boxes"),
    (read, "character_crops", 2, "cut out"),
    (read, "read_characters", 2, "their network"),
    (read, "_tallies", 1, "tallies"),
    (read, "own_ink", 2, "cut out, also elsewhere"),
    (read, "count_strokes", 2, "counted by contours"),
    (read, "learned_counts", 2, "counted by their network"),
    (read, "read_text", 1, "words"),
    (text, "line_texts", 2, "line reader"),
    (text, "_suggestions", 2, "Tesseract"),
)


def processor_s() -> float:
    """Processor time so far of this process and of those that it started and that have ended, seconds."""
    return sum(os.times()[:4])


def simulated(folder: Path, count: int) -> list[Path]:
    """Ordinary photographs of 12 megapixels by a camera that nothing was fitted to, written into a folder."""
    protocol = load_protocol("reef-transect")
    layouts = [one for one in build_layouts(protocol) if one.paper == "A4"]
    out = []
    for number in range(count):
        rng = np.random.default_rng([5, number])
        one, camera = layouts[number % 4], replace(unseen_camera(rng, hard=False), width_px=3000, height_px=4000)
        answers, hand = random_answers(one.to_json(), rng), DrawnHand(drawn_style(rng))
        out.append(folder / f"{number:03d}.jpg")
        out[-1].write_bytes(take(protocol, one, answers, hand, rng, camera=camera).jpeg)
    return out


def plain_script(path: Path, one: Layout) -> None:
    """The least that any reader does: decode to grey, detect the marks once at half size, warp once."""
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    small = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY))
    quads, ids, _ = detector.detectMarkers(small)
    if ids is None:
        return
    flat = np.array([one.fiducials[i % 4].corners_mm for i in ids.ravel()], np.float64).reshape(-1, 2) * FLAT_PX_PER_MM
    to_flat, _ = cv2.findHomography(2 * np.vstack([q.reshape(4, 2) for q in quads]).astype(np.float64), flat)
    if to_flat is not None:
        cv2.warpPerspective(gray, to_flat, tuple(int(v * FLAT_PX_PER_MM) for v in one.page_size_mm))


def _timed(times: dict[str, float], name: str, function: Callable) -> Callable:
    def timing(*args, **kwargs):
        start = processor_s() if name == "_suggestions" else time.process_time()
        try:
            return function(*args, **kwargs)
        finally:
            times[name] += (processor_s() if name == "_suggestions" else time.process_time()) - start

    return timing


def stages(files: list[Path], known: KnownProtocols, repeats: int) -> None:
    """Print each stage's milliseconds a photograph, and the ratio of the whole to the plain script."""
    layouts, times = known.layouts, defaultdict(float)
    for path in files[:4]:  # fills the caches
        read.read_decoded(photo.load_photo(path), layouts)
    best = {name: [float("inf")] * len(files) for name in ("plain", "whole", "tesseract")}
    for module, name, _, _ in STAGES:
        setattr(module, name, _timed(times, name, getattr(module, name)))
    for _ in range(repeats):
        for i, path in enumerate(files):
            start = time.process_time()
            plain_script(path, layouts[0])
            middle, children = time.process_time(), sum(os.times()[2:4])
            read.read_decoded(photo.load_photo(path), layouts)
            spent = (middle - start, time.process_time() - middle, sum(os.times()[2:4]) - children)
            for name, seconds in zip(best, spent, strict=True):
                best[name][i] = min(best[name][i], seconds)
    print(f"\nprocessor milliseconds a photograph, mean of {len(files)} photographs x {repeats}, one core")
    for _, name, depth, words in STAGES:
        print(f"{'  ' * depth + words:42s}{1e3 * times[name] / len(files) / repeats:8.1f}")
    plain, whole, engine = (1e3 * statistics.fmean(best[n]) for n in best)
    print(
        f"best of {repeats}: plain script {plain:.0f} ms, everything {whole:.0f} ms and Tesseract's process {engine:.0f} ms"
    )
    print(
        f"ratio to the plain script: {whole / plain:.2f} without Tesseract's process, {(whole + engine) / plain:.2f} with it"
    )


def peak_mb(reader: Reader) -> float:
    """The largest memory that any of a reader's workers has held so far, MB.

    The system's own figure for children is no use: a child begins with the peak of the program that started it, which is
    this one with its simulator.
    """
    status = (Path(f"/proc/{w.process.pid}/status").read_text() for w in reader._workers._workers)
    return max(int(re.search(r"VmHWM:\s+(\d+) kB", one)[1]) for one in status) / 1024


def workers(files: list[Path], known: KnownProtocols, most: int) -> None:
    """Print photographs a second by the clock, and the largest memory of any worker, for 1, 2 ... workers."""
    for jobs in range(1, most + 1):
        with Reader(known, jobs=jobs) as reader:
            list(reader.read(reader.pictures(files[: 2 * jobs])))  # starts them and fills their caches
            start = time.perf_counter()
            found = list(reader.read(reader.pictures(files * jobs)))
            rate, peak = len(found) / (time.perf_counter() - start), peak_mb(reader)
        print(
            f"{jobs} worker{'s' if jobs > 1 else ''}: {rate:.2f} photographs a second, peak memory {peak:.0f} MB each"
        )


def growth(files: list[Path], known: KnownProtocols, count: int, jobs: int) -> None:
    """Print seconds a photograph along a run of `count` photographs, and this process's memory."""
    print(f"\nalong a run of {count} photographs, {jobs} workers")
    with Reader(known, jobs=jobs) as reader:
        pictures = list(islice(cycle(reader.pictures(files)), count))
        step, start = max(1, count // 10), time.perf_counter()
        for number, _ in enumerate(reader.read(pictures), 1):
            if number % step == 0:
                spent, start = time.perf_counter() - start, time.perf_counter()
                memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
                print(
                    f"  to {number:5d}: {spent / step:.3f} s a photograph, {memory:.0f} MB in the program", flush=True
                )
        print(f"  peak memory of a worker {peak_mb(reader):.0f} MB")


def main() -> None:
    """Print the machine, then the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=12, help="simulated photographs (default 12)")
    parser.add_argument("--folder", type=Path, help="photographs to read instead")
    parser.add_argument("--repeats", type=int, default=3, help="of the stages (default 3)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="most workers (default: all cores)")
    parser.add_argument("--growth", type=int, default=0, metavar="N", help="photographs of a long run (default: none)")
    args = parser.parse_args()
    _keep_little_memory()  # as in the reader's workers
    cv2.setNumThreads(1)
    known = known_protocols()
    with tempfile.TemporaryDirectory() as made:
        files = photo_files([args.folder]) if args.folder else simulated(Path(made), args.photos)
        print(
            f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
            f"Python {sys.version.split()[0]}, OpenCV {cv2.__version__}, NumPy {np.__version__}"
        )
        workers(files, known, args.jobs)
        if args.growth:
            growth(files, known, args.growth, args.jobs)
        stages(files, known, args.repeats)


if __name__ == "__main__":
    main()
