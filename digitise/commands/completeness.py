"""``digitise check`` and ``digitise season``: what is missing or contradictory, and where every survey stands."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from digitise.commands.common import Adder, open_store, say, store_argument
from digitise.wording import in_line, plural


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    one = command(
        "check", _check, "say what is missing, double or contradictory", "digitise check --store survey-store"
    )
    _arguments(one)
    one.add_argument("--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)")

    one = command(
        "season", _season, "show where every survey of the season stands", "digitise season --store survey-store"
    )
    _arguments(one)


def _arguments(one: argparse.ArgumentParser) -> None:
    store_argument(one)
    one.add_argument("--plan", type=Path, metavar="FILE", help="first keep this plan in the store, for good")


def _plan(store, given: Path | None):
    """Every plan that the store knows as one, the one given kept first."""
    from digitise.surveys.known_plan import keep_plan, known_plan

    if given is not None:
        keep_plan(store.folder, given)
    return known_plan(store.folder)


def _check(args: argparse.Namespace) -> int:
    from digitise.completeness import ORDER, check_store

    today = datetime.now().astimezone().date()
    with open_store(args.store) as store:
        found = check_store(store, today=today, plan=_plan(store, args.plan), packs=args.pack or None)
    counts = dict.fromkeys(ORDER, 0)
    for one in found:
        print(in_line(one.heading))
        for fault in one.faults:
            counts[fault.severity] += 1
            print(in_line(f"  {fault.severity}: {fault.where}: {fault.words} [{fault.rule}]"))
        if not one.faults:
            print("  complete")
    say(
        f"{counts['missing']} missing, {plural(counts['contradiction'], 'contradiction')}, "
        f"{plural(counts['question'], 'question')}, {counts['accepted']} accepted in {plural(len(found), 'survey')}."
    )
    return 1 if counts["missing"] or counts["contradiction"] else 0


def _season(args: argparse.Namespace) -> int:
    from digitise.surveys.season import board_text, board_words, season_board

    today = datetime.now().astimezone().date()
    with open_store(args.store) as store:
        lines = season_board(store, today=today, plan=_plan(store, args.plan))
    print(board_text(lines))
    say(f"{board_words(lines)}.")
    return 0
