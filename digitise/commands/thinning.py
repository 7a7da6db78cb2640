"""``digitise thin``: original photographs go by a policy; pages, readings and entries stay."""

from __future__ import annotations

import argparse
import shutil
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from digitise.commands.common import Adder, UsageError, open_store, progress_bar, say, store_argument
from digitise.wording import plural

POLICY = """\
The file for --policy:

  policy: Photographs of Orrin Shoals
  keep_years: 5          # of surveys that are signed and handed over as they are
  refused_years: 1       # of photographs that gave no page; left out, they stay
  handed_over: true      # false: signed ones go too that were not handed over
"""

_YOUNG = "not that old yet, or of a kind for which the policy names no years"


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "thin",
        _thin,
        "remove original photographs that a policy no longer keeps",
        "digitise thin --store survey-store --policy keep.yaml --dry-run",
        file=POLICY,
    )
    store_argument(one)
    one.add_argument("--policy", type=Path, required=True, metavar="FILE", help="YAML: how long what is kept")
    one.add_argument("--by", metavar="NAME", help="name of whoever does it; the store notes it")
    one.add_argument("--dry-run", action="store_true", help="only list what would go, and what stays and why")


def _thin(args: argparse.Namespace) -> int:
    from digitise.store.retention import KEPT_AS, due, load_policy, thin
    from digitise.store.values import person

    policy = load_policy(args.policy)
    if not args.dry_run and not args.by:
        raise UsageError("name who does it with --by, or only look with --dry-run")
    now = datetime.now(UTC)
    say(policy.sentence)
    with open_store(args.store) as store:
        go, stay = due(store, policy, now=now)
        reasons = Counter(one.why for one in stay)
        reasons[_YOUNG] = len(store.photos()) - len(store.thinned.all()) - len(go) - len(stay)
        for why, photos in (+reasons).items():
            say(f"{plural(photos, 'photograph')} stay{'s' if photos == 1 else ''}: {why}")
        size = sum(one.photo.bytes for one in go) / 1e6
        if args.dry_run:
            for one in go:
                print(f"{one.photo.name}: {one.why}")
            say(f"{plural(len(go), 'photograph')}, {size:.1f} MB, would go.")
            return 0
        person(args.by)
        with progress_bar(len(go), "Thinning") as bar:
            for _ in thin(store, go, policy, by=args.by, now=now):
                bar.update()
        shutil.copyfile(args.policy, store.folder / KEPT_AS)
    say(f"{plural(len(go), 'photograph')}, {size:.1f} MB, went; their flattened pages, readings and entries stay.")
    return 0
