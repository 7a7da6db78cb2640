"""A tally and the total written beside it: hand answers, the double sum, and what goes to a person."""

import math
from dataclasses import replace

import cv2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shared_cases import cases, pmfs

from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.counts import MOST, agree, counted_otherwise, left_open
from digitise.reader.doubts import doubts_of
from digitise.reader.ink import extract_ink
from digitise.reader.read import beside_strokes, checked_pair
from digitise.reader.reading import Decoded, Reading


@cases("agree")
def test_tally_and_total_a_group_of_five_apart_go_to_a_person(case):
    """17 strokes, 12 written, both read with certainty."""
    tally, total = case["inputs"]["tally"], case["inputs"]["total"]
    by_tally, by_total, differ = agree({tally: 1.0}, {total: 1.0})

    assert (by_tally, by_total) == ({tally: 1.0}, {total: 1.0})
    assert (differ > 0.5) is case["expected"]["person_must_look"]


def test_agreeing_total_settles_a_doubtful_tally():
    """Tally 7 or 8 with 0.6 and 0.4, total 8 with 0.9 or 3 with 0.1: a slip in 50, totals 0 to 99.

    A pair that differs weighs 0.02 / 100 = 0.0002 of its product, one that agrees 0.98 + 0.0002.
    """
    by_tally, by_total, differ = agree({7: 0.6, 8: 0.4}, {8: 0.9, 3: 0.1}, miscount=0.02)
    seven, same, eight_three = 0.6 * 0.0002, 0.4 * 0.9 * 0.9802, 0.4 * 0.1 * 0.0002
    mass = seven + same + eight_three

    assert by_tally == pytest.approx({7: seven / mass, 8: (same + eight_three) / mass})
    three = 0.6 * 0.1 * 0.0002 + eight_three
    assert by_total == pytest.approx({3: three / mass, 8: (mass - three) / mass})
    assert by_tally[8] > 0.99
    assert differ == pytest.approx((seven + eight_three) / mass)


def test_without_slips_of_the_writer_only_agreement_is_left():
    """The law is the product of both, and they cannot differ."""
    by_tally, by_total, differ = agree({4: 0.5, 9: 0.5}, {4: 0.2, 9: 0.8}, miscount=0.0)

    assert by_tally == pytest.approx({4: 0.2, 9: 0.8})
    assert by_total == pytest.approx(by_tally)
    assert differ == 0.0


def test_total_that_is_independent_of_the_tally_changes_nothing():
    """When every written total is a slip, it says nothing about the tally."""
    tally = {4: 0.3, 5: 0.7}

    assert agree(tally, {4: 1.0}, miscount=1.0)[0] == pytest.approx(tally)


def test_total_far_from_a_certain_tally_leaves_both_and_asks_a_person():
    """4 strokes and 300 written, without and with slips of the writer."""
    for miscount in (0.0, 0.02):
        assert agree({4: 1.0}, {300: 1.0}, miscount=miscount) == ({4: 1.0}, {300: 1.0}, 1.0)


@given(pmfs(), pmfs(), st.floats(0.001, 0.5))
@settings(deadline=None)
def test_combined_law_equals_the_double_sum_over_both_readings(tally, total, miscount):
    """The formula written out: every pair of tally and total, agreeing or not."""
    joint = {
        (k, t): p * q * ((1 - miscount) * (k == t) + miscount / (MOST + 1))
        for k, p in tally.items()
        for t, q in total.items()
    }
    mass = math.fsum(joint.values())
    by_tally, by_total, differ = agree(tally, total, miscount=miscount)

    for law, axis in ((by_tally, 0), (by_total, 1)):
        assert math.fsum(law.values()) == pytest.approx(1)
        for n, p in law.items():
            expected = math.fsum(w for pair, w in joint.items() if pair[axis] == n) / mass
            assert p == pytest.approx(expected, abs=1e-12)
    assert differ == pytest.approx(math.fsum(w for (a, b), w in joint.items() if a != b) / mass, abs=1e-12)


@pytest.mark.parametrize(
    ("strokes", "numbers", "left"),
    [
        pytest.param({12: 1.0}, {72: 0.5, 12: 0.5}, {12}, id="a-one-like-a-seven"),
        pytest.param({1: 0.9, 2: 0.1}, {7: 0.6, 1: 0.4}, {1}, id="alone-in-its-box"),
        pytest.param({12: 1.0}, {12: 0.6, 72: 0.4}, {12}, id="they-agree-already"),
        pytest.param({12: 1.0}, {72: 0.9, 12: 0.1}, {72, 12}, id="the-ink-says-seven"),
        pytest.param({12: 1.0}, {72: 0.5, 18: 0.5}, {72, 18}, id="neither-is-the-count"),
        pytest.param({4: 1.0}, {6: 0.5, 4: 0.5}, {6, 4}, id="two-strokes-forgotten-perhaps"),
        pytest.param({17: 1.0}, {12: 0.5, 17: 0.5}, {12, 17}, id="a-group-of-five-forgotten-perhaps"),
        pytest.param({24: 1.0}, {14: 0.5, 24: 0.5, 84: 0.4}, {14, 24}, id="a-ten-carried-wrongly-perhaps"),
    ],
)
def test_strokes_settle_what_the_ink_of_a_total_leaves_open(strokes, numbers, left):
    """Only numbers that no slip in counting explains fall away. Common practice, no source."""
    assert left_open(strokes, numbers).keys() == left


@pytest.mark.parametrize(
    ("total", "numbers", "left"),
    [
        pytest.param(Decoded(4, 0.99, ((4, 0.99),)), {4: 0.99, 9: 0.01}, ((), ()), id="the-total-counts-it"),
        pytest.param(
            Decoded(3, 0.99, ((3, 0.99),)), {3: 0.99}, (("near-rule", "total-differs"), ("total-differs",)), id="not-it"
        ),
        pytest.param(Decoded(4, 0.6, ((4, 0.6),)), {4: 0.6, 9: 0.4}, (("near-rule",), ()), id="a-total-in-doubt"),
        pytest.param(
            Decoded(4, 0.99, ((4, 0.99),), ("crossed-out",)), {4: 0.99}, (("near-rule",), ("crossed-out",)), id="struck"
        ),
        pytest.param(Decoded(None, 0.99, ((None, 0.99),)), {}, (("near-rule",), ()), id="no-total"),
    ],
)
def test_a_mark_along_the_rule_is_a_stroke_where_the_total_counts_it(total, numbers, left):
    """Four marks, one of them along the box's rule: it may be the rule itself."""
    tally = Decoded(4, 0.99, ((4, 0.99),), ("near-rule",))
    (_, strokes), (_, written) = checked_pair(tally, {4: 0.99, 5: 0.01}, total, numbers)

    assert (strokes.reasons, written.reasons) == left
    assert strokes.value == 4
    assert written.value == total.value


def test_a_mark_along_the_rule_that_the_counters_see_differently_is_for_a_person():
    """A total settles one doubt, not two: it may be what left the mark out."""
    tally = Decoded(5, 0.9, ((5, 0.9),), ("counts-differ", "near-rule"))
    (_, strokes), (_, total) = checked_pair(tally, {4: 0.5, 5: 0.5}, Decoded(4, 0.99, ((4, 0.99),)), {4: 0.99})

    assert "near-rule" in strokes.reasons
    assert total.value == 4


@pytest.mark.parametrize(
    ("total", "strokes", "after"),
    [
        pytest.param(False, False, False, id="both-plain"),
        pytest.param(False, True, True, id="strokes-in-doubt"),
        pytest.param(True, False, True, id="total-in-doubt"),
    ],
)
def test_a_total_is_no_surer_than_the_strokes_that_hold_it_up(total, strokes, after):
    """Twelve strokes counted as thirteen make thirteen of a 2 that looks like a 3: both go to a person."""
    tally = Reading("a/tally", "tally", 13, 0.9, strokes, ((13, 0.9),), ("unsure",) if strokes else ())
    written = Reading("a/total", "number", 13, 0.99, total, ((13, 0.99),), ("gap",) if total else ())
    found = beside_strokes(written, tally)

    assert (found.flagged, bool(found.reasons)) == (after, after)
    assert (found.value, found.confidence) == (13, 0.99)


@pytest.mark.parametrize(
    ("strokes", "reasons", "left"),
    [
        pytest.param(8, ("gap",), (), id="as-many-strokes"),
        pytest.param(7, ("gap",), ("gap", "total-differs"), id="others"),
        pytest.param(8, ("gap", "crossed-out"), ("gap", "crossed-out"), id="struck-out"),
    ],
)
def test_a_total_in_the_left_of_its_boxes_is_settled_by_as_many_strokes(strokes, reasons, left):
    """An 8 before an empty box may be 80 whose nought is not seen; beside eight strokes it is 8."""
    total = Decoded(8, 0.98, ((8, 0.98), (80, 0.01)), reasons)
    tally = Decoded(strokes, 0.99, ((strokes, 0.99),))
    (_, counted), (_, written) = checked_pair(tally, {strokes: 0.99}, total, {80: 0.01})

    assert (written.value, written.reasons) == (8, left)
    assert counted.value == strokes


def test_a_total_in_the_left_of_its_boxes_is_for_a_person_beside_strokes_in_doubt():
    tally = Decoded(8, 0.99, ((8, 0.99),), ("near-rule",))
    total = Decoded(8, 0.98, ((8, 0.98), (80, 0.01)), ("gap",))
    _, (_, written) = checked_pair(tally, {8: 0.99}, total, {80: 0.01})

    assert (written.value, written.reasons) == (8, ("gap",))


def test_a_line_through_a_total_in_the_left_of_its_boxes_is_seen_too(printed, registered):
    """What strokes may settle is looked at like any other entry."""
    page = registered("fish")
    total = next(c for c in page.layout.cells if c.id.endswith("/total"))
    x, y, w, h = (v * FLAT_PX_PER_MM for v in total.box_mm)
    image = printed("fish").copy()
    cv2.line(image, (int(x - 16), int(y + h / 2)), (int(x + w + 16), int(y + h / 2)), 90, 5)
    total_left = Decoded(8, 0.98, ((8, 0.98),), ("gap",))
    found = doubts_of(extract_ink(image, page.layout), replace(page, image=image), {total.id: ("digits", total_left)})

    assert found == {total.id: "crossed-out"}


def _seen(value: int | None, *reasons: str) -> Decoded:
    return Decoded(value, 0.9, ((value, 0.9),), reasons)


@pytest.mark.parametrize(
    ("tallies", "expected"),
    [
        pytest.param([], False, id="none"),
        pytest.param([_seen(None, "crossed-out")], False, id="one-struck"),
        pytest.param([_seen(None, "crossed-out"), _seen(7, "counts-differ"), _seen(0), _seen(None)], True, id="most"),
        pytest.param([_seen(None, "crossed-out")] * 2 + [_seen(3), _seen(5)], False, id="half"),
        pytest.param([_seen(4, "unsure")] * 3, False, id="for-another-reason"),
        pytest.param(
            [_seen(0, "unsure"), _seen(None, "unsure"), _seen(None, "crossed-out"), _seen(3)], True, id="level"
        ),
    ],
)
def test_somebody_counts_otherwise_where_most_tallies_are_odd(tallies, expected: bool) -> None:
    """Blank ones, and noughts, say nothing."""
    assert counted_otherwise(tallies) is expected
