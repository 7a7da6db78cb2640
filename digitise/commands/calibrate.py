"""``digitise calibrate``: thresholds from a store's audited and reviewed cells."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from digitise.commands.common import (
    Adder,
    jobs_argument,
    open_store,
    pages_again,
    protocols_argument,
    say,
    store_argument,
)


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "calibrate",
        _calibrate,
        "set from a store's audited and reviewed cells what is accepted without a person",
        "digitise calibrate --store survey-store --out acceptance.json",
    )
    store_argument(one)
    one.add_argument(
        "--out",
        type=Path,
        required=True,
        metavar="FILE",
        help="file for the new thresholds, for 'digitise read --acceptance'",
    )
    protocols_argument(one)
    jobs_argument(one)


def _calibrate(args: argparse.Namespace) -> int:
    from digitise.adapt.fair_cells import fair_sample
    from digitise.adapt.known_learned import known_reader
    from digitise.adapt.own_cells import about, own_cells, scores
    from digitise.adapt.recalibrate import recalibrated
    from digitise.batch.journal import write_whole
    from digitise.reader.calibration import shipped_acceptance

    with open_store(args.store) as store:
        own = known_reader(store.folder)
        if own.trouble:
            say(own.trouble)
        old = own.acceptance or shipped_acceptance()
        sample = fair_sample(store)
        _left_out(sample)
        audited = any(c.audited for c in sample.cells)
        again = pages_again(args, store, sample, ask=partial(scores, learned=own.learned)) if audited else []
    cells = own_cells(sample, again)
    learned = own.learned.digest if own.learned else ""
    named = about(sample, cells, args.store.name or str(args.store))
    new, verdicts = recalibrated(cells, old, about=named, learned=learned)
    for verdict in verdicts:
        print(f"{verdict.group}: {verdict.words}.")
    if all(v.state == "kept" for v in verdicts):
        say(f"Too few audited cells to set any threshold: the old ones stay, and {args.out} was not written.")
        return 1
    write_whole(args.out, new.to_json())
    say(
        f"{args.out}: written. To use it from now on: digitise read PHOTOS --store {args.store} --acceptance {args.out}"
    )
    return 0


def _left_out(sample) -> None:
    """Say what could not be counted, and what would make it count."""
    audited = sum(c.audited for c in sample.cells)
    left = len(sample.cells) - audited
    say(f"Cells that count: {audited} accepted ones that were audited, {left} left to a person that a person decided.")
    if sample.pages_waiting:
        say(f"{sample.pages_waiting} pages have cells that still wait, and are left out: review them first.")
    if sample.audits_open:
        say(f"{sample.audits_open} audits are not answered to the end, and are left out.")
    if not audited:
        say("Accepted cells count only where an audit settled them: draw one on the Audit screen, and answer it.")
