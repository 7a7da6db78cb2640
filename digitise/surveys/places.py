"""Where a survey was: the coordinates on its site sheet, as signed decimal degrees.

A site sheet's fields are known by their ids: ``latitude`` and ``longitude`` (decimal degrees), ``north-south`` and
``east-west`` (two codes each, such as N and S; see `Protocol.signs`). Without the letter a coordinate is not known: no
hemisphere is guessed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from digitise.sheets.protocol import is_known
from digitise.store import CellNow
from digitise.surveys.survey import Survey
from digitise.wording import in_sentence

EARTH_RADIUS_M = 6_371_008.8  # mean radius, IUGG


@dataclass(frozen=True, slots=True)
class Place:
    """A point: `latitude` from -90 to 90 and `longitude` from -180 to 180, degrees, positive north and east."""

    latitude: float
    longitude: float

    def __post_init__(self) -> None:
        if not on_earth(self.latitude, self.longitude):
            raise ValueError(
                f"found latitude {self.latitude}, longitude {self.longitude}; "
                "expected -90 to 90 and -180 to 180 degrees"
            )

    @property
    def words(self) -> str:
        """ "5.50270° N, 103.10310° E"."""
        north, east = "N" if self.latitude >= 0 else "S", "E" if self.longitude >= 0 else "W"
        return f"{abs(self.latitude):.5f}° {north}, {abs(self.longitude):.5f}° {east}"

    def iso_6709(self, crs: str) -> str:
        """The point as an ISO 6709 string in degrees, with the coordinate reference system that must go with it.

        >>> Place(5.5027, 103.1031).iso_6709("WGS 84")
        '+05.50270+103.10310CRSWGS_84/'
        """
        return f"{self.latitude:+09.5f}{self.longitude:+010.5f}CRS{crs.replace(' ', '_')}/"


def on_earth(latitude: float, longitude: float) -> bool:
    """Whether these are degrees that a place can have: -90 to 90 and -180 to 180."""
    return -90 <= latitude <= 90 and -180 <= longitude <= 180


def site_field(survey: Survey, name: str) -> CellNow | None:
    """The site sheet's field with this id, whatever its state; None when the sheet has none of its kind."""
    return next((c for i, c in survey.fields.items() if i.rpartition("/")[2] == name and is_known(name, c.kind)), None)


def entered(survey: Survey, name: str) -> object | None:
    """The value entered in a field of the site sheet; None while it is unread, blank or illegible."""
    cell = site_field(survey, name)
    return cell.value if cell is not None and cell.state == "entered" else None


def place_of(survey: Survey) -> Place | None:
    """Where the survey was, when all four fields are entered and possible."""
    latitude, longitude = entered(survey, "latitude"), entered(survey, "longitude")
    signs = [survey.protocol.signs(f).get(entered(survey, f)) for f in ("north-south", "east-west")]
    if latitude is None or longitude is None or None in signs or not on_earth(latitude, longitude):
        return None
    return Place(signs[0] * latitude, signs[1] * longitude)


def why_no_place(survey: Survey) -> str:
    """What keeps the survey off the map, in words; empty when it has a place."""
    if place_of(survey) is not None:
        return ""
    names = ("latitude", "north-south", "longitude", "east-west")
    cells = [(n, site_field(survey, n)) for n in names]
    if all(c is None for _, c in cells):
        return "no coordinates on its site sheet" if survey.fields else "no site sheet has been read"
    lacking = [
        f"{in_sentence(c.label)} {c.state}" if c else f"no field {n}" for n, c in cells if not c or c.state != "entered"
    ]
    return ", ".join(lacking) or "its coordinates are not possible"


def distance_m(a: Place, b: Place) -> float:
    """Great-circle distance by the haversine formula, on a sphere (within 0.6 % of the ellipsoid)."""
    p, q = math.radians(a.latitude), math.radians(b.latitude)
    half = math.radians(b.longitude - a.longitude) / 2
    h = math.sin((q - p) / 2) ** 2 + math.cos(p) * math.cos(q) * math.sin(half) ** 2
    return 2 * EARTH_RADIUS_M * math.asin(min(1.0, math.sqrt(h)))


def bounds(places: Sequence[Place]) -> tuple[float, float, float, float]:
    """(west, south, east, north) in degrees, of the smallest box around one place or more.

    West is greater than east for a box across the antimeridian (RFC 7946, section 5.2).
    """
    south, north = min(p.latitude for p in places), max(p.latitude for p in places)
    around = sorted({p.longitude for p in places})
    gaps = [(b - a, i) for i, (a, b) in enumerate(pairwise([*around, around[0] + 360]))]
    after = max(gaps)[1]  # the widest empty stretch lies after this longitude
    return around[(after + 1) % len(around)], south, around[after], north
