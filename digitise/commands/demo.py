"""``digitise demo``: the whole way on the sample photographs."""

from __future__ import annotations

import argparse
from pathlib import Path

from digitise.commands.common import Adder, port, say


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command("demo", _demo, "show the whole way on the sample photographs", "digitise demo")
    one.add_argument(
        "--out", type=Path, default=Path("demo"), metavar="DIR", help="folder to write into (default: demo)"
    )
    one.add_argument(
        "--photos",
        type=Path,
        default=Path("sample_scans"),
        metavar="DIR",
        help="photographs to read (default: sample_scans)",
    )
    one.add_argument("--port", type=port, default=8501, help="port of the review screens (default: %(default)s)")
    one.add_argument(
        "--season", action="store_true", help="an invented programme of seven sites and three years instead"
    )
    one.add_argument("--no-app", action="store_true", help="do not start the review screens at the end")


def _demo(args: argparse.Namespace) -> int:
    from digitise.demo.demo import run_demo, run_season

    if args.season:
        return run_season(args.out, photos=args.photos, app=not args.no_app, port=args.port, say=say)
    return run_demo(args.out, photos=args.photos, app=not args.no_app, port=args.port, say=say)
