"""``digitise sheets``, ``digitise prepare`` and ``digitise codes``: what is printed before a survey."""

from __future__ import annotations

import argparse
from pathlib import Path

from digitise.commands.common import Adder, count, say


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    one = command(
        "sheets", _sheets, "print packs of survey sheets as PDF", "digitise sheets reef-transect --out sheets --packs 5"
    )
    one.add_argument("protocol", help="protocol file, or the name of a shipped one")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument("--packs", type=count, default=1, metavar="N", help="packs, one for each survey (default: 1)")
    one.add_argument("--paper", choices=("A4", "letter", "all"), help="paper (default: the protocol's)")

    one = command(
        "prepare", _prepare, "print all that a planned survey day needs", "digitise prepare days.yaml --out days"
    )
    one.add_argument("plan", type=Path, help="plan in YAML: sites, people, surveys")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument("--paper", choices=("A4", "letter"), help="paper (default: the protocol's)")
    one.add_argument("--store", type=Path, metavar="DIR", help="keep the plan in this store, for names and checks")
    one.add_argument("--slates", action="store_true", help="also a variant for slates that are wiped and used again")

    one = command("codes", _codes, "choose two-letter codes that survive being misread", "digitise codes 9")
    one.add_argument("count", type=count, help="how many codes")


def _sheets(args: argparse.Namespace) -> int:
    from digitise.protocol import PAPERS_MM, load_protocol
    from digitise.sheet import write_sheets

    protocol = load_protocol(args.protocol)
    papers = tuple(PAPERS_MM) if args.paper == "all" else (args.paper or protocol.paper,)
    written = write_sheets(protocol, args.out, papers=papers, packs=args.packs)
    say(
        f"{len(written)} pages in {args.packs} pack(s) on {' and '.join(papers)} written to {args.out}; "
        f"to print them all: {', '.join(str(args.out / 'print' / f'{p.lower()}.pdf') for p in papers)}. "
        "Print at 100 % (actual size)."
    )
    return 0


def _prepare(args: argparse.Namespace) -> int:
    from digitise.plan import load_plan, plan_notes
    from digitise.prepare import prepare
    from digitise.protocol import load_protocol

    plan = load_plan(args.plan)
    beside = args.plan.parent / plan.protocol
    protocol = load_protocol(beside if beside.is_file() else plan.protocol)
    for note in plan_notes(plan, protocol):
        say(f"Note: {note}")
    paper = args.paper or protocol.paper
    done = prepare(plan, protocol, args.out, paper=paper, slates=args.slates)
    for path in done.files:
        print(path)
    say(
        f"{len(done.plan.surveys)} survey(s) prepared on {paper}. Print at 100 % (actual size): sheets one-sided on "
        "waterproof paper."
    )
    if args.store is not None:
        _keep(args.store, done.files[-1])
    return 0


def _keep(folder: Path, plan: Path) -> None:
    from digitise.known_plan import keep_plan
    from digitise.store import Store

    with Store.open(folder) as store:
        keep_plan(store.folder, plan)
    say(f"The plan is kept in {folder}: names that are read there and 'digitise check' know it.")


def _codes(args: argparse.Namespace) -> int:
    from digitise.codes import choose_codes, margins

    chosen = choose_codes(args.count)
    print("\n".join(chosen.codes))
    say(f"{args.count} codes, any two differ in both letters. By the reader's measured confusions:")
    for one in margins(chosen.codes):
        say(f"  {one.code} is taken for {one.nearest} about 1 time in {round(1 / one.chance):,}")
    a, b = chosen.nearest
    say(
        f"Nearest pair {a} and {b}: the reader would have to misread both letters, about 1 in "
        f"{round(1 / chosen.chance):,}."
    )
    return 0
