"""The documents say what the code does."""

from __future__ import annotations

import argparse
import re
import shlex
from pathlib import Path

import pytest

from digitise.cli import _parser
from digitise.reasons import REASONS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def _commands() -> dict[str, argparse.ArgumentParser]:
    parser = _parser()
    return next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction)).choices


@pytest.mark.parametrize("name", sorted(_commands()))
def test_every_command_and_option_is_in_the_readme(name: str) -> None:
    """Nobody has to read the code to find an option."""
    options = [o for a in _commands()[name]._actions for o in a.option_strings if o.startswith("--") and o != "--help"]

    assert f"digitise {name}" in README
    assert [o for o in options if f"`{o}" not in README and f" {o}" not in README] == []


def test_readme_commands_are_taken_by_the_real_parser() -> None:
    """Every digitise line in a shell block parses."""
    lines = [line for block in re.findall(r"```sh\n(.*?)```", README, re.S) for line in block.splitlines()]
    ours = [line for line in lines if line.startswith("digitise ")]

    assert len(ours) >= 8
    for line in ours:
        assert _parser().parse_args(shlex.split(line)[1:]).command


def test_table_of_reasons_is_the_registry() -> None:
    """The README's table lists every reason with its words, and no other."""
    table = re.search(r"<!-- reasons -->(.*?)<!-- /reasons -->", README, re.S).group(1)
    rows = [[c.strip() for c in line.strip("| \n").split("|")] for line in table.strip().splitlines()[2:]]

    assert rows == [[f"`{r.name}`", r.short, r.advice] for r in REASONS.values()]


def test_every_module_is_on_the_map() -> None:
    """A newcomer finds each module in DEVELOPERS.md."""
    modules = [p for p in (ROOT / "digitise").rglob("*.py") if p.name not in ("__init__.py", "__main__.py")]

    assert [str(p.relative_to(ROOT)) for p in modules if f"{p.name}`" not in GUIDE] == []


def test_pictures_in_the_readme_exist() -> None:
    """No broken picture."""
    named = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)

    assert len(named) >= 4
    assert [n for n in named if not (ROOT / n).is_file()] == []
