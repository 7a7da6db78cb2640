"""Tables that others open: tidy, typed, guarded, and honest about what nobody has decided."""

import csv
import json

import pandas as pd
import pytest
from kept import FLAGGED, NOW, PACK, keep, made_result, photo_of

from digitise.export import OBSERVATIONS, PHOTOS, guarded, write_export
from digitise.reading import PhotoResult, sentence
from digitise.store import Store

RAY, TOTAL = "fish/ray/0-10/tally", "fish/ray/0-10/total"


@pytest.fixture
def store(tmp_path):
    """One fish sheet: six rays accepted, their total unread, a goby entered by Anna; and one photograph refused."""
    with Store.open(tmp_path / "store") as opened:
        page = keep(
            opened,
            made_result(
                "fish",
                {RAY: 6, TOTAL: FLAGGED, "fish/goby/0-10/tally": FLAGGED, "fish/depth": 6.4, "fish/none-seen": True},
                name="fish.jpg",
            ),
        )
        opened.decide(page, "fish/goby/0-10/tally", value=3, state="entered", by="Anna", why="counted", now=NOW)
        digest = opened.keep_photo(photo_of("blur.jpg"), "blur.jpg", now=NOW)
        opened.record(PhotoResult("blur.jpg", digest, "retake", (sentence("blurred"),)), None, now=NOW)
        yield opened


def table(folder, name):
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def observed(folder):
    return {row["cell"]: row for row in table(folder, "observations.csv")}


def test_every_cell_is_one_row_with_its_origin(store, tmp_path):
    """53 cells of a fish sheet, each with value, who, when, confidence, photograph and place on the page."""
    write_export(store, tmp_path / "out", now=NOW)
    rows = observed(tmp_path / "out")

    assert len(rows) == 53
    assert list(rows[RAY]) == list(OBSERVATIONS)
    six = rows[RAY]
    assert (six["pack"], six["transect"], six["sheet"], six["state"], six["value"]) == (
        PACK,
        "1",
        "fish",
        "entered",
        "6",
    )
    assert (six["decided_by"], six["confidence"], six["photo"]) == ("rule", "0.9993", "fish.jpg")
    assert six["photo_sha256"] == store.pages()[0].sha256
    assert [float(six[k]) for k in ("x_mm", "y_mm", "width_mm", "height_mm")] == list(store.readings(1)[-5].box_mm)
    goby = rows["fish/goby/0-10/tally"]
    assert (goby["value"], goby["decided_by"], goby["why"], goby["read_value"]) == ("3", "Anna", "counted", "")
    assert (rows["fish/none-seen"]["value"], rows["fish/depth"]["value"]) == ("true", "6.4")


def test_what_nobody_decided_has_no_value_and_is_counted(store, tmp_path):
    """One total is unread: state unread, empty value, and the summary and the README say so."""
    summary = write_export(store, tmp_path / "out", now=NOW)
    unread = observed(tmp_path / "out")[TOTAL]

    assert (unread["state"], unread["value"], unread["decided_by"]) == ("unread", "", "")
    assert (summary.cells, summary.unread, summary.surveys) == (53, 1, 1)
    assert "1 of them nobody has decided yet" in summary.sentence
    assert "1 of them unread" in (tmp_path / "out" / "README.txt").read_text(encoding="utf-8")


def test_a_blank_is_not_a_zero_in_any_table(store, tmp_path):
    """A blank cell has state blank and no value; an unknown density is empty."""
    write_export(store, tmp_path / "out", now=NOW)
    blank = observed(tmp_path / "out")["fish/ray/10-20/tally"]

    assert (blank["state"], blank["value"]) == ("blank", "")
    ray = [r for r in table(tmp_path / "out", "density.csv") if r["taxon"] == "ray" and r["level"] == "site"]
    assert [(r["count"], r["area_m2"], r["density"]) for r in ray] == [("6", "40", "15")]


def test_tables_open_in_pandas_with_their_types(store, tmp_path):
    """Numbers are numbers."""
    write_export(store, tmp_path / "out", now=NOW)
    density = pd.read_csv(tmp_path / "out" / "density.csv")

    assert density.density.dtype == float
    assert density[density.transect == "T1"].area_m2.eq(40).all()


HOSTILE = ["=1+1", "+44 20", "-2", "@SUM(A1)", "\t=1", "\r=1"]


@pytest.mark.parametrize("text", HOSTILE)
def test_text_that_a_spreadsheet_would_run_is_guarded(text):
    """An apostrophe in front; numbers are left alone."""
    assert guarded(text) == "'" + text
    assert guarded(-2) == -2
    assert guarded("Ray = 2") == "Ray = 2"


def test_hostile_words_on_a_sheet_arrive_guarded(tmp_path):
    """In a remark, in a file's name and in the name of who enters."""
    with Store.open(tmp_path / "store") as store:
        page = keep(
            store, made_result("site", {"site/remarks": FLAGGED, "site/site": FLAGGED}, name="=a.jpg", transect=0)
        )
        store.decide(page, "site/remarks", value='=HYPERLINK("x")', state="entered", by="@ben", why="-", now=NOW)
        store.decide(page, "site/site", value="+Reef", state="entered", by="Anna", now=NOW)
        write_export(store, tmp_path / "out", now=NOW)
    remark = observed(tmp_path / "out")["site/remarks"]

    assert (remark["value"], remark["decided_by"], remark["why"]) == ('\'=HYPERLINK("x")', "'@ben", "'-")
    assert remark["photo"] == table(tmp_path / "out", "photos.csv")[0]["photo"] == "'=a.jpg"


def test_photographs_are_listed_with_why_they_were_refused(store, tmp_path):
    """One counts, one must be taken again."""
    write_export(store, tmp_path / "out", now=NOW)
    rows = {row["photo"]: row for row in table(tmp_path / "out", "photos.csv")}

    assert list(rows["fish.jpg"]) == list(PHOTOS)
    assert (rows["fish.jpg"]["status"], rows["fish.jpg"]["counts"]) == ("read", "yes")
    assert (rows["blur.jpg"]["status"], rows["blur.jpg"]["pack"]) == ("retake", "")
    assert rows["blur.jpg"]["reasons"].startswith("The picture is blurred")


def test_a_superseded_photograph_is_listed_but_its_cells_are_not_exported(store, tmp_path):
    """Two photographs of one sheet, one count."""
    keep(store, made_result("fish", {RAY: 9}, name="again.jpg", confidence=0.5))
    write_export(store, tmp_path / "out", now=NOW)

    assert observed(tmp_path / "out")[RAY]["value"] == "6"
    assert len(table(tmp_path / "out", "observations.csv")) == 53
    assert [r["counts"] for r in table(tmp_path / "out", "photos.csv") if r["photo"] == "again.jpg"] == ["no"]


def test_pages_without_a_pack_are_exported_and_counted(store, tmp_path):
    """They are in observations.csv and in no survey, and the summary says so."""
    keep(store, made_result("substrate", {}, name="s.jpg", pack=None))
    summary = write_export(store, tmp_path / "out", now=NOW)

    assert (summary.without_pack, summary.surveys) == (1, 1)
    assert "1 page has no pack yet" in summary.sentence
    assert sum(r["pack"] == "" for r in table(tmp_path / "out", "observations.csv")) == 43


def test_only_the_packs_asked_for_are_exported(store, tmp_path):
    """Another pack's sheet stays at home."""
    keep(store, made_result("fish", {}, name="other.jpg", pack="WX3PLE"))
    summary = write_export(store, tmp_path / "out", now=NOW, packs=[PACK])

    assert {r["pack"] for r in table(tmp_path / "out", "observations.csv")} == {PACK}
    assert {r["photo"] for r in table(tmp_path / "out", "photos.csv")} == {"fish.jpg"}
    assert summary.surveys == 1
    with pytest.raises(ValueError, match="no sheet of pack NNNNNN"):
        write_export(store, tmp_path / "out", now=NOW, packs=["NNNNNN"])


def test_every_file_and_column_is_in_the_readme(store, tmp_path):
    """Nobody has to guess what a column holds."""
    summary = write_export(store, tmp_path / "out", now=NOW)
    readme = (tmp_path / "out" / "README.txt").read_text(encoding="utf-8")

    assert sorted(f.name for f in summary.files) == sorted(p.name for p in (tmp_path / "out").iterdir())
    for path in summary.files:
        assert path.name == "README.txt" or path.name in readme
        if path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as file:
                for column in next(csv.reader(file)):
                    assert column in readme, (path.name, column)


def test_the_origin_travels_with_the_tables(store, tmp_path):
    """Versions, protocol, photographs and time, for machines."""
    write_export(store, tmp_path / "out", now=NOW)
    origin = json.loads((tmp_path / "out" / "provenance.json").read_text(encoding="utf-8"))

    assert origin["created_at"] == "2026-03-28T09:30:00Z"
    assert origin["photo_sha256"] == [store.pages()[0].sha256]
    assert origin["acceptance_bases"] == ["made up for a test"]
    assert origin["protocols"][0]["digest"] == store.pages()[0].protocol_digest


def test_the_same_store_exports_the_same_bytes(store, tmp_path):
    """Twice into the same folder and once into another."""
    write_export(store, tmp_path / "one", now=NOW)
    first = {p.name: p.read_bytes() for p in (tmp_path / "one").iterdir()}
    write_export(store, tmp_path / "one", now=NOW)
    write_export(store, tmp_path / "two", now=NOW)

    assert {p.name: p.read_bytes() for p in (tmp_path / "one").iterdir()} == first
    assert {p.name: p.read_bytes() for p in (tmp_path / "two").iterdir()} == first


def test_nothing_to_export_and_nowhere_to_write_are_sentences(store, tmp_path):
    """An empty store; a file where the folder should be."""
    (tmp_path / "taken").write_text("x")

    with pytest.raises(ValueError, match="taken: is a file; choose a folder"):
        write_export(store, tmp_path / "taken", now=NOW)
    with Store.open(tmp_path / "empty") as empty, pytest.raises(ValueError, match="no sheet has been read yet"):
        write_export(empty, tmp_path / "out", now=NOW)
