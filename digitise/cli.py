"""The ``digitise`` command: parse, call, print. Data goes to standard output or files, talk to standard error.

Exit codes: 0 all well, 1 some photograph was not read (or a check failed), 2 unusable arguments.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from digitise import __version__

DEFAULT_STORE = Path("survey-store")


class UsageError(ValueError):
    """Arguments that cannot be used; ends the command with code 2 and one sentence."""


def _say(text: str) -> None:
    print(text, file=sys.stderr)


def _bar(total: int, what: str):
    from tqdm import tqdm

    return tqdm(total=total, desc=what, unit="photo", file=sys.stderr, disable=None, leave=False)


def _sheets(args: argparse.Namespace) -> int:
    from digitise.protocol import PAPERS_MM, load_protocol
    from digitise.sheet import write_sheets

    protocol = load_protocol(args.protocol)
    papers = tuple(PAPERS_MM) if args.paper == "all" else (args.paper or protocol.paper,)
    written = write_sheets(protocol, args.out, papers=papers, packs=args.packs)
    _say(
        f"{len(written)} pages in {args.packs} pack(s) on {' and '.join(papers)} written to {args.out}; "
        f"to print them all: {', '.join(str(args.out / 'print' / f'{p.lower()}.pdf') for p in papers)}. "
        "Print at 100 % (actual size)."
    )
    return 0


def _codes(args: argparse.Namespace) -> int:
    from digitise.codes import choose_codes

    chosen = choose_codes(args.count)
    print("\n".join(chosen.codes))
    a, b = chosen.nearest
    _say(
        f"{args.count} codes, any two differ in both letters. Nearest pair {a} and {b}: the reader would have to "
        f"misread both letters, about 1 in {round(1 / chosen.chance):,} by its measured confusions."
    )
    return 0


def _read_all(
    paths: Sequence[Path], protocols: Sequence[Path], jobs: int | None
) -> Iterator[tuple[Path, object, object]]:
    """(path, result, known protocols) for each file, with a progress bar and one line a file."""
    from digitise.batch import known_protocols, photo_files, read_batch, summary

    files = photo_files(paths)
    if not files or not any(p.exists() for p in files):
        raise UsageError(f"no photographs found in {', '.join(str(p) for p in paths)}")
    known = known_protocols(protocols)
    with _bar(len(files), "reading") as bar:
        for path, result in zip(files, read_batch(files, known, jobs=jobs), strict=True):
            bar.write(summary(result), file=sys.stderr)
            bar.update()
            yield path, result, known


def _read(args: argparse.Namespace) -> int:
    from digitise.batch import keep
    from digitise.reading import RESULT_VERSION

    if args.json is None and args.store is None:
        _say("Neither --json nor --store given: readings are shown in summary only.")
    store = None
    if args.store is not None:
        from digitise.store import Store

        store = Store.open(args.store)
    photos, states = [], []
    try:
        for path, result, known in _read_all(args.photos, args.protocol, args.jobs):
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
    _say(
        f"{len(states)} photographs: {states.count('read')} read, {states.count('retake')} to take again, "
        f"{states.count('unreadable')} unreadable."
    )
    return 0 if states.count("read") == len(states) else 1


def _review(args: argparse.Namespace) -> int:
    import subprocess

    command = [sys.executable, "-m", "review_app", str(args.store), "--host", args.host, "--port", str(args.port)]
    _say(f"Review screens at http://{args.host}:{args.port} (Ctrl+C stops them).")
    try:
        return subprocess.call(command)  # noqa: S603 - our own program, no shell
    except KeyboardInterrupt:
        return 0


def _open_store(path: Path):
    from digitise.store import Store

    if not path.is_dir():
        raise UsageError(f"{path}: no such store; make one with: digitise read PHOTOS --store {path}")
    return Store.open(path)


def _results(args: argparse.Namespace) -> int:
    from digitise.results import write_results

    with _open_store(args.store) as store:
        written = write_results(store, args.out, now=datetime.now(UTC), packs=args.pack or None)
    _say("Results: " + ", ".join(str(p) for p in written))
    return 0


def _export(args: argparse.Namespace) -> int:
    from digitise.export import write_export

    with _open_store(args.store) as store:
        summary = write_export(store, args.out, now=datetime.now(UTC), packs=args.pack or None)
    _say(summary.sentence)
    return 0


def _evaluate(args: argparse.Namespace) -> int:
    from digitise.evaluate import judge, read_truth, report

    truth = read_truth(args.truth)
    judged, results = [], []
    for _, result, _ in _read_all(args.photos, args.protocol, args.jobs):
        results.append(result)
        if result.sha256 in truth:
            judged += judge(result.readings, truth[result.sha256].cells)
    print(report(judged, results))
    expected = [truth[r.sha256].expect == r.status for r in results if r.sha256 in truth]
    print(
        f"{sum(expected)} of {len(expected)} photographs ended as they should (read, or sent back to be taken again)."
    )
    return 0 if all(expected) else 1


def _demo(args: argparse.Namespace) -> int:
    from digitise.demo import run_demo

    return run_demo(args.out, photos=args.photos, app=not args.no_app, port=args.port, say=_say)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="digitise", description="Phone photographs of pencil-written reef-survey sheets become cover and density."
    )
    parser.add_argument("--version", action="version", version=f"digitise {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run, text: str, example: str) -> argparse.ArgumentParser:
        one = commands.add_parser(
            name, help=text, description=text[0].upper() + text[1:] + ".", epilog=f"Example: {example}"
        )
        one.set_defaults(run=run)
        return one

    def reading(one: argparse.ArgumentParser) -> None:
        one.add_argument(
            "photos", nargs="+", type=Path, metavar="PHOTO_OR_FOLDER", help="photographs, or folders of them"
        )
        one.add_argument(
            "--protocol",
            action="append",
            default=[],
            type=Path,
            metavar="FILE",
            help="a protocol beside the shipped ones (repeatable)",
        )
        one.add_argument("--jobs", type=int, default=None, metavar="N", help="processes (default: all cores)")

    one = command(
        "sheets", _sheets, "print packs of survey sheets as PDF", "digitise sheets reef-transect --out sheets --packs 5"
    )
    one.add_argument("protocol", help="protocol file, or the name of a shipped one")
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument("--packs", type=_count, default=1, metavar="N", help="packs, one for each survey (default: 1)")
    one.add_argument("--paper", choices=("A4", "letter", "all"), help="paper (default: the protocol's)")

    one = command("codes", _codes, "choose two-letter codes that survive being misread", "digitise codes 9")
    one.add_argument("count", type=_count, help="how many codes")

    one = command("read", _read, "read photographs of filled sheets", "digitise read photos/ --json readings.json")
    reading(one)
    one.add_argument("--json", type=Path, metavar="FILE", help="write readings as JSON ('-' for standard output)")
    one.add_argument("--store", type=Path, metavar="DIR", help="keep photographs and readings in this store")

    one = command("review", _review, "open the review screens on a store", "digitise review --store survey-store")
    one.add_argument("--store", type=Path, default=DEFAULT_STORE, metavar="DIR")
    one.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    one.add_argument("--port", type=int, default=8501)

    for name, run, text in (
        ("results", _results, "compute cover and density with intervals, as a page and tables"),
        ("export", _export, "write everything as tidy CSV tables"),
    ):
        one = command(name, run, text, f"digitise {name} --store survey-store --out {name}")
        one.add_argument("--store", type=Path, default=DEFAULT_STORE, metavar="DIR")
        one.add_argument("--out", type=Path, required=True, metavar="DIR")
        one.add_argument(
            "--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)"
        )

    one = command(
        "evaluate",
        _evaluate,
        "compare readings with the truth: accuracy, acceptance, calibration",
        "digitise evaluate sample_scans --truth sample_scans/manifest.json",
    )
    reading(one)
    one.add_argument("--truth", type=Path, required=True, metavar="FILE", help="a manifest with the true values")

    one = command("demo", _demo, "show the whole way on the sample photographs", "digitise demo")
    one.add_argument("--out", type=Path, default=Path("demo"), metavar="DIR")
    one.add_argument("--photos", type=Path, default=Path("sample_scans"), metavar="DIR")
    one.add_argument("--port", type=int, default=8501)
    one.add_argument("--no-app", action="store_true", help="do not start the review screens at the end")
    return parser


def _count(text: str) -> int:
    value = int(text)
    if not 1 <= value <= 1000:
        raise argparse.ArgumentTypeError(f"{value}: expected 1 to 1000")
    return value


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; returns the exit code."""
    args = _parser().parse_args(argv)
    try:
        return args.run(args)
    except (ValueError, OSError) as error:
        _say(f"digitise {args.command}: {error}")
        return 2


if __name__ == "__main__":
    raise SystemExit(main())
