"""From a figure to its cells and from a cell to its origin: nothing is left out, nothing unknown is counted."""

from dataclasses import replace

import kept
import pytest
import screens
from asgi import Browser
from screens import line, record, screen, send, words
from starlette.applications import Starlette

from review_app import routes, tracing

store = screens.store


def test_a_category_has_its_points_and_those_that_could_still_be_it(store):
    """Two points are BK, one unread could be; the blank ones and the KL are not behind branching coral."""
    line(store, codes={"substrate/0.5": "BK", "substrate/1": "BK", "substrate/2": "KL"}, doubtful=("substrate/3",))
    found = tracing.figure(store, kept.PACK, "substrate", "branching-coral")
    assert [(b.cell.cell, b.counts) for b in found.cells] == [
        ("substrate/0.5", True),
        ("substrate/1", True),
        ("substrate/3", False),
    ]
    assert tracing.figure(store, kept.PACK, "substrate", "no such row") is None
    assert tracing.figures(store, "NOPACK") == []


def test_a_row_has_its_strokes_and_totals_in_every_segment(store):
    kept.keep(store, kept.made_result("fish", {"fish/goby/0-10/tally": 7}, name="fish.jpg"))
    found = tracing.figure(store, kept.PACK, "fish", "goby")
    assert {b.cell.cell for b in found.cells} == {
        f"fish/goby/{s}/{k}" for s in ("0-10", "10-20") for k in ("tally", "total")
    }
    assert [b.cell.value for b in found.cells if b.counts] == [7]


def test_every_figure_of_the_protocol_can_be_traced(store):
    line(store, codes={})
    rows = [(f.sheet, f.id) for f in tracing.figures(store, kept.PACK)]
    sheets = kept.protocol().sheets
    assert rows == [
        *(("fish", r.id) for r in sheets["fish"].rows),
        *(("invertebrate", r.id) for r in (*sheets["invertebrate"].rows, *sheets["invertebrate"].impacts)),
        *(("substrate", c.id) for c in sheets["substrate"].categories),
    ]


def test_a_cell_shows_every_entry_with_who_when_and_why(store):
    page = line(store, codes={"substrate/1": "BK"})
    send(store, record(store, page, "substrate/1", "enter", "CF", way="page"))
    send(store, record(store, page, "substrate/1", "undo", seq=2, of={"client": "a1b2c3d4e5f6", "seq": 1}))
    found = tracing.cell_trace(store, page, "substrate/1")
    assert [(h["what"], h["who"]) for h in found["history"]] == [
        ("BK", "the program"),
        ("CF", "Mira Tole"),
        ("BK", "Mira Tole"),
    ]
    assert found["history"][1]["why"] == "compared with the photograph of the whole page"
    assert len(found["corners"]) == 4
    assert found["sha256"] == store.page(page).sha256


def test_the_outline_on_the_photograph_is_the_cells_own_place(store):
    """The made-up page was photographed straight on at 10 pixels a millimetre: the box in mm times ten."""
    page = line(store, codes={})
    cell = next(c for c in store.cells(page) if c.id == "substrate/1")
    x, y, w, h = (10 * v for v in cell.box_mm)
    corners = tracing.cell_trace(store, page, "substrate/1")["corners"]
    assert corners == [pytest.approx(p, abs=0.2) for p in ((x, y), (x + w, y), (x + w, y + h), (x, y + h))]


def test_links_that_lead_nowhere_are_said(store):
    page = line(store, codes={})
    browser = Browser(Starlette(routes=routes.routes()))
    assert browser.get(f"/desk/trace/{page}?cell=substrate/1").status_code == 200
    assert browser.get(f"/desk/trace/{page}?cell=%3Cb%3E").status_code == 404
    assert browser.get("/desk/trace/99?cell=substrate/1").status_code == 404


def test_a_name_with_markup_is_shown_as_text_behind_a_figure(store):
    made = replace(kept.made_result("substrate", {"substrate/1": "BK"}, name="line.jpg"), file="<b>x</b>.jpg")
    store.keep_photo(kept.photo_of("line.jpg"), "<i>x.jpg", now=kept.NOW)
    kept.keep(store, made)
    at = screen("trace")
    at.query_params.update({"pack": kept.PACK, "sheet": "substrate", "row": "branching-coral"})
    at.run()
    shown = words(at)
    assert "&lt;i&gt;x.jpg" in shown
    assert "<i>" not in shown


def test_the_page_of_a_figure_counts_its_cells_and_leads_back_to_its_survey(store):
    line(store, codes={"substrate/0.5": "BK", "substrate/1": "BK"}, doubtful=("substrate/3",))
    at = screen("trace")
    at.query_params.update({"pack": kept.PACK, "sheet": "substrate", "row": "branching-coral"})
    at.run()
    shown = words(at)
    assert "2 cells are behind this figure; 1 more is not read yet and could belong to it. " in shown
    assert f'<a href="trace?pack={kept.PACK}" target="_self">All figures of this survey</a>' in shown
