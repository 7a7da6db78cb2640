"""How exactly photographs are flattened; `bench_speed.py` tells how fast.

    python tests/benchmarks/bench_flatten.py                12 photographs of each group
    python tests/benchmarks/bench_flatten.py --photos 60    more of them

Photographs are simulated with camera settings outside those of training (`bench_read.unseen_camera`): ordinary, hard,
lifted corners, one and two corner marks hidden, and those that should be taken again. Distances are the truth of the
simulator, at printed corners held out of the fit and all over the cells, there across and down the page apart. Of
photographs to be taken again that are read all the same, cells are counted that are read wrongly and not put before a person.
"""

from __future__ import annotations

import argparse
import platform
import sys
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_read import unseen_camera
from covers import KINDS, Cover, corner_cover, lay

from digitise.pages.matching import anchors_mm
from digitise.pages.page import Page, register
from digitise.pages.photo import decode_photo
from digitise.reader.read import read_page
from digitise.sheets.compose import whole_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import load_protocol
from digitise.simulate.answers import random_answers
from digitise.simulate.camera import RETAKE_FAULTS, Camera, Shot, retake_camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.sensor import encode_jpeg
from digitise.simulate.take import take

GROUPS = ("ordinary", "hard", "lifted corner", "one mark hidden", "two marks hidden")
GRID = np.array([(u, v) for u in (0.05, 0.5, 0.95) for v in (0.1, 0.5, 0.9)])


@dataclass(frozen=True, slots=True, eq=False)
class Photographed:
    """One simulated photograph with its truth."""

    jpeg: bytes
    shot: Shot
    covers: tuple[Cover, ...]
    values: dict[str, object]


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
    jpeg = encode_jpeg(shot.image, camera) if covers else taken.jpeg
    return Photographed(jpeg, shot, covers, {a.cell: a.value for a in taken.answers})


def off_mm(found: Page, shot: Shot, points: np.ndarray) -> np.ndarray:
    """How far across and down the page its points (N, 2) mm are taken to lie from where they do, (N, 2) mm."""
    truth, across, down = (shot.page_to_photo_px(points + np.array(step)) for step in ((0, 0), (1, 0), (0, 1)))
    px_per_mm = np.stack([across - truth, down - truth], axis=2)
    return np.linalg.solve(px_per_mm, (found.flattened.warp.photo_px(points) - truth)[:, :, None])[:, :, 0]


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
    held, inside, worst, hidden, missed, silent, why = [], [], [], [], 0, 0, defaultdict(int)
    for number in range(count):
        photo = photographed(group, number, layouts)
        found = register(decode_photo(photo.jpeg, "bench.jpg").gray, known)
        if not found:
            why[found.reason] += 1
            continue
        cells = [np.array(c.box_mm[:2]) + GRID * c.box_mm[2:] for c in found.layout.cells if c.kind != "text"]
        corners = off_mm(found, photo.shot, anchors_mm(found.layout)[2::5].astype(float))
        held.append(np.linalg.norm(corners, axis=1))
        inside.append(np.abs(off_mm(found, photo.shot, np.vstack(cells))))
        worst.append(float(np.percentile(held[-1], 95)))
        hidden.append(found.hidden_share)
        missed += len(_covered(found, photo.covers) - found.hidden)
        if group in RETAKE_FAULTS:
            silent += sum(not r.flagged and r.value != photo.values[r.cell] for r in read_page(found))
    refused = ", ".join(f"{n} {reason}" for reason, n in why.items()) or "none"
    if not held:
        return f"{group:18s}{count:4d}   all refused: {refused}"
    corners, cells = np.concatenate(held), np.vstack(inside)
    numbers = [*np.percentile(corners, (50, 95)), max(worst), *np.percentile(cells, 95, axis=0)]
    columns = "".join(f"{v:9.3f}" for v in numbers)
    return f"{group:18s}{count:4d}{columns}{100 * np.mean(hidden):9.1f}{missed:9d}{silent:9d}   {refused}"


def main() -> None:
    """Print accuracy of each group, and verdicts on bad photographs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=int, default=12, help="photographs of each group (default 12)")
    count = parser.parse_args().photos
    cv2.setNumThreads(1)
    known = whole_layouts(load_protocol("reef-transect"))
    layouts = [one for one in known if one.paper == "A4"]
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, OpenCV {cv2.__version__}")
    print(
        "mm at held-out corners: median, 95 %, worst photograph's 95 %; in cells 95 % across, down; cells hidden in %;"
    )
    print("cells covered and not told; cells wrong and not told (of photographs to be taken again); refused")
    for group in (*GROUPS, *RETAKE_FAULTS):
        print(measure_group(group, count, layouts, known), flush=True)


if __name__ == "__main__":
    main()
