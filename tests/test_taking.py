"""The desk's cells: leased so that two clerks never get the same, in three orders, and those a colleague is asked about."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import kept
import pytest
import screens
from asgi import Browser
from screens import line, record, send
from starlette.applications import Starlette
from stores import GOBY, RAY, TOTAL, enter, fish

from digitise.reader.reading import Reading
from digitise.store import StoreError, queue
from review_app import ordering, routes, taking
from review_app.taking import FEWEST, MOST, Wish

one_store = screens.store
CODES = tuple(c.id for c in kept.layout("substrate").cells if c.kind == "code")
MIRA, KEO, ADA = (Wish(f"{n}-browser-1", n) for n in ("Mira", "Keo", "Ada"))
POST = {"x-desk": "decisions"}


@pytest.fixture
def store(one_store):
    """A substrate sheet with forty open points."""
    line(one_store, codes={}, doubtful=CODES)
    return one_store


def take(store, wish: Wish, *, later: int = 0, **more) -> dict:
    return taking.take(store, replace(wish, **more), now=kept.NOW + timedelta(seconds=later))


def keys(found: dict) -> list[tuple[int, str]]:
    return [(i["page"], i["cell"]) for i in found["items"]]


# Two clerks


def test_no_two_clerks_get_the_same_cell_and_whoever_comes_next_finds_work(store):
    """Forty open: half for the first, half of the rest for the second, at least a dozen while there are some."""
    first, second, third = (keys(take(store, w)) for w in (MIRA, KEO, ADA))
    assert (len(first), len(second), len(third)) == (20, FEWEST, 40 - 20 - FEWEST)
    assert len({*first, *second, *third}) == 40
    told = take(store, replace(ADA, client="another-ada-1", by="Ben"))
    assert (told["items"], told["others"], told["open"], told["more"]) == ([], ["Ada", "Keo", "Mira"], 40, 0)


def test_what_a_clerk_holds_they_keep_while_they_ask_for_more(store):
    """Ten of twenty decided: the other ten stay, and more come."""
    first = keys(take(store, MIRA))
    page = first[0][0]
    for seq, (_, cell) in enumerate(first[:10], start=1):
        send(store, record(store, page, cell, "enter", "BK", seq=seq, client=MIRA.client, by="Mira"))
    again = take(store, MIRA, holding=tuple(first[10:]))
    assert set(first[10:]) <= set(keys(again))
    assert len(again["items"]) == 15  # half of the thirty that are open
    assert again["gone"] == []
    assert again["open"] == 30


def test_cells_that_are_let_go_are_free_at_once(store):
    """Another filter, or a page that is closed; both without waiting for a lease to end."""
    take(store, MIRA)
    take(store, MIRA, sheet="fish")
    assert store.leases.held(now=kept.NOW) == {}
    first = keys(take(store, MIRA))
    Browser(Starlette(routes=routes.routes())).post("/desk/leave", json_body={"client": MIRA.client}, headers=POST)
    assert keys(take(store, KEO)) == first


def test_what_a_page_still_asked_when_it_was_left_holds_no_cells(store):
    """Its request may be worked on after its leaving; a page that comes back from the browser's memory asks anew."""
    app = Browser(Starlette(routes=routes.routes()))
    wish = {"client": MIRA.client, "by": "Mira", "turn": 3}
    app.post("/desk/leave", json_body={"client": MIRA.client, "turn": 3}, headers=POST)
    app.post("/desk/leave", json_body={"client": MIRA.client, "turn": 1}, headers=POST)  # said before, heard later
    assert app.post("/desk/take", json_body=wish, headers=POST).json()["items"] == []
    assert store.leases.held(now=kept.NOW) == {}
    assert len(app.post("/desk/take", json_body=wish | {"turn": 4}, headers=POST).json()["items"]) == 20
    assert len(app.post("/desk/take", json_body=wish | {"client": KEO.client}, headers=POST).json()["items"]) == FEWEST


def test_a_page_that_is_left_while_it_is_given_cells_holds_none(store, monkeypatch):
    """It leaves after its cells were looked up, and just before they are taken."""
    free = store.leases.take_free

    def slow(*args, **how):
        taking.leave(store, MIRA.client, 1)
        return free(*args, **how)

    monkeypatch.setattr(store.leases, "take_free", slow)
    assert take(store, MIRA, turn=1)["items"] == []
    assert store.leases.held(now=kept.NOW) == {}


def test_leases_end_by_themselves_and_the_late_one_is_told_who_has_the_cell_now(store):
    first = keys(take(store, MIRA))
    assert not set(keys(take(store, KEO, later=100))) & set(first)
    theirs = keys(take(store, ADA, later=130))
    back = take(store, MIRA, later=131, holding=tuple(first))
    lost = [key for key in first if key in set(theirs)]
    assert lost
    assert back["gone"] == [[*key, "Ada has taken this cell over"] for key in lost]
    assert not set(keys(back)) & set(theirs)


def test_a_cell_that_was_decided_elsewhere_is_let_go(store):
    first = keys(take(store, MIRA))
    send(store, record(store, *first[0], "enter", "BK", by="Keo", client="keos-whole-page"))
    back = take(store, MIRA, holding=tuple(first))
    assert back["gone"] == [[*first[0], "this cell waits here no more: somebody has decided it or asked about it"]]


def test_one_takes_over_what_ones_own_closed_window_still_holds_and_nothing_of_others(store):
    """After a crash the old browser's leases are under the same name."""
    first = keys(take(store, MIRA))
    keo = keys(take(store, KEO))
    anew = replace(MIRA, client="mira-browser-2")
    assert take(store, anew)["elsewhere"] == 20
    over = take(store, anew, over=True)
    assert not set(keys(over)) & set(keo)
    assert set(first) & set(keys(over))
    assert over["elsewhere"] == 0


def test_a_browser_holds_sixty_at_most(one_store):
    for n in range(4):
        made = kept.made_result(
            "substrate", {}, name=f"line{n}.jpg", transect=n % 3 + 1, pack=("QH7M4K", "QH7M4L")[n // 3]
        )
        kept.keep(one_store, replace(made, readings=tuple(_open(r) for r in made.readings)))
    assert len(take(one_store, MIRA)["items"]) == MOST


def _open(reading: Reading) -> Reading:
    return (
        replace(reading, value="BK", flagged=True, confidence=0.6, candidates=(("BK", 0.6),))
        if reading.kind == "code"
        else reading
    )


# Order


def test_the_queue_comes_by_what_matters_by_sheet_or_by_reason(one_store):
    """By importance as the results weigh it; names and times, on which no figure rests, come last."""
    cells = kept.layout("fish").by_id

    def doubt(name, value, reasons):
        return Reading(name, cells[name].kind, value, 0.6, True, ((value, 0.6), (9, 0.4)), reasons, 0.5)

    made = kept.made_result("fish", {}, name="fish.jpg")
    doubts = {
        "fish/observer": doubt("fish/observer", "MIRA", ("free-text",)),
        GOBY: doubt(GOBY, 8, ("crossed-out",)),
        RAY: doubt(RAY, 2, ("unsure",)),
    }
    kept.keep(one_store, replace(made, readings=tuple(doubts.get(r.cell, r) for r in made.readings)))
    printed = one_store.queue()

    def by(order):
        return [i.cell for i in ordering.in_order(one_store, printed, order)]

    assert by("sheet") == [i.cell for i in printed]
    assert by("reason") == [RAY, GOBY, "fish/observer"]
    assert by("matters") == [RAY, GOBY, "fish/observer"]  # 2 or 9 is more doubt than 8 or 9


@pytest.mark.parametrize("order", list(ordering.ORDERS))
def test_the_front_of_the_list_is_the_beginning_of_all_of_it(one_store, order):
    """For every length and filter, with cells left out, and among some only; also pages whose pack is not known."""
    for n, transect in enumerate((1, 2, 3, None)):
        fish(one_store, name=f"{n}.jpg", transect=transect, flagged=(TOTAL, GOBY, RAY)[n % 2 :])
    line(one_store, codes={}, doubtful=CODES[:5])
    crossed = Reading(GOBY, "number", 8, 0.6, True, ((8, 0.6), (9, 0.4)), ("crossed-out",), 0.5)
    made = kept.made_result("fish", {}, name="first.jpg", pack="A7M4KQ")
    kept.keep(one_store, replace(made, readings=tuple(crossed if r.cell == GOBY else r for r in made.readings)))
    whole = one_store.queue()
    every = ordering.in_order(one_store, whole, order)
    keys = [ordering.key_of(i) for i in every]
    assert sorted(keys) == sorted(ordering.key_of(i) for i in whole)
    assert order == "sheet" or every != whole

    for few in (1, 4, 7, 99):
        assert ordering.front(one_store, order, few) == every[:few]
        skipped = ordering.front(one_store, order, few, skip=set(keys[:3]))
        assert skipped == every[3 : 3 + few]
        among = ordering.front(one_store, order, few, among=set(keys[2:6]))
        assert among == every[2:6][:few]
        for which in ({"sheet": "fish"}, {"pack": kept.PACK}, {"reason": "unsure"}, {"reason": "crossed-out"}):
            filtered = ordering.in_order(one_store, one_store.queue(**which), order)
            assert filtered
            assert ordering.front(one_store, order, few, **which) == filtered[:few]


def test_the_desk_looks_only_into_the_pages_it_needs(one_store, monkeypatch):
    """A dozen cells of six sheets with forty each: three dozen are at hand, all on the first sheet."""
    for n in range(6):
        pack = ("QH7M4K", "QH7M4L")[n // 3]
        made = kept.made_result("substrate", {}, name=f"line{n}.jpg", transect=n % 3 + 1, pack=pack)
        kept.keep(one_store, replace(made, readings=tuple(_open(r) for r in made.readings)))
    monkeypatch.setattr(taking, "MOST", FEWEST)
    looked: list[int] = []
    honest = queue.open_readings
    monkeypatch.setattr(queue, "open_readings", lambda pages: looked.extend(pages) or honest(pages))
    found = take(one_store, MIRA, order="sheet")

    assert (len(found["items"]), found["open"], found["more"]) == (FEWEST, 240, 240 - FEWEST)
    assert looked == [one_store.pages()[0].id]
    looked.clear()
    assert len(take(one_store, KEO, order="sheet")["items"]) == FEWEST
    assert set(looked) == {p.id for p in one_store.pages()[:2]}


def test_filters_and_counts_are_of_the_same_list(store):
    fish(store, flagged=(TOTAL,))
    found = take(store, MIRA, sheet="fish")
    assert ([c for _, c in keys(found)], found["open"]) == ([TOTAL], 1)
    assert take(store, MIRA, reason="crossed-out")["open"] == 0
    assert take(store, MIRA, pack="NOSUCH")["items"] == []
    assert take(store, MIRA)["open"] == 41


# Asking a colleague


def ask(store, page, cell, remark="", *, seq=1, action="ask", by="Keo"):
    return send(store, record(store, page, cell, action, remark, seq=seq, by=by, client="keos-browser"))


def test_a_cell_that_is_asked_about_leaves_the_list_and_waits_with_who_asked_and_the_remark(store):
    page = store.pages()[0].id
    assert ask(store, page, CODES[0], "KA or BK?")["ok"]
    assert ask(store, page, CODES[0], "KA or BK?")["ok"]  # sent again: asked once
    assert take(store, MIRA)["open"] == 39
    found = take(store, MIRA, asked=True)
    assert keys(found) == [(page, CODES[0])]
    assert found["items"][0]["remarks"] == [{"by": "Keo", "at": "2026-03-28", "text": "KA or BK?"}]
    assert (found["asked"], store.progress().open) == (1, 40)

    ask(store, page, CODES[0], "BK, I think", seq=2, by="Mira")
    assert [r["by"] for r in take(store, MIRA, asked=True)["items"][0]["remarks"]] == ["Keo", "Mira"]
    send(store, record(store, page, CODES[0], "enter", "BK", by="Mira", client="x" * 9))
    assert take(store, MIRA, asked=True)["items"] == []
    assert take(store, MIRA)["asked"] == 0


def test_a_question_is_taken_back_and_the_cell_waits_as_before(store):
    page = store.pages()[0].id
    ask(store, page, CODES[0])
    assert store.asked.waiting()[page, CODES[0]][0].remark == "please look at this one"
    assert ask(store, page, CODES[0], action="unask", seq=2)["ok"]
    assert ask(store, page, CODES[0], action="unask", seq=2)["ok"]  # sent again
    assert take(store, MIRA)["open"] == 40
    again = ask(store, page, CODES[0], action="unask", seq=3)
    assert (again["ok"], again["sentence"]) == (False, "Nobody asks about this cell any more.")


@pytest.mark.parametrize(
    ("cell", "remark", "words"),
    [
        ("nowhere", "", "no cell 'nowhere'"),
        (CODES[0], "x" * 301, "the remark has 301 characters, expected 300 at most"),
    ],
)
def test_a_question_about_nothing_or_without_end_is_refused(store, cell, remark, words):
    with pytest.raises(StoreError if cell == "nowhere" else ValueError, match=words):
        store.asked.ask(store.pages()[0].id, cell, remark=remark, by="Keo", now=kept.NOW)


def test_a_question_is_part_of_the_audit_trail(store):
    from digitise.store.verify import verify

    store.asked.ask(store.pages()[0].id, CODES[0], remark="?", by="Keo", now=kept.NOW)
    assert verify(store).problems == ()
    enter(store, store.pages()[0].id, CODES[0], "BK")
    assert verify(store).problems == ()


# The address


@pytest.mark.parametrize(
    "wish",
    [
        None,
        [],
        {},
        {"client": "short", "by": "Mira"},
        {"client": "mira-browser-1", "by": " "},
        {"client": "mira-browser-1", "by": "Mira", "holding": "x"},
        {"client": "mira-browser-1", "by": "Mira", "holding": [[1]]},
        {"client": "mira-browser-1", "by": "Mira", "holding": [[True, "a"]]},
        {"client": "mira-browser-1", "by": "Mira", "holding": [[2**60, "a"]]},
        {"client": "mira-browser-1", "by": "Mira", "sheet": 5},
        {"client": "mira-browser-1", "by": "Mira", "asked": "yes"},
    ],
)
def test_a_wish_that_makes_no_sense_is_refused_in_words(store, wish):
    reply = Browser(Starlette(routes=routes.routes())).post("/desk/take", json_body=wish, headers=POST)
    assert reply.status_code == 400
    assert "reload the page" in reply.json()["sentence"] or "not understood" in reply.json()["sentence"]
    assert store.leases.held(now=kept.NOW + timedelta(days=900)) == {}
