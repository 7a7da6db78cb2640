"""``digitise earlier``: results of earlier years, from tables made before."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.commands.common import Adder, UsageError, open_store, results_ahead, say, store_argument, whole

if TYPE_CHECKING:
    from digitise.earlier import EarlierResult
    from digitise.store import Store

MOST_SHOWN = 200
MAPPING = """\
The file for --mapping, for a table with a column for each measure:

  protocol: reef-transect           # a shipped one, or a file beside this one
  site: Station                     # column with the site
  date: When
  date_format: "%d/%m/%Y"           # as in strptime; without it 2026-04-11
  transect: Line                    # if there is a row for each; their mean and its interval are taken
  sites: {Old name: Lantern Reef}   # names as they are on the site sheets now
  columns:
    "HC %": {cover: Hard coral}     # a category, group or total of the protocol, in percent
    "Dams": {count: damselfish, per_m2: 250}   # a row of a belt, per so many square metres

A table with one column of names and one of values has 'measure', 'value' and 'measures' instead of 'columns', and may
have 'low' and 'high'. 'worksheet', 'header_row', 'delimiter', 'decimal' and 'missing' describe the file.
"""


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "earlier",
        _earlier,
        "take in results of earlier years from a CSV file or a workbook",
        "digitise earlier past.xlsx --mapping past.yaml --store survey-store --dry-run",
        file=MAPPING,
    )
    one.add_argument("table", type=Path, nargs="?", help="CSV file or Excel workbook")
    one.add_argument("--mapping", type=Path, metavar="FILE", help="YAML: which column is what")
    store_argument(one)
    one.add_argument("--dry-run", action="store_true", help="only list what would be taken in, and every problem")
    one.add_argument("--list", action="store_true", help="list the tables that were taken in")
    one.add_argument("--take-back", type=whole(1, 999_999), metavar="NUMBER", help="a table of the list counts no more")


def _list(args: argparse.Namespace) -> int:
    from digitise.earlier.keep import kept_tables, take_back
    from digitise.wording import plural

    with open_store(args.store) as store:
        tables = kept_tables(store.folder)
        if args.take_back is None:
            for number, one in enumerate(tables, 1):
                surveys = plural(len({(r.site, r.day) for r in one.results}), "survey")
                at = one.kept_at[:16].replace("T", " ")
                print(f"{number}  {at} UTC  {one.source}: {plural(len(one.results), 'result')} of {surveys}")
            say(f"{plural(len(tables), 'table')}.")
            return 0
        if args.take_back > len(tables):
            raise UsageError(f"--take-back: found {args.take_back}, and --list has {plural(len(tables), 'table')}")
        one = tables[args.take_back - 1]
        take_back(one, at=f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}")
        say(f"{plural(len(one.results), 'result')} of {one.source} taken back; mended, it can be taken in again.")
        results_ahead(store)
    return 0


def _earlier(args: argparse.Namespace) -> int:
    if args.list or args.take_back is not None:
        return _list(args)
    if args.table is None or args.mapping is None:
        raise UsageError("name a table and its --mapping; --list shows what was taken in")
    return _take(args)


def _take(args: argparse.Namespace) -> int:
    from digitise.earlier.keep import keep_table, read_table
    from digitise.earlier.take import may_be_shares
    from digitise.wording import number, plural

    now = datetime.now(UTC)
    results, problems = read_table(args.table, args.mapping, today=now.astimezone().date())
    for problem in problems[:MOST_SHOWN]:
        say(problem.words)
    if len(problems) > MOST_SHOWN:
        say(f"… and {len(problems) - MOST_SHOWN} more")
    surveys = {(r.site, r.day) for r in results}
    found = f"{plural(len(results), 'result')} of {plural(len(surveys), 'survey')} in {args.table}"
    if problems:
        say(f"{found}; {plural(len(problems), 'problem')}. Nothing was taken in: mend the lines named and try again.")
        return 1
    if may_be_shares(results):
        say("Note: no cover is above 1 %. If these are shares of 1, the table has to be changed to percent first.")
    if args.dry_run:
        for r in results:
            limits = f" ({r.low:.1f} to {number(r.high)})" if r.low is not None and r.high is not None else ""
            print(f"{r.site}\t{r.day}\t{r.label}\t{number(r.value)}{limits} {r.unit_words}")
        say(f"{found}, no problem. Nothing was taken in; leave --dry-run out to do so.")
        return 0
    with open_store(args.store) as store:
        keep_table(store.folder, args.table, args.mapping, results, at=f"{now:%Y-%m-%dT%H:%M:%SZ}")
        say(f"{found} taken in; the report draws them along time.")
        results_ahead(store)
        for site in _unknown_sites(store, results):
            say(
                f"Note: {site}: no survey and no plan in {args.store} has this site, so no report shows it. If it is "
                "one of them, take the table back (--list), and tell its name now under 'sites' of the mapping."
            )
    return 0


def _unknown_sites(store: Store, results: Sequence[EarlierResult]) -> list[str]:
    """Sites that a store with others does not know, such as misspelt ones; a report is of sites with surveys."""
    from digitise.results.kept import KeptTables
    from digitise.surveys.known_plan import planned_names
    from digitise.surveys.roster import site_key

    surveyed = filter(None, KeptTables(store).read("surveys", columns=["site"])["site"].unique())
    known = {*planned_names(store.folder), *map(site_key, surveyed)}
    return [site for site in dict.fromkeys(r.site for r in results) if known and site_key(site) not in known]
