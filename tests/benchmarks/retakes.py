"""Photographs that must be taken again, good ones, and changed ones, with what the simulated camera did as their truth.

No verdict of the reader has a part in it: a cell is spoilt when it lies outside the frame, under a thumb, or where the
simulator's own light leaves no contrast; focus, shake, distance and darkness spoil the whole page.
"""

from __future__ import annotations

import copy
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench_read import MESS, unseen_camera
from covers import Cover, lay
from library_changes import CHANGES as LIBRARY
from other_apps import CHANGES
from other_pencils import CHANGES as PENCILS

from digitise.adapt.evaluate import Truth
from digitise.sheets.compose import build_layouts
from digitise.sheets.layout import Layout
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf
from digitise.simulate.answers import random_answers
from digitise.simulate.background import BACKGROUNDS, background_tile
from digitise.simulate.camera import Camera, Shot, photograph, retake_camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.light import light_scene
from digitise.simulate.optics import look, to_grid
from digitise.simulate.sensor import encode_jpeg, tone
from digitise.simulate.take import PX_PER_MM, filled

FRAME = (1800, 2400)  # 4 megapixels: enough for a sheet that fills them
SHARED = 5  # photographs of each group that show one filled sheet, on one ground: making these takes longest
GOOD = ("ordinary", "hard")
WHOLE = ("out of focus", "shaken", "too far", "too dark", "no sheet", "another paper")
IN_PART = ("cut", "glare", "thumb")
BAD = (*WHOLE, *IN_PART)
LEAST_PX_PER_MM = 3.3  # a photograph with fewer is too far away
PENCIL = 0.55  # of the paper's light
GRID = np.array([(u, v) for u in np.linspace(0.04, 0.96, 9) for v in np.linspace(0.04, 0.96, 7)])


@dataclass(frozen=True, slots=True, eq=False)
class Retake:
    """One photograph: the file, what each cell says (nothing without a sheet), and which cells are spoilt."""

    jpeg: bytes
    truth: dict[str, Truth]
    spoilt: frozenset[str]


@lru_cache(maxsize=1)
def _protocol() -> Protocol:
    return load_protocol("reef-transect")


@lru_cache(maxsize=1)
def known() -> tuple[Layout, ...]:
    """The layouts that photographs are read by."""
    return tuple(build_layouts(_protocol()))


@lru_cache(maxsize=1)
def _strangers() -> tuple[tuple[Protocol, Layout], ...]:
    """Pages of other protocols, which are not given to the reader."""
    others = [load_protocol(name) for name in ("lagoon-frames", "long-line", "wall-segments")]
    return tuple((p, one) for p in others for one in build_layouts(p) if one.paper == "A4")


def _sized(camera: Camera) -> Camera:
    """The same camera with fewer pixels, everything counted in pixels with them."""
    scale = FRAME[1] / camera.height_px
    blurs = {n: scale * getattr(camera, n) for n in ("defocus_px", "depth_blur_px", "motion_px")}
    return replace(camera, width_px=FRAME[0], height_px=FRAME[1], **blurs)


def _filled(camera: Camera, fill: float) -> Camera:
    """The same camera so near that the sheet fills the frame, whichever way it lies."""
    return replace(camera, fill=fill, shift=tuple(v * (1 - fill) for v in np.clip(camera.shift, -0.4, 0.4)))


def _camera(group: str, rng: np.random.Generator) -> Camera:
    size = {"width_px": FRAME[0], "height_px": FRAME[1]}
    u, pixels = rng.uniform, FRAME[1] / 4000
    if group in ("cut", "glare"):
        return retake_camera(rng, group, **size)
    easy = _filled(_sized(unseen_camera(rng, hard=group == "hard")), float(u(0.88, 0.97)))
    if group == "out of focus":
        return replace(easy, defocus_px=float(u(9, 16)) * pixels)
    if group == "shaken":
        return replace(easy, defocus_px=float(u(1, 4)) * pixels, motion_px=float(u(25, 50)) * pixels)
    if group == "too far":
        return replace(easy, fill=float(u(0.12, 0.34)), shift=tuple(float(v) for v in u(-0.25, 0.25, 2)))
    if group == "too dark":
        return replace(easy, exposure=float(u(0.008, 0.025)), noise=float(u(0.05, 0.1)), glare_strength=0.0, sheen=0.0)
    return easy


def _on_ground(camera: Camera, number: int) -> Camera:
    """The camera above the ground that photographs of this number share."""
    shared = number // SHARED
    return replace(camera, background=list(BACKGROUNDS)[shared % len(BACKGROUNDS)], background_seed=5000 + shared)


def _points(layout: Layout) -> np.ndarray:
    """Places all over each cell, (cells, places, 2) mm."""
    boxes = np.array([c.box_mm for c in layout.cells])
    return boxes[:, None, :2] + GRID[None] * boxes[:, None, 2:]


def _named(layout: Layout, spoilt: np.ndarray) -> frozenset[str]:
    return frozenset(c.id for c, bad in zip(layout.cells, spoilt, strict=True) if bad)


def _outside(layout: Layout, shot: Shot) -> frozenset[str]:
    points = _points(layout)
    px = shot.page_to_photo_px(points.reshape(-1, 2)).reshape(points.shape)
    height, width = shot.image.shape[:2]
    out = (px < -0.5).any(axis=2) | (px[..., 0] > width - 0.5) | (px[..., 1] > height - 0.5)
    return _named(layout, out.any(axis=1))


def _washed_out(layout: Layout, shot: Shot, camera: Camera, rng: np.random.Generator) -> frozenset[str]:
    """Cells of which a twentieth shows pencil with less than a quarter of its usual contrast."""
    view = look(shot.projection, camera.width_px, camera.height_px)
    light = light_scene(camera, shot.projection, view, rng)
    points = _points(layout)
    at = to_grid(shot.page_to_photo_px(points.reshape(-1, 2))).astype(np.float32)
    gain, glare = (
        cv2.remap(v.mean(axis=2), at[None], None, cv2.INTER_LINEAR)[0] for v in (light.page_gain, light.glare)
    )
    contrast = tone(gain + glare).astype(int) - tone(PENCIL * gain + glare)
    lost = (contrast < 0.25 * np.median(contrast)).reshape(points.shape[:2])
    return _named(layout, lost.mean(axis=1) > 0.05)


def _thumb(layout: Layout, rng: np.random.Generator) -> Cover:
    """A thumb whose tip lies on a cell."""
    cell = layout.cells[int(rng.integers(len(layout.cells)))]
    width, height = layout.page_size_mm
    tip = np.array(cell.box_mm[:2]) + rng.uniform(0.2, 0.8, 2) * cell.box_mm[2:]
    side = int(np.argmin([tip[0], width - tip[0], height - tip[1]]))
    way = np.array([(1, 0.3), (-1, 0.3), (0.2, -1)][side]) + rng.normal(0, 0.25, 2)
    way /= np.linalg.norm(way)
    across, radius, turn = (
        np.array([-way[1], way[0]]),
        rng.uniform(8, 11),
        np.linspace(-np.pi / 2, np.pi / 2, 17)[:, None],
    )
    end = tip + radius * (np.cos(turn) * way + np.sin(turn) * across)
    return Cover("thumb", np.vstack([tip - 320 * way - radius * across, end, tip - 320 * way + radius * across]))


def _covered(layout: Layout, cover: Cover) -> frozenset[str]:
    points = _points(layout)
    return _named(layout, cover.hides(points.reshape(-1, 2)).reshape(points.shape[:2]).mean(axis=1) > 0.03)


def _px_per_mm(layout: Layout, shot: Shot) -> float:
    x, y = layout.page_size_mm[0] / 2, layout.page_size_mm[1] / 2
    middle, across, down = shot.page_to_photo_px(np.array([(x, y), (x + 20, y), (x, y + 20)]))
    return float(min(np.linalg.norm(across - middle), np.linalg.norm(down - middle)) / 20)


def _spoilt(group: str, layout: Layout, shot: Shot, camera: Camera, light_rng: np.random.Generator) -> frozenset[str]:
    if group == "cut":
        return _outside(layout, shot)
    if group == "glare":
        return _washed_out(layout, shot, camera, light_rng)
    if group == "too far" and _px_per_mm(layout, shot) > LEAST_PX_PER_MM:
        return frozenset()
    return frozenset(c.id for c in layout.cells) if group in WHOLE else frozenset()


@lru_cache(maxsize=2)
def _sheet(number: int) -> tuple[Layout, dict[str, Truth], np.ndarray]:
    """A filled sheet: its layout, what it says, and its raster."""
    rng = np.random.default_rng([7, number])
    layout = known()[number % len(known())]
    answers = random_answers(layout.to_json(), rng, mess=MESS)
    canvas, _ = filled(_protocol(), layout, answers, DrawnHand(drawn_style(rng)), rng)
    return layout, {a.cell: Truth(a.value, a.must_flag, a.mark) for a in answers}, canvas


@lru_cache(maxsize=2)
def _printed(layout: Layout) -> np.ndarray:
    """The sheet before anything was written on it: the raster of `filled`, whose print it has."""
    identity = identity_for(layout, "ABCDEF", int(layout.per_transect))
    return rasterise(sheet_pdf(_protocol(), [(layout, identity)]), PX_PER_MM)


def _of_a_sheet(group: str, number: int, rng: np.random.Generator) -> Retake | None:
    """A photograph of a filled sheet; None where the camera's settings spoilt nothing after all."""
    layout, truth, canvas = _sheet(number // SHARED)
    if group in PENCILS:
        canvas, emptied = PENCILS[group](canvas, _printed(layout), layout, rng)
        truth = truth | dict.fromkeys(emptied, Truth(None))
    camera, light_rng = _on_ground(_camera(group, rng), number), copy.deepcopy(rng)
    shot = photograph(canvas, layout.page_size_mm, camera, rng=rng)
    if change := (CHANGES | LIBRARY).get(group):
        return Retake(encode_jpeg(change(shot.image, rng), camera), truth, frozenset())
    spoilt = _spoilt(group, layout, shot, camera, light_rng)
    if group == "thumb":
        cover = _thumb(layout, rng)
        shot, spoilt = lay(shot, cover, rng), _covered(layout, cover)
    if group in BAD and not spoilt:
        return None
    return Retake(encode_jpeg(shot.image, camera), truth, spoilt)


def _notes(rng: np.random.Generator) -> np.ndarray:
    """A page out of a notebook: rules, and something written on them; (H, W) uint8 at 8 px/mm."""
    page = np.full((2376, 1680), 245, np.uint8)
    for y in range(160, 2376, int(rng.integers(50, 90))):
        cv2.line(page, (0, y), (1680, y), 190, 2)
        words = " ".join(
            "".join(rng.choice(list("aeilmnorstu"), rng.integers(2, 9))) for _ in range(rng.integers(0, 8))
        )
        cv2.putText(page, words, (120, y - 8), cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, 1.6, 90, 3, cv2.LINE_AA)
    return page


def _form(rng: np.random.Generator) -> np.ndarray:
    """A table with square marks of another kind in its corners."""
    page = np.full((2376, 1680), 250, np.uint8)
    for x in np.linspace(140, 1540, int(rng.integers(4, 9))).astype(int):
        cv2.line(page, (x, 300), (x, 2200), 30, 3)
    for y in np.linspace(300, 2200, int(rng.integers(10, 30))).astype(int):
        cv2.line(page, (140, y), (1540, y), 30, 3)
    for x, y in ((60, 60), (1500, 60), (60, 2200), (1500, 2200)):
        cells = rng.integers(0, 2, (6, 6)).astype(np.uint8) * 255
        cells[[0, -1]] = cells[:, [0, -1]] = 0
        page[y : y + 120, x : x + 120] = cv2.resize(cells, (120, 120), interpolation=cv2.INTER_NEAREST)
    return page


def _stranger(rng: np.random.Generator) -> np.ndarray:
    """A filled sheet of a protocol that the reader is not given."""
    protocol, layout = _strangers()[int(rng.integers(len(_strangers())))]
    answers = random_answers(layout.to_json(), rng, mess=MESS)
    return filled(protocol, layout, answers, DrawnHand(drawn_style(rng)), rng)[0]


def _bare(rng: np.random.Generator) -> np.ndarray:
    """No sheet of ours: blank paper, or a piece of the ground itself."""
    if rng.random() < 0.5:
        return np.full((594, 420), 255, np.uint8)
    return background_tile(str(rng.choice(list(BACKGROUNDS))), int(rng.integers(9000)))[:1188, :840]


def _other(group: str, number: int, rng: np.random.Generator) -> Retake:
    """A photograph without a sheet of the protocol: nothing written on, or another paper."""
    camera = _on_ground(_camera("ordinary", rng), number)
    makers: tuple[Callable, ...] = (_bare,) if group == "no sheet" else (_notes, _form, _stranger)
    page = makers[int(rng.integers(len(makers)))](rng)
    shot = photograph(page, (210.0, 297.0), camera, rng=rng)
    return Retake(encode_jpeg(shot.image, camera), {}, frozenset())


def made(group: str, number: int) -> Retake:
    """Photograph `number` of a group; the same each time."""
    if group not in (groups := (*GOOD, *BAD, *CHANGES, *LIBRARY, *PENCILS)):
        raise ValueError(f"group {group!r}: choose from {', '.join(groups)}")
    rng = np.random.default_rng([6, number, *group.encode()])
    if group in ("no sheet", "another paper"):
        return _other(group, number, rng)
    while (photo := _of_a_sheet(group, number, rng)) is None:
        pass
    return photo
