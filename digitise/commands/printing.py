"""``digitise sheets``, ``digitise prepare`` and ``digitise codes``: what is printed before a survey."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from digitise.commands.common import Adder, count, say, whole
from digitise.wording import listed, plural

CUT = ", then cut along the dashes"
PLAN = """\
A plan; only 'plan', 'protocol', one of 'sites' and one of 'surveys' are needed, and what is left out is left to fill
in by hand ('kit' replaces the kit list):

  plan: spring-days
  protocol: reef-transect          # a shipped one, or a file beside this one
  spares: 1                        # spare pages of each line's sheets in every pack
  sites:                           # those of one group are pooled in the report
    - {name: Lantern Garden, code: LG, latitude: 5.4123, longitude: -161.2034, radius_m: 150, depth_m: [5, 9], group: North}
  people: [Bes Hallor]             # who else may turn up on a sheet
  surveys:
    - site: LG
      date: 2026-04-11
      transects: 3
      leader: Mira Tole            # the licensed dive leader
      shore: Olin Fesk
      pairs:
        - {divers: [Keo Varn, Ada Lind], tasks: [fish]}
        - {divers: [Rosu Beki, Jun Ansu], tasks: [invertebrate]}
        - {divers: [Mira Tole, Tam Orle], tasks: [line, substrate]}
"""  # noqa: E501 - as in a file


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    one = command(
        "sheets", _sheets, "print packs of survey sheets as PDF", "digitise sheets reef-transect --out sheets --packs 5"
    )
    one.add_argument("protocol", help="protocol file, or the name of a shipped one")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument("--packs", type=count, default=1, metavar="N", help="packs, one for each survey (default: 1)")
    _paper(one, "all")

    one = command(
        "prepare",
        _prepare,
        "print all that a planned survey day needs",
        "digitise prepare days.yaml --out days",
        file=PLAN,
    )
    one.add_argument("plan", type=Path, help="plan in YAML: sites, people, surveys")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    _paper(one)
    one.add_argument("--store", type=Path, metavar="DIR", help="keep the plan in this store, for names and checks")
    one.add_argument("--slates", action="store_true", help="also a variant for slates that are wiped and used again")

    one = command("codes", _codes, "choose codes that survive being misread", "digitise codes 9")
    one.add_argument("count", type=whole(2, 60), help="how many codes, 2 to 60")


def _paper(one: argparse.ArgumentParser, *more: str) -> None:
    papers = ("A4", "letter", "A5", "half-letter", *more)
    one.add_argument("--paper", choices=papers, help="paper (default: the protocol's)")
    one.add_argument(
        "--two-up", action="store_true", help="two small sheets side by side on A4 or Letter, to be cut apart"
    )


def _small(paper: str) -> str:
    """The paper of which two pages lie on a whole sheet."""
    from digitise.sheets.protocol import HALVES

    return HALVES.get(paper, paper)


def _on(papers: Iterable[str], two_up: bool) -> str:
    """Papers in words: "A4", or "A5, two on a sheet of A4"."""
    from digitise.sheets.protocol import HALVES

    whole = {half: paper for paper, half in HALVES.items()}
    return listed([f"{p}, two on a sheet of {whole[p]}" if two_up else p for p in papers])


def _sheets(args: argparse.Namespace) -> int:
    from digitise.sheets.compose import build_layouts
    from digitise.sheets.protocol import load_protocol
    from digitise.sheets.sheet import write_sheets

    protocol = load_protocol(args.protocol)
    papers = (args.paper or protocol.paper,)
    if args.paper == "all":
        papers = tuple(dict.fromkeys(one.paper for one in build_layouts(protocol)))
    if args.two_up:
        papers = tuple(dict.fromkeys(_small(p) for p in papers))
    written = write_sheets(protocol, args.out, papers=papers, packs=args.packs, two_up=args.two_up)
    packs = args.packs * len(papers)
    say(
        f"{plural(len(written), 'page')} in {plural(packs, 'pack')} on {_on(papers, args.two_up)} written to "
        f"{args.out}; to print them all: {', '.join(str(args.out / 'print' / f'{p.lower()}.pdf') for p in papers)}. "
        f"Print at 100 % (actual size){CUT if args.two_up else ''}."
    )
    return 0


def _prepare(args: argparse.Namespace) -> int:
    from digitise.prepare import prepare
    from digitise.sheets.protocol import ProtocolError, load_protocol, shipped_names
    from digitise.surveys.known_plan import refuse_other_packs
    from digitise.surveys.known_protocol import kept_protocols, refuse_look_alike
    from digitise.surveys.plan import load_plan, plan_notes

    plan = load_plan(args.plan)
    beside = args.plan.parent / plan.protocol
    try:
        protocol = load_protocol(beside if beside.is_file() else plan.protocol)
    except ProtocolError as error:
        raise ProtocolError(str(error) if beside.is_file() else f"{args.plan}: protocol: {error}") from None
    if args.store is not None:
        refuse_other_packs(args.store, plan)
        shipped = map(load_protocol, shipped_names())
        refuse_look_alike(protocol, str(beside), (*shipped, *kept_protocols(args.store)))
    for note in plan_notes(plan, protocol, today=datetime.now().astimezone().date()):
        say(f"Note: {note}")
    paper = _small(args.paper or protocol.paper) if args.two_up else args.paper or protocol.paper
    own = (beside.name, beside.read_bytes()) if beside.is_file() else None
    done = prepare(plan, protocol, args.out, paper=paper, slates=args.slates, two_up=args.two_up, own=own)
    for path in done.files:
        print(path)
    say(
        f"{plural(len(done.plan.surveys), 'survey')} prepared on {_on([paper], args.two_up)}. Print at 100 % (actual "
        f"size): sheets one-sided on waterproof paper{CUT if args.two_up else ''}."
    )
    if args.store is not None:
        _keep(args.store, done.files[-1], own)
    return 0


def _keep(folder: Path, plan: Path, own: tuple[str, bytes] | None) -> None:
    from digitise.sheets.protocol import ProtocolError
    from digitise.store import Store
    from digitise.surveys.known_plan import keep_plan
    from digitise.surveys.known_protocol import keep_protocol

    with Store.open(folder) as store:
        try:
            if own:
                keep_protocol(store.folder, own[1], own[0])
        except ProtocolError as error:
            say(f"Note: the protocol is not kept there; give it to 'digitise read' with --protocol. {error}")
        keep_plan(store.folder, plan)
    say(f"The plan is kept in {folder}: names that are read there and 'digitise check' know it.")


def _codes(args: argparse.Namespace) -> int:
    from digitise.sheets.codes import choose_codes, how_often, margins

    chosen = choose_codes(args.count)
    print("\n".join(chosen.codes))
    say(f"{args.count} codes, any two differ in two letters or more. By the reader's measured confusions:")
    for one in margins(chosen.codes):
        say(f"  {one.code} is taken for {one.nearest} {how_often(one.chance)}")
    a, b = chosen.nearest
    say(f"Nearest pair {a} and {b}: the reader would have to misread two letters or more, {how_often(chosen.chance)}.")
    return 0
