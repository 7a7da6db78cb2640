"""``digitise doctor``: is everything there that the tool needs."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, say

_SIGNS = {"well": "well ", "less": "less ", "wrong": "WRONG"}


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command("doctor", _doctor, "check the installation in plain words", "digitise doctor --store survey-store")
    one.add_argument("--store", type=Path, metavar="DIR", help="also look at this store")


def _doctor(args: argparse.Namespace) -> int:
    from digitise.doctor import WRONG, examine

    wrong = 0
    for finding in examine(args.store, now=datetime.now(UTC)):
        print(f"{_SIGNS[finding.state]}  {finding.about}: {finding.words}")
        wrong += finding.state == WRONG
    say("Everything needed is there." if not wrong else f"{wrong} to be mended: see the lines marked WRONG.")
    return 1 if wrong else 0
