"""What is written on a sheet, where, and what a perfect reader must make of it.

A layout is the dictionary of a layout file: its ``cells`` have ``id``, ``kind``, ``box_mm`` and, but for
tallies, ticks and text, ``characters_mm``. `random_answers` and `answers_from_values` say what somebody means
to write in every cell; `fill` writes it with a hand and a pencil on the raster of the page.
"""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from digitise.simulate.drawn_hand import (
    CHARACTERS,
    STRIKES,
    TICKS,
    Strokes,
    dash_stroke,
    ditto_strokes,
    hand_line,
    scrawl,
    strike_strokes,
    tick_strokes,
)
from digitise.simulate.hand import (
    Hand,
    TallyManner,
    in_box,
    most_tally,
    on_line,
    share_inside,
    tally_manner,
    tally_strokes,
)
from digitise.simulate.pencil import Pencil, draw, erase

__all__ = [
    "MARKS",
    "Answer",
    "Mess",
    "answers_from_values",
    "fill",
    "make_answer",
    "random_answers",
    "spelled",
]

Written = str | int | float | bool | None
Cell = Mapping[str, object]

MARKS = (
    "plain",
    "blank",
    "dash_zero",
    "slashed_zero",
    "struck",
    "overwritten",
    "erased_rewritten",
    "ditto",
    "overrun",
    "unreadable",
)
_ZEROS = frozenset({"dash_zero", "slashed_zero"})
_FOR_A_PERSON = frozenset({"struck", "overwritten", "ditto", "unreadable"})
_NEEDS_WRITING = frozenset({"struck", "overwritten", "overrun"})
_NO_TICK = _ZEROS | {"overwritten", "ditto", "unreadable"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What stands in one cell: what the writer means and the kind of mark that says it.

    ``written`` is 7, "KA", "2026-03-14", "09:40", 8.5, True and so on; None (False for a tick) where nothing
    is meant. An ``erased_rewritten`` cell with nothing written was rubbed out and left empty. `make_answer`
    checks an answer against its cell.
    """

    cell: str
    written: Written
    mark: str = "plain"

    def __post_init__(self) -> None:
        """Refuse a mark that does not exist or contradicts what is written."""
        empty = self.written is None or self.written is False
        if self.mark not in MARKS:
            raise ValueError(f"{self.cell}: mark {self.mark!r}, expected one of {', '.join(MARKS)}")
        if (
            (self.mark == "blank" and not empty)
            or (self.mark in _ZEROS and (self.written is False or self.written != 0))
            or (self.mark in _NEEDS_WRITING and empty)
        ):
            raise ValueError(f"{self.cell}: {self.written!r} cannot be written as {self.mark}")

    @property
    def value(self) -> Written:
        """What a perfect reader returns: None for a cell left blank or one that only a person may read."""
        return None if self.must_flag else self.written

    @property
    def must_flag(self) -> bool:
        """Whether a reader must always leave the cell to a person."""
        return self.mark in _FOR_A_PERSON


def make_answer(cell: Cell, written: Written, mark: str = "plain") -> Answer:
    """An answer to this cell; `ValueError` where the cell cannot hold it.

    Text is put in capitals. Nothing written in plain becomes a blank (False for a tick).
    """
    kind, name = cell["kind"], cell["id"]
    if mark in (_NO_TICK if kind == "tick" else () if kind in ("tally", "number") else _ZEROS):
        raise ValueError(f"{name}: a {kind} cell cannot hold the mark {mark}")
    if mark in _ZEROS and written is None:
        written = 0
    if kind == "text" and written is not None:
        written = " ".join(str(written).upper().split()) or None
        strange = sorted(set(written or "") - CHARACTERS - {" "})
        if strange:
            raise ValueError(f"{name}: no hand writes {' '.join(strange)}")
    if kind == "tick":
        written = bool(written)
    if mark == "plain" and (written is None or written is False):
        mark = "blank"
    if written is not None and kind == "tally":
        _whole_number(cell, written, most_tally(cell["box_mm"]))
    elif written is not None and kind not in ("tick", "text"):
        spelled(cell, written)
    return Answer(name, written, mark)


def spelled(cell: Cell, written: Written) -> str:
    """One character for each of the cell's ``characters_mm``; a space stands for an empty box.

    For number, code, date, time and decimal cells. Raises `ValueError` where ``written`` does not fit.
    """
    boxes, kind = len(cell["characters_mm"]), cell["kind"]
    if kind == "number":
        text = str(_whole_number(cell, written, 10**boxes - 1)).rjust(boxes)
    elif kind == "code":
        text = str(written).ljust(boxes)
        if written not in cell.get("choices", [written]):
            raise ValueError(f"{cell['id']}: {written!r} is not among {', '.join(cell['choices'])}")
    elif kind == "date":
        text = datetime.datetime.strptime(str(written), "%Y-%m-%d").strftime("%Y%m%d")
    elif kind == "time":
        text = datetime.datetime.strptime(str(written), "%H:%M").strftime("%H%M")
    elif kind == "decimal":
        text = _decimal_digits(cell, float(written))
    else:
        raise ValueError(f"{cell['id']}: a {kind} cell has no character boxes")
    if len(text) != boxes:
        raise ValueError(f"{cell['id']}: {written!r} needs {len(text)} boxes, the cell has {boxes}")
    return text


def _whole_number(cell: Cell, written: Written, most: int) -> int:
    if isinstance(written, bool) or not isinstance(written, int | np.integer) or not 0 <= written <= most:
        raise ValueError(f"{cell['id']}: {written!r} written, expected a whole number from 0 to {most}")
    return int(written)


def _decimal_digits(cell: Cell, value: float) -> str:
    """The digits of ``value`` under a format such as "##.#####": spaces lead, zeros trail."""
    before, _, after = str(cell["format"]).partition(".")
    text = f"{value:.{len(after)}f}"
    if value < 0 or abs(float(text) - value) > 1e-9:
        raise ValueError(f"{cell['id']}: {value!r} does not fit the format {cell['format']}")
    whole, _, part = text.partition(".")
    return whole.rjust(len(before)) + part


def answers_from_values(
    layout: Mapping[str, object],
    values: Mapping[str, Written],
    marks: Mapping[str, str] | None = None,
) -> list[Answer]:
    """One answer for every cell of the page, in the layout's order; cells not named are left blank.

    ``values`` and ``marks`` go by cell id; a mark not given is "plain". Raises `KeyError` for an id that is
    not on the page and `ValueError` for a value its cell cannot hold.
    """
    marks = marks or {}
    unknown = sorted((set(values) | set(marks)) - {cell["id"] for cell in layout["cells"]})
    if unknown:
        raise KeyError(f"not on this page: {', '.join(unknown)}")
    return [
        make_answer(cell, values.get(cell["id"]), marks.get(cell["id"], "plain")) for cell in layout["cells"]
    ]


@dataclass(frozen=True, slots=True)
class Mess:
    """How often things go wrong on a random page: shares of cells in [0, 1].

    ``blank_tally``, ``blank`` (other cells) and ``zero`` come first; ``dash_zero`` and ``slashed_zero`` are
    shares of the zeros; ``ticked`` is the share of tick boxes marked. ``struck`` to ``unreadable`` are shares
    of the cells written in. ``erased_empty`` is the share of erasures with nothing new over them.
    ``miscount`` and ``total_blank`` are shares of the totals beside a tally.
    """

    blank_tally: float = 0.25
    blank: float = 0.08
    zero: float = 0.12
    dash_zero: float = 0.3
    slashed_zero: float = 0.12
    ticked: float = 0.35
    struck: float = 0.01
    overwritten: float = 0.007
    erased_rewritten: float = 0.015
    erased_empty: float = 0.2
    ditto: float = 0.003
    overrun: float = 0.02
    unreadable: float = 0.003
    miscount: float = 0.02
    total_blank: float = 0.06


_SPOILING = ("struck", "overwritten", "erased_rewritten", "ditto", "overrun", "unreadable")
_REMARKS = (
    "PALE TIPS", "ROPE 2 M", "NET ON CORAL", "FRESH SCAR", "SILT", "STRONG CURRENT", "VIS 8 M",
    "TAPE MOVED", "ANCHOR LINE", "PLASTIC BAG", "SWELL FROM W", "TURTLE AT 15 M", "NONE SEEN",
    "2 OLD TRAPS", "STOP AT 18.5", "MIRA TOLE", "J. ANSU", "KEO VARN", "ADA P. LIND", "ROSU BEKI",
    "NORTH WALL", "GREEN BUOY", "LONG SAND E", "7/3 RE-TIED", "2 DIVERS: OK",
)  # fmt: skip


def random_answers(
    layout: Mapping[str, object], rng: np.random.Generator, *, mess: Mess | None = None
) -> list[Answer]:
    """A plausible answer for every cell of the page, in the layout's order.

    The total beside a tally (ids that end in "/tally" and "/total") equals what the tally means, but for the
    ``mess``'s share of miscounts and totals left out.
    """
    mess = mess or Mess()
    cells = {cell["id"]: cell for cell in layout["cells"]}
    answers: dict[str, Answer] = {}
    for name, cell in sorted(cells.items(), key=lambda item: item[1]["kind"] != "tally"):
        tally = answers.get(f"{name.removesuffix('/total')}/tally") if name.endswith("/total") else None
        if cell["kind"] == "tally":
            beside = cells.get(f"{name.removesuffix('/tally')}/total")
            written = _random_count(cell, _most(cell, beside), mess.blank_tally, rng, mess)
        elif tally is not None:
            written = _random_total(cell, tally, rng, mess)
        else:
            written = _random_written(cell, rng, mess)
        answers[name] = make_answer(cell, written, _random_mark(cell, written, rng, mess))
        if answers[name].mark == "erased_rewritten" and rng.random() < mess.erased_empty:
            answers[name] = make_answer(cell, None, "erased_rewritten")
    return [answers[name] for name in cells]


def _most(cell: Cell, beside: Cell | None = None) -> int:
    """The highest count that a tally or number cell, and the total beside it, can hold."""
    most = int(cell.get("max", 10**9))
    if cell["kind"] == "tally":
        most = min(most, most_tally(cell["box_mm"]))
    for boxed in (cell, beside):
        if boxed is not None and "characters_mm" in boxed:
            most = min(most, 10 ** len(boxed["characters_mm"]) - 1)
    return most


def _random_count(cell: Cell, most: int, blank: float, rng: np.random.Generator, mess: Mess) -> int | None:
    """Nothing, a zero, or a count with many ones to tens and some more."""
    if rng.random() < blank:
        return None
    least = int(cell.get("min", 0))
    if rng.random() < mess.zero and least == 0:
        return 0
    return int(np.clip(np.ceil(np.exp(rng.normal(1.35, 0.95))), max(1, least), most))


def _random_total(cell: Cell, tally: Answer, rng: np.random.Generator, mess: Mess) -> int | None:
    if tally.written is None or rng.random() < mess.total_blank:
        return None
    if rng.random() < mess.miscount:
        slip = int(rng.choice([-2, -1, 1, 2]))
        wrong = tally.written + slip if 0 <= tally.written + slip <= _most(cell) else tally.written - slip
        return max(wrong, 0)
    return tally.written


def _random_written(cell: Cell, rng: np.random.Generator, mess: Mess) -> Written:
    """Something for a cell that stands alone."""
    kind = cell["kind"]
    if kind == "tick":
        return bool(rng.random() < mess.ticked)
    if rng.random() < mess.blank:
        return None
    if kind == "number":
        if rng.random() < 0.5:
            return _random_count(cell, _most(cell), 0.0, rng, mess)
        return int(rng.integers(int(cell.get("min", 0)), _most(cell) + 1))
    if kind == "code":
        return str(rng.choice(cell["choices"]))
    if kind == "date":
        return str(datetime.date(2024, 1, 1) + datetime.timedelta(days=int(rng.integers(1400))))
    if kind == "time":
        return f"{int(rng.integers(6, 19)):02d}:{int(rng.integers(60)):02d}"
    if kind == "decimal":
        return _random_decimal(cell, rng)
    return str(rng.choice(cell.get("choices") or _REMARKS))


def _random_decimal(cell: Cell, rng: np.random.Generator) -> float:
    before, _, after = str(cell["format"]).partition(".")
    usual = {2: 90, 3: 180}.get(len(before), 10 ** len(before)) if len(after) > 3 else 10 ** len(before)
    low, high = float(cell.get("min", 0)), float(cell.get("max", usual - 10.0 ** -len(after)))
    return round(float(rng.uniform(low, high)), len(after))


def _random_mark(cell: Cell, written: Written, rng: np.random.Generator, mess: Mess) -> str:
    """The mark that says ``written``; a slip only where the cell can show one that reads as such."""
    slip = rng.random()
    for mark in _SPOILING:
        slip -= getattr(mess, mark)
        if slip < 0:
            unfit = mark in {"tick": _NO_TICK, "tally": {"ditto"}}.get(cell["kind"], ())
            return "plain" if unfit or written is None or written is False else mark
    if cell["kind"] in ("tally", "number") and written == 0:
        shape = rng.random()
        if shape < mess.dash_zero:
            return "dash_zero"
        return "slashed_zero" if shape < mess.dash_zero + mess.slashed_zero else "plain"
    return "plain"


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
    rng: np.random.Generator

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
        return in_box(
            strokes, box_mm, rng=self.rng, size=self.size, sloppiness=self.sloppiness, overrun=overrun
        )


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
) -> None:
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
    """
    cells = {cell["id"]: cell for cell in layout["cells"]}
    writer = _Writer(
        hand, pencil, canvas, canvas.copy(), px_per_mm, sloppiness,
        size=float(np.clip(hand.size * rng.normal(1, 0.06), 0.55, 0.95)),
        tally=tally_manner(rng),
        tick=str(rng.choice(TICKS, p=[0.45, 0.3, 0.1, 0.15])),
        rng=rng,
    )  # fmt: skip
    for answer in answers:
        cell = cells[answer.cell]
        _write(cell, make_answer(cell, answer.written, answer.mark), writer)


def _write(cell: Cell, answer: Answer, writer: _Writer) -> None:
    """Draw one answer, whatever its mark."""
    mark, written = answer.mark, answer.written
    if mark == "blank":
        return
    if mark == "ditto":
        writer.ink([ditto_strokes(cell["box_mm"], rng=writer.rng)])
    elif mark == "unreadable":
        writer.ink(_mess(cell, written, writer))
    elif mark in _ZEROS:
        writer.ink([_zero(cell, mark, writer)])
    elif mark == "erased_rewritten":
        _erase_and_rewrite(cell, written, writer)
    elif mark == "overwritten":
        _overwrite(cell, written, writer)
    else:
        entries = _entries(cell, written, writer, overrun=mark == "overrun")
        writer.ink(entries)
        if mark == "struck":
            _strike(cell, entries, writer)


def _entries(cell: Cell, written: Written, writer: _Writer, *, overrun: bool = False) -> list[Strokes]:
    """What is written in plain, as entries to draw one by one."""
    kind, box, rng = cell["kind"], cell["box_mm"], writer.rng
    if kind == "tally" and written:
        strokes = tally_strokes(written, box, rng=rng, manner=writer.tally, sloppiness=writer.sloppiness)
        strokes = _run_over(strokes, box, rng) if overrun else strokes
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


def _strike(cell: Cell, entries: list[Strokes], writer: _Writer) -> None:
    """Strike the entry out. One line through one character or one group would say something else."""
    points = np.concatenate([s for entry in entries for s in entry])
    low, size = points.min(axis=0), np.ptp(points, axis=0)
    size = np.maximum(size, 0.25 * cell["box_mm"][3])
    styles = STRIKES if len(entries) > 1 else STRIKES[1:]
    style = str(writer.rng.choice(styles))
    writer.ink([strike_strokes(style, [*low, *size], rng=writer.rng)], pressed=style != "zigzag")


def _erase_and_rewrite(cell: Cell, written: Written, writer: _Writer) -> None:
    """Write something else, rub it out, and write the answer over its ghost."""
    before = _another(cell, written, writer.rng)
    entries = _entries(cell, before, writer)
    writer.ink(entries)
    points = np.concatenate([s for entry in entries for s in entry])
    low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
    erase(
        writer.canvas, [*low, *(high - low)], clean=writer.clean, px_per_mm=writer.px_per_mm, rng=writer.rng
    )
    if written is not None and written is not False:
        writer.ink(_entries(cell, written, writer))


# Characters that vanish under these when written over: nobody could see that anything was there.
_HIDDEN_UNDER = {
    "0": "OCQ", "1": "I", "2": "Z1", "3": "1", "4": "1", "5": "S", "6": "05G", "7": "1", "8": "36950S",
    "9": "17", "A": "V", "B": "PFEIRLD38", "D": "IL10", "E": "FLICT", "F": "I1", "G": "CO", "H": "I1",
    "I": "1", "J": "I1", "K": "I1", "L": "I1", "M": "NV", "N": "IVM", "O": "CGQ0", "P": "IF1", "Q": "OCG0",
    "R": "PFI", "S": "5", "T": "I1", "U": "JIL", "W": "V", "X": "V", "Y": "VI1", "Z": "27",
}  # fmt: skip


def _overwrite(cell: Cell, written: Written, writer: _Writer) -> None:
    """Write over part of a first version, pressing harder; over a tally, a number."""
    rng = writer.rng
    if cell["kind"] == "tally":
        tally_first = set(str(written)) != {"1"}  # a 1 would pass for one more stroke
        strokes = _entries(
            cell, max(4, int(_another(cell, written, rng))) if tally_first else written, writer
        )
        digits = str(written) if tally_first else str(rng.choice(list("235689")))
        number = _number_over(cell, digits, strokes, writer)
        writer.ink(strokes if tally_first else number)
        writer.ink(number if tally_first else strokes, pressed=True)
        return
    entries = _entries(cell, written, writer)
    letters = (str(written) if cell["kind"] == "text" else spelled(cell, written)).replace(" ", "")
    chosen = int(rng.integers(len(entries)))
    over = letters[chosen]
    family = "0123456789" if over.isdigit() else "ABCDEFGHKLMNPRSTUVWXYZ"
    under = str(rng.choice([c for c in family if c != over and c not in _HIDDEN_UNDER.get(over, "")]))
    points = np.concatenate(entries[chosen])
    low, size = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 0.5 * np.ptp(points[:, 1]))
    first = in_box(writer.hand.character(under, rng), [*low, *size], rng=rng, size=1.0, sloppiness=0.5)
    writer.ink([first, *entries[:chosen], *entries[chosen + 1 :]])
    writer.ink([entries[chosen]], pressed=True)


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


def _another(cell: Cell, written: Written, rng: np.random.Generator) -> Written:
    """Something else that might have stood in the cell."""
    if cell["kind"] == "tick":
        return True
    sure = Mess(blank=0.0, zero=0.0)
    for _ in range(20):
        other = (
            _random_count(cell, _most(cell), 0.0, rng, sure)
            if cell["kind"] == "tally"
            else _random_written(cell, rng, sure)
        )
        if other != written:
            return other
    return other
