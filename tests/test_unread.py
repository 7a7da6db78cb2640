"""Cells nobody has decided: what they may say, what they do to cover and density, and which to review first."""

import math
from dataclasses import replace

import pytest
from kept import UNREAD, made_sheet, made_survey, points, protocol
from shared_cases import cases, close

from digitise.estimate.reading_doubt import ReadPoints, doubt_shares, read_cover
from digitise.estimate.review_order import (
    CoverCell,
    DensityCell,
    cover_weight,
    density_weight,
    first_to_review,
    unknown_count_variance,
)
from digitise.results import survey_results
from digitise.results.importance import cell_weights
from digitise.store import CellNow
from digitise.surveys.chances import code_chances, count_chances, count_slip_variance, named_chances, slip_chance
from review_app.ordering import in_order

CODES = {"AA": "coral", "BB": "sand", "CC": "rock"}
RAY = "fish/ray/0-10/tally"


def cell(value, confidence, *candidates, state="unread", now=None, by="", reasons=(), kind="code"):
    """A cell as the store hands it out."""
    return CellNow(
        1, "x", kind, "x", state, now, by, "", "", value, confidence, reasons, (0, 0, 1, 1), tuple(candidates)
    )


def doubt(sheet, name, value, confidence, *candidates, reasons=("unsure",)):
    """The same page with one cell undecided, read as `value`."""
    page, cells = sheet
    one = cells[name]._replace(state="unread", value=None, by="", read_value=value, confidence=confidence)
    return page, cells | {name: one._replace(candidates=tuple(candidates), reasons=reasons)}


def line(coral, transect, **others):
    return made_sheet("substrate", points({"BK": coral, "YB": 40 - coral - len(others)}, **others), transect=transect)


def branching(survey):
    return next(c for c in survey_results(survey).lines[0].categories if c.id == "branching-coral")


def ray(survey):
    return next(d for d in survey_results(survey).densities if d.id == "ray")


# What an undecided cell may say


def test_the_readers_own_value_has_its_confidence_and_the_others_their_weights():
    """AA at 0.7 with BB at 0.2: a tenth is left that no candidate claims."""
    assert named_chances(cell("AA", 0.7, ("AA", 0.7), ("BB", 0.2))) == pytest.approx({"AA": 0.7, "BB": 0.2})


def test_other_candidates_never_claim_more_than_the_readers_doubt():
    """AA at 0.6, BB and CC at 0.3 each: both are scaled to 0.2."""
    named = named_chances(cell("AA", 0.6, ("AA", 0.6), ("BB", 0.3), ("CC", 0.3)))

    assert named == pytest.approx({"AA": 0.6, "BB": 0.2, "CC": 0.2})


def test_unclaimed_chance_is_spread_evenly_over_the_other_codes():
    """AA at 0.7, BB at 0.2, 0.1 left: BB 0.25, CC 0.05."""
    law = dict(code_chances(cell("AA", 0.7, ("AA", 0.7), ("BB", 0.2)), CODES))

    assert law == pytest.approx({"coral": 0.7, "sand": 0.25, "rock": 0.05})


def test_a_struck_out_code_has_no_chances():
    """Likelier no entry at all: it stays missing, it does not become the category it might have been."""
    assert code_chances(cell(None, 0.55, (None, 0.55), ("AA", 0.44), reasons=("crossed-out",)), CODES) == ()


def test_a_doubtful_tally_has_the_law_of_its_counts():
    """7 at 0.7 and 8 at 0.25; the last 0.05 lies one off on either side."""
    law = dict(count_chances(cell(7, 0.7, (7, 0.7), (8, 0.25), kind="tally"), None, none_seen=False))

    assert law == pytest.approx({6: 0.025, 7: 0.7, 8: 0.275})


def test_tally_and_total_that_were_read_apart_are_weighed_together():
    """7 or 8 strokes, and a total that says 8: nearly certainly 8."""
    tally = cell(7, 0.6, (7, 0.6), (8, 0.4), reasons=("total-differs",), kind="tally")
    total = cell(8, 0.9, (8, 0.9), (3, 0.1), reasons=("total-differs",), kind="number")
    law = dict(count_chances(tally, total, none_seen=False))

    assert law[8] > 0.99
    assert math.fsum(law.values()) == pytest.approx(1.0)


def test_a_total_that_a_person_entered_settles_most_of_a_doubtful_tally():
    """7 or 8 strokes, 8 entered as the total."""
    tally = cell(7, 0.6, (7, 0.6), (8, 0.4), kind="tally")
    law = dict(count_chances(tally, cell(8, 1.0, state="entered", now=8, by="Anna"), none_seen=False))

    assert law[8] > 0.99


def test_a_tally_that_may_be_blank_is_a_zero_only_under_the_none_seen_tick():
    """Nothing read at 0.8, one stroke at 0.2, total blank."""
    tally, total = cell(None, 0.8, (None, 0.8), (1, 0.2), kind="tally"), cell(None, 1.0, state="blank")

    assert count_chances(tally, total, none_seen=False) == ()
    assert dict(count_chances(tally, total, none_seen=True)) == pytest.approx({0: 0.8, 1: 0.2})


def test_a_struck_out_tally_is_no_zero_even_under_the_tick():
    """Its empty value means no entry, not none seen."""
    tally = cell(None, 0.8, (None, 0.8), (1, 0.2), reasons=("crossed-out",), kind="tally")

    assert count_chances(tally, cell(None, 1.0, state="blank"), none_seen=True) == ()


def test_a_persons_entry_cannot_be_misread_and_a_rules_can():
    """The reader's doubt stays beside what was accepted by rule; 8 for 7 at 0.02 is 0.02 squared off by one."""
    entered = {"state": "entered", "now": 7, "kind": "tally"}
    rule, person = (cell(7, 0.97, (7, 0.97), (9, 0.02), by=by, **entered) for by in ("rule", "Anna"))

    assert (slip_chance(rule), slip_chance(person)) == (pytest.approx(0.03), 0.0)
    assert count_slip_variance(rule) == pytest.approx(4 * 0.02 + 0.01)
    assert count_slip_variance(person) == 0.0
    alone, other = (cell(7, 0.97, (k, 0.02), by="rule", **entered) for k in (7, 10))
    assert count_slip_variance(alone) == pytest.approx(0.03)  # nothing else was named: one off
    assert count_slip_variance(other) == pytest.approx(9 * 0.02 + 0.01)


# What they do to cover and density


def test_an_unread_point_counts_by_its_probabilities_beside_the_decided_answer():
    """16, 12 and 8 of 40, and one more point that is branching coral at 0.8.

    Decided: 16/39 on the first line. Expected: 16.8/40; with it 42, 30 and 20 %, mean 30.67 %.
    """
    first = doubt(line(16, 1, a=UNREAD), "substrate/20", "BK", 0.8, ("BK", 0.8), ("YB", 0.2))
    one = branching(made_survey(first, line(12, 2), line(8, 3)))

    assert one.site.cover.value == pytest.approx(100 * (16 / 39 + 0.3 + 0.2) / 3)
    assert one.expected.site.value == pytest.approx(100 * (16.8 / 40 + 0.3 + 0.2) / 3)
    assert one.expected.parts.read == pytest.approx(0.8 * 0.2 / (3 * 40) ** 2)
    assert one.expected.site.scope == "between-transect and reading"
    assert one.site.cover.scope == "between-transect"


def test_shares_of_the_variance_sum_to_one_and_unread_cells_have_theirs():
    """Ten points of every line undecided at evens: the unread share is 2 v / (s2 + 2 v) less the sampling half."""
    sheets = []
    for transect, coral in ((1, 16), (2, 12), (3, 8)):
        sheet = line(coral, transect, **{f"p{i}": UNREAD for i in range(10)})
        for position in (15.5, 16, 16.5, 17, 17.5, 18, 18.5, 19, 19.5, 20):
            sheet = doubt(sheet, f"substrate/{position:g}", "BK", 0.5, ("BK", 0.5), ("YB", 0.5))
        sheets.append(sheet)
    one = branching(made_survey(*sheets))
    read = 3 * 10 * 0.25 / (3 * 40) ** 2
    design = (4 / 40) ** 2 / 3

    assert one.shares.unread == pytest.approx(read / (design + 2 * read), rel=1e-6)
    assert one.shares.sampling + one.shares.unread + one.shares.accepted == pytest.approx(1.0)


def test_when_everything_is_decided_by_people_both_answers_are_the_same():
    """After review no share is left to reading."""
    sheets = [
        made_sheet("substrate", points({"BK": n, "YB": 40 - n}), transect=t, by="Anna")
        for t, n in ((1, 16), (2, 12), (3, 8))
    ]
    categories = survey_results(made_survey(*sheets)).lines[0].categories
    assert sum(one.shares is not None for one in categories) == 2  # those that were seen
    for one in categories:
        assert one.expected.site == one.site.cover
        assert one.shares is None or (one.shares.unread, one.shares.accepted) == (0.0, 0.0)


def test_points_accepted_by_rule_keep_a_small_share_and_move_nothing():
    """Each read at 0.999: the value and interval are those of the decided points."""
    one = branching(made_survey(line(16, 1), line(12, 2), line(8, 3)))

    assert one.expected.site == one.site.cover
    assert one.shares.unread == 0.0
    assert 0 < one.shares.accepted < 0.01
    slips = 36 * 0.001 * 0.999 + 84 * (0.001 / 8) * (1 - 0.001 / 8)
    assert one.expected.parts.accepted == pytest.approx(slips / 120**2)


def test_a_point_of_which_nothing_is_known_stays_missing_in_both_answers():
    """Struck out: it shrinks the denominator of the expected cover too, and widens the bounds."""
    first = doubt(line(16, 1, a=UNREAD), "substrate/20", None, 0.55, (None, 0.55), ("BK", 0.44))
    one = branching(made_survey(first, line(12, 2), line(8, 3)))

    assert one.expected.site.value == pytest.approx(one.site.cover.value)
    assert one.site.highest - one.site.lowest == pytest.approx(100 / 120)


def test_expected_covers_of_the_categories_sum_to_100_percent():
    """And a group's is the sum of its members'."""
    first = doubt(line(16, 1, a=UNREAD), "substrate/20", "BK", 0.6, ("BK", 0.6), ("CF", 0.3))
    found = survey_results(made_survey(first, line(12, 2))).lines[0]
    by_id = {c.id: c.expected.site.value for c in found.categories}
    hard = next(g for g in found.groups if g.label == "Hard coral")

    assert math.fsum(by_id.values()) == pytest.approx(100.0)
    assert hard.expected.site.value == pytest.approx(by_id["branching-coral"] + by_id["other-coral"])


def test_total_live_cover_is_a_total_over_groups():
    """10 branching coral, 6 seaweed, 4 rock, 20 sand: 40 % alive."""
    found = survey_results(made_survey(made_sheet("substrate", points({"BK": 10, "WY": 6, "MW": 4, "YB": 20}))))
    live = next(g for g in found.lines[0].groups if g.label == "Total live cover")

    assert live.site.cover.value == pytest.approx(40.0)
    assert live.transects[0][1].cover.value == pytest.approx(40.0)


def test_an_unread_tally_counts_by_its_law_in_the_expected_density():
    """2 and 4 rays decided, a third transect at 7 (0.7) or 8 (0.3): mean (2 + 4 + 7.3) / 120 m2."""
    sheets = [made_sheet("fish", {RAY: n, "fish/none-seen": True}, transect=t) for t, n in ((1, 2), (2, 4))]
    third = made_sheet("fish", {RAY: UNREAD, "fish/none-seen": True}, transect=3)
    one = ray(made_survey(*sheets, doubt(third, RAY, 7, 0.7, (7, 0.7), (8, 0.3))))

    assert one.site.density.value == pytest.approx(100 * 6 / 100)  # the unread segment is left out with its area
    assert one.expected.density.value == pytest.approx(100 * 13.3 / 120)
    assert one.expected.parts.read == pytest.approx(0.21 * (100 / 120) ** 2)
    assert one.expected.density.scope == "between-transect and reading"
    assert one.shares.unread > 0


def test_shares_are_not_given_where_no_spread_is_seen():
    """One transect, or transects that agree: how much is sampling cannot be told."""
    doubtful = ReadPoints("T1", ({"coral": 0.5, "sand": 0.5},), 40, {"coral": 12, "sand": 27})
    one, agree = (read_cover([doubtful] * n, ("coral", "sand"))[0] for n in (1, 3))

    assert doubt_shares(one.parts) is None
    assert doubt_shares(agree.parts) is None
    assert one.sheets.has_interval


def test_settled_and_doubtful_points_together_are_the_denominator():
    """12 settled coral, 27 settled sand, one at evens: 12.5 of 40."""
    found = read_cover(
        [ReadPoints("T1", ({"coral": 0.5, "sand": 0.5},), 40, {"coral": 12, "sand": 27})], ["coral", "sand"]
    )

    assert found[0].site.value == pytest.approx(100 * 12.5 / 40)
    assert (found[0].recorded, found[0].expected) == (13, pytest.approx(12.5))
    with pytest.raises(ValueError, match="41 points, 40 planned"):
        ReadPoints("T1", (), 40, {"coral": 41})


# Which to review first


@cases("first_to_review")
def test_points_are_reviewed_in_the_order_of_the_variance_they_remove(case):
    """Scores and order of three points on lines of 40 and 38."""
    found = [
        CoverCell(c["id"], {str(i): p for i, p in enumerate(c["p"])}, c["n"], case["inputs"]["transects"])
        for c in case["inputs"]["cells"]
    ]

    assert [cover_weight(one) for one in found] == close(case["expected"]["scores"], case)
    assert [name for name, _ in first_to_review(found, ())] == case["expected"]["order"]


def test_reviewing_a_point_takes_exactly_its_weight_from_the_variance_of_the_covers():
    """Over all categories together; the order of review does not matter."""
    laws = ({"coral": 0.6, "sand": 0.4}, {"coral": 0.1, "sand": 0.2, "rock": 0.7}, {"sand": 1.0})
    before = read_cover([ReadPoints("T1", laws, 3), ReadPoints("T2", laws, 3)], ("coral", "sand", "rock"))
    after = read_cover(
        [ReadPoints("T1", (laws[0], {"rock": 1.0}, laws[2]), 3), ReadPoints("T2", laws, 3)], ("coral", "sand", "rock")
    )
    gone = sum(b.parts.read - a.parts.read for b, a in zip(before, after, strict=True))

    assert cover_weight(CoverCell("x", laws[1], 3, 2)) == pytest.approx(gone)


def test_reviewing_a_count_takes_its_weight_from_the_variance_of_the_density():
    """Variance 0.21 on 120 m2 in all, mean 0.1 a m2: 0.21 / 12^2 of the squared mean."""
    assert density_weight(DensityCell("x", 0.21, 120, 0.1)) == pytest.approx(0.21 / 144)
    assert density_weight(DensityCell("x", 0.21, 120, 0.0)) == pytest.approx(0.21)
    assert unknown_count_variance(0.2) == 2.0


def test_a_point_of_which_nothing_is_known_comes_before_one_at_evens():
    """Any of nine categories alike is worth more than two of them."""
    found = first_to_review(
        [CoverCell("evens", {"a": 0.5, "b": 0.5}, 40, 3), CoverCell("blind", {}, 40, 3)], (), categories=9
    )

    assert [name for name, _ in found] == ["blind", "evens"]


def test_cells_of_a_survey_have_weights_by_what_rests_on_them():
    """A point at evens before one at 0.99; a large doubtful count before both; a dive leader's name has none."""
    first = doubt(line(16, 1, a=UNREAD, b=UNREAD), "substrate/19.5", "BK", 0.5, ("BK", 0.5), ("YB", 0.5))
    first = doubt(first, "substrate/20", "BK", 0.99, ("BK", 0.99), ("YB", 0.01))
    fish = doubt(made_sheet("fish", {RAY: UNREAD, "fish/observer": UNREAD}), RAY, 7, 0.5, (7, 0.5), (12, 0.5))
    survey = made_survey(first, line(12, 2), fish)
    weights = cell_weights(survey)
    ranked = sorted(weights, key=lambda key: -weights[key])

    assert [name for _, name in ranked] == [RAY, "substrate/19.5", "substrate/20"]
    assert ranked[0][0] == fish[0].id


def test_an_unread_total_comes_right_after_its_tally():
    """They share what rests on them; whoever counts the strokes has the total in view next."""
    total = RAY.replace("/tally", "/total")
    fish = made_sheet("fish", {RAY: UNREAD, total: UNREAD})
    for name in (RAY, total):
        fish = doubt(fish, name, 7, 0.5, (7, 0.5), (12, 0.5))
    weights = cell_weights(made_survey(fish))

    assert [name for _, name in sorted(weights, key=lambda key: -weights[key])] == [RAY, total]
    assert weights[fish[0].id, total] == pytest.approx(weights[fish[0].id, RAY])


def test_the_queue_can_be_put_in_the_order_of_what_matters(tmp_path):
    """The point at evens comes first, names and times last; nothing is lost."""
    from kept import NOW, keep, made_result

    from digitise.reader.reading import Reading
    from digitise.store import Store

    result = made_result("substrate", points({"BK": 20, "YB": 20}), name="one.jpg")
    open_cells = {
        "substrate/start": Reading("substrate/start", "time", None, 0.4, True, ((None, 0.4),), ("unsure",), 0.4),
        "substrate/3": Reading("substrate/3", "code", "BK", 0.99, True, (("BK", 0.99), ("YB", 0.01)), ("unsure",), 0.9),
        "substrate/9": Reading("substrate/9", "code", "BK", 0.5, True, (("BK", 0.5), ("YB", 0.5)), ("unsure",), 0.5),
    }
    result = replace(result, readings=tuple(open_cells.get(r.cell, r) for r in result.readings))
    with Store.open(tmp_path / "store") as store:
        keep(store, result, now=NOW)
        printed = store.queue()
        ordered = in_order(store, printed, "matters")

    assert [i.cell for i in printed] == ["substrate/start", "substrate/3", "substrate/9"]
    assert [i.cell for i in ordered] == ["substrate/9", "substrate/3", "substrate/start"]


def test_the_protocols_totals_name_what_they_hold():
    """Six living categories; rock, rubble and sand are in no total."""
    found = {c.id for c in protocol().sheets["substrate"].categories if "Total live cover" in c.totals}

    assert len(found) == 6
    assert found.isdisjoint({"rock", "rubble", "sand"})
