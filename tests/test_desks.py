"""Many at once and whole page, without a browser: what is shown together, what one page holds, what is asked once."""

from datetime import timedelta

import kept
import pytest
import screens
from asgi import Browser
from screens import line, record, send, unsure
from starlette.applications import Starlette

from digitise.store import RULE
from review_app import alike, routes, surprise, whole

store = screens.store
TALLY, TOTAL = "fish/goby/0-10/tally", "fish/goby/0-10/total"


# Many at once


def test_groups_count_open_and_accepted_cells_apart_and_leave_out_what_people_decided(store):
    """Five cells read BK: one accepted and looked at, one accepted, three open."""
    page = line(
        store,
        codes={"substrate/0.5": "BK", "substrate/1": "BK"},
        doubtful=("substrate/2", "substrate/3", "substrate/4"),
    )
    send(store, record(store, page, "substrate/0.5", "enter", "BK", way="together"))
    group = next(g for g in alike.groups(store) if g["key"] == "code:BK")
    assert (group["open"], group["rule"]) == (3, 1)
    assert [i["cell"] for i in alike.sheet(store, "code:BK", which="rule")["items"]] == ["substrate/1"]
    assert [i["cell"] for i in alike.sheet(store, "code:BK", which="open")["items"]] == [
        "substrate/2",
        "substrate/3",
        "substrate/4",
    ]


def test_a_cell_with_more_trouble_than_doubt_is_never_shown_among_its_like(store):
    """Crossed out, or strokes that differ from the total: a glance does not settle these."""
    line(store, codes={}, doubtful=("substrate/2", "substrate/3", "substrate/4"), reasons=("unsure", "crossed-out"))
    assert alike.sheet(store, "code:BK", which="open") == {"items": [], "all": 0, "lost": []}
    assert not any(g["open"] for g in alike.groups(store))


def test_blank_and_zero_are_different_groups(store):
    """Nothing written is not a written 0."""
    kept.keep(store, kept.made_result("fish", {TALLY: 0, TOTAL: 0}, name="fish.jpg"))
    texts = {g["key"]: g["text"] for g in alike.groups(store)}
    assert (texts["tally:0"], texts["tally:"]) == ("0", "nothing written")
    assert [i["cell"] for i in alike.sheet(store, "tally:0", which="rule")["items"]] == [TALLY]


@pytest.mark.parametrize("left", [None, b"junk"])
def test_a_page_whose_picture_is_gone_is_told_and_hides_no_other(store, left):
    """Its cells are decided by nobody who cannot see them; those of other pages are shown as before."""
    good = line(store, codes={"substrate/1": "BK"})
    bad = kept.keep(store, kept.made_result("substrate", {"substrate/1": "BK"}, name="two.jpg", transect=2))
    (picture,) = (store.folder / "pages").glob(f"{store.page(bad).sha256}-*")
    picture.unlink()
    if left is not None:
        picture.write_bytes(left)

    found = Browser(Starlette(routes=routes.routes())).get("/desk/alike?key=code:BK&which=rule").json()
    assert [i["page"] for i in found["items"]] == [good]
    assert [one.startswith("Cells of Substrate line, two.jpg, are not shown: ") for one in found["lost"]] == [True]
    assert "bring it back from a backup" in found["lost"][0]


def test_a_sheet_has_at_most_sixty_crops_and_says_how_many_there_are(store):
    kept.keep(store, kept.made_result("fish", {}, name="fish.jpg"))
    kept.keep(store, kept.made_result("fish", {}, name="two.jpg", transect=2))
    kept.keep(store, kept.made_result("fish", {}, name="three.jpg", transect=3))
    cells = sum(c.kind == "tally" for c in kept.layout("fish").cells)
    found = alike.sheet(store, "tally:", which="rule", limit=500)
    assert (len(found["items"]), found["all"]) == (60, 3 * cells)
    assert all(i["src"].startswith("data:image/jpeg;base64,") for i in found["items"])


def test_an_odd_one_is_open_again_and_says_who_did_it_and_only_what_the_rule_decided_can_be(store):
    page = line(store, codes={"substrate/1": "BK"})
    asked = record(store, page, "substrate/1", "open", way="together")
    assert send(store, asked)["ok"]
    assert send(store, asked)["ok"]  # sent twice, taken back once
    rows = store.entries(page)["substrate/1"]
    assert [(e.state, e.by) for e in rows] == [("entered", RULE), ("withdrawn", "Mira Tole")]
    assert [i.cell for i in store.queue()] == ["substrate/1"]
    send(store, record(store, page, "substrate/1", "enter", "CF", seq=2))
    late = send(store, record(store, page, "substrate/1", "open", seq=3))
    assert (late["ok"], late["sentence"]) == (
        False,
        "Somebody has decided this cell meanwhile, so it was left as it is.",
    )


def test_what_was_confirmed_together_says_so_in_its_history(store):
    page = line(store, codes={"substrate/1": "BK"})
    send(store, record(store, page, "substrate/1", "enter", "BK", way="together"))
    assert store.entries(page)["substrate/1"][-1].why == "looked at among others that read the same"
    assert not send(store, record(store, page, "substrate/1", "enter", "BK", way="<script>", seq=2))["ok"]


# Whole page


def test_a_page_shows_every_cell_with_who_decided_it(store):
    page = line(store, codes={"substrate/0.5": "BK"}, doubtful=("substrate/2",), value="CF")
    send(store, record(store, page, "substrate/1", "illegible"))
    send(store, record(store, page, "substrate/1.5", "enter", "yb", seq=2))
    cells = {c["cell"]: c for c in whole.sheet(store, page)["cells"]}
    assert list(cells) == [c.id for c in kept.layout("substrate").cells]
    shown = {
        c: (cells[c]["state"], cells[c]["text"])
        for c in ("substrate/0.5", "substrate/1", "substrate/1.5", "substrate/2", "substrate/2.5")
    }
    assert shown == {
        "substrate/0.5": ("rule", "BK"),
        "substrate/1": ("person", "?"),
        "substrate/1.5": ("person", "YB"),
        "substrate/2": ("open", "CF"),
        "substrate/2.5": ("rule", "–"),
    }
    assert cells["substrate/1.5"]["words"] == "entered by Mira Tole"
    assert cells["substrate/2"]["reasons"] == [
        "The reader is not sure enough to accept it. Compare the value with the pencil."
    ]


def test_routes_of_the_desks_answer_and_a_page_that_is_not_there_is_said(store):
    page = line(store, codes={"substrate/1": "BK"})
    browser = Browser(Starlette(routes=routes.routes()))
    assert browser.get(f"/desk/whole/{page}").json()["pages"][0]["page"] == page
    assert browser.get("/desk/whole/999").status_code == 404
    assert {g["key"] for g in browser.get("/desk/groups").json()["groups"]} >= {"code:BK", "code:"}
    assert browser.get("/desk/alike?key=code:BK&which=rule").json()["all"] == 1
    assert browser.get("/desk/alike?key=nonsense&which=x").json() == {"items": [], "all": 0, "lost": []}


# What is asked once


def test_a_total_that_differs_from_its_strokes_is_asked_once_and_then_stored(store):
    """Seven strokes are accepted; 12 beside them is possible, so it is asked, and stored when entered again."""
    made = kept.made_result("fish", {TALLY: 7}, name="fish.jpg")
    page = kept.keep(store, unsure(made, (TOTAL,), value=7))
    first = send(store, record(store, page, TOTAL, "enter", "12"))
    assert (first["ok"], first["ask"]) == (False, True)
    assert first["sentence"].endswith("12 differs from the strokes beside it (7).")
    assert TOTAL not in {c for c, rows in store.entries(page).items() if rows[-1].by != RULE}
    assert send(store, record(store, page, TOTAL, "enter", "12", seq=2, sure=True))["ok"]
    assert store.current(page)[TOTAL].value == 12


@pytest.mark.parametrize(
    ("value", "words"), [(7, ""), (0, "0 differs from"), (61, "more than its box has room for (60)")]
)
def test_which_counts_are_surprising(store, value, words):
    """Equal to the written total: no. Other than it, or more than the 60 strokes a box has room for: yes."""
    page = kept.keep(store, kept.made_result("fish", {TALLY: 7, TOTAL: 7}, name="fish.jpg"))
    said = surprise.question(store, page, TALLY, value, now=kept.NOW)
    assert (words in said) if words else said == ""


def test_a_date_to_come_and_one_long_past_are_surprising(store):
    page = kept.keep(store, kept.made_result("site", {}, name="site.jpg", transect=0))
    for days, words in ((400, "future"), (0, ""), (-30, ""), (-5 * 366, "five years")):
        day = (kept.NOW + timedelta(days=days)).date().isoformat()
        said = surprise.question(store, page, "site/date", day, now=kept.NOW)
        assert (words in said) if words else said == ""


def test_an_impossible_value_is_refused_and_never_merely_asked(store):
    page = line(store, codes={}, doubtful=("substrate/2",))
    said = send(store, record(store, page, "substrate/2", "enter", "QQ", sure=True))
    assert (said["ok"], said["ask"]) == (False, False)
    assert "expected one of" in said["sentence"]
