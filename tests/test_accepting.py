"""A finding is accepted on the Survey screen with a reason, a name and a time, and opened again; checks are not repeated."""

from dataclasses import replace

import kept
import pytest
import screens
from screens import screen, words
from streamlit.testing.v1 import AppTest

from digitise.completeness import check_store
from review_app import accepting, faults, worklist

store = screens.store
TOTALS = {"fish/ray/0-10/tally": 6, "fish/ray/0-10/total": 7}


def contradictory(store):
    """A fish sheet whose strokes and total differ."""
    return kept.keep(store, kept.made_result("fish", TOTALS, name="IMG_1.jpg"))


def opened() -> AppTest:
    return screen("survey").run()


def totals_fault(store):
    return next(f for f in faults.checks(store)[kept.PACK].faults if f.rule == "totals")


def choose(at: AppTest, fault) -> None:
    at.selectbox(key=f"fault-{kept.PACK}").set_value(fault.name)


def test_a_finding_is_accepted_with_a_reason_and_shows_who_and_when(store):
    """It is no longer a contradiction, its reason stands behind it, and the value is as it was."""
    page = contradictory(store)
    at = opened()
    assert "▲ Contradiction" in words(at)
    fault = totals_fault(store)
    choose(at, fault)
    at.text_area[0].input("The slate shows six.")
    at.text_input(key=f"let-by-{kept.PACK}").input("Sanna Ruo")
    at.button[-1].click().run()

    (accepted,) = store.findings.accepted(kept.PACK).values()
    assert (accepted.finding, accepted.reason, accepted.by) == (fault.name, "The slate shows six.", "Sanna Ruo")
    assert accepted.at.startswith(str(worklist.utc_now().date())[:4])
    assert "✓ Accepted" in words(at)
    assert f"Accepted: The slate shows six. (Sanna Ruo, {accepted.at[:10]})" in words(at)
    assert "▲ Contradiction" not in words(at)
    assert store.current(page)["fish/ray/0-10/total"].value == 7


@pytest.mark.parametrize(("reason", "by"), [("", "Sanna Ruo"), ("The slate shows six.", "")])
def test_without_a_reason_or_a_name_nothing_is_accepted_and_the_page_says_what_is_missing(store, reason, by):
    contradictory(store)
    at = opened()
    choose(at, totals_fault(store))
    at.text_area[0].input(reason)
    at.text_input(key=f"let-by-{kept.PACK}").input(by)
    at.button[-1].click().run()
    assert len(at.error) == 1
    assert store.findings.accepted(kept.PACK) == {}


def test_an_accepted_finding_is_opened_again_with_a_reason(store):
    contradictory(store)
    fault = totals_fault(store)
    accepting.decide(store, kept.PACK, fault.name, accepted=False, reason="The slate shows six.", by="Sanna Ruo")
    at = opened()
    choose(at, fault)
    at.text_area[0].input("The diver says seven.")
    at.text_input(key=f"let-by-{kept.PACK}").input("Ada Lind")
    at.button[-1].click().run()
    assert store.findings.accepted(kept.PACK) == {}
    assert "▲ Contradiction" in words(at)


def test_a_finding_links_to_its_cells_and_not_only_to_the_page(store):
    page = contradictory(store)
    text = words(opened())
    for cell in ("tally", "total"):
        assert f"trace?page={page}&amp;cell=fish%2Fray%2F0-10%2F{cell}" in text


def test_cells_that_wait_cannot_be_accepted_away(store):
    """The review is for these; a survey with nothing else has no form."""
    kept.keep(store, kept.made_result("fish", {"fish/ray/0-10/tally": kept.FLAGGED}, name="IMG_2.jpg"))
    check = faults.checks(store)[kept.PACK]
    assert "open" in {f.rule for f in check.faults}
    assert "open" not in {f.rule for f in accepting.choices(check).values()}
    only = replace(check, faults=tuple(f for f in check.faults if f.rule == "open"))
    assert accepting.choices(only) == {}


def test_checks_are_made_once_for_one_state_of_the_store_and_anew_after_any_change(store, monkeypatch):
    """An entry, an accepted finding and a plan each change what is shown; looking again does not check again."""
    made = []
    monkeypatch.setattr(faults, "check_store", lambda *a, **k: made.append(1) or check_store(*a, **k))
    page = contradictory(store)
    before = faults.checks(store)
    assert faults.checks(store) == before
    faults.board(store)
    assert len(made) == 1
    store.decide(page, "fish/ray/0-10/total", value=6, state="entered", by="Anna", now=kept.NOW)
    assert "totals" not in {f.rule for f in faults.checks(store)[kept.PACK].faults}
    assert len(made) == 2
    (store.folder / "plans").mkdir()
    (store.folder / "plans" / "broken.yaml").write_text("plan: 1")
    faults.checks(store)
    assert len(made) == 3


def test_many_surveys_begin_with_where_each_stands_and_show_one(store):
    """The one that lacks something comes up first; the address names another."""
    packs = ["QH7M4K", "K7RM4X", "T4HW9C", "WX3PLE", "C86HQ8"]
    for pack in packs:
        kept.keep(store, kept.made_result("fish", {}, name=f"{pack}.jpg", pack=pack))
    at = opened()
    assert "Where every survey stands" in words(at)
    assert all(f"survey?pack={pack}" in words(at) for pack in packs)
    assert words(at).count('class="matrix"') == 1
    assert "C86HQ8.jpg" in words(at)
    assert "QH7M4K.jpg" not in words(at)
    at.selectbox(key="survey-pack").set_value("QH7M4K").run()
    assert "QH7M4K.jpg" in words(at)
