"""A shared store in a real browser: logging in, names on entries, what a volunteer sees, a log-in that ends mid-work."""

from __future__ import annotations

import kept
import pytest
from browsing import (
    LAPTOP,
    PHONE,
    arrive,
    axe_faults,
    entered,
    fill_store,
    free_port,
    log_in,
    needs_chromium,
    open_at,
    serving,
    settle,
)

from digitise.store import Store

pytestmark = needs_chromium


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """A shared store, served: (address, folder, fish page, substrate page)."""
    folder = tmp_path_factory.mktemp("shared") / "store"
    pages = fill_store(folder)
    with Store.open(folder) as store:
        kept.let_in(store)
    with serving(folder, free_port(), "--shared") as address:
        yield address, folder, *pages


def test_a_clerk_logs_in_decides_under_the_proven_name_and_goes_on_after_the_log_in_has_ended(chromium, shared):
    """The desk asks for no name; what is decided while logged out is kept and stored after logging in again."""
    address, folder, fish, _ = shared
    context = chromium.new_context(**LAPTOP)
    page = open_at(context, f"{address}?order=sheet")
    log_in(page, "Keo Varn")
    arrive(page, "Observer")
    assert not page.is_visible("#name")
    assert page.inner_text(".who-line").startswith("Keo Varn, clerk")
    page.keyboard.press("Enter")
    settle(page)
    assert entered(folder, fish) == {"fish/observer": ("entered", "KEO VARM", "Keo Varn")}

    (folder / "sessions.json").write_text("{}")  # an earlier server's log-ins mean nothing to this one's memory
    context.clear_cookies()
    page.keyboard.type("7")
    page.keyboard.press("Enter")
    page.locator(".lost", has_text="You are logged out. 1 decision is kept in this browser").wait_for()
    assert len(entered(folder, fish)) == 1
    other = open_at(context, address)
    log_in(other, "Keo Varn")
    other.locator(".who-line").wait_for()
    settle(page)
    assert entered(folder, fish)["fish/damselfish/0-10/tally"] == ("entered", 7, "Keo Varn")
    assert page.trouble == other.trouble == []


def test_decisions_left_by_one_person_are_not_stored_under_the_next_ones_name(chromium, shared):
    address, folder, fish, line = shared
    context = chromium.new_context(**LAPTOP)
    page = open_at(context, address)
    log_in(page, "Mira Tole")
    page.locator(".title:not(:empty)").wait_for()
    with Store.open(folder) as store:
        sha256 = store.page(line).sha256
    left = {
        "page": line, "sha256": sha256, "cell": "substrate/20", "action": "enter", "value": "BK", "by": "Keo Varn",
        "last": 0, "client": "00112233445566", "seq": 1, "name": "x",
    }  # fmt: skip
    page.evaluate(
        """left => { const desk = (root) => { for (const e of root.querySelectorAll('*')) { if (e.desk) return e.desk; const f = e.shadowRoot && desk(e.shadowRoot); if (f) return f; } };
        const { outbox } = desk(document); return outbox.shelf.put({ ...left, store: outbox.store }); }""",
        left,
    )
    page.reload()
    page.locator(".lost", has_text="1 decision of Keo Varn wait").wait_for()
    with Store.open(folder) as store:
        assert "substrate/20" not in store.entries(line)
    page.goto(f"{address}me")
    page.click("text=Log out")
    page.wait_for_url("**/enter")
    page.goto(address)
    log_in(page, "Keo Varn")
    page.locator(".title:not(:empty)").wait_for()
    settle(page)
    assert entered(folder, line)["substrate/20"] == ("entered", "BK", "Keo Varn")
    assert page.trouble == []


def test_a_volunteer_sees_the_survey_page_alone_and_no_values(chromium, shared):
    """No desk, no results, no full pictures: not in the menu, not by address, not over the screens' connection."""
    address, folder, *_ = shared
    page = open_at(chromium.new_context(**LAPTOP), address)
    frames = []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda data: frames.append(data)))
    log_in(page, "Ada Lind")
    page.locator(".cards img").first.wait_for()
    assert page.inner_text("h1") == "Survey"
    assert page.get_by_role("link", name="Review").count() == page.get_by_role("link", name="Sign-off").count() == 0
    assert page.locator(".cards a, details.faults").count() == 0
    assert frames
    for name in ("KEO VARM", "BK"):
        assert not any(name.encode() in (f if isinstance(f, bytes) else f.encode()) for f in frames)
    for place in ("/desk/tables", "/desk/groups", "/desk/results?download"):
        assert page.evaluate("place => fetch(place).then((r) => r.status)", place) == 403
    for place in ("review", "signoff", "results", "trace", "audit"):
        page.goto(f"{address}{place}")
        assert page.inner_text("h1") == "This page is not for your role"


def test_the_screens_connection_opens_for_nobody_who_is_not_logged_in(chromium, shared):
    address, *_ = shared
    page = open_at(chromium.new_context(), f"{address}enter")
    opened = page.context.new_page()
    opened.goto(f"{address}_stcore/health")
    outcome = opened.evaluate(
        """() => new Promise((done) => { const s = new WebSocket(location.origin.replace('http', 'ws') + '/_stcore/stream', ['streamlit']);
        s.onopen = () => done('open'); s.onerror = () => done('refused'); })"""
    )
    assert outcome == "refused"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_pages_at_the_door_are_open_to_everybody(chromium, shared, size, scheme):
    """axe-core finds no fault, nothing scrolls sideways, everything is reached with the keyboard."""
    address, *_ = shared
    page = open_at(chromium.new_context(**size, color_scheme=scheme), address)
    faults = [axe_faults(page)]
    assert page.evaluate("document.activeElement.id") == "name"
    page.keyboard.type("Ada Lind")
    page.keyboard.press("Tab")
    page.keyboard.type("not this one")
    page.keyboard.press("Enter")
    page.locator(".told").wait_for()
    faults.append(axe_faults(page))
    assert page.evaluate("document.activeElement.id") == "passphrase"
    page.keyboard.type(kept.passphrase("Ada Lind"))
    page.keyboard.press("Enter")
    page.locator(".who-line").wait_for()
    page.goto(f"{address}me")
    faults.append(axe_faults(page))
    page.goto(f"{address}signoff")
    faults.append(axe_faults(page))
    assert faults == [[], [], [], []]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
