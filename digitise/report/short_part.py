"""What to take away from several surveys, in a few sentences; and what was noted of impacts, site by site."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from digitise.estimate.intervals import Estimate
from digitise.report.blocks import Block, Bullets, Cell, Heading, Part, Table, Text
from digitise.report.change_part import signed
from digitise.report.survey_part import date_words
from digitise.report.together import Visit
from digitise.report.words import one_sided, span, with_span
from digitise.results import PER_M2, DensityLine, ImpactLine, SurveyResults
from digitise.results.compare import HOLM, Compared
from digitise.surveys.roster import site_key
from digitise.wording import number, plural

MOST_HEADLINES, MOST_NAMED = 3, 4
SURE = 0.05  # adjusted p from which on a change is not told from none


def newest_of_sites(results: Sequence[SurveyResults], visits: Sequence[Visit]) -> list[SurveyResults]:
    """The newest survey of each site, in order of date; one whose site is not entered stands for itself.

    Without its categories and animals: only headlines and impacts are shown side by side.
    """
    known = [(v.date or "", i, site_key(v.name)) for i, v in enumerate(visits)]
    newest = {site: i for _, i, site in sorted(known)}
    return [_headlines(results[i]) for i in newest.values()]


def _headlines(r: SurveyResults) -> SurveyResults:
    lines = tuple(replace(line, categories=(), points=()) for line in r.lines)
    survey = replace(r.survey, cells=(), pages=(), findings=())
    return replace(r, survey=survey, lines=lines, densities=tuple(d for d in r.densities if d.is_impact))


def short_part(newest: Sequence[SurveyResults], changes: Sequence[Compared], *, unnamed: int = 0) -> Part | None:
    """The headline covers' range over sites, and which of them changed; None for one site, or without headlines.

    `newest` is the newest survey of each site; of all surveys `unnamed` have no site yet.
    """
    headlines = list(dict.fromkeys(g.label for r in newest for line in r.lines for g in line.groups))
    if len(newest) < 2 or not headlines:
        return None
    said = [words for name in headlines[:MOST_HEADLINES] if (words := _range(newest, name))]
    if said and unnamed:
        verb, which = ("has", "it may be") if unnamed == 1 else ("have", "one of them may be")
        said.append(f"{plural(unnamed, 'survey')} {verb} no site entered yet; {which} the newest of a site above.")
    return Part((Heading(1, "In short", "short"), Bullets((*said, *changed_words(changes)))), "short")


def _range(newest: Sequence[SurveyResults], name: str) -> str:
    found = [(g.site.cover, r.name) for r in newest for line in r.lines for g in line.groups if g.label == name]
    found = sorted(((e, site) for e, site in found if e.value is not None), key=lambda one: one[0].value)
    if len(found) < 2:
        return ""
    (low, where), (high, there) = found[0], found[-1]
    return f"{name}, newest survey of each site: lowest at {where}, {_cover(low)}; highest at {there}, {_cover(high)}."


def _cover(e: Estimate) -> str:
    return f"{number(e.value)} % ({span(e) if e.has_interval else 'one transect, no interval'})"


def changed_words(changes: Sequence[Compared]) -> list[str]:
    """How many changes have an interval without 0, which, and whether that holds for all of them together."""
    judged = [c for c in changes if c.change.effect.has_interval]
    if not judged:
        return []
    away = [c for c in judged if c.change.effect.low > 0 or c.change.effect.high < 0]
    text = f"Headline covers since the survey before: of {plural(len(judged), 'interval')} of change "
    if not away:
        return [f"{text}every one holds 0: no change can be told from none."]
    named = [f"{c.after.site}, {c.variable.label} {signed(c.shown)}" for c in away[:MOST_NAMED]]
    more = f" and {len(away) - MOST_NAMED} more" if len(away) > MOST_NAMED else ""
    verb = "does" if len(away) == 1 else "do"
    text += f"{len(away)} {verb} not hold 0, in points: {'; '.join(named)}{more}."
    if any(c.adjusted_by == HOLM for c in judged):
        sure = sum(c.adjusted is not None and c.adjusted < SURE for c in judged)
        told = f"{sure or 'none'} of them can be told from chance (adjusted p below {SURE:g})"
        text += f" With so many looked at together, {told}."
    return [text]


def impacts_table(newest: Sequence[SurveyResults]) -> list[Block]:
    """What was counted and noted of impacts at the newest survey of each site; empty when nothing was."""
    found = [_impacts_of(r) for r in newest]
    many = [Counter(_heading(one) for one in own) for own in found]
    twice = {head for own in many for head, times in own.items() if times > 1}  # on two sheets of one survey

    def heading(one: DensityLine | ImpactLine) -> str:
        return _heading(one, one.title) if _heading(one) in twice else _heading(one)

    rows = [{heading(one): one for one in own} for own in found]
    kinds = {head: isinstance(one, ImpactLine) for row in rows for head, one in row.items()}
    heads = sorted(kinds, key=kinds.get)  # counted ones first
    if not heads:
        return []
    body = tuple(
        ("", (r.name, date_words(r), *(_shown(row.get(head)) for head in heads)))
        for r, row in zip(newest, rows, strict=True)
    )
    caption = (
        "Newest survey of each site. A mean is over transects; “2 of 3” says on how many transects it was noted, of "
        "those whose every segment is known."
    )
    return [Heading(2, "Impacts, site by site"), Table(("Site", "Date", *heads), body, caption, words=(0, 1))]


def _impacts_of(r: SurveyResults) -> list[DensityLine | ImpactLine]:
    return [*(d for d in r.densities if d.is_impact), *r.impacts]


def _heading(one: DensityLine | ImpactLine, of: str = "") -> str:
    """What is printed on its row (`of` which sheet), and the unit."""
    unit = f"per {PER_M2:g} m²" if isinstance(one, DensityLine) else "mean %" if one.kind == "percent" else "transects"
    return f"{one.label} ({of}), {unit}" if of else f"{one.label}, {unit}"


def _shown(one: DensityLine | ImpactLine | None) -> Cell:
    return _density(one.site.density) if isinstance(one, DensityLine) else _noted(one)


def _density(e: Estimate) -> Cell:
    if e.value is None:
        return Text("not known", "not")
    if one_sided(e):
        return f"0 (below {number(e.high)})"
    return with_span(e)


def _noted(line: ImpactLine | None) -> Cell:
    e = None if line is None else line.occurrence if line.mean is None else line.mean
    if e is None or e.value is None:
        return Text("not known", "not")
    if line.mean is None:
        seen = f"{round(e.value * e.n / 100)} of {e.n:g}"
        return Text(seen, "strong") if e.value else seen
    return with_span(e)
