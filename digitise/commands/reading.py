"""``digitise read``: photographs in, readings out."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, UsageError, progress_bar, say


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command("read", _read, "read photographs of filled sheets", "digitise read photos/ --json readings.json")
    reading_arguments(one)
    one.add_argument("--json", type=Path, metavar="FILE", help="write readings as JSON ('-' for standard output)")
    one.add_argument("--store", type=Path, metavar="DIR", help="keep photographs and readings in this store")


def reading_arguments(one: argparse.ArgumentParser) -> None:
    """Arguments of every command that reads photographs."""
    one.add_argument("photos", nargs="+", type=Path, metavar="PHOTO_OR_FOLDER", help="photographs, or folders of them")
    one.add_argument(
        "--protocol",
        action="append",
        default=[],
        type=Path,
        metavar="FILE",
        help="a protocol beside the shipped ones (repeatable)",
    )
    one.add_argument("--jobs", type=int, default=None, metavar="N", help="processes (default: all cores)")


def read_all(
    paths: Sequence[Path], protocols: Sequence[Path], jobs: int | None
) -> Iterator[tuple[Path, object, object]]:
    """(path, result, known protocols) for each file, with a progress bar and one line a file."""
    from digitise.batch import known_protocols, photo_files, read_batch, summary

    files = photo_files(paths)
    if not files or not any(p.exists() for p in files):
        raise UsageError(f"no photographs found in {', '.join(str(p) for p in paths)}")
    known = known_protocols(protocols)
    with progress_bar(len(files), "reading") as bar:
        for path, result in zip(files, read_batch(files, known, jobs=jobs), strict=True):
            bar.write(summary(result), file=sys.stderr)
            bar.update()
            yield path, result, known


def _read(args: argparse.Namespace) -> int:
    from digitise.batch import keep
    from digitise.reading import RESULT_VERSION

    if args.json is None and args.store is None:
        say("Neither --json nor --store given: readings are shown in summary only.")
    store = None
    if args.store is not None:
        from digitise.store import Store

        store = Store.open(args.store)
    photos, states = [], []
    try:
        for path, result, known in read_all(args.photos, args.protocol, args.jobs):
            states.append(result.status)
            photos.append(result.to_json() if args.json is not None else None)
            if store is not None:
                keep(store, path, result, known, now=datetime.now(UTC))
    finally:
        if store is not None:
            store.close()
    if args.json is not None:
        text = json.dumps({"result_version": RESULT_VERSION, "photos": photos}, indent=1, ensure_ascii=False) + "\n"
        if str(args.json) == "-":
            sys.stdout.write(text)
        else:
            args.json.write_text(text, encoding="utf-8")
    say(
        f"{len(states)} photographs: {states.count('read')} read, {states.count('retake')} to take again, "
        f"{states.count('unreadable')} unreadable."
    )
    return 0 if states.count("read") == len(states) else 1
