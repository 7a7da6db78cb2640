"""``digitise learn``: what a store's decided cells teach the reader of characters, adopted only where it is better."""

from __future__ import annotations

import argparse

from digitise.commands.common import (
    Adder,
    UsageError,
    jobs_argument,
    open_store,
    pages_again,
    progress_bar,
    protocols_argument,
    say,
    store_argument,
)

SEED = 20  # of the order in which pages are left out: the same store teaches the same


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "learn",
        _learn,
        "let the reader learn your people's handwriting from decided cells",
        "digitise learn --store survey-store",
    )
    store_argument(one)
    one.add_argument("--back", action="store_true", help="undo the last learning instead")
    protocols_argument(one)
    jobs_argument(one)


def _learn(args: argparse.Namespace) -> int:
    with open_store(args.store) as store:
        return _back(store) if args.back else _lesson(args, store)


def _back(store) -> int:
    from digitise.adapt.known_learned import go_back
    from digitise.reader.learned import LearnedError

    try:
        earlier, changed = go_back(store.folder)
    except LearnedError as error:
        raise UsageError(str(error)) from None
    what = "the shipped one" if earlier is None else f"what was learned before ({earlier.digest}: {earlier.about})"
    say(f"The reader of this store is {what} again. Pages that were read stay as they are.")
    if changed:
        say(changed)
    return 0


def _lesson(args: argparse.Namespace, store) -> int:
    import numpy as np

    from digitise.adapt.fair_cells import fair_sample
    from digitise.adapt.known_learned import adopt, known_learned
    from digitise.adapt.learning import FEWEST_GROUPS, FOLDS, learn
    from digitise.adapt.taught import about, latest, taught

    old, trouble = known_learned(store.folder)
    if trouble:
        say(trouble)
    sample = latest(fair_sample(store))
    if sample.pages_waiting:
        say(f"{sample.pages_waiting} pages have cells that still wait, and are left out: review them first.")
    cells = taught(sample, store, _again(args, store, sample), fewest_packs=FEWEST_GROUPS)
    with progress_bar(FOLDS + 1, "learning", unit="round") as bar:
        lesson = learn(cells, old, about=about(cells, sample), rng=np.random.default_rng(SEED), tell=bar.update)
    if lesson.learned is None:
        kept = f"what it had learned ({old.digest})" if old else "the shipped reader"
        print(f"Nothing adopted: {lesson.words}.")
        say(f"This store keeps {kept}.")
        return 1
    changed = adopt(store.folder, lesson.learned)
    print(f"Adopted {lesson.learned.digest}: {lesson.words}.")
    say("From now on this store's photographs are read with what was learned; pages that were read stay as they are.")
    say("No cell is accepted that the shipped reader would not accept by itself, so the thresholds still hold.")
    say(changed or f"To go back: digitise learn --store {args.store} --back")
    return 0


def _again(args: argparse.Namespace, store, sample) -> list:
    from digitise.adapt.taught import seen_boxes

    return pages_again(args, store, sample, ask=seen_boxes) if sample.pages else []
