"""Why a cell goes to a person although networks and counters are sure of it: what is seen in and around its box.

One reason a cell, the weightiest. Nothing here changes a value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from digitise.pages.page import Page
from digitise.reader.beside import written_beside
from digitise.reader.characters import ink_threshold
from digitise.reader.crossing import between_codes, down_rows, line_over_strokes
from digitise.reader.ink import PALEST, InkPage
from digitise.reader.misplaced import misplaced
from digitise.reader.reading import Decoded
from digitise.reader.stray import (
    BEYOND_CHARACTERS_MM,
    BEYOND_MM,
    FAR_TICK_MM,
    along_rule,
    broad_ink,
    faintly_written,
    joined,
    lies_flat,
    lit,
    lit_strips,
    only_specks,
    ringed,
    rubbed_out,
    runs_out,
    runs_through,
    shines,
    specks_mm,
    usual_outside,
)
from digitise.reader.tally import own_ink
from digitise.sheets.layout import Cell

FIRM = 0.6  # share of the page's pencil that a smudge or a fold hardly reaches
SETTLED = {"counts-differ", "gap"}  # doubts that strokes and the total beside them may settle
SEVERAL_GROUPS = 7  # strokes: a bar of five does not go across so many
DIGITS = frozenset({"number", "date", "time", "decimal"})
FAINT_BLANKS, MOST_FAINT = 4, 0.5  # cells read as blank that hold a faint mark, and their share of those read so
MORE_FAINT = 4  # times as many as cells in which something is read
ONE_MARK = 1  # stroke: of a tally that is no more than a line from another row; among more, strokes of two rows touch

Cells = Mapping[str, tuple[str, Decoded]]  # by id, with the calibration group


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A page's ink and what was looked for all over it once."""

    ink: InkPage
    page: Page
    threshold: float
    specks_mm: np.ndarray
    shared: frozenset[str]
    beside: frozenset[str]
    outside: tuple[float, float]


def doubts_of(ink: InkPage, page: Page, cells: Cells) -> dict[str, str]:
    """The reason for review of each cell that has one besides those of its reading, by id.

    Where bare paper is as uneven as pencil is dark, all cells of the page have one.
    """
    threshold, by_id = ink_threshold(ink), page.layout.by_id
    uneven = threshold > FIRM * ink.pencil
    out = dict.fromkeys(by_id if uneven else broad_ink(ink, page.layout, threshold), "hard-to-see")
    shared = between_codes(ink, page.layout, threshold) | down_rows(ink, page.layout, threshold)
    beside = written_beside(ink, page.layout, threshold)
    outside = usual_outside(ink, [c.box_mm for c in page.layout.cells if c.kind == "tally"])
    seen = _Seen(ink, page, threshold, specks_mm(ink, page.layout, threshold), shared, beside, outside)
    plain = {i: one for i, (_, one) in cells.items() if i not in out and set(one.reasons) <= SETTLED}
    for cell_id, one in plain.items():
        cell, partner = by_id[cell_id], _partner(by_id, cell_id)
        why = _of_blank(seen, cell, one) if one.value is None or one.value is False else _of_written(seen, cell, one)
        if why:
            out[cell_id] = why
        elif one.value is None:
            continue
        elif cell.kind in DIGITS:
            if _partner_says(plain, partner) != one.value and misplaced(ink, cell, threshold):
                out[cell_id] = "misplaced"
        elif cell.kind == "tally":
            if partner is not None and joined(ink, cell.box_mm, partner.box_mm, threshold):
                out[cell_id] = out[partner.id] = "unsure"
            elif along_rule(ink, cell.box_mm, threshold, seen.outside):
                out[cell_id] = "near-rule"
            elif _partner_says(plain, partner) != one.value and runs_out(ink, cell.box_mm, threshold):
                out[cell_id] = "line-drawn"
    out = _sunk(ink, plain, out) | out
    return _lit(page, ink, plain, out) | out


def _sunk(ink: InkPage, plain: Mapping[str, Decoded], found: Mapping[str, str]) -> dict[str, str]:
    """All cells read as blank, where pencil is so pale that most of them hold a mark that was not read.

    Or where hardly anything else is read on the page: what is darker than its pencil may be drops and shadows.
    """
    empty = [i for i, one in plain.items() if one.value is None or one.value is False]
    blank = [i for i in empty if not plain[i].reasons]
    faint = sum(i in found for i in blank)
    most = ink.core < PALEST and faint > MOST_FAINT * len(blank)
    alone = faint >= MORE_FAINT * (len(plain) - len(empty))
    return dict.fromkeys(blank, "unsure") if faint >= FAINT_BLANKS and (most or alone) else {}


def _lit(page: Page, ink: InkPage, plain: Mapping[str, Decoded], found: Mapping[str, str]) -> dict[str, str]:
    """Strokes and digits that a strip of light goes through, which may hide one.

    Not those where strokes and the total beside them say the same, neither in doubt for a reason `found`.
    """
    strips, by_id, out = lit_strips(ink), page.layout.by_id, {}
    for cell_id, one in plain.items():
        cell, partner = by_id[cell_id], _partner(by_id, cell_id)
        if one.value is None or cell.kind in ("code", "tick", "text") or not lit(strips, cell.box_mm):
            continue
        other = plain.get(partner.id) if partner is not None else None
        settled = other is not None and other.value == one.value and not (one.reasons or other.reasons)
        if not settled or not found.keys().isdisjoint((cell_id, partner.id)):
            out[cell_id] = "hard-to-see"
    return out


def _partner_says(plain: Mapping[str, Decoded], partner: Cell | None) -> object:
    """What the total beside a tally, or the tally beside a total, says; None where there is none, or one in doubt."""
    other = plain.get(partner.id) if partner is not None else None
    return other.value if other is not None and not other.reasons else None


def _partner(by_id: Mapping[str, Cell], cell_id: str) -> Cell | None:
    """The total beside a tally, the tally beside a total."""
    stem, _, last = cell_id.rpartition("/")
    other = {"tally": "total", "total": "tally"}.get(last)
    return by_id.get(f"{stem}/{other}") if other else None


def _of_blank(seen: _Seen, cell: Cell, one: Decoded) -> str | None:
    """Of a cell read as blank: a mark that is faint, shines, rings the box or stands beside it."""
    ink, box = seen.ink, cell.box_mm
    if not one.reasons and faintly_written(ink, box):
        return "unsure"
    if not one.reasons and shines(seen.page.image, cell):
        return "hard-to-see"
    if one.value is False and ringed(ink, box, seen.threshold):
        return "unsure"
    if not one.reasons and cell.id in seen.beside:
        return "beside"
    return None


def _of_written(seen: _Seen, cell: Cell, one: Decoded) -> str | None:
    """Of a cell with a value: lines and creases through it, a mark shared with others, specks, rubbed out ink."""
    ink, box, threshold = seen.ink, cell.box_mm, seen.threshold
    through = runs_through(ink, box, threshold, beyond_mm=BEYOND_CHARACTERS_MM if cell.characters_mm else BEYOND_MM)
    if through and cell.characters_mm and runs_through(ink, box, FIRM * ink.pencil):
        return "crossed-out"
    many = cell.kind == "tally" and one.value >= SEVERAL_GROUPS
    if many and line_over_strokes(own_ink(ink, cell), threshold):
        return "crossed-out"
    drawn = cell.id in seen.shared and not (cell.kind == "tally" and one.value > ONE_MARK)
    if drawn or (cell.kind == "tick" and runs_out(ink, box, threshold, far_mm=FAR_TICK_MM)):
        return "line-drawn"
    if cell.id in seen.beside:
        return "beside"
    flat = cell.kind == "code" and any(lies_flat(ink, b, threshold) for b in cell.characters_mm)
    specks = only_specks(ink, seen.page.layout, box, threshold, seen.specks_mm)
    return "unsure" if through or flat or specks or rubbed_out(ink, box, threshold) else None
