"""The ``digitise`` command. Data goes to standard output or files, talk to standard error.

Exit codes: 0 all well, 1 some photograph was not read (or a check failed), 2 unusable arguments, 130 stopped by Ctrl+C.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from digitise import __version__
from digitise.commands import COMMANDS
from digitise.commands.arguments import Arguments
from digitise.commands.common import CUT_SHORT, STOPPED, Adder, file_trouble, say, write_anything


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code."""
    write_anything()
    args = _parser().parse_args(argv)
    try:
        code = args.run(args)
        sys.stdout.flush()
        return code
    except BrokenPipeError:  # whoever read the output has seen enough, as `head` has
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CUT_SHORT
    except OSError as error:
        say(f"digitise {args.command}: {file_trouble(error)}")
        return 2
    except ValueError as error:
        say(f"digitise {args.command}: {error}")
        return 2
    except KeyboardInterrupt:
        say(f"digitise {args.command}: stopped.")
        return STOPPED


def _parser() -> argparse.ArgumentParser:
    parser = Arguments(
        prog="digitise",
        description="Phone photographs of pencil-written reef-survey sheets become cover and density.",
        epilog="The way of a survey: sheets or prepare, read, review, check, report, export. 'digitise demo' shows it; "
        "'digitise COMMAND --help' tells a command's options, with an example.",
    )
    parser.add_argument("--version", action="version", version=f"digitise {__version__}")
    command = Adder(parser.add_subparsers(dest="command", required=True, metavar="COMMAND"))
    for module in COMMANDS:
        module.add_commands(command)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())
