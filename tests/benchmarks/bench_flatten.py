"""How exactly and how fast photographs are flattened.

    python tests/benchmarks/bench_flatten.py                12 photographs of each group
    python tests/benchmarks/bench_flatten.py --photos 60    more of them

Photographs are simulated with camera settings outside those of training (`bench_read.unseen_camera`): ordinary, hard,
lifted corners, one and two corner marks hidden, and those that should be taken again. Distances are the truth of the
simulator, at printed corners held out of the fit and all over the cells. Speed is the processor time of each stage on
one core, against a plain script of the same libraries (decode to grey, detect marks once, one perspective warp), run in
turn in the same process; the ratio is what to look at.
"""

from __future__ import annotations

import argparse
import platform
import resource
import time
from collections import defaultdict
from dataclasses import dataclass, replace

import cv2
import numpy as np
from bench_read import unseen_camera

from digitise import flatten, page, read
from digitise.compose import build_layouts
from digitise.flatten import FLAT_PX_PER_MM
from digitise.layout import Layout
from digitise.matching import anchors_mm
from digitise.page import Page, register
from digitise.photo import decode_photo
from digitise.protocol import load_protocol
from digitise.sheet import MARK_DICTIONARY
from digitise.simulate.answers import random_answers
from digitise.simulate.camera import RETAKE_FAULTS, Camera, Shot, encode_jpeg, retake_camera
from digitise.simulate.cover import KINDS, Cover, corner_cover, lay
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.take import take

GROUPS = ("ordinary", "hard", "lifted corner", "one mark hidden", "two marks hidden")
STAGES = ("_coarse", "_fine", "_checked", "_sample")  # of flatten.py; the last is part of the first three, too
GRID = np.array([(u, v) for u in (0.05, 0.5, 0.95) for v in (0.1, 0.5, 0.9)])


@dataclass(frozen=True, slots=True, eq=False)
class Photographed:
    """One simulated photograph with its truth."""

    jpeg: bytes
    shot: Shot
    covers: tuple[Cover, ...]


def _camera(group: str, rng: np.random.Generator) -> Camera:
    if group in RETAKE_FAULTS:
        return retake_camera(rng, group)
    camera = unseen_camera(rng, hard=group == "hard")
    if group == "lifted corner":
        return replace(camera, corner_lift_mm=float(rng.uniform(8, 20)), corner=int(rng.integers(4)))
    return camera


def photographed(group: str, number: int, layouts: list[Layout]) -> Photographed:
    """Photograph `number` of a group; the same each time."""
    rng = np.random.default_rng([4, number, *group.encode()])
    one = layouts[number % len(layouts)]
    camera = _camera(group, rng)
    answers = random_answers(one.to_json(), rng)
    taken = take(load_protocol("reef-transect"), one, answers, DrawnHand(drawn_style(rng)), rng, camera=camera)
    hidden = {"one mark hidden": 1, "two marks hidden": 2}.get(group, 0)
    corners = rng.choice(4, hidden, replace=False).tolist()
    covers = tuple(corner_cover(str(rng.choice(KINDS)), c, one.page_size_mm, rng) for c in corners)
    shot = taken.shot
    for cover in covers:
        shot = lay(shot, cover, rng)
    return Photographed(encode_jpeg(shot.image, camera) if covers else taken.jpeg, shot, covers)


def off_mm(found: Page, shot: Shot, points: np.ndarray) -> np.ndarray:
    """How far page points (N, 2) mm are from where they truly lie, (N,) mm."""
    truth, across, down = (shot.page_to_photo_px(points + np.array(step)) for step in ((0, 0), (1, 0), (0, 1)))
    px_per_mm = np.sqrt(np.linalg.norm(across - truth, axis=1) * np.linalg.norm(down - truth, axis=1))
    return np.linalg.norm(found.flattened.warp.photo_px(points) - truth, axis=1) / px_per_mm


def _covered(found: Page, covers: tuple[Cover, ...]) -> set[str]:
    """Cells of which a cover hides a noticeable part."""
    steps = np.array([(u, v) for u in np.linspace(0.06, 0.94, 8) for v in np.linspace(0.06, 0.94, 8)])
    return {
        c.id
        for c in found.layout.cells
        if any(cover.hides(np.array(c.box_mm[:2]) + steps * c.box_mm[2:]).mean() > 0.03 for cover in covers)
    }


def measure_group(group: str, count: int, layouts: list[Layout], known: list[Layout]) -> str:
    """One line: how exact, how many refused and why, how many cells hidden."""
    held, inside, worst, hidden, missed, why = [], [], [], [], 0, defaultdict(int)
    for number in range(count):
        photo = photographed(group, number, layouts)
        found = register(decode_photo(photo.jpeg, "bench.jpg").gray, known)
        if not found:
            why[found.reason] += 1
            continue
        cells = [np.array(c.box_mm[:2]) + GRID * c.box_mm[2:] for c in found.layout.cells if c.kind != "text"]
        held.append(off_mm(found, photo.shot, anchors_mm(found.layout)[2::5].astype(float)))
        inside.append(off_mm(found, photo.shot, np.vstack(cells)))
        worst.append(float(np.percentile(held[-1], 95)))
        hidden.append(found.hidden_share)
        missed += len(_covered(found, photo.covers) - found.hidden)
    refused = ", ".join(f"{n} {reason}" for reason, n in why.items()) or "none"
    if not held:
        return f"{group:18s}{count:4d}   all refused: {refused}"
    numbers = [*np.percentile(np.concatenate(held), (50, 95)), max(worst), np.percentile(np.concatenate(inside), 95)]
    columns = "".join(f"{v:9.3f}" for v in numbers)
    return f"{group:18s}{count:4d}{columns}{100 * np.mean(hidden):9.1f}{missed:10d}   {refused}"


def plain_script(jpeg: bytes, one: Layout) -> None:
    """The least that any reader does: decode to grey, detect the marks once, warp once."""
    gray = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    small = cv2.resize(gray, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARK_DICTIONARY))
    quads, ids, _ = detector.detectMarkers(small)
    flat = np.array([one.fiducials[i % 4].corners_mm for i in ids.ravel()], np.float64).reshape(-1, 2) * FLAT_PX_PER_MM
    to_flat, _ = cv2.findHomography(2 * np.vstack([q.reshape(4, 2) for q in quads]).astype(np.float64), flat)
    cv2.warpPerspective(gray, to_flat, tuple(int(v * FLAT_PX_PER_MM) for v in one.page_size_mm))


def _timed(times: dict[str, float], name: str, function):
    def timing(*args, **kwargs):
        start = time.process_time()
        try:
            return function(*args, **kwargs)
        finally:
            times[name] += time.process_time() - start

    return timing


def measure_speed(count: int, layouts: list[Layout], known: list[Layout]) -> None:
    """Stages of ordinary 12-megapixel photographs, and the ratio to the plain script."""
    times: dict[str, float] = defaultdict(float)
    for name in STAGES:
        setattr(flatten, name, _timed(times, name, getattr(flatten, name)))
    page.find_marks = _timed(times, "find_marks", page.find_marks)
    page.flatten_views = _timed(times, "flatten", page.flatten_views)
    page.unseen_cells = _timed(times, "unseen_cells", page.unseen_cells)
    steps = {"decode": decode_photo, "register": register, "read_page": read.read_page, "plain script": plain_script}
    steps = {name: _timed(times, name, step) for name, step in steps.items()}
    done = 0
    for number in range(count + 1):
        rng = np.random.default_rng([5, number])
        one, camera = layouts[number % 4], replace(unseen_camera(rng, hard=False), width_px=3000, height_px=4000)
        answers = random_answers(one.to_json(), rng)
        hand = DrawnHand(drawn_style(rng))
        jpeg = take(load_protocol("reef-transect"), one, answers, hand, rng, camera=camera).jpeg
        if number == 0:  # the first fills the caches
            before = dict(times)
        steps["plain script"](jpeg, one)
        found = steps["register"](steps["decode"](jpeg, "bench.jpg").gray, known)
        if found:
            steps["read_page"](found)
        if number == 0:
            times.clear()
            times.update(before)
            continue
        done += 1
    print(f"\nprocessor milliseconds a photograph, {done} ordinary ones of 12 megapixels, one core")
    for name, seconds in times.items():
        print(f"  {name:14s}{1e3 * seconds / done:8.1f}")
    whole = sum(times[name] for name in ("decode", "register", "read_page"))
    page_only = times["decode"] + times["register"]
    print(f"  to the page, against the plain script: {page_only / times['plain script']:.2f}")
    print(f"  to the readings, against the plain script: {whole / times['plain script']:.2f}")
    print(
        f"peak memory of this process, simulator included: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def main() -> None:
    """Print accuracy of each group, verdicts on bad photographs, and speed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=12, help="photographs of each group (default 12)")
    count = parser.parse_args().photos
    cv2.setNumThreads(1)
    known = list(build_layouts(load_protocol("reef-transect")))
    layouts = [one for one in known if one.paper == "A4"]
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, OpenCV {cv2.__version__}")
    print("group             n    median      95 %  worst 95 %  in cells 95 %  hidden %  covered, not hidden  refused")
    for group in (*GROUPS, *RETAKE_FAULTS):
        print(measure_group(group, count, layouts, known), flush=True)
    measure_speed(count, layouts, known)


if __name__ == "__main__":
    main()
