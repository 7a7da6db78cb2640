"""Train and calibrate the readers: ``python -m digitise.train --help``."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from digitise.reader.characters import MODELS
from digitise.sheets.protocol import load_protocol
from digitise.simulate.hand import load_hands, pooled, split_writers


def main() -> None:
    """Run one step of training."""
    parser = argparse.ArgumentParser(prog="python -m digitise.train", description=main.__doc__)
    steps = parser.add_subparsers(dest="step", required=True)
    one = steps.add_parser("harvest", help="photograph practice sheets and cut out labelled cells")
    one.add_argument("--strokes", type=Path, required=True, help="stroke data (.jsonl.gz)")
    one.add_argument("--writers", choices=("train", "calibrate"), required=True)
    one.add_argument("--protocol", default="reef-transect")
    one.add_argument("--out", type=Path, required=True)
    one.add_argument("--seconds", type=float, default=600)
    one.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    one.add_argument("--seed", type=int, default=1_000_000)
    one.add_argument("--rows", nargs="+", default=(), metavar="KIND", help="only sheets with these rows of cells")
    one.add_argument("--traced", type=Path, metavar="FILE", help="strokes that 'trace' wrote, to train on as well")
    zero = steps.add_parser("trace", help="trace handwritten digits that are kept as pictures back to pen strokes")
    zero.add_argument("--images", type=Path, required=True, help="IDX file of pictures")
    zero.add_argument("--labels", type=Path, required=True, help="IDX file of what they show")
    zero.add_argument("--skip", type=int, default=0, help="leave out so many at the beginning")
    zero.add_argument("--leave-out", default="", metavar="DIGITS", help="digits not wanted, such as 17")
    zero.add_argument("--out", type=Path, required=True, metavar="FILE.jsonl.gz")
    two = steps.add_parser("fit", help="train one network and export ONNX")
    two.add_argument("--train", type=Path, nargs="+", required=True)
    two.add_argument("--network", choices=("character", "tally", "line"), required=True)
    two.add_argument("--out", type=Path, required=True, metavar="FILE.onnx")
    two.add_argument("--seconds", type=float, default=400)
    two.add_argument("--seed", type=int, default=1)
    two.add_argument("--fuse", action="store_true", help="compile the network first (on a GPU)")
    two.add_argument("--start", type=Path, metavar="FILE.onnx", help="go on training this network")
    check = steps.add_parser("check", help="what the shipped networks reach on other writers (writes training.json)")
    check.add_argument("--check", type=Path, required=True)
    check.add_argument("--models", type=Path, default=MODELS)
    mean = steps.add_parser("average", help="average networks trained apart into one file")
    mean.add_argument("networks", nargs="+", type=Path, metavar="FILE.onnx")
    mean.add_argument("--weights", action="store_true", help="networks that went on from the first: mean weights")
    mean.add_argument("--out", type=Path, required=True)
    three = steps.add_parser("calibrate", help="set probabilities and acceptance thresholds")
    three.add_argument("--strokes", type=Path)
    three.add_argument("--protocol", default="reef-transect")
    three.add_argument("--out", type=Path, required=True)
    three.add_argument("--pages", type=int, default=400)
    three.add_argument("--rows", type=Path, help="set thresholds again from rows kept by an earlier run")
    three.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args()
    if args.step == "fit":
        from digitise.train.fit import fit

        fit(args.train, args.out, args.network, seconds=args.seconds, seed=args.seed, start=args.start, fuse=args.fuse)
        return
    if args.step == "trace":
        from digitise.train.trace import trace

        digits = trace(args.images, args.labels, args.out, skip=args.skip, leave_out=args.leave_out)
        print(f"{digits} digits in {args.out}")
        return
    if args.step == "check":
        from digitise.train.check import check_networks, summary

        print(summary(check_networks(args.models, args.check)))
        return
    if args.step == "average":
        from digitise.train.average import average, average_weights

        (average_weights if args.weights else average)(args.networks, args.out)
        return
    if args.step == "calibrate" and args.rows:
        from digitise.train.calibrate import read_rows, set_acceptance

        rows = read_rows(args.rows)
        pages = len({r.page for r in rows})
        basis = f"simulated photographs: {pages} pages, {len(rows)} cells, by writers that training never saw"
        set_acceptance(rows, basis, args.out)
        return
    hands = load_hands(args.strokes)
    train, calibrate, _ = split_writers(hands)
    protocol = load_protocol(args.protocol)
    if args.step == "harvest":
        from digitise.train.harvest import harvest

        names = train if args.writers == "train" else calibrate
        if args.traced and args.writers != "train":
            parser.error("--traced belongs to --writers train: nobody knows who wrote these digits")
        if args.traced:
            more = load_hands(args.traced)
            hands, names = {**hands, **more}, [*names, *more]
        hands = pooled(hands, names)
        pages = harvest(
            protocol, hands, args.out, seconds=args.seconds, jobs=args.jobs, seed=args.seed, rows=tuple(args.rows)
        )
        print(f"{pages} pages by {len(names)} writers in {args.out}")
        return
    from digitise.train.calibrate import calibrate as run

    run(protocol, pooled(hands, calibrate), args.out, pages=args.pages, jobs=args.jobs)


if __name__ == "__main__":
    main()
