"""A survey day planned on the screen: answers become a plan, the plan its prints, and the store keeps it."""

from __future__ import annotations

import datetime as dt
import io
import re
import tempfile
import zipfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from digitise.prepare import prepare
from digitise.prepare.prepare import folder_name, with_packs
from digitise.sheets.protocol import HALVES, Protocol, load_protocol, shipped_names
from digitise.sheets.yaml_file import validated
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan, known_plan
from digitise.surveys.known_protocol import FOLDER, file_name, kept_protocols
from digitise.surveys.plan import Plan, PlanError, SitePlan, plan_notes
from digitise.surveys.roster import split_names


@dataclass(frozen=True, slots=True)
class Answers:
    """What was filled in; `date` as 2026-04-11, or empty.

    `site` is as in a plan's ``sites``, with ``also`` when another one was filled in beside it; `pairs` are texts
    ("Keo Varn, Ada Lind") with tasks.
    """

    protocol: str
    site: Mapping[str, object]
    date: str
    transects: int
    leader: str
    shore: str
    pairs: Sequence[tuple[str, Sequence[str]]]
    spares: int = 1


@dataclass(frozen=True, slots=True)
class Printed:
    """What a plan gave: its prints in one ZIP file, and their folder's name."""

    plan: Plan
    name: str
    data: bytes


def known_sites(store: Store) -> dict[str, SitePlan]:
    """Sites of every plan that the store keeps, by name; `PlanError` when one cannot be used."""
    plan = known_plan(store.folder)
    return {site.name: site for site in (plan.sites if plan else ())}


def known_people(store: Store) -> list[str]:
    """People of every plan that the store keeps, by name."""
    plan = known_plan(store.folder)
    return sorted(plan.names if plan else ())


def protocols(store: Store) -> dict[str, Protocol]:
    """Protocols by what a plan calls them: the store's own by their files' names, then the shipped ones."""
    own = {file_name(one): one for one in kept_protocols(store.folder)}
    return own | {name: load_protocol(name) for name in shipped_names()}


def usual_protocol(store: Store, names: Sequence[str]) -> str:
    """The protocol of the plans that the store keeps, else the demonstration's, where it is among `names`."""
    plan = known_plan(store.folder)
    wanted = plan.protocol if plan else "reef-transect"
    return wanted if wanted in names else names[0]


def _faults(answers: Answers) -> list[str]:
    """What is wrong with the form, in its own words; the plan's own check finds what is left."""
    site, faults = answers.site, []
    if "also" in site:
        faults.append(
            f"Site: {site['name']} is chosen, and a new site {site['also']} is filled in; choose 'A new site', or "
            "empty its name."
        )
    if not str(site.get("name", "")):
        faults.append("Name of the site: write it.")
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9-]{0,11}", str(site.get("code", ""))):
        faults.append("Code of the site: up to 12 letters and digits, such as LG.")
    least, most = site.get("depth_m", (0, 0))
    if least > most:
        faults.append(f"Depths: found {least:g} to {most:g} m, expected the least first.")
    known = [site.get(name) is not None for name in ("latitude", "longitude")]
    if any(known) != all(known) or (site.get("radius_m") is not None and not any(known)):
        faults.append("Latitude and longitude: fill in both, or neither and no radius.")
    try:
        if answers.date.strip():
            dt.date.fromisoformat(answers.date.strip())
    except ValueError:
        faults.append(f"Date: found '{answers.date[:20]}', expected one such as 2026-04-11.")
    everybody = Counter(name for text, _ in answers.pairs for name in split_names(text))
    faults += [f"Buddy pairs: {name} is in two of them." for name, n in everybody.items() if n > 1]
    for n, (text, _) in enumerate(answers.pairs, start=1):
        if text.strip() and len(split_names(text)) < 2:
            faults.append(f"Buddy pair {n}: found '{text[:40]}', expected two names with a comma between them.")
    return faults


def plan_of(answers: Answers) -> Plan:
    """The plan with a pack of its own; `PlanError` says, a line for each problem, what cannot be used."""
    if faults := _faults(answers):
        raise PlanError("\n".join(faults))
    survey: dict[str, object] = {"site": str(answers.site.get("code", "")), "transects": answers.transects}
    survey |= {"date": dt.date.fromisoformat(answers.date.strip())} if answers.date.strip() else {}
    survey |= {k: v.strip() for k, v in (("leader", answers.leader), ("shore", answers.shore)) if v.strip()}
    pairs = [{"divers": list(split_names(text)), "tasks": list(tasks)} for text, tasks in answers.pairs if text.strip()]
    survey |= {"pairs": pairs} if pairs else {}
    data = {"plan": "day", "protocol": answers.protocol, "sites": [dict(answers.site)], "surveys": [survey]}
    plan = with_packs(_checked(data | {"spares": answers.spares}))
    (one,) = plan.surveys
    return plan.model_copy(update={"plan": f"day-{folder_name(plan, one)}".lower()[:40].strip("-")})


def notes(store: Store, plan: Plan, protocol: Protocol) -> list[str]:
    """What the coordinator may want to mend before the prints are made: the store keeps the plan for good."""
    known = known_plan(store.folder)
    days = {(s.site, s.date) for s in plan.surveys if s.date}
    twice = [s for s in (known.surveys if known else ()) if (s.site, s.date) in days]
    told = [
        f"{plan.site(s.site).name}, {s.date}: pack {s.pack} is planned for this day already; this makes another survey "
        "of its own"
        for s in twice
    ]
    return [*told, *plan_notes(plan, protocol, today=dt.datetime.now().astimezone().date())]


def _checked(data: dict) -> Plan:
    return validated(data, Plan, source="This plan", error=PlanError)


def printed(
    store: Store, plan: Plan, protocol: Protocol, *, paper: str, two_up: bool = False, slates: bool = False
) -> Printed:
    """Print what the plan needs, keep the plan in the store, and give the prints as one file.

    Raises
    ------
    PlanError
        The plan asks for what the protocol does not have, or contradicts one that the store keeps.
    ProtocolError
        Something does not fit on its page.
    """
    out = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        file = store.folder / FOLDER / plan.protocol
        own = (file.name, file.read_bytes()) if plan.protocol == file_name(protocol) and file.is_file() else None
        sheets = HALVES.get(paper, paper) if two_up else paper
        out_dir = Path(folder) / "prints"
        done = prepare(plan, protocol, out_dir, paper=sheets, two_up=two_up, slates=slates, own=own)
        keep_plan(store.folder, done.files[-1])
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in done.files:
                archive.write(path, path.relative_to(out_dir).as_posix())
    return Printed(done.plan, done.plan.plan, out.getvalue())
