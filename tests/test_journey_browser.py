"""The whole way in a real browser with three people who log in: photograph, review, audit, signature, results."""

from __future__ import annotations

from pathlib import Path

import kept
import pytest
from browsing import LAPTOP, PHONE, drawn, free_port, log_in, needs_chromium, open_at, pictured, serving, settle

from digitise.store import Store

pytestmark = needs_chromium
PHOTO = Path(__file__).parents[1] / "sample_scans" / "pilot-garden-11.jpg"  # a substrate sheet of transect 3
WAITING = {"substrate/observer": "KEO VARN"}  # what is put before a person, and its truth
LONG_MS = 180_000


@pytest.fixture
def shared(tmp_path):
    """An empty shared store, served: (address, folder)."""
    folder = tmp_path / "store"
    with Store.open(folder) as store:
        kept.let_in(store)
    with serving(folder, free_port(), "--shared") as address:
        yield address, folder


def comes_in(chromium, address: str, name: str, size: dict = LAPTOP):
    page = open_at(chromium.new_context(**size), address)
    page.set_default_timeout(LONG_MS)
    log_in(page, name)
    page.locator(".who-line").wait_for()
    return page


def test_a_photograph_becomes_signed_results_in_the_hands_of_three_people(chromium, shared):
    """A volunteer adds it on a phone, a clerk decides with the keyboard, a scientist keys it again blind and signs."""
    address, folder = shared
    volunteer = comes_in(chromium, address, "Ada Lind", PHONE)
    volunteer.locator("input[type=file]").set_input_files(PHOTO)
    volunteer.locator(".matrix", has_text=f"in, {len(WAITING)} to review").wait_for()
    volunteer.locator(".card", has_text=PHOTO.name).wait_for()

    clerk = comes_in(chromium, address, "Keo Varn")
    pictured(clerk)
    decided: set[str] = set()
    while len(decided) < len(WAITING):
        cell = clerk.locator(".desk").evaluate("(d) => d.desk.item?.cell")
        if cell is None or cell in decided:  # the next one is not there yet
            clerk.wait_for_timeout(50)
            continue
        clerk.keyboard.press("/")
        clerk.keyboard.press("Control+a")
        clerk.keyboard.type(WAITING[cell])
        clerk.keyboard.press("Enter")
        decided.add(cell)
    clerk.wait_for_selector("text=All done")
    settle(clerk)

    scientist = comes_in(chromium, address, "Mira Tole")
    scientist.goto(f"{address}audit")
    drawn(scientist)
    scientist.get_by_role("button", name="Draw the sample").click()
    scientist.locator(".title:not(:empty)").wait_for()
    pictured(scientist)
    with Store.open(folder) as store:
        (page,) = store.pages()
        now = store.current(page.id)
        assert {c: (now[c].value, now[c].by) for c in WAITING} == {c: (v, "Keo Varn") for c, v in WAITING.items()}
    sample = scientist.locator(".desk").evaluate("(d) => d.desk.items.map((i) => i.cell)")
    assert not set(WAITING) & set(sample)
    for name in sample:
        value = now[name].value
        if value is None or value is False:
            scientist.keyboard.press("Space")
        else:
            scientist.fill("#value", "yes" if value is True else str(value))
            scientist.keyboard.press("Enter")
    scientist.locator(".end:visible").wait_for()
    scientist.get_by_role("link", name="See the result").click()
    scientist.locator(".result", has_text="none differs").wait_for()

    scientist.goto(f"{address}signoff")
    scientist.locator(".points", has_text="Every cell is decided").wait_for()
    assert scientist.get_by_label("Your name").count() == 0  # nobody types it here
    drawn(scientist)
    scientist.get_by_text("Sign version 1").click()
    scientist.locator(".card-line", has_text="Version 1, signed by Mira Tole").wait_for()

    clerk.goto(f"{address}results")
    clerk.frame_locator("iframe[title^='Results']").locator("text=Substrate line: percent cover").wait_for()
    with clerk.expect_download() as taken:
        clerk.get_by_text("Download the tables (CSV)").click()
    assert taken.value.suggested_filename.startswith("survey-tables-")
    with Store.open(folder) as store:
        assert {e.by for rows in store.entries(page.id).values() for e in rows} == {"rule", "Keo Varn"}
        (audit,) = store.audits.all()
        (signed,) = store.signoffs.of(page.pack)
    assert (audit.by, signed.by, signed.current) == ("Mira Tole", "Mira Tole", True)
    assert volunteer.trouble == clerk.trouble == scientist.trouble == []
