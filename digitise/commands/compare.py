"""``digitise compare``: what changed between surveys, and trends."""

from __future__ import annotations

import argparse
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.commands.common import Adder, UsageError, open_store, say, store_argument
from digitise.wording import in_line, number, p_text, plural

if TYPE_CHECKING:
    from digitise.results.compare import Compared, SiteTrend, SurveySample

SHOWN = "{label:<28} {before:>8} {after:>8}   {change:>24}   {p:>7} {adjusted:>8}   {detectable:>10} {needed:>7}"


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "compare",
        _compare,
        "show what changed between surveys, with intervals, and trends over the years",
        "digitise compare --store survey-store --site 'Pilot Garden' --out changes",
    )
    store_argument(one)
    one.add_argument("--site", action="append", default=[], metavar="NAME", help="only this site (repeatable)")
    one.add_argument(
        "--pack",
        action="append",
        default=[],
        metavar="PACK",
        help="compare two surveys; give it twice, earlier first",
    )
    one.add_argument("--paired", action="store_true", help="the same marked lines were laid again, T1 on T1 and so on")
    one.add_argument(
        "--headline",
        action="append",
        default=[],
        metavar="ID",
        help="a variable named in advance, such as substrate/sand (repeatable)",
    )
    one.add_argument(
        "--detect",
        type=_percent,
        default=20.0,
        metavar="PERCENT",
        help="plan for a change of so many percent (default: 20)",
    )
    one.add_argument("--out", type=Path, metavar="DIR", help="write changes.csv and trends.csv here")


def _percent(text: str) -> float:
    """A change to plan for."""
    with suppress(ValueError):
        if 0 < float(text) <= 1000:
            return float(text)
    raise argparse.ArgumentTypeError(f"found '{text}', expected a change in percent, above 0 and up to 1000")


def _compare(args: argparse.Namespace) -> int:
    from digitise.notebook import Programme

    if len(args.pack) not in (0, 2):
        raise UsageError(f"--pack was given {len(args.pack)} times; give it twice, or not at all")
    with Programme(open_store(args.store)) as programme:
        pairs = programme.pairs(args.site, args.pack)
        compared = programme.compared(pairs, paired=args.paired, headlines=args.headline, detect_percent=args.detect)
        found = () if args.pack else programme.found_trends(args.site, headlines=args.headline)
    if not compared and not found:
        say(_why_nothing(pairs))
        return 1
    for before, after in pairs:
        _print_changes(before, after, [c for c in compared if (c.before, c.after) == (before, after)])
    _print_trends(found)
    if args.out:
        _write(args.out, compared, found)
    return 0


def _why_nothing(pairs: list[tuple[SurveySample, SurveySample]]) -> str:
    """Why there is no change to show, and what to do."""
    if not pairs:
        return "Nothing to compare: a site needs surveys on two dates, with its name; or name two packs with --pack."
    which = "; ".join(f"{_survey(before)} and {_survey(after)}" for before, after in pairs)
    return f"Nothing to compare: nothing was measured in both of {which}. Name two packs of one protocol with --pack."


def _print_changes(before: SurveySample, after: SurveySample, rows: list[Compared]) -> None:
    from digitise.results.compare import called_otherwise, in_some_only

    print(f"\n{_survey(before)}  to  {_survey(after)}")
    if not rows:
        print("nothing was measured in both")
        return
    if waiting := before.unread + after.unread:
        waits = plural(waiting, "cell of these surveys still waits", "cells of these surveys still wait")
        print(f"{waits} for a person; only decided ones are compared.")
    level = f"{100 * rows[0].change.effect.level:g} % interval"
    detect = f"for {rows[0].detect_percent:g} %"
    print(
        SHOWN.format(
            label="",
            before="first",
            after="second",
            change=f"change ({level})",
            p="p",
            adjusted="adjusted",
            detectable="detectable",
            needed=detect,
        )
    )
    for kind, unit in (("cover", "cover, %"), ("density", "density, per 100 m2")):
        own = [c for c in rows if c.variable.kind == kind]
        seen = [c for c in own if any(s.measured[c.variable].hits for s in (before, after))]
        if own:
            print(unit)
        for c in seen:
            print("  " + _change_line(c))
        if len(seen) < len(own):
            print("  seen in neither: " + ", ".join(c.variable.label for c in own if c not in seen))
        for c in own:
            if told := called_otherwise(c.variable, (before, after)):
                print(f"  {c.variable.label}: {told}; is it the same?")
        if own and (apart := in_some_only(kind, (before, after))):
            others = "; what totals and other codes hold may differ" if kind == "cover" else ""
            print(f"  on the sheets of one of them only: {', '.join(v.label for v in apart)}{others}")
    print(
        "adjusted: for all tested here; * Holm over headlines, others Benjamini-Hochberg (exploratory). detectable: "
        "smallest change\nthat so many transects find four times in five. Last column: transects a survey "
        "to find a change of so many percent."
    )


def _survey(s: SurveySample) -> str:
    return in_line(" ".join(filter(None, (s.site, s.date, f"({s.name})"))))


def _change_line(c: Compared) -> str:
    from digitise.results.compare import HOLM

    e = c.shown
    span = f" ({e.low:+z.1f} to {e.high:+z.1f})" if e.has_interval else " (no interval)"
    star = "*" if c.adjusted_by == HOLM else " "
    return SHOWN.format(
        label=c.variable.label[:26],
        before=number(c.means[0]),
        after=number(c.means[1]),
        change="–" if e.value is None else f"{number(e.value, sign='+')}{span}",
        p=p_text(c.change.p),
        adjusted=p_text(c.adjusted) + star,
        detectable=c.detectable_words,
        needed="–" if c.needed is None else str(c.needed),
    ).rstrip()


def _print_trends(found: tuple[SiteTrend, ...]) -> None:
    for site in dict.fromkeys(t.site for t in found):
        what = "change a year, Theil-Sen; p Mann-Kendall, and adjusted; model's factor a year"
        print(f"\nTrend at {in_line(site)} ({what})")
        for t in (t for t in found if t.site == site and any(t.means)):
            print("  " + _trend_line(t))
        for note in dict.fromkeys(t.note for t in found if t.site == site and t.note):
            print(f"  {note}; what totals and other codes hold may differ")


def _trend_line(t: SiteTrend) -> str:
    e, m = t.robust.slope, t.model.slope
    span = f" ({e.low:+z.2f} to {e.high:+z.2f})" if e.has_interval else " (no interval)"
    slope = "–" if e.value is None else f"{number(e.value, 2, sign='+')}{span}"
    factor = f"{m.value:.2f} ({m.low:.2f} to {m.high:.2f})" if m.has_interval else "–"
    label = f"{t.variable.label[:26]}, {t.variable.unit}"
    tested = f"p {p_text(t.robust.p):>7} {p_text(t.adjusted):>7}"
    return f"{label:<42} {len(t.dates)} surveys {slope:>28}  {tested}  {factor}"


def _write(folder: Path, compared: tuple[Compared, ...], found: tuple[SiteTrend, ...]) -> None:
    from digitise.exchange.guard import guarded
    from digitise.results.change_tables import change_table, trend_table

    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in (("changes", change_table(compared)), ("trends", trend_table(found))):
        frame.map(guarded).to_csv(folder / f"{name}.csv", index=False)
    say(f"Written: {folder / 'changes.csv'}, {folder / 'trends.csv'}")
