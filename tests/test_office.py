"""Audit and sign-off: a blind sample with its bound, and a signature that freezes what was seen."""

import json
import math

import kept
import pytest
import screens
from asgi import Browser
from screens import line, record, screen, send, words
from starlette.applications import Starlette

from digitise.estimate.audit import kappa
from review_app import auditing, faults, routes, signing

store = screens.store
CODES = {c.id: "BK" for c in kept.layout("substrate").cells if c.kind == "code"}


def answer(store, item: dict, value, *, seq: int, action: str = "enter") -> dict:
    own = record(store, item["page"], item["cell"], action, value, seq=seq, audit=item["audit"])
    return send(store, own)


def keyed(store, size: int, *, wrong: int = 0):
    """An audit of `size` cells of a page that holds BK at every point, `wrong` of them keyed otherwise."""
    audit = auditing.draw(store, kept.PACK, {"sure": size}, by="Sanna Ruo", now=kept.NOW)
    items = sorted(auditing.sample(store, audit.id)["items"], key=lambda item: item["cell"] not in CODES)
    for i, item in enumerate(items):
        value = "CF" if i < wrong else CODES.get(item["cell"])
        reply = answer(store, item, value, seq=i + 1, action="enter" if value else "blank")
        assert reply["ok"], reply
    return store.audits.audit(audit.id)


def test_a_plan_of_one_stratum_needs_the_hypergeometric_number_of_cells():
    """Of 400 cells 211 show under 1 %, of 1000 258: the published sizes of the finite lot."""
    sizes = {lot: {p.rate: p.sizes["sure"] for p in auditing.plans({"sure": lot})} for lot in (400, 1000)}
    assert (sizes[400][0.01], sizes[1000][0.01], sizes[1000][0.005]) == (211, 258, 450)
    assert auditing.plans({}) == []


def test_a_plan_of_several_strata_draws_thirty_of_each_at_least():
    """With three strata the risk is shared out, so that more cells are needed than of one lot."""
    first = auditing.plans({"sure": 900, "rule": 80, "person": 20})[0]
    assert first.sizes["person"] == 20
    assert first.sizes["rule"] >= 30
    assert sum(first.sizes.values()) > auditing.plans({"sure": 1000})[0].sizes["sure"]
    assert first.words == f"Fewer than 5 % wrong: key {sum(first.sizes.values())} of 1\u202f000 cells"


def test_the_sample_tells_nothing_of_what_was_accepted(store):
    """Neither the route's answer nor its keys hold a value, a share or a state."""
    line(store, codes=CODES)
    audit = auditing.draw(store, kept.PACK, {"sure": 10}, by="Sanna Ruo", now=kept.NOW)
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
        "keyed",
        "entered_by",
    }
    codes = [i.pop("codes") for i in found["items"]]
    assert all(not own or len(own) > 1 for own in codes)
    assert '"BK"' not in json.dumps(found)
    assert Browser(Starlette(routes=routes.routes())).get("/desk/audit/99").status_code == 404


def test_with_no_difference_the_bound_is_the_one_checkable_by_hand(store):
    """No error in 20 of 43: five wrong ones would be missed with a chance below 5 %, four would not."""
    line(store, codes=CODES)
    audit = keyed(store, 20)
    missed = [math.comb(43 - wrong, 20) / math.comb(43, 20) for wrong in (4, 5)]
    assert audit.differing == ()
    assert (audit.population, missed[0] > 0.05 > missed[1]) == (43, True)
    assert audit.bound == 4 / 43
    assert auditing.result_words(audit).endswith("With 95 % confidence at most 9.30 % of the accepted cells are wrong.")
    assert auditing.strata_words(audit) == ["20 of 43 accepted with a probability of 99.9 % or more: 0 differ"]


def test_a_difference_is_kept_raises_the_bound_and_makes_no_entry(store):
    page = line(store, codes=CODES)
    before = store.entries(page)
    audit = keyed(store, 20, wrong=1)
    assert len(audit.differing) == 1
    assert audit.bound > 4 / 43
    assert store.entries(page) == before
    assert ": 1 differs." in auditing.result_words(audit)


def test_an_answer_is_given_once_and_one_sent_twice_is_one(store):
    line(store, codes=CODES)
    audit = auditing.draw(store, kept.PACK, {"sure": 3}, by="Sanna Ruo", now=kept.NOW)
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


def test_a_survey_with_an_open_cell_cannot_be_signed_and_the_page_says_why(store):
    line(store, codes=CODES, doubtful=("substrate/3",))
    at = screen("signoff").run()
    assert "✕ 1 cell nobody has decided" in words(at)
    assert f'href="./?pack={kept.PACK}"' in words(at)  # the cells of this survey alone
    assert [b.label for b in at.button] == []
    assert signing.points(store, kept.PACK)[0].level == "block"


def test_who_signs_sees_what_the_check_found_and_what_was_let_be(store):
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


def test_signing_freezes_a_version_and_a_later_change_is_shown_and_makes_a_new_one(store):
    page = line(store, codes=CODES)
    at = screen("signoff").run()
    assert "● Missing: " in words(at)
    at.button[0].click().run()
    assert at.error[0].value == "No name is given; write who does this."
    at.text_input[0].input("Sanna Ruo")
    at.button[0].click().run()
    assert "Version 1" in words(at)
    assert "The survey is as it was signed" in words(at)
    assert not at.button

    send(store, record(store, page, "substrate/1", "enter", "CF"))
    signed = store.signoffs.of(kept.PACK)[-1]
    (change,) = signing.changes(store, signed)
    assert (change.cell, change.before, change.after) == ("substrate/1", "BK", "CF")
    at = screen("signoff").run()
    assert "Changed since it was signed: 1 cell." in words(at)
    at.text_input[0].input("Sanna Ruo")
    at.button[0].click().run()
    assert at.error  # without a reason there is no new version
    at.text_area[0].input("The pencil says CF.")
    at.button[0].click().run()
    assert [(s.version, s.current) for s in store.signoffs.of(kept.PACK)] == [(1, False), (2, True)]


def test_the_survey_that_waits_for_a_signature_is_shown_and_stays_when_it_is_signed(store):
    """Of two the one that is complete, though the other comes first; the next visit looks again."""
    line(store, codes=CODES, doubtful=("substrate/3",))
    other = "QH7M4A"
    sheets = {"site": (0,), "fish": (1, 2, 3), "invertebrate": (1, 2, 3), "substrate": (1, 2, 3)}
    for name, lines in sheets.items():
        codes = dict.fromkeys(CODES, "YB") if name == "substrate" else {}
        for n in lines:
            kept.keep(store, kept.made_result(name, codes, name=f"{name}{n}", pack=other, transect=n))
    assert {one.pack: one.stage for one in faults.board(store)}[other] == "complete"
    assert store.packs() == [kept.PACK, other]
    at = screen("signoff").run()
    assert at.selectbox(key="sign-pack").value == other
    at.text_input[0].input("Sanna Ruo")
    at.button[0].click().run()
    assert at.selectbox(key="sign-pack").value == other
    assert screen("signoff").run().selectbox(key="sign-pack").value == kept.PACK
    assert "The survey is as it was signed" in words(at)


def test_the_board_leads_to_what_is_missing(store):
    """To the same page with that survey below the board, for who may open it."""
    line(store, codes=CODES)
    lines = faults.board(store)
    assert [one.stage for one in lines] == ["sheets missing"]
    assert f'href="survey?pack={kept.PACK}"' not in faults.board_table(lines, frozenset(), lambda _: False)
    assert f'href="survey?pack={kept.PACK}"' in faults.board_table(lines, frozenset(), lambda name: name == "survey")


def test_the_audit_page_draws_a_sample_and_keeps_the_result(store):
    line(store, codes=CODES)
    assert "Nothing to audit" not in words(screen("audit").run())
    keyed(store, 5)
    assert "5 of " in words(screen("audit").run())


# A page keyed twice, and two people


def keyed_twice(store, *, wrong=("substrate/1",)):
    """A page that Keo entered and Mira keys again blind, with some cells otherwise."""
    page = line(store, codes={}, doubtful=tuple(CODES))
    for seq, (cell, value) in enumerate(CODES.items(), start=1):
        assert send(store, record(store, page, cell, "enter", value, seq=seq, by="Keo Varn"))["ok"]
    audit = store.audits.draw_page(page, by="Mira Tole", now=kept.NOW)
    for seq, item in enumerate(auditing.sample(store, audit.id)["items"], start=100):
        value = "CF" if item["cell"] in wrong else CODES.get(item["cell"])
        assert answer(store, item, value, seq=seq, action="enter" if value else "blank")["ok"]
    return page, store.audits.audit(audit.id)


def test_a_page_keyed_twice_names_what_differs_until_a_person_settles_it(store):
    page, audit = keyed_twice(store, wrong=("substrate/1", "substrate/2"))
    assert auditing.result_words(audit) == "All 43 entered cells of the page were keyed again blind: 2 differ."
    at = screen("audit").run()
    assert not at.exception
    assert ". Keo Varn: BK. Mira Tole: CF." in words(at)
    at.text_input(key=f"settler-{audit.id}").input("Sanna Ruo")
    at.button(key=f"settle-{audit.id}-0-True").click().run()
    assert "✓ Sanna Ruo settled it: CF" in words(at)
    at.button(key=f"settle-{audit.id}-1-False").click().run()
    assert "✓ Sanna Ruo settled it: BK" in words(at)
    last = [store.entries(page)[c][-1] for c in ("substrate/1", "substrate/2")]
    assert [(e.value, e.by, e.why) for e in last] == [
        ("CF", "Sanna Ruo", "keyed twice: Mira Tole and Keo Varn differed"),
        ("BK", "Sanna Ruo", "keyed twice: Mira Tole and Keo Varn differed"),
    ]


def test_a_difference_is_not_settled_over_somebody_elses_later_entry(store):
    page, audit = keyed_twice(store)
    send(store, record(store, page, "substrate/1", "enter", "YB", seq=900, by="Ada Lind"))
    with pytest.raises(ValueError, match="meanwhile"):
        auditing.settle(store, audit.differing[0], answer=True, by="Sanna Ruo", now=kept.NOW)
    assert auditing.settled(store, audit.differing[0]).value == "YB"


def test_two_people_are_compared_by_percent_and_kappa(store):
    """40 codes keyed by both, 39 alike; with one code almost everywhere kappa is nought though 97.5 % agree."""
    keyed_twice(store)
    (found,) = auditing.comparisons(store)
    assert (found.people, found.cells, found.same) == (("Keo Varn", "Mira Tole"), 40, 39)
    assert found.codes.percent == 97.5
    assert found.codes.kappa == pytest.approx(0)
    assert found.words.startswith("Keo Varn and Mira Tole keyed 40 cells alike in 39 (98 %, 87 to 100 %).")


def test_codes_that_are_all_keyed_alike_have_a_kappa_without_limits():
    found = auditing.Compared(("Keo Varn", "Mira Tole"), 6, 6, kappa([[3, 0], [0, 3]]))

    assert found.words.endswith("(100 %, 61 to 100 %). Codes: kappa 1.00, 100 % the same.")


def test_whoever_entered_a_cell_cannot_key_it_again(store):
    page = line(store, codes={}, doubtful=("substrate/1",))
    send(store, record(store, page, "substrate/1", "enter", "BK", by="Mira Tole"))
    audit = store.audits.draw_page(page, by="Sanna Ruo", now=kept.NOW)
    own = next(i for i in auditing.sample(store, audit.id)["items"] if i["cell"] == "substrate/1")
    assert own["entered_by"] == "Mira Tole"  # the screen does not show it to her
    reply = answer(store, own, "BK", seq=50)
    assert (reply["ok"], "entered this cell yourself" in reply["sentence"]) == (False, True)
