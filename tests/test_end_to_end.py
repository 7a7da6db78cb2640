"""The whole way on the sample photographs: read, judged against their manifest, reviewed, computed.

The samples are simulated (see their manifest); the numbers below say nothing about real phones or hands.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import pytest
from recount import differing

from digitise.adapt.evaluate import Truth, judge, read_truth, score
from digitise.batch.batch import Taken, keep, known_protocols, read_batch
from digitise.batch.folders import photo_files
from digitise.exchange import FORMATS
from digitise.exchange.content import Unreviewed
from digitise.exchange.evidence import take_in
from digitise.exchange.write import write_export
from digitise.pages.photo import load_photo
from digitise.provenance import provenance
from digitise.reader.read import read_decoded
from digitise.report import write_report
from digitise.results import survey_results
from digitise.store import Store
from digitise.surveys.survey import load_survey, load_surveys

SAMPLES = Path(__file__).parent.parent / "sample_scans"
MANIFEST = "manifest.json"

# Floors, to be set by what the shipped reader reaches; never met by accepting errors.
MOST_SILENT_ERRORS = 0
LEAST_ACCEPTED = 0.80  # share of cells accepted without a person, free text left out
LEAST_RIGHT = 0.97  # share of values right before any review, free text left out
MOST_RESIDUAL_MM = 0.5
MOST_WITHOUT_PACK = 1

NOW = datetime(2026, 3, 28, 9, 30, tzinfo=UTC)
CLERK = "Mira Tole"


@pytest.fixture(scope="module")
def manifest() -> dict:
    return json.loads((SAMPLES / MANIFEST).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def truth() -> dict:
    return read_truth(SAMPLES / MANIFEST)


@pytest.fixture(scope="module")
def results() -> dict:
    """Results of all sample photographs by path."""
    files = photo_files([SAMPLES])
    return {
        p: one.result for p, one in zip(files, read_batch(files, known_protocols(), jobs=1, wanted=True), strict=True)
    }


def _keep(store: Store, path: Path, result, *, now: datetime = NOW) -> None:
    keep(store, Taken(path.name, result.sha256, result, path.read_bytes()), known_protocols(), now=now)


def _enter(store: Store, page_id: int, cell: str, true: Truth) -> None:
    """What a clerk who sees perfectly enters: the value, a blank, or illegible where only the writer could tell."""
    blank = true.value is None or true.value is False
    state = "illegible" if true.must_flag else "blank" if blank else "entered"
    store.decide(page_id, cell, value=None if state != "entered" else true.value, state=state, by=CLERK, now=NOW)


@pytest.fixture(scope="module")
def stores(results, truth, manifest, tmp_path_factory):
    """The same store twice: as read, and with every open cell entered from the truth."""
    out = []
    for name in ("as-read", "reviewed"):
        store = Store.open(tmp_path_factory.mktemp("stores") / name)
        for path, result in results.items():
            _keep(store, path, result)
        out.append(store)
    said = {p["sha256"]: p for p in manifest["photos"]}
    for page in out[1].pages():
        if page.pack is None:  # its printed code could not be read: the clerk reads pack and transect beside it
            out[1].assign(page.id, said[page.sha256]["pack"], said[page.sha256]["transect"], CLERK, NOW)
    by_page = {p.id: truth[p.sha256].cells for p in out[1].pages()}
    for item in out[1].queue():
        _enter(out[1], item.page_id, item.cell, by_page[item.page_id][item.cell])
    yield out
    for store in out:
        store.close()


# --- the photographs -------------------------------------------------------------------------------------


def test_photographs_are_those_of_the_manifest(manifest) -> None:
    """Every file is there, with the SHA-256 under which its truth is known, and no other."""
    kept = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in photo_files([SAMPLES])}

    assert kept == {p["file"]: p["sha256"] for p in manifest["photos"]}


def test_samples_say_that_they_are_simulated(manifest) -> None:
    """Where they come from stands with them."""
    assert "Simulated" in manifest["what"]
    assert "No real reef" in manifest["what"]


def test_every_photograph_ends_as_it_should(results, truth) -> None:
    """Read, or sent back to be taken again, as the manifest expects."""
    ended = {r.file: r.status for r in results.values()}

    assert ended == {r.file: truth[r.sha256].expect for r in results.values()}


def test_every_page_is_the_one_it_is(results, manifest) -> None:
    """Sheet, page, pack and transect are read from the picture alone; printed places lie within half a millimetre.

    A code that cannot be read gives no pack, never a wrong one; that may happen to one photograph.
    """
    said = {p["sha256"]: (p["sheet"], p["page"], p["paper"], p["pack"], p["transect"]) for p in manifest["photos"]}
    pages = [(said[r.sha256], r.page) for r in results.values() if r.page]
    for true, page in pages:
        assert (page.layout.sheet, page.layout.page, page.layout.paper) == true[:3]
        assert page.identity is None or (page.identity.pack, page.identity.transect) == true[3:]
        assert page.residual_mm < MOST_RESIDUAL_MM
    assert sum(page.identity is None for _, page in pages) <= MOST_WITHOUT_PACK


# --- the readings ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def judged(results, truth) -> list:
    return [j for r in results.values() for j in judge(r.readings, truth[r.sha256].cells)]


def test_no_accepted_cell_is_wrong(judged) -> None:
    """Not one value, of all that no person would have looked at."""
    assert score(judged).silent <= MOST_SILENT_ERRORS


def test_crossed_out_cells_all_go_to_a_person(judged) -> None:
    """Struck, written over, ditto: flagged, every one."""
    doubtful = [j for j in judged if j.truth.must_flag]

    assert doubtful
    assert not any(j.accepted for j in doubtful)


def test_most_cells_need_no_person_and_most_values_are_right(judged) -> None:
    """Free text, which always goes to a person, is left out."""
    found = score([j for j in judged if j.kind != "text"])

    assert found.cells > 700
    assert found.accepted_share >= LEAST_ACCEPTED
    assert found.right_share >= LEAST_RIGHT


def test_free_text_always_goes_to_a_person(judged) -> None:
    """Where something is written, that is."""
    assert not any(j.accepted for j in judged if j.kind == "text" and j.truth.value is not None)


def test_reading_the_same_photograph_again_changes_nothing(results) -> None:
    """The same file gives the same readings to the last digit."""
    path, before = next((p, r) for p, r in results.items() if r.status == "read")

    assert read_decoded(load_photo(path), known_protocols().layouts).to_json() == before.to_json()


# --- the survey ------------------------------------------------------------------------------------------


def _cells(manifest: dict, pack: str, sheet: str) -> dict[int, dict]:
    """Truth of a sheet by transect, from photographs that are to be read."""
    return {
        p["transect"]: p["cells"]
        for p in manifest["photos"]
        if (p["pack"], p["sheet"], p["expect"]) == (pack, sheet, "read")
    }


def _packs(manifest: dict) -> list[str]:
    packs = list(dict.fromkeys(p["pack"] for p in manifest["photos"]))
    assert len(packs) == 2
    return packs


def _true_points(manifest: dict, pack: str) -> dict[int, Counter]:
    return {
        t: Counter(c["value"] for i, c in cells.items() if i.split("/")[1][0].isdigit())
        for t, cells in _cells(manifest, pack, "substrate").items()
    }


def _true_count(cells: dict, stem: str) -> int:
    """What one row says in one segment: its strokes, else the total beside them, else none seen."""
    for part in ("tally", "total"):
        if cells[f"{stem}/{part}"]["value"] is not None:
            return cells[f"{stem}/{part}"]["value"]
    assert cells[f"{stem.split('/')[0]}/none-seen"]["value"] is True
    return 0


def test_nothing_waits_after_the_review(stores, results) -> None:
    """Every flagged cell was entered by the clerk; what the rule accepted was not touched."""
    as_read, reviewed = (s.progress() for s in stores)
    flagged = sum(r.flagged for result in results.values() for r in result.readings)

    assert as_read.open == flagged > 0
    assert reviewed.open == 0
    assert reviewed.decided == flagged
    assert reviewed.accepted == as_read.accepted


def test_surveys_are_complete_and_named(stores, manifest) -> None:
    """Two packs, three transects each, no sheet missing; site and date as they were written."""
    for pack in _packs(manifest):
        survey = load_survey(stores[1], pack)
        site = _cells(manifest, pack, "site")[0]
        assert survey.missing == ()
        assert survey.unread == ()
        assert [t.number for t in survey.transects] == [1, 2, 3]
        assert (survey.site, survey.date) == (site["site/site"]["value"], site["site/date"]["value"])


def test_cover_after_the_review_is_the_true_cover(stores, manifest, reef) -> None:
    """Points of each code over legible points, by transect, counted by hand from the manifest; the site is their mean."""
    for pack in _packs(manifest):
        line = survey_results(load_survey(stores[1], pack)).lines[0]
        points = _true_points(manifest, pack)
        assert line.site.estimator == "mean of transects"
        for category in line.categories:
            shares = [100 * points[t][category.code] / (40 - points[t][None]) for t in (1, 2, 3)]
            assert [c.cover.value for _, c in category.transects] == pytest.approx(shares), category.id
            assert category.site.cover.value == pytest.approx(sum(shares) / 3), category.id
        assert sum(c.site.cover.value for c in line.categories) == pytest.approx(100)


def test_true_cover_lies_within_the_bounds_before_the_review(stores, manifest) -> None:
    """With cells still unread, the bounds without assumptions hold the cover of the planned points."""
    for pack in _packs(manifest):
        line = survey_results(load_survey(stores[0], pack)).lines[0]
        points = _true_points(manifest, pack)
        for category in line.categories:
            true = [100 * points[t][category.code] / 40 for t in (1, 2, 3)]
            for (_, cover), share in zip(category.transects, true, strict=True):
                assert cover.lowest - 1e-9 <= share <= cover.highest + 1e-9, category.id
            assert category.site.lowest - 1e-9 <= sum(true) / 3 <= category.site.highest + 1e-9, category.id


def test_density_after_the_review_is_the_true_density(stores, manifest, reef) -> None:
    """Animals of three transects of 2 x 20 m (120 square metres) per 100 square metres, added up from the manifest."""
    for pack in _packs(manifest):
        found = {(d.sheet, d.id): d.site for d in survey_results(load_survey(stores[1], pack)).densities}
        rows = {
            (name, row.id)
            for name in ("fish", "invertebrate")
            for row in (*reef.sheets[name].rows, *reef.sheets[name].impacts)
            if row.kind == "count"
        }
        assert set(found) == rows
        for sheet, row in rows:
            cells = _cells(manifest, pack, sheet)
            count = sum(_true_count(cells[t], f"{sheet}/{row}/{s}") for t in (1, 2, 3) for s in ("0-10", "10-20"))
            assert found[sheet, row].count == count, row
            assert found[sheet, row].area_m2 == 120
            assert found[sheet, row].density.value == pytest.approx(100 * count / 120), row


def test_keeping_the_same_photographs_again_changes_nothing(stores, results) -> None:
    """Read twice into one store: no new page, reading or entry."""
    store = stores[1]
    before = (store.pages(), store.progress(), [store.entries(p.id) for p in store.pages()])
    for path, result in results.items():
        _keep(store, path, result, now=datetime(2026, 4, 1, tzinfo=UTC))

    assert (store.pages(), store.progress(), [store.entries(p.id) for p in store.pages()]) == before


def test_everything_exported_is_whole_and_the_evidence_gives_the_same_data(stores, tmp_path) -> None:
    """Two reviewed surveys in every format: valid by the standards' own readers; in again with the same digest.

    Every cover and density, with its limits, comes out the same from the exported observations by plain pandas.
    """
    from dwca.read import DwCAReader
    from frictionless import system, validate

    write_export(stores[1], tmp_path, now=NOW, formats=tuple(FORMATS))
    with system.use_context(trusted=True):
        assert validate(str(tmp_path / "tables" / "datapackage.json")).valid
    assert differing(tmp_path / "tables") == []
    with DwCAReader(str(tmp_path / "darwin-core.zip")) as archive:
        assert sum(row.id.count(":") == 3 for row in archive) == 2 * 3 * 3
    with take_in(tmp_path / "evidence", tmp_path / "second", now=NOW) as second:
        digests = {provenance(load_surveys(s), now=NOW).digest for s in (stores[1], second)}
    assert len(digests) == 1


def test_an_unreviewed_store_is_not_exported_and_its_report_says_provisional(stores, tmp_path) -> None:
    """The export refuses; the report is made, and says on both page and paper how many cells wait."""
    with pytest.raises(Unreviewed, match=r"cells still wait for a person"):
        write_export(stores[0], tmp_path / "export", now=NOW)
    write_export(stores[0], tmp_path / "open", now=NOW, formats=("tables",), with_unreviewed=True)
    assert differing(tmp_path / "open" / "tables") == []  # before the review too: unknown cells are left out alike
    page, paper, *_ = write_report(stores[0], tmp_path / "report", now=NOW)
    waiting = f"{stores[0].progress().open} of"

    assert f"<strong>Provisional.</strong> {waiting}" in page.read_text(encoding="utf-8")
    with pypdfium2.PdfDocument(paper.read_bytes()) as document:
        assert f"Provisional. {waiting}" in document[0].get_textpage().get_text_bounded().replace("\r\n", " ")
