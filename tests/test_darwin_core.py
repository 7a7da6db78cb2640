"""The Darwin Core Archive against the published rules: its descriptor, its metadata, its rows.

Schemas are not fetched: `xml_rules` has what they ask, in a form that can be read. Rules of rows are those of the term
definitions (Event core and Occurrence, 2025-07-10) and of the text guide (2023-09-13).
"""

import copy
import csv
import datetime as dt
import hashlib
import io
import re
import xml.etree.ElementTree as ET
import zipfile

import pytest
from kept import FLAGGED, NOW, blank_of, keep, made_page, made_reading, made_result, points
from xml_rules import EML, META, faults

from digitise.exchange.about import About
from digitise.exchange.darwin_core_xml import EML_NS, TEXT_NS
from digitise.exchange.write import write_export
from digitise.reader.reading import PhotoResult
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import SHIPPED, load_protocol
from digitise.store import Store

SITE = {
    "site/site": "Lantern Reef",
    "site/date": "2026-03-28",
    "site/latitude": 5.5027,
    "site/north-south": "S",
    "site/longitude": 103.1031,
    "site/east-west": "E",
    "site/temperature": 28.5,
}
FULL = {
    "title": "Orrin Shoals, spring",
    "summary": "Two lines & <one> belt.",
    "contact": {"given_name": "Ada", "surname": "Lind", "organisation": "Orrin Shoals", "email": "data@orrin.example"},
    "licence": {"name": "CC-BY-4.0", "address": "https://creativecommons.org/licenses/by/4.0/"},
    "utc_offset": "+08:00",
    "datum": "EPSG:4326",
    "country_code": "MY",
    "water_body": "Orrin Sea",
    "position_uncertainty_m": 30,
    "names": {"goby": {"scientific_name": "Gobiiformes", "rank": "order"}},
}


def archive_of(folder, *, about, site=True):
    """Files of the archive of a small survey with present, absent, partly counted and unknown rows."""
    with Store.open(folder / "store") as store:
        if site:
            keep(store, made_result("site", SITE, name="site.jpg", transect=0))
        fish = {"fish/ray/0-10/tally": 6, "fish/goby/0-10/tally": FLAGGED, "fish/depth": 6.4, "fish/none-seen": True}
        keep(store, made_result("fish", fish | {"fish/start": "09:40"}, name="fish.jpg"))
        keep(store, made_result("fish", {"fish/ray/0-10/tally": 2}, name="fish2.jpg", transect=2))
        keep(store, made_result("substrate", points({"BK": 12, "YB": 26}), name="line.jpg"))
        tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/none-seen": True}
        keep(store, made_result("invertebrate", tick, name="invertebrate.jpg"))
        options = {"formats": ("darwin-core",), "about": About.model_validate(about), "with_unreviewed": True}
        write_export(store, folder / "out", now=NOW, **options)
    with zipfile.ZipFile(folder / "out" / "darwin-core.zip") as archive:
        return {name: archive.read(name) for name in archive.namelist()}


@pytest.fixture(scope="module", params=["full", "bare"])
def files(request, tmp_path_factory):
    """Once with everything stated, once with nothing stated and no site sheet."""
    folder = tmp_path_factory.mktemp(request.param)
    return archive_of(folder, about=FULL if request.param == "full" else {}, site=request.param == "full")


def parsed(data):
    return ET.fromstring(data)  # noqa: S314 - our own files


def tables(files):
    """Rows by file as the descriptor says that they are to be read, keyed by the terms' last part."""
    out = {}
    for table in parsed(files["meta.xml"]):
        kind = {k: v.encode().decode("unicode_escape") for k, v in table.attrib.items() if k != "rowType"}
        location = table.find(f"{{{TEXT_NS}}}files/{{{TEXT_NS}}}location").text
        text = files[location].decode(kind["encoding"])
        assert kind["linesTerminatedBy"] == "\r\n"
        assert text.endswith("\r\n")
        rows = list(
            csv.reader(io.StringIO(text), delimiter=kind["fieldsTerminatedBy"], quotechar=kind["fieldsEnclosedBy"])
        )
        terms = {int(f.get("index")): f.get("term") for f in table.iter(f"{{{TEXT_NS}}}field")}
        head, body = rows[: int(kind["ignoreHeaderLines"])], rows[int(kind["ignoreHeaderLines"]) :]
        assert head == [[terms[i].rpartition("/")[2] for i in range(len(terms))]]
        assert {len(row) for row in body} <= {len(terms)}
        out[location] = [{terms[i].rpartition("/")[2]: v for i, v in enumerate(row)} for row in body]
    return out


# The descriptor


def test_the_descriptor_keeps_to_the_text_guide(files):
    """One core, then extensions; files, then id or coreid, then fields, with the attributes that the guide names."""
    assert faults(parsed(files["meta.xml"]), META, namespace=TEXT_NS) == []


def test_every_column_is_described_once_and_every_file_is_there(files):
    """Indices from 0 without a gap or a double, no term twice, the id among the columns, no file left over."""
    described = set()
    for table in parsed(files["meta.xml"]):
        indices = [int(f.get("index")) for f in table.iter(f"{{{TEXT_NS}}}field")]
        terms = [f.get("term") for f in table.iter(f"{{{TEXT_NS}}}field")]
        key = int(next(e for e in table if e.tag.rpartition("}")[2] in ("id", "coreid")).get("index"))
        described.add(table.find(f"{{{TEXT_NS}}}files/{{{TEXT_NS}}}location").text)

        assert indices == list(range(len(indices)))
        assert len(set(terms)) == len(terms)
        assert terms[key].endswith("/eventID")
    assert described | {"meta.xml", "eml.xml"} == set(files)
    assert parsed(files["meta.xml"]).get("metadata") == "eml.xml"


# The metadata


def test_the_metadata_keep_to_eml(files):
    """Required parts, their order, attributes and forms; only the root has the namespace."""
    root = parsed(files["eml.xml"])

    assert root.tag == f"{{{EML_NS}}}eml"
    assert faults(root, EML) == []


def test_every_letter_that_xml_can_hold_is_in_the_metadata(tmp_path):
    """Letters beyond the first 65,536, as some names in China have them."""
    root = parsed(archive_of(tmp_path, about=FULL | {"title": "Pilot \U00020bb7 Garden"})["eml.xml"])

    assert root.find("dataset/title").text == "Pilot \U00020bb7 Garden"


def test_the_box_of_the_metadata_is_one_and_its_dates_run_forward(tmp_path):
    """West, east, north and south within the earth."""
    root = parsed(archive_of(tmp_path, about=FULL)["eml.xml"])
    box = {e.tag: float(e.text) for e in root.find("dataset/coverage/geographicCoverage/boundingCoordinates")}
    begin, end = (e.text for e in root.iter("calendarDate"))

    assert -90 <= box["southBoundingCoordinate"] <= box["northBoundingCoordinate"] <= 90
    assert -180 <= box["westBoundingCoordinate"] <= box["eastBoundingCoordinate"] <= 180
    assert dt.date.fromisoformat(begin) <= dt.date.fromisoformat(end)


def _at(root, path):
    """The first element down a path of names; none is the root."""
    for name in path:
        root = root.find(name)
    return root


def _without(*path):
    def change(root):
        parent = _at(root, path[:-1])
        parent.remove(parent.find(path[-1]))

    return change


def _moved_last(*path):
    def change(root):
        parent = _at(root, path[:-1])
        child = parent.find(path[-1])
        parent.remove(child)
        parent.append(child)

    return change


def _set(path, key, value):
    def change(root):
        element = _at(root, path)
        if key is None:
            element.text = value
        elif value is None:
            del element.attrib[key]
        else:
            element.set(key, value)

    return change


BOX = ("dataset", "coverage", "geographicCoverage", "boundingCoordinates")
HARMED_EML = [
    (_without("dataset", "title"), "title 0 times"),
    (_without("dataset", "creator"), "creator 0 times"),
    (_without("dataset", "contact"), "contact 0 times"),
    (_moved_last("dataset", "title"), "children in the order"),
    (_moved_last(*BOX, "westBoundingCoordinate"), "in the order"),
    (_set((), "packageId", None), "no attribute packageId"),
    (_set((), "system", None), "no attribute system"),
    (_set((), "version", "2"), "attribute version is not in the model"),
    (_set(("dataset", "pubDate"), None, "March 2026"), "text is 'March 2026'"),
    (_set(("dataset", "title"), None, " "), "title: text is"),
    (_set((*BOX, "northBoundingCoordinate"), None, "N 5"), "'N 5'"),
    (lambda root: ET.SubElement(root.find("dataset"), "remark"), "remark"),
    (lambda root: ET.SubElement(root.find("dataset/methods"), f"{{{EML_NS}}}methodStep"), "namespace"),
]
CORE, EXTENSION, FILES, COREID, FIELD = (f"{{{TEXT_NS}}}{n}" for n in ("core", "extension", "files", "coreid", "field"))
HARMED_META = [
    (_without(CORE), "core 0 times"),
    (lambda root: root.append(copy.deepcopy(root.find(CORE))), "core 2 times"),
    (_without(EXTENSION, COREID), "coreid 0 times"),
    (_without(CORE, FILES), "files 0 times"),
    (_moved_last(CORE, FILES), "children in the order"),
    (_set((CORE,), "rowType", None), "no attribute rowType"),
    (_set((CORE,), "rowType", "Event"), "attribute rowType is 'Event'"),
    (_set((CORE,), "ignoreHeaderLines", "yes"), "ignoreHeaderLines is 'yes'"),
    (_set((CORE, FIELD), "term", None), "no attribute term"),
    (_set((CORE, FIELD), "index", "-1"), "index is '-1'"),
    (_set((CORE, FIELD), "name", "x"), "attribute name is not in the model"),
    (lambda root: setattr(root.find(CORE), "tag", "core"), "namespace ''"),
]


@pytest.mark.parametrize(("harm", "words"), HARMED_EML)
def test_the_rules_of_eml_see_what_is_wrong(tmp_path_factory, harm, words):
    """Each rule at least once, so that a file without faults means something."""
    root = copy.deepcopy(_good(tmp_path_factory, "eml.xml"))
    harm(root)

    assert any(words in fault for fault in faults(root, EML))


@pytest.mark.parametrize(("harm", "words"), HARMED_META)
def test_the_rules_of_the_descriptor_see_what_is_wrong(tmp_path_factory, harm, words):
    """The same for meta.xml."""
    root = copy.deepcopy(_good(tmp_path_factory, "meta.xml"))
    harm(root)

    assert any(words in fault for fault in faults(root, META, namespace=TEXT_NS))


def test_a_party_needs_a_name(tmp_path_factory):
    """A contact with an address for mail alone."""
    root = copy.deepcopy(_good(tmp_path_factory, "eml.xml"))
    contact = root.find("dataset/contact")
    for child in [c for c in contact if c.tag != "electronicMailAddress"]:
        contact.remove(child)

    assert "contact: none of individualName, organizationName, positionName" in faults(root, EML)


_MADE = {}


def _good(tmp_path_factory, name):
    if not _MADE:
        _MADE.update(archive_of(tmp_path_factory.mktemp("good"), about=FULL))
    return parsed(_MADE[name])


# The rows


def test_events_keep_to_their_definitions(files):
    """Unique ids, parents that are there, sizes with their unit, dates by ISO 8601 and their parts, places on earth."""
    events = tables(files)["event.csv"]
    ids = [e["eventID"] for e in events]

    assert len(set(ids)) == len(ids) > 5
    for e in events:
        assert e["parentEventID"] in ("", *ids)
        assert (e["parentEventID"] == "") == (e["eventType"] == "Survey")
        assert (e["sampleSizeValue"] == "") == (e["sampleSizeUnit"] == "")
        assert e["sampleSizeUnit"] in ("", "metre", "square metre")
        assert e["samplingProtocol"]
        assert re.fullmatch(r"(\d{4}-\d\d-\d\d(T\d\d:\d\d(Z|[+-]\d\d:\d\d))?(/\S+)?)?", e["eventDate"])
        if e["eventDate"]:
            assert (int(e["year"]), int(e["month"]), int(e["day"])) == tuple(map(int, e["eventDate"][:10].split("-")))
        assert (e["decimalLatitude"] == "") == (e["decimalLongitude"] == "") == (e["geodeticDatum"] == "")
        if e["decimalLatitude"]:
            assert -90 <= float(e["decimalLatitude"]) <= 90
            assert -180 <= float(e["decimalLongitude"]) <= 180
            assert re.fullmatch(r"EPSG:\d+|not recorded", e["geodeticDatum"])
        assert e["coordinateUncertaintyInMeters"] == "" or float(e["coordinateUncertaintyInMeters"]) > 0
        assert re.fullmatch("([A-Z]{2})?", e["countryCode"])
        if e["minimumDepthInMeters"]:
            assert float(e["minimumDepthInMeters"]) <= float(e["maximumDepthInMeters"])
        assert e["license"] == "" or e["license"].startswith("https://")


def test_occurrences_keep_to_their_definitions(files):
    """A basis of record, present with a count above 0 or absent with 0, quantities with their type, a known event."""
    made = tables(files)
    events, occurrences = {e["eventID"] for e in made["event.csv"]}, made["occurrence.csv"]

    assert {o["occurrenceStatus"] for o in occurrences} == {"present", "absent"}
    assert len({o["occurrenceID"] for o in occurrences}) == len(occurrences)
    for o in occurrences:
        assert o["eventID"] in events
        assert o["basisOfRecord"] == "HumanObservation"
        assert (int(o["individualCount"]) > 0) == (o["occurrenceStatus"] == "present")
        assert (o["organismQuantity"], o["organismQuantityType"]) == (o["individualCount"], "individuals")
        assert (o["scientificName"] == "") == (o["taxonRank"] == "") == (o["kingdom"] == "")
        assert o["vernacularName"] == o["verbatimIdentification"] != ""


def test_measurements_belong_to_events_and_occurrences_that_are_there(files):
    """Each with a type and a value; a unit only in words."""
    made = tables(files)
    events, occurrences = (
        {r[k] for r in made[f]} for f, k in (("event.csv", "eventID"), ("occurrence.csv", "occurrenceID"))
    )
    facts = made["extendedmeasurementorfact.csv"]

    assert len({m["measurementID"] for m in facts}) == len(facts) > 10
    for m in facts:
        assert m["eventID"] in events
        assert m["occurrenceID"] in ("", *occurrences)
        assert m["measurementType"]
        assert m["measurementValue"] != ""
        assert re.fullmatch(r"[a-zA-Z ]*", m["measurementUnit"])
    counted = {m["measurementType"]: m["measurementUnit"] for m in facts if m["measurementMethod"] == "count"}
    assert counted == {"bleached colonies": "items", "litter": "items"}  # none of them an animal
    for scope in made["humboldt.csv"]:
        assert scope["eventID"] in events
        assert scope["isAbsenceReported"] in ("true", "false")
        assert (scope["eventDurationValue"] == "") == (scope["eventDurationUnit"] == "")


# Protocols of another kind


def _kept_of(name, values, folder, *, lines=1):
    """The archive of one survey by a shipped protocol: `values` by sheet, every other cell blank."""
    p = load_protocol(name)
    with Store.open(folder / "store") as store:
        for one in build_layouts(p):
            if one.paper != p.paper or one.sheet not in values:
                continue
            for transect in range(1, lines + 1):
                written = values[one.sheet]
                readings = tuple(made_reading(c, written.get(c.id, blank_of(c))) for c in one.cells)
                data = f"{one.digest} {transect}".encode()
                photo, sha256 = f"{one.sheet}-{one.page}-{transect}.jpg", hashlib.sha256(data).hexdigest()
                page = made_page(one, transect=transect)
                store.keep_photo(data, photo, now=NOW)
                store.record(PhotoResult(photo, sha256, "read", (), page, None, readings), p, now=NOW)
        write_export(store, folder / "out", now=NOW, formats=("darwin-core", "tables"))
    with zipfile.ZipFile(folder / "out" / "darwin-core.zip") as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def test_animals_in_frames_are_of_the_frames_area_and_not_of_a_belts(tmp_path):
    """Ten frames of one square metre along a tape of 30 m; two sea hares in the first are 20 in 100 m2 in every form."""
    animals = {"animals/none-seen": True, "animals/sea-hare/q1/tally": 2, "animals/grass-percent/q1/percent": 40}
    files = _kept_of("lagoon-frames", {"animals": animals}, tmp_path)
    rows = tables(files)
    event = next(e for e in rows["event.csv"] if e["eventID"].endswith(":animals"))
    methods = files["eml.xml"].decode()
    with (tmp_path / "out" / "tables" / "density.csv").open(encoding="utf-8", newline="") as file:
        hares = next(r for r in csv.DictReader(file) if (r["taxon"], r["level"]) == ("sea-hare", "site"))

    assert (event["sampleSizeValue"], event["sampleSizeUnit"]) == ("10", "square metre")
    assert event["samplingProtocol"] == "10 frames of 1 by 1 m along 30 m: animals in frames"
    assert rows["humboldt.csv"][0]["totalAreaSampledValue"] == "10"
    assert (hares["count"], hares["area_m2"], hares["density"]) == ("2", "10", "20")
    assert "seagrass, frame 1" in {m["measurementType"] for m in rows["extendedmeasurementorfact.csv"]}
    assert "2 tapes of 30 m a survey; 10 frames of 1 by 1 m; a point every 0.5 m along 30 m." in methods
    assert "belt" not in methods
    assert "<keyword>counts in frames</keyword>" in methods


def test_a_depth_and_a_time_in_words_are_no_depth_and_no_time(tmp_path):
    """A protocol of one's own may ask for both in words, which stay in the tables of cells."""
    text = (SHIPPED / "long-line.yaml").read_text(encoding="utf-8")
    text = text.replace('label: Depth (m), kind: decimal, format: "##.#"', "label: Depth (m), kind: text, width_mm: 30")
    text = text.replace("label: Count started, kind: time", "label: Count started, kind: text, width_mm: 40")
    (tmp_path / "own.yaml").write_text(text.replace("protocol: long-line", "protocol: own"), encoding="utf-8")
    words = {"shoals/depth": "7 to 9", "shoals/start": "about ten", "shoals/none-seen": True}
    rows = tables(_kept_of(tmp_path / "own.yaml", {"shoals": words}, tmp_path))

    assert {e["minimumDepthInMeters"] for e in rows["event.csv"]} == {""}


def test_one_line_is_named_in_the_singular_and_a_belt_with_gaps_by_what_was_counted(tmp_path):
    """The long line has one; the wall's four segments of 5 m leave a metre between them, 80 m2 of a tape of 23 m."""
    one = tables(_kept_of("long-line", {"shoals": {"shoals/none-seen": True}}, tmp_path / "long"))
    wall = tables(
        _kept_of(
            "wall-segments", {"fish": {"fish/none-seen": True}, "wall": {"wall/0.5": "AE"}}, tmp_path / "wall", lines=2
        )
    )
    points = next(e for e in wall["event.csv"] if e["eventID"].endswith(":wall"))
    belts = [e for e in wall["event.csv"] if e["eventID"].endswith(":fish")]

    assert one["event.csv"][0]["samplingProtocol"] == "Long line survey, 1 line of 50 m"
    assert wall["event.csv"][0]["samplingProtocol"] == "Muestreo de pared por tramos, 2 lines of 23 m"
    assert belts[0]["samplingProtocol"] == (
        "belt transect, 4 m wide along 0-5, 6-11, 12-17 and 18-23 m of 23 m: peces por tramos"
    )
    assert points["samplingProtocol"] == (
        "point intercept, 40 points every 0.5 m along 0-5, 6-11, 12-17 and 18-23 m of 23 m: pared bajo la cinta"
    )
    assert (points["sampleSizeValue"], points["sampleSizeUnit"]) == ("20", "metre")
    assert {e["sampleSizeValue"] for e in belts} == {"80"} == {h["totalAreaSampledValue"] for h in wall["humboldt.csv"]}
