"""What every command shares: talk on standard error, the words for wrong arguments, arguments met more than once."""

from __future__ import annotations

import argparse
import errno
import io
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from digitise.machine import cores
from digitise.wording import plural

STOPPED = 130  # what a shell gives a command that Ctrl+C ended
CUT_SHORT = 141  # and one whose output nobody reads any more
DEFAULT_STORE = Path("survey-store")


class UsageError(ValueError):
    """Arguments that cannot be used; ends the command with code 2 and one sentence."""


_EXAMPLE = "Example:"


class _Help(argparse.HelpFormatter):
    """Leaves an example's lines as they are, so that they can be copied."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return text if _EXAMPLE in text else super()._fill_text(text, width, indent)


class Adder:
    """Adds one command's parser, described in the same way for all of them."""

    def __init__(self, commands: argparse._SubParsersAction) -> None:
        self._commands = commands

    def __call__(
        self, name: str, run: Callable[[argparse.Namespace], int] | None, text: str, example: str, *, file: str = ""
    ) -> argparse.ArgumentParser:
        """The parser of command `name`, which calls `run(args)` for its exit code; None where its parts do.

        `file` shows what a file that it takes may hold; help ends in it and in the example.
        """
        one = self._commands.add_parser(
            name,
            help=text,
            description=text[0].upper() + text[1:] + ".",
            epilog=f"{file}\n{_EXAMPLE}\n  {example}" if file else f"{_EXAMPLE}\n  {example}",
            formatter_class=_Help,
        )
        one.set_defaults(run=run)
        return one


def write_anything() -> None:
    """Let no letter end a command: a terminal shows what its locale has, files and pipes get UTF-8 as all files do."""
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper):  # a test's, or none at all
            continue
        if stream.isatty():
            stream.reconfigure(errors="replace")
        else:
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")


def file_trouble(error: OSError) -> str:
    """What kept a file from being read or written, in a sentence.

    A disk that fills up while a file is written does not say which one it was: it may be the one for temporary files.
    """
    what = _TROUBLES.get(error.errno or 0) or error.strerror or str(error)
    if error.filename is None and error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"{what}. If there is room, it is the disk of {tempfile.gettempdir()} that is full: TMPDIR names another"
    return what if error.filename is None or what == str(error) else f"{error.filename}: {what}"


_NO_RIGHT = "you may not read or write here; choose another place, or have its rights changed"
_TROUBLES = {
    errno.EACCES: _NO_RIGHT,
    errno.EPERM: _NO_RIGHT,
    errno.EROFS: "this disk can only be read; choose another place",
    errno.ENOSPC: "the disk is full; make room, then try again",
    errno.EDQUOT: "your share of the disk is full; make room, then try again",
    errno.ENOENT: "no such file, or no folder to put it into",
    errno.ENOTDIR: "a part of this path is a file, not a folder",
    errno.EISDIR: "this is a folder; name a file",
    errno.EEXIST: "there is a file of this name already; choose another folder",
    errno.ENAMETOOLONG: "the name is too long for this disk",
}


def say(text: str) -> None:
    """Tell the person something; data alone goes to standard output."""
    print(text, file=sys.stderr)


def say_older(out: Path, written: Iterable[Path], parts: Iterable[str]) -> None:
    """Tell which files in these `parts` of a folder an earlier run left, so that nobody takes them for this one's."""
    new = {path.resolve() for path in written}
    there = (out / part for part in parts)
    files = [f for one in there for f in (sorted(one.rglob("*")) if one.is_dir() else [one]) if f.is_file()]
    old = [f for f in files if f.resolve() not in new]
    if old:
        say(
            f"Note: {out} still holds {plural(len(old), 'file')} of an earlier run, such as {old[0]}. They say nothing "
            "about the present data: take them away, or choose a new folder."
        )


def progress_bar(total: int | None, what: str, *, unit: str = "photo"):
    """A bar on standard error that vanishes when done, and is silent where nobody looks.

    It shows how many are done, the rate, the time that remains, and what `set_postfix_str` was told.
    """
    from tqdm import tqdm

    form = "{desc} {n_fmt} of {total_fmt} |{bar}| {rate_fmt}, {remaining} left{postfix}"
    return tqdm(total=total, desc=what, unit=f" {unit}", file=sys.stderr, disable=None, leave=False, bar_format=form)


@contextmanager
def ticking(what: str, *, unit: str = "file") -> Iterator[Callable[[int], None]]:
    """A bar for what learns as it goes how much there is: called with the total each time one is done."""
    with progress_bar(None, what, unit=unit) as bar:

        def tick(total: int) -> None:
            bar.total = total
            bar.update()

        yield tick


def results_ahead(store) -> None:
    """Work out results that are new, with a bar where it takes long, so that who asks for them does not wait.

    Ctrl+C leaves them for whoever asks: what the command was given to do is done.
    """
    from digitise.results.kept import make_ahead

    with suppress(KeyboardInterrupt):
        make_ahead(store)


def whole(least: int, most: int) -> Callable[[str], int]:
    """Reads an argument that is a whole number from `least` to `most`.

    `argparse` turns its `ArgumentTypeError` into a sentence.
    """

    def read(text: str) -> int:
        if not re.fullmatch(r"-?[0-9]{1,9}", text) or not least <= int(text) <= most:
            raise argparse.ArgumentTypeError(f"found '{text}', expected a whole number from {least} to {most}")
        return int(text)

    return read


count, jobs, port = whole(1, 1000), whole(1, 512), whole(1, 65_535)


def store_argument(one: argparse.ArgumentParser) -> None:
    """``--store DIR``."""
    one.add_argument(
        "--store",
        type=Path,
        default=DEFAULT_STORE,
        metavar="DIR",
        help=f"the store, a folder (default: {DEFAULT_STORE})",
    )


def protocols_argument(one: argparse.ArgumentParser) -> None:
    """``--protocol FILE``, repeatable."""
    one.add_argument(
        "--protocol",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="a protocol file, beside the shipped protocols (repeatable)",
    )


def jobs_argument(one: argparse.ArgumentParser) -> None:
    """``--jobs N``."""
    one.add_argument(
        "--jobs", type=jobs, default=None, metavar="N", help="how many processes read at once (default: all cores)"
    )


def open_store(path: Path):
    """The store in a folder; a folder that is none is a `UsageError` that says how to make one, and stays as it is."""
    from digitise.store import Store, holds_store, no_store

    if not holds_store(path):
        raise UsageError(no_store(path))
    return Store.open(path)


def pages_again(args: argparse.Namespace, store, sample, *, ask: Callable) -> list:
    """What `ask` says of the sample's pages, read again with a progress bar; photographs that are lost are told."""
    from digitise.adapt.own_cells import read_again
    from digitise.batch.batch import known_protocols

    photos, again = len({p.sha256 for p in sample.pages}), []
    known = known_protocols(args.protocol, store=store)
    with progress_bar(photos, "reading again") as bar:
        for one in read_again(store, sample.pages, known, ask=ask, jobs=args.jobs or cores()):
            again.append(one)
            bar.update()
    lost = sum(not one.pages for one in again)
    if lost:
        say(f"{lost} of {photos} photographs could not be read again; their cells are left out.")
    return again
