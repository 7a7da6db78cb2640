"""How much `digitise learn` gains: invented programmes, each with a few writers, read before and after learning.

    python tests/benchmarks/bench_learn.py --programmes 4 --strokes FILE

Each programme fills in pages; cells that the shipped thresholds do not accept are settled by a perfect clerk, the others
keep what was read; the reader learns from them as `digitise learn` does; further pages by the same writers are read by
both readers. Writers are ones that no network was trained on; without a stroke file they are drawn. Of each recorded
character one half of a writer's examples is on the pages to learn from and the other half on those to test on. Pages
are softened as flattening leaves them, not photographed, and only written boxes are read: totals without their tallies.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from digitise.adapt.evaluate import same_value
from digitise.adapt.learning import learn
from digitise.adapt.taught import NO_PLAIN_WRITING, RULED, SETTLED, Taught, box_labels, seen_boxes
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.pages.page import Page
from digitise.reader.calibration import shipped_acceptance
from digitise.reader.fields import decode_cell
from digitise.reader.read import guarded
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import load_protocol
from digitise.simulate.answers import Mess, random_answers
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.hand import Hand, StrokeHand, load_hands, pooled, split_writers
from digitise.simulate.take import filled
from digitise.train.harvest import softened

SHEETS = ("substrate", "fish", "substrate", "invertebrate")
MESS = Mess(struck=0.01, overwritten=0.008, erased_rewritten=0.02, ditto=0.003, unreadable=0.003, overrun=0.03)


def halves(hand: StrokeHand) -> tuple[StrokeHand, StrokeHand]:
    """The same writer with every other example of each character; what has one only is in the first half."""
    parts = [{c: e[i::2] for c, e in hand.examples.items() if e[i::2]} for i in (0, 1)]
    return tuple(StrokeHand(hand.name, part, hand.pool) for part in parts)


def programme_hands(strokes: Path | None, rng: np.random.Generator, writers: int) -> list[tuple[Hand, Hand]]:
    """Writers of one programme: each as they write on pages to learn from, and on those to test on."""
    if strokes is None:
        return [(hand, hand) for hand in (DrawnHand(drawn_style(rng)) for _ in range(writers))]
    every = load_hands(strokes)
    _, calibrate, test = split_writers(every)
    unseen: Mapping[str, StrokeHand] = pooled(every, (*calibrate, *test))
    rich = [n for n, h in unseen.items() if sum(len(h.examples.get(c, ())) > 1 for c in "0123456789") >= 9]
    return [halves(unseen[n]) for n in rng.choice(sorted(rich), writers, replace=False)]


def page_by(hand: Hand, number: int, rng: np.random.Generator):
    """Cells of one page with what the network sees in their boxes, and what was written."""
    protocol = load_protocol("reef-transect")
    layout = next(x for x in build_layouts(protocol) if (x.sheet, x.paper) == (SHEETS[number % 4], "A4"))
    answers = random_answers(layout.to_json(), rng, mess=MESS)
    canvas, _ = filled(protocol, layout, answers, hand, rng)
    page = Page(layout, None, softened(canvas, layout.page_size_mm, rng), None, FLAT_PX_PER_MM, 0.2, frozenset())
    return seen_boxes(page), {a.cell: a for a in answers}


def group_of(cell) -> str:
    """The calibration group of a cell that is read by itself."""
    return "code" if cell.kind == "code" else "digits"


def taught_by(hand: Hand, number: int, rng: np.random.Generator) -> list[Taught]:
    """What a page teaches once a clerk has settled what was not accepted."""
    boxes, truth = page_by(hand, number, rng)
    out, acceptance = [], shipped_acceptance()
    for cell, evidence in boxes.values():
        decoded, answer = decode_cell(cell, evidence), truth[cell.id]
        accepted = acceptance.judge(group_of(cell), decoded.score, doubtful=bool(decoded.reasons))[1]
        legible = answer.mark not in ("unreadable", "ditto")
        value = decoded.value if accepted else answer.value if legible else None
        labels = None if NO_PLAIN_WRITING & set(decoded.reasons) else box_labels(cell, value, evidence)
        if labels is not None:
            origin = RULED if accepted else SETTLED
            out.append(Taught(cell, str(number), str(number), origin, value, tuple(evidence), labels))
    return out


def read_by_both(hand: Hand, number: int, rng: np.random.Generator, learned) -> list[list[int]]:
    """Written cells of a page, (cells, reader): 1 wrong before review, 2 accepted, 4 wrong though accepted."""
    boxes, truth = page_by(hand, number, rng)
    rows, acceptance = [], shipped_acceptance()
    for cell, evidence in boxes.values():
        answer, group = truth[cell.id], group_of(cell)
        if answer.value is None or answer.must_flag:
            continue
        first = (group, decode_cell(cell, evidence))
        second = guarded(first, (group, decode_cell(cell, [learned.see(e) for e in evidence]))) if learned else first
        row = []
        for _, one in (first, second):
            accepted = acceptance.judge(group, one.score, doubtful=bool(one.reasons))[1]
            wrong = not same_value(one.value, answer.value)
            row.append(wrong + 2 * accepted + 4 * (wrong and accepted))
        rows.append(row)
    return rows


def bench(seed: int, args: argparse.Namespace) -> np.ndarray:
    """One programme's line and its numbers: cells, then before and after: wrong, accepted, wrong though accepted."""
    rng = np.random.default_rng(seed)
    hands = programme_hands(args.strokes, rng, args.writers)
    cells = [
        one
        for number, (hand, _) in zip(range(args.learn), itertools.cycle(hands), strict=False)
        for one in taught_by(hand, number, rng)
    ]
    if args.wrongly:  # a clerk who does not look: what was settled gets another cell's value of the same kind
        cells = mixed_up(cells, rng)
    lesson = learn(cells, None, about="simulated", rng=np.random.default_rng(0))
    print(f"{seed}: {lesson.words}", flush=True)
    test = np.random.default_rng(seed + 1000)
    pages = zip(range(args.test), itertools.cycle(hands), strict=False)
    rows = np.array([row for n, (_, hand) in pages for row in read_by_both(hand, n, test, lesson.learned)])
    counts = [len(rows), *((rows & bit > 0).sum(axis=0)[i] for bit in (1, 2, 4) for i in (0, 1))]
    print(f"| {seed} | {'yes' if lesson.learned else 'no'} | {' | '.join(map(str, counts))} |", flush=True)
    return np.array(counts)


def mixed_up(cells: list[Taught], rng: np.random.Generator) -> list[Taught]:
    """Labels of settled characters replaced by any other of their kind."""
    out = []
    for cell in cells:
        most = 26 if cell.head == "letter" else 10
        labels = tuple(x if x < 0 or cell.origin == RULED else int(rng.integers(most)) for x in cell.labels)
        out.append(replace(cell, labels=labels))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--strokes", type=Path, default=None)
    parser.add_argument("--programmes", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--writers", type=int, default=6)
    parser.add_argument("--learn", type=int, default=12)
    parser.add_argument("--test", type=int, default=8)
    parser.add_argument("--wrongly", action="store_true", help="what people settled is wrong")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    print("| programme | adopted | cells | wrong, before | after | accepted | after | wrong though accepted | after |")
    total = sum(bench(number, given) for number in range(given.first, given.first + given.programmes))
    print(f"| all | | {' | '.join(map(str, total))} |")
