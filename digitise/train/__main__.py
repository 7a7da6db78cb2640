"""Train and calibrate the readers: ``python -m digitise.train --help``."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path

from digitise.reader.characters import MODELS
from digitise.sheets.protocol import load_protocol
from digitise.simulate.hand import load_hands, pooled, split_writers

Step = Callable[[argparse.Namespace], None]


def main() -> None:
    """Run one step of training."""
    parser = argparse.ArgumentParser(prog="python -m digitise.train", description=main.__doc__)
    steps = parser.add_subparsers(dest="step", required=True)

    def step(name: str, run: Step, words: str) -> argparse.ArgumentParser:
        one = steps.add_parser(name, help=words)
        one.set_defaults(run=run, refuse=parser.error)
        return one

    _recipe_options(step("recipe", _recipe, "make all networks as the shipped ones were made"))
    _harvest_options(step("harvest", _harvest, "photograph practice sheets and cut out labelled cells"))
    _trace_options(step("trace", _trace, "trace handwritten digits that are kept as pictures back to pen strokes"))
    _fit_options(step("fit", _fit, "train one network and export ONNX"))
    _check_options(step("check", _check, "what the shipped networks reach on other writers (writes training.json)"))
    _calibrate_options(step("calibrate", _calibrate, "set probabilities and acceptance thresholds"))
    args = parser.parse_args()
    args.run(args)


def _recipe_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--strokes", type=Path, required=True, help="stroke data (.jsonl.gz)")
    step.add_argument("--images", type=Path, required=True, help="IDX file of pictures of digits")
    step.add_argument("--labels", type=Path, required=True, help="IDX file of what they show")
    step.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="files that are there are kept")
    step.add_argument("--share", type=float, default=1.0, help="of each step's seconds, for a trial (default 1)")


def _recipe(args: argparse.Namespace) -> None:
    from digitise.train.recipe import follow

    given = {"STROKES": args.strokes, "IMAGES": args.images, "LABELS": args.labels}
    follow(given, args.out, share=args.share)


def _harvest_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--strokes", type=Path, required=True, help="stroke data (.jsonl.gz)")
    step.add_argument("--writers", choices=("train", "calibrate"), required=True)
    step.add_argument("--protocol", default="reef-transect")
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--seconds", type=float, default=600)
    step.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    step.add_argument("--seed", type=int, default=1_000_000)
    step.add_argument("--rows", nargs="+", default=(), metavar="KIND", help="only sheets with these rows of cells")
    step.add_argument("--traced", type=Path, metavar="FILE", help="strokes that 'trace' wrote, to train on as well")


def _harvest(args: argparse.Namespace) -> None:
    from digitise.train.harvest import harvest

    if args.traced and args.writers != "train":
        args.refuse("--traced belongs to --writers train: nobody knows who wrote these digits")
    hands = load_hands(args.strokes)
    train, calibrate, _ = split_writers(hands)
    names = train if args.writers == "train" else calibrate
    if args.traced:
        more = load_hands(args.traced)
        hands, names = {**hands, **more}, [*names, *more]
    pages = harvest(
        load_protocol(args.protocol),
        pooled(hands, names),
        args.out,
        seconds=args.seconds,
        jobs=args.jobs,
        seed=args.seed,
        rows=tuple(args.rows),
    )
    print(f"{pages} pages by {len(names)} writers in {args.out}")


def _trace_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--images", type=Path, required=True, help="IDX file of pictures")
    step.add_argument("--labels", type=Path, required=True, help="IDX file of what they show")
    step.add_argument("--skip", type=int, default=0, help="leave out so many at the beginning")
    step.add_argument("--leave-out", default="", metavar="DIGITS", help="digits not wanted, such as 17")
    step.add_argument("--out", type=Path, required=True, metavar="FILE.jsonl.gz")


def _trace(args: argparse.Namespace) -> None:
    from digitise.train.trace import trace

    digits = trace(args.images, args.labels, args.out, skip=args.skip, leave_out=args.leave_out)
    print(f"{digits} digits in {args.out}")


def _fit_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--train", type=Path, nargs="+", required=True)
    step.add_argument("--network", choices=("character", "tally", "line"), required=True)
    step.add_argument("--out", type=Path, required=True, metavar="FILE.onnx")
    step.add_argument("--seconds", type=float, default=400)
    step.add_argument("--seed", type=int, default=1)
    step.add_argument("--fuse", action="store_true", help="compile the network first (on a GPU)")
    step.add_argument("--start", type=Path, metavar="FILE.onnx", help="go on training this network")


def _fit(args: argparse.Namespace) -> None:
    from digitise.train.fit import fit

    fit(args.train, args.out, args.network, seconds=args.seconds, seed=args.seed, start=args.start, fuse=args.fuse)


def _check_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--check", type=Path, required=True)
    step.add_argument("--models", type=Path, default=MODELS)


def _check(args: argparse.Namespace) -> None:
    from digitise.train.check import check_networks, summary

    print(summary(check_networks(args.models, args.check)))


def _calibrate_options(step: argparse.ArgumentParser) -> None:
    step.add_argument("--strokes", type=Path)
    step.add_argument("--protocol", default="reef-transect")
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--pages", type=int, default=400)
    step.add_argument("--rows", type=Path, help="set thresholds again from rows kept by an earlier run")
    step.add_argument("--earlier", type=Path, help="with --rows: thresholds that hold for both runs together stay")
    step.add_argument("--groups", nargs="+", default=(), help="with --rows: set only these; OUT keeps its others")
    step.add_argument("--tallies", action="store_true", help="only sheets with tallies, half of them without totals")
    step.add_argument("--seed", type=int, default=5_000_000)
    step.add_argument("--jobs", type=int, default=os.cpu_count() or 1)


def _calibrate(args: argparse.Namespace) -> None:
    from digitise.reader.calibration import read_acceptance
    from digitise.train.calibrate import calibrate, read_rows, set_acceptance

    if args.rows:
        rows = read_rows(args.rows)
        pages = len({r.page for r in rows})
        basis = f"simulated photographs: {pages} pages, {len(rows)} cells, by writers that training never saw"
        earlier = read_acceptance(args.earlier) if args.earlier else None
        set_acceptance(rows, basis, args.out, earlier=earlier, groups=args.groups)
        return
    hands = load_hands(args.strokes)
    hands = pooled(hands, split_writers(hands)[1])
    calibrate(
        load_protocol(args.protocol),
        hands,
        args.out,
        pages=args.pages,
        jobs=args.jobs,
        seed=args.seed,
        tallies=args.tallies,
    )


if __name__ == "__main__":
    main()
