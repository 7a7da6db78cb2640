"""Hold surveys against their protocol's rules.

Pure but for the store that `check_store` reads: nothing here changes a value, and what is not known never counts as
a contradiction.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from digitise.completeness import counts, people, places, sheets
from digitise.completeness.case import ORDER, Case, Checked, Fault
from digitise.sheets.rules import rules_of
from digitise.store import PageRow
from digitise.surveys.plan import Plan
from digitise.surveys.survey import Survey, load_surveys

if TYPE_CHECKING:
    from digitise.store import Store

FINDERS: dict[str, Callable[[Case], Iterator[Fault]]] = {
    "sheets": sheets.sheets,
    "no-place": sheets.no_place,
    "open": sheets.waiting,
    "twice": sheets.twice,
    "points": sheets.points,
    "blank-rows": sheets.blank_rows,
    "wait": places.wait,
    "depths": places.depths,
    "depth-range": places.depth_range,
    "position": places.inside_radius,
    "future": places.future,
    "dates": places.dates,
    "planned": places.planned,
    "team-least": people.team("team-least", lambda value, limit: value < limit),
    "team-most": people.team("team-most", lambda value, limit: value > limit),
    "buddies": people.buddies,
    "totals": counts.totals,
    "history": counts.history,
    "people": people.people,
    "site": people.site,
}


def check_survey(
    survey: Survey,
    *,
    today: datetime.date,
    pages: Sequence[PageRow] = (),
    plan: Plan | None = None,
    earlier: Sequence[Survey] = (),
    accepted: Mapping[str, str] | None = None,
) -> tuple[Checked, ...]:
    """Every fault of a survey, gravest first.

    Parameters
    ----------
    pages : sequence of PageRow
        All pages of the pack, those that another photograph supersedes too; the survey's own when empty.
    plan : Plan, optional
        Sites, people and what the pack was printed for; without it the rules that need them stay silent.
    earlier : sequence of Survey
        Surveys of any site; those of this site and before its date are its history.
    accepted : mapping, optional
        Reasons that people gave for letting a fault be, by the fault's `name`.
    """
    rules = rules_of(survey.protocol.checks, survey.protocol.wait_minutes)
    case = Case(survey, today, tuple(pages) or survey.pages, plan, tuple(earlier), rules)
    out = [
        Checked(name, rules[name].severity, f.where, f.text, f.cells, sentence=rules[name].sentence)
        for name, faults in FINDERS.items()
        if rules[name].severity != "off"
        for f in faults(case)
    ]
    out = [_let_be(one, (accepted or {}).get(one.name)) for one in out]
    return tuple(sorted(out, key=lambda c: ORDER.index(c.severity)))


def _let_be(fault: Checked, reason: str | None) -> Checked:
    return fault if reason is None else replace(fault, severity="accepted", accepted=reason)


@dataclass(frozen=True, slots=True)
class SurveyCheck:
    """One survey's faults. `pack` is empty for photographs that belong to no survey yet."""

    pack: str
    heading: str
    faults: tuple[Checked, ...]


def check_store(
    store: Store,
    *,
    today: datetime.date,
    plan: Plan | None = None,
    packs: Sequence[str] | None = None,
) -> tuple[SurveyCheck, ...]:
    """Every survey of a store (or those of `packs`), planned packs that nobody photographed, and strays.

    Faults that a person accepted in the store are said to be, with reason, name and date.

    Raises
    ------
    ValueError
        A pack that the store does not have.
    """
    surveys = load_surveys(store)
    wanted = [s for s in surveys if packs is None or s.pack in packs]
    if packs is not None and (lacking := set(packs) - {s.pack for s in wanted}):
        raise ValueError(f"no page of pack {sorted(lacking)[0]} has been read")
    out = []
    for survey in wanted:
        faults = check_survey(
            survey,
            today=today,
            pages=store.pages(survey.pack),
            plan=plan,
            earlier=surveys,
            accepted={
                name: f"{one.reason} ({one.by}, {one.at[:10]})"
                for name, one in store.findings.accepted(survey.pack).items()
            },
        )
        site = survey.site or _planned_site(plan, survey.pack)
        heading = " · ".join(filter(None, (f"Pack {survey.pack}", site, survey.date)))
        out.append(SurveyCheck(survey.pack, heading, faults))
    if packs is None:
        out += [*_not_come_back(plan, {s.pack for s in surveys}, today), *_strays(store)]
    return tuple(out)


def _planned_site(plan: Plan | None, pack: str) -> str:
    planned = plan.survey(pack) if plan else None
    return f"{plan.site(planned.site).name} (planned)" if planned else ""


def _not_come_back(plan: Plan | None, have: set[str], today: datetime.date) -> Iterator[SurveyCheck]:
    """Planned surveys of days before today of which no sheet was photographed: on its own day one may still come."""
    for one in plan.surveys if plan else ():
        if one.pack and one.pack not in have and one.date is not None and one.date < today:
            text = "no sheet was photographed"
            fault = Checked("sheets", "missing", "Every sheet", text, ())
            name = plan.site(one.site).name
            yield SurveyCheck(one.pack, f"Pack {one.pack} · {name} · {one.date}", (fault,))


def _strays(store: Store) -> Iterator[SurveyCheck]:
    """Pages without a pack: spare pages, slates, codes that could not be read."""
    faults = tuple(
        Checked(
            "no-place", "missing", p.page_title, f"{p.photo} belongs to no pack; give it one on the Survey screen", ()
        )
        for p in store.pages()
        if p.pack is None and not p.superseded
    )
    if faults:
        yield SurveyCheck("", "Photographs without a pack", faults)
