"""The way of a photograph: pixels to page to readings, one pure step after another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import NotRegistered, Page, register_all
from digitise.pages.photo import NotAPhoto, Photo
from digitise.reader.calibration import Acceptance, shipped_acceptance
from digitise.reader.characters import (
    DIGIT_CLASSES,
    DIGIT_DASH,
    DIGIT_NOUGHT,
    LETTER_CLASSES,
    TICK_CLASSES,
    CharacterEvidence,
    character_crops,
    ink_threshold,
    mark_crop,
    read_characters,
)
from digitise.reader.counts import (
    PLAIN_NOUGHT,
    Counted,
    agree,
    counted_otherwise,
    decode_tally,
    left_open,
    may_be_zero,
)
from digitise.reader.crossing import line_across, line_between
from digitise.reader.doubts import DIGITS, FIRM, doubts_of
from digitise.reader.eights import as_perhaps_eight
from digitise.reader.fields import VOID_LIMIT, decode_cell, number_weights
from digitise.reader.ink import InkPage, extract_ink
from digitise.reader.learned import SHIPPED, Learned, OwnReader
from digitise.reader.nines import as_perhaps_four
from digitise.reader.one_hand import as_one_hand
from digitise.reader.reading import Decoded, PhotoResult, Reading, sentence
from digitise.reader.tally import REACH_MM as TALLY_REACH_MM
from digitise.reader.tally import StrokeCount, count_strokes, count_without_grain, own_ink
from digitise.reader.tally_network import LearnedCount, learned_counts, network_input
from digitise.reader.text import read_text
from digitise.reader.unclear import sent_back
from digitise.sheets.layout import Cell, Layout

READER_VERSION = "15"
LEAST_MARK_MM2, LEAST_CHARACTER_MM2 = 0.3, 1.0  # so firm, of a mark in a cell, and of a character in its box
PLAIN_TOTAL = 0.9  # a total this likely by its own ink says whether a mark along the rule was counted
INSIDE_MM = 0.6  # of a tally box's rule, which others' strokes may touch
_HEAD = {"code": "letter", "tick": "tick"}
WRITTEN_IN_BOXES = DIGITS | {"code"}

Cells = dict[str, tuple[str, Decoded]]  # by id, with the calibration group
Evidence = dict[str, list[CharacterEvidence]]  # of a cell's boxes
Tallies = dict[str, Counted]


def _tick(evidence: CharacterEvidence) -> Decoded:
    """Any deliberate mark is yes; an empty box is no; a mark struck out is for a person, and so is a nought, which most
    likely means no.
    """
    blank, mark, void = (float(evidence.tick[TICK_CLASSES.index(c)]) for c in ("blank", "mark", "void"))
    if void > max(blank, mark):
        return Decoded(None, void, ((None, void), (True, mark)), ("crossed-out",))
    value = mark > blank
    nought = value and evidence.digit[DIGIT_NOUGHT] > PLAIN_NOUGHT
    reasons = ("crossed-out",) if void > VOID_LIMIT else ("unsure",) if nought else ()
    ranked = ((True, mark), (False, blank)) if value else ((False, blank), (True, mark))
    return Decoded(value, max(mark, blank), ranked, reasons)


def boxed_evidence(page: InkPage, cells: Sequence[Cell]) -> Evidence:
    """Evidence for every character box and tick box on the page, one run of the networks."""
    crops = [character_crops(page, c) for c in cells]
    if not crops:
        return {}
    asked = [_HEAD.get(cell.kind, "digit") for cell, own in zip(cells, crops, strict=True) for _ in own]
    together = np.concatenate(crops)
    threshold = ink_threshold(page) / page.pencil
    evidence = as_perhaps_four(together, read_characters(page, together, asked), threshold)
    evidence = as_perhaps_eight(together, evidence, threshold)
    out, start = {}, 0
    for cell, own in zip(cells, crops, strict=True):
        out[cell.id] = evidence[start : start + len(own)]
        start += len(own)
    return out


def _firm_mm2(page: InkPage, ink: np.ndarray) -> float:
    return np.count_nonzero(ink > FIRM * page.pencil) / FLAT_PX_PER_MM**2


def _overlooked(page: InkPage, cell: Cell, evidence: Sequence[CharacterEvidence], decoded: Decoded) -> Decoded:
    """Firm pencil where nothing was read (a ditto mark, a digit that runs into its neighbour) puts a cell in doubt."""
    if decoded.reasons:
        return decoded
    head, classes = ("letter", LETTER_CLASSES) if cell.kind == "code" else ("digit", DIGIT_CLASSES)
    blank = [int(getattr(e, head).argmax()) == classes.index("blank") for e in evidence]
    boxes = [box for box, empty in zip(cell.characters_mm or (cell.box_mm,), blank, strict=True) if empty]
    doubt = any(_firm_mm2(page, page.crop(box, -0.6)) > LEAST_CHARACTER_MM2 for box in boxes)
    if decoded.value is None and not doubt and _firm_mm2(page, page.crop(cell.box_mm, -0.4)) > LEAST_MARK_MM2:
        doubt = _firm_mm2(page, own_ink(page, cell)) > LEAST_MARK_MM2
    return replace(decoded, reasons=("unsure",)) if doubt else decoded


def _struck_across(page: InkPage, cell: Cell, decoded: Decoded) -> Decoded:
    """A code that a line runs straight across is crossed out, however plain its letters are behind it.

    Whatever a line joins from one box to the next may be.
    """
    if decoded.value is None or len(cell.characters_mm) < 2:
        return decoded
    threshold = ink_threshold(page)
    if cell.kind == "code" and line_across(page, cell.box_mm, threshold):
        return replace(decoded, value=None, reasons=("crossed-out",))
    struck = not decoded.reasons and line_between(page, cell.characters_mm, threshold)
    return replace(decoded, reasons=("crossed-out",)) if struck else decoded


def _none_overlooked(page: InkPage, cell: Cell, decoded: Decoded) -> Decoded:
    """As `_overlooked`, for strokes and words: those that a fold or a neighbour holds are not the box's own."""
    if decoded.value is not None or decoded.reasons:
        return decoded
    firm = _firm_mm2(page, page.crop(cell.box_mm, -INSIDE_MM)) > LEAST_CHARACTER_MM2
    return replace(decoded, reasons=("unsure",)) if firm else decoded


def _strokes_overlooked(page: InkPage, cell: Cell, own: np.ndarray, decoded: Decoded) -> Decoded:
    """A count is in doubt when firm pencil in its box is not the box's `own` ink."""
    if decoded.value is None or decoded.reasons:
        return _none_overlooked(page, cell, decoded)
    edge = round((TALLY_REACH_MM + INSIDE_MM) * FLAT_PX_PER_MM)
    left_out = _firm_mm2(page, page.crop(cell.box_mm, -INSIDE_MM)) - _firm_mm2(page, own[edge:-edge, edge:-edge])
    return replace(decoded, reasons=("counts-differ",)) if left_out > LEAST_CHARACTER_MM2 else decoded


def contour_count(seen: StrokeCount, ink: np.ndarray, threshold: float, learned: LearnedCount) -> StrokeCount:
    """What the contours say; where that differs from what was learned, what they say without the paper's grain, too.

    Counted so, and only where it then agrees, a tally is for a person unless a total settles it.
    """
    other = round(learned.strokes)
    if seen.count in (0, other):
        return seen
    soft = count_without_grain(ink, threshold)
    return replace(soft, softened=True) if soft.count == other else seen


def _tallies(page: InkPage, cells: Sequence[Cell]) -> Tallies:
    inks = [own_ink(page, c) for c in cells]
    threshold = ink_threshold(page)
    seen = [count_strokes(ink, threshold) for ink in inks]
    learned = learned_counts([network_input(i, page.pencil) for i in inks], [one.count for one in seen])
    contours = [contour_count(one, ink, threshold, n) for one, ink, n in zip(seen, inks, learned, strict=True)]
    zeros = _zeros(page, inks, [may_be_zero(*both) for both in zip(contours, learned, strict=True)])
    out, rings = {}, False
    for cell, ink, contour, count, zero in zip(cells, inks, contours, learned, zeros, strict=True):
        decoded, strokes = decode_tally(contour, count, cell.max or 60, zero=zero)
        out[cell.id] = _strokes_overlooked(page, cell, ink, decoded), strokes
        several = contour.marks > 1 and zero is not None and zero[0] > 0.5  # a dash beside a drop of water is no ring
        rings |= decoded.value == 0 and several and decoded.reasons == ("unsure",)
    if not (rings or counted_otherwise([decoded for decoded, _ in out.values()])):
        return out
    return {i: (_perhaps_one(decoded), strokes) for i, (decoded, strokes) in out.items()}


def _perhaps_one(decoded: Decoded) -> Decoded:
    """A nought or dash is in doubt where somebody counts otherwise, with rings, say: it may be the first of five."""
    return replace(decoded, reasons=decoded.reasons or ("unsure",)) if decoded.value == 0 else decoded


def _zeros(page: InkPage, inks: Sequence[np.ndarray], asked: Sequence[bool]) -> list[tuple[float, float] | None]:
    """How likely the mark in each tally box is a nought, and a dash, to the networks that read digits, where asked."""
    places = [i for i, ask in enumerate(asked) if ask]
    out: list[tuple[float, float] | None] = [None] * len(inks)
    if places:
        crops = np.stack([mark_crop(page, inks[i]) for i in places])
        for i, evidence in zip(places, read_characters(page, crops, ["digit"] * len(places)), strict=True):
            out[i] = float(evidence.digit[DIGIT_NOUGHT]), float(evidence.digit[DIGIT_DASH])
    return out


def _with_weights(decoded: Decoded, weights: dict[int, float]) -> Decoded:
    ranked = tuple(sorted(weights.items(), key=lambda item: -item[1])[:5])
    return Decoded(ranked[0][0], ranked[0][1], ranked, decoded.reasons)


def checked_pair(
    tally: Decoded,
    strokes: dict[int, float],
    total: Decoded,
    numbers: dict[int, float],
) -> tuple[tuple[str, Decoded], tuple[str, Decoded]]:
    """Tally and total in the light of each other, each with its calibration group.

    The total's ink is never overruled; where it leaves a digit open, plain strokes may settle it. Strokes that the two
    counters see differently are taken as the total says when that settles it; any other difference goes to a person.
    A mark along the rule is a stroke where the total counts it too. A total that stands in the left of its boxes is
    what it looks like where there are as many strokes. Strokes in doubt for another reason, as those that glare hides
    or a crease runs through, say nothing for a total.
    """
    if tally.value is None and not tally.reasons and total.value is None:
        return ("blank", tally), ("digits", total)
    unpaired = not strokes or not numbers or total.value is None
    if "crossed-out" in (*tally.reasons, *total.reasons) or unpaired:
        return ("tally-alone", tally), ("digits", total)
    if not tally.reasons and not total.reasons and tally.value in (kept := left_open(strokes, numbers)):
        total = replace(total, value=max(kept, key=kept.get)) if len(kept) < len(numbers) else total
        numbers = kept
    if total.reasons == ("gap",):
        numbers = {n: weight for n, weight in total.candidates if n is not None}
    by_tally, by_total, _ = agree(strokes, numbers)
    plain = not total.reasons and numbers.get(total.value, 0.0) > PLAIN_TOTAL * sum(numbers.values())
    if tally.reasons == ("near-rule",) and plain and tally.value == total.value:
        tally = replace(tally, reasons=())
    if "counts-differ" in tally.reasons and not total.reasons and max(by_tally, key=by_tally.get) == total.value:
        left = tuple(r for r in tally.reasons if r != "counts-differ")
        tally = Decoded(total.value, tally.score, tally.candidates, left)
    if tally.value != total.value:
        return (
            ("tally-alone", replace(tally, reasons=(*tally.reasons, "total-differs"))),
            ("digits", replace(total, reasons=(*total.reasons, "total-differs"))),
        )
    if tally.reasons:
        return ("tally-alone", tally), ("digits", total)
    if total.reasons == ("gap",):
        total = replace(total, reasons=())
    return ("tally", _with_weights(tally, by_tally)), ("total", _with_weights(total, by_total))


def _group(cell: Cell) -> str:
    """Calibration group of a cell that stands alone: all digit cells share one."""
    return cell.kind if cell.kind in ("code", "tick", "text") else "digits"


def decode_page(page: Page, learned: Learned | None = None) -> Cells:
    """Evidence for every cell of a page: id to (calibration group, decoded), in the layout's order.

    What was `learned` of a programme's hands speaks beside the shipped reader, never alone: see `guarded`.
    """
    ink, layout = extract_ink(page.image, page.layout), page.layout
    evidence = boxed_evidence(ink, [c for c in layout.cells if c.kind in WRITTEN_IN_BOXES or c.kind == "tick"])
    tallies = _tallies(ink, [c for c in layout.cells if c.kind == "tally"])
    words = _words(ink, [c for c in layout.cells if c.kind == "text"])

    hand = _one_handed(layout, evidence)
    shipped = words | _counted(tallies) | _boxed(ink, layout, hand)
    doubts = doubts_of(ink, page, shipped) | dict.fromkeys(page.hidden, "hard-to-see")
    shipped = _paired(layout, _doubted(shipped, doubts), hand, tallies)
    if learned is None:
        return shipped
    hand = _one_handed(layout, {cell: [learned.see(e) for e in boxes] for cell, boxes in evidence.items()})
    own = words | _counted(tallies) | _boxed(ink, layout, hand)
    own = _paired(layout, _doubted(own, doubts), hand, tallies)
    return {cell: guarded(shipped[cell], own[cell]) for cell in shipped}


def _words(page: InkPage, cells: Sequence[Cell]) -> Cells:
    out = {}
    for cell, decoded in zip(cells, read_text(page, cells), strict=True):
        decoded = _none_overlooked(page, cell, decoded)
        out[cell.id] = ("blank" if decoded.value is None and not decoded.reasons else "text", decoded)
    return out


def _counted(tallies: Tallies) -> Cells:
    return {cell: ("tally-alone", decoded) for cell, (decoded, _) in tallies.items()}


def _one_handed(layout: Layout, evidence: Evidence) -> Evidence:
    digits = {i: e for i, e in evidence.items() if layout.by_id[i].kind in DIGITS}
    codes = {i: e for i, e in evidence.items() if layout.by_id[i].kind == "code"}
    return evidence | as_one_hand(digits, codes, layout.by_id)


def _boxed(page: InkPage, layout: Layout, evidence: Evidence) -> Cells:
    """Every cell of character boxes and every tick box by itself."""
    out = {}
    for cell in (layout.by_id[cell_id] for cell_id in evidence):
        boxes = evidence[cell.id]
        out[cell.id] = (
            ("tick", _tick(boxes[0]))
            if cell.kind == "tick"
            else (_group(cell), _struck_across(page, cell, _overlooked(page, cell, boxes, decode_cell(cell, boxes))))
        )
    return out


def _doubted(cells: Cells, doubts: Mapping[str, str]) -> Cells:
    return {i: (group, _in_doubt(one, doubts[i]) if i in doubts else one) for i, (group, one) in cells.items()}


def _in_doubt(decoded: Decoded, why: str) -> Decoded:
    """The same with one more reason for review; of what is crossed out, no value is suggested."""
    value = None if why == "crossed-out" else decoded.value
    return replace(decoded, value=value, reasons=(*decoded.reasons, why))


def _paired(layout: Layout, cells: Cells, evidence: Evidence, tallies: Tallies) -> Cells:
    """The same in the layout's order, each tally and its total in the light of each other."""
    out, pairs = dict(cells), []
    for cell_id, (_, strokes) in tallies.items():
        partner = layout.by_id.get(cell_id.removesuffix("/tally") + "/total")
        if partner is not None and partner.kind == "number":
            numbers = number_weights(partner, evidence[partner.id])
            out[cell_id], out[partner.id] = checked_pair(out[cell_id][1], strokes, out[partner.id][1], numbers)
            pairs.append((cell_id, partner.id))
    for cell_id in _strokes_unseen(out, pairs):
        group, one = out[cell_id]
        out[cell_id] = group, replace(one, reasons=(*one.reasons, "total-differs"))
    return {c.id: out[c.id] for c in layout.cells}


def _strokes_unseen(cells: Cells, pairs: Sequence[tuple[str, str]]) -> list[str]:
    """Empty tallies, and the totals beside them, on a page whose other totals stand beside strokes.

    Glare may have washed the strokes out. Somebody who writes totals alone does so all over a page.
    """
    counted = [(a, b) for a, b in pairs if cells[b][1].value]
    alone = [(a, b) for a, b in counted if cells[a][1].value is None and not cells[a][1].reasons]
    return [cell_id for pair in alone for cell_id in pair] if 2 * len(alone) <= len(counted) else []


def guarded(shipped: tuple[str, Decoded], own: tuple[str, Decoded]) -> tuple[str, Decoded]:
    """What a programme's own reader says of a cell, as sure as the less sure of the two.

    Where the shipped reader reads something else or has a reason for review, the cell goes to a person. So no value is
    accepted that the shipped reader would not accept by itself, and its thresholds go on to hold.
    """
    (group, first), (_, second) = shipped, own
    if first == second:
        return shipped
    alike = shipped[0] == own[0] and first.value == second.value and type(first.value) is type(second.value)
    if alike and not first.reasons:
        return group, replace(second, score=min(first.score, second.score))
    return own[0], replace(second, reasons=second.reasons or ("unsure",))


def _reading(cell: Cell, group: str, decoded: Decoded, acceptance: Acceptance) -> Reading:
    reasons = tuple(dict.fromkeys(decoded.reasons))
    confidence, accepted = acceptance.judge(group, decoded.score, doubtful=bool(reasons))
    if not accepted and not reasons:
        reasons = ("unsure",)
    total = sum(p for _, p in decoded.candidates) or 1.0
    spread = tuple(
        (
            value,
            confidence
            if value == decoded.value and type(value) is type(decoded.value)
            else min(1 - confidence, p / total),
        )
        for value, p in decoded.candidates
    )
    return Reading(cell.id, cell.kind, decoded.value, confidence, bool(reasons), spread, reasons, decoded.score)


def read_page(page: Page, own: OwnReader = SHIPPED) -> tuple[Reading, ...]:
    """A reading for every cell, in the layout's order; flagged by rule: any reason, or confidence under threshold."""
    acceptance = own.acceptance or shipped_acceptance()
    decoded = decode_page(page, own.learned)
    readings = {c.id: _reading(c, *decoded[c.id], acceptance) for c in page.layout.cells}
    for cell_id, (group, _) in decoded.items():
        if group == "tally":
            total = cell_id.removesuffix("/tally") + "/total"
            readings[total] = beside_strokes(readings[total], readings[cell_id])
    return tuple(readings.values())


def beside_strokes(total: Reading, strokes: Reading) -> Reading:
    """A total that says what the strokes say is no surer than these: where they go to a person, so does it.

    Strokes that are not plain make one of two digits that look alike likelier, and may be the wrong count themselves.
    """
    held_up = strokes.flagged and not total.flagged
    return replace(total, flagged=True, reasons=("unsure",)) if held_up else total


def reader_version(own: OwnReader = SHIPPED) -> str:
    """Version of the reader with the digest of what it has learned, as it stands with every page."""
    return f"{READER_VERSION}-learned-{own.learned.digest}" if own.learned else READER_VERSION


def _result(photo: Photo, page: Page | NotRegistered, own: OwnReader) -> PhotoResult:
    readings = read_page(page, own) if page else ()
    failure = sent_back(page, readings) if page else page
    if failure is None:
        return PhotoResult(photo.name, photo.sha256, "read", (), page, None, readings)
    status = "retake" if failure.layout is not None else "unreadable"
    return PhotoResult(photo.name, photo.sha256, status, (sentence(failure.reason, failure.detail),), failure=failure)


def read_decoded(photo: Photo | NotAPhoto, layouts: Iterable[Layout], own: OwnReader = SHIPPED) -> PhotoResult:
    """Read a decoded photograph; every failure is a result with a sentence, every further sheet one of `others`."""
    if isinstance(photo, NotAPhoto):
        return PhotoResult(photo.name, photo.sha256, "unreadable", (sentence(photo.reason, photo.detail),))
    first, *others = (_result(photo, page, own) for page in register_all(photo.gray, layouts))
    return replace(first, others=tuple(others))
