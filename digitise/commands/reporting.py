"""``digitise report``: cover and density of a store's surveys, for those who manage the reserve."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, open_store, results_ahead, say, say_older, store_argument, ticking
from digitise.wording import plural


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "report",
        _report,
        "write the report as a page and a PDF, with its figures and tables",
        "digitise report --store survey-store --out report",
    )
    store_argument(one)
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument("--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)")


def _report(args: argparse.Namespace) -> int:
    from digitise.report import write_report

    with open_store(args.store) as store:
        given = {"now": datetime.now(UTC), "packs": args.pack or None}
        with ticking("reporting", unit="part") as tick:
            page, paper, *rest = write_report(store, args.out, tick=tick, **given)
        say(f"Report: {page} and {paper}; {plural(len(rest), 'file')} of figures and tables beside them.")
        say_older(args.out, rest, ("figures", "tables", "volumes"))
        results_ahead(store)
    return 0
