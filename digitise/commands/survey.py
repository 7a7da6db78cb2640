"""``digitise results`` and ``digitise export``: what comes out of a store."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, open_store, say, store_argument


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    for name, run, text in (("results", _results, "compute cover and density with intervals, as a page and tables"),):
        one = command(name, run, text, f"digitise {name} --store survey-store --out {name}")
        store_argument(one)
        one.add_argument("--out", type=Path, required=True, metavar="DIR")
        one.add_argument(
            "--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)"
        )


def _results(args: argparse.Namespace) -> int:
    from digitise.results import write_results

    with open_store(args.store) as store:
        written = write_results(store, args.out, now=datetime.now(UTC), packs=args.pack or None)
    say("Results: " + ", ".join(str(p) for p in written))
    return 0
