"""``digitise export`` and ``digitise import``: data for others, and evidence back."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import (
    Adder,
    UsageError,
    open_store,
    results_ahead,
    say,
    say_older,
    store_argument,
    ticking,
)
from digitise.exchange import FORMATS, PARTS, USUAL
from digitise.wording import plural

ABOUT = """\
The file for --about; everything in it may be left out:

  title: Reef surveys of Orrin Shoals
  summary: Cover and density along fixed lines, by volunteers.
  contact: {organisation: Orrin Shoals volunteers, email: data@orrin.example}
  licence: {name: CC-BY-4.0, address: "https://creativecommons.org/licenses/by/4.0/"}
  country_code: XX                  # ISO 3166-1
  water_body: Orrin Shoals
  utc_offset: "+08:00"              # of the times on the sheets
  datum: "EPSG:4326"                # of the coordinates
  position_uncertainty_m: 30
  names:                            # rows of the belt sheets: the lowest rank that is certain
    goby: {scientific_name: Gobiiformes, rank: order}
"""


def add_commands(command: Adder) -> None:
    """Add the parsers."""
    one = command(
        "export",
        _export,
        "write the data for others to open",
        "digitise export --store survey-store --out export",
        file=ABOUT,
    )
    store_argument(one)
    one.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write into")
    one.add_argument(
        "--as",
        dest="formats",
        metavar="FORMATS",
        default=",".join(USUAL),
        help="any of " + "; ".join(f"{k}: {v}" for k, v in FORMATS.items()) + f" (default: {','.join(USUAL)})",
    )
    one.add_argument("--pack", action="append", default=[], metavar="PACK", help="only this survey's pack (repeatable)")
    one.add_argument(
        "--with-unreviewed", action="store_true", help="also while cells wait for a person; they get no value"
    )
    one.add_argument(
        "--pseudonyms", action="store_true", help="replace names of people by pseudonyms that stay the same"
    )
    one.add_argument(
        "--about", type=Path, metavar="FILE", help="YAML: who answers for the data, licence, scientific names"
    )

    one = command(
        "import",
        _import,
        "check exported evidence, and make a store from it",
        "digitise import export/evidence --store second-store",
    )
    one.add_argument("evidence", type=Path, help="the evidence folder")
    one.add_argument("--store", type=Path, metavar="DIR", help="the new store")
    one.add_argument("--dry-run", action="store_true", help="only check that the evidence is whole and unchanged")


def _export(args: argparse.Namespace) -> int:
    from digitise.exchange.about import load_about
    from digitise.exchange.content import Unreviewed
    from digitise.exchange.write import write_export

    formats = [f for f in args.formats.replace(" ", "").split(",") if f]
    with open_store(args.store) as store:
        given = {"formats": formats, "with_unreviewed": args.with_unreviewed, "pseudonyms": args.pseudonyms}
        given |= {"packs": args.pack or None, "about": load_about(args.about)}
        try:
            with ticking("exporting", unit="survey") as tick:
                summary = write_export(store, args.out, now=datetime.now(UTC), tick=tick, **given)
        except Unreviewed as error:
            say(f"digitise export: {error}")
            return 1
        say(f"{args.out}: {summary.sentence}")
        say_older(args.out, summary.files, PARTS)
        for note in summary.notes:
            say(note)
        results_ahead(store)
    return 0


def _import(args: argparse.Namespace) -> int:
    from digitise.exchange.evidence import take_in, verify

    if args.store is None and not args.dry_run:
        raise UsageError("name the new store with --store, or only check the evidence with --dry-run")
    wrong = verify(args.evidence)
    for line in wrong:
        say(line)
    if wrong:
        say(f"{args.evidence}: {plural(len(wrong), 'fault')}; nothing was taken in.")
        return 1
    if args.dry_run:
        say(f"{args.evidence}: whole; every file is what was sealed.")
        return 0
    with take_in(args.evidence, args.store, now=datetime.now(UTC)) as store:
        progress = store.progress()
        say(f"{progress.photos} photographs and {progress.cells} cells taken into {args.store}; the data are the same.")
        results_ahead(store)
    return 0
