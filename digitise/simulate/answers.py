"""What somebody means to write in every cell of a sheet, and what a perfect reader must make of it.

A layout is the dictionary of a layout file: its ``cells`` have ``id``, ``kind``, ``box_mm`` and, but for
tallies, ticks and text, ``characters_mm``. `digitise.simulate.fill` draws the answers.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from digitise.sheets.spelling import Cell, Written, spelled, whole_number
from digitise.simulate.drawn_hand import CHARACTERS
from digitise.simulate.tally_hand import most_tally

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
ZEROS = frozenset({"dash_zero", "slashed_zero"})
_FOR_A_PERSON = frozenset({"struck", "overwritten", "ditto", "unreadable"})
_NEEDS_WRITING = frozenset({"struck", "overwritten", "overrun"})
_NO_TICK = ZEROS | {"overwritten", "ditto", "unreadable"}


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
            or (self.mark in ZEROS and (self.written is False or self.written != 0))
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
    if mark in (_NO_TICK if kind == "tick" else () if kind in ("tally", "number") else ZEROS):
        raise ValueError(f"{name}: a {kind} cell cannot hold the mark {mark}")
    if mark in ZEROS and written is None:
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
        whole_number(cell, written, most_tally(cell["box_mm"]))
    elif written is not None and kind not in ("tick", "text"):
        spelled(cell, written)
    return Answer(name, written, mark)


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
    return [make_answer(cell, values.get(cell["id"]), marks.get(cell["id"], "plain")) for cell in layout["cells"]]


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


def random_answers(layout: Mapping[str, object], rng: np.random.Generator, *, mess: Mess | None = None) -> list[Answer]:
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


def another(cell: Cell, written: Written, rng: np.random.Generator) -> Written:
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
