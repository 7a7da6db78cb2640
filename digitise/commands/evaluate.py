"""``digitise evaluate``: readings against the truth."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.commands.common import Adder, UsageError, say
from digitise.commands.reading import files_to_read, read_all, reading_arguments
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.adapt.evaluate import Judged


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
    one.add_argument("--plots", type=Path, metavar="DIR", help="draw risk-coverage curves and a reliability diagram")


def _evaluate(args: argparse.Namespace) -> int:
    from digitise.adapt.evaluate import as_it_should, judge, read_truth, report
    from digitise.adapt.known_acceptance import own_acceptance
    from digitise.batch.batch import Reader, known_protocols
    from digitise.reader.learned import SHIPPED, OwnReader

    truth = read_truth(args.truth)
    if args.plots is not None and args.plots.exists() and not args.plots.is_dir():
        raise UsageError(f"{args.plots}: is a file; choose a folder for the plots")
    judged, results = [], []
    files = files_to_read(args.photos)
    own = OwnReader(own_acceptance(args.acceptance)) if args.acceptance is not None else SHIPPED
    with Reader(known_protocols(args.protocol), jobs=args.jobs, own=own) as reader:
        results += [taken.result for taken in read_all(reader, files)]
    known = [(one, truth[one.sha256]) for one in results if one.sha256 in truth]
    for result, true in known:
        judged += [one for sheet in result.sheets for one in judge(sheet.readings, true.cells)]
    print(report(judged, results))
    if args.plots is not None:
        _plots(judged, args.plots)
    good, of = sum(as_it_should(*one) for one in known), plural(len(known), "photograph")
    print(f"{good} of {of} ended as they should (read, or sent back to be taken again).")
    if unknown := sum(not one.sha256 for one in results):
        say(f"{plural(unknown, 'file')} could not be opened or read to the end: nobody knows what they should give.")
    return 0 if good == len(known) and not unknown else 1


def _plots(judged: Sequence[Judged], folder: Path) -> None:
    """Draw what there are cells for, and say where it lies."""
    from digitise.report.figure_files import write_figure
    from digitise.report.measure_plots import figures

    drawn = figures(judged)
    if not drawn:
        say("No cell with a known truth was read, so nothing was drawn.")
        return
    folder.mkdir(parents=True, exist_ok=True)
    for drawing, data in drawn:
        write_figure(drawing, data, folder)
    say(f"Drawn in {folder}: {', '.join(d.name for d, _ in drawn)}, each as SVG and PNG with its numbers as CSV.")
