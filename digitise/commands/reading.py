"""``digitise read``: photographs in, readings out."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import (
    STOPPED,
    Adder,
    UsageError,
    jobs_argument,
    progress_bar,
    protocols_argument,
    results_ahead,
    say,
)
from digitise.wording import plural

LOOK_EVERY_S = 1.0


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command("read", _read, "read photographs of filled sheets", "digitise read photos --store survey-store")
    reading_arguments(one)
    one.add_argument("--json", type=place, metavar="FILE", help="write readings as JSON ('-' for standard output)")
    one.add_argument("--store", type=Path, metavar="DIR", help="keep photographs and readings in this store")
    one.add_argument(
        "--dask", metavar="ADDRESS", help="read on the machines of this Dask scheduler, such as tcp://HOST:8786"
    )
    one.add_argument("--watch", action="store_true", help="go on reading what comes into the folders, until Ctrl+C")


def reading_arguments(one: argparse.ArgumentParser) -> None:
    """Arguments of every command that reads photographs."""
    one.add_argument(
        "photos",
        nargs="+",
        type=place,
        metavar="PHOTO_OR_FOLDER",
        help="photographs, PDFs or zip archives of them, or folders; also addresses such as s3://BUCKET/FOLDER",
    )
    protocols_argument(one)
    one.add_argument(
        "--acceptance",
        type=Path,
        metavar="FILE",
        help="thresholds of 'digitise calibrate' in place of the shipped ones",
    )
    jobs_argument(one)


def place(text: str):
    """A path or an address; `argparse` turns its `ArgumentTypeError` into a sentence."""
    from digitise.batch import remote

    try:
        return remote.place(text)
    except remote.RemoteError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def read_all(reader, paths: Sequence[Path]) -> Iterator:
    """Every picture in the files and folders as `digitise.batch.batch.Taken`, with a progress bar and one line each."""
    from digitise.batch.batch import summary

    pictures = reader.pictures(paths)
    counts: Counter[str] = Counter()
    with progress_bar(len(pictures), "reading") as bar:
        for taken in reader.read(pictures):
            counts[taken.result.status if taken.result else "kept"] += 1
            if taken.result is not None:
                bar.write(summary(taken.result), file=sys.stderr)
            bar.set_postfix_str(_counted(counts), refresh=False)
            bar.update()
            yield taken


def _counted(counts: Counter[str]) -> str:
    before = f", {counts['kept']} done before" if counts["kept"] else ""
    return f"{counts['read']} read, {counts['retake']} to take again, {counts['unreadable']} unreadable{before}"


def files_to_read(paths: Sequence) -> list:
    """The files named, or in the folders named, here or in buckets; `UsageError` when there is none."""
    from glob import has_magic

    from digitise.batch.folders import photo_files

    files = photo_files(paths)
    if not any(not isinstance(p, Path) or p.exists() for p in files):
        lacking = [str(p) for p in paths if isinstance(p, Path) and not p.exists() and not has_magic(str(p))]
        if lacking:
            raise UsageError(f"{', '.join(lacking)}: no such file or folder")
        raise UsageError(f"no photographs found in {', '.join(str(p) for p in paths)}")
    return files


class _Run:
    """One run of the command: what was read so far goes to the store and into the JSON file as it comes."""

    def __init__(self, args: argparse.Namespace, known, store) -> None:
        self.known, self.store, self.json = known, store, args.json
        self.own = _own_reader(args.acceptance, store)
        self._states: dict[Path, list[str]] = {}  # by file: one for each sheet
        self._photos: dict[Path, list[dict]] = {}
        self.lost = 0  # pictures that could not be fetched
        self.missing = store.missing_originals() if store is not None else frozenset()
        self.journal = None
        if args.json is not None and str(args.json) != "-":
            from digitise.batch.batch import signature
            from digitise.batch.journal import journal_beside

            self.journal = journal_beside(args.json, signature(known, self.own))

    @property
    def counts(self) -> Counter[str]:
        """How many sheets were read, are to be taken again, could not be read, or are known already."""
        return Counter(state for states in self._states.values() for state in states)

    def forget(self, paths: Sequence[Path]) -> None:
        """Files that have changed are read again, and stand in the JSON file once; what a store keeps, it keeps."""
        for path in paths:
            self._states.pop(path, None)
            self._photos.pop(path, None)

    def done(self) -> frozenset[str]:
        """Pictures whose reading is at hand already, wherever it is asked for."""
        from digitise.batch.batch import read_before

        kept = read_before(self.store) if self.store is not None else None
        noted = frozenset(self.journal.done if self.journal else ()) if self.json is not None else None
        both = [s for s in (kept, noted) if s is not None]
        return frozenset.intersection(*both) if both else frozenset()

    def add(self, taken) -> None:
        """Keep one picture's readings."""
        from digitise.batch.batch import keep

        self.lost += taken.lost
        if self.json is not None:
            sheets = (
                [one.to_json() for one in taken.result.sheets]
                if taken.result
                else [sheet | {"file": taken.name} for sheet in self.journal.done[taken.sha256]]
            )
            self._photos.setdefault(taken.path, []).extend(sheets)
            if self.journal:
                self.journal.add(taken.sha256, sheets)
        states = [one.status for one in taken.result.sheets] if taken.result else ["kept"]
        for lost in self._keep(keep, taken):
            say(f"{taken.name}: {lost}")
            states[-1] = "retake"
        self._states.setdefault(taken.path, []).extend(states)

    def _keep(self, keep, taken) -> tuple[str, ...]:
        """Put a picture into the store, where there is one."""
        if self.store is None:
            return ()
        lost = keep(self.store, taken, self.known, now=datetime.now(UTC), own=self.own)
        if taken.data and taken.sha256 in self.missing:
            self.missing -= {taken.sha256}
            say(f"{taken.name}: the store's original was gone; it was put back.")
        return lost

    def write(self) -> None:
        """The JSON file, whole."""
        from digitise.batch.journal import write_whole
        from digitise.reader.reading import RESULT_VERSION

        if self.json is None:
            return
        data = {"result_version": RESULT_VERSION, "photos": self._sheets()}
        text = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
        if str(self.json) == "-":
            sys.stdout.write(text)
        else:
            write_whole(self.json, text)

    def _sheets(self) -> list[dict]:
        """What was read, file by file; of one that was moved or renamed since, under its present name only."""
        there = {path: not isinstance(path, Path) or path.exists() for path in self._photos}
        known = {_picture(sheet) for path, sheets in self._photos.items() if there[path] for sheet in sheets}
        return [
            sheet
            for path, sheets in self._photos.items()
            for sheet in sheets
            if there[path] or not sheet["sha256"] or _picture(sheet) not in known
        ]

    def code(self) -> int:
        """The last sentence, and the command's exit code."""
        counts = self.counts
        say(f"{plural(counts.total(), 'photograph')}: {_counted(counts)}.")
        return 1 if counts["retake"] + counts["unreadable"] else 0


def _picture(sheet: dict) -> tuple:
    return sheet["sha256"], sheet.get("file_page")


def _own_reader(file: Path | None, store):
    """Thresholds and what was learned to read with; thresholds given for a store are kept there for later."""
    from digitise.adapt.known_acceptance import keep_acceptance, own_acceptance
    from digitise.adapt.known_learned import known_learned, known_reader
    from digitise.reader.learned import OwnReader

    if store is None:
        return OwnReader(own_acceptance(file) if file is not None else None)
    if file is not None:
        learned, _ = known_learned(store.folder)
        keep_acceptance(store.folder, file, learned=learned.digest if learned else "")
    own = known_reader(store.folder)
    _tell_learned(own, store)
    _tell_thresholds(own.acceptance, store)
    return own


def _tell_learned(own, store) -> None:
    if own.trouble:
        say(own.trouble)
    elif own.learned is not None:
        say(f"The reader has learned from this store ({own.learned.digest}): {own.learned.about}.")
    elif any("-learned-" in page.reader_version for page in store.pages()):
        say("Pages were read by a reader that had learned; the shipped one reads now. To learn again: digitise learn")


def _tell_thresholds(acceptance, store) -> None:
    from digitise.reader.calibration import OWN_CELLS

    if acceptance is not None:
        say(f"Thresholds of this store: {acceptance.basis}.")
    bases = [page.acceptance_basis for page in store.pages()]
    others = sum(b != acceptance.basis if acceptance is not None else b.startswith(OWN_CELLS) for b in bases)
    if others and acceptance is not None:
        say(f"{others} pages of the store were read with other thresholds before; they stay as they are.")
    elif others:
        say(
            f"{others} pages were read with thresholds set on this store's own cells, which are not in the store now: "
            "give them again with --acceptance FILE."
        )


@contextmanager
def _ending_alike() -> Iterator[None]:
    """A polite `kill` ends the run as Ctrl+C does."""
    import signal
    import threading

    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield
        return

    def stop(*_signal) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _read(args: argparse.Namespace) -> int:
    from digitise.batch.batch import Reader, known_protocols

    if args.dask and args.jobs:
        raise UsageError(
            "--jobs is for this computer; a cluster has its own number of workers, so leave --jobs out with --dask"
        )
    if isinstance(args.json, Path) and args.json.is_dir():
        raise UsageError(f"--json {args.json}: this is a folder; name a file")
    files = _folders(args.photos) if args.watch else files_to_read(args.photos)
    if args.json is None and args.store is None:
        say("Neither --json nor --store given: readings are shown in summary only.")
    store, run, ended = None, None, False
    try:
        if args.store is not None:
            from digitise.store import Store

            store = Store.open(args.store)
        run = _Run(args, known_protocols(args.protocol, store=store), store)
        given = {"jobs": args.jobs, "done": run.done(), "missing": run.missing}
        given |= {"wanted": store is not None, "own": run.own}
        given["cluster"] = args.dask
        with _ending_alike(), Reader(run.known, **given) as reader:
            if args.watch:
                _watch(files, reader, run)
            else:
                for taken in read_all(reader, files):
                    run.add(taken)
        if run.counts or not args.watch:  # a watch that was ended before anything came leaves what there is
            run.write()
        if store is not None and not args.watch:  # who has pressed Ctrl+C does not wait
            results_ahead(store)
        ended = not run.lost
        return run.code()
    except KeyboardInterrupt:
        return _interrupted(args, run)
    finally:
        if run is not None and run.journal:
            run.journal.close(ended=ended)
        if store is not None:
            store.close()


def _interrupted(args: argparse.Namespace, run: _Run | None) -> int:
    done = 0 if run is None else len(run.journal.done) if run.journal else run.counts.total()
    again = args.store is not None or (args.json is not None and str(args.json) != "-")
    say(
        f"Stopped after {plural(done, 'photograph')}. "
        + ("The same command goes on from there." if again else "Nothing was kept.")
    )
    return STOPPED


def _folders(paths: Sequence[Path]) -> list[Path]:
    """The paths, when all are folders that can be watched."""
    wrong = [str(p) for p in paths if not isinstance(p, Path) or not p.is_dir()]
    if wrong:
        raise UsageError(f"{', '.join(wrong)}: --watch follows folders of this computer; make the folder first")
    return list(paths)


def _watch(paths: Sequence[Path], reader, run: _Run) -> None:
    """Read what comes, until Ctrl+C; files that still grow are left until they are quiet."""
    from digitise.batch.folders import photo_files
    from digitise.batch.watch import Watch
    from digitise.results.kept import make_ahead

    watch = Watch()
    say(f"Watching {', '.join(str(p) for p in paths)}; Ctrl+C ends it.")
    try:
        while True:
            ready = watch.ready(photo_files(paths), now=time.monotonic())
            if ready:
                run.forget(ready)
                for taken in read_all(reader, ready):
                    run.add(taken)
                if str(run.json) != "-":
                    run.write()
                if run.store is not None:
                    make_ahead(run.store)
            time.sleep(LOOK_EVERY_S)
    except KeyboardInterrupt:
        say("")
