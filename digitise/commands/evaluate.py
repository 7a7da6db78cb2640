"""``digitise evaluate``: readings against the truth."""

from __future__ import annotations

import argparse
from pathlib import Path

from digitise.commands.common import Adder
from digitise.commands.reading import files_to_read, read_all, reading_arguments


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "evaluate",
        _evaluate,
        "compare readings with the truth: accuracy, acceptance, calibration",
        "digitise evaluate sample_scans --truth sample_scans/manifest.json",
    )
    reading_arguments(one)
    one.add_argument("--truth", type=Path, required=True, metavar="FILE", help="a manifest with the true values")


def _evaluate(args: argparse.Namespace) -> int:
    from digitise.batch import Reader, known_protocols
    from digitise.evaluate import judge, read_truth, report

    truth = read_truth(args.truth)
    judged, results = [], []
    files = files_to_read(args.photos)
    with Reader(known_protocols(args.protocol), jobs=args.jobs) as reader:
        results += [taken.result for taken in read_all(reader, files)]
    for result in results:
        if result.sha256 in truth:
            judged += judge(result.readings, truth[result.sha256].cells)
    print(report(judged, results))
    expected = [truth[r.sha256].expect == r.status for r in results if r.sha256 in truth]
    print(
        f"{sum(expected)} of {len(expected)} photographs ended as they should (read, or sent back to be taken again)."
    )
    return 0 if all(expected) else 1
