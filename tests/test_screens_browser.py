"""Every screen in a real browser on a phone and a laptop, light and dark: axe-core, no sideways scrolling, no script error."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing

import cv2
import kept
import numpy as np
import pytest
from browsing import (
    LAPTOP,
    PHONE,
    WAIT_MS,
    axe_faults,
    drawn,
    fill_store,
    free_port,
    kept_here,
    needs_chromium,
    pictured,
    serving,
    settle,
    until_true,
)

from digitise.handover.prepared import Wishes
from digitise.reader.reading import PhotoResult
from digitise.store import Store
from digitise.store.keyed import Sheet
from review_app import sending
from review_app.tracing import figures

pytestmark = needs_chromium
CODES = [c.id for c in kept.layout("substrate").cells if c.kind == "code"]
SECOND = "QH7M4L"


def png(shade: int) -> bytes:
    """A photograph of nothing."""
    return cv2.imencode(".png", np.full((400, 300), shade, np.uint8))[1].tobytes()


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """One pack with open cells, one signed, handed over and changed since; an audit with a difference, one half keyed."""
    folder = tmp_path_factory.mktemp("screens") / "store"
    fill_store(folder)
    with Store.open(folder) as store:
        refused = [store.keep_photo(png(shade), f"bad-{shade}.png", now=kept.NOW) for shade in (190, 220)]
        for sha256 in refused:
            bad = PhotoResult("bad.png", sha256, "unreadable", ("It is blurred.",), None, None, ())
            store.record(bad, None, now=kept.NOW)
        place = Sheet(refused[0], kept.layout("fish"), kept.protocol(), "K7RM4X", 2)
        keyed = store.by_hand.begin(place, np.full((400, 300), 190, np.uint8), by="Mira Tole", now=kept.NOW)
        line = kept.keep(store, kept.made_result("substrate", dict.fromkeys(CODES, "BK"), name="two.jpg", pack=SECOND))
        by = {"by": "Sanna Ruo", "now": kept.NOW}
        digest = store.signoffs.digest(SECOND)
        store.signoffs.sign(SECOND, statement="Compared with the photographs.", digest=digest, **by)
        store.decide(line, CODES[0], value="CF", state="entered", **by)
        full = store.audits.draw_strata({"sure": 6}, rng=np.random.default_rng(1), pack=SECOND, **by)
        for cell in store.audits.cells(full.id):
            value = "YB" if cell.kind == "code" else None
            store.audits.answer(cell.id, value=value, state="entered" if value else "blank", **by)
        half = store.audits.draw_strata({"sure": 6}, rng=np.random.default_rng(2), pack=SECOND, **by)
        figure = next(f for f in figures(store, SECOND) if f.sheet == "substrate").id
        to = Wishes("Reserve office", "Sanna Ruo", packs=(SECOND,), with_unsigned=True, evidence="none")
        sending.hand_over(store, to)
        store.decide(line, CODES[1], value="CF", state="entered", **by)
        store.asked.ask(1, "fish/observer", remark="Is this Mira?", **by)
    places = {
        "": ".title:not(:empty)",
        "many": ".tile",
        "whole": ".spot",
        "survey": ".matrix",
        "phones": ".empty",
        "plan": "[data-testid=stFormSubmitButton], [data-testid=stButton]",
        "key": ".card",
        f"key?photo={refused[1]}": ".lens",
        f"key?page={keyed}": ".fields input",
        "results": "iframe",
        "trace": "table.plain",
        f"trace?pack={SECOND}&sheet=substrate&row={figure}": "table.plain",
        f"trace?page={line}&cell={CODES[0]}": ".history li",
        "audit": ".card-line",
        f"audit?audit={half.id}": ".title:not(:empty)",
        "signoff": ".points",
        f"signoff?pack={SECOND}": ".card-line",
        "handover": ".card-line",
    }
    with serving(folder, free_port()) as address:
        yield address, places, folder, keyed


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (LAPTOP, "dark")], ids=["phone-light", "laptop-dark"])
def test_every_screen_is_open_to_everybody(chromium, served, size, scheme):
    """WCAG 2.2 A and AA as far as axe-core sees, contrast in both themes included."""
    address, places, _, _ = served
    context = chromium.new_context(**size, color_scheme=scheme)
    context.add_init_script("try { localStorage.setItem('desk:by', 'Mira Tole') } catch {}")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    found = {}
    for place, ready in places.items():
        page.goto(f"{address}{place}")
        page.locator(ready).first.wait_for()
        drawn(page)
        wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
        found[place or "review"] = axe_faults(page) + (["scrolls sideways"] if wide else [])
    assert {place: faults for place, faults in found.items() if faults} == {}
    assert trouble == []


def test_what_is_chosen_is_seen_where_the_system_sets_all_colours(chromium, served):
    """A ticked box, one of several circles, and the group of cells that is shown."""
    address, *_ = served
    context = chromium.new_context(**LAPTOP, forced_colors="active")
    context.add_init_script("try { localStorage.setItem('desk:by', 'Mira Tole') } catch {}")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)

    def middle(locator) -> set[int]:
        """Greys of a box's middle."""
        image = cv2.imdecode(np.frombuffer(locator.screenshot(), np.uint8), cv2.IMREAD_GRAYSCALE)
        h, w = image.shape
        return set(image[h // 3 : 2 * h // 3, w // 3 : 2 * w // 3].ravel().tolist())

    page.goto(f"{address}plan")
    ticks = page.locator("[data-testid=stCheckbox] label")
    ticks.nth(1).click()
    page.locator("[data-testid=stCheckbox] label:has(input:checked)").wait_for()
    drawn(page)
    empty, ticked = (middle(ticks.nth(i).locator("xpath=./div[1]")) for i in (0, 1))
    assert empty != ticked
    page.goto(f"{address}audit")
    circles = page.locator("[data-testid=stRadioOption] > div > div:first-of-type")
    circles.first.wait_for()
    assert middle(circles.nth(0)) != middle(circles.nth(1))
    page.goto(f"{address}many")
    shown = page.locator(".kinds button[aria-current=true]")
    shown.wait_for()
    assert shown.evaluate("e => getComputedStyle(e).outlineStyle") == "solid"


def test_a_sheet_is_keyed_by_hand_without_a_mouse(chromium, served):
    """Typed and Enter, Space for nothing written, ? for what cannot be read, a refusal, a question, undo, a reload."""
    address, _, folder, keyed = served
    page = chromium.new_context(**LAPTOP).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}key?page={keyed}&cell=fish/damselfish/0-10/tally")
    page.fill("#name", "Keo Varn")
    page.keyboard.press("Enter")
    page.locator(".fields .at input:focus").wait_for()
    pictured(page)
    cells = [c for c in kept.layout("fish").cells if c.id.startswith("fish/damselfish/")]
    for keys in (("7", "Enter"), ("7", "Enter"), (" ",), ("?",)):  # tally and total, tally and total
        for key in keys:
            page.keyboard.press(key)
    page.locator(".counts", has_text="4 of").wait_for()
    page.keyboard.press("Backspace")  # takes the last one back and returns to it
    page.keyboard.type("x")
    page.keyboard.press("Enter")
    page.locator(".refusal", has_text="expected a whole number").wait_for()
    page.keyboard.press("Escape")
    page.keyboard.type("900")
    page.keyboard.press("Enter")
    page.locator(".refusal", has_text="If it is so, press Enter").wait_for()
    page.keyboard.press("Enter")
    settle(page)
    page.reload()
    page.locator(".fields input").first.wait_for()
    page.locator(".counts", has_text="4 of").wait_for()
    assert (
        page.locator(".fields input").nth([c.id for c in kept.layout("fish").cells].index(cells[0].id)).input_value()
        == "7"
    )
    with Store.open(folder) as store:
        now = store.current(keyed)
        assert [(now[c.id].state, now[c.id].value) for c in cells] == [
            ("entered", 7),
            ("entered", 7),
            ("blank", None),
            ("entered", 900),
        ]
        assert {(now[c.id].by, now[c.id].why) for c in cells} == {("Keo Varn", "keyed by hand from the photograph")}

    pictured(page)
    held = []  # an answer that comes while the next value is half typed
    page.locator(".fields input").nth(8).click()
    page.route("**/desk/decisions", lambda route: held.append(route))
    page.keyboard.press("x")
    page.keyboard.press("Enter")
    page.keyboard.press("1")
    page.locator(".fields .at .said", has_text="not entered yet").wait_for()
    held[0].continue_()
    page.unroute("**/desk/decisions")
    page.locator(".notices", has_text="expected a whole number").wait_for()
    assert page.locator(".fields input:focus").input_value() == "1"
    page.keyboard.press("2")
    page.keyboard.press("Enter")
    settle(page)
    with Store.open(folder) as store:
        now = store.current(keyed)
    cells = [c.id for c in kept.layout("fish").cells]
    assert [(now[c].state, now[c].value) for c in cells[8:10]] == [("unread", None), ("entered", 12)]


TURNED = "e => Number(e.style.transform.match(/rotate\\(([-.0-9]+)deg/)[1])"


def test_a_photograph_on_its_side_is_turned_by_quarters_and_one_held_askew_is_straightened(chromium, served):
    """By buttons and a slider, and without leaving the keyboard; it stays so when the page is loaded again.

    On the screen Trace it is turned by itself so that the outlined cell reads from left to right.
    """
    address, places, _, keyed = served
    context = chromium.new_context(**LAPTOP)
    context.add_init_script("localStorage.setItem('desk:by', 'Mira Tole')")
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}key?page={keyed}")
    page.locator(".fields .at input:focus").wait_for()
    image = page.locator(".lens img")
    image.and_(page.locator("[style*=rotate]")).wait_for()
    page.get_by_role("button", name="Turn right by a quarter").click()
    assert image.evaluate(TURNED) == 90
    page.get_by_role("button", name="Turn left by a quarter").click()
    page.get_by_role("button", name="Turn left by a quarter").click()
    assert image.evaluate(TURNED) == -90
    page.locator(".fields input").nth(3).click()
    page.keyboard.press("F2")
    for key in ("]", ".", ".", ".", ","):
        page.keyboard.press(key)
    assert image.evaluate(TURNED) == 2
    assert page.locator(".slant output").inner_text() == "2°"
    page.keyboard.press("F2")
    page.locator(".fields li:nth-child(4) input:focus").wait_for()
    page.locator(".slant input").fill("-8")
    assert image.evaluate(TURNED) == -8
    page.reload()
    page.locator(".slant output", has_text="-8°").wait_for()
    assert image.evaluate(TURNED) == -8
    drawn(page)
    assert page.locator("[data-testid=stMain]").evaluate("m => m.scrollHeight - m.clientHeight") <= 0  # all in one look
    page.set_viewport_size({"width": 683, "height": 384})  # the same laptop with everything twice as large
    page.keyboard.press("F2")
    page.keyboard.press("F2")
    page.keyboard.press("ArrowDown")
    field = page.locator(".fields .at input:focus")
    field.wait_for()
    assert field.evaluate(
        "f => { const b = f.getBoundingClientRect();"
        " return [b.top, b.bottom].every((y, i) => f.getRootNode().elementFromPoint(b.x + 9, y + (i ? -4 : 4)) === f); }"
    )

    page.goto(address + next(one for one in places if one.startswith("trace?page=")))
    page.locator(".history li").first.wait_for()
    first, second = page.locator(".desk").evaluate(
        "d => { sessionStorage.clear(); d.desk.lens.corners = [[300, 200], [100, 200], [100, 150], [300, 150]];"
        " d.desk.lens.image.dispatchEvent(new Event('load')); d.desk.lens.place();"
        " return d.querySelector('polygon').getAttribute('points').split(' ').slice(0, 2).map(parseFloat); }"
    )
    assert abs(image.evaluate(TURNED)) == 180
    assert first < second


NAMED = """() => {
  let at = document.activeElement;
  while (at?.shadowRoot?.activeElement) at = at.shadowRoot.activeElement;
  const own = at.matches('button, a, summary') ? [at.innerText] : [];
  return [at.getAttribute('aria-label'), ...[...(at.labels ?? [])].map((one) => one.innerText), ...own].join(' ').trim();
}"""


def tab_to(page, words: str) -> None:
    """Press Tab until the focus is on a control with these words as its label or on it."""
    seen = []
    for _ in range(70):
        page.keyboard.press("Tab")
        seen.append(page.evaluate(NAMED))
        if words in seen[-1]:
            return
    raise AssertionError(f"Tab never came to {words!r}, only to {seen}")


def test_a_day_is_planned_a_sample_drawn_and_keyed_and_a_survey_signed_without_a_mouse(chromium, served):
    """Tab, letters, arrows and Enter are enough on the pages with forms; what was made is in the store."""
    address, _, folder, _ = served
    page = chromium.new_context(**LAPTOP).new_page()
    page.set_default_timeout(WAIT_MS)

    def opened(place: str, ready: str) -> None:  # kinds of fields come one after another
        page.goto(f"{address}{place}")
        for one in (
            ready,
            "input[aria-label='Your name'], [aria-label='Shore cover']",
            "[data-testid=stFormSubmitButton]",
        ):
            page.locator(one).first.wait_for(state="attached")

    opened("plan", "[aria-label^='Date']")
    tab_to(page, "Trace")
    assert page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle") == "solid"
    for label, text in (
        ("Name", "Harbour Steps"),
        ("Code", "HS"),
        ("Date", "2027-05-02"),
        ("dive leader", "Mira Tole"),
    ):
        tab_to(page, label)
        page.keyboard.type(text)
    tab_to(page, "Make the prints")
    page.keyboard.press("Enter")
    page.get_by_text("press again to print it so").wait_for()
    page.locator("[data-test-script-state=notRunning]").wait_for(state="attached")
    page.keyboard.press("Enter")
    page.get_by_text("Download the prints").wait_for(timeout=60000)
    assert len(list((folder / "plans").glob("*.yaml"))) == 1

    opened(f"audit?pack={SECOND}", "[type=radio]")
    tab_to(page, "Fewer than")
    page.keyboard.press("ArrowDown")
    tab_to(page, "Your name")
    page.keyboard.type("Keo Varn")
    tab_to(page, "Draw the sample")
    page.keyboard.press("Enter")
    page.locator(".title:not(:empty)").wait_for()
    pictured(page)
    drawn(page)  # else what is typed goes with the first drawing
    first = page.locator(".title").inner_text()
    page.fill("#value", "99999")  # no cell of this sheet can hold it: said at once, not after the next answer
    page.keyboard.press("Enter")
    page.locator(".refusal", has_text="found '99999'").wait_for()
    page.locator(".title", has_text=re.compile(f"^{re.escape(first)}$")).wait_for()
    page.keyboard.press("Escape")
    page.keyboard.press(" ")
    until_true(page, lambda: kept_here(page))
    page.keyboard.press("Backspace")  # taken back before anybody compared it
    page.locator(".title", has_text=re.compile(f"^{re.escape(first)}$")).wait_for()
    settle(page)
    page.keyboard.press(" ")
    page.keyboard.press("?")
    page.keyboard.press("Backspace")
    page.keyboard.press("Backspace")  # more than one answer is taken back
    page.locator(".title", has_text=re.compile(f"^{re.escape(first)}$")).wait_for()
    page.keyboard.press(" ")
    page.keyboard.press("?")
    until_true(page, lambda: len(kept_here(page)) == 2)
    newest = lambda: max(store.audits.all(), key=lambda a: a.id)  # noqa: E731
    with Store.open(folder) as store:
        assert (newest().by, newest().answered) == ("Keo Varn", 0)

    opened(f"signoff?pack={SECOND}", "textarea")
    tab_to(page, "What changed since the last version")
    page.keyboard.type("Two points were misread.")
    page.locator("summary", has_text="By Keo Varn").wait_for()  # who drew the sample; somebody else signs
    tab_to(page, "By Keo Varn")
    page.keyboard.press("Enter")
    tab_to(page, "Your name")
    page.keyboard.press("Control+a")
    page.keyboard.type("Sanna Ruo")
    tab_to(page, "Sign version 2")
    page.keyboard.press("Enter")
    page.get_by_text("The survey is as it was signed.").wait_for()
    with Store.open(folder) as store:
        assert newest().answered == 2  # they were stored when the page was left
        assert [(s.version, s.by, s.current) for s in store.signoffs.of(SECOND)] == [
            (1, "Sanna Ruo", False),
            (2, "Sanna Ruo", True),
        ]


def test_a_name_given_on_one_screen_is_known_on_all_until_another_is_given(chromium, served):
    """From the desk to the forms, by the menu and by address; and back from a form to the desk."""
    address, *_ = served
    page = chromium.new_context(**LAPTOP).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(address)
    page.fill("#name", "Mira [Tole]")
    page.keyboard.press("Enter")
    page.locator(".title:not(:empty)").wait_for()
    for title in ("Audit", "Hand-over", "Survey"):
        page.get_by_role("link", name=title, exact=True).click()
        page.locator("summary", has_text="By Mira [Tole]").first.wait_for(state="attached")
        assert page.get_by_label("Your name").first.is_hidden()
    page.goto(f"{address}key")
    page.locator(".card a[href*=photo]").first.click()
    page.locator("summary", has_text="By Mira [Tole]").wait_for()
    page.goto(f"{address}audit?pack={SECOND}")
    drawn(page)
    page.locator("summary", has_text="By Mira [Tole]").first.click()
    page.get_by_label("Your name").first.fill("Keo Varn")
    page.get_by_role("button", name="Draw the sample").click()
    page.locator(".title:not(:empty)").wait_for()
    page.get_by_role("link", name="Review", exact=True).click()
    page.locator(".who", has_text="Reviewer: Keo Varn").click()
    page.fill("#name", "  ")  # no name: it is asked for still, where the page was empty
    page.keyboard.press("Enter")
    page.fill("#name", "Ada Lind")
    page.keyboard.press("Enter")
    page.locator(".who", has_text="Reviewer: Ada Lind").wait_for()
    page.get_by_role("link", name="Audit", exact=True).click()
    page.locator("summary", has_text="By Ada Lind").first.wait_for(state="attached")


def frames_of(page) -> list:
    """What the page sends to the server from now on: a drawing is asked for by each."""
    frames = []
    page.on("websocket", lambda one: one.on("framesent", lambda frame: frames.append(frame)))
    return frames


def named(page, address: str, name: str) -> None:
    page.set_default_timeout(WAIT_MS)
    page.goto(address)
    page.locator("#name:visible, .who:visible").wait_for()
    if page.is_visible(".who"):
        page.click(".who")
    page.fill("#name", name)
    page.keyboard.press("Enter")
    page.locator(".title:not(:empty)").wait_for()


def test_a_page_that_knows_the_name_is_drawn_once(chromium, served):
    """It asks the server for as many drawings as one of a browser without a name, so that no press falls between two.

    Also where its cookie is gone, or is of another server at another port: a browser keeps cookies for all ports.
    """
    address, *_ = served

    def asked(context, ready: str) -> int:
        page = context.new_page()
        frames = frames_of(page)
        page.set_default_timeout(WAIT_MS)
        page.goto(f"{address}audit?pack={SECOND}")
        page.locator(ready).first.wait_for(state="attached")
        drawn(page)
        page.close()
        return len(frames)

    nameless = asked(chromium.new_context(**LAPTOP), "input[aria-label='Your name']")
    context = chromium.new_context(**LAPTOP)
    named(context.new_page(), address, "Mira Tole")
    known = "summary:has-text('By Mira Tole')"
    assert asked(context, known) == nameless
    context.clear_cookies(name="desk-name")
    assert asked(context, known) == nameless
    other = {"name": "desk-name", "value": "%7B%22name%22%3A%22Keo%20Varn%22%2C%22mark%22%3A%22%22%7D"}
    context.add_cookies([other | {"url": address}])
    assert asked(context, known) == nameless


def test_a_name_given_on_a_desk_or_in_another_tab_is_there_when_a_form_is_drawn(chromium, served):
    """The page that the menu opens is drawn once, with the name that counts now, never with one from before."""
    address, *_ = served
    context = chromium.new_context(**LAPTOP)
    page, beside = context.new_page(), context.new_page()
    frames = frames_of(page)

    def opened(title: str, ready: str) -> int:
        drawn(page)
        before = len(frames)
        page.get_by_role("link", name=title, exact=True).click()
        page.locator(ready).first.wait_for(state="attached")
        drawn(page)
        return len(frames) - before

    named(page, address, "Mira Tole")
    once = opened("Results", "iframe")
    assert opened("Audit", "summary:has-text('By Mira Tole')") == once
    named(beside, address, "Keo Varn")
    assert opened("Hand-over", "summary:has-text('By Keo Varn')") == once
    named(page, address, "Ada Lind")
    assert opened("Audit", "summary:has-text('By Ada Lind')") == once


def test_the_menu_of_a_phone_goes_when_a_page_has_been_chosen(chromium, served):
    """It lies over the page; on a laptop it stands at the top and stays."""
    address, *_ = served
    page = chromium.new_context(**PHONE).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}phones")
    for title, ready in (("Survey", ".matrix"), ("Trace", "table.plain")):
        drawn(page)
        page.locator("[data-testid=stExpandSidebarButton]").tap()
        page.locator("[data-testid=stSidebarNavLink]", has_text=title).tap()
        page.locator(ready).first.wait_for()
        page.locator("[data-testid=stExpandSidebarButton]").wait_for()
    page.locator("table.plain a").first.tap()
    page.locator("table.stack").wait_for()


def _menu_before_its_script(chromium, address: str):
    """A phone's page with its menu open, and the request for the menu's script, which waits for an answer."""
    page = chromium.new_context(**PHONE).new_page()
    page.set_default_timeout(WAIT_MS)
    late = []
    page.route("**/BidiComponent*", lambda request: late.append(request), times=1)
    page.goto(f"{address}phones")
    page.locator("[data-testid=stExpandSidebarButton]").tap()
    until_true(page, lambda: late)
    return page, late[0]


def test_a_phones_menu_that_is_opened_while_the_page_is_drawn_stays_open(chromium, served):
    """What closes it comes late on a slow network; a page chosen in it is gone to all the same."""
    page, late = _menu_before_its_script(chromium, served[0])
    page.locator("[data-testid=stSidebarNavLink]", has_text="Survey").wait_for()
    late.continue_()
    page.wait_for_function("() => window.menuGoes")
    drawn(page)
    assert page.locator("[data-testid=stExpandSidebarButton]").is_hidden()
    page.locator("[data-testid=stSidebarNavLink]", has_text="Survey").tap()
    page.locator(".matrix").first.wait_for()
    page.locator("[data-testid=stExpandSidebarButton]").wait_for()


def test_a_phones_menu_goes_also_where_the_page_was_chosen_before_its_script_had_come(chromium, served):
    page, late = _menu_before_its_script(chromium, served[0])
    page.locator("[data-testid=stSidebarNavLink]", has_text="Survey").tap()
    page.wait_for_url("**/survey")
    late.continue_()
    page.locator(".matrix").first.wait_for()
    page.locator("[data-testid=stExpandSidebarButton]").wait_for()


def test_the_cells_behind_a_figure_fit_a_phone(chromium, served):
    """A row is a few lines there: nothing of it lies outside the screen."""
    address, *_ = served
    page = chromium.new_context(**PHONE).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}trace?pack=K7RM4X&sheet=fish&row=goby")
    page.locator("table.plain").wait_for()
    wide = page.locator("table.plain td").evaluate_all("all => all.map((td) => td.getBoundingClientRect().right)")
    assert wide
    assert max(wide) <= 390


def test_a_row_of_the_results_and_the_word_beside_a_bar_lead_to_the_cells_behind_them(chromium, served):
    """Both open the same address, which can be sent; the page behind it runs outside the report's closed frame."""
    address, _, _, _ = served
    context = chromium.new_context(**LAPTOP)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}results?pack={SECOND}")
    report = page.frame_locator("iframe")
    opened = []
    for where in ("th a", "svg a"):
        with context.expect_page() as new:
            report.locator(where, has_text="Branching hard coral").first.click()
        new.value.set_default_timeout(WAIT_MS)
        new.value.get_by_text("cells are behind this figure").wait_for()
        opened.append(new.value.url)
    assert opened[0] == opened[1]
    assert opened[0].startswith(f"{address}trace?pack={SECOND}&sheet=substrate&row=")


def test_work_that_takes_long_is_told_where_the_page_stands_and_so_is_its_end(chromium, served):
    """Whoever has gone on to the end of the page sees the words all the same."""
    address, _, store, _ = served
    low = {"width": 1366, "height": 420}
    page = chromium.new_context(viewport=low).new_page()
    page.set_default_timeout(WAIT_MS)
    page.add_init_script("try { localStorage.setItem('desk:by', 'Sanna Ruo') } catch {}")
    page.goto(f"{address}handover")
    correction = page.locator("summary", has_text="Make a correction of hand-over 1")
    correction.wait_for()
    drawn(page)
    correction.click()
    page.locator("summary", has_text="By Sanna Ruo").first.wait_for()
    drawn(page)
    if correction.locator("..").get_attribute("open") is None:  # the page was drawn anew with the name, and closed it
        correction.click()
        drawn(page)
    page.get_by_label("What was wrong").fill("Two points were misread.")
    page.locator("label", has_text="Also surveys that nobody signed").first.click()
    with closing(sqlite3.connect(store / "digitise.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # another desk writes: the package waits for it, however fast the machine is
        page.get_by_role("button", name="Make the correction").click()
        page.locator("[data-testid=stSpinner]", has_text="Writing report").wait_for()
        below = page.locator("[data-testid=stMain]").evaluate(
            "m => { m.scrollTo(0, m.scrollHeight); return m.scrollTop; }"
        )
        assert below > 420
        box = page.locator("[data-testid=stSpinner]").bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= low["height"]
        other.execute("ROLLBACK")
    page.locator("[data-testid=stToast]", has_text="is made and noted").wait_for(timeout=120_000)


def test_files_that_are_refused_are_told_beside_those_that_are_kept(chromium, served, tmp_path):
    """On a phone no pointer rests on them, and the box is empty again as soon as another photograph is kept."""
    address, _, folder, _ = served
    (tmp_path / "notes.docx").write_bytes(b"words")
    (tmp_path / "again.png").write_bytes(png(205))
    with (tmp_path / "large.png").open("wb") as file:
        file.truncate(81_000_000)
    page = chromium.new_context(**PHONE).new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(f"{address}survey")
    page.locator(".matrix").first.wait_for()
    drawn(page)
    page.locator("input[type=file]").set_input_files(list(tmp_path.iterdir()))
    page.locator(".state", has_text="1 photograph kept.").wait_for()
    told = page.locator(".notices li")
    until_true(page, lambda: told.count() == 2)
    assert sorted(told.all_inner_texts()) == [
        "large.png was not added: it has more than 80 MB. Photograph the sheet with the phone’s usual setting.",
        "notes.docx was not added: it is no photograph, PDF or zip archive.",
    ]
    drawn(page)
    page.locator("input[type=file]").set_input_files(tmp_path / "again.png")  # what is chosen next begins anew
    page.locator(".state", has_text="What you added is here already.").wait_for()
    assert told.count() == 0
    with Store.open(folder) as store:
        assert [p.name for p in store.photos()][-1] == "again.png"


DESKS = ("", "many", "whole", "key?page=", "audit?audit=", "trace?page=")


@pytest.mark.parametrize("begins", DESKS, ids=[d.partition("?")[0] or "review" for d in DESKS])
def test_a_desk_for_which_nothing_has_come_yet_says_so_and_says_when_the_server_is_gone(chromium, served, begins):
    """Its page was empty before, and Trace took a lost connection for a link that leads nowhere."""
    address, places, *_ = served
    place = next(p for p in places if p == begins or (p.startswith(begins) and "=" in begins))
    page = chromium.new_context(**LAPTOP).new_page()
    page.set_default_timeout(WAIT_MS)
    page.add_init_script("try { localStorage.setItem('desk:by', 'Mira Tole') } catch {}")
    late = []
    page.route(re.compile("/desk/(take|groups|whole|audit|trace)"), lambda route: late.append(route))
    page.goto(f"{address}{place}")
    until_true(page, lambda: late)
    told = page.locator(".desk[tabindex]").evaluate("d => getComputedStyle(d, '::after').content")
    late.pop().abort()
    lost = page.locator(".lost", has_text="The connection to the server is lost")
    lost.wait_for()
    assert told == '"One moment …"'
    until_true(page, lambda: late)
    late.pop().continue_()
    page.locator(places[place]).first.wait_for()
    lost.wait_for(state="hidden")
