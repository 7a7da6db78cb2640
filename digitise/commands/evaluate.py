"""``digitise evaluate``: readings against the truth."""

from __future__ import annotations

import argparse
from pathlib import Path

from digitise.commands.common import Adder
from digitise.commands.reading import read_all, reading_arguments


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
    from digitise.evaluate import judge, read_truth, report

    truth = read_truth(args.truth)
    judged, results = [], []
    for _, result, _ in read_all(args.photos, args.protocol, args.jobs):
        results.append(result)
        if result.sha256 in truth:
            judged += judge(result.readings, truth[result.sha256].cells)
    print(report(judged, results))
    expected = [truth[r.sha256].expect == r.status for r in results if r.sha256 in truth]
    print(
        f"{sum(expected)} of {len(expected)} photographs ended as they should (read, or sent back to be taken again)."
    )
    return 0 if all(expected) else 1
