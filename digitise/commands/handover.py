"""``digitise handover``: the package for the authority, what changed since the last one, and the record of it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.commands.common import (
    DEFAULT_STORE,
    Adder,
    UsageError,
    open_store,
    progress_bar,
    say,
    store_argument,
    whole,
)
from digitise.wording import in_line, plural

if TYPE_CHECKING:
    from digitise.handover.prepared import Wishes
    from digitise.store.handovers import HandOver

PARTS = {"report": "report", "exchange": "exchange files", "evidence": "evidence", "note": "covering note"}


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "handover",
        _handover,
        "make the package for the authority, note that it was sent, and correct it later",
        "digitise handover --store survey-store --to 'Reserve office' --by 'Mira Tole'",
    )
    store_argument(one)
    one.add_argument(
        "--out", type=Path, metavar="DIR", help="the package becomes a folder in it (default: handovers in the store)"
    )
    one.add_argument(
        "--to", metavar="NAME", help="who receives it; the note tells what changed since their last package"
    )
    one.add_argument("--by", metavar="NAME", help="who hands it over")
    one.add_argument("--reason", default="", metavar="TEXT", help="words for the covering note")
    one.add_argument("--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)")
    one.add_argument("--signed", action="store_true", help="only the surveys that are signed as they are now")
    one.add_argument(
        "--correct",
        type=whole(1, 999_999),
        metavar="NUMBER",
        help="hand over again what changed since hand-over NUMBER",
    )
    one.add_argument("--with-unsigned", action="store_true", help="also surveys that nobody signed as they are now")
    one.add_argument(
        "--with-unreviewed", action="store_true", help="also surveys with cells that still wait for a person"
    )
    one.add_argument(
        "--evidence",
        choices=("shared", "whole", "none"),
        default="shared",
        help="pictures and history of these surveys; the whole store, which can be imported again; or none (default: "
        "shared)",
    )
    one.add_argument("--pseudonyms", action="store_true", help="replace names of people, and cover them in pictures")
    one.add_argument("--positions", action="store_true", help="photographs as they came, with the phone's positions")
    one.add_argument("--about", type=Path, metavar="FILE", help="YAML: who answers for the data, licence, names")
    one.add_argument("--dry-run", action="store_true", help="only say what would go in and what changed")
    one.add_argument("--list", action="store_true", help="only list what was handed over, to whom and when")
    one.add_argument("--check", type=Path, metavar="PACKAGE", help="only check a package, and say which one it is")


def _handover(args: argparse.Namespace) -> int:
    from digitise.store import holds_store

    if args.check is not None and args.store == DEFAULT_STORE and not holds_store(args.store):
        return _check(args.check, None)
    with open_store(args.store) as store:
        if args.list:
            return _list(store)
        if args.check is not None:
            return _check(args.check, store.handovers.all())
        return _make(store, args)


def _list(store) -> int:
    rows = store.handovers.all()
    for one in rows:
        what = f"corrects {one.corrects}" if one.corrects is not None else plural(len(one.surveys), "survey")
        print(f"{one.number}  {one.at[:16].replace('T', ' ')} UTC  to {one.recipient}, by {one.by}: {what}")
        for s in one.surveys:
            version = f"version {s.version}" if s.state == "signed" else s.state
            print(f"     {s.pack}  {in_line(s.site) or '-'}  {s.date or '-'}  {version}")
        print(f"     checksums.txt: SHA-256 {one.digest}")
    say(f"{plural(len(rows), 'hand-over')}.")
    return 0


def _check(folder: Path, records: Sequence[HandOver] | None) -> int:
    from digitise.exchange.bag import sha256_of
    from digitise.handover.checking import check_package
    from digitise.handover.package import CHECKSUMS

    wrong, record = check_package(folder, records)
    for line in wrong:
        say(line)
    if record is not None:
        say(f"{folder}: hand-over {record.number} of {record.at[:10]} to {record.recipient}.")
    if not wrong and records is None:
        digest = sha256_of(folder / CHECKSUMS)
        say(
            "Whole by its own list of checksums. But whoever changes a file can write that list anew, and no store is "
            f"here to ask. So compare the SHA-256 of {CHECKSUMS} with the sender's letter: {digest}"
        )
    elif not wrong:
        say("Whole and unchanged.")
    return 1 if wrong else 0


def _make(store, args: argparse.Namespace) -> int:
    from digitise.handover.package import KEPT, make_handover
    from digitise.handover.prepared import prepare_handover
    from digitise.handover.readiness import NotReady
    from digitise.store import ChangedMeanwhile

    wishes, now = _wishes(store, args), datetime.now(UTC)
    try:
        prepared = prepare_handover(store, wishes, now=now, out=args.out)
        _tell(prepared)
        if args.dry_run:
            return 0
        with progress_bar(len(PARTS), "Writing", unit="part") as bar:

            def tick(part: str) -> None:
                bar.set_postfix_str(f", {PARTS[part]}")
                bar.update()

            folder, record = make_handover(store, args.out or store.folder / KEPT, prepared, now=now, tick=tick)
    except NotReady as error:
        say(f"digitise handover: {error}")
        leave_out = "" if args.pack or args.signed or args.correct is not None else "To leave these out: --signed. "
        say(f"{leave_out}To let them in as they are: --with-unsigned, --with-unreviewed.")
        return 1
    except ChangedMeanwhile as error:
        say(f"digitise handover: {error}")
        return 1
    say(f"Hand-over {record.number} to {record.recipient}: {folder}")
    say(f"Read first: {folder / 'covering-note.html'}")
    say(f"SHA-256 of its checksums.txt, for the letter: {record.digest}")
    return 0


def _wishes(store, args: argparse.Namespace) -> Wishes:
    """What is asked for; `UsageError` where options do not go together."""
    from digitise.exchange.about import load_about
    from digitise.handover.prepared import Wishes

    if args.correct is None and not args.to:
        raise UsageError("name who receives it with --to, or a hand-over to correct with --correct")
    if not args.by:
        raise UsageError("name who hands it over with --by")
    if args.correct is not None and args.to:
        raise UsageError("a correction goes to whom the hand-over went; leave --to out")
    if args.signed and (args.pack or args.correct is not None):
        raise UsageError("--signed chooses the surveys itself; leave --pack and --correct out")
    packs = tuple(args.pack) or None
    if args.signed:
        packs = tuple(p for p in store.packs() if (s := store.signoffs.of(p)) and s[-1].current)
        if not packs:
            raise UsageError("no survey is signed as it is now; sign one on the Sign-off screen")
    return Wishes(
        recipient=args.to or "",
        by=args.by,
        reason=args.reason,
        packs=packs,
        corrects=args.correct,
        with_unsigned=args.with_unsigned,
        with_unreviewed=args.with_unreviewed,
        evidence=args.evidence,
        pseudonyms=args.pseudonyms,
        positions=args.positions,
        about=load_about(args.about),
    )


def _tell(prepared) -> None:
    """What goes in, and how it differs from what was sent before."""
    changes = {c.pack: c for c in prepared.changes}
    for one in prepared.ready:
        found = changes[one.pack]
        words = {
            "new": "new",
            "same": "as sent before",
            "changed": f"{plural(len(found.cells), 'cell')} and {plural(len(found.numbers), 'figure')} changed",
        }[found.kind]
        say(f"{one.heading}: {one.words}; {words}")
    for one in prepared.changes:
        if one.kind == "gone":
            say(f"{one.heading}: was sent before, is not in this package")
