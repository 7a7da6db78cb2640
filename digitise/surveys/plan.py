"""The plan of survey days: sites, people, teams with their buddy pairs and tasks, from a short YAML file.

`digitise prepare` prints what a plan needs; `digitise check` holds the sheets that come back against it.
"""

from __future__ import annotations

import datetime
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, model_validator

from digitise.sheets.protocol import Label, Name, Protocol, SiteSheet
from digitise.sheets.rules import rules_of
from digitise.sheets.yaml_file import checked, file_text, line_of_text, shaped
from digitise.surveys.roster import site_key

Code = shaped(r"^[A-Za-z0-9][A-Za-z0-9-]{0,11}$", "up to 12 letters, digits and hyphens in quotes, such as 'LG'")
Person = line_of_text(2, 60)
SiteName = line_of_text(1, 60)
GroupName = line_of_text(1, 60)
Pack = shaped(r"^[A-HJ-NP-RT-Y346789]{6}$", "the six characters of a pack; leave it out, and 'prepare' makes one")
FAR_AHEAD = 366  # days; a plan for later has the wrong year more often than not
LINE_TASK = "line"  # laying the line and reeling it in; every other task is a sheet's name


class PlanError(ValueError):
    """A plan that cannot be used; the text names file, key, found and expected."""


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SitePlan(_Model):
    """A place that is surveyed. Degrees are WGS 84, negative south and west; depths and radius in metres.

    Sites of one ``group`` (in any letter case) are pooled in results.
    """

    name: SiteName
    code: Code
    latitude: float | None = Field(default=None, ge=-90, le=90)
    longitude: float | None = Field(default=None, ge=-180, le=180)
    radius_m: float | None = Field(default=None, gt=0, le=100_000)
    depth_m: tuple[float, float] | None = None
    group: GroupName | None = None

    @model_validator(mode="after")
    def _whole(self) -> SitePlan:
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError(f"site '{self.name}': expected latitude and longitude, or neither")
        if self.radius_m is not None and self.latitude is None:
            raise ValueError(f"site '{self.name}' has a radius_m: expected latitude and longitude too")
        if self.depth_m is not None and not 0 <= self.depth_m[0] <= self.depth_m[1] < math.inf:
            raise ValueError(f"site '{self.name}': depth_m is {list(self.depth_m)}, expected [least, most]")
        return self


def named_as_another(sites: Iterable[SitePlan]) -> str:
    """Which site has a name that is another's code, in a sentence; empty without any: a sheet could mean either."""
    sites = tuple(sites)
    coded = {site_key(s.code): s for s in sites}
    for site in sites:
        other = coded.get(site_key(site.name), site)
        if site_key(other.name) != site_key(site.name):
            return f"site name '{site.name}' is the code of {other.name}; expected another name or another code"
    return ""


class PairPlan(_Model):
    """Buddies who stay together, and what they do: names of sheets, or "line"."""

    divers: tuple[Person, ...] = Field(min_length=2, max_length=3)
    tasks: tuple[Name, ...] = ()


class SurveyPlan(_Model):
    """One visit to one site: one pack of sheets. `pack` is filled in by `digitise prepare`."""

    site: Label
    date: datetime.date | None = None
    transects: int | None = Field(default=None, ge=1, le=20)
    leader: Person | None = None
    shore: Person | None = None
    pairs: tuple[PairPlan, ...] = Field(default=(), max_length=6)
    pack: Pack | None = None

    @property
    def divers(self) -> tuple[str, ...]:
        """Everybody in a pair."""
        return tuple(d for pair in self.pairs for d in pair.divers)

    @model_validator(mode="after")
    def _once(self) -> SurveyPlan:
        folded = [d.casefold() for d in self.divers]
        twice = sorted({d for d in self.divers if folded.count(d.casefold()) > 1})
        if twice:
            raise ValueError(f"{twice[0]} is in two pairs; expected everybody in one")
        return self


class Plan(_Model):
    """Sites, people and surveys. `spares` is how many spare pages of each line's sheets a pack gets."""

    plan: Name
    protocol: Label
    sites: tuple[SitePlan, ...] = Field(min_length=1, max_length=200)
    people: tuple[Person, ...] = Field(default=(), max_length=500)
    kit: tuple[Label, ...] = Field(default=(), max_length=24)
    spares: int = Field(default=1, ge=0, le=5)
    surveys: tuple[SurveyPlan, ...] = Field(min_length=1, max_length=60)

    @model_validator(mode="after")
    def _coherent(self) -> Plan:
        for key in ("name", "code"):
            values = [site_key(getattr(s, key)) for s in self.sites]
            twice = sorted({v for v in values if values.count(v) > 1})
            if twice:
                raise ValueError(f"site {key} used twice: {', '.join(twice)}; expected each once")
        if named := named_as_another(self.sites):
            raise ValueError(named)
        for i, survey in enumerate(self.surveys):
            if self.site(survey.site) is None:
                known = ", ".join(s.code for s in self.sites)
                raise ValueError(f"surveys.{i}.site: found '{survey.site}', expected a site's code or name ({known})")
        packs = [s.pack for s in self.surveys if s.pack]
        if len(set(packs)) < len(packs):
            raise ValueError("two surveys have the same pack; expected one for each")
        return self

    def site(self, name: str) -> SitePlan | None:
        """The site with this code or name; None when the plan has none."""
        wanted = site_key(name)
        return next((s for s in self.sites if wanted in (site_key(s.code), site_key(s.name))), None)

    @property
    def names(self) -> tuple[str, ...]:
        """Everybody whom the plan knows, each once."""
        teams = (n for s in self.surveys for n in (*s.divers, s.leader, s.shore) if n)
        return tuple({n.casefold(): n for n in (*teams, *self.people)}.values())

    def survey(self, pack: str) -> SurveyPlan | None:
        """The survey that a pack was printed for."""
        return next((s for s in self.surveys if s.pack == pack), None)


def load_plan(path: Path) -> Plan:
    """Load a plan; `PlanError` says, a line for each problem, what cannot be used."""
    return checked(file_text(path, what="a plan", error=PlanError), Plan, source=str(path), error=PlanError)


def fit_problems(plan: Plan, protocol: Protocol) -> list[str]:
    """What a plan asks of its protocol in vain; such a plan cannot be printed."""
    tasks = {LINE_TASK, *_line_sheets(protocol)}
    out = []
    for i, survey in enumerate(plan.surveys):
        if survey.transects and survey.transects > protocol.transects:
            out.append(
                f"surveys.{i}.transects: found {survey.transects}, expected {protocol.transects} at most, as in "
                f"protocol '{protocol.protocol}'"
            )
        unknown = sorted({t for pair in survey.pairs for t in pair.tasks} - tasks)
        if unknown:
            out.append(f"surveys.{i}: task '{unknown[0]}' is not known; expected {', '.join(sorted(tasks))}")
    return out


def _line_sheets(protocol: Protocol) -> list[str]:
    return [name for name, sheet in protocol.sheets.items() if not isinstance(sheet, SiteSheet)]


def plan_notes(plan: Plan, protocol: Protocol, *, today: datetime.date | None = None) -> Iterator[str]:
    """What the coordinator may want to mend before printing; none of it stops the printer."""
    rules = rules_of(protocol.checks, protocol.wait_minutes)
    days = Counter((plan.site(s.site).code, s.date) for s in plan.surveys if s.date)
    for survey in plan.surveys:
        site = plan.site(survey.site)
        where = f"{site.name}{f', {survey.date}' if survey.date else ''}"
        if (times := days.pop((site.code, survey.date), 0)) > 1:
            yield f"{where}: planned {times} times, of which only one is compared; take out what is meant once"
        divers = len(survey.divers)
        least, most = rules["team-least"], rules["team-most"]
        if divers and least.severity != "off" and divers < least.limit:
            yield f"{where}: {divers} divers. {least.sentence}"
        if most.severity != "off" and divers > most.limit:
            yield f"{where}: {divers} divers. {most.sentence}"
        if survey.date and today and not 0 <= (survey.date - today).days <= FAR_AHEAD:
            yield f"{where}: this day {'has passed' if survey.date < today else 'is over a year ahead'}; check the year"
        if survey.date is None:
            yield f"{where}: no date is given; somebody writes it on the site sheet"
        if survey.leader is None:
            yield f"{where}: no licensed dive leader is named"
        if survey.shore and survey.shore.casefold() in map(str.casefold, survey.divers):
            yield f"{where}: {survey.shore} is the shore cover and in a pair; the person on shore stays ashore"
        if not divers:
            yield f"{where}: no buddy pairs are named"
            continue
        given = {t for pair in survey.pairs for t in pair.tasks}
        for task in (LINE_TASK, *_line_sheets(protocol)):
            if task not in given:
                title = protocol.caption("line_task") if task == LINE_TASK else protocol.sheets[task].title
                yield f"{where}: nobody is named for '{title}' (task '{task}')"
