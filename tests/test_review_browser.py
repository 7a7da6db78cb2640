"""The desk in a real browser: keys, bursts, a lost connection, refusals, two reviewers, a phone.

Needs Chromium at /usr/bin/chromium (Debian: apt-get install chromium); skipped where there is none.
"""

import os
import signal

import cv2
import kept
import numpy as np
import pytest
from browsing import (
    CHROMIUM,
    LAPTOP,
    PHONE,
    WAIT_MS,
    arrive,
    axe_faults,
    entered,
    fill_store,
    filled,
    free_port,
    kept_here,
    needs_chromium,
    open_desk,
    pictured,
    serving,
    settle,
    until_true,
)

from digitise.reader.reading import PhotoResult
from digitise.store import Store
from digitise.store.keyed import Sheet

pytestmark = needs_chromium


@pytest.fixture
def desk(tmp_path):
    """A filled store and its server: (address, folder, fish page, substrate page)."""
    pages = fill_store(tmp_path / "store")
    with serving(tmp_path / "store", free_port()) as address:
        yield address, tmp_path / "store", *pages


SHADE = """(image) => {
  const paper = document.createElement('canvas').getContext('2d');
  paper.drawImage(image, 0, 0);
  return paper.getImageData(5, 5, 1, 1).data[0];
}"""


def title(page) -> str:
    return page.inner_text(".title")


def test_keys_accept_choose_type_and_undo(chromium, desk):
    """Enter accepts, letters and digits type, digits pick a code, Space is blank, ? illegible, Backspace takes back."""
    address, folder, fish, line = desk
    page = open_desk(chromium.new_context(), address)

    assert title(page) == "Observer"
    page.keyboard.press("/")  # corrects the suggestion's last letter
    page.keyboard.press("Backspace")
    page.keyboard.type("N")
    page.keyboard.press("Enter")
    arrive(page, "Damselfish, 0-10 m: tally")
    page.keyboard.type("12")
    page.keyboard.press("Enter")
    arrive(page, "Gobies and blennies, 0-10 m: tally")
    page.keyboard.press("Enter")  # nothing is suggested where something was crossed out
    assert "Choose a value" in page.inner_text(".refusal")
    page.keyboard.press("?")
    arrive(page, "0.5 m")
    page.keyboard.press("2")  # the second suggestion
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")  # the third suggestion
    page.keyboard.type("lm")
    page.keyboard.press("Enter")
    arrive(page, "2.5 m")
    page.keyboard.press("Enter")
    page.keyboard.press("Backspace")
    settle(page)

    assert title(page) == "2.5 m"
    who = "Mira Tole"
    assert entered(folder, fish) == {
        "fish/observer": ("entered", "KEO VARN", who),
        "fish/damselfish/0-10/tally": ("entered", 12, who),
        "fish/goby/0-10/tally": ("illegible", None, who),
    }
    assert entered(folder, line) == {
        "substrate/0.5": ("entered", "CF", who),
        "substrate/1": ("blank", None, who),
        "substrate/1.5": ("entered", "FA", who),
        "substrate/2": ("entered", "LM", who),
        "substrate/2.5": ("withdrawn", None, who),
    }
    assert page.trouble == []


def test_words_may_begin_with_a_digit_that_chooses_nothing(chromium, desk):
    """One suggestion: 3 begins what is typed, so that the Space after it does not say "left blank"."""
    address, folder, fish, _ = desk
    page = open_desk(chromium.new_context(), address)
    assert title(page) == "Observer"
    page.keyboard.type("3 boats")
    assert page.input_value("#value") == "3 boats"
    page.keyboard.press("Enter")
    arrive(page, "Damselfish, 0-10 m: tally")
    settle(page)
    assert entered(folder, fish) == {"fish/observer": ("entered", "3 boats", "Mira Tole")}


def test_forty_quick_presses_are_forty_entries_and_the_end_is_said(chromium, desk):
    """In bursts no press is merged or lost, skipped cells come back, and the last one ends the desk."""
    address, folder, _, line = desk
    page = open_desk(chromium.new_context(), address)
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    assert title(page) == "0.5 m"
    for _ in range(5):
        for _ in range(8):
            page.keyboard.press("Enter")
        settle(page)
        filled(page)

    page.wait_for_selector("text=3 skipped")
    with Store.open(folder) as store:
        rows = store.entries(line)
    codes = [c.id for c in kept.layout("substrate").cells if c.kind == "code"]
    assert [[(e.state, e.value, e.by) for e in rows[c]] for c in codes] == [[("entered", "BK", "Mira Tole")]] * 40
    page.click("text=Go through the skipped cells")
    assert title(page) == "Observer"
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    page.keyboard.press("Space")
    page.wait_for_selector("text=All done")
    settle(page)
    with Store.open(folder) as store:
        assert store.progress().open == 0
    page.keyboard.press("Backspace")  # undo still works after the end
    assert title(page) == "Gobies and blennies, 0-10 m: tally"
    settle(page)
    with Store.open(folder) as store:
        assert store.progress().open == 1
    assert page.trouble == []


def test_decisions_made_while_the_server_is_down_are_stored_when_it_is_back(chromium, tmp_path):
    """The desk says that the connection is lost, goes on, and survives a reload of the page before it is back."""
    folder, port = tmp_path / "store", free_port()
    _, line = fill_store(folder)
    context = chromium.new_context()
    with serving(folder, port) as address:
        page = open_desk(context, address)
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
        settle(page)
    for _ in range(5):
        page.wait_for_timeout(60)
        page.keyboard.press("Escape")  # closes the server's own "connection lost" window, if any
        page.keyboard.press("2")
    page.wait_for_selector(".lost:visible")
    assert "5 decisions are kept in this browser" in page.inner_text(".lost")
    assert len(entered(folder, line)) == 1

    with serving(folder, port) as address:
        page.goto(address)  # a new page in the same browser sends what was kept
        page.wait_for_selector(".title:not(:empty)")
        settle(page)
    assert sorted(v for _, v, _ in entered(folder, line).values()) == ["BK", "CF", "CF", "CF", "CF", "CF"]
    assert page.trouble == []


def test_a_browser_whose_database_never_answers_shows_the_cells_and_sends_decisions(chromium, desk):
    """As some do in private windows, or for a while after they were started."""
    address, folder, fish, _ = desk
    context = chromium.new_context()
    context.add_init_script("indexedDB.open = () => ({})")
    page = open_desk(context, address)
    assert title(page) == "Observer"
    page.keyboard.press("Enter")
    until_true(page, lambda: entered(folder, fish) == {"fish/observer": ("entered", "KEO VARM", "Mira Tole")})


def test_nobody_decides_on_a_cell_whose_picture_is_not_there(chromium, desk):
    """It is said in place of storing anything; the picture is asked for again by itself, and then keys count."""
    address, folder, fish, line = desk
    context = chromium.new_context()
    context.route("**/desk/page/**", lambda route: route.abort())
    page = open_desk(context, address, seen=False)
    words = page.locator(".refusal", has_text="The picture could not be fetched")
    words.wait_for()
    first = title(page)
    for key in ("Enter", "?", " "):
        page.keyboard.press(key)
    assert title(page) == first
    page.goto(f"{address}whole?page={line}&cell=substrate/0.5")
    words.wait_for()
    page.keyboard.press("?")
    settle(page)
    assert entered(folder, fish) == entered(folder, line) == {}
    context.unroute("**/desk/page/**")
    words.wait_for(state="hidden")
    page.keyboard.press("?")
    settle(page)
    assert entered(folder, line) == {"substrate/0.5": ("illegible", None, "Mira Tole")}


def test_another_store_at_the_same_address_shows_its_own_pages(chromium, tmp_path):
    """A browser keeps pictures for a day, and the page of this number in the store served before is another sheet's."""
    port, shades, page = free_port(), [], None
    for name, shade in (("first", 230), ("second", 90)):
        made = kept.made_result("fish", {"fish/ray/0-10/tally": kept.FLAGGED}, name=f"{name}.jpg")
        made.page.image[:] = shade
        with Store.open(tmp_path / name) as store:
            assert kept.keep(store, made) == 1
        with serving(tmp_path / name, port) as address:
            if page is None:
                page = open_desk(chromium.new_context(**LAPTOP), address)
            page.goto(address)
            pictured(page)
            shades.append(page.locator(".near img").evaluate(SHADE))
    assert shades == [230, 90]


def test_a_picture_on_its_way_is_waited_for_with_no_other_in_its_place_and_one_at_hand_costs_no_press(chromium, desk):
    """A sheet that came late showed the pencil of the sheet before under the new cell's frame, and took decisions on it."""
    address, folder, fish, line = desk
    context, late = chromium.new_context(**LAPTOP), []
    context.route(f"**/desk/page/{line}/*", lambda route: late.append(route))
    page = open_desk(context, address)
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    page.keyboard.press("?")
    page.locator(".title", has_text="0.5 m").wait_for()
    for key in ("Enter", "2", "?", " "):
        page.keyboard.press(key)
        assert "still on its way" in page.inner_text(".refusal")
    page.fill("#value", "yb")
    page.keyboard.press("Enter")
    assert (title(page), page.input_value("#value")) == ("0.5 m", "yb")
    assert [page.locator(f"{box} img").is_visible() for box in (".near", ".row", ".map")] == [False] * 3
    settle(page)
    assert entered(folder, line) == {}
    until_true(page, lambda: late)
    for route in late:
        route.continue_()
    pictured(page)
    assert page.locator(".refusal").is_hidden()
    page.keyboard.press("Enter")
    arrive(page, "1 m")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowLeft")  # back on the first sheet, and forth again: both are at hand
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    settle(page)
    assert {c: v for c, (_, v, _) in entered(folder, line).items()} == {"substrate/0.5": "YB", "substrate/1": "BK"}
    assert page.trouble == []


@pytest.fixture
def by_hand(tmp_path):
    """A sheet that Mira Tole began to key, one cell entered, and an audit of its page: (address, folder, page, audit)."""
    folder, gray = tmp_path / "store", np.full((400, 300), 190, np.uint8)
    with Store.open(folder) as store:
        photo = cv2.imencode(".png", gray)[1].tobytes()
        sha256 = store.keep_photo(photo, "bad.png", now=kept.NOW)
        bad = PhotoResult("bad.png", sha256, "unreadable", ("It is blurred.",), None, None, ())
        store.record(bad, None, now=kept.NOW)
        place = Sheet(sha256, kept.layout("fish"), kept.protocol(), kept.PACK, 1)
        page = store.by_hand.begin(place, gray, by="Mira Tole", now=kept.NOW)
        store.decide(page, "fish/goby/0-10/total", value=7, state="entered", by="Mira Tole", now=kept.NOW)
        audit = store.audits.draw_page(page, by="Sanna Ruo", now=kept.NOW)
    with serving(folder, free_port()) as address:
        yield address, folder, page, audit.id


def test_a_sheet_keyed_by_hand_waits_for_its_photograph_and_so_does_its_audit(chromium, by_hand):
    """What is typed stays in its field; nothing is stored before the photograph can be seen."""
    address, folder, keyed, audit = by_hand
    context, late = chromium.new_context(**LAPTOP), []
    context.route("**/desk/viewable/*", lambda route: late.append(route))
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)

    def comes(state: str) -> None:
        until_true(page, lambda: late)
        late.pop().abort() if state == "lost" else late.pop().continue_()

    page.goto(f"{address}key?page={keyed}&cell=fish/goby/0-10/tally")
    page.fill("#name", "Keo Varn")
    page.keyboard.press("Enter")
    field = page.locator(".fields .at input")
    field.press(" ")
    page.locator(".refusal", has_text="still on its way").wait_for()
    field.fill("7")
    field.press("Enter")
    assert field.input_value() == "7"
    comes("lost")
    page.locator(".refusal", has_text="could not be fetched").wait_for()
    comes("there")
    pictured(page)
    assert page.locator(".refusal").is_hidden()
    field.press("Enter")
    settle(page)
    assert entered(folder, keyed)["fish/goby/0-10/tally"] == ("entered", 7, "Keo Varn")

    page.goto(f"{address}audit?audit={audit}")
    page.locator(".title:not(:empty)").wait_for()
    page.keyboard.press("?")
    page.locator(".refusal", has_text="still on its way").wait_for()
    assert page.locator(".counts").inner_text() == "1 left of 1"
    comes("lost")
    page.locator(".refusal", has_text="could not be fetched").wait_for()
    comes("there")
    pictured(page)
    page.keyboard.press("?")
    page.locator(".end h2", has_text="All cells of the sample are keyed").wait_for()
    page.get_by_text("See the result").click()
    page.locator(".difference", has_text="Keo Varn: cannot be read").wait_for()
    assert page.locator("h2").first.inner_text() == "The result"  # above the form for the next audit


def test_answers_that_are_held_back_outlive_a_browser_that_dies(chromium, desk, tmp_path):
    """The last ten of an audit can still be taken back, so nobody has them but this browser, which is killed."""
    address, folder, *_ = desk
    with Store.open(folder) as store:
        audit = store.audits.draw_strata({"sure": 8}, rng=np.random.default_rng(1), by="Sanna Ruo", now=kept.NOW)

    def begun():
        return chromium.browser_type.launch_persistent_context(
            tmp_path / "profile", executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"]
        )

    context = begun()
    page = context.pages[0]
    page.goto(f"{address}audit?audit={audit.id}")
    page.fill("#name", "Keo Varn")
    page.keyboard.press("Enter")
    page.locator(".title:not(:empty)").wait_for()
    pictured(page)
    for _ in range(5):
        page.keyboard.press("?")
    until_true(page, lambda: len(kept_here(page)) == 5)
    with Store.open(folder) as store:
        assert store.audits.audit(audit.id).answered == 0
    told = context.browser.new_browser_cdp_session().send("SystemInfo.getProcessInfo")["processInfo"]
    os.kill(next(p["id"] for p in told if p["type"] == "browser"), signal.SIGKILL)
    page.wait_for_event("close")
    for lock in (tmp_path / "profile").glob("Singleton*"):  # as a browser does that finds its process gone
        lock.unlink()

    context = begun()
    context.pages[0].goto(f"{address}audit?audit={audit.id}")
    with Store.open(folder) as store:
        until_true(context.pages[0], lambda: store.audits.audit(audit.id).answered == 5)
    context.close()


def test_a_refused_value_is_said_beside_its_cell_and_can_be_corrected(chromium, desk):
    """A code that does not exist keeps the cell, shows the store's sentence and leaves the typed text to correct."""
    address, folder, _, line = desk
    page = open_desk(chromium.new_context(), address)
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.type("qq")
    page.keyboard.press("Enter")
    page.wait_for_selector(".refusal:visible")

    assert title(page) == "0.5 m"
    assert "expected one of BK, CF" in page.inner_text(".refusal")
    assert page.input_value("#value") == "qq"
    page.keyboard.type("sand")  # replaces what was selected
    page.fill("#value", "yb")
    page.keyboard.press("Enter")
    arrive(page, "1 m")
    settle(page)
    assert entered(folder, line) == {"substrate/0.5": ("entered", "YB", "Mira Tole")}
    assert page.trouble == []


def test_two_clerks_at_once_never_get_the_same_cell_and_finish_the_list_together(chromium, desk):
    """Each sees whom they share the list with; every cell is entered once, by one of them; the last ones go round."""
    address, folder, fish, line = desk
    mira, keo = (open_desk(chromium.new_context(**LAPTOP), address, name=n) for n in ("Mira Tole", "Keo Varn"))
    shown = "(d) => d.desk.items.filter((i) => !i.done).map((i) => `${i.page} ${i.cell}`)"
    first, second = (set(p.locator(".desk").evaluate(shown)) for p in (mira, keo))
    assert len(first) >= 12 <= len(second)
    assert not first & second
    assert keo.inner_text(".beside") == "Mira Tole works on other cells of this list."
    for page in (mira, keo):
        for _ in range(10):
            page.keyboard.press("Space")
        settle(page)
        filled(page)
    for _ in range(6):
        for page in (mira, keo):
            while page.locator(".work").is_visible() and page.locator(".desk").evaluate(
                "(d) => d.desk.item && !d.desk.item.done"
            ):
                page.keyboard.press("Space")
            settle(page)
            filled(page)
    with Store.open(folder) as store:
        people = [e for page in (fish, line) for rows in store.entries(page).values() for e in rows if e.by != "rule"]
        assert store.progress().open == 0
    assert len(people) == len({(e.page_id, e.cell) for e in people}) == 43
    assert {e.by for e in people} == {"Mira Tole", "Keo Varn"}
    assert mira.locator(".notices li").count() == keo.locator(".notices li").count() == 0
    assert mira.trouble == keo.trouble == []


def test_cells_of_a_page_that_was_closed_come_to_the_other_clerk(chromium, desk):
    address, *_ = desk
    mira = open_desk(chromium.new_context(**LAPTOP), address)
    assert title(mira) == "Observer"
    keo = open_desk(chromium.new_context(**LAPTOP), address, name="Keo Varn")
    assert title(keo) != "Observer"
    mira.close(run_before_unload=True)
    ada = open_desk(chromium.new_context(**LAPTOP), address, name="Ada Lind")
    assert title(ada) == "Observer"


def test_a_cell_decided_on_the_whole_page_is_not_decided_again_and_names_survive_a_reload(chromium, desk):
    """Who comes second is told who was first, and the first entry stands; undo works after a reload."""
    address, folder, fish, _ = desk
    context = chromium.new_context(**LAPTOP)
    mira = open_desk(context, address)
    with Store.open(folder) as store:
        store.decide(fish, "fish/observer", value="KEO VARN", state="entered", by="Keo Varn", now=kept.NOW)
    mira.keyboard.press("Enter")
    mira.wait_for_selector(".notices:visible")
    assert "Keo Varn entered this cell meanwhile" in mira.inner_text(".notices")
    assert entered(folder, fish) == {"fish/observer": ("entered", "KEO VARN", "Keo Varn")}
    arrive(mira, "Damselfish, 0-10 m: tally")
    mira.keyboard.press("Enter")
    settle(mira)
    mira.reload()
    arrive(mira, "Gobies and blennies, 0-10 m: tally")
    assert "Mira Tole" in mira.inner_text(".who")
    mira.keyboard.press("Backspace")
    settle(mira)
    assert title(mira) == "Damselfish, 0-10 m: tally"
    assert entered(folder, fish)["fish/damselfish/0-10/tally"] == ("withdrawn", None, "Mira Tole")
    assert mira.trouble == []


def test_a_colleague_is_asked_with_one_key_and_the_cell_waits_among_the_asked(chromium, desk):
    """`!`, a remark, Enter; undo takes it back; the colleague sees who asked and decides."""
    address, folder, fish, _ = desk
    keo = open_desk(chromium.new_context(**LAPTOP), address, name="Keo Varn")
    keo.keyboard.press("!")
    keo.keyboard.type("Is this Mira?")
    keo.keyboard.press("Enter")
    arrive(keo, "Damselfish, 0-10 m: tally")
    keo.keyboard.press("!")
    keo.keyboard.press("Escape")
    keo.keyboard.press("!")
    keo.keyboard.press("Enter")
    arrive(keo, "Gobies and blennies, 0-10 m: tally")
    keo.keyboard.press("Backspace")
    arrive(keo, "Damselfish, 0-10 m: tally")
    settle(keo)
    with Store.open(folder) as store:
        assert {cell: [r.remark for r in rows] for (_, cell), rows in store.asked.waiting().items()} == {
            "fish/observer": ["Is this Mira?"]
        }
    mira = open_desk(chromium.new_context(**LAPTOP), address)
    assert title(mira) != "Observer"
    mira.click("text=Choose which cells")
    mira.get_by_role("combobox", name="Cells").click()
    mira.get_by_text("Asked about by a colleague (1)").click()
    mira.keyboard.press("Escape")
    arrive(mira, "Observer")
    assert "Keo Varn" in mira.inner_text(".remarks")
    assert "Is this Mira?" in mira.inner_text(".remarks")
    assert axe_faults(mira) == []
    mira.click(".near")  # out of the box that chooses
    mira.keyboard.press("Enter")
    settle(mira)
    mira.wait_for_selector("text=No question is open")
    assert entered(folder, fish)["fish/observer"] == ("entered", "KEO VARM", "Mira Tole")
    assert mira.trouble == keo.trouble == []


def test_a_phone_shows_the_desk_without_sideways_scrolling_and_with_large_buttons(chromium, desk):
    """At 390 x 844 everything is reached by touch: each visible button is 44 pixels high or more."""
    address, folder, fish, _ = desk
    context = chromium.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = open_desk(context, address)

    heights = page.eval_on_selector_all(".desk button", "all => all.map((b) => b.offsetHeight).filter((h) => h > 0)")
    assert len(heights) >= 8
    assert min(heights) >= 44
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.tap(".choices button")
    page.tap("#value")
    page.fill("#value", "9")
    page.tap(".typed button")
    arrive(page, "Gobies and blennies, 0-10 m: tally")
    page.tap("[data-do=undo]")
    settle(page)
    assert entered(folder, fish) == {
        "fish/observer": ("entered", "KEO VARM", "Mira Tole"),
        "fish/damselfish/0-10/tally": ("withdrawn", None, "Mira Tole"),
    }
    assert page.trouble == []


@pytest.mark.parametrize("place", ["?order=sheet", "whole?page=1"], ids=["review", "whole"])
def test_on_a_phone_the_picture_stays_in_view_down_to_the_last_button(chromium, desk, place):
    """The buttons stand a screen below it: a tap on one brought the next cell, whose picture was out of sight. Nor does it cover focus."""
    address, *_ = desk
    page = chromium.new_context(**PHONE | {"viewport": {"width": 390, "height": 664}}).new_page()
    page.set_default_timeout(WAIT_MS)
    page.add_init_script("try { localStorage.setItem('desk:by', 'Mira Tole') } catch {}")
    page.goto(f"{address}{place}")
    page.locator(".title:not(:empty)").wait_for()
    pictured(page)
    page.locator("[data-do=illegible]").tap()
    page.locator(".work [data-do=undo]:enabled").tap()
    page.locator("[data-testid=stMain]").evaluate("m => m.scrollTo(0, m.scrollHeight)")
    where = "e => { const { top, bottom } = e.getBoundingClientRect(); return [top, bottom]; }"
    seen: list[list] = []

    def steady() -> bool:
        """What is taken back draws the marks anew: until picture and mark stand where they stood before."""
        places = (":is(.near, .paper):visible", ":is(.near .mark, .spot.at):visible")
        seen.append([page.locator(place).first.evaluate(where) for place in places])
        return len(seen) > 1 and seen[-1] == seen[-2] and seen[-1][1] != [0, 0]

    until_true(page, steady)
    (top, bottom), mark = seen[-1]
    assert 0 < top <= mark[0] < mark[1] <= bottom < 400
    field = page.locator(".choices button, .side #value").first
    field.evaluate(
        "e => document.querySelector('[data-testid=stMain]').scrollBy(0, e.getBoundingClientRect().top - 100)"
    )
    assert field.evaluate(where)[0] < bottom  # behind the picture
    field.focus()
    assert field.evaluate(where)[0] >= bottom


def test_keys_can_be_switched_off_and_typing_elsewhere_decides_nothing(chromium, desk):
    """With the keys off, and in the boxes that choose cells, a key press is no decision."""
    address, folder, fish, line = desk
    page = open_desk(chromium.new_context(viewport={"width": 1366, "height": 768}), address)
    page.click(".keys")
    page.keyboard.press("Enter")
    page.keyboard.press("?")
    page.click(".keys")
    page.click("text=Choose which cells")
    page.get_by_role("combobox", name="Sheet").click()
    page.keyboard.type("Substrate")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    arrive(page, "0.5 m")

    assert entered(folder, fish) == entered(folder, line) == {}
    assert page.inner_text(".counts").startswith("40 left")
    assert page.trouble == []


def test_survey_and_results_pages_open_and_fetch_nothing_from_elsewhere(chromium, desk):
    """The results stand in a frame as tall as its content, with no scrolling of its own."""
    address, *_ = desk
    page = open_desk(chromium.new_context(viewport={"width": 1366, "height": 768}), address)
    page.goto(f"{address}survey")
    page.wait_for_selector(".cards img")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.cards img')].every((i) => i.complete && i.naturalWidth)"
    )
    assert page.inner_text(".matrix").count("missing") == 8
    page.goto(f"{address}results")
    frame = page.frame_locator("iframe[title^='Results']")
    frame.locator("text=Substrate line: percent cover").wait_for()
    page.wait_for_function("""() => { const seek = (root) => { for (const e of root.querySelectorAll('*')) {
        if (e.localName === 'iframe') return e; const f = e.shadowRoot && seek(e.shadowRoot); if (f) return f; } };
        const f = seek(document); return f.clientHeight >= f.contentDocument.body.scrollHeight; }""")
    assert page.trouble == []
