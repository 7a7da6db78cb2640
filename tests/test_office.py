"""Audit and sign-off: a blind sample with its bound, and a signature that freezes what was seen."""

import json
import math

import kept
import pytest
from asgi import Browser
from starlette.applications import Starlette
from streamlit.testing.v1 import AppTest
from test_desks import line, record, send, store  # noqa: F401 - store is a fixture

from review_app import auditing, faults, routes, signing

CODES = {c.id: "BK" for c in kept.layout("substrate").cells if c.kind == "code"}


def answer(store, item: dict, value, *, seq: int, action: str = "enter") -> dict:  # noqa: F811
    own = record(store, item["page"], item["cell"], action, value, seq=seq, audit=item["audit"])
    return send(store, own)


def keyed(store, size: int, *, wrong: int = 0):  # noqa: F811
    """An audit of `size` cells of a page that holds BK at every point, `wrong` of them keyed otherwise."""
    audit = auditing.draw(store, kept.PACK, size, by="Sanna Ruo", now=kept.NOW)
    items = sorted(auditing.sample(store, audit.id)["items"], key=lambda item: item["cell"] not in CODES)
    for i, item in enumerate(items):
        value = "CF" if i < wrong else CODES.get(item["cell"])
        reply = answer(store, item, value, seq=i + 1, action="enter" if value else "blank")
        assert reply["ok"], reply
    return store.audits.audit(audit.id)


def test_a_plan_needs_the_hypergeometric_number_of_cells():
    """Of 400 cells 211 show under 1 %, of 1000 258: the published sizes of the finite lot."""
    sizes = {lot: {p.rate: p.size for p in auditing.plans(lot)} for lot in (400, 1000)}
    assert (sizes[400][0.01], sizes[1000][0.01], sizes[1000][0.005]) == (211, 258, 450)
    assert auditing.plans(0) == []


def test_the_sample_tells_nothing_of_what_was_accepted(store):  # noqa: F811
    """Neither the route's answer nor its keys hold a value, a share or a state."""
    line(store, codes=CODES)
    audit = auditing.draw(store, kept.PACK, 10, by="Sanna Ruo", now=kept.NOW)
    found = Browser(Starlette(routes=routes.routes())).get(f"/desk/audit/{audit.id}").json()
    assert len(found["items"]) == 10
    assert set(found["items"][0]) == {
        "audit",
        "page",
        "sha256",
        "cell",
        "kind",
        "label",
        "title",
        "where",
        "box",
        "size_mm",
        "codes",
    }
    codes = [i.pop("codes") for i in found["items"]]
    assert all(not own or len(own) > 1 for own in codes)
    assert '"BK"' not in json.dumps(found)
    assert Browser(Starlette(routes=routes.routes())).get("/desk/audit/99").status_code == 404


def test_with_no_difference_the_bound_is_the_one_checkable_by_hand(store):  # noqa: F811
    """No error in n: 1 - 0.05^(1/n) (Clopper and Pearson 1934, one-sided 95 %)."""
    line(store, codes=CODES)
    audit = keyed(store, 20)
    assert audit.differing == ()
    assert audit.bound == pytest.approx(1 - math.exp(math.log(0.05) / 20))
    assert auditing.result_words(audit).endswith("With 95 % confidence at most 14 % of the accepted cells are wrong.")


def test_a_difference_is_kept_raises_the_bound_and_makes_no_entry(store):  # noqa: F811
    page = line(store, codes=CODES)
    before = store.entries(page)
    audit = keyed(store, 20, wrong=1)
    assert len(audit.differing) == 1
    assert audit.bound > 1 - math.exp(math.log(0.05) / 20)
    assert store.entries(page) == before
    assert ": 1 differs." in auditing.result_words(audit)


def test_an_answer_is_given_once_and_one_sent_twice_is_one(store):  # noqa: F811
    line(store, codes=CODES)
    audit = auditing.draw(store, kept.PACK, 3, by="Sanna Ruo", now=kept.NOW)
    first = auditing.sample(store, audit.id)["items"][0]
    assert answer(store, first, None, seq=1, action="illegible")["ok"]
    assert answer(store, first, None, seq=1, action="illegible")["ok"]
    second = answer(store, first, None, seq=2, action="blank")
    assert (second["ok"], second["gone"]) == (False, True)
    assert "undo" not in {answer(store, first, None, seq=3, action="undo").get("sentence", "")}
    assert len(auditing.sample(store, audit.id)["items"]) == 2
    assert (
        auditing.result_words(store.audits.audit(audit.id)) == "1 of 3 cells answered. The bound is known when all are."
    )


def opened(name: str) -> AppTest:
    return AppTest.from_file(f"../review_app/views/{name}.py", default_timeout=20).run()


def shown(at: AppTest) -> str:
    return " ".join([*(e.proto.body for e in at.get("html")), *(e.value for e in (*at.error, *at.warning))])


def test_a_survey_with_an_open_cell_cannot_be_signed_and_the_page_says_why(store):  # noqa: F811
    line(store, codes=CODES, doubtful=("substrate/3",))
    at = opened("signoff")
    assert "✕ 1 cell nobody has decided" in shown(at)
    assert [b.label for b in at.button] == []
    assert signing.points(store, kept.PACK)[0].level == "block"


def test_who_signs_sees_what_the_check_found_and_what_was_let_be(store):  # noqa: F811
    """A count begun too early stands in the list until a person lets it be, then with the reason."""
    early = {"fish/laid": "10:00", "fish/start": "10:05", "fish/none-seen": True}
    kept.keep(store, kept.made_result("fish", early, name="fish.jpg"))
    said = [
        p.text for p in signing.points(store, kept.PACK) if p.level == "look" and p.text.startswith("Contradiction")
    ]
    assert len(said) == 1
    assert "5 minutes after the line was laid at 10:00" in said[0]
    fault = next(f for f in faults.checks(store)[kept.PACK].faults if f.rule == "wait")
    store.findings.accept(kept.PACK, fault.name, reason="A second dive.", by="Sanna Ruo", now=kept.NOW)
    (point,) = [p for p in signing.points(store, kept.PACK) if p.text.startswith("Accepted")]
    assert point.level == "good"
    assert point.text.endswith("Accepted: A second dive. (Sanna Ruo, 2026-03-28)")


def test_signing_freezes_a_version_and_a_later_change_is_shown_and_makes_a_new_one(store):  # noqa: F811
    page = line(store, codes=CODES)
    at = opened("signoff")
    assert "● Missing: " in shown(at)
    at.text_input[0].input("Sanna Ruo")
    at.button[0].click().run()
    assert "Version 1" in shown(at)
    assert "The survey is as it was signed" in shown(at)
    assert not at.button

    send(store, record(store, page, "substrate/1", "enter", "CF"))
    signed = store.signoffs.of(kept.PACK)[-1]
    (change,) = signing.changes(store, signed)
    assert (change.cell, change.before, change.after) == ("substrate/1", "BK", "CF")
    at = opened("signoff")
    assert "Changed since it was signed: 1 cell." in shown(at)
    at.text_input[0].input("Sanna Ruo")
    at.button[0].click().run()
    assert at.error  # without a reason there is no new version
    at.text_area[0].input("The pencil says CF.")
    at.button[0].click().run()
    assert [(s.version, s.current) for s in store.signoffs.of(kept.PACK)] == [(1, False), (2, True)]


def test_the_audit_page_draws_a_sample_and_keeps_the_result(store):  # noqa: F811
    line(store, codes=CODES)
    assert "Nothing to audit" not in shown(opened("audit"))
    keyed(store, 5)
    assert "5 of " in shown(opened("audit"))
