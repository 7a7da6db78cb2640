"""A photograph that is no survey sheet is set aside by a person: kept, with the reason, told of, and taken back at will."""

import csv

import kept
import pytest
import screens
from kept import NOW
from screens import opened, refuse, screen, words
from sent import covering_note, handed, survey
from stores import fish

from digitise.exchange.write import write_export
from digitise.reader.reading import PhotoResult
from digitise.store import Store, StoreError
from review_app.beach.verdicts import verdict

store = screens.store
WHY = {"reason": "Keo Varn's cat", "by": "Anna", "now": NOW}


def stranger(store, name="cat.jpg"):
    """A kept photograph in which no sheet was found."""
    sha256 = store.keep_photo(kept.photo_of(name), name, now=NOW)
    store.record(PhotoResult(name, sha256, "unreadable", ("No sheet was found.",)), None, now=NOW, reader_version="1")
    return row(store, name)


def row(store, name="cat.jpg"):
    return next(p for p in store.photos() if p.name == name)


def test_it_is_kept_with_the_reason_and_can_be_taken_back(store):
    """Said twice is once; taken back it is as the reader left it; every step stays in the history."""
    for _ in range(2):
        store.strangers.set_aside(stranger(store), **WHY)
    assert (row(store).status, row(store).reasons) == (
        "no-sheet",
        ("No survey sheet: Keo Varn's cat (Anna, 2026-03-28)",),
    )
    assert store.original(row(store).sha256) == kept.photo_of("cat.jpg")
    store.strangers.take_back(row(store), by="Ben", now=NOW)
    assert (row(store).status, row(store).reasons) == ("unreadable", ("No sheet was found.",))
    with pytest.raises(StoreError, match="is not set aside"):
        store.strangers.take_back(row(store), by="Ben", now=NOW)


def test_it_needs_a_reason_and_a_sheet_that_was_read_is_none(store):
    with pytest.raises(ValueError, match="no reason is given; write it in a few words"):
        store.strangers.set_aside(stranger(store), **WHY | {"reason": " "})
    page = fish(store)
    read = next(p for p in store.photos() if page in p.page_ids)
    with pytest.raises(StoreError, match="was read: a survey sheet is on it"):
        store.strangers.set_aside(read, **WHY)
    store.keep_photo(b"new", "new.jpg", now=NOW)
    with pytest.raises(StoreError, match="has not been looked at yet"):
        store.strangers.set_aside(row(store, "new.jpg"), **WHY)


def test_one_that_is_read_after_all_counts_as_read(store):
    """Its protocol was given later: what was said of it stands in the history and hides nothing."""
    result = kept.made_result("fish", {}, name="cat.jpg")
    store.strangers.set_aside(stranger(store), **WHY)
    page = store.record(result, kept.protocol(), now=NOW)
    assert (row(store).status, row(store).page_ids) == ("read", (page,))


@pytest.mark.parametrize("named", [False, True])
def test_the_form_stands_where_the_page_begins_for_one_that_the_address_names(store, named):
    """Who pressed *Set it aside* on its card need not look for the form below all others."""
    photo = stranger(store)
    at = screen("survey")
    if named:
        at.query_params["aside"] = photo.sha256
    said = words(at.run())
    form, cards = said.index("A holiday picture"), said.index("Needs something from you")

    assert (form < cards) is named


def test_the_survey_page_sets_it_aside_and_needs_nothing_any_more(store):
    """With a reason and a name; it stands below with both, and one press takes it back."""
    photo = stranger(store)
    at = opened("survey")
    assert "1 photograph needs something from you" in words(at)
    assert f'href="?aside={photo.sha256}"' in words(at)
    at.button[-1].click().run()
    assert "No reason is given" in at.error[0].value
    at.text_input(key="aside-why-0").input("A cat")
    at.text_input(key="aside-by").input("Anna")
    at.button[-1].click().run()
    assert row(store).status == "no-sheet"
    assert "needs something" not in words(at)
    assert "No survey sheet: A cat (Anna, " in words(at)
    assert verdict(store, row(store), {}, {})["kind"] == "aside"
    at.button[-1].click().run()
    assert row(store).status == "unreadable"


def test_its_address_opens_the_form_for_it(store):
    refuse(store)
    photo = stranger(store)
    at = screen("survey")
    at.query_params["aside"] = photo.sha256
    at.run()
    assert at.selectbox(key=f"aside-photo-{photo.sha256}-0").value == photo.sha256


def test_report_and_hand_over_name_it_with_its_reason_and_its_picture_stays_at_home(tmp_path):
    """Names in the reason are replaced where names are."""
    with Store.open(tmp_path / "store") as store:
        survey(store, site={"site/leader": "KEO VARN"})
        store.strangers.set_aside(stranger(store), **WHY)
        folder, _ = handed(store, tmp_path / "out", evidence="shared", pseudonyms=True)
        note, report = covering_note(folder), (folder / "report" / "report.html").read_text(encoding="utf-8")
        assert "Photographs set aside" in note
        assert "1 set aside by a person as no survey sheet" in report
        for text in (note, report):
            assert "cat.jpg. No survey sheet: P-" in text
            assert "Keo" not in text.title() or "Keo Varn" not in text
        copies = csv.DictReader((folder / "evidence" / "data" / "photographs.csv").read_text().splitlines())
        assert {r["photo"]: r["copy"] for r in copies}["cat.jpg"].startswith("left out: it shows no survey sheet")
        write_export(store, tmp_path / "data", now=NOW, formats=["tables"])
        photos = csv.DictReader((tmp_path / "data" / "tables" / "photos.csv").read_text().splitlines())
        assert {r["photo"]: r["status"] for r in photos}["cat.jpg"] == "no-sheet"
