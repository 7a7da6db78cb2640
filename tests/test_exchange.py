"""Data for others: tidy, typed, described by open standards, guarded, and honest about what nobody has decided."""

import csv
import datetime as dt
import errno
import io
import json
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept import FLAGGED, NOW, PACK, keep, made_result, made_sheet, photo_of, points, protocol

from digitise.cli import main
from digitise.exchange import FORMATS, USUAL, geojson, tables
from digitise.exchange.about import About, load_about
from digitise.exchange.content import Unreviewed, gather
from digitise.exchange.guard import FORMULA_STARTS, guarded, write_zip
from digitise.exchange.tables import result_tables
from digitise.exchange.write import write_export
from digitise.reader.reading import PhotoResult, sentence
from digitise.results import survey_results
from digitise.results.columns import COLUMNS
from digitise.sheets.protocol import Protocol
from digitise.store import Store
from digitise.surveys.survey import assemble

RAY, TOTAL = "fish/ray/0-10/tally", "fish/ray/0-10/total"
SITE = {
    "site/site": "Lantern Reef",
    "site/date": "2026-03-28",
    "site/latitude": 5.5027,
    "site/north-south": "S",
    "site/longitude": 103.1031,
    "site/east-west": "E",
    "site/temperature": 28.5,
    "site/sun": True,
}
ABOUT = About.model_validate(
    {
        "title": "Orrin Shoals, spring",
        "contact": {"organisation": "Orrin Shoals volunteers", "email": "data@orrin.example"},
        "licence": {"name": "CC-BY-4.0", "address": "https://creativecommons.org/licenses/by/4.0/"},
        "utc_offset": "+08:00",
        "datum": "EPSG:4326",
        "names": {"goby": {"scientific_name": "Gobiiformes", "rank": "order"}},
    }
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A site sheet, a fish sheet (six rays, three gobies entered by Anna, one total unread), a substrate line; a refusal."""
    with Store.open(tmp_path_factory.mktemp("kept") / "store") as opened:
        keep(opened, made_result("site", SITE, name="site.jpg", transect=0))
        fish = {RAY: 6, TOTAL: FLAGGED, "fish/goby/0-10/tally": FLAGGED, "fish/depth": 6.4, "fish/none-seen": True}
        page = keep(opened, made_result("fish", fish | {"fish/start": "09:40"}, name="fish.jpg"))
        opened.decide(page, "fish/goby/0-10/tally", value=3, state="entered", by="Anna", why="counted", now=NOW)
        keep(opened, made_result("substrate", points({"BK": 12, "YB": 26}), name="line.jpg"))
        digest = opened.keep_photo(photo_of("blur.jpg"), "blur.jpg", now=NOW)
        opened.record(PhotoResult("blur.jpg", digest, "retake", (sentence("blurred"),)), None, now=NOW)
        yield opened


@pytest.fixture(scope="module")
def out(store, tmp_path_factory):
    """Every format of that store, written once, with what nobody decided."""
    folder = tmp_path_factory.mktemp("out")
    write_export(store, folder, now=NOW, formats=tuple(FORMATS), with_unreviewed=True, about=ABOUT)
    return folder


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def observed(out, sheet="fish"):
    return {row["cell"]: row for row in table(out / "tables" / "observations.csv") if row["sheet"] == sheet}


# What is refused, and what is said


def test_an_export_with_unread_cells_is_refused_unless_asked_for(store, tmp_path):
    """One total waits: a sentence that says how many, which, and what to do; nothing is written."""
    with pytest.raises(
        Unreviewed, match=r"1 cell still waits .*Rays, 0-10 m: written total.*digitise review.*--with-unreviewed"
    ):
        write_export(store, tmp_path / "new", now=NOW)

    assert not (tmp_path / "new").exists()


def test_the_title_counts_sites_that_are_known_and_names_the_rest_for_what_it_is(tmp_path):
    """Two surveys of one site, four without a name: these are not four more sites."""
    with Store.open(tmp_path / "store") as store:
        for k in range(6):
            values = {"site/date": "2026-03-28"} | ({"site/site": "Lantern Reef"} if k < 2 else {})
            keep(store, made_result("site", values, name=f"site{k}", pack=f"QH7M4{'ABCDEF'[k]}", transect=0))
        title = gather(store, now=NOW).title
        few = gather(store, now=NOW, packs=["QH7M4A", "QH7M4C"]).title

    assert title == "Orrin Shoals volunteer survey: 1 site and 4 surveys without a name, 2026"
    assert few == "Orrin Shoals volunteer survey: Lantern Reef, Pack QH7M4C, 2026"


def test_every_format_says_inside_that_it_is_provisional(out):
    """Tables, descriptor, workbook, archive, map and evidence."""
    from openpyxl import load_workbook

    with zipfile.ZipFile(out / "darwin-core.zip") as archive:
        eml = archive.read("eml.xml").decode()
    texts = [
        (out / "tables" / "README.txt").read_text(encoding="utf-8"),
        (out / "tables" / "datapackage.json").read_text(encoding="utf-8"),
        load_workbook(out / "survey.xlsx")["Read me"]["B2"].value,
        eml,
        (out / "sites.geojson").read_text(encoding="utf-8"),
        (out / "evidence" / "bag-info.txt").read_text(encoding="utf-8"),
    ]

    assert [t for t in texts if "PROVISIONAL: 1 of 119 cells has not been decided by anybody" not in t] == []


def test_wrong_formats_folders_and_empty_stores_are_sentences(store, tmp_path):
    """What was found, and what to do."""
    (tmp_path / "taken").write_text("x")
    with pytest.raises(ValueError, match="found format 'pdf', expected some of tables"):
        write_export(store, tmp_path / "a", now=NOW, formats=("pdf",))
    with pytest.raises(ValueError, match="taken: is a file; choose a folder"):
        write_export(store, tmp_path / "taken", now=NOW)
    with pytest.raises(ValueError, match="leave --pack out"):
        write_export(store, tmp_path / "a", now=NOW, formats=("evidence",), packs=[PACK])
    with Store.open(tmp_path / "empty") as empty, pytest.raises(ValueError, match="no sheet has been read yet"):
        write_export(empty, tmp_path / "a", now=NOW)


def test_only_the_packs_asked_for_are_exported(store, tmp_path):
    """Another pack's sheet stays at home; a pack that is not there is said to be."""
    summary = write_export(store, tmp_path / "a", now=NOW, packs=[PACK], formats=("tables",), with_unreviewed=True)

    assert {r["photo"] for r in table(tmp_path / "a" / "tables" / "photos.csv")} == {"site.jpg", "fish.jpg", "line.jpg"}
    assert summary.surveys == 1
    with pytest.raises(ValueError, match="no sheet of pack NNNNNN"):
        write_export(store, tmp_path / "b", now=NOW, packs=["NNNNNN"])


def test_what_an_earlier_run_left_in_the_folder_is_told(store, tmp_path, capsys):
    """Files that say nothing about the present data are not taken for it, and nobody's are removed."""
    kept, out = str(store.folder), tmp_path / "out"
    every = ["export", "--store", kept, "--out", str(out), "--with-unreviewed", "--as"]
    assert main([*every, "tables,sites"]) == 0
    first = capsys.readouterr().err
    assert f"{out}: " in first
    assert "earlier run" not in first
    assert main([*every, "tables"]) == 0
    assert f"{out} still holds 1 file of an earlier run, such as {out / 'sites.geojson'}" in capsys.readouterr().err

    (out / "figures").mkdir()
    (out / "figures" / "cover-OLDONE.png").write_bytes(b"drawn last week")
    assert main(["report", "--store", kept, "--out", str(out), "--pack", PACK]) == 0
    assert "cover-OLDONE.png" in capsys.readouterr().err
    assert (out / "figures" / "cover-OLDONE.png").exists()


def test_pages_without_a_pack_are_exported_and_counted(tmp_path):
    """They are among the observations and in no survey, and the summary says so."""
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("substrate", {}, name="s.jpg", pack=None))
        summary = write_export(store, tmp_path / "out", now=NOW, formats=("tables", "darwin-core", "sites", "workbook"))

    assert (summary.without_pack, summary.surveys) == (1, 0)
    assert "1 page has no pack yet" in summary.sentence
    assert {r["pack"] for r in table(tmp_path / "out" / "tables" / "observations.csv")} == {""}


# Tables


def test_every_cell_is_one_row_with_its_origin(store, out):
    """53 cells of a fish sheet, each with value, who, when, confidence, photograph and place on the page."""
    rows = observed(out)
    six, goby = rows[RAY], rows["fish/goby/0-10/tally"]

    assert len(rows) == 53
    assert list(six) == list(COLUMNS["observations"])
    assert (six["pack"], six["transect"], six["state"], six["value"]) == (PACK, "1", "entered", "6")
    assert (six["decided_by"], six["confidence"], six["photo"]) == ("rule", "0.9993", "fish.jpg")
    assert (goby["value"], goby["decided_by"], goby["why"], goby["read_value"]) == ("3", "Anna", "counted", "")
    assert (rows["fish/none-seen"]["value"], rows["fish/depth"]["value"]) == ("true", "6.4")


def test_what_nobody_decided_has_no_value_and_a_blank_is_not_a_zero(out):
    """The unread total and a blank tally are both empty, with their states; an unknown density is empty."""
    rows = observed(out)
    ray = [r for r in table(out / "tables" / "density.csv") if (r["taxon"], r["level"]) == ("ray", "site")]

    assert (rows[TOTAL]["state"], rows[TOTAL]["value"], rows[TOTAL]["decided_by"]) == ("unread", "", "")
    assert (rows["fish/ray/10-20/tally"]["state"], rows["fish/ray/10-20/tally"]["value"]) == ("blank", "")
    assert [(r["count"], r["area_m2"], r["density"]) for r in ray] == [("6", "40", "15")]


def test_the_data_package_is_valid_by_its_published_standard(out):
    """Descriptor, schemas, types, keys and hashes, by the `frictionless` library's Data Package 2.0 checks."""
    from frictionless import Package, system, validate

    with system.use_context(trusted=True):
        report = validate(str(out / "tables" / "datapackage.json"))
        package = Package(str(out / "tables" / "datapackage.json"))

    assert report.flatten(["name", "rowNumber", "fieldName", "message"]) == []
    assert report.valid
    assert [r.name for r in package.resources] == ["surveys", "cover", "density", "impacts", "observations", "photos"]


@pytest.mark.parametrize(("name", "key"), [("CC-BY-4.0", "name"), ("Creative Commons Attribution 4.0", "title")])
def test_a_licence_that_is_no_identifier_is_a_title(store, tmp_path, name, key):
    """The profile takes identifiers alone as names: letters, digits, points, hyphens and underlines."""
    about = ABOUT.model_copy(update={"licence": ABOUT.licence.model_copy(update={"name": name})})
    write_export(store, tmp_path, now=NOW, formats=("tables",), with_unreviewed=True, about=about)
    described = json.loads((tmp_path / "tables" / "datapackage.json").read_text(encoding="utf-8"))

    assert described["licenses"] == [{key: name, "path": "https://creativecommons.org/licenses/by/4.0/"}]


def test_a_changed_table_no_longer_fits_its_descriptor(out, tmp_path):
    """One byte more, and the package's own hash tells."""
    from frictionless import system, validate

    for path in (out / "tables").iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    with (tmp_path / "cover.csv").open("ab") as file:
        file.write(b"\r\n")
    with system.use_context(trusted=True):
        assert not validate(str(tmp_path / "datapackage.json")).valid


def test_every_column_is_described_and_typed(out):
    """In the descriptor and in the README; none is left to be guessed."""
    described = json.loads((out / "tables" / "datapackage.json").read_text(encoding="utf-8"))
    readme = (out / "tables" / "README.txt").read_text(encoding="utf-8")
    fields = [f for r in described["resources"] for f in r["schema"]["fields"]]

    assert [f["name"] for f in fields if f["type"] == "any" or not f.get("description")] == []
    assert [f["name"] for f in fields if f"{f['name']}: " not in readme] == []
    assert described["licenses"] == [{"name": "CC-BY-4.0", "path": "https://creativecommons.org/licenses/by/4.0/"}]


def test_the_same_store_exports_the_same_bytes(store, out, tmp_path):
    """Into another folder, and once more over the first."""
    for _ in range(2):
        write_export(store, tmp_path, now=NOW, formats=tuple(FORMATS), with_unreviewed=True, about=ABOUT)
    first, second = (
        {p.relative_to(f).as_posix(): p.read_bytes() for p in f.rglob("*") if p.is_file()} for f in (out, tmp_path)
    )

    assert list(first) == list(second)
    assert [n for n in first if first[n] != second[n]] == []


@pytest.mark.parametrize("after", [0, 1, 5])
def test_two_exports_into_one_folder_at_once_never_pass_for_one(store, tmp_path, monkeypatch, after):
    """The second comes after so many files of the first: one that finds another's file among its own says so."""
    folder, moved = tmp_path / "out", []
    place = {"now": NOW, "formats": ("tables", "sites"), "with_unreviewed": True}

    def meanwhile(path, target, replace=Path.replace):
        moved.append(target)
        if len(moved) == after + 1:
            write_export(store, folder, **place)  # comes whole, between two files of the first
        return replace(path, target)

    monkeypatch.setattr(Path, "replace", meanwhile)
    if after:
        with pytest.raises(ValueError, match="another export wrote into it at the same moment"):
            write_export(store, folder, **place)
    else:
        write_export(store, folder, **place)  # all of its files lie over the other's
    assert {p.name for p in folder.iterdir()} == {"tables", "sites.geojson"}


def test_an_export_that_ends_half_way_leaves_what_was_there(store, tmp_path, monkeypatch):
    """A full disk, say: files are moved into place when all of them are written."""
    write_export(store, tmp_path, now=NOW, formats=USUAL, with_unreviewed=True)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("digitise.exchange.geojson.write_geojson", full)
    later = NOW + dt.timedelta(days=1)
    with pytest.raises(OSError, match="No space"):
        write_export(store, tmp_path, now=later, formats=USUAL, with_unreviewed=True)
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


# Nothing is run


HOSTILE = ["=1+1", "+44 20", "-2", "@SUM(A1)", "\t=1", "\r=1", "＝1", "'=1", "''+1"]


@pytest.mark.parametrize("text", HOSTILE)
def test_text_that_a_spreadsheet_would_run_is_guarded(text):
    """An apostrophe in front; numbers and harmless words are left alone."""
    assert guarded(text) == "'" + text
    assert guarded(-2) == -2
    assert guarded("'Ray = 2") == "'Ray = 2"


@given(st.text(alphabet=["'", *FORMULA_STARTS, "R", " "], max_size=5))
def test_no_two_texts_are_guarded_alike_so_whoever_reads_can_take_the_apostrophe_away(text):
    """One apostrophe less before such a sign is the text; any other text is its own."""
    read = guarded(text)
    back = read[1:] if read.startswith("'") and read.lstrip("'").startswith(FORMULA_STARTS) else read

    assert back == text


def test_hostile_words_on_a_sheet_run_nowhere(tmp_path):
    """In a remark, a file's name, a site's name and the name of who enters: in no table and in no cell of the workbook."""
    from openpyxl import load_workbook

    with Store.open(tmp_path / "store") as store:
        words = {"site/remarks": FLAGGED, "site/site": FLAGGED}
        page = keep(store, made_result("site", words, name="=a.jpg", transect=0))
        store.decide(page, "site/remarks", value='=HYPERLINK("x")', state="entered", by="@ben", why="-", now=NOW)
        store.decide(page, "site/site", value="+Reef", state="entered", by="Anna", now=NOW)
        write_export(store, tmp_path / "out", now=NOW)
    remark = observed(tmp_path / "out", "site")["site/remarks"]
    book = load_workbook(tmp_path / "out" / "survey.xlsx")
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    with zipfile.ZipFile(tmp_path / "out" / "darwin-core.zip") as archive:
        events = list(csv.DictReader(io.StringIO(archive.read("event.csv").decode())))

    assert (remark["value"], remark["decided_by"], remark["why"]) == ('\'=HYPERLINK("x")', "'@ben", "'-")
    assert remark["photo"] == table(tmp_path / "out" / "tables" / "photos.csv")[0]["photo"] == "'=a.jpg"
    assert {c.data_type for c in cells} <= {"s", "n", "d"}
    assert [c.value for c in cells if str(c.value).startswith("=") and not c.quotePrefix] == []
    assert any(c.value == '=HYPERLINK("x")' for c in cells)
    assert events[0]["locality"] == "'+Reef"


def test_the_workbook_reads_well(out):
    """Headings in words, numbers as numbers, dates as dates, panes frozen, a filter on each sheet."""
    from datetime import datetime

    from openpyxl import load_workbook

    book = load_workbook(out / "survey.xlsx")
    sheet = book["Cover of sites"]
    heads = [c.value for c in sheet[1]]
    coral = next(r for r in sheet.iter_rows(min_row=2, values_only=True) if "Branching hard coral" in r)

    assert book.sheetnames == [
        "Read me", "Surveys", "Cover of sites", "Cover by transect", "Density of sites", "Density by transect", "Impacts",
        "Cells", "Photographs", "Columns",
    ]  # fmt: skip
    assert heads[:3] == ["Pack", "Site", "Date"]
    assert coral[heads.index("Cover, %")] == pytest.approx(100 * 12 / 38)
    assert coral[heads.index("Date")] == datetime(2026, 3, 28)
    assert sheet.freeze_panes == "C2"
    assert sheet.auto_filter.ref.startswith("A1:")


# Darwin Core


@pytest.fixture(scope="module")
def archive(out):
    """The Darwin Core Archive, opened by python-dwca-reader: rows with their extensions."""
    from dwca.read import DwCAReader

    with DwCAReader(str(out / "darwin-core.zip")) as opened:
        yield opened


def short(row):
    return {term.rpartition("/")[2]: value for term, value in row.data.items() if value}


def extension(row, name):
    return [short(e) for e in row.extensions if e.rowtype.endswith(name)]


def test_events_are_survey_transect_and_method(archive):
    """Each child points to its parent; areas and lengths are the protocol's; times carry their offset."""
    events = {e["eventID"]: e for e in map(short, archive)}
    top = f"reef-transect:{PACK}"

    assert list(events) == [top, f"{top}:T1", f"{top}:T1:fish", f"{top}:T1:substrate"]
    assert [e.get("parentEventID") for e in events.values()] == [None, top, f"{top}:T1", f"{top}:T1"]
    fish = events[f"{top}:T1:fish"]
    assert (fish["sampleSizeValue"], fish["sampleSizeUnit"]) == ("40", "square metre")
    assert fish["eventDate"] == "2026-03-28T09:40+08:00"
    assert events[top]["eventDate"] == "2026-03-28"
    assert (fish["minimumDepthInMeters"], fish["maximumDepthInMeters"]) == ("6.4", "6.4")
    assert (fish["decimalLatitude"], fish["decimalLongitude"]) == ("-5.5027", "103.1031")
    assert fish["geodeticDatum"] == "EPSG:4326"
    assert "coordinateUncertaintyInMeters" not in fish
    assert "1 of 119 cells not yet decided" in events[top]["eventRemarks"]


def test_absences_are_stated_and_unknowns_are_no_rows(archive):
    """Rays present, the other searched rows absent with 0; the names that were given, and no others."""
    fish = next(r for r in archive if r.id.endswith(":fish"))
    found = {o["vernacularName"]: o for o in extension(fish, "Occurrence")}

    assert len(found) == 12
    assert (found["Rays"]["occurrenceStatus"], found["Rays"]["individualCount"]) == ("present", "6")
    assert (found["Damselfish"]["occurrenceStatus"], found["Damselfish"]["organismQuantity"]) == ("absent", "0")
    assert {o["basisOfRecord"] for o in found.values()} == {"HumanObservation"}
    assert found["Gobies and blennies"]["scientificName"] == "Gobiiformes"
    assert "scientificName" not in found["Rays"]


def test_a_row_left_blank_without_a_tick_is_neither_present_nor_absent(tmp_path):
    """Not ticked: no occurrence at all, but for the ray; a ray on half the belt says so."""
    from dwca.read import DwCAReader

    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", {RAY: 6}, name="fish.jpg"))
        write_export(store, tmp_path / "out", now=NOW, formats=("darwin-core",))
    with DwCAReader(str(tmp_path / "out" / "darwin-core.zip")) as archive:
        fish = next(r for r in archive if r.id.endswith(":fish"))
        found = extension(fish, "Occurrence")

    assert [(o["vernacularName"], o["occurrenceRemarks"]) for o in found] == [
        ("Rays", "counted on 20 of 40 square metres")
    ]


def test_the_humboldt_extension_says_what_was_searched_for(archive, tmp_path):
    """All twelve rows reported, absences too; with blanks and no tick, neither."""
    from dwca.read import DwCAReader

    fish = next(r for r in archive if r.id.endswith(":fish"))
    (whole,) = extension(fish, "eco/terms/Event")
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", {RAY: 6}, name="fish.jpg"))
        write_export(store, tmp_path / "out", now=NOW, formats=("darwin-core",))
    with DwCAReader(str(tmp_path / "out" / "darwin-core.zip")) as other:
        fish = next(r for r in other if r.id.endswith(":fish"))
        (part,) = extension(fish, "eco/terms/Event")

    assert whole["targetTaxonomicScope"].split(" | ")[0::11] == ["Damselfish", "Rays"]
    assert (whole["isTaxonomicScopeFullyReported"], whole["isAbsenceReported"]) == ("true", "true")
    assert (whole["totalAreaSampledValue"], whole["totalAreaSampledUnit"]) == ("40", "square metre")
    assert (part["isTaxonomicScopeFullyReported"], part["isAbsenceReported"]) == ("false", "false")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({**{f"fish/{row.id}/0-10/tally": 1 for row in protocol().sheets["fish"].rows}, "fish/none-seen": True}, "all"),
        ({RAY: FLAGGED}, "nothing"),
    ],
    ids=["every row seen", "no row known"],
)
def test_absences_and_abundances_are_reported_only_where_there_are_some(tmp_path, values, said):
    """Taxonomic absences, or numbers of organisms, were reported: so the extension defines its two terms."""
    from dwca.read import DwCAReader

    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", values, name="fish.jpg"))
        write_export(store, tmp_path / "out", now=NOW, formats=("darwin-core",), with_unreviewed=True)
    with DwCAReader(str(tmp_path / "out" / "darwin-core.zip")) as archive:
        fish = next(r for r in archive if r.id.endswith(":fish"))
        statuses = {o["occurrenceStatus"] for o in extension(fish, "Occurrence")}
        (scope,) = extension(fish, "eco/terms/Event")

    whole = str(said == "all").lower()
    assert statuses == ({"present"} if said == "all" else set())
    assert (scope["isTaxonomicScopeFullyReported"], scope["isAbundanceReported"]) == (whole, whole)
    assert scope["isAbsenceReported"] == "false"


def test_cover_and_conditions_are_measurements(archive):
    """12 of 38 legible points; planned and blank points beside; water temperature with its unit."""
    line = next(r for r in archive if r.id.endswith(":substrate"))
    site = next(iter(archive))
    facts = {m["measurementType"]: m for m in extension(line, "ExtendedMeasurementOrFact")}
    conditions = {m["measurementType"]: m for m in extension(site, "ExtendedMeasurementOrFact")}

    assert float(facts["cover of branching hard coral"]["measurementValue"]) == pytest.approx(100 * 12 / 38, abs=1e-4)
    assert facts["cover of branching hard coral"]["measurementUnit"] == "percent"
    assert (facts["points planned"]["measurementValue"], facts["points left blank"]["measurementValue"]) == ("40", "2")
    assert (conditions["water"]["measurementValue"], conditions["water"]["measurementUnit"]) == (
        "28.5",
        "degree Celsius",
    )
    assert conditions["sun"]["measurementValue"] == "yes"
    assert conditions["cells not decided by anybody"]["measurementValue"] == "1"


NEWER = {  # in the lists of the Event core, Occurrence core and Extended Measurement or Fact of tdwg/dwc, read 2026-11-25
    "eventType", "organismQuantity", "organismQuantityType", "verbatimIdentification", "parentEventID",
    "sampleSizeValue", "sampleSizeUnit", "measurementID", "measurementType", "measurementValue", "measurementUnit",
    "measurementAccuracy", "measurementMethod", "measurementRemarks",
}  # fmt: skip


HUMBOLDT = {  # of all_eco_vertical.csv of tdwg/dwc, read 2026-11-25
    "targetTaxonomicScope", "isTaxonomicScopeFullyReported", "isAbsenceReported", "isAbundanceReported",
    "totalAreaSampledValue", "totalAreaSampledUnit", "protocolNames", "eventDurationValue", "eventDurationUnit",
}  # fmt: skip


def test_every_term_is_a_published_one(archive):
    """Against the term list that python-dwca-reader carries (the Occurrence core's), and those of other lists of the standard."""
    from dwca.darwincore.terms import TERMS

    published = set(TERMS) | {f"http://rs.tdwg.org/dwc/terms/{name}" for name in NEWER}
    published |= {f"http://rs.tdwg.org/eco/terms/{name}" for name in HUMBOLDT}
    used = {t for d in (archive.descriptor.core, *archive.descriptor.extensions) for t in d.terms}

    assert len(used) > 35
    assert used - published == set()


def test_identifiers_are_unique_and_every_extension_row_has_its_event(archive):
    """The core's ids are its keys."""
    events = [r.id for r in archive]
    measured = [m["measurementID"] for r in archive for m in extension(r, "ExtendedMeasurementOrFact")]
    rows = sum(len(r.extensions) for r in archive)

    assert len(set(events)) == len(events)
    assert len(set(measured)) == len(measured) > 30
    assert rows == len(measured) + 12 + 1
    assert archive.orphaned_extension_rows() == {name: {} for name in archive.orphaned_extension_rows()}


def test_no_divers_name_is_in_the_archive(tmp_path):
    """Observer, dive leader, remarks and who entered stay at home."""
    with Store.open(tmp_path / "store") as store:
        page = keep(store, made_result("fish", {RAY: 6, "fish/observer": FLAGGED}, name="f.jpg"))
        store.decide(page, "fish/observer", value="Ilse Brandt", state="entered", by="Mira Tole", now=NOW)
        write_export(store, tmp_path / "out", now=NOW, formats=("darwin-core", "tables"))
    with zipfile.ZipFile(tmp_path / "out" / "darwin-core.zip") as archive:
        text = "".join(archive.read(n).decode() for n in archive.namelist())

    assert "Brandt" not in text
    assert "Tole" not in text
    assert "Brandt" in (tmp_path / "out" / "tables" / "observations.csv").read_text(encoding="utf-8")


def test_the_metadata_have_what_eml_requires(archive):
    """Title, creator and contact, the licence, the box around the sites; EML 2.2.0 (from memory of its schema)."""
    eml = archive.metadata
    find = eml.find("dataset").find

    assert eml.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml"
    assert find("title").text == "Orrin Shoals, spring"
    assert find("creator/organizationName").text == find("contact/organizationName").text == "Orrin Shoals volunteers"
    assert "CC-BY-4.0" in find("intellectualRights/para").text
    assert find("coverage/geographicCoverage/boundingCoordinates/southBoundingCoordinate").text == "-5.50270"
    assert find("coverage/temporalCoverage/rangeOfDates/beginDate/calendarDate").text == "2026-03-28"


# Sites


def test_covers_of_one_name_on_the_map_say_what_they_are():
    """A group called as one of its categories keeps its own value."""
    data = protocol().model_dump()
    for category in data["sheets"]["substrate"]["categories"]:
        category["group"] = "Rubble" if category["id"] in ("rubble", "sand") else None
    line = made_sheet("substrate", points({"LM": 10, "YB": 10, "BK": 20}))
    found = geojson.covers_by_name(survey_results(assemble(Protocol.model_validate(data), PACK, [line])))

    assert (found["Rubble (Substrate line, group)"], found["Rubble (Substrate line)"]) == (50.0, 25.0)
    assert "Rubble" not in found
    assert found["Sand and silt"] == 25.0
    for category in data["sheets"]["substrate"]["categories"]:
        category["group"] = None
        category["label"] = "Loose" if category["id"] in ("rubble", "sand", "rock") else category["label"]
    line = made_sheet("substrate", points({"LM": 10, "YB": 4, "BK": 26}))
    found = geojson.covers_by_name(survey_results(assemble(Protocol.model_validate(data), PACK, [line])))
    assert {name: value for name, value in found.items() if "Loose" in name} == {
        "Loose (substrate/rock)": 0.0,
        "Loose (substrate/rubble)": 25.0,
        "Loose (substrate/sand)": 10.0,
    }


def test_sites_are_geojson(out):
    """Longitude first (RFC 7946, section 3.1.1), a box, and what is known of the datum."""
    made = json.loads((out / "sites.geojson").read_text(encoding="utf-8"))
    feature = made["features"][0]

    assert made["type"] == "FeatureCollection"
    assert feature["geometry"] == {"type": "Point", "coordinates": [103.1031, -5.5027]}
    assert made["bbox"] == [103.1031, -5.5027, 103.1031, -5.5027]
    assert feature["properties"]["datum"] == "EPSG:4326"


def test_a_survey_without_a_position_has_no_geometry_and_says_why(tmp_path):
    """No hemisphere letter: no position, never 0, 0."""
    values = {k: v for k, v in SITE.items() if not k.endswith("-south")}
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("site", values, name="site.jpg", transect=0))
        write_export(store, tmp_path / "out", now=NOW, formats=("sites",))
    feature = json.loads((tmp_path / "out" / "sites.geojson").read_text(encoding="utf-8"))["features"][0]

    assert feature["geometry"] is None
    assert feature["properties"]["no_position"] == "N or S blank"


# About


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("licens: x", "licens: this key is not known"),
        ("country_code: Malaysia", "country_code: found 'Malaysia', expected the two capitals"),
        ("title: &a x\nsummary: *a", "anchors and aliases are not used"),
        ("title: [", "not readable as YAML"),
    ],
)
def test_mistakes_in_the_file_about_are_named(tmp_path, text, words):
    """File, key, found, expected."""
    (tmp_path / "about.yaml").write_text(text)

    with pytest.raises(ValueError, match=words):
        load_about(tmp_path / "about.yaml")


@pytest.mark.parametrize("text", ["", "# to be filled in\n", "{}"])
def test_a_description_in_which_nothing_is_given_is_one(tmp_path, text):
    (tmp_path / "about.yaml").write_text(text)
    assert load_about(tmp_path / "about.yaml") == About()


def test_an_archive_of_files_is_that_of_their_bytes(tmp_path):
    """What is packed piece by piece, from wherever the file stands, is packed as a whole."""
    text = b"".join(b"%d,point,%d\r\n" % (i, i * i % 97) for i in range(60_000))
    with (tmp_path / "rows.csv").open("w+b") as rows:
        rows.write(text)
        piecewise = write_zip(tmp_path / "a.zip", [("rows.csv", rows), ("b.txt", b"b")])
    whole = write_zip(tmp_path / "b.zip", [("rows.csv", text), ("b.txt", b"b")])

    assert piecewise.read_bytes() == whole.read_bytes()
    assert zipfile.ZipFile(piecewise).read("rows.csv") == text


def test_rows_of_a_frame_are_the_same_in_parts_as_at_once(store, monkeypatch):
    """Tables made of one survey at a time, against tables of all of them: columns, kinds of numbers, order."""
    keep(store, made_result("fish", {"fish/ray/0-10/tally": 7}, name="other", pack="QH7M4A"))
    keep(store, made_result("substrate", points({"BK": 40}), name="line", pack="QH7M4B"))
    results = gather(store, now=NOW, with_unreviewed=True).results
    whole = [(t.columns, list(t.rows)) for t in result_tables(results)]
    monkeypatch.setattr(tables, "AT_ONCE", 1)

    assert len(results) > 2
    for (columns, rows), part in zip(whole, result_tables(results), strict=True):
        assert (part.columns, len(part.rows)) == (columns, len(rows))
        assert [repr(row) for row in part.rows] == [repr(row) for row in rows]
