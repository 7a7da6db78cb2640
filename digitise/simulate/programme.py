"""An invented programme: seven sites over three years, who went, the weather, what grew, and what bleached.

Everything follows from a seed. Reefs grow a little each year; in the autumn of 2025 warm water bleaches corals, each
site as hard as its `severity`, and by the spring after, part of them is dead and overgrown. Nothing here is a model of
any real reef: the rules are as simple as a demonstration needs.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from digitise.sheets.sheet import new_pack
from digitise.simulate.samples import REEFS, Reef
from digitise.surveys.plan import PairPlan, Plan, SitePlan, SurveyPlan

GROWTH = 1.05  # of hard coral in a year
BLEACHED = dt.date(2025, 9, 20)  # the warm weeks
SPRING_C, AUTUMN_C = 27.6, 30.9  # water
LEADERS, SHORE = ("MIRA TOLE", "TAM ORLE"), ("OLIN FESK", "BES HALLOR")
DIVERS = ("KEO VARN", "ADA LIND", "ROSU BEKI", "JUN ANSU", "NIKA DORR", "PELL OSTRA", "SANI KOVE")
REMARKS = ("OLD ANCHOR SCAR", "SWELL FROM W", "ROPE AT 12 M", "GREEN BUOY GONE", "SILT AFTER RAIN")
DAYS = ((2024, 3, 9), (2025, 3, 8), (2026, 3, 14))  # first day of each spring
AUTUMN = dt.date(2025, 10, 18)


@dataclass(frozen=True, slots=True)
class Place:
    """A site: where, and its reef in 2024. `cover` is a share of each category in the protocol's order."""

    name: str
    code: str
    latitude: float
    longitude_w: float
    depth_m: float
    cover: tuple[float, ...]
    severity: float  # share of branching coral that the bleaching kills; others lose half as much
    like: int  # which sample reef its animals are like
    plenty: float  # how many animals, against that reef


PLACES = (
    Place("Tamarind Wall", "TW", 5.4123, 161.2034, 8.2, (.25, .17, .09, .05, .03, .11, .12, .08, .10), .16, 0, 1.0),
    Place("Pilot Garden", "PG", 5.43871, 161.1877, 5.6, (.10, .11, .06, .04, .10, .14, .10, .22, .13), .50, 1, 1.0),
    Place("Lantern Reef", "LR", 5.4051, 161.2212, 6.8, (.31, .16, .07, .04, .04, .12, .10, .07, .09), .55, 0, 1.2),
    Place("Silt Hollow", "SH", 5.4478, 161.2106, 4.4, (.04, .12, .05, .07, .15, .18, .08, .12, .19), .20, 1, .7),
    Place("North Steps", "NS", 5.4610, 161.1935, 9.5, (.19, .22, .11, .05, .02, .12, .15, .06, .08), .30, 0, .9),
    Place("Gannet Shelf", "GS", 5.3987, 161.1790, 7.1, (.16, .18, .13, .06, .05, .13, .14, .07, .08), .42, 0, .8),
    Place("Copper Bay", "CB", 5.4262, 161.2380, 5.0, (.12, .10, .05, .05, .14, .20, .09, .13, .12), .48, 1, 1.1),
)  # fmt: skip


GROUPS = ("Outer reef", "Lagoon")  # of sites, by the sample reef that they are like


@dataclass(frozen=True, slots=True)
class Visit:
    """One survey: where, when, its pack, how many lines, who went in which pairs, and what the sheets say."""

    place: Place
    day: dt.date
    pack: str
    transects: int
    leader: str
    shore: str
    pairs: tuple[tuple[str, ...], ...]
    reef: Reef


def cover_on(place: Place, day: dt.date) -> tuple[float, ...]:
    """Share of each category on a day; they sum to 1.

    Coral grows from 2024 on. What the bleaching kills is overgrown, three parts of it turf and one part rubble, from
    the first of January after.
    """
    branching, other, *rest = place.cover
    grown = GROWTH ** (min(day, BLEACHED).year - DAYS[0][0])
    branching, other = branching * grown, other * grown
    soft, sponge, weed, turf, rock, rubble, sand = rest
    if day.year > BLEACHED.year:
        dead = place.severity * branching + 0.5 * place.severity * other
        branching, other = (1 - place.severity) * branching, (1 - 0.5 * place.severity) * other
        turf, rubble = turf + 0.75 * dead, rubble + 0.25 * dead
    shares = np.array([branching, other, soft, sponge, weed, turf, rock, rubble, sand])
    return tuple(float(v) for v in shares / shares.sum())


def bleached_percent(place: Place, day: dt.date) -> float:
    """Mean share of colonies that are white on a day: few in spring, many in the warm weeks and just after."""
    return 20 + 90 * place.severity if abs((day - BLEACHED).days) < 60 else 2.0


def animals_on(place: Place, day: dt.date) -> tuple[dict[str, float], dict[str, float]]:
    """(fish, invertebrates) a segment on a day: as the sample reef has them; small fish follow the coral."""
    like = REEFS[place.like]
    coral = sum(cover_on(place, day)[:2]) / sum(cover_on(place, dt.date(*DAYS[0]))[:2])
    follows = {"damselfish": coral, "cardinalfish": coral, "hawkfish": coral, "surgeonfish": 2 - coral}
    fish = {k: v * place.plenty * follows.get(k, 1.0) for k, v in like.fish.items()}
    return fish, {k: v * place.plenty for k, v in like.invertebrates.items()}


def visits(seed: int) -> Iterator[Visit]:
    """Every survey in the order they were made: seven a spring, and three short ones after the warm weeks.

    The last spring's day at Tamarind Wall is that of the sample photographs, with their pack.
    """
    rng = np.random.default_rng(seed)
    for first in (dt.date(*d) for d in DAYS):
        if first.year == AUTUMN.year + 1:
            for n, place in enumerate((PLACES[0], PLACES[2], PLACES[4])):
                yield _visit(place, AUTUMN + dt.timedelta(days=n // 2), 1, rng)
        for n, place in enumerate(PLACES):
            one = _visit(place, first + dt.timedelta(days=7 * (n // 2) + n % 2), 3, rng)
            sample = REEFS[0]
            if place is PLACES[0] and one.day.isoformat() == sample.site["date"]:
                pairs = tuple(tuple(str(sample.site[f"pair-{k}"]).split(", ")) for k in (1, 2, 3))
                one = replace(one, pack=sample.pack, leader="MIRA TOLE", shore="OLIN FESK", pairs=pairs, reef=sample)
            yield one


def _visit(place: Place, day: dt.date, transects: int, rng: np.random.Generator) -> Visit:
    pack = new_pack(lambda letters: letters[int(rng.integers(len(letters)))])
    leader, shore = LEADERS[int(rng.integers(2))], SHORE[int(rng.integers(2))]
    divers = [str(d) for d in rng.permutation(DIVERS)[: int(rng.choice([3, 5]))]]
    team = [*divers, leader]
    pairs = tuple(tuple(team[i : i + 2]) for i in range(0, len(team), 2))
    fish, invertebrates = animals_on(place, day)
    warm = abs((day - BLEACHED).days) < 60
    percent = bleached_percent(place, day)
    minute = int(rng.integers(8 * 60, 10 * 60 + 30))
    reef = Reef(
        pack,
        place.code.lower(),
        _site_sheet(place, day, minute, leader, shore, pairs, rng, water=AUTUMN_C if warm else SPRING_C),
        minute + int(rng.integers(14, 25)),
        cover_on(place, day),
        0.3,
        fish,
        invertebrates,
        {"bleached-colony": percent / 12, "litter": 0.8, "bleached-percent": percent},
        (team[0], team[1], team[2]),
    )
    return Visit(place, day, pack, transects, leader, shore, pairs, reef)


def _site_sheet(
    place: Place, day: dt.date, minute: int, leader: str, shore: str, pairs, rng: np.random.Generator, *, water: float
) -> dict[str, object]:
    """What stands on the site sheet, with a position some tens of metres about the site's."""
    cloud = bool(rng.random() < 0.4)
    near = rng.normal(0, 0.0002, 2)
    out: dict[str, object] = {
        "date": day.isoformat(),
        "time": f"{minute // 60:02d}:{minute % 60:02d}",
        "site": place.name.upper(),
        "team": sum(len(p) for p in pairs),
        "latitude": round(place.latitude + float(near[0]), 5),
        "north-south": "N",
        "longitude": round(place.longitude_w + float(near[1]), 5),
        "east-west": "W",
        "depth": round(place.depth_m + float(rng.normal(0, 0.15)), 1),
        "visibility": int(np.clip(rng.normal(8 if cloud else 13, 2.5), 3, 25)),
        "temperature": round(water + float(rng.normal(0, 0.4)), 1),
        "sun": not cloud,
        "cloud": cloud,
        "rain": cloud and bool(rng.random() < 0.3),
        "wind": bool(rng.random() < 0.4),
        "current": bool(rng.random() < 0.3),
        "boats": bool(rng.random() < 0.25),
        "leader": leader,
        "cover": shore,
    }
    out |= {f"pair-{i}": ", ".join(pair) for i, pair in enumerate(pairs, start=1)}
    if rng.random() < 0.4:
        out["remarks"] = str(rng.choice(REMARKS))
    return out


def plans(seed: int) -> Iterator[Plan]:
    """A plan for each season, as `digitise prepare` would have left it; the last has days that never came back."""
    every = list(visits(seed))
    for year in sorted({v.day.year for v in every}):
        surveys = [_planned(v) for v in every if v.day.year == year]
        if year == every[-1].day.year:
            again = SurveyPlan(
                site="LR", date=dt.date(year, 4, 18), transects=3, leader=_name("MIRA TOLE"), pack="WX3PLE"
            )
            surveys += [again, SurveyPlan(site="GS", transects=3)]
        yield Plan(
            plan=f"season-{year}",
            protocol="reef-transect",
            sites=tuple(_site_plan(p) for p in PLACES),
            people=tuple(_name(n) for n in (*LEADERS, *SHORE, *DIVERS)),
            surveys=tuple(surveys),
        )


def _site_plan(place: Place) -> SitePlan:
    depths = (max(0.0, round(place.depth_m - 1.5, 1)), round(place.depth_m + 1.5, 1))
    return SitePlan(
        name=place.name,
        code=place.code,
        latitude=place.latitude,
        longitude=-place.longitude_w,
        radius_m=150,
        depth_m=depths,
        group=GROUPS[place.like],
    )


def _planned(visit: Visit) -> SurveyPlan:
    tasks = (("fish",), ("invertebrate",), ("line", "substrate"))
    pairs = tuple(PairPlan(divers=tuple(_name(d) for d in pair), tasks=tasks[i]) for i, pair in enumerate(visit.pairs))
    return SurveyPlan(
        site=visit.place.code,
        date=visit.day,
        transects=visit.transects,
        leader=_name(visit.leader),
        shore=_name(visit.shore),
        pairs=pairs,
        pack=visit.pack,
    )


def _name(capitals: str) -> str:
    return capitals.title()
