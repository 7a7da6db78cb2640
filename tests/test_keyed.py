"""A sheet that a person keys from a photograph that the reader refused: its page, its values, and what it must not do."""

import hashlib
from collections import Counter
from dataclasses import replace

import cv2
import kept
import numpy as np
import pytest
from asgi import Browser
from kept import NOW, PACK
from screens import screen, working_on
from starlette.applications import Starlette

from digitise.adapt.fair_cells import fair_sample
from digitise.batch.batch import known_protocols
from digitise.exchange.content import gather
from digitise.exchange.evidence import take_in, write_crops, write_evidence
from digitise.exchange.pseudonyms import pseudonyms_of
from digitise.exchange.shared import Sharing, write_shared
from digitise.exchange.tables import all_tables
from digitise.provenance import provenance
from digitise.reader.reading import PhotoResult
from digitise.report.together import together
from digitise.report.words import methods
from digitise.results import survey_results
from digitise.store import StoreError, marks
from digitise.store.keyed import Sheet
from digitise.store.verify import verify
from digitise.surveys.survey import load_survey, seen_twice
from digitise.surveys.twice import rivals
from review_app import auditing, keying, routes, signing, tracing, worklist
from review_app.beach.verdicts import verdict

BAD = "bad.png"
PICTURE = np.full((320, 240), 210, np.uint8)
RAY = "fish/ray/0-10/tally"


def photograph() -> bytes:
    return cv2.imencode(".png", PICTURE)[1].tobytes()


@pytest.fixture
def store(tmp_path, monkeypatch):
    """A store with one photograph that was refused; no sheet was recognised on it."""
    with working_on(tmp_path / "store") as opened:
        sha256 = opened.keep_photo(photograph(), BAD, now=NOW)
        opened.record(PhotoResult(BAD, sha256, "unreadable", ("It is blurred.",), None, None, ()), None, now=NOW)
        yield opened
        opened.close()


def place(sheet: str = "fish", *, pack: str = PACK, transect: int = 1) -> Sheet:
    sha256 = hashlib.sha256(photograph()).hexdigest()
    return Sheet(sha256, kept.layout(sheet), kept.protocol(), pack, transect)


def begin(store, **which) -> int:
    return store.by_hand.begin(place(**which), PICTURE, by="Mira Tole", now=NOW)


def key(store, page: int, values: dict, *, by: str = "Mira Tole") -> None:
    """Enter these cells, and every other one as nothing written."""
    for cell in store.cells(page):
        value = values.get(cell.id)
        state = "blank" if value is None else "entered"
        store.decide(page, cell.id, value=value, state=state, by=by, now=NOW, why="keyed by hand from the photograph")


def test_a_refused_photograph_becomes_a_page_with_every_cell_to_key(store):
    """A person says that it is the fish sheet of transect 2: 53 cells wait, at no desk, and the store is whole."""
    assert (store.photos()[0].status, store.progress().refused) == ("unreadable", 1)

    page = store.page(begin(store, pack=PACK.lower(), transect=2))

    assert (page.pack, page.transect, page.identity_from, page.keyed) == (PACK, 2, "person", True)
    assert page.open == page.cells == len(kept.layout("fish").cells)
    assert (store.progress().open, store.progress().to_key, store.progress().refused) == (page.open, page.open, 0)
    assert (store.queue(), store.open_reasons(), page.to_review) == ([], {}, 0)
    assert verify(store).problems == ()


def test_nothing_is_known_of_a_cell_that_nobody_has_keyed(store):
    """No count, no category, no chance of one: the survey has it as unread."""
    begin(store)
    begin(store, sheet="substrate")
    survey = load_survey(store, PACK)
    assert len(survey.unread) == sum(len(kept.layout(s).cells) for s in ("fish", "substrate"))
    transect = survey.transects[0]
    assert {(p.category, p.chances) for p in transect.points["substrate"]} == {(None, ())}
    assert {(c.count, c.chances) for c in transect.counts if c.sheet == "fish"} == {(None, ())}


def test_what_is_keyed_is_a_persons_entry_from_that_photograph(store):
    page = begin(store)
    key(store, page, {RAY: 6, "fish/none-seen": True})

    survey = load_survey(store, PACK)
    ray = next(c for c in survey.cells if c.cell == RAY)
    assert (ray.value, ray.state, ray.by, ray.why) == (6, "entered", "Mira Tole", "keyed by hand from the photograph")
    assert (store.page(page).open, store.page(page).decided) == (0, len(survey.cells))
    tables = {t.name: t for t in all_tables(gather(store, now=NOW))}
    row = next(r for r in tables["observations"].rows if r["cell"] == RAY)
    assert (row["value"], row["confidence"], row["reader_version"], row["photo"]) == (6, None, "keyed by hand", BAD)
    said = " ".join(methods(together([survey_results(survey)]), provenance([survey], now=NOW)))
    assert "1 sheet whose photograph could not be read was keyed by a person from the photograph" in said
    assert "0 photographs were read" in said
    assert fair_sample(store).pages == ()  # it teaches nothing about the reader


def test_a_sheet_that_is_here_already_is_not_keyed_a_second_time(store):
    kept.keep(store, kept.made_result("fish", {}, name="fish.jpg"))
    with pytest.raises(StoreError, match=r"Fish belt, transect 1 of pack QH7M4K is here already, from fish\.jpg"):
        begin(store)
    assert begin(store, transect=2)


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"pack": "1"}, "6 letters"),
        ({"pack": " "}, "no pack is given"),
        ({"transect": 9}, "expected 1 to 3"),
        ({"transect": 0}, "expected 1 to 3"),
    ],
)
def test_a_place_that_cannot_be_is_refused_and_nothing_is_begun(store, wrong, sentence):
    with pytest.raises(ValueError, match=sentence):
        begin(store, **wrong)
    assert store.pages() == []


def test_a_sheet_begun_by_mistake_is_given_up_and_may_be_begun_again_elsewhere(store):
    """The record of the mistake stays; what is entered is never given up with it."""
    page = begin(store)
    before = marks_now(store)
    store.by_hand.set_aside(page, by="Mira Tole", now=NOW)
    assert (store.pages(), store.packs(), store.photos()[0].status) == ([], [], "unreadable")
    assert (store.progress().open, store.progress().refused) == (0, 1)
    with pytest.raises(StoreError, match="set aside"):
        store.page(page)
    with store.database.read() as connection:
        assert marks.packs_since(connection, before) == {PACK}

    assert begin(store, transect=3) == page
    assert (store.page(page).transect, store.photos()[0].status) == (3, "read")
    store.decide(page, RAY, value=2, state="entered", by="Mira Tole", now=NOW)
    with pytest.raises(StoreError, match="1 of its cells are entered"):
        store.by_hand.set_aside(page, by="Mira Tole", now=NOW)
    assert verify(store).problems == ()


def test_nothing_is_entered_on_a_sheet_that_somebody_gave_up_a_moment_ago(store):
    """Nobody would see it: whoever has it on screen is told, and every list goes on."""
    page = begin(store)
    assert [p.id for p in store.pages()] == [page]
    store.by_hand.set_aside(page, by="Mira Tole", now=NOW)
    assert store.pages() == []

    with pytest.raises(StoreError, match="was set aside; begin again"):
        store.decide(page, RAY, value=2, state="entered", by="Keo Varn", now=NOW)
    assert (store.pages(), store.entries(page)) == ([], {})

    begin(store)
    store.decide(page, RAY, value=2, state="entered", by="Keo Varn", now=NOW)
    assert [p.decided for p in store.pages()] == [1]


def marks_now(store):
    with store.database.read() as connection:
        return marks.mark_now(connection)


def test_a_store_of_keyed_sheets_alone_offers_no_page_to_key_a_second_time(store):
    """Only pages that were read can be chosen for that: pressing with none to choose broke the screen."""
    store.decide(begin(store), RAY, value=2, state="entered", by="Mira Tole", now=NOW)
    at = screen("audit").run()
    for button in [b for b in at.button if b.label == "Key it again"]:
        button.click().run()

    assert not at.exception


@pytest.mark.parametrize("answered", [1, 2])
def test_an_audit_of_a_sheet_that_was_given_up_since_breaks_no_screen(store, answered):
    """Answered in part or to the end, its cells are asked for and compared no more."""
    page, cells = begin(store), (RAY, "fish/goby/0-10/tally")
    kept.keep(store, kept.made_result("invertebrate", {}, name="other.jpg"))
    for cell in cells:
        store.decide(page, cell, value=2, state="entered", by="Mira Tole", now=NOW)
    drawn = {"by": "Sanna Ruo", "now": NOW, "rng": np.random.default_rng(1)}
    audit = store.audits.draw_strata({"person": 2}, **drawn)
    for one in store.audits.cells(audit.id)[:answered]:
        store.audits.answer(one.id, value=3, state="entered", by="Keo Varn", now=NOW)
    for cell in cells:
        store.undo(page, cell, by="Mira Tole", now=NOW)
    store.by_hand.set_aside(page, by="Mira Tole", now=NOW)

    assert auditing.sample(store, audit.id) == {"items": [], "sampled": 2, "answered": answered}
    assert not screen("audit").run().exception


def test_a_better_photograph_counts_before_the_keying_is_done_and_not_after(store):
    """Half keyed gives way to what was read; keyed to the end, the person's word counts, and differences are told."""
    page = begin(store)
    store.decide(page, RAY, value=6, state="entered", by="Mira Tole", now=NOW)
    read = kept.keep(store, kept.made_result("fish", {RAY: 7, "fish/goby/0-10/tally": 2}, name="again.jpg"))
    assert (store.page(page).superseded_by, store.page(read).superseded_by) == (read, None)

    key(store, page, {RAY: 6, "fish/goby/0-10/tally": 2})
    assert (store.page(page).superseded_by, store.page(read).superseded_by) == (None, page)
    (kept_page, other), *_ = rivals(store.pages())
    told = seen_twice(store, kept_page, other)
    assert [(d.cell, d.kept, d.other) for d in told.differences] == [(RAY, 6, 7)]
    assert told.better == read


def test_the_same_photograph_read_later_stands_even_if_the_keying_was_given_up(store):
    """A new reader, or a protocol named later, reads it after all."""
    page = begin(store)
    store.by_hand.set_aside(page, by="Mira Tole", now=NOW)
    made = kept.made_result("fish", {RAY: 5}, name=BAD)
    later = PhotoResult(BAD, place().sha256, "read", (), made.page, None, made.readings)
    read = store.record(later, kept.protocol(), now=NOW, acceptance_basis="made up for a test")
    assert [p.id for p in store.pages()] == [read]
    assert store.page(read).identity_from == "printed"


def test_names_are_not_shared_with_the_photograph_they_stand_on(store, tmp_path):
    """Where the words are on a photograph that was keyed by hand is not known, so it stays at home with its page."""
    page = begin(store)
    key(store, page, {"fish/observer": "KEO VARN", RAY: 6})
    content = gather(store, now=NOW)
    write_shared(store, content, tmp_path / "open", Sharing())
    assert [p.name for p in (tmp_path / "open/data/pages").iterdir()] == [f"page-{page}.jpg"]
    write_shared(store, content, tmp_path / "closed", Sharing(names=pseudonyms_of(store, now=NOW)))
    assert [p.name for p in (tmp_path / "closed/data/pages").iterdir()] == []
    assert [p.name for p in (tmp_path / "closed/data/photographs").iterdir()] == []
    write_crops(store, content.cells, tmp_path / "crops")
    assert not (tmp_path / "crops").exists()


def test_evidence_goes_out_and_comes_in_again_with_it(store, tmp_path):
    page = begin(store)
    key(store, page, {RAY: 6})
    write_evidence(store, gather(store, now=NOW), tmp_path / "out")
    with take_in(tmp_path / "out", tmp_path / "in", now=NOW) as again:
        assert again.page(page).keyed
        assert again.current(page)[RAY].value == 6
        assert verify(again).problems == ()


# Screens


def test_the_sheet_that_was_recognised_comes_first(store):
    photo = store.photos()[0]
    assert not keying.kinds(store, photo)[0].sure
    lone = next(one for one, n in Counter(o.slot for o in known_protocols().layouts).items() if n == 1)
    sheet = next(one for one in known_protocols().layouts if one.slot == lone)
    seen = replace(photo, layout_digest=sheet.digest)
    first, *others = keying.kinds(store, seen)
    assert (first.layout, first.sure, any(k.sure for k in others)) == (sheet, True, False)


def test_of_pages_with_the_same_marks_the_one_that_is_used_here_comes_first_and_none_is_taken_for_certain(store):
    """One mark of a blurred photograph fits them all: the reader names any, and whoever keys says which it is."""
    known = known_protocols(store=store).layouts
    line = kept.layout("substrate")
    other = next(one for one in known if one.slot == line.slot and one.digest != line.digest)
    kept.keep(store, kept.made_result("substrate", {}, name="line", pack="QH7M4L"))
    seen = keying.kinds(store, replace(store.photos()[0], layout_digest=other.digest))

    assert seen[0].layout == line
    assert other in [k.layout for k in seen[:4]]
    assert not any(k.sure for k in seen)
    assert keying.kinds(store, replace(store.photos()[0], layout_digest=line.digest))[0].sure


def test_a_file_that_is_no_picture_cannot_be_keyed(store):
    store.keep_photo(b"no picture", "notes.txt", now=NOW)
    photo = store.photos()[-1]
    with pytest.raises(ValueError, match=r"notes\.txt shows no picture to key from"):
        keying.begin(store, photo, kept.layout("fish"), PACK, 1, by="Mira Tole", now=NOW)


def test_the_screen_begins_a_sheet_and_says_what_is_missing(store):
    at = screen("key")
    at.query_params["photo"] = place().sha256
    at.run()
    at.button[0].click().run()
    assert "Say which sheet, pack and transect it is" in at.error[0].value

    sheet = next(s for s in at.selectbox if s.label == "Which sheet is it?")
    sheet.set_value(next(k for k in keying.kinds(store, store.photos()[0]) if k.layout == kept.layout("fish")))
    assert store.pages() == []


def test_keyed_sheets_are_said_where_work_is_listed(store):
    page = begin(store)
    assert [(p.words) for p in worklist.pack_places(store, PACK) if p.page] == [f"in, {store.page(page).open} to key"]
    block = next(p for p in signing.points(store, PACK) if p.level == "block")
    assert (block.view, "to key by hand" in block.text) == ("key", True)
    browser = Browser(Starlette(routes=routes.routes()))
    assert browser.get(f"/desk/whole/{page}").json()["keyed"]
    phone = verdict(store, store.photos()[0], {page: store.page(page)}, {})
    assert (phone["kind"], phone["title"].partition(":")[0]) == ("look", "Keyed by hand")
    found = tracing.cell_trace(store, page, RAY)
    assert (found["keyed"], found["corners"]) == (True, [])
    key(store, page, {RAY: 6})
    assert [p.view for p in signing.points(store, PACK) if p.level == "block"] == []
    audit = store.audits.draw_page(page, by="Sanna Ruo", now=NOW)
    assert all(i["keyed"] for i in auditing.sample(store, audit.id)["items"])
