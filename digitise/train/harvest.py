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

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import Page, register
from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, TICK_CLASSES, character_crops
from digitise.reader.ink import extract_ink, pixel_box
from digitise.reader.line_network import LINE_ROWS, line_input
from digitise.reader.tally import REACH_MM, own_ink
from digitise.reader.tally_network import REDUCE, network_input
from digitise.sheets.layout import Cell, Layout
from digitise.sheets.protocol import Protocol
from digitise.sheets.spelling import spelled
from digitise.simulate.answers import Answer, Mess, random_answers
from digitise.simulate.camera import hard_camera, ordinary_camera
from digitise.simulate.fill import Told
from digitise.simulate.hand import Hand
from digitise.simulate.take import PX_PER_MM, any_hand, filled, take
from digitise.simulate.tally_hand import most_tally
from digitise.train.sheets import practice_layout

INK_LEVEL = 170  # stored pictures are uint8; this page's pencil is at this level
NONE = -1  # this head learns nothing from this box
PRACTICE_MESS = Mess(
    blank_tally=0.10,
    blank=0.08,
    struck=0.055,
    overwritten=0.06,
    erased_rewritten=0.05,
    ditto=0.012,
    unreadable=0.012,
    overrun=0.06,
    zero=0.10,
    dash_zero=0.35,
    slashed_zero=0.2,
    ticked=0.55,
)
UNUSUAL = 0.5  # of practice sheets are filled in by somebody who tallies, ticks and crosses out as few people do
RESTYLED = 0.5  # of the hands on practice sheets are written as somebody else might
PHOTOGRAPHED = 4  # one practice page in so many is photographed, the others only softened
STRIDE = 64  # seeds that one worker counts on by
TALLY_CANVAS = (36, 688)  # rows, columns of a stored tally picture
MOST_STROKES = 64  # whose places are stored
LINE_CANVAS = (LINE_ROWS, 520)  # of a stored line
Rows = tuple[str, ...]
LINE_MARKS = ("plain", "blank", "erased_rewritten", "overrun")


def _word(rng: np.random.Generator) -> str:
    """Letters, digits or both in no language, so that the network learns shapes and no words."""
    kind = rng.random()
    length = int(rng.integers(1, 10))
    if kind < 0.7:
        return "".join(rng.choice(list("ABCDEFGHIJKLMNOPQRSTUVWXYZ"), length))
    if kind < 0.9:
        return "".join(rng.choice(list("0123456789"), min(length, 4)))
    return "".join(rng.choice(list("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-:/,'+()"), length))


def _any_line(cell: Cell, answer: Answer, rng: np.random.Generator) -> Answer:
    """The answer of a text cell with random words in place of its own."""
    if cell.kind != "text" or not answer.written:
        return answer
    room = int(cell.box_mm[2] / 7.5)
    text = _word(rng)[:room]
    while len(text) < room - 4 and rng.random() < 0.75:
        text = f"{text} {_word(rng)}"[:room]
    return Answer(answer.cell, text.strip(), answer.mark)


def _more_strokes(cell: Cell, answer: Answer, rng: np.random.Generator) -> Answer:
    if cell.kind != "tally" or not answer.written or answer.mark not in ("plain", "overrun", "erased_rewritten"):
        return answer
    if rng.random() < 0.5:
        return answer
    most = min(most_tally(cell.box_mm), cell.max or 60)
    return Answer(answer.cell, int(rng.integers(1, most + 1)), answer.mark)


def _harder(layout: Layout, answers: list[Answer], rng: np.random.Generator) -> tuple[Answer, ...]:
    """Answers with larger counts and words of no language."""
    cells = layout.by_id
    return tuple(_any_line(cells[a.cell], _more_strokes(cells[a.cell], a, rng), rng) for a in answers)


def box_labels(cell: Cell, answer: Answer, over: int | None = None) -> list[tuple[int, int, int]]:
    """Class index for (digit, letter, tick) heads of each character box; `NONE` where a head learns nothing.

    `over` is the box that was written over in an overwritten cell.
    """
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
    if mark == "struck":
        return [nothing if c == " " else void for c in text]
    plain = (
        (lambda c: (NONE, LETTER_CLASSES.index(c), NONE))
        if cell.kind == "code"
        else (lambda c: (DIGIT_CLASSES.index(c), NONE, NONE))
    )
    labels = [blank if c == " " else plain(c) for c in text]
    if mark == "overwritten":
        labels = [nothing if over is None else void if i == over else label for i, label in enumerate(labels)]
    return labels


def tally_label(answer: Answer) -> tuple[float, float, float]:
    """(strokes, void, zero) for a tally box; strokes is nan where nobody can say."""
    if answer.must_flag:
        return (float("nan"), 1.0, 0.0)
    if answer.written == 0 and answer.written is not None:
        return (0.0, 0.0, 1.0)
    return (float(answer.written or 0), 0.0, 0.0)


def _on_canvas(small: np.ndarray, canvas: tuple[int, int]) -> np.ndarray:
    out = np.zeros(canvas, np.uint8)
    h, w = min(small.shape[0], canvas[0]), min(small.shape[1], canvas[1])
    out[:h, :w] = (small[:h, :w] * INK_LEVEL).astype(np.uint8)
    return out


def _stroke_places(cell: Cell, middles_mm: np.ndarray) -> np.ndarray:
    """Where each stroke's middle lies in the stored picture of its box, (MOST_STROKES, 2): column, row."""
    out = np.full((MOST_STROKES, 2), np.nan, np.float32)
    x, y, _, _ = pixel_box(cell.box_mm, REACH_MM)
    places = (middles_mm * FLAT_PX_PER_MM - (x, y)) / REDUCE[::-1]
    out[: len(places)] = places[:MOST_STROKES]
    return out


def cells_of(page: Page, answers: tuple[Answer, ...], told: Told) -> dict[str, np.ndarray]:
    """Pictures and labels of one page.

    ``boxes`` (N, 48, 48) uint8 and ``labels`` (N, 3); ``tallies``, ``counts`` (N, 3) and ``strokes``
    (N, MOST_STROKES, 2) where they are known; ``lines`` and ``texts``.
    """
    ink = extract_ink(page.image, page.layout)
    said = {a.cell: a for a in answers}
    boxes, labels, tallies, counts, strokes, lines, texts = [], [], [], [], [], [], []
    for cell in page.layout.cells:
        if cell.id in page.hidden:
            continue
        answer = said[cell.id]
        if cell.kind == "tally":
            tallies.append(_on_canvas(network_input(own_ink(ink, cell), ink.pencil), TALLY_CANVAS))
            counts.append(tally_label(answer))
            strokes.append(_stroke_places(cell, told.strokes.get(cell.id, np.zeros((0, 2)))))
        elif cell.kind == "text":
            if answer.mark in LINE_MARKS:
                lines.append(_on_canvas(line_input(own_ink(ink, cell), ink.pencil), LINE_CANVAS))
                texts.append(answer.written or "")
        else:
            crops = character_crops(ink, cell)
            for crop, label in zip(crops, box_labels(cell, answer, told.over.get(cell.id)), strict=True):
                if label == (NONE, NONE, NONE):
                    continue
                boxes.append((crop * INK_LEVEL).astype(np.uint8))
                labels.append(label)
    return {
        "boxes": np.array(boxes, np.uint8).reshape(-1, 48, 48),
        "labels": np.array(labels, np.int8).reshape(-1, 3),
        "tallies": np.array(tallies, np.uint8).reshape(-1, *TALLY_CANVAS),
        "counts": np.array(counts, np.float32).reshape(-1, 3),
        "strokes": np.array(strokes, np.float32).reshape(-1, MOST_STROKES, 2),
        "lines": np.array(lines, np.uint8).reshape(-1, *LINE_CANVAS),
        "texts": np.array(texts, "U24"),
    }


def practice_page(
    protocol: Protocol, hands: dict[str, Hand], seed: int, rows: Rows = ()
) -> dict[str, np.ndarray] | None:
    """Labelled cells of one practice photograph; None when the page was refused."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    layout = practice_layout(protocol, rng, only=rows)
    camera = (hard_camera if rng.random() < 0.35 else ordinary_camera)(rng)
    answers = random_answers(layout.to_json(), rng, mess=PRACTICE_MESS)
    answers = _harder(layout, answers, rng)
    hand, unusual = any_hand(hands, rng, restyled=RESTYLED), bool(rng.random() < UNUSUAL)
    taken = take(protocol, layout, answers, hand, rng, camera=camera, unusual=unusual)
    page = register(taken.gray(), [layout])
    return cells_of(page, taken.answers, taken.told) if page else None


def flat_page(protocol: Protocol, hands: dict[str, Hand], seed: int, rows: Rows = ()) -> dict[str, np.ndarray]:
    """Labelled cells of a practice page that was not photographed, only softened: many more for the same time."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    layout = practice_layout(protocol, rng, tallies=0.5, only=rows)
    answers = random_answers(layout.to_json(), rng, mess=PRACTICE_MESS)
    answers = _harder(layout, answers, rng)
    hand, unusual = any_hand(hands, rng, restyled=RESTYLED), bool(rng.random() < UNUSUAL)
    canvas, told = filled(protocol, layout, answers, hand, rng, unusual=unusual)
    image = softened(canvas, layout.page_size_mm, rng)
    return cells_of(Page(layout, None, image, None, FLAT_PX_PER_MM, 0.2, frozenset()), answers, told)


def softened(canvas: np.ndarray, size_mm: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """A page raster as flattening leaves it: a little out of place, blurred, unevenly lit, grainy, compressed."""
    width, height = (int(round(v * FLAT_PX_PER_MM)) for v in size_mm)
    scale = PX_PER_MM / FLAT_PX_PER_MM
    shape = (int(size_mm[1] / 25) + 2, int(size_mm[0] / 25) + 2)
    amount = rng.uniform(0, 0.13) * PX_PER_MM
    wander = [
        cv2.resize(rng.normal(0, amount, shape).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
        for _ in range(2)
    ]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    blurred = cv2.GaussianBlur(canvas, (0, 0), float(rng.uniform(0.04, 0.2)) * PX_PER_MM)
    flat = cv2.remap(
        blurred,
        (x + 0.5) * scale - 0.5 + wander[0],
        (y + 0.5) * scale - 0.5 + wander[1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    if rng.random() < 0.5:
        flat += rng.uniform(0.1, 0.5) * (flat - cv2.GaussianBlur(flat, (0, 0), 1.2))
    light = 1 + rng.uniform(-0.25, 0.25) * (x / width - 0.5) + rng.uniform(-0.25, 0.25) * (y / height - 0.5)
    grain = cv2.GaussianBlur(rng.standard_normal((height, width), dtype=np.float32), (0, 0), 0.6)
    flat = flat * light * rng.uniform(0.5, 0.9) + rng.uniform(0, 25) + grain * rng.uniform(1, 9)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 96))]
    _, data = cv2.imencode(".jpg", np.clip(flat, 0, 255).astype(np.uint8), quality)
    return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)


def _practise(
    protocol: Protocol, hands: dict[str, Hand], end: float, seeds: Iterator[int], rows: Rows
) -> dict[str, np.ndarray]:
    """Practice pages until the clock (monotonic seconds) says `end`, all cells together."""
    parts = []
    while not parts or time.monotonic() < end:
        n = next(seeds)
        part = (practice_page if n // STRIDE % PHOTOGRAPHED == 0 else flat_page)(protocol, hands, n, rows)
        if part is not None:
            parts.append(part)
    return {"pages": np.array([len(parts)]), **{k: np.concatenate([p[k] for p in parts]) for k in parts[0]}}


def harvest(
    protocol: Protocol, hands: dict[str, Hand], out: Path, *, seconds: float, jobs: int, seed: int, rows: Rows = ()
) -> int:
    """Photograph practice pages for so many seconds on `jobs` cores; writes ``out`` (.npz); returns the pages read."""
    end = time.monotonic() + seconds
    with ProcessPoolExecutor(jobs, mp_context=get_context("fork")) as pool:
        work = [
            pool.submit(_practise, protocol, hands, end, itertools.count(seed + j, STRIDE), rows)
            for j in range(min(jobs, STRIDE))
        ]
        parts = [w.result() for w in work]
    np.savez(out, **{k: np.concatenate([p[k] for p in parts]) for k in parts[0]})
    return int(sum(p["pages"][0] for p in parts))
