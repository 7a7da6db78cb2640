"""``digitise verify``, ``backup`` and ``restore``: that what is kept stays kept."""

from __future__ import annotations

import argparse
import re
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import (
    DEFAULT_STORE,
    Adder,
    UsageError,
    open_store,
    results_ahead,
    say,
    store_argument,
    ticking,
)
from digitise.wording import plural


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    one = command(
        "verify", _verify, "check that a store is as the tool left it", "digitise verify --store survey-store"
    )
    store_argument(one)
    one.add_argument(
        "--head",
        type=_head,
        metavar="HASH",
        help="the head that 'verify' printed earlier; it must still be in the trail",
    )

    one = command(
        "backup",
        _backup,
        "back a store up, also while it is in use",
        "digitise backup --store survey-store --out backup",
    )
    store_argument(one)
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="a new folder, or an earlier backup")

    one = command("restore", _restore, "make a store from a backup", "digitise restore backup --store restored-store")
    one.add_argument("backup", type=Path, metavar="BACKUP", help="the backup's folder")
    one.add_argument(
        "--store",
        type=Path,
        default=DEFAULT_STORE,
        metavar="DIR",
        help=f"the new store, a folder (default: {DEFAULT_STORE})",
    )


def _head(text: str) -> str:
    """A head as `verify` printed it; a slip of the pen is no proof that history was written anew."""
    if not re.fullmatch(r"[0-9a-f]{64}", one := text.strip().lower()):
        raise argparse.ArgumentTypeError(f"found '{text}', expected the 64 digits and letters that 'verify' printed")
    return one


def _verify(args: argparse.Namespace) -> int:
    from digitise.store import StoreError
    from digitise.store.verify import verify

    try:
        with open_store(args.store) as store, ticking("checking") as tick:
            report = verify(store, head=args.head, tick=tick)
    except StoreError as error:
        say(f"{error}.")
        return 1
    return _say_report(report, args.store)


def _say_report(report, folder: Path) -> int:
    for sentence in (*report.problems, *report.notes):
        say(f"- {sentence}")
    print(f"head {report.head.hash} after {plural(report.head.length, 'link')}")
    if report.problems:
        wrong = len(report.problems)
        say(f"{folder}: {plural(wrong, 'thing')} {'is' if wrong == 1 else 'are'} wrong.")
        return 1
    say(
        f"{folder}: {plural(report.photos, 'photograph')}, {plural(report.pages, 'page')} and "
        f"{plural(report.head.length, 'link')} of the audit trail are as they were left. Write the head down "
        "elsewhere: 'digitise verify --head HASH' tells later whether it is still in the trail."
    )
    return 0


def _backup(args: argparse.Namespace) -> int:
    from digitise.store.backup import backup

    with open_store(args.store) as store, ticking("backing up") as tick:
        made = backup(store, args.out, now=datetime.now(UTC), tick=tick)
    for sentence in made.problems:
        say(f"- {sentence}")
    holds = f"{plural(made.photos, 'photograph')}, {plural(made.copied, 'file')} new in this backup"
    say(f"{args.out}: {holds}. Head {made.head}.")
    return 1 if made.problems else 0


def _restore(args: argparse.Namespace) -> int:
    from digitise.store.backup import restore

    if not args.backup.is_dir():
        raise UsageError(f"{args.backup}: no such folder; name the folder that 'digitise backup' wrote")
    with ticking("restoring") as tick:
        report = restore(args.backup, args.store, now=datetime.now(UTC), tick=tick)
    code = _say_report(report, args.store)
    with open_store(args.store) as store:
        results_ahead(store)
    return code
