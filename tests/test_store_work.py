"""Leases, audits, sign-offs, accepted findings and people: what the screens keep beside entries, on both databases."""

import json
import math
from datetime import timedelta

import numpy as np
import pytest
from kept import FLAGGED, NOW, PACK, keep, layout, made_result
from stores import GOBY, RAY, TOTAL, enter, fish

from digitise.estimate.audit import joint_upper_bound, most_wrong_in_lot
from digitise.handover.readiness import readiness
from digitise.store import ChangedMeanwhile, StoreError
from digitise.surveys.survey import load_surveys
from review_app.signing import points

MINUTE = timedelta(minutes=1)


def lease(store, page, *cells, by="Anna", client="desk-anna", now=NOW):
    """What a browser is given of these cells, or of the total."""
    return store.leases.take_free([(page, c) for c in cells or (TOTAL,)], by=by, client=client, now=now)


# Leases


def test_a_leased_cell_is_given_to_no_other_browser(store):
    """The same browser may take it again, which puts its end off."""
    page = fish(store)
    lease(store, page)

    assert lease(store, page, by="Ben", client="desk-ben") == []
    assert lease(store, page, now=NOW + MINUTE)[0].expires_at == "2026-03-28T09:33:00Z"
    assert [(key, one.by) for key, one in store.leases.held(now=NOW + MINUTE).items()] == [((page, TOTAL), "Anna")]


def test_a_lease_ends_by_itself(store):
    """Two minutes after it was taken the cell is anybody's."""
    page = fish(store)
    lease(store, page)

    assert lease(store, page, by="Ben", client="desk-ben", now=NOW + 2 * MINUTE)[0].by == "Ben"


def test_a_decision_ends_the_lease_of_its_own_browser_only(store):
    """Anna's decision frees what Anna held; a decision from elsewhere leaves her lease."""
    page = fish(store, flagged=(TOTAL, GOBY))
    lease(store, page, TOTAL, GOBY)
    enter(store, page, TOTAL, client="desk-anna", seq=1)
    enter(store, page, GOBY, by="Ben", client="desk-ben", seq=1)

    assert list(store.leases.held(now=NOW)) == [(page, GOBY)]


def test_leases_given_back_are_free_at_once(store):
    """Those that a browser asks for no more, or all when it is closed."""
    page = fish(store, flagged=(TOTAL, GOBY, RAY))
    lease(store, page, TOTAL, GOBY, RAY)
    lease(store, page, TOTAL, GOBY)
    assert sorted(c for _, c in store.leases.held(now=NOW)) == sorted([TOTAL, GOBY])

    store.leases.release(client="desk-ben")
    assert len(store.leases.held(now=NOW)) == 2
    store.leases.release(client="desk-anna")
    assert store.leases.held(now=NOW) == {}


def test_a_clock_put_back_leaves_no_cell_locked_for_days(store):
    """A lease taken a day from now is taken for stale, not for one that holds another day."""
    page = fish(store)
    lease(store, page, now=NOW + timedelta(days=1))

    assert store.leases.held(now=NOW) == {}
    assert lease(store, page, by="Ben", client="desk-ben")[0].by == "Ben"


def test_a_nameless_lease_is_refused(store):
    """Nobody could give it back."""
    page = fish(store)

    with pytest.raises(ValueError, match="name of the browser"):
        lease(store, page, client="")


# Audits


def draw(store, size, seed=5, **extra):
    return store.audits.draw_strata({"sure": size}, by="Mira", now=NOW, rng=np.random.default_rng(seed), **extra)


def answer_all(store, audit, *, wrong=0):
    """Answer as the page says, the first `wrong` cells otherwise."""
    truth = {c: now for p in store.pages() for c, now in ((k, v) for k, v in store.current(p.id).items())}
    for n, one in enumerate(store.audits.cells(audit.id)):
        state, value = truth[one.cell].state, truth[one.cell].value
        if n < wrong:
            state, value = "illegible", None
        store.audits.answer(one.id, value=value, state=state, by="Mira", now=NOW)


def test_an_audit_draws_accepted_cells_only_and_tells_no_value(store):
    """52 of 53 were accepted, one of these was since entered by a person: 51 to draw from, each once."""
    page = fish(store)
    enter(store, page, RAY, 7)
    audit = draw(store, 100)
    cells = store.audits.cells(audit.id)

    assert (audit.population, audit.sampled, audit.answered, audit.bound) == (51, 51, 0, None)
    assert len({c.cell for c in cells}) == 51
    assert not {RAY, TOTAL} & {c.cell for c in cells}
    assert not hasattr(cells[0], "value")


def test_the_same_seed_draws_the_same_sample_and_another_seed_another(store):
    """The draw can be made again from its seed."""
    fish(store)
    drawn = [[c.cell for c in store.audits.cells(draw(store, 10, seed).id)] for seed in (1, 1, 2)]

    assert drawn[0] == drawn[1] != drawn[2]


def test_a_finished_audit_without_a_difference_gives_the_exact_bound(store):
    """0 wrong of 20 out of 52: 5 wrong ones would be missed with a chance of 7.9 %, 6 of them with 4.5 %."""
    fish(store)
    audit = draw(store, 20)
    answer_all(store, audit)

    done = store.audits.audit(audit.id)
    assert (done.answered, done.differing) == (20, ())
    missed = [math.comb(52 - wrong, 20) / math.comb(52, 20) for wrong in (5, 6)]
    assert missed[0] > 0.05 > missed[1]
    assert done.bound == 5 / 52


def test_differences_are_named_and_widen_the_bound(store):
    """2 wrong of 20: more of the 52 may be wrong than after none."""
    fish(store)
    audit = draw(store, 20)
    answer_all(store, audit, wrong=2)

    done = store.audits.audit(audit.id)
    assert [d.answer_state for d in done.differing] == ["illegible", "illegible"]
    assert done.bound == most_wrong_in_lot(2, 20, 52, 0.05) / 52 > 5 / 52


def test_an_unfinished_audit_bounds_nothing(store):
    """19 of 20 answered say nothing: the last one may have been left out for a reason."""
    fish(store)
    audit = draw(store, 2)
    one, _ = store.audits.cells(audit.id)
    store.audits.answer(one.id, value=None, state="illegible", by="Mira", now=NOW)

    assert store.audits.audit(audit.id).bound is None


def test_a_sampled_cell_is_answered_once(store):
    """The same answer again is nothing new; another one is refused; and no entry is made."""
    page = fish(store)
    before = store.entries(page)
    one = store.audits.cells(draw(store, 1).id)[0]
    for _ in range(2):
        store.audits.answer(one.id, value=None, state="illegible", by="Mira", now=NOW)

    with pytest.raises(StoreError, match="Mira has answered this cell"):
        store.audits.answer(one.id, value=None, state="illegible", by="Ben", now=NOW)
    assert store.entries(page) == before
    assert store.audits.cells(one.audit_id)[0].answered == "Mira"


def test_an_audit_over_all_surveys_says_nothing_of_one_that_came_later(store):
    """Neither the hand-over nor the signature goes by cells that could not have been drawn."""
    fish(store)
    audit = draw(store, 3)
    answer_all(store, audit)
    keep(store, made_result("fish", {RAY: 2}, name="later.jpg", pack="K7RM4X"), now=NOW + timedelta(days=7))

    assert [a.id for a in store.audits.of(PACK)] == [audit.id]
    assert store.audits.of("K7RM4X") == []
    checked = {r.pack: r.audited for r in readiness(store, load_surveys(store, store.packs()), today=NOW.date())}
    assert (checked[PACK], checked["K7RM4X"]) == (100 * store.audits.audit(audit.id).bound, None)
    assert [any("No audit" in p.text for p in points(store, pack)) for pack in (PACK, "K7RM4X")] == [False, True]


def test_an_audit_by_strata_draws_from_each_and_joins_their_bounds(store):
    """50 accepted as sure, 1 as less sure, 1 by a person, 1 open; one of ten sure ones differs."""
    page = fish(store, values={GOBY: 3})
    enter(store, page, RAY, 7)
    assert store.audits.strata() == {"sure": 51, "person": 1}
    audit = store.audits.draw_strata({"sure": 10, "person": 5}, by="Mira", now=NOW, rng=np.random.default_rng(4))
    assert (audit.population, audit.sampled) == (52, 11)
    answer_all(store, audit, wrong=1)

    done = store.audits.audit(audit.id)
    assert [(s.name, s.population, s.sampled) for s in done.strata] == [("sure", 51, 10), ("person", 1, 1)]
    wrong = [s.differing for s in done.strata]
    assert sum(wrong) == 1
    assert done.bound == joint_upper_bound([51, 1], [10, 1], wrong)
    assert not done.whole_page


@pytest.mark.parametrize("sizes", [{}, {"sure": 0}, {"nearly": 5}])
def test_a_sample_of_strata_that_are_not_there_is_refused(store, sizes):
    fish(store)
    with pytest.raises(ValueError, match="at least one cell of each stratum"):
        store.audits.draw_strata(sizes, by="Mira", now=NOW, rng=np.random.default_rng(4))
    assert store.audits.all() == []


def test_a_page_keyed_again_has_every_entered_cell_and_pairs_two_people(store):
    """53 cells, one still open; the one that Anna entered makes a pair with Mira's answer, the rule's make none."""
    page = fish(store, flagged=(TOTAL, GOBY))
    enter(store, page, TOTAL, 6)
    own = next(c.id for c in store.audits.cells(store.audits.draw_page(page, by="Anna", now=NOW).id) if c.cell == TOTAL)
    with pytest.raises(StoreError, match="you entered this cell yourself; somebody else has to key it again"):
        store.audits.answer(own, value=6, state="entered", by="Anna", now=NOW)
    audit = store.audits.draw_page(page, by="Mira", now=NOW)
    assert (audit.sampled, audit.whole_page) == (52, True)
    answer_all(store, audit, wrong=2)

    done = store.audits.audit(audit.id)
    assert done.bound == pytest.approx(2 / 52)  # every cell was looked at
    (pair,) = store.audits.pairs()
    assert (pair.kind, pair.entered, pair.entered_by, pair.answered_by) == ("number", ("entered", 6), "Anna", "Mira")


def test_a_page_without_an_entry_is_not_keyed_again(store):
    cells = [c.id for c in layout("fish").cells]
    page = fish(store, flagged=cells)
    with pytest.raises(ValueError, match="no cell is entered here"):
        store.audits.draw_page(page, by="Mira", now=NOW)
    assert store.audits.all() == []


def test_an_audit_of_nothing_is_refused(store):
    """No page, no audit; and a sample has at least one cell."""
    with pytest.raises(ValueError, match="nothing to audit"):
        draw(store, 5)
    with pytest.raises(ValueError, match="at least one cell"):
        draw(store, 0)
    with pytest.raises(StoreError, match="no audit 9"):
        store.audits.audit(9)
    with pytest.raises(StoreError, match="no sampled cell 9"):
        store.audits.answer(9, value=None, state="blank", by="Mira", now=NOW)


def test_an_audit_keeps_to_its_pack(store):
    """Cells of another survey are not drawn."""
    fish(store)
    other = keep(store, made_result("fish", {TOTAL: FLAGGED}, name="b.jpg", pack="WX3PLE"))
    audit = draw(store, 10, pack="WX3PLE")

    assert {c.page_id for c in store.audits.cells(audit.id)} == {other}
    assert audit.pack == "WX3PLE"


# Sign-offs


def sign(store, *, statement="Looked at every sheet.", by="Mira", now=NOW, digest=None):
    return store.signoffs.sign(PACK, statement=statement, by=by, now=now, digest=digest or store.signoffs.digest(PACK))


def test_a_survey_with_open_cells_cannot_be_signed(store):
    """The sentence says how many; a pack without sheets cannot be signed either."""
    fish(store)

    with pytest.raises(StoreError, match=f"pack {PACK}: 1 cell still waits"):
        sign(store)
    with pytest.raises(StoreError, match="no sheet of pack WX3PLE"):
        store.signoffs.sign("WX3PLE", statement="x", by="Mira", now=NOW, digest="")


def test_a_sign_off_freezes_every_cell(store):
    """53 cells with state, value, decider; a later entry makes the sign-off old, but what was signed stays."""
    page = fish(store)
    entry = enter(store, page)
    signed = sign(store)
    frozen = {c.cell: c for c in store.signoffs.frozen(signed.id)}

    assert (signed.version, signed.by, signed.current, len(frozen)) == (1, "Mira", True, 53)
    assert (frozen[TOTAL].value, frozen[TOTAL].by, frozen[TOTAL].entry) == (6, "Anna", entry.id)
    assert frozen[GOBY].state == "blank"
    enter(store, page, RAY, 9)
    assert [s.current for s in store.signoffs.of(PACK)] == [False]
    assert {c.cell: c for c in store.signoffs.frozen(signed.id)} == frozen

    again = sign(store, now=NOW + MINUTE)
    assert (again.version, [s.current for s in store.signoffs.of(PACK)]) == (2, [False, True])


def test_an_undone_change_brings_the_signed_values_but_not_the_signature_back(store):
    """The entry in force is another one, so somebody has to look again."""
    page = fish(store)
    enter(store, page)
    sign(store)
    enter(store, page, RAY, 9)
    store.undo(page, RAY, by="Anna", now=NOW)

    assert [s.current for s in store.signoffs.of(PACK)] == [False]


def test_what_changed_after_the_signer_looked_is_not_signed(store):
    """The digest of what was shown is checked under the writing lock."""
    page = fish(store)
    enter(store, page)
    seen = store.signoffs.digest(PACK)
    enter(store, page, RAY, 9)

    with pytest.raises(ChangedMeanwhile, match="was changed since you looked"):
        sign(store, digest=seen)


def test_the_same_signature_twice_is_one(store):
    """Sent again, it changes nothing; other words make another version."""
    enter(store, fish(store))
    first = sign(store)

    assert sign(store, now=NOW + MINUTE) == first
    assert sign(store, statement="And the tape.").version == 2
    with pytest.raises(StoreError, match="no sign-off 9"):
        store.signoffs.frozen(9)


def test_a_signature_needs_a_person_and_words(store):
    """Neither the rule nor nobody signs, and not without a statement."""
    enter(store, fish(store))

    with pytest.raises(ValueError, match="'rule' stands for the program itself"):
        sign(store, by="rule")
    with pytest.raises(ValueError, match="no statement is given; say in a few words what you vouch for"):
        sign(store, statement="  ")


# Accepted findings


def test_a_finding_is_accepted_with_a_reason_and_may_be_opened_again(store):
    """Nothing is deleted: three decisions are kept, the last one holds."""
    accept = {"reason": "Storm, no dive.", "by": "Mira", "now": NOW}
    found = store.findings.accept(PACK, "missing/fish/2", **accept)
    assert (found.reason, found.by, found.at) == ("Storm, no dive.", "Mira", "2026-03-28T09:30:00Z")
    assert store.findings.accepted(PACK) == {"missing/fish/2": found}
    assert store.findings.accept(PACK, "missing/fish/2", **accept) == found

    store.findings.reopen(PACK, "missing/fish/2", reason="Found it.", by="Ben", now=NOW)
    assert store.findings.accepted(PACK) == {}
    with pytest.raises(StoreError, match="is not accepted"):
        store.findings.reopen(PACK, "missing/fish/2", reason="x", by="Ben", now=NOW)
    assert store.findings.accept(PACK, "missing/fish/2", **accept).id > found.id


@pytest.mark.parametrize(
    ("reason", "words"),
    [("", "no reason is given; write it"), ("a" * 501, "the reason has 501 characters, expected 500")],
)
def test_a_finding_is_not_accepted_without_a_reason(store, reason, words):
    """And not with a novel."""
    with pytest.raises(ValueError, match=words):
        store.findings.accept(PACK, "missing/fish/2", reason=reason, by="Mira", now=NOW)
    assert store.findings.accepted(PACK) == {}


def test_findings_of_another_pack_are_apart(store):
    """The same name in another survey is another finding."""
    store.findings.accept(PACK, "missing/fish/2", reason="Storm.", by="Mira", now=NOW)

    assert store.findings.accepted("WX3PLE") == {}


# People


def test_a_name_that_nobody_has_costs_as_much_as_a_wrong_passphrase(store, monkeypatch):
    """One slow hash of one strength each time, so that the wait gives no name away; for who is gone as well."""
    from argon2 import PasswordHasher, extract_parameters

    store.people.set("Mira Tole", role="scientist", by="Setup", now=NOW, passphrase="correct grey wrasse")  # noqa: S106
    store.people.set("Ben", role="gone", by="Setup", now=NOW)
    looked_at, verify = [], PasswordHasher.verify

    def counted(self, hashed, passphrase):
        looked_at.append(extract_parameters(hashed))
        return verify(self, hashed, passphrase)

    monkeypatch.setattr(PasswordHasher, "verify", counted)
    for name in ("Mira Tole", "Nobody", "Ben", ""):
        assert store.people.check(name, "another passphrase") is None

    assert looked_at == 4 * [extract_parameters(PasswordHasher().hash("x"))]


def test_a_passphrase_is_kept_as_a_hash_only_and_checked(store, where):
    """The right one is told from a wrong one, a wrong name and nobody's; the table holds an argon2 hash."""
    store.people.set("Mira Tole", role="scientist", by="Setup", now=NOW, passphrase="correct grey wrasse")  # noqa: S106

    assert store.people.check("Mira Tole", "correct grey wrasse").role == "scientist"
    assert store.people.check("Mira Tole", "correct grey wrass") is None
    assert store.people.check("Ben", "correct grey wrasse") is None
    assert "wrasse" not in json.dumps(where.rows("people"))
    assert "$argon2id$" in json.dumps(where.rows("people"))


@pytest.mark.parametrize("typed", ["Mira Tolé", "mira tolé", " MIRA  TOLÉ ", "Mira Tole\u0301"])
def test_a_name_is_known_in_capitals_or_small_letters_and_however_its_accents_are_composed(store, typed):
    """Nobody is added beside: who is meant gets the role, and keeps the spelling of the first day."""
    store.people.set("Mira Tolé", role="clerk", by="Setup", now=NOW, passphrase="ten fathoms deep")  # noqa: S106

    assert store.people.check(typed, "ten fathoms deep").name == "Mira Tolé"
    assert store.people.set(typed, role="scientist", by="Setup", now=NOW).name == "Mira Tolé"
    assert [(p.name, p.role) for p in store.people.all()] == [("Mira Tolé", "scientist")]
    assert store.people.check("Mira Tole", "ten fathoms deep") is None


def test_two_people_of_alike_names_from_before_each_log_in_by_their_own(store, monkeypatch):
    """As their names are spelt; a third spelling is nobody's while both are here, and then whoever stays."""
    from digitise.store import people

    with monkeypatch.context() as before:
        before.setattr(people, "folded", lambda name: name)
        for name in ("Ben", "BEN"):
            store.people.set(name, role="clerk", by="Setup", now=NOW, passphrase=f"{name} ten fathoms deep")
    both = [(name, of) for name in ("Ben", "BEN") for of in ("Ben", "BEN")]
    found = {(name, of): store.people.check(name, f"{of} ten fathoms deep") for name, of in both}

    assert {key: one.name for key, one in found.items() if one} == {("Ben", "Ben"): "Ben", ("BEN", "BEN"): "BEN"}
    assert store.people.check("ben", "Ben ten fathoms deep") is None
    with pytest.raises(ValueError, match="'ben' may be Ben or BEN; write the name exactly as one of these"):
        store.people.set("ben", role="scientist", by="Setup", now=NOW)
    store.people.set("BEN", role="gone", by="Setup", now=NOW)
    assert store.people.check("ben", "Ben ten fathoms deep").name == "Ben"


def test_a_person_gets_another_role_and_keeps_the_passphrase_until_gone(store):
    """History stays: two rows for one person; whoever is gone cannot log in."""
    store.people.set("Ben", role="volunteer", by="Mira", now=NOW, passphrase="ten fathoms deep")  # noqa: S106
    store.people.set("Ben", role="clerk", by="Mira", now=NOW)
    assert store.people.check("Ben", "ten fathoms deep").role == "clerk"
    store.people.set("Ben", role="gone", by="Mira", now=NOW)

    assert store.people.check("Ben", "ten fathoms deep") is None
    assert [(p.name, p.role) for p in store.people.all()] == [("Ben", "gone")]


@pytest.mark.parametrize(
    ("role", "passphrase", "words"),
    [("king", "long enough it is", "one of volunteer, clerk"), ("clerk", "short", "expected 10 to 200")],
)
def test_roles_and_passphrases_are_checked(store, role, passphrase, words):
    """Nothing is added."""
    with pytest.raises(ValueError, match=words):
        store.people.set("Ben", role=role, by="Mira", now=NOW, passphrase=passphrase)
    assert store.people.all() == []


def test_a_person_without_a_passphrase_cannot_log_in(store):
    """An empty hash matches nothing, not even an empty passphrase."""
    store.people.set("Ben", role="clerk", by="Mira", now=NOW)

    assert store.people.check("Ben", "") is None
