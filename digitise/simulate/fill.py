"""Answers drawn on the raster of a page with a hand and a pencil, whatever their mark.

Layouts are as in `digitise.simulate.answers`, which says what is written.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from digitise.sheets.spelling import Cell, Written, spelled
from digitise.simulate.answers import ZEROS, Answer, another, make_answer
from digitise.simulate.drawn_hand import (
    SINGLE_LINES,
    STRIKES,
    TICKS,
    UNUSUAL_STRIKES,
    UNUSUAL_TICKS,
    Strokes,
    dash_stroke,
    ditto_strokes,
    hand_line,
    scrawl,
    strike_strokes,
    tick_strokes,
)
from digitise.simulate.hand import Hand, in_box, on_line, share_inside
from digitise.simulate.pencil import Pencil, draw, erase
from digitise.simulate.tally_hand import TallyManner, tally_manner, tally_strokes, unusual_tally_manner


@dataclass(frozen=True, slots=True)
class Told:
    """What filling a page knows besides the answers, by cell id.

    ``over`` is the character box that was written over in an overwritten cell; ``strokes`` the middles (N, 2) of the
    strokes in each tally box, in mm on the page.
    """

    over: dict[str, int]
    strokes: dict[str, np.ndarray]


@dataclass(frozen=True, slots=True)
class _Writer:
    """A hand at work on one page, with the habits it keeps there. ``clean`` is the page before writing."""

    hand: Hand
    pencil: Pencil
    canvas: np.ndarray
    clean: np.ndarray
    px_per_mm: float
    sloppiness: float
    size: float
    tally: TallyManner
    tick: str
    unusual: bool
    rng: np.random.Generator
    told: Told

    def ink(self, entries: Sequence[Strokes], *, pressed: bool = False) -> None:
        """Draw entries; ``pressed`` is how one writes over something that must go."""
        pencil = self.pencil
        if pressed:
            firm = min(0.95, 1.2 * pencil.darkness + 0.05)
            pencil = replace(pencil, darkness=firm, width_mm=1.12 * pencil.width_mm)
        for strokes in entries:
            draw(self.canvas, strokes, pencil=pencil, px_per_mm=self.px_per_mm, rng=self.rng)

    def character(self, char: str, box_mm: Sequence[float], *, overrun: bool = False) -> Strokes:
        """Strokes of one character placed in its box."""
        strokes = self.hand.character(char, self.rng)
        return in_box(strokes, box_mm, rng=self.rng, size=self.size, sloppiness=self.sloppiness, overrun=overrun)


def fill(
    layout: Mapping[str, object],
    answers: Sequence[Answer],
    hand: Hand,
    rng: np.random.Generator,
    *,
    pencil: Pencil,
    canvas: np.ndarray,
    px_per_mm: float,
    sloppiness: float = 0.3,
    unusual: bool = False,
) -> Told:
    """Write the answers on the page.

    Parameters
    ----------
    layout : mapping
        The layout file's dictionary.
    answers : sequence of Answer
        At most one a cell; cells without one stay untouched. A cell id that is not on the page is a
        `KeyError`, a value its cell cannot hold a `ValueError`.
    canvas : (rows, columns) uint8
        The raster of the page, white 255, its top left pixel at the page's corner; changed in place.
    sloppiness : float, in [0, 1]
        0 for somebody at a desk, 1 for thick gloves and a swell.
    unusual : bool
        The writer tallies, ticks and crosses out as few people do.
    """
    cells = {cell["id"]: cell for cell in layout["cells"]}
    writer = _Writer(
        hand, pencil, canvas, canvas.copy(), px_per_mm, sloppiness,
        size=float(np.clip(hand.size * rng.normal(1, 0.06), 0.55, 0.95)),
        tally=unusual_tally_manner(rng, line_mm=pencil.width_mm) if unusual else tally_manner(rng),
        tick=str(rng.choice(UNUSUAL_TICKS) if unusual else rng.choice(TICKS, p=[0.45, 0.3, 0.1, 0.15])),
        unusual=unusual,
        rng=rng,
        told=Told({}, {}),
    )  # fmt: skip
    for answer in answers:
        cell = cells[answer.cell]
        answer = make_answer(cell, answer.written, answer.mark)
        if answer.mark == "overwritten":
            writer.told.over[answer.cell] = _overwrite(cell, answer.written, writer)
        else:
            _write(cell, answer, writer)
    return writer.told


def _write(cell: Cell, answer: Answer, writer: _Writer) -> None:
    """Draw one answer, whatever its mark but overwritten."""
    mark, written = answer.mark, answer.written
    if mark == "blank":
        return
    if mark == "ditto":
        writer.ink([ditto_strokes(cell["box_mm"], rng=writer.rng)])
    elif mark == "unreadable":
        writer.ink(_mess(cell, written, writer))
    elif mark in ZEROS:
        writer.ink([_zero(cell, mark, writer)])
    elif mark == "erased_rewritten":
        _erase_and_rewrite(cell, written, writer)
    else:
        entries = _entries(cell, written, writer, overrun=mark == "overrun")
        writer.ink(entries)
        if mark == "struck":
            _strike(cell, written, entries, writer)


def _entries(cell: Cell, written: Written, writer: _Writer, *, overrun: bool = False) -> list[Strokes]:
    """What is written in plain, as entries to draw one by one."""
    kind, box, rng = cell["kind"], cell["box_mm"], writer.rng
    if kind == "tally" and written:
        strokes = tally_strokes(written, box, rng=rng, manner=writer.tally, sloppiness=writer.sloppiness)
        strokes = _run_over(strokes, box, rng) if overrun else strokes
        writer.told.strokes[cell["id"]] = np.stack([(s.min(axis=0) + s.max(axis=0)) / 2 for s in strokes])
        return [strokes[i : i + 5] for i in range(0, len(strokes), 5)]
    if kind == "tally":
        return [writer.character("0", _one_box(cell, rng), overrun=overrun)]
    if kind == "tick":
        style = writer.tick if rng.random() < 0.85 else str(rng.choice(TICKS))
        strokes = tick_strokes(style, box, rng=rng)
        return [_run_over(strokes, box, rng) if overrun else strokes]
    if kind == "text":
        entries = on_line(writer.hand, written, box, rng=rng, size=writer.size, sloppiness=writer.sloppiness)
        return [_moved(entry, 0.0, 0.25 * box[3]) for entry in entries] if overrun else entries
    text = spelled(cell, written)
    used = [i for i, char in enumerate(text) if char != " "]
    over = int(rng.choice(used)) if overrun else None
    return [writer.character(text[i], cell["characters_mm"][i], overrun=i == over) for i in used]


def _one_box(cell: Cell, rng: np.random.Generator) -> list[float]:
    """The box for a single character: a number's last one, or a square somewhere in a tally's left half."""
    if cell["kind"] == "number":
        return cell["characters_mm"][-1]
    x, y, width, height = cell["box_mm"]
    side = min(width, height, 11.0)
    return [x + rng.uniform(0.02, 0.45) * (width - side), y + (height - side) / 2, side, side]


def _zero(cell: Cell, mark: str, writer: _Writer) -> Strokes:
    box = _one_box(cell, writer.rng)
    if mark == "dash_zero":
        return dash_stroke(box, rng=writer.rng)
    ring = writer.character("0", box)
    points = np.concatenate(ring)
    low, high = points.min(axis=0), points.max(axis=0)
    beyond = 0.12 * (high[1] - low[1]) * writer.rng.normal(1, 0.5, 4)
    ends = [[low[0] - beyond[0], high[1] + beyond[1]], [high[0] + beyond[2], low[1] - beyond[3]]]
    return (*ring, hand_line(np.array(ends), writer.rng, bow=0.03))


def _moved(strokes: Strokes, right: float, down: float) -> Strokes:
    return tuple(s + np.array([right, down]) for s in strokes)


def _run_over(strokes: Strokes, box: Sequence[float], rng: np.random.Generator) -> Strokes:
    """Stretch strokes in a box about their middle until they run over the rule, most of them inside still."""
    points = np.concatenate(strokes)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    stretch = box[3] * rng.uniform(1.1, 1.3) / max(float(np.ptp(points[:, 1])), 0.3 * box[3])
    while True:
        sideways = min(stretch, 1.25) if len(strokes) < 3 else 1.0
        over = tuple((s - middle) * (sideways, stretch) + middle for s in strokes)
        if stretch < 1.05 or share_inside(over, box) >= 0.65:
            return over
        stretch *= 0.93


_STRUCK_BY_A_LINE = "235689"  # other digits with a line through them are digits still, in somebody's hand


def _strike(cell: Cell, written: Written, entries: list[Strokes], writer: _Writer) -> None:
    """Strike the entry out. One line through one group, or through one of some characters, would say something else."""
    points = np.concatenate([s for entry in entries for s in entry])
    low, size = points.min(axis=0), np.ptp(points, axis=0)
    size = np.maximum(size, 0.25 * cell["box_mm"][3])
    styles = STRIKES + UNUSUAL_STRIKES if writer.unusual else STRIKES
    plainly = writer.unusual and cell["kind"] != "tally" and str(written) in _STRUCK_BY_A_LINE
    if len(entries) == 1 and not plainly:
        styles = tuple(s for s in styles if s not in SINGLE_LINES)
    style = str(writer.rng.choice(styles))
    writer.ink([strike_strokes(style, [*low, *size], rng=writer.rng)], pressed=style not in ("zigzag", "scribble"))


def _erase_and_rewrite(cell: Cell, written: Written, writer: _Writer) -> None:
    """Write something else, rub it out, and write the answer over its ghost."""
    before = another(cell, written, writer.rng)
    entries = _entries(cell, before, writer)
    writer.ink(entries)
    writer.told.strokes.pop(cell["id"], None)
    points = np.concatenate([s for entry in entries for s in entry])
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    erase(writer.canvas, [*low, *(high - low)], clean=writer.clean, px_per_mm=writer.px_per_mm, rng=writer.rng)
    if written is not None and written is not False:
        writer.ink(_entries(cell, written, writer))


# Characters that vanish under these when written over: nobody could see that anything was there.
_HIDDEN_UNDER = {
    "0": "OCQ", "1": "I", "2": "Z1", "3": "1", "4": "1", "5": "S", "6": "05G", "7": "1", "8": "36950S",
    "9": "17", "A": "V", "B": "PFEIRLD38", "D": "IL10", "E": "FLICT", "F": "I1", "G": "CO", "H": "I1",
    "I": "1", "J": "I1", "K": "I1", "L": "I1", "M": "NV", "N": "IVM", "O": "CGQ0", "P": "IF1", "Q": "OCG0",
    "R": "PFI", "S": "5", "T": "I1", "U": "JIL", "W": "V", "X": "V", "Y": "VI1", "Z": "27",
}  # fmt: skip


def _overwrite(cell: Cell, written: Written, writer: _Writer) -> int:
    """Write over one character of a first version, pressing harder (its place is returned); over a tally, a number."""
    rng = writer.rng
    if cell["kind"] == "tally":
        tally_first = set(str(written)) != {"1"}  # a 1 would pass for one more stroke
        strokes = _entries(cell, max(4, int(another(cell, written, rng))) if tally_first else written, writer)
        digits = str(written) if tally_first else str(rng.choice(list("235689")))
        number = _number_over(cell, digits, strokes, writer)
        writer.ink(strokes if tally_first else number)
        writer.ink(number if tally_first else strokes, pressed=True)
        return 0
    entries = _entries(cell, written, writer)
    text = str(written) if cell["kind"] == "text" else spelled(cell, written)
    used = [i for i, char in enumerate(text) if char != " "]
    chosen = int(rng.integers(len(entries)))
    over = text[used[chosen]]
    family = "0123456789" if over.isdigit() else "ABCDEFGHKLMNPRSTUVWXYZ"
    under = str(rng.choice([c for c in family if c != over and c not in _HIDDEN_UNDER.get(over, "")]))
    points = np.concatenate(entries[chosen])
    low, size = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 0.5 * np.ptp(points[:, 1]))
    first = in_box(writer.hand.character(under, rng), [*low, *size], rng=rng, size=1.0, sloppiness=0.5)
    writer.ink([first, *entries[:chosen], *entries[chosen + 1 :]])
    writer.ink([entries[chosen]], pressed=True)
    return used[chosen]


def _number_over(cell: Cell, digits: str, first: list[Strokes], writer: _Writer) -> list[Strokes]:
    """The digits of a number, large, across the middle of what was written first."""
    x, y, width, height = cell["box_mm"]
    points = np.concatenate([s for entry in first for s in entry])
    side = min(height, 0.9 * width / len(digits))
    middle = (points[:, 0].min() + points[:, 0].max()) / 2
    left = np.clip(middle - 0.35 * side * len(digits), x, x + width - 0.75 * side * len(digits))
    return [
        in_box(
            writer.hand.character(digit, writer.rng),
            [left + 0.7 * side * i, y, side, height],
            rng=writer.rng, size=0.92, sloppiness=writer.sloppiness,
        )
        for i, digit in enumerate(digits)
    ]  # fmt: skip


def _mess(cell: Cell, written: Written, writer: _Writer) -> list[Strokes]:
    """Something was written, but what?"""
    rng, box = writer.rng, cell["box_mm"]
    if cell["kind"] == "tally":
        x, y, _width, height = box
        knots = [
            [x + rng.uniform(0.1, 0.9) * height, y + rng.uniform(0, 0.2) * height, 0.5 * height, 0.8 * height]
            for _ in range(3)
        ]
        return [scrawl(knot, rng=rng) for knot in knots]
    if cell["kind"] == "text":
        step = 0.9 * min(box[3], 8.0)
        places = int(rng.integers(2, max(3, min(10, int(box[2] / step)))))
        return [scrawl([box[0] + i * step, box[1], 1.1 * step, box[3]], rng=rng) for i in range(places)]
    boxes = cell["characters_mm"]
    text = "?" * len(boxes) if written is None else spelled(cell, written)
    return [scrawl(b, rng=rng) for b, char in zip(boxes, text, strict=True) if char != " "]
