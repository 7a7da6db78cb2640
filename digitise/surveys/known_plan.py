"""Plans that a store knows: each is given once, kept in the store's folder, and read together from then on."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

from digitise.surveys.plan import Plan, PlanError, SitePlan, load_plan, named_as_another
from digitise.surveys.roster import site_key
from digitise.whole import write_whole

FOLDER = "plans"


def keep_plan(folder: Path, path: Path) -> Plan:
    """Keep a plan in a store's folder under its own name, in place of the one of that name; returns it.

    Raises
    ------
    PlanError
        The file is no plan, contradicts another that is kept (one code for two sites, two codes or groups for one
        site, one pack twice), or would put other packs in place of those of its name.
    """
    plan = load_plan(path)
    others = [p for p in _kept(folder) if p.plan != plan.plan]
    _joined([*others, plan])
    _refuse_other_codes(others, plan)
    refuse_other_packs(folder, plan)
    kept = folder / FOLDER / f"{plan.plan}.yaml"
    kept.parent.mkdir(parents=True, exist_ok=True)
    write_whole(kept, path.read_bytes())
    return plan


def _refuse_other_codes(others: list[Plan], plan: Plan) -> None:
    """Refuse a plan that gives a site of an earlier one another code: nobody could tell which of them a sheet names."""
    known = {site_key(s.name): s for p in others for s in p.sites}
    for site in plan.sites:
        other = known.get(site_key(site.name), site)
        if site_key(other.code) != site_key(site.code):
            raise PlanError(
                f"plan '{plan.plan}': site {site.name} has the code '{site.code}', but '{other.code}' in a plan kept "
                "before; expected one code for one site"
            )


def refuse_other_packs(folder: Path, plan: Plan) -> None:
    """Refuse, with a `PlanError`, a plan that would make the packs forgotten which were printed by its name before."""
    path = folder / FOLDER / f"{plan.plan}.yaml"
    before = {s.pack for s in load_plan(path).surveys if s.pack} if path.is_file() else set()
    if before and before.isdisjoint(s.pack for s in plan.surveys):
        raise PlanError(
            f"the store has a plan '{plan.plan}' with other packs, printed before ({', '.join(sorted(before)[:3])}): "
            f"give this one another name behind 'plan:', or print those packs again by giving {path}"
        )


def _kept(folder: Path) -> list[Plan]:
    return [load_plan(p) for p in sorted((folder / FOLDER).glob("*.yaml"))]


def _joined(plans: list[Plan]) -> Plan:
    """One plan of several: sites and people once, all surveys. A site has what any of them gives, the last of each."""
    sites = {}
    for plan in plans:
        for site in plan.sites:
            other = sites.setdefault(site.code.casefold(), site)
            if site_key(other.name) != site_key(site.name):
                raise PlanError(
                    f"plan '{plan.plan}': site code '{site.code}' is {site.name}, but {other.name} in a plan kept "
                    "before; expected one code for one site"
                )
            groups = [s.group for s in (other, site) if s.group is not None]
            if len({g.casefold() for g in groups}) > 1:
                raise PlanError(
                    f"plan '{plan.plan}': site {site.name} is of group '{groups[1]}', but of '{groups[0]}' in a plan "
                    "kept before; expected one group for one site: leave 'group' out of one of them"
                )
            given = site.model_dump(exclude_none=True) | ({"group": groups[0]} if groups else {})
            sites[site.code.casefold()] = other.model_copy(update=given)
    if named := named_as_another(sites.values()):
        raise PlanError(f"plan '{plans[-1].plan}', with those kept before: {named}")
    surveys = [s for plan in plans for s in plan.surveys]
    packs = [s.pack for s in surveys if s.pack]
    if len(set(packs)) < len(packs):
        twice = next(p for p in packs if packs.count(p) > 1)
        raise PlanError(f"pack {twice} stands in two plans; expected it in one")
    people = tuple(n for plan in plans for n in plan.names)
    data = plans[-1].model_dump() | {"plan": "all-plans", "sites": tuple(sites.values()), "people": people}
    return Plan.model_construct(**(data | {"surveys": tuple(surveys)}))


def known_plan(folder: Path) -> Plan | None:
    """All plans kept in a store's folder as one; None when there are none. `PlanError` when one cannot be used."""
    plans = _kept(folder)
    return _joined(plans) if plans else None


def planned_names(folder: Path) -> Mapping[str, str]:
    """The name as planned of every site, by the `site_key` of its code and of its name.

    Empty without plans, and where they cannot be used: sites are then named as on their sheets.
    """
    return _planned(folder, _files(folder))[0]


def planned_sites(folder: Path) -> Mapping[str, str]:
    """The site that each pack was printed for, by pack; empty as `planned_names` is."""
    return _planned(folder, _files(folder))[1]


def planned_lines(folder: Path) -> Mapping[str, int]:
    """How many lines each pack was printed with, by pack, where the plans say so; empty as `planned_names` is."""
    return _planned(folder, _files(folder))[2]


def _files(folder: Path) -> tuple[tuple[str, int, int], ...]:
    found = ((p.name, p.stat()) for p in sorted((folder / FOLDER).glob("*.yaml")))
    return tuple((name, state.st_mtime_ns, state.st_size) for name, state in found)


@lru_cache(maxsize=8)
def _planned(folder: Path, _files: tuple) -> tuple[Mapping[str, str], Mapping[str, str], Mapping[str, int]]:
    try:
        plan = known_plan(folder)
    except PlanError:
        plan = None
    if plan is None:
        return {}, {}, {}
    names = {site_key(s.code): s.name for s in plan.sites} | {site_key(s.name): s.name for s in plan.sites}
    packs = {s.pack: s for s in plan.surveys if s.pack}
    lines = {pack: s.transects for pack, s in packs.items() if s.transects}
    return names, {pack: plan.site(s.site).name for pack, s in packs.items()}, lines


def grouped_sites(folder: Path) -> tuple[SitePlan, ...]:
    """Sites that the plans kept in a store's folder put into a group; `PlanError` when one cannot be used."""
    plan = known_plan(folder)
    return tuple(s for s in plan.sites if s.group is not None) if plan else ()
