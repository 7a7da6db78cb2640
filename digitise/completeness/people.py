"""Rules about people: team, buddies, names that are known."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence

from digitise.completeness.case import Case, Fault, refs
from digitise.store import CellNow
from digitise.surveys.roster import is_name_cell, match_names, nearly, site_key, split_names, unaccented
from digitise.surveys.survey import Survey
from digitise.wording import plural


def team(rule: str, wrong: Callable[[float, float], bool]) -> Callable[[Case], Iterator[Fault]]:
    """The rule of this name about the number of divers: a fault when `wrong(number, limit)`, the protocol's limit."""

    def faults(case: Case) -> Iterator[Fault]:
        cell = case.field("team")
        if cell is not None and wrong(cell.value, case.rules[rule].limit):
            yield Fault(case.place(cell), f"{cell.value} written", refs(cell))

    return faults


def _key(name: str) -> str:
    """What tells a name from others: neither capitals nor accents, nor what stands between its parts."""
    return re.sub(r"[\s'’.-]+", " ", unaccented(name)).strip().casefold()


def _pairs(case: Case) -> list[CellNow]:
    cells = (c for i, c in case.survey.fields.items() if i.rpartition("/")[2].startswith("pair-"))
    return [c for c in cells if c.kind == "text"]


def buddies(case: Case) -> Iterator[Fault]:
    """Divers alone, in two pairs, or not in any."""
    cells = _pairs(case)
    entered = [c for c in cells if c.state == "entered"]
    names: list[str] = []
    for cell in entered:
        own = split_names(str(cell.value))
        names += map(_key, own)
        if len(own) == 1:
            yield Fault(case.place(cell), f"one name, '{own[0]}'", refs(cell))
    twice = sorted({n for n in names if names.count(n) > 1})
    for name in twice:
        both = [c for c in entered if name in map(_key, split_names(str(c.value)))]
        yield Fault(case.place(both[0]), f"'{name.upper()}' stands {names.count(name)} times", refs(*both))
    team = case.field("team")
    known = entered and all(c.state in ("entered", "blank") for c in cells)
    if known and team is not None and not twice and len(names) != team.value:
        yield Fault(case.place(team), f"{team.value} divers, {len(names)} names in pairs", refs(team, *entered))


def people(case: Case) -> Iterator[Fault]:
    """Names that the plan does not know."""
    if case.plan is None:
        return
    known = set(map(_key, case.plan.names))
    for cell in case.survey.cells:
        if cell.kind == "text" and cell.state == "entered" and is_name_cell(cell.cell):
            for name in split_names(str(cell.value)):
                if _key(name) not in known:
                    yield Fault(case.place(cell), f"'{name}' is not known{_perhaps(name, case.plan.names)}", refs(cell))


def _perhaps(text: str, names: Sequence[str]) -> str:
    best = match_names(text, names)
    return f"; perhaps {best[0].name} ({100 * best[0].probability:.0f} %)" if best else ""


def site(case: Case) -> Iterator[Fault]:
    """A site that the plan does not know, or that results take for another than the same one in other surveys."""
    cell = case.field("site")
    if cell is None:
        return
    name, near = str(cell.value), ""
    strange = case.plan is None or case.plan.site(name) is None
    if case.plan is not None and strange:
        near = _perhaps(name, [s.name for s in case.plan.sites])
        alone = "; results take it for a site of its own" if near else ""
        yield Fault(case.place(cell), f"'{name}' is not known{near}{alone}", refs(cell))
    surveys = [case.survey, *(s for s in case.earlier if s.site and s.pack != case.survey.pack)]
    surveys = sorted(surveys, key=lambda s: (s.date or "9999", s.pack))

    def unusual(mean: Callable[[Survey], bool], asked: str) -> Iterator[Fault]:
        """The fault when most surveys that may mean this site, or the first of two as usual, name it otherwise."""
        ways = Counter(site_key(s.site) for s in surveys if mean(s))
        first = ways.most_common(1)[0][0]
        if first != site_key(case.survey.site):
            usual = next(s.site for s in surveys if site_key(s.site) == first)
            text = f"'{name}' here, '{usual}' in {plural(ways[first], 'other survey')}{asked}"
            yield Fault(case.place(cell), text, refs(cell))

    own = case.site_key(case.survey.site)
    yield from unusual(lambda s: case.site_key(s.site) == own, "; results take them for two sites")
    if strange and not near:
        yield from unusual(
            lambda s: case.site_key(s.site) == own or nearly(case.survey.site, s.site),
            ": is it the same? Results take them for two sites",
        )
