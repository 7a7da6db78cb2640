"""What changed at each site between its last two surveys: the change and its interval first, p after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from digitise.estimate.intervals import Estimate
from digitise.report.blocks import Cell, Figure, Heading, Paragraph, Part, Table
from digitise.report.plots import NARROW, WIDE, ChangeRow, draw_changes
from digitise.report.together import Visit
from digitise.results import SurveyResults, cover_table, density_table
from digitise.results.compare import (
    HOLM,
    MOST_POINTS,
    Compared,
    categories_differ,
    compare_pairs,
    latest_pairs,
)
from digitise.results.samples import samples_of
from digitise.results.tables import survey_table
from digitise.surveys.roster import site_key
from digitise.surveys.survey import without_marks
from digitise.wording import number, p_text, plural

METHOD = "Welch 1947"


def last_changes(results: Sequence[SurveyResults], visits: Sequence[Visit]) -> tuple[Compared, ...]:
    """Headline covers (the protocol's groups) between the last two dated surveys of each site, all adjusted together.

    Lines are taken as laid anew each time, since a sheet does not say that a marked line was laid again.
    """
    dated = {(site_key(v.site), v.date) for v in visits if v.site and v.date}
    if len(dated) == len({site for site, _ in dated}):
        return ()
    some = [_covers_alone(results[i]) for i in _last_two_dates(visits)]
    surveys, cover, nothing = survey_table(some), cover_table(some), density_table(())
    found = compare_pairs(latest_pairs(samples_of(surveys, cover, nothing)), level=some[0].level)
    return tuple(c for c in found if c.variable.is_group and c.change.effect.value is not None)


def _covers_alone(r: SurveyResults) -> SurveyResults:
    return replace(r, survey=without_marks(r.survey), densities=(), impacts=())


def _last_two_dates(visits: Sequence[Visit]) -> list[int]:
    """Places of the surveys of each site's last two dates: what a comparison needs."""
    dates: dict[str, list[str]] = {}
    for v in visits:
        if v.site and v.date:
            dates.setdefault(site_key(v.site), []).append(v.date)
    last = {site: set(sorted(set(own))[-2:]) for site, own in dates.items()}
    return [i for i, v in enumerate(visits) if v.site and v.date in last.get(site_key(v.site), ())]


def change_part(changes: Sequence[Compared]) -> Part | None:
    """A table for each site with two dates, and one figure of all; None without any."""
    if not changes:
        return None
    level = f"{100 * changes[0].change.effect.level:g} %"
    lead = (
        "Headline covers of the newest survey of each site minus those of the survey before it. Look at the change "
        "and its interval first: an interval that holds 0 does not say that nothing changed, but that a change of up "
        "to its ends cannot be told from none. All other variables: digitise compare."
    )
    heading, words = Heading(1, "What changed", "changes"), Paragraph(lead)
    return Part((heading, words, _figure(changes, level), _table(changes, level)), "changes")


def _figure(changes: Sequence[Compared], level: str) -> Figure:
    rows: list[ChangeRow] = []
    for site in (sites := dict.fromkeys(c.after.site for c in changes)):
        rows += [ChangeRow(site)] if len(sites) > 1 else []
        for c in (c for c in changes if c.after.site == site):
            e = c.shown
            rows.append(ChangeRow(c.variable.label, e.value, e.low, e.high, c.shown_together, signed(e)))
    keys = [("site", "change"), ("interval", f"{level} interval between transects")]
    if any(c.together for c in changes):
        keys.append(("together", "limits that hold for all of them together"))
    title = "Change of headline covers between the last two surveys, in points of cover"
    wide, narrow = (draw_changes(tuple(rows), width, tuple(keys), title=title) for width in (WIDE, NARROW))
    head = ("site", "variable", "change", "low", "high", "low_together", "high_together")
    data = tuple(
        (c.after.site, c.variable.label, e.value, e.low, e.high, *(c.shown_together or (None, None)))
        for c in changes
        for e in (c.shown,)
    )
    return Figure(wide, narrow, "", (head, *data))


def signed(e: Estimate) -> str:
    """A change with its sign, and its limits."""
    if not e.has_interval:
        return _sign(e.value) + " (no interval)"
    return f"{_sign(e.value)} ({_sign(e.low)} to {_sign(e.high)})"


def _sign(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def _table(changes: Sequence[Compared], level: str) -> Table:
    head = ("Cover, %", "Before", "After", f"Change, {level} interval", "p", "p adjusted", "Detectable")
    rows: list[tuple[str, tuple[Cell, ...]]] = []
    waiting = {s.name: s.unread for c in changes for s in (c.before, c.after)}
    for before, after in dict.fromkeys((c.before.name, c.after.name) for c in changes):
        own = [c for c in changes if (c.before.name, c.after.name) == (before, after)]
        first = own[0]
        lines = " and ".join(str(len(s.measured[first.variable].values)) for s in (first.before, first.after))
        dates = f"{first.before.date} to {first.after.date}"
        rows.append(("group", (f"{first.after.site}, {dates}, {lines} transects", *[""] * (len(head) - 1))))
        for c in own:
            cells = (c.variable.label, *map(number, c.means), signed(c.shown))
            rows.append(("", (*cells, p_text(c.change.p), p_text(c.adjusted), c.detectable_words)))
    caption = (
        "Changes in points of cover. p adjusted is for all headlines of all sites; detectable, the smallest change "
        "that so many transects find four times in five; none where it would be more than 100 points."
    )
    if open_ := sum(waiting.values()):
        waits = plural(open_, "cell of these surveys still waits", "cells of these surveys still wait")
        caption += f" {waits} for a person; only decided ones are compared."
    apart = dict.fromkeys((c.after.site, categories_differ(c.variable, (c.before, c.after))) for c in changes)
    for site, words in apart:
        caption += f" {site}: {words}; what totals and other codes hold may differ." if words else ""
    return Table(head, tuple(rows), caption)


def change_methods(changes: Sequence[Compared]) -> list[str]:
    """What was compared and how, where anything was."""
    if not any(c.change.effect.has_interval for c in changes):
        return []
    text = f"Changes are differences of means with Welch's t interval ({METHOD}), lines taken as laid anew each time."
    text += f" Limits are cut at −{MOST_POINTS:g} and {MOST_POINTS:g} points: no cover changes by more."
    if any(c.adjusted_by == HOLM for c in changes):
        text += (
            " p is adjusted for all headlines of all sites (Holm 1979); the limits that hold together are Bonferroni's "
            "(Dunn 1961). The detectable change is that of a two-sided test at 5 % with a power of 80 %."
        )
    return [text]
