"""Which cells of a store are a fair sample of what the program does: drawn at random, or all of them."""

from __future__ import annotations

import numpy as np
import pytest
from kept import NOW
from stores import GOBY, RAY, TOTAL, enter, fish

from digitise.adapt.fair_cells import fair_sample
from digitise.store.rows import TOGETHER


def _audit(store, answers: dict, *, size: int = 10_000, stop: int | None = None, people: bool = False):
    """Draw an audit over everything and answer it: `answers` by cell as (value, state), else what was accepted."""
    sizes = dict.fromkeys((s for s in store.audits.strata() if people or s != "person"), size)
    audit = store.audits.draw_strata(sizes, by="Ben", now=NOW, rng=np.random.default_rng(1))
    for one in store.audits.cells(audit.id)[:stop]:
        reading = next(r for r in store.readings(one.page_id) if r.cell == one.cell)
        value, state = answers.get(one.cell, (reading.value, "blank" if reading.value is None else "entered"))
        store.audits.answer(one.id, value=value, state=state, by="Ben", now=NOW)
    return store.audits.audit(audit.id)


def _by_cell(sample) -> dict:
    return {c.cell: c for c in sample.cells}


def test_a_store_nobody_touched_holds_no_fair_cell(store) -> None:
    """What the program accepted says nothing about the program; a page whose cell waits is told."""
    fish(store)
    sample = fair_sample(store)

    assert (sample.cells, sample.pages, sample.pages_waiting, sample.audits_open) == ((), (), 1, 0)


def test_cells_left_to_a_person_count_once_none_waits(store) -> None:
    """Two flagged cells: after the first is decided the page still waits, after the second both count."""
    page = fish(store, flagged=(TOTAL, GOBY))
    enter(store, page, TOTAL, 6)
    assert fair_sample(store).cells == ()
    enter(store, page, GOBY, None, "blank")
    found = _by_cell(fair_sample(store))

    assert {c: (f.value, f.audited, f.illegible) for c, f in found.items()} == {
        TOTAL: (6, False, False),
        GOBY: (None, False, False),
    }
    assert found[TOTAL].day == "2026-03-28"


def test_an_illegible_cell_can_hold_no_right_reading(store) -> None:
    page = fish(store)
    enter(store, page, TOTAL, None, "illegible")

    assert _by_cell(fair_sample(store))[TOTAL].illegible


def test_what_a_person_entered_says_nothing_of_the_program_though_an_audit_agrees(store) -> None:
    """The program accepted 6 rays, a person made it 7, and the audit of what people entered confirms the 7."""
    page = fish(store, flagged=())
    enter(store, page, RAY, 7)
    _audit(store, {RAY: (7, "entered")}, people=True)
    found = _by_cell(fair_sample(store))

    assert RAY not in found
    assert found[TOTAL].audited


def test_a_page_keyed_a_second_time_was_chosen_not_drawn(store) -> None:
    page = fish(store, flagged=())
    audit = store.audits.draw_page(page, by="Ben", now=NOW)
    for one in store.audits.cells(audit.id):
        store.audits.answer(one.id, value=None, state="blank", by="Ben", now=NOW)

    assert store.audits.audit(audit.id).bound is not None
    assert fair_sample(store).cells == ()


def test_accepted_cells_count_only_when_an_audit_drew_them(store) -> None:
    """Somebody changed an accepted cell because it looked wrong: people look for errors, so it is no fair sample."""
    page = fish(store)
    enter(store, page, TOTAL, 6)
    enter(store, page, RAY, 7)

    assert set(_by_cell(fair_sample(store))) == {TOTAL}


def test_an_audit_answered_to_the_end_makes_accepted_cells_known(store) -> None:
    """Where it agrees the accepted value is the truth, where it differs the blind answer is."""
    page = fish(store)
    enter(store, page, TOTAL, 6)
    _audit(store, {RAY: (7, "entered")})
    found = _by_cell(fair_sample(store))

    assert (found[RAY].value, found[RAY].audited) == (7, True)
    assert (found[GOBY].value, found[GOBY].audited) == (None, True)
    assert len(found) == len(store.cells(page))


def test_a_differing_cell_is_what_somebody_entered_with_both_values_in_view(store) -> None:
    """The auditor slipped: a person looked again and entered what was accepted in the first place."""
    page = fish(store)
    enter(store, page, TOTAL, 6)
    _audit(store, {RAY: (7, "entered")})
    enter(store, page, RAY, 6)

    assert _by_cell(fair_sample(store))[RAY].value == 6


def test_an_audit_that_is_not_answered_to_the_end_does_not_count(store) -> None:
    """Easy cells are answered first."""
    page = fish(store)
    enter(store, page, TOTAL, 6)
    _audit(store, {}, stop=5)
    sample = fair_sample(store)

    assert set(_by_cell(sample)) == {TOTAL}
    assert sample.audits_open == 1


@pytest.mark.parametrize(("value", "counts"), [(None, False), (3, True)])
def test_suggestions_confirmed_at_a_glance_do_not_count_but_odd_ones_do(store, value, counts) -> None:
    """Many cells at once: what was taken as it was read is left out, what was found to be something else is not."""
    page = fish(store)
    state = "blank" if value is None else "entered"
    enter(store, page, TOTAL, value, state, why=TOGETHER)

    assert (TOTAL in _by_cell(fair_sample(store))) is counts
