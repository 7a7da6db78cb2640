"""What becomes of tallies counted, digits placed, and entries crossed out, in ways that nothing was trained on.

    python tests/benchmarks/bench_habits.py --pages 4                 pages of each habit, drawn hands
    python tests/benchmarks/bench_habits.py --pages 8 --strokes F     by writers that set thresholds

Each page is flat, softened and grainy as a scan. Of tallies it prints how many are accepted with and without a total
beside them and how many of these are wrong, of digits the same, of entries crossed out how many are accepted at all. A slash through a
nought, a bar through a seven or a line through four strokes says something else, and is counted here all the same.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np

from digitise.adapt.evaluate import same_value
from digitise.pages.photo import decode_photo
from digitise.reader.doubts import DIGITS
from digitise.reader.read import read_decoded
from digitise.sheets.compose import whole_layouts
from digitise.sheets.layout import Box, Cell, Layout
from digitise.sheets.protocol import load_protocol
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf
from digitise.sheets.spelling import spelled
from digitise.simulate.answers import Mess, random_answers
from digitise.simulate.drawn_hand import hand_line
from digitise.simulate.hand import in_box, load_hands, pooled, split_writers
from digitise.simulate.pencil import any_pencil, draw
from digitise.simulate.take import PX_PER_MM, any_hand, filled

NO_MESS = Mess(struck=0, overwritten=0, erased_rewritten=0, ditto=0, unreadable=0, overrun=0, total_blank=0.5)
STRUCK = 0.2  # of the written cells on a page of crossings-out
SCAN_PX_PER_MM, EDGE_PX = 8.0, 60
Rng = np.random.Generator
Point = tuple[float, float]
Lines = list[tuple[Point, ...]]  # each drawn from point to point without lifting
Counted = Callable[[int], Lines]


def _fives(n: int) -> list[int]:
    return [5] * (n // 5) + ([n % 5] if n % 5 else [])


def _upright(n: int, x: float = 0.0) -> Lines:
    return [((x + 0.25 * i, 0.0), (x + 0.25 * i, 1.0)) for i in range(n)]


def _grouped(n: int, last: Callable[[float], tuple[Point, ...]]) -> Lines:
    """Four upright strokes and a fifth, which begins at the group's left."""
    out: Lines = []
    for i, many in enumerate(_fives(n)):
        out += _upright(min(many, 4), 1.3 * i) + ([last(1.3 * i)] if many == 5 else [])
    return out


def _sign(n: int) -> Lines:
    """The strokes of a sign of five, one after the other."""
    strokes = [((0, 0), (0.7, 0)), ((0.35, 0), (0.35, 1)), ((0.35, 0.5), (0.65, 0.5)), ((0.1, 0.5), (0.1, 1)), ((-0.05, 1), (0.75, 1))]  # fmt: skip
    return [tuple((x + i, y) for x, y in s) for i, many in enumerate(_fives(n)) for s in strokes[:many]]


def _star(n: int) -> Lines:
    out: Lines = []
    for i, many in enumerate(_fives(n)):
        for angle in np.pi * np.arange(many) / 5 + 0.3:
            c, s = 0.38 * np.cos(angle), 0.38 * np.sin(angle)
            out.append(((i + 0.4 - c, 0.5 - s), (i + 0.4 + c, 0.5 + s)))
    return out


def _roman(n: int) -> Lines:
    out, x = [], 0.0
    for _ in range(n // 10):
        out += [((x, 0), (x + 0.5, 1)), ((x + 0.5, 0), (x, 1))]
        x += 0.75
    if n % 10 >= 5:
        out.append(((x, 0), (x + 0.25, 1), (x + 0.5, 0)))
        x += 0.75
    return out + _upright(n % 5, x)


TALLIES: dict[str, Counted] = {
    "strokes of a sign": _sign,
    "stars": _star,
    "roman": _roman,
    "crosses": lambda n: [s for i in range(n) for s in (((0.5 * i, 0.3), (0.5 * i + 0.3, 0.7)), ((0.5 * i + 0.3, 0.3), (0.5 * i, 0.7)))],
    "ticks": lambda n: [((0.5 * i, 0.55), (0.5 * i + 0.13, 0.85), (0.5 * i + 0.4, 0.15)) for i in range(n)],
    "level strokes": lambda n: [((i // 5 + 0.0, 0.1 + 0.2 * (i % 5)), (i // 5 + 0.6, 0.1 + 0.2 * (i % 5))) for i in range(n)],
    "short strokes": lambda n: [((0.22 * i + 0.12, 0.35), (0.22 * i, 0.65)) for i in range(n)],
    "without a bar": lambda n: [s for i, many in enumerate(_fives(n)) for s in _upright(many, 1.6 * i)],
    "level bar": lambda n: _grouped(n, lambda x: ((x - 0.15, 0.5), (x + 0.9, 0.5))),
    "bar the other way": lambda n: _grouped(n, lambda x: ((x - 0.1, 0.05), (x + 0.85, 0.95))),
    "not lifted": lambda n: [tuple((0.18 * i, float(i % 2)) for i in range(n + 1))],
    "triangles": lambda n: [((i // 3 + 0.0, 1.0), (i // 3 + 0.35, 0.0), (i // 3 + 0.7, 1.0), (i // 3 + 0.0, 1.0))[i % 3 : i % 3 + 2] for i in range(n)],
}  # fmt: skip


def _waved(x0: float, x1: float, y: float, amplitude: float, turns: float) -> tuple[Point, ...]:
    x = np.linspace(x0, x1, 60)
    return tuple(zip(x, y + amplitude * np.sin(np.linspace(0, 2 * np.pi * turns, 60)), strict=True))


def _coiled(x0: float, x1: float, y: float, radius: float, turns: int) -> tuple[Point, ...]:
    t = np.linspace(0, 2 * np.pi * turns, 40 * turns)
    return tuple(zip(np.linspace(x0, x1, len(t)) + radius * np.cos(t), y + radius * np.sin(t), strict=True))


Struck = Callable[[float, float], Lines]  # width and height of an entry whose upper left corner is (0, 0)
STRIKES: dict[str, Struck] = {
    "line": lambda w, h: [((-0.2 * h, h / 2), (w + 0.2 * h, h / 2))],
    "tilted line": lambda w, h: [((-0.2 * h, 0.75 * h), (w + 0.2 * h, 0.25 * h))],
    "slash": lambda w, h: [((-0.1 * h, 1.1 * h), (w + 0.1 * h, -0.1 * h))],
    "slash the other way": lambda w, h: [((-0.1 * h, -0.1 * h), (w + 0.1 * h, 1.1 * h))],
    "two slashes": lambda w, h: [((-0.1 * h + d, 1.1 * h), (w + 0.1 * h + d, -0.1 * h)) for d in (0.0, 0.25 * h)],
    "short line": lambda w, h: [((0.15 * w, h / 2), (0.85 * w, h / 2))],
    "wave": lambda w, h: [_waved(-0.2 * h, w + 0.2 * h, h / 2, 0.15 * h, max(2.0, 2 * w / h))],
    "coil": lambda w, h: [_coiled(-0.2 * h, w + 0.2 * h, h / 2, 0.3 * h, max(3, round(3 * w / h)))],
    "large cross": lambda w, h: [((-0.3 * h, -0.3 * h), (w + 0.3 * h, 1.3 * h)), ((w + 0.3 * h, -0.3 * h), (-0.3 * h, 1.3 * h))],
}  # fmt: skip


Placed = Callable[[Sequence[Box]], list[Box]]  # the boxes that an entry's digits belong in, to where they are written


def _aside(share: float) -> Placed:
    return lambda own: [(x + share * width, y, width, height) for x, y, width, height in own]


def _crowded(own: Sequence[Box]) -> list[Box]:
    x, y, width, height = own[-1]
    return [(x + i * width / len(own), y, width / len(own), height) for i in range(len(own))]


def _closer(own: Sequence[Box]) -> list[Box]:
    """Side by side from the middle of the first box on, whatever the boxes are."""
    (x, y, width, height), narrow = own[0], 0.75 * own[0][2]
    return [(x + width / 2 + i * narrow, y, narrow, height) for i in range(len(own))]


PLACES: dict[str, Placed] = {
    "a third of a box aside": _aside(0.35),
    "between two boxes": _aside(0.5),
    "a box to the right": _aside(1.0),
    "all in the last box": _crowded,
    "closer than the boxes": _closer,
}


def _by_hand(lines: Lines, scale: float, origin: Sequence[float], shake: float, rng: Rng) -> tuple[np.ndarray, ...]:
    out = []
    for line in lines:
        points = np.array(line, float) * scale + origin + rng.normal(0, shake, (len(line), 2)) * (len(line) < 6)
        parts = [hand_line(points[i : i + 2], rng, bow=0.03) for i in range(len(points) - 1)]
        out.append(np.concatenate(parts) if len(points) < 6 else points)
    return tuple(out)


def _tally(cell: Cell, lines: Lines, rng: Rng) -> tuple[np.ndarray, ...] | None:
    """The strokes in their box, (K, 2) mm each; None where they would not fit."""
    x, y, width, height = cell.box_mm
    scale = height * rng.uniform(0.5, 0.7)
    strokes = _by_hand(lines, scale, (x + 0.06 * width, y + (height - scale) / 2), 0.015 * height, rng)
    return strokes if max(s[:, 0].max() for s in strokes) < x + width else None


def _extent_mm(cell: Cell, canvas: np.ndarray, printed: np.ndarray) -> tuple[int, int, int, int] | None:
    """Box of what was written in a cell, in pixels of the raster; None for next to nothing."""
    x, y, width, height = (round(v * PX_PER_MM) for v in cell.box_mm)
    part = (slice(y, y + height), slice(x, x + width))
    ink = (printed[part].astype(int) - canvas[part] > 40).astype(np.uint8)
    if np.count_nonzero(ink) < PX_PER_MM**2:
        return None
    left, top, wide, high = cv2.boundingRect(ink)
    return x + left, y + top, wide, high


def _scan(canvas: np.ndarray, rng: Rng) -> bytes:
    size = SCAN_PX_PER_MM / PX_PER_MM
    small = cv2.resize(canvas, None, fx=size, fy=size, interpolation=cv2.INTER_AREA).astype(np.float32)
    soft = cv2.GaussianBlur(small, (0, 0), rng.uniform(0.4, 1.0)) * rng.uniform(0.8, 0.95) + rng.normal(
        0, 3, small.shape
    )
    gray = np.clip(soft, 0, 255).astype(np.uint8)
    framed = cv2.copyMakeBorder(gray, *[EDGE_PX] * 4, cv2.BORDER_CONSTANT, value=90)
    return cv2.imencode(".jpg", framed, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes()


class Habits:
    """Pages by one group of writers, and what was counted on them."""

    def __init__(self, strokes: Path | None) -> None:
        hands = load_hands(strokes) if strokes else {}
        self._hands = pooled(hands, split_writers(hands)[1]) if hands else {}
        self._protocol = load_protocol("reef-transect")
        self._layouts = whole_layouts(self._protocol)
        self.seen: Counter[tuple[str, str]] = Counter()

    def page(self, habit: str, number: int) -> None:
        """Write, scan and read one page, and count what was made of it."""
        rng = np.random.default_rng([91, number, *habit.encode()])
        layouts = [x for x in self._layouts if habit in STRIKES or any(c.kind == "tally" for c in x.cells)]
        layout = layouts[number % len(layouts)]
        answers = random_answers(layout.to_json(), rng, mess=NO_MESS)
        truth = {a.cell: a.value for a in answers}
        drawn = [a for a in answers if habit in TALLIES and layout.by_id[a.cell].kind == "tally" and a.value]
        hand, pencil = any_hand(self._hands, rng, drawn=0.1 if self._hands else 1.0), any_pencil(rng)
        placed = [a for a in answers if habit in PLACES and layout.by_id[a.cell].kind in DIGITS and a.mark == "plain"]
        plain = [a for a in answers if a not in drawn and a not in placed]
        canvas, _ = filled(self._protocol, layout, plain, hand, rng, pencil=pencil)
        ours = {a.cell for a in drawn}
        for name in sorted(ours):
            if strokes := _tally(layout.by_id[name], TALLIES[habit](int(truth[name])), rng):
                draw(canvas, strokes, pencil=pencil, px_per_mm=PX_PER_MM, rng=rng)
            else:
                ours.discard(name)
        for answer in placed:
            cell = layout.by_id[answer.cell]
            text = spelled(cell.to_json(), answer.written)
            used = [i for i, char in enumerate(text) if char != " "]
            boxes = PLACES[habit]([cell.characters_mm[i] for i in used])
            for i, box in zip(used, boxes, strict=True):
                strokes = in_box(hand.character(text[i], rng), box, rng=rng, size=hand.size, sloppiness=0.2)
                draw(canvas, strokes, pencil=pencil, px_per_mm=PX_PER_MM, rng=rng)
            ours.add(cell.id)
        if habit in STRIKES:
            ours = self._strike(habit, layout, canvas, rng)
        result = read_decoded(decode_photo(_scan(canvas, rng), "scan.jpg"), self._layouts)
        for reading in result.readings:
            if reading.cell in ours:
                total = truth.get(reading.cell.removesuffix("tally") + "total") is not None
                group = ("with a total" if total else "without") if habit in TALLIES else reading.kind
                right = same_value(reading.value, truth[reading.cell])
                self.seen[habit, group] += 1
                self.seen[habit, f"{group}, accepted"] += not reading.flagged
                self.seen[habit, f"{group}, wrong"] += not reading.flagged and not right

    def _strike(self, habit: str, layout: Layout, canvas: np.ndarray, rng: Rng) -> set[str]:
        """Cross out some of the entries; their cells' names."""
        printed = rasterise(sheet_pdf(self._protocol, [(layout, identity_for(layout, "ABCDEF", int(layout.per_transect)))]), PX_PER_MM)  # fmt: skip
        pencil, struck = any_pencil(rng), set()
        for cell in layout.cells:
            extent = _extent_mm(cell, canvas, printed) if cell.kind != "text" and rng.random() < STRUCK else None
            if extent:
                x, y, width, height = (v / PX_PER_MM for v in extent)
                height = max(height, 0.3 * cell.box_mm[3])
                lines = _by_hand(STRIKES[habit](width, height), 1.0, (x, y), 0.03 * height, rng)
                draw(canvas, lines, pencil=pencil, px_per_mm=PX_PER_MM, rng=rng)
                struck.add(cell.id)
        return struck

    def told(self, habit: str) -> str:
        """One line."""
        groups = [g for h, g in self.seen if h == habit and "," not in g]
        parts = []
        for group in sorted(groups):
            n, accepted, wrong = (self.seen[habit, f"{group}{tail}"] for tail in ("", ", accepted", ", wrong"))
            parts.append(f"{group} {accepted} of {n} accepted" + (f", {wrong} wrong" if habit not in STRIKES else ""))
        return f"{habit:22} " + "; ".join(parts)


def main() -> None:
    """Measure each habit and print it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pages", type=int, default=4, help="of each habit (default 4)")
    parser.add_argument("--strokes", type=Path, help="pen strokes of real writers (.jsonl.gz)")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    habits = Habits(args.strokes)
    for habit in (*TALLIES, *PLACES, *STRIKES):
        for number in range(args.pages):
            habits.page(habit, number)
        print(habits.told(habit), flush=True)


if __name__ == "__main__":
    main()
