"""Many at once and whole page in a real browser: keyboard only, two clerks, a reload, a phone, axe-core, latency."""

import re
from dataclasses import replace
from pathlib import Path

import kept
import pytest
from browsing import (
    LAPTOP,
    PHONE,
    WAIT_MS,
    axe_faults,
    free_port,
    needs_chromium,
    pictured,
    serving,
    settle,
    until_true,
)

from digitise.reader.reading import Reading
from digitise.store import RULE, Store

pytestmark = needs_chromium
CODES = [c.id for c in kept.layout("substrate").cells if c.kind == "code"]


@pytest.fixture
def laptop(tmp_path):
    """A substrate sheet with forty accepted BK and a fish sheet with one open tally: (address, folder, line, fish)."""
    folder = tmp_path / "store"
    line = kept.made_result("substrate", dict.fromkeys(CODES, "BK"), name="line.jpg")
    fish = kept.made_result("fish", {"fish/goby/0-10/total": 7}, name="fish.jpg")
    open_cell = "fish/goby/0-10/tally"
    fish = replace(
        fish,
        readings=tuple(
            Reading(r.cell, r.kind, 7, 0.6, True, ((7, 0.6),), ("unsure",), 0.6) if r.cell == open_cell else r
            for r in fish.readings
        ),
    )
    with Store.open(folder) as store:
        pages = kept.keep(store, line), kept.keep(store, fish)
    with serving(folder, free_port()) as address:
        yield address, folder, *pages


def opened(context, address: str, name: str = "Mira Tole", ready: str = ".work:visible"):
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.trouble = []
    page.on("pageerror", lambda error: page.trouble.append(str(error)))
    page.on("console", lambda said: page.trouble.append(said.text) if "Content Security Policy" in said.text else None)
    page.goto(address)
    page.locator("#name").or_(page.locator(ready)).first.wait_for()
    if page.is_visible("#name"):
        page.fill("#name", name)
        page.keyboard.press("Enter")
    page.locator(ready).first.wait_for()
    return page


def at_rest(page) -> None:
    settle(page)
    page.locator(".board[aria-busy=false]").wait_for(state="attached")


def by_people(folder: Path, page_id: int) -> dict:
    with Store.open(folder) as store:
        return {
            c: (rows[-1].state, rows[-1].value, rows[-1].by)
            for c, rows in store.entries(page_id).items()
            if rows[-1].by != RULE
        }


def test_forty_cells_are_confirmed_with_one_key_but_the_odd_ones(chromium, laptop):
    """Keyboard only: two odd ones of forty; the others are Mira's, the two wait; undo takes back the 38."""
    address, folder, line, _ = laptop
    page = opened(chromium.new_context(**LAPTOP), f"{address}many", ready=".tile")
    page.locator(".kinds button", has_text="BK").click()
    page.locator(".tile").nth(39).wait_for()
    at_rest(page)
    page.locator(".grid").focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")
    page.keyboard.press("End")
    page.keyboard.press("x")
    page.keyboard.press("Home")
    page.keyboard.press("Space")
    page.keyboard.press("Space")  # marked and unmarked again
    assert page.inner_text("[data-do=confirm] b") == "Confirm the other 38"
    assert axe_faults(page) == []
    page.keyboard.press("Enter")
    at_rest(page)
    mine = by_people(folder, line)
    assert [mine[c] for c in CODES] == [
        ("withdrawn", None, "Mira Tole") if i in (1, 39) else ("entered", "BK", "Mira Tole") for i in range(40)
    ]
    assert "38 confirmed, 2 odd ones wait" in page.text_content(".live")
    page.keyboard.press("Backspace")
    at_rest(page)
    with Store.open(folder) as store:
        now = store.current(line)
    assert [(now[c].state, now[c].value, now[c].by) for c in CODES] == [
        ("unread", None, "") if i in (1, 39) else ("entered", "BK", RULE) for i in range(40)
    ]
    assert page.trouble == []


def test_what_lies_below_the_screen_is_shown_before_all_are_confirmed(chromium, laptop):
    """On a phone forty tiles are longer than the screen, and the button stands below the first of them."""
    address, folder, line, _ = laptop
    page = opened(chromium.new_context(**PHONE), f"{address}many", ready=".tile")
    page.locator(".kinds button", has_text="BK").click()
    page.locator(".tile").nth(39).wait_for()
    at_rest(page)
    confirm, more = page.locator("[data-do=confirm] b"), []
    while (words := confirm.inner_text()) != "Confirm all 40":
        more.append(int(words.removeprefix("Show ").removesuffix(" more")))
        assert by_people(folder, line) == {}
        confirm.tap()
        until_true(page, lambda words=words: confirm.inner_text() != words)
    assert 0 < sum(more) < 40
    assert page.locator(".tile").nth(39).evaluate("t => t.getBoundingClientRect().bottom <= innerHeight")
    confirm.tap()
    at_rest(page)
    assert set(by_people(folder, line).values()) == {("entered", "BK", "Mira Tole")}


def test_what_the_chosen_value_stands_under_is_in_view(chromium, laptop):
    """In a list longer than its place, from the first heading on as long as the chosen value is in view too."""
    address, *_ = laptop
    page = opened(chromium.new_context(viewport={"width": 1366, "height": 420}), f"{address}many", ready=".tile")
    page.locator(".kinds button").nth(2).click()
    at_rest(page)
    kinds, head, chosen = (
        page.locator(one).first.evaluate("(e) => [e.getBoundingClientRect().top, e.getBoundingClientRect().bottom]")
        for one in (".kinds", ".kinds h3", ".kinds [aria-current=true]")
    )
    assert page.locator(".kinds").evaluate("(e) => e.scrollHeight > e.clientHeight")
    assert kinds[0] <= head[0] < chosen[1] <= kinds[1]


def test_two_clerks_on_one_sheet_keep_the_first_decision_and_say_who_made_it(chromium, laptop):
    address, folder, line, _ = laptop
    mira, keo = (
        opened(chromium.new_context(**LAPTOP), f"{address}many", n, ready=".tile") for n in ("Mira Tole", "Keo Varn")
    )
    for page in (mira, keo):
        page.locator(".kinds button", has_text="BK").click()
        page.locator(".tile").nth(39).wait_for()
        at_rest(page)
        page.locator(".grid").focus()
    mira.keyboard.press("Enter")
    at_rest(mira)
    keo.keyboard.press("Enter")
    keo.locator(".notices li").first.wait_for()
    assert "Mira Tole entered this cell meanwhile" in keo.inner_text(".notices")
    settle(keo)
    assert {v for c, v in by_people(folder, line).items() if c in CODES} == {("entered", "BK", "Mira Tole")}


def test_a_whole_page_is_worked_with_the_keyboard_alone(chromium, laptop):
    """Arrows move in the four directions, typing changes, Enter goes on, Space is blank, ? illegible, Backspace undoes."""
    address, folder, line, _ = laptop
    page = opened(chromium.new_context(**LAPTOP), f"{address}whole?page={line}&cell=substrate/0.5")
    title = page.locator(".title")
    title.filter(has_text=re.compile("^0.5 m$")).wait_for()
    pictured(page)
    spot, chip = (page.locator(f".spot.at{part}").bounding_box() for part in ("", " .chip"))
    assert chip["y"] >= spot["y"] + spot["height"]  # what is written stays free of what was read
    page.keyboard.press("ArrowDown")
    assert title.inner_text() == "1 m"
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowRight")
    assert title.inner_text() == "5.5 m"
    page.keyboard.press("ArrowLeft")
    page.keyboard.type("yb")
    page.keyboard.press("Enter")
    title.filter(has_text=re.compile("^1 m$")).wait_for()
    page.keyboard.press("Enter")  # it is right
    page.keyboard.press("Space")
    page.keyboard.press("?")
    page.keyboard.press("?")
    page.keyboard.press("Backspace")
    settle(page)
    mine = by_people(folder, line)
    with Store.open(folder) as store:
        back = store.current(line)["substrate/2.5"]
    assert {c: mine[c][:2] for c in CODES[:4]} == {
        "substrate/0.5": ("entered", "YB"),
        "substrate/1": ("entered", "BK"),
        "substrate/1.5": ("blank", None),
        "substrate/2": ("illegible", None),
    }
    assert (back.state, back.value, back.by) == ("entered", "BK", RULE)
    assert f"page={line}" in page.url  # the address in the bar can be sent to a colleague
    page.reload()
    page.locator(".spot.at").wait_for()
    assert title.inner_text() == "2.5 m"
    assert page.locator(".chip.person").first.inner_text().endswith("YB")
    assert axe_faults(page) == []
    assert page.trouble == []


def test_impossible_is_refused_and_surprising_asked_once_on_the_whole_page(chromium, laptop):
    address, folder, _, fish = laptop
    page = opened(chromium.new_context(**LAPTOP), f"{address}whole?page={fish}&cell=fish/goby/0-10/tally")
    page.locator(".title", has_text="Gobies and blennies, 0-10 m: tally").wait_for()
    pictured(page)
    page.keyboard.type("77")
    page.keyboard.press("Enter")
    page.locator(".refusal", has_text="If it is so, enter it again").wait_for()
    assert "fish/goby/0-10/tally" not in by_people(folder, fish)
    page.keyboard.press("Enter")  # the typed value is still there: yes, it is so
    settle(page)
    assert by_people(folder, fish)["fish/goby/0-10/tally"] == ("entered", 77, "Mira Tole")
    page.goto(f"{address}whole?page={fish}&cell=fish/goby/0-10/tally")
    page.locator(".title", has_text="Gobies and blennies, 0-10 m: tally").wait_for()
    pictured(page)
    page.keyboard.type("99999")
    page.keyboard.press("Enter")
    page.locator(".refusal", has_text="expected a whole number").wait_for()
    assert by_people(folder, fish)["fish/goby/0-10/tally"] == ("entered", 77, "Mira Tole")


@pytest.mark.parametrize("place", ["many", "whole", "", "survey", "phones"])
def test_on_a_phone_nothing_scrolls_sideways_and_axe_finds_no_fault(chromium, laptop, place):
    address, *_ = laptop
    page = opened(chromium.new_context(**PHONE), f"{address}{place}", ready=".head")
    page.wait_for_timeout(700)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.eval_on_selector_all(
        ".desk button:not(.spot), .desk select, .desk input, .desk a",
        "all => all.filter((b) => b.offsetHeight && (b.offsetHeight < 24 || b.offsetWidth < 24)).map((b) => b.outerHTML)",
    )
    assert small == []
    assert axe_faults(page) == []
