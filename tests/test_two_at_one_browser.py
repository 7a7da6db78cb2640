"""Two people at one browser of a shared store, one after the other, with a page of the first still open."""

from __future__ import annotations

import kept
import pytest
from browsing import (
    LAPTOP,
    arrive,
    entered,
    fill_store,
    free_port,
    kept_here,
    log_in,
    needs_chromium,
    open_at,
    serving,
    settle,
)

from digitise.store import Store

pytestmark = needs_chromium


@pytest.fixture
def shared(tmp_path):
    """A shared store, served: (address, folder, fish page)."""
    fish, _ = fill_store(tmp_path / "store")
    with Store.open(tmp_path / "store") as store:
        kept.let_in(store)
    with serving(tmp_path / "store", free_port(), "--shared") as address:
        yield address, tmp_path / "store", fish


def test_what_waits_on_an_open_page_is_kept_while_another_person_is_logged_in(chromium, shared):
    """The log-in of the first ends mid-work; a colleague logs in beside it; the first comes back, and it is stored."""
    address, folder, fish = shared
    context = chromium.new_context(**LAPTOP)
    page = open_at(context, f"{address}?order=sheet")
    log_in(page, "Keo Varn")
    arrive(page, "Observer")
    context.clear_cookies()
    page.keyboard.press("Enter")
    page.locator(".lost", has_text="You are logged out. 1 decision is kept in this browser").wait_for()

    beside = open_at(context, address)
    log_in(beside, "Mira Tole")
    words = (
        "Mira Tole is logged in in this browser now. 1 decision is kept in this browser until Keo Varn logs in again"
    )
    page.locator(".lost", has_text=words).wait_for()
    assert [one["by"] for one in kept_here(page)] == ["Keo Varn"]
    assert entered(folder, fish) == {}

    context.clear_cookies()
    beside.goto(address)
    log_in(beside, "Keo Varn")
    beside.locator(".who-line").wait_for()
    settle(page)
    page.locator(".lost").wait_for(state="hidden")
    assert entered(folder, fish) == {"fish/observer": ("entered", "KEO VARM", "Keo Varn")}
