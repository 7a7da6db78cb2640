"""Every screen in a real browser on a phone and a laptop, light and dark: axe-core, no sideways scrolling, no script error."""

from __future__ import annotations

import cv2
import kept
import numpy as np
import pytest
from browsing import LAPTOP, PHONE, WAIT_MS, axe_faults, free_port, needs_chromium, serving
from test_review_browser import fill_store

from digitise.handover.prepared import Wishes
from digitise.reading import PhotoResult
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
        yield address, places


@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "light"), (LAPTOP, "dark")], ids=["phone-light", "laptop-dark"])
def test_every_screen_is_open_to_everybody(chromium, served, size, scheme):
    """WCAG 2.2 A and AA as far as axe-core sees, contrast in both themes included."""
    address, places = served
    context = chromium.new_context(**size, color_scheme=scheme)
    context.add_init_script("try { localStorage.setItem('desk:by', 'Mira Tole') } catch {}")
    page = context.new_page()
    page.set_default_timeout(2 * WAIT_MS)
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(str(error)))
    found = {}
    for place, ready in places.items():
        page.goto(f"{address}{place}")
        page.locator(ready).first.wait_for()
        wide = page.evaluate("document.documentElement.scrollWidth > innerWidth")
        found[place or "review"] = axe_faults(page) + (["scrolls sideways"] if wide else [])
    assert {place: faults for place, faults in found.items() if faults} == {}
    assert trouble == []
