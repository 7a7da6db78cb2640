"""Where a survey was: distances, the degrees that are possible, and how a place is written."""

import math
from types import SimpleNamespace

import pytest
from shared_cases import cases, close

from digitise.sheets.protocol import SHIPPED, Protocol, load_protocol, parse_protocol
from digitise.surveys import places
from digitise.surveys.places import EARTH_RADIUS_M, Place, distance_m


@cases("distance_m")
def test_distances_equal_those_of_the_shared_cases(case):
    """A survey beside its site, one whose longitude has two digits swapped, and the fifth decimal of a latitude."""
    g, expected = case["inputs"], case["expected"]
    if "decimals" in g:
        found = distance_m(Place(0, 0), Place(10 ** -g["decimals"], 0))
    else:
        found = distance_m(Place(*g["site"]), Place(*g["survey"]))

    assert found == close(expected["metres"], case)
    if "radius_m" in g:
        assert (found <= g["radius_m"]) is expected["inside"]


def test_distances_are_those_of_a_sphere():
    """One degree along a meridian is the mean radius times pi / 180: 111.195 km; half way round, pi radii."""
    assert distance_m(Place(0, 0), Place(1, 0)) == pytest.approx(111_195.08, abs=0.1)
    assert distance_m(Place(60, 10), Place(60, 11)) == pytest.approx(55_597, rel=1e-3)  # cos 60 is a half
    assert distance_m(Place(0, 0), Place(0, 180)) == pytest.approx(EARTH_RADIUS_M * math.pi)
    assert distance_m(Place(5, 5), Place(5, 5)) == 0


@cases("iso_6709")
def test_a_place_is_written_by_iso_6709(case):
    """Signs, leading zeros, the reference system and the closing solidus."""
    g = case["inputs"]

    assert Place(g["latitude"], g["longitude"]).iso_6709(g["crs"]) == case["expected"]["string"]
    assert Place(-5.5, -3.1).iso_6709("WGS 84") == "-05.50000-003.10000CRSWGS_84/"


@cases("place")
def test_degrees_that_no_place_has_are_refused(case):
    """95.5 degrees north; the message names what was found and what is possible."""
    assert case["expected"]["valid"] is False
    with pytest.raises(ValueError, match=r"found latitude 95\.5027.*expected -90 to 90"):
        Place(case["inputs"]["latitude"], case["inputs"]["longitude"])


@pytest.mark.parametrize(("latitude", "longitude"), [(90, 180), (-90, -180), (0, 0)])
def test_the_poles_and_the_antimeridian_are_places(latitude, longitude):
    """The limits themselves are possible."""
    assert Place(latitude, longitude).latitude == latitude


@pytest.mark.parametrize(("latitude", "longitude"), [(0, 180.1), (-90.1, 0), (math.nan, 0)])
def test_degrees_just_outside_are_no_place(latitude, longitude):
    """Nor is what is no number."""
    with pytest.raises(ValueError, match="degrees"):
        Place(latitude, longitude)


def _reef_with(choices: str) -> Protocol:
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    assert text.count("choices: [E, W]") == 1
    return parse_protocol(text.replace("choices: [E, W]", f"choices: {choices}"), "p.yaml")


@pytest.mark.parametrize(
    ("choices", "signs"),
    [
        ("[E, W]", {"E": 1, "W": -1}),
        ("[W, E]", {"E": 1, "W": -1}),  # English letters are what they are in any order
        ("[E, O]", {"E": 1, "O": -1}),  # Spanish, French, Italian: este and oeste
        ("[O, W]", {"O": 1, "W": -1}),  # German: Ost and West
        ("[L, O]", {"L": 1, "O": -1}),  # Portuguese: leste and oeste
        ("[E, W, X]", {}),
    ],
)
def test_hemispheres_are_known_in_any_language(choices, signs):
    """The first choice is north or east, unless both are the English letters (words from memory)."""
    assert _reef_with(choices).signs("east-west") == signs


def test_a_spanish_survey_has_a_place():
    """S and O on the site sheet of the shipped Spanish protocol are negative degrees."""
    protocol = load_protocol("wall-segments")
    written = {"latitude": 5.5, "north-south": "S", "longitude": 61.25, "east-west": "O"}
    kinds = {name: "code" if isinstance(value, str) else "decimal" for name, value in written.items()}
    fields = {f"site/{k}": SimpleNamespace(value=v, state="entered", kind=kinds[k]) for k, v in written.items()}

    assert places.place_of(SimpleNamespace(protocol=protocol, fields=fields)) == Place(-5.5, -61.25)
