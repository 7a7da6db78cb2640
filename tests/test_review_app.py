"""The review screens without a browser: each state of each page, the routes, and what a decision does to the store."""

import errno
import html
import io
import json
import socket
import zipfile
from dataclasses import replace

import cv2
import kept
import numpy as np
import pytest
import screens
from asgi import Browser
from screens import APP, CLIENT, opened, record, refuse, send, words
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from streamlit.testing.v1 import AppTest

from digitise.pages.photo import decode_photo
from digitise.reader.reading import PhotoResult, Reading, sentence
from digitise.reader.reasons import REASONS
from digitise.sheets.sheet import identity_for, rasterise, sheet_pdf
from digitise.store import Store, StoreError
from digitise.store.keyed import Sheet
from review_app import intake, markup, pictures, routes, taking, worklist
from review_app.app import known_hosts, serve, settings
from review_app.beach import verdicts

store = screens.store
OTHER = "0f9e8d7c6b5a"
CODE, TALLY = "substrate/0.5", "fish/goby/0-10/tally"


def flag(result: PhotoResult, **cells: Reading) -> PhotoResult:
    """The result with other readings for some cells, by their id with / and - and . as _."""
    names = {r.cell: r.cell.replace("/", "_").replace("-", "_").replace(".", "_") for r in result.readings}
    assert set(cells) <= set(names.values())
    return replace(result, readings=tuple(cells.get(names[r.cell], r) for r in result.readings))


def substrate_page(store: Store, *, name: str = "IMG_1.jpg", pack: str | None = kept.PACK) -> int:
    """A substrate sheet with one doubtful code."""
    doubtful = Reading(CODE, "code", "BK", 0.62, True, (("BK", 0.62), ("CF", 0.3), (None, 0.05)), ("unsure",), 0.6)
    result = kept.made_result("substrate", {"substrate/1": "YB"}, name=name, pack=pack)
    return kept.keep(store, flag(result, substrate_0_5=doubtful))


def fish_page(store: Store) -> int:
    """A fish sheet with one crossed-out tally."""
    struck = Reading(TALLY, "tally", None, 0.5, True, ((None, 0.5), (4, 0.4)), ("crossed-out",), 0.5)
    result = kept.made_result("fish", {"fish/ray/0-10/tally": 2, "fish/ray/0-10/total": 2}, name="IMG_2.jpg")
    return kept.keep(store, flag(result, fish_goby_0_10_tally=struck))


def desks(at: AppTest) -> list[dict]:
    """What the desks on the page are told; the menu that closes itself, and who tells a name, are none."""
    return [json.loads(d.proto.json) for d in at.get("bidi_component") if d.proto.component_name == "review_desk"]


def has_desk(at: AppTest) -> bool:
    return bool(desks(at))


# The pages, state by state


def test_review_without_photographs_says_what_to_do_next(store):
    at = opened()

    assert not at.exception
    assert "Nothing waits for you" in words(at)
    assert 'href="plan"' in words(at)
    assert "Add photographs" in words(at)
    assert not has_desk(at)


def test_review_while_photographs_wait_says_that_they_are_being_read(store, monkeypatch):
    store.keep_photo(kept.photo_of("a"), "a.jpg", now=kept.NOW)
    monkeypatch.setattr(intake, "start", lambda _store: False)

    at = opened()

    assert not at.exception
    assert "being read" in words(at)
    assert at.button(key="look-again").label == "Look again"


def test_review_with_only_refused_photographs_points_to_the_survey_page(store):
    refuse(store)

    at = opened()

    assert not at.exception
    assert "No photograph could be read so far" in words(at)
    assert not has_desk(at)


def test_review_with_open_cells_shows_the_desk_and_filters_by_sheet_and_reason(store):
    substrate_page(store)
    fish_page(store)

    at = opened()

    assert not at.exception
    assert has_desk(at)
    assert at.selectbox(key="sheet").options == ["All sheets", "Fish belt (1)", "Substrate line (1)"]
    assert at.selectbox(key="reason").options == [
        "All reasons",
        "The reader is not sure enough to accept it (1)",
        "Crossed out or written over (1)",
    ]
    at.selectbox(key="sheet").select("fish").run()
    assert not at.exception
    assert desks(at)[0]["filter"] == {"order": "matters", "sheet": "fish"}


def test_review_with_everything_decided_keeps_the_desk_for_undo_and_offers_no_filter(store):
    page = substrate_page(store)
    send(store, record(store, page, CODE, "enter", "BK"))

    at = opened()

    assert not at.exception
    assert has_desk(at)
    assert "sheet" not in at.session_state


def test_a_folder_that_is_no_store_gives_a_sentence_on_every_page(tmp_path):
    (tmp_path / "file").write_text("here already")
    worklist.use_folder(tmp_path / "file")

    for page in ("", "survey", "results"):
        at = opened(page)
        assert not at.exception
        assert "choose a folder" in at.error[0].value


def test_survey_without_photographs_says_how_to_photograph(store):
    at = opened("survey")

    assert not at.exception
    assert "four corner marks" in words(at)
    assert "80 MB" in at.file_uploader[0].label


def test_survey_shows_which_sheets_are_in_and_which_are_missing(store):
    substrate_page(store)
    at = opened("survey")

    assert not at.exception
    shown = words(at)
    assert "in, 1 to review" in shown
    assert shown.count("✕ missing") == 9  # ten sheets in a pack of three transects, one is in
    assert "IMG_1.jpg" in shown


def test_survey_says_why_a_photograph_was_refused(store):
    refuse(store)

    shown = words(opened("survey"))

    assert "Photograph again" in shown
    assert "Tilt the sheet away from the light" in shown


def test_a_name_with_markup_in_it_is_shown_as_text(store):
    data = kept.photo_of("x")
    store.keep_photo(data, "<img src=x onerror=alert(1)>.jpg", now=kept.NOW)
    result = PhotoResult("x", decode_photo(data, "x").sha256, "unreadable", (sentence("no-sheet", "<b>nothing</b>"),))
    store.record(result, None, now=kept.NOW, reader_version="1")

    shown = words(opened("survey"))

    assert "<img src=x" not in shown
    assert "<b>nothing" not in shown
    assert "&lt;b&gt;nothing" in shown


def test_an_uploaded_file_that_is_no_picture_is_kept_and_refused_in_words(store):
    at = opened("survey")
    at.file_uploader[0].upload("notes.jpg", b"these are no pixels", "image/jpeg").run()
    wait_for_intake(store)
    at.run()

    photo = store.photos()[0]
    assert not at.exception
    assert (photo.name, photo.status) == ("notes.jpg", "unreadable")
    assert store.original(photo.sha256) == b"these are no pixels"
    assert "Not readable" in words(at)
    assert "1 photograph kept." in words(at)
    assert "Key the sheet by hand" not in words(at)  # there is nothing to look at
    assert "Nothing to key by hand" in words(opened("key"))
    assert "1 photograph needs something from you" in words(at)
    at.file_uploader[0].upload("again.jpg", b"these are no pixels", "image/jpeg").run()
    assert "What you added is here already." in words(at)
    assert len(store.photos()) == 1


def test_a_page_whose_code_could_not_be_read_is_placed_by_hand(store):
    page = substrate_page(store, pack=None)
    at = opened("survey")
    at.text_input(key=f"pack-{page}").input("abc")
    at.text_input(key=f"by-{page}").input("Keo Varn")
    at.button[0].click().run()
    assert "expected the pack's 6 letters" in at.error[0].value

    at.text_input(key=f"pack-{page}").input("qh7m4k")
    at.number_input(key=f"transect-{page}").set_value(2)
    at.button[0].click().run()

    assert not at.exception
    assert (store.page(page).pack, store.page(page).transect) == ("QH7M4K", 2)


def test_results_without_sheets_say_when_they_appear(store):
    at = opened("results")

    assert not at.exception
    assert "No results yet" in words(at)
    assert not at.get("download_button")


def test_results_are_called_provisional_while_a_cell_is_open(store):
    page = substrate_page(store)

    at = opened("results")
    assert not at.exception
    assert "Provisional: 1 cell waits for a person" in words(at)

    send(store, record(store, page, CODE, "enter", "BK"))
    at = opened("results")
    assert "Provisional" not in words(at)
    assert [words(at).count(w) for w in ("Download the tables (CSV)", "Download this page (HTML)")] == [1, 1]


def test_tables_are_one_zip_with_every_cell(store):
    from review_app import reports

    substrate_page(store)
    archive = zipfile.ZipFile(io.BytesIO(reports.tables_zip(store, store.packs())))

    assert {"observations.csv", "cover.csv", "density.csv", "photos.csv"} <= set(archive.namelist())
    assert archive.read("observations.csv").decode().count("\n") == 1 + len(kept.layout("substrate").cells)


def test_results_page_is_made_anew_after_a_decision(store):
    from review_app import reports

    page = substrate_page(store)
    before = reports.results_page(store, store.packs())
    assert reports.results_page(store, store.packs()) is before

    send(store, record(store, page, CODE, "enter", "CF"))
    assert reports.results_page(store, store.packs()) != before


def test_many_surveys_are_shown_in_parts_and_a_site_stays_together(store, browser, monkeypatch):
    """Parts of at most two surveys, in the order of sites; surveys without a site come last."""
    from review_app import reports, tracing

    sites = {"QH7M4A": "Silt Hollow", "QH7M4B": "Copper Bay", "QH7M4C": "SILT HOLLOW", "QH7M4D": None}
    for k, (pack, site) in enumerate(sites.items()):
        kept.keep(store, kept.made_result("substrate", {CODE: "BK"}, name=f"line{k}", pack=pack))
        if site:
            placed = {"site/site": site, "site/date": f"202{5 - k}-03-01"}
            kept.keep(store, kept.made_result("site", placed, name=f"site{k}", pack=pack))
    assert "Sites" not in words(opened("results"))  # all fit on one page

    monkeypatch.setattr(reports, "ON_A_PAGE", 2)
    reports._report_parts.cache_clear()
    parts = reports.report_parts(store)
    assert [part.packs for part in parts] == [("QH7M4B",), ("QH7M4C", "QH7M4A"), ("QH7M4D",)]
    assert parts[0].name == "Copper Bay · 2024-03-01"
    assert parts[1].name == "SILT HOLLOW · 2023-03-01 to 2025-03-01"
    assert parts[2].name == "pack QH7M4D"
    at = opened("results")
    assert not at.exception
    assert at.selectbox(key="result-part").options[1] == f"{parts[1].name}: 2 surveys (2 of 3)"
    shown = browser.get("/desk/results?part=2").text
    assert [f"survey-{pack}" in shown for pack in sites] == [True, False, True, False]
    assert [browser.get(f"/desk/results?part={n}").status_code for n in ("0", "4", "x", "²")] == [404] * 4

    monkeypatch.setattr(reports, "ON_A_PAGE", 1)
    reports._report_parts.cache_clear()
    assert [part.packs for part in reports.report_parts(store)] == [
        (p,) for p in ("QH7M4B", "QH7M4C", "QH7M4A", "QH7M4D")
    ]
    reports._report_parts.cache_clear()
    figures = tracing.named_figures(store, list(sites))
    assert len(figures["names"]) == 1  # all by one protocol: its names are there once
    assert figures["packs"] == dict.fromkeys(sites, 0)


# The desk's list


def desk_items(store: Store) -> list[dict]:
    return taking.take(store, taking.Wish(CLIENT, "Mira Tole", order="sheet"), now=kept.NOW)["items"]


def test_desk_item_suggests_the_reading_and_names_what_codes_mean(store):
    substrate_page(store)
    item = desk_items(store)[0]

    assert [(c["value"], c["suggested"]) for c in item["choices"]] == [("BK", True), ("CF", False), (None, False)]
    assert item["choices"][0]["note"] == "Branching hard coral"
    assert item["choices"][0]["share"] == "62 %"
    assert [c["value"] for c in item["codes"]] == ["BK", "CF", "FA", "KL", "WY", "AC", "MW", "LM", "YB"]
    assert item["where"] == f"Substrate line · transect 1 · pack {kept.PACK} · IMG_1.jpg"


def test_rare_alternatives_are_left_out_and_five_choices_are_the_most(store):
    cells = kept.layout("fish").by_id
    ranked = ((9, 0.5), *((n, 0.05) for n in range(8)))
    many = Reading(TALLY, "tally", 9, 0.5, True, ranked, ("unsure",), 0.5)
    few = Reading("fish/goby/0-10/total", "number", 9, 0.98, True, ((9, 0.98), (4, 0.004)), ("unsure",), 0.5)
    result = kept.made_result("fish", {}, name="IMG_3.jpg")
    kept.keep(store, flag(result, fish_goby_0_10_tally=many, fish_goby_0_10_total=few))
    first, second = desk_items(store)

    assert cells[TALLY].label in first["label"]
    assert [c["value"] for c in first["choices"]] == [9, 0, 1, 2, 3]
    assert [c["value"] for c in second["choices"]] == [9]


@pytest.mark.parametrize(("known", "first"), [(0.96, "Keo Varn"), (0.05, "KEO VARM")])
def test_the_likeliest_of_a_read_and_a_planned_name_is_marked(store, known, first):
    ranked = (("Keo Varn", known), ("KEO VARM", 0.09))
    name = Reading("fish/observer", "text", "KEO VARM", 0.09, True, ranked, ("free-text",), 0.5)
    kept.keep(store, flag(kept.made_result("fish", {}, name="IMG_3.jpg"), fish_observer=name))

    assert [c["value"] for c in desk_items(store)[0]["choices"] if c["suggested"]] == [first]


def test_nothing_written_is_no_suggestion_where_something_was_crossed_out(store):
    fish_page(store)
    item = desk_items(store)[0]

    assert [(c["value"], c["suggested"]) for c in item["choices"]] == [(4, False)]


@pytest.mark.parametrize(("reason", "choices"), [("beside", []), ("unsure", [(None, True)])])
def test_nothing_written_is_no_suggestion_where_something_stands_beside_the_box(store, reason, choices):
    """Not to be taken with one key: the entry may be what stands there."""
    empty = Reading(TALLY, "tally", None, 0.9, True, ((None, 0.9),), (reason,), 0.9)
    kept.keep(store, flag(kept.made_result("fish", {}, name="IMG_3.jpg"), fish_goby_0_10_tally=empty))

    assert [(c["value"], c["suggested"]) for c in desk_items(store)[0]["choices"]] == choices


@pytest.mark.parametrize(
    ("kind", "value", "decimals", "text"),
    [
        ("tally", 0, 0, "0"),
        ("tally", None, 0, "nothing written"),
        ("tick", True, 0, "yes, marked"),
        ("tick", False, 0, "no, empty"),
        ("decimal", 9.5, 2, "9.50"),
        ("code", "CF", 0, "CF"),
    ],
)
def test_values_are_shown_in_words(kind, value, decimals, text):
    assert worklist.shown(kind, value, decimals) == text


def test_a_share_is_never_shown_as_certain():
    assert [worklist.share_words(p) for p in (0.0, 0.004, 0.5, 0.994, 1.0)] == [
        "under 1 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "over 99 %",
    ]


# Decisions


def test_a_decision_is_stored_once_however_often_it_is_sent(store):
    page = substrate_page(store)
    one = record(store, page, CODE, "enter", "CF")

    answers = [send(store, one) for _ in range(3)]

    assert [a["ok"] for a in answers] == [True, True, True]
    assert [(e.value, e.by, e.state) for e in store.entries(page)[CODE]] == [("CF", "Mira Tole", "entered")]
    assert store.progress().open == 0


def test_typed_text_is_understood_and_a_wrong_code_is_refused_in_words(store):
    page = substrate_page(store)

    wrong = send(store, record(store, page, CODE, "enter", "QQ"))
    right = send(store, record(store, page, CODE, "enter", "cf", seq=2))

    assert not wrong["ok"]
    assert "expected one of BK, CF" in wrong["sentence"]
    assert not wrong["gone"]
    assert right["ok"]
    assert store.current(page)[CODE].value == "CF"


def test_blank_and_illegible_are_states_without_a_value(store):
    page = substrate_page(store)
    send(store, record(store, page, CODE, "blank"))
    send(store, record(store, page, CODE, "illegible", seq=2))

    assert [(e.state, e.value) for e in store.entries(page)[CODE]] == [("blank", None), ("illegible", None)]


def test_undo_opens_the_cell_again_and_twice_sent_takes_back_one_entry(store):
    page = substrate_page(store)
    send(store, record(store, page, CODE, "enter", "BK", seq=1))
    send(store, record(store, page, CODE, "enter", "CF", seq=2))
    undo = record(store, page, CODE, "undo", seq=3, of={"client": CLIENT, "seq": 2})

    assert [send(store, undo)["ok"] for _ in range(2)] == [True, True]
    assert store.current(page)[CODE].value == "BK"

    send(store, record(store, page, CODE, "undo", seq=4, of={"client": CLIENT, "seq": 1}))
    assert store.current(page)[CODE].state == "unread"


def test_decide_undo_decide_made_offline_arrive_as_one_batch(store):
    page = substrate_page(store)
    batch = [
        record(store, page, CODE, "enter", "BK", seq=1),
        record(store, page, CODE, "undo", seq=2, of={"client": CLIENT, "seq": 1}),
        record(store, page, CODE, "enter", "CF", seq=3),
    ]

    assert all(send(store, one)["ok"] for one in batch)
    assert store.current(page)[CODE].value == "CF"
    assert all(send(store, one)["ok"] for one in batch)  # the answer was lost and all is sent again
    assert [e.value for e in store.entries(page)[CODE]] == ["BK", None, "CF"]


def test_a_second_reviewer_is_told_who_was_quicker_and_overwrites_nothing(store):
    page = substrate_page(store)
    late = record(store, page, CODE, "enter", "CF") | {"client": OTHER, "by": "Keo Varn"}
    send(store, record(store, page, CODE, "enter", "BK"))

    answer = send(store, late)

    assert not answer["ok"]
    assert answer["gone"]
    assert "Mira Tole" in answer["sentence"]
    assert store.current(page)[CODE].value == "BK"


def test_an_undo_never_takes_back_what_somebody_else_entered_since(store):
    page = substrate_page(store)
    send(store, record(store, page, CODE, "enter", "BK"))
    send(store, record(store, page, CODE, "enter", "CF", seq=7) | {"client": OTHER, "by": "Keo Varn"})

    answer = send(store, record(store, page, CODE, "undo", seq=2, of={"client": CLIENT, "seq": 1}))

    assert not answer["ok"]
    assert "changed since" in answer["sentence"]
    assert store.current(page)[CODE].value == "CF"


@pytest.mark.parametrize("action", ["undo", "open"])
def test_what_is_taken_back_is_what_was_looked_at_however_close_a_colleague_comes(store, monkeypatch, action):
    """A colleague's entry between the look and the undo stays, and whoever undoes is told."""
    page, cell = substrate_page(store), CODE
    if action == "undo":
        send(store, record(store, page, cell, "enter", "BK"))
        wanted = record(store, page, cell, "undo", seq=2, of={"client": CLIENT, "seq": 1})
    else:
        cell = next(i for i, one in store.current(page).items() if one.by == "rule" and one.kind == "code")
        wanted = record(store, page, cell, "open", seq=2)
    undo = Store.undo

    def late(*place, **press):
        store.decide(page, cell, value="CF", state="entered", by="Keo Varn", now=kept.NOW)
        return undo(*place, **press)

    monkeypatch.setattr(Store, "undo", late)
    answer = send(store, wanted)

    assert (answer["ok"], answer["gone"]) == (False, True)
    assert "Keo Varn entered this cell meanwhile" in answer["sentence"]
    assert (store.current(page)[cell].value, store.current(page)[cell].by) == ("CF", "Keo Varn")


def test_a_decision_made_on_another_folder_is_not_stored_here(store):
    page = substrate_page(store)

    answer = send(store, record(store, page, CODE, "enter", "BK") | {"sha256": "0" * 64})

    assert "another folder" in answer["sentence"]
    assert CODE not in store.entries(page)


BROKEN = [
    None,
    [],
    "text",
    {},
    {"client": "x"},
    {"action": "delete"},
    {"seq": -1},
    {"seq": True},
    {"seq": "1"},
    {"page": 1.5},
    {"client": "../../etc"},
    {"by": "   "},
    {"value": {"a": 1}},
    {"value": "x" * 2000},
    {"cell": 5},
    {"action": "undo", "of": None},
    {"page": 10**9},
    {"cell": "no/such/cell"},
]


@pytest.mark.parametrize("broken", BROKEN, ids=[json.dumps(b)[:40] for b in BROKEN])
def test_a_record_that_makes_no_sense_is_answered_with_a_sentence(store, broken):
    page = substrate_page(store)
    good = record(store, page, CODE, "enter", "BK")
    sent = good | broken if isinstance(broken, dict) and broken and broken != {"client": "x"} else broken

    answer = send(store, sent)

    assert not answer["ok"]
    assert answer["sentence"].endswith(".")
    assert CODE not in store.entries(page)


def test_a_folder_is_known_by_its_first_photograph_so_decisions_follow_it_when_it_moves(store, tmp_path):
    assert worklist.store_key(store) == ""
    substrate_page(store)
    key = worklist.store_key(store)
    fish_page(store)

    assert worklist.store_key(store) == key
    with Store.open(tmp_path / "other") as other:
        other.keep_photo(b"another first one", "b.jpg", now=kept.NOW)
        assert worklist.store_key(other) != key


# Reading in the background


def test_photographs_kept_before_a_restart_are_read_after_it(store):
    store.keep_photo(b"no picture", "one.jpg", now=kept.NOW)
    store.keep_photo(b"no picture either", "two.jpg", now=kept.NOW)

    assert intake.start(store)
    wait_for_intake(store)

    assert [p.status for p in store.photos()] == ["unreadable", "unreadable"]
    assert not intake.start(store)
    assert (intake.progress(store).done, intake.progress(store).failed) == (2, {})


def test_one_photograph_that_breaks_the_reader_does_not_stop_the_others(store, monkeypatch):
    bad = store.keep_photo(b"first", "bad.jpg", now=kept.NOW)
    store.keep_photo(b"second", "good.jpg", now=kept.NOW)
    real = intake.read_one

    def read_one(store, sha256, name):
        if sha256 == bad:
            raise RuntimeError("no memory left")
        return real(store, sha256, name)

    monkeypatch.setattr(intake, "read_one", read_one)
    intake.start(store)
    wait_for_intake(store)

    assert {p.name: p.status for p in store.photos()} == {"bad.jpg": "waiting", "good.jpg": "unreadable"}
    assert "no memory left" in intake.progress(store).failed[bad]
    assert "It is kept" in intake.progress(store).failed[bad]


def test_a_database_that_does_not_answer_for_a_moment_stops_no_reading_for_good(store, monkeypatch):
    """What waits is read when the next person asks."""
    store.keep_photo(b"first", "first.jpg", now=kept.NOW)
    store.keep_photo(b"second", "second.jpg", now=kept.NOW)
    read_one, photos = intake.read_one, Store.photos

    def gone(_store):
        raise StoreError("the database cannot be reached")

    def last_answer(*photo):
        monkeypatch.setattr(Store, "photos", gone)
        return read_one(*photo)

    monkeypatch.setattr(intake, "read_one", last_answer)
    intake.start(store)
    wait_for_intake(store)
    assert not intake.progress(store).running
    monkeypatch.setattr(intake, "read_one", read_one)
    monkeypatch.setattr(Store, "photos", photos)

    assert intake.start(store)
    wait_for_intake(store)
    assert [p.status for p in store.photos()] == ["unreadable", "unreadable"]


def _unfilled(transect: int) -> np.ndarray:
    """A substrate sheet as printed, on a dark table in usual light."""
    layout = kept.layout("substrate")
    sheet = rasterise(sheet_pdf(kept.protocol(), [(layout, identity_for(layout, kept.PACK, transect))]), 8)
    return cv2.copyMakeBorder((sheet * 0.85).astype(np.uint8), 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=90)


def test_a_second_sheet_of_one_kind_in_a_photograph_is_not_dropped_in_silence(store):
    """Two substrate sheets side by side: one page is kept, and the person is told of the other."""
    both = cv2.hconcat([_unfilled(1), _unfilled(2)])
    sha256 = store.keep_photo(cv2.imencode(".png", both)[1].tobytes(), "both.png", now=kept.NOW)
    intake.start(store)
    wait_for_intake(store)

    assert [p.sheet for p in store.pages()] == ["substrate"]
    assert REASONS["two-alike"].short in intake.progress(store).failed[sha256]
    assert REASONS["two-alike"].short in words(opened("survey"))
    told = verdicts.state(store, [sha256])["photos"][sha256]  # by whoever can still take each of them alone
    assert (told["kind"], REASONS["two-alike"].short in told["lines"][0]) == ("look", True)


def test_an_uploaded_photograph_of_a_sheet_is_read_and_stands_in_its_place(store):
    at = opened("survey")
    at.file_uploader[0].upload("sheet.jpg", cv2.imencode(".jpg", _unfilled(2))[1].tobytes(), "image/jpeg").run()
    wait_for_intake(store)
    at.run()

    assert not at.exception
    assert intake.progress(store).failed == {}
    assert [(p.sheet, p.pack, p.transect) for p in store.pages()] == [("substrate", kept.PACK, 2)]
    assert "sheet.jpg" in words(at)
    assert words(at).count("✕ missing") == 9


# The routes


@pytest.fixture
def browser(store):
    """A client of the routes; on the app's own host names only."""
    guard = Middleware(TrustedHostMiddleware, allowed_hosts=known_hosts("127.0.0.1"))
    return Browser(Starlette(routes=routes.routes(), middleware=[guard]))


POST = {"x-desk": "decisions"}


def test_route_stores_a_batch_and_answers_in_its_order(store, browser):
    page = substrate_page(store)
    batch = [record(store, page, CODE, "enter", "ZZ"), record(store, page, CODE, "enter", "BK", seq=2)]

    reply = browser.post("/desk/decisions", json_body={"records": batch}, headers=POST)

    assert reply.status_code == 200
    assert [r["ok"] for r in reply.json()["results"]] == [False, True]
    assert reply.json()["progress"]["open"] == 0


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"x-desk": "other"}, 403),
        (POST | {"origin": "http://evil.example"}, 403),
        (POST | {"host": "evil.example"}, 400),
        (POST | {"origin": "http://127.0.0.1:8501"}, 200),
        (POST, 200),
    ],
)
def test_decisions_are_taken_from_the_own_page_only(store, browser, headers, status):
    page = substrate_page(store)

    body = {"records": [record(store, page, CODE, "enter", "BK")]}
    reply = browser.post("/desk/decisions", json_body=body, headers=headers)

    assert reply.status_code == status
    assert store.progress().decided == (1 if status == 200 else 0)


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"[]", 400),
        (b"{}", 400),
        (b'{"records": []}', 400),
        (b'{"records": 5}', 400),
        (b"\xff", 400),
        (b'{"records": [' + b"1," * 300 + b"1]}", 400),
        (b" " * 1_000_001, 413),
        (b"[" * 100_000, 400),
    ],
)
def test_a_body_that_makes_no_sense_is_refused(browser, body, status):
    assert browser.post("/desk/decisions", content=body, headers=POST).status_code == status


def test_other_origins_get_no_permission_to_post(browser):
    reply = browser.ask(
        "OPTIONS", "/desk/decisions", headers={"origin": "http://evil.example", "access-control-request-method": "POST"}
    )

    assert reply.status_code == 405
    assert "access-control-allow-origin" not in reply.headers


def test_tables_and_the_page_are_taken_away_under_the_surveys_name(store, browser):
    assert browser.get("/desk/tables").status_code == 404
    substrate_page(store)

    tables, page = (browser.get(f"/desk/{a}pack={kept.PACK}") for a in ("tables?", "results?download&"))

    assert any(n.endswith(".csv") for n in zipfile.ZipFile(io.BytesIO(tables.content)).namelist())
    assert tables.headers["content-disposition"] == f'attachment; filename="survey-tables-{kept.PACK}.zip"'
    assert page.headers["content-disposition"] == f'attachment; filename="survey-results-{kept.PACK}.html"'
    assert "content-disposition" not in browser.get("/desk/results").headers
    assert browser.get("/desk/tables?pack=NOSUCH").status_code == 404
    odd = browser.get("/desk/results?download&pack=%22%0d%0aset-cookie:a")
    assert odd.status_code == 404


def test_pictures_come_by_page_id_or_sha256_and_by_nothing_else(store, browser):
    page = substrate_page(store)
    sha256 = store.page(page).sha256

    for address in (f"/desk/page/{page}/{sha256}", f"/desk/small/{page}/{sha256}", f"/desk/photo/{sha256}"):
        reply = browser.get(address)
        assert (reply.status_code, reply.headers["content-type"]) == (200, "image/jpeg")
        assert reply.headers["x-content-type-options"] == "nosniff"
    for address in (
        f"/desk/page/999/{sha256}",
        f"/desk/page/9223372036854775808/{sha256}",
        f"/desk/small/99999999999999999999999/{sha256}",
        f"/desk/page/{page}",
        f"/desk/page/{page}/{'0' * 64}",  # as another store's page of this number may be asked for
        f"/desk/small/{page}/{'0' * 64}",
        "/desk/whole/99999999999999999999999",
        "/desk/audit/99999999999999999999999",
        "/desk/trace/99999999999999999999999?cell=a",
        "/desk/handover/99999999999999999999999",
        f"/desk/page/x/{sha256}",
        f"/desk/page/..%2f1/{sha256}",
        "/desk/photo/..%2f..%2fdigitise.db",
        "/desk/photo/digitise.db",
        "/desk/original/%2e%2e%2fdigitise.db",
    ):
        assert browser.get(address).status_code == 404


def test_a_sheet_keyed_by_hand_can_be_seen_after_its_photograph_was_thinned(store, browser):
    """Key by hand, Audit and Trace all show what this address gives; of a sheet that was read the flattened page stays."""
    gray = np.full((400, 300), 190, np.uint8)
    sha256 = store.keep_photo(cv2.imencode(".png", gray)[1].tobytes(), "bad.png", now=kept.NOW)
    place = Sheet(sha256, kept.layout("fish"), kept.protocol(), kept.PACK, 1)
    keyed = store.by_hand.begin(place, gray, by="Mira Tole", now=kept.NOW)
    read = store.page(substrate_page(store)).sha256
    for gone in (sha256, read):
        store.thinned.note(gone, policy="Kept for a year.", by="Sanna Ruo", now=kept.NOW)
        store.remove_original(gone)

    assert browser.get(f"/desk/viewable/{sha256}").content == store.page_image(keyed)
    assert browser.get(f"/desk/viewable/{read}").status_code == 404
    assert (
        browser.get(f"/desk/trace/{keyed}?cell=fish/goby/0-10/tally").json()["thinned"] == kept.NOW.date().isoformat()
    )


def test_an_original_that_is_no_picture_is_offered_as_a_download_never_shown(store, browser):
    page = b"<html><script>alert(1)</script>"
    sha256 = store.keep_photo(page, "page.html", now=kept.NOW)

    reply = browser.get(f"/desk/original/{sha256}")

    assert reply.content == page
    assert reply.headers["content-type"] == "application/octet-stream"
    assert reply.headers["content-disposition"].startswith("attachment")
    assert "sandbox" in reply.headers["content-security-policy"]


def test_results_route_serves_a_page_that_may_run_no_script(store, browser):
    assert browser.get("/desk/results").status_code == 404
    substrate_page(store)

    reply = browser.get(f"/desk/results?pack={kept.PACK}")

    assert reply.status_code == 200
    assert "Substrate line" in reply.text
    assert "script-src" not in reply.headers["content-security-policy"]
    assert reply.headers["content-security-policy"].startswith("default-src 'none'")
    assert "allow-scripts" not in reply.headers["content-security-policy"]
    assert browser.get("/desk/results?pack=NOSUCH").status_code == 404


def test_results_that_find_no_room_say_what_to_do(store, browser, monkeypatch):
    """As a page, since it stands in the frame for results."""
    from review_app import reports

    substrate_page(store)

    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(reports, "results_page", full)
    reply = browser.get("/desk/results")

    assert reply.status_code == 507
    assert "No space left on device. Make room on this computer's disk" in html.unescape(reply.text)
    assert reply.headers["content-type"].startswith("text/html")


# Settings and parts


def test_the_server_keeps_to_this_machine_and_sends_nothing_out():
    found = settings(port=8700)

    assert (found["server.address"], found["server.port"]) == ("127.0.0.1", 8700)
    assert found["browser.gatherUsageStats"] is False
    assert found["server.allowedHosts"] == ["127.0.0.1", "localhost"]
    assert known_hosts("10.0.0.5") == ["10.0.0.5", "127.0.0.1", "localhost"]


def test_serve_names_what_is_wrong_with_a_folder_or_a_port(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ValueError, match="choose a folder"):
        serve(tmp_path / "file")
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(ValueError, match="name another port"):
        serve(tmp_path / "new", port=taken.getsockname()[1])


def test_no_module_beside_the_pages_hides_one_of_the_standard_library():
    import sys

    names = {p.stem for p in APP.glob("*.py")} | {p.name for p in APP.iterdir() if p.is_dir()}

    assert not names & sys.stdlib_module_names


def test_text_and_attributes_are_escaped_by_construction():
    shown = markup.tag("p", '<i>&"', title='"><script>')

    assert shown == '<p title="&quot;&gt;&lt;script&gt;">&lt;i&gt;&amp;&quot;</p>'
    assert markup.tag("p", markup.tag("b", "<")) == "<p><b>&lt;</b></p>"


def test_a_picture_is_known_by_its_content_not_its_name():
    assert pictures.picture_type(b"\xff\xd8\xff\xe0") == "image/jpeg"
    assert pictures.picture_type(b"<svg onload=alert(1)>") is None


def wait_for_intake(store: Store) -> None:
    """Until the background reading has ended; 20 seconds at most."""
    import threading

    for thread in threading.enumerate():
        if thread.name == "intake":
            thread.join(20)
    assert not intake.progress(store).running
