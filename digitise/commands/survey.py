"""``digitise check``, ``digitise season``, ``digitise results`` and ``digitise export``: what comes out of a store."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, open_store, say, store_argument


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    for name, run, text in (
        ("results", _results, "compute cover and density with intervals, as a page and tables"),
        ("export", _export, "write everything as tidy CSV tables"),
    ):
        one = command(name, run, text, f"digitise {name} --store survey-store --out {name}")
        store_argument(one)
        one.add_argument("--out", type=Path, required=True, metavar="DIR")
        one.add_argument(
            "--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)"
        )

    one = command(
        "check", _check, "say what is missing, double or contradictory", "digitise check --store survey-store"
    )
    store_argument(one)
    one.add_argument(
        "--plan",
        type=Path,
        metavar="FILE",
        help="keep this plan in the store: what packs were printed for, sites, people",
    )
    one.add_argument("--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)")
    one = command(
        "season", _season, "show where every survey of the season stands", "digitise season --store survey-store"
    )
    store_argument(one)
    one.add_argument("--plan", type=Path, metavar="FILE", help="keep this plan in the store")


def _season(args: argparse.Namespace) -> int:
    from digitise.season import board_text, season_board

    with open_store(args.store) as store:
        plan = _plan(store, args.plan)
        lines = season_board(store, today=datetime.now().astimezone().date(), plan=plan)
    print(board_text(lines))
    return 0


def _plan(store, given: Path | None):
    """Every plan that the store knows, the one given kept first."""
    from digitise.known_plan import keep_plan, known_plan

    if given is not None:
        keep_plan(store.folder, given)
    return known_plan(store.folder)


def _check(args: argparse.Namespace) -> int:
    from digitise.completeness import ORDER, check_store

    today = datetime.now().astimezone().date()
    with open_store(args.store) as store:
        plan = _plan(store, args.plan)
        found = check_store(store, today=today, plan=plan, packs=args.pack or None)
    counts = dict.fromkeys(ORDER, 0)
    for one in found:
        print(one.heading)
        for fault in one.faults:
            counts[fault.severity] += 1
            print(f"  {fault.severity}: {fault.where}: {fault.text} [{fault.rule}]")
        if not one.faults:
            print("  complete")
    say(", ".join(f"{n} {word}" for word, n in counts.items()) + f" in {len(found)} survey(s).")
    return 1 if counts["missing"] or counts["contradiction"] else 0


def _results(args: argparse.Namespace) -> int:
    from digitise.results import write_results

    with open_store(args.store) as store:
        written = write_results(store, args.out, now=datetime.now(UTC), packs=args.pack or None)
    say("Results: " + ", ".join(str(p) for p in written))
    return 0


def _export(args: argparse.Namespace) -> int:
    from digitise.export import write_export

    with open_store(args.store) as store:
        summary = write_export(store, args.out, now=datetime.now(UTC), packs=args.pack or None)
    say(summary.sentence)
    return 0
