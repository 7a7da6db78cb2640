"""How much `digitise learn` gains: invented programmes, each with a few writers, read before and after learning.

    python tests/benchmarks/bench_learn.py --programmes 4 --strokes FILE

Each programme's pages are photographed and put into a store; a perfect clerk decides what is left to a person and
answers one audit; the store learns; further pages by the same writers are read by both readers. Writers are ones that
no network was trained on; without a stroke file they are drawn. Of each recorded character one half of a writer's
examples is on the pages to learn from and the other half on those to test on.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from collections.abc import Mapping
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np

from digitise.batch import KnownProtocols, record
from digitise.cli import main
from digitise.compose import build_layouts
from digitise.evaluate import same_value
from digitise.known_learned import known_reader
from digitise.learned import SHIPPED
from digitise.page import register
from digitise.photo import decode_photo
from digitise.protocol import load_protocol
from digitise.read import read_decoded, read_page
from digitise.sheet import PACK_ALPHABET, identity_for
from digitise.simulate.answers import Mess, random_answers
from digitise.simulate.camera import ordinary_camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.hand import Hand, StrokeHand, load_hands, pooled, split_writers
from digitise.simulate.take import take
from digitise.store import Store

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
SHEETS = ("substrate", "fish", "substrate", "invertebrate")
KINDS = ("code", "number", "date", "time", "decimal")
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
    """(photograph, what was written) of one page of a survey of its own."""
    protocol = load_protocol("reef-transect")
    layout = next(x for x in build_layouts(protocol) if (x.sheet, x.paper) == (SHEETS[number % 4], "A4"))
    answers = random_answers(layout.to_json(), rng, mess=MESS)
    pack = "".join(rng.choice(list(PACK_ALPHABET), 6))
    return take(
        protocol, layout, answers, hand, rng, camera=ordinary_camera(rng), identity=identity_for(layout, pack, 1)
    )


def reviewed(folder: Path, hands: list[tuple[Hand, Hand]], pages: int, rng: np.random.Generator, audited: int) -> None:
    """A store of pages by these writers, decided by a perfect clerk, with one audit answered by another."""
    known = KnownProtocols((load_protocol("reef-transect"),))
    truth = {}
    with Store.open(folder) as store:
        for number, (hand, _) in zip(range(pages), itertools.cycle(hands), strict=False):
            taken = page_by(hand, number, rng)
            sha256 = store.keep_photo(taken.jpeg, f"{number}.jpg", now=NOW)
            record(store, read_decoded(decode_photo(taken.jpeg, f"{number}.jpg"), known.layouts), known, now=NOW)
            truth |= {(sha256, a.cell): a for a in taken.answers}
        photo = {p.id: p.sha256 for p in store.pages()}

        def said(page_id: int, cell: str) -> dict:
            answer = truth[photo[page_id], cell]
            state = "illegible" if answer.mark in ("unreadable", "ditto") else "entered"
            return {"value": None, "state": "blank"} if answer.value is None and state == "entered" else {
                "value": answer.value if state == "entered" else None, "state": state,
            }  # fmt: skip

        for item in store.queue():
            store.decide(item.page_id, item.cell, **said(item.page_id, item.cell), by="Anna", now=NOW)
        if audited:
            strata = [s for s in store.audits.strata() if s != "person"]
            audit = store.audits.draw_strata(dict.fromkeys(strata, audited), by="Ben", now=NOW, rng=rng)
            for one in store.audits.cells(audit.id):
                store.audits.answer(one.id, **said(one.page_id, one.cell), by="Ben", now=NOW)


def read_both(folder: Path, hands: list[tuple[Hand, Hand]], pages: int, rng: np.random.Generator) -> np.ndarray:
    """Written cells of further pages, (cells, reader): 1 wrong before review, 2 accepted, 4 wrong though accepted."""
    protocol, own, rows = load_protocol("reef-transect"), known_reader(folder), []
    for number, (_, hand) in zip(range(pages), itertools.cycle(hands), strict=False):
        taken = page_by(hand, number, rng)
        page = register(taken.gray(), build_layouts(protocol))
        if not page:
            continue
        truth = {a.cell: a for a in taken.answers}
        for pair in zip(*(read_page(page, reader) for reader in (SHIPPED, own)), strict=True):
            answer = truth[pair[0].cell]
            if pair[0].kind not in KINDS or answer.value is None or answer.must_flag:
                continue
            wrong = [not same_value(r.value, answer.value) for r in pair]
            rows.append([w + 2 * (not r.flagged) + 4 * (w and not r.flagged) for w, r in zip(wrong, pair, strict=True)])
    return np.array(rows)


def bench(seed: int, strokes: Path | None, args: argparse.Namespace) -> None:
    """One programme's line."""
    rng = np.random.default_rng(seed)
    hands = programme_hands(strokes, rng, args.writers)
    with tempfile.TemporaryDirectory() if args.keep is None else nullcontext(args.keep / str(seed)) as name:
        folder = Path(name) / "store"
        folder.parent.mkdir(parents=True, exist_ok=True)
        if not folder.exists():
            reviewed(folder, hands, args.learn, rng, args.audited)
        adopted = main(["learn", str(folder), "--jobs", "1"]) == 0
        rows = read_both(folder, hands, args.test, np.random.default_rng(seed + 1000))
    wrong, accepted, silent = ((rows & bit > 0).sum(axis=0) for bit in (1, 2, 4))
    print(
        f"| {seed} | {args.writers} | {'yes' if adopted else 'no'} | {len(rows)} | {wrong[0]} | {wrong[1]} "
        f"| {accepted[0]} | {accepted[1]} | {silent[0]} | {silent[1]} |",
        flush=True,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--strokes", type=Path, default=None)
    parser.add_argument("--programmes", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--writers", type=int, default=4)
    parser.add_argument("--learn", type=int, default=12)
    parser.add_argument("--test", type=int, default=8)
    parser.add_argument("--audited", type=int, default=20, help="cells of each stratum")
    parser.add_argument("--keep", type=Path, default=None, help="keep the stores here, and use those that are there")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    for number in range(given.first, given.first + given.programmes):
        bench(number, given.strokes, given)
