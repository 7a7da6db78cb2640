"""``digitise people``: who may log in to a shared store, and what they may do there."""

from __future__ import annotations

import argparse
import getpass
import sys
from datetime import UTC, datetime

from digitise.commands.common import Adder, UsageError, open_store, say, store_argument


def add_commands(command: Adder) -> None:
    """Add the parser."""
    example = 'digitise people --store survey-store --add "Mira Tole" --role clerk'
    one = command("people", _people, "list or change who may log in to a shared store", example)
    store_argument(one)
    what = one.add_mutually_exclusive_group()
    what.add_argument(
        "--add", metavar="NAME", help="add somebody, or change their role or passphrase; asks for a passphrase"
    )
    what.add_argument("--remove", metavar="NAME", help="let somebody in no more; what they entered stays theirs")
    one.add_argument("--role", choices=("volunteer", "clerk", "scientist"), help="what they may do, with --add")
    one.add_argument("--keep-passphrase", action="store_true", help="with --add: change the role only")
    one.add_argument("--by", metavar="NAME", default="the office", help="who makes the change (default: the office)")


def _people(args: argparse.Namespace) -> int:
    if (args.add is None) != (args.role is None):
        raise UsageError("--add and --role belong together: who, and what they may do")
    if args.keep_passphrase and args.add is None:
        raise UsageError("--keep-passphrase goes with --add")
    with open_store(args.store) as store:
        if args.add is not None:
            _add(store, args)
        elif args.remove is not None:
            _remove(store, args)
        for person in store.people.all():
            logs_in = "" if person.may_enter or person.role == "gone" else "\tno passphrase yet"
            print(f"{person.name}\t{person.role}{logs_in}")
        if not store.people.all():
            say("Nobody may log in yet.")
    return 0


def _add(store, args: argparse.Namespace) -> None:
    from digitise.store.values import person

    known = store.people.named(person(args.add))
    if args.keep_passphrase and (known is None or not known.mark):
        raise UsageError(f"{args.add} has no passphrase to keep")
    if known is not None and known.name != person(args.add):
        say(f"'{args.add}' is known here as {known.name}.")
    passphrase = None if args.keep_passphrase else _asked(args.add)
    try:
        store.people.set(args.add, role=args.role, by=args.by, now=datetime.now(UTC), passphrase=passphrase)
    except ValueError as error:
        raise UsageError(str(error)) from None


def _remove(store, args: argparse.Namespace) -> None:
    if store.people.named(args.remove) is None:
        raise UsageError(f"there is nobody of the name '{args.remove}' in {args.store}")
    store.people.set(args.remove, role="gone", by=args.by, now=datetime.now(UTC))


def _asked(name: str) -> str:
    """The passphrase, typed twice unseen; from a pipe its first line."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass(f"Passphrase for {name} (10 letters or more, not shown): ")
    if getpass.getpass("Once more: ") != first:
        raise UsageError("the two passphrases differ; nothing was changed")
    return first
