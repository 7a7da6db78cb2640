"""The parser of arguments: what is wrong with them in plain words, with the nearest name that there is."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from typing import NoReturn

from digitise.wording import nearest


class Arguments(argparse.ArgumentParser):
    """An `ArgumentParser` whose refusals say what was found, what is near, and where to read on. It exits with 2."""

    def parse_known_args(self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None):
        """As usual, but what a command does not know ends it in that command's own words."""
        args = sys.argv[1:] if args is None else list(args)
        options = [o for action in self._actions for o in action.option_strings]
        group = any(isinstance(action, argparse._SubParsersAction) for action in self._actions)
        if group and args and args[0].startswith("--") and not any(o.startswith(args[0]) for o in options):
            self.error(f"options go behind the command, and {args[0]} stands before it")
        known, rest = super().parse_known_args(args, namespace)
        if rest:
            self.error(self._unknown(rest[0]))
        return known, rest

    def _unknown(self, text: str) -> str:
        if not text.startswith("-"):
            return f"'{text}' is one thing too many here; a name of several words needs quotes around it"
        name = text.partition("=")[0]
        options = [o for action in self._actions for o in action.option_strings if o.startswith("--")]
        return f"there is no option {name}{_perhaps(name, options)}"

    def _check_value(self, action: argparse.Action, value: object) -> None:
        if action.choices is None or value in action.choices:
            return
        names = [str(choice) for choice in action.choices]
        if isinstance(action, argparse._SubParsersAction):
            self.error(f"there is no {action.metavar.lower()} '{value}'{_perhaps(str(value), names)}")
        near = _perhaps(str(value), names)
        raise argparse.ArgumentError(action, f"found '{value}', expected one of {', '.join(names)}{near}")

    def error(self, message: str) -> NoReturn:
        """How the command is used, the sentence, and where more is said."""
        self.print_usage(sys.stderr)
        end = "" if message.endswith("?") else "."
        self.exit(2, f"{self.prog}: {message}{end} '{self.prog} --help' says more.\n")


def _perhaps(text: str, names: Iterable[str]) -> str:
    found = nearest(text, names)
    return f"; did you mean {found}?" if found else ""
