"""Simulated photographs become labelled cells: the same page finding, flattening and cutting as in the product."""

from __future__ import annotations

import itertools
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from digitise.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, character_crops
from digitise.ink import InkPage, extract_ink
from digitise.layout import Cell
from digitise.page import Page, register
from digitise.protocol import Protocol
from digitise.simulate.camera import hard_camera, ordinary_camera
from digitise.simulate.fill import Answer, Mess, random_answers, spelled
from digitise.simulate.hand import Hand, most_tally
from digitise.simulate.take import any_hand, take
from digitise.tally import own_ink
from digitise.tally_network import network_input
from digitise.train.sheets import practice_layout

NONE = -1                    # this head learns nothing from this box
PRACTICE_MESS = Mess(blank_tally=0.10, blank=0.08, struck=0.035, overwritten=0.03, erased_rewritten=0.05, ditto=0.012,
                     unreadable=0.012, overrun=0.06, zero=0.10, dash_zero=0.35, slashed_zero=0.2, ticked=0.55)
TALLY_CANVAS = (72, 344)     # rows, columns of a stored tally picture


def _more_strokes(cell: Cell, answer: Answer, rng: np.random.Generator) -> Answer:
    if cell.kind != "tally" or not answer.written or answer.mark not in ("plain", "overrun", "erased_rewritten"):
        return answer
    if rng.random() < 0.5:
        return answer
    most = min(most_tally(cell.box_mm), cell.max or 60)
    return Answer(answer.cell, int(rng.integers(1, most + 1)), answer.mark)


def box_labels(cell: Cell, answer: Answer) -> list[tuple[int, int, int]]:
    """Class index for (digit, letter, tick) heads of each character box; `NONE` where a head learns nothing."""
    boxes = len(cell.characters_mm) or 1
    blank = (DIGIT_CLASSES.index("blank"), LETTER_CLASSES.index("blank"), TICK_CLASSES.index("blank"))
    void = (DIGIT_CLASSES.index("void"), LETTER_CLASSES.index("void"), TICK_CLASSES.index("void"))
    junk = (DIGIT_CLASSES.index("junk"), LETTER_CLASSES.index("junk"), NONE)
    nothing = (NONE, NONE, NONE)
    mark, written = answer.mark, answer.written
    if cell.kind == "tick":
        if mark == "struck":
            return [void]
        return [(NONE, NONE, TICK_CLASSES.index("mark"))] if written else [blank]
    if mark == "unreadable":
        text = "?" * boxes if written is None else spelled(cell.to_json(), written)
        return [blank if c == " " else junk for c in text]
    if mark == "ditto":
        return [junk] if boxes == 1 else [nothing] * boxes
    if mark == "dash_zero":
        return [blank] * (boxes - 1) + [(DIGIT_CLASSES.index("dash"), NONE, NONE)]
    if written is None:
        return [blank] * boxes
    text = spelled(cell.to_json(), written)
    if mark == "overwritten":
        return [void] if boxes == 1 else [nothing] * boxes
    if mark == "struck":
        return [nothing if c == " " else void for c in text]
    if cell.kind == "code":
        return [blank if c == " " else (NONE, LETTER_CLASSES.index(c), NONE) for c in text]
    return [blank if c == " " else (DIGIT_CLASSES.index(c), NONE, NONE) for c in text]


def tally_label(answer: Answer) -> tuple[float, float, float]:
    """(strokes, void, zero) for a tally box; strokes is nan where nobody can say."""
    if answer.must_flag:
        return (float("nan"), 1.0, 0.0)
    if answer.written == 0 and answer.written is not None:
        return (0.0, 0.0, 1.0)
    return (float(answer.written or 0), 0.0, 0.0)


def _tally_picture(ink: InkPage, cell: Cell) -> np.ndarray:
    small = network_input(own_ink(ink, cell), ink.pencil)
    out = np.zeros(TALLY_CANVAS, np.uint8)
    h, w = min(small.shape[0], TALLY_CANVAS[0]), min(small.shape[1], TALLY_CANVAS[1])
    out[:h, :w] = (small[:h, :w] * 170).astype(np.uint8)
    return out


def cells_of(page: Page, answers: tuple[Answer, ...]) -> dict[str, np.ndarray]:
    """Pictures and labels of one page: ``boxes`` (N, 48, 48) uint8, ``labels`` (N, 3), ``tallies``, ``counts``."""
    ink = extract_ink(page.image, page.layout)
    said = {a.cell: a for a in answers}
    boxes, labels, tallies, counts = [], [], [], []
    for cell in page.layout.cells:
        if cell.id in page.hidden:
            continue
        answer = said[cell.id]
        if cell.kind == "tally":
            tallies.append(_tally_picture(ink, cell))
            counts.append(tally_label(answer))
        elif cell.kind != "text":
            crops = character_crops(ink, cell)
            for crop, label in zip(crops, box_labels(cell, answer), strict=True):
                if label == (NONE, NONE, NONE):
                    continue
                boxes.append((crop * 170).astype(np.uint8))
                labels.append(label)
    return {"boxes": np.array(boxes, np.uint8).reshape(-1, 48, 48), "labels": np.array(labels, np.int8).reshape(-1, 3),
            "tallies": np.array(tallies, np.uint8).reshape(-1, *TALLY_CANVAS),
            "counts": np.array(counts, np.float32).reshape(-1, 3)}


def practice_page(protocol: Protocol, hands: dict[str, Hand], seed: int) -> dict[str, np.ndarray] | None:
    """Labelled cells of one practice photograph; None when the page was refused."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    layout = practice_layout(protocol, rng)
    camera = (hard_camera if rng.random() < 0.35 else ordinary_camera)(rng)
    answers = random_answers(layout.to_json(), rng, mess=PRACTICE_MESS)
    answers = [_more_strokes(layout.by_id[a.cell], a, rng) for a in answers]
    taken = take(protocol, layout, answers, any_hand(hands, rng), rng, camera=camera)
    page = register(taken.gray(), [layout])
    return cells_of(page, taken.answers) if page else None


def _practise(protocol: Protocol, hands: dict[str, Hand], end: float, seeds: Iterator[int]) -> dict[str, np.ndarray]:
    """Practice pages until the clock (monotonic seconds) says `end`, all cells together."""
    parts = []
    while not parts or time.monotonic() < end:
        part = practice_page(protocol, hands, next(seeds))
        if part is not None:
            parts.append(part)
    return {"pages": np.array([len(parts)]), **{k: np.concatenate([p[k] for p in parts]) for k in parts[0]}}


def harvest(protocol: Protocol, hands: dict[str, Hand], out: Path, *, seconds: float, jobs: int, seed: int) -> int:
    """Photograph practice pages for so many seconds on `jobs` cores; writes ``out`` (.npz); returns the pages read."""
    end = time.monotonic() + seconds
    with ProcessPoolExecutor(jobs, mp_context=get_context("fork")) as pool:
        work = [pool.submit(_practise, protocol, hands, end, itertools.count(seed + j, jobs)) for j in range(jobs)]
        parts = [w.result() for w in work]
    np.savez(out, **{k: np.concatenate([p[k] for p in parts]) for k in parts[0]})
    return int(sum(p["pages"][0] for p in parts))
