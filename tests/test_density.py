"""Density: hand answers, shared cases, unread belts, and two readings of one count."""

import doctest
import json
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitise import density
from digitise.density import (
    BeltCount,
    Segment,
    add_counts,
    belt_density,
    belt_from_pmf,
    belt_from_segments,
    combine_counts,
    count_moments,
    site_density,
)

CASES = json.loads((Path(__file__).parent / "data" / "science_cases.json").read_text())["cases"]
HECTARE = 10_000.0


def cases(*functions):
    """The shared cases of these functions, by id."""
    found = [pytest.param(c, id=c["id"]) for c in CASES if c["function"] in functions]
    assert found
    return pytest.mark.parametrize("case", found)


def close(expected, case):
    return pytest.approx(expected, abs=case["tolerance"], rel=0)


def belts(*counts, area_m2=40.0):
    return [BeltCount(f"T{i + 1}", x, area_m2) for i, x in enumerate(counts)]


@st.composite
def pmfs(draw):
    """A law over a few counts up to 12."""
    weights = draw(st.dictionaries(st.integers(0, 12), st.floats(0.01, 1), min_size=1, max_size=5))
    total = math.fsum(weights.values())
    return {k: w / total for k, w in weights.items()}


# --- shared cases


@cases("belt_density")
def test_density_of_one_belt_scales_the_exact_poisson_limits(case):
    """Per 100 m2 and per hectare; a one-sided bound when none was seen."""
    belt = BeltCount("T1", case["inputs"]["count"], case["inputs"]["area_m2"])
    expected, level = case["expected"], case["inputs"]["level"]
    per_100, per_ha = (belt_density(belt, per_m2=m, level=level) for m in (100.0, HECTARE))

    if belt.count:
        assert [per_100.value, per_ha.value] == close([expected["per_100m2"], expected["per_hectare"]], case)
        assert belt_density(belt, per_m2=40.0).value == close(expected["per_40m2"], case)
        assert [per_ha.low, per_ha.high] == close(expected["interval_per_hectare"], case)
    else:
        assert (per_100.value, per_100.low) == (0.0, 0.0)
        assert [belt_density(belt, per_m2=40.0).high, per_100.high, per_ha.high] == close(
            [expected[k] for k in ("upper_count", "upper_per_100m2", "upper_per_hectare")], case
        )
    assert per_100.scope == "Poisson floor, if unclustered"


def test_none_seen_on_four_belts_is_bounded_over_their_pooled_area():
    """187 per hectare over 160 m2 (case C059), in words a report can print."""
    case = next(c for c in CASES if c["id"] == "C059")
    found = site_density(belts(0, 0, 0, 0), per_m2=HECTARE)

    assert found.density.high == close(case["expected"]["upper_per_hectare"], case)
    assert found.density.note == "none seen in 160 m2 (below 187 per 10000 m2, 95 %, if unclustered)"
    assert (found.density.value, found.density.low, found.area_m2) == (0.0, 0.0, 160.0)


def test_site_density_has_the_t_interval_between_belts():
    """3, 0, 12, 5, 1 and 9 on 40 m2 each (case C064); the Poisson floor is narrower."""
    case = next(c for c in CASES if c["id"] == "C064")
    found = site_density(belts(*case["inputs"]["counts"]))
    expected = case["expected"]

    assert found.density.value == close(expected["per_100m2"], case)
    assert found.density.se == close(expected["se_per_100m2"], case)
    assert [found.density.low, found.density.high] == close(expected["interval_per_100m2"], case)
    assert found.density.scope == "between-transect"
    assert found.floor.value == pytest.approx(12.5)
    assert found.density.low < found.floor.low < found.floor.high < found.density.high


@cases("belt_from_pmf")
def test_count_read_with_probabilities_carries_its_reading_variance(case):
    """Expectation and standard deviation, per hectare."""
    pmf = {int(k): p for k, p in case["inputs"]["pmf"].items()}
    belt = belt_from_pmf("T1", pmf, case["inputs"]["area_m2"])
    found = belt_density(belt, per_m2=HECTARE)

    assert [belt.count, belt.variance] == close([case["expected"][k] for k in ("mean", "variance")], case)
    assert [found.value, found.se] == close(
        [case["expected"][k] for k in ("per_hectare", "sd_per_hectare")], case
    )


@cases("combine_counts")
def test_tally_and_total_a_group_of_five_apart_go_to_a_person(case):
    """17 strokes, 12 written, both read with certainty."""
    given_ = case["inputs"]
    pmf, disagreement = combine_counts(
        {given_["tally"]: 1.0}, {given_["total"]: 1.0}, max_total=given_["max_total"]
    )

    assert pmf == {given_["tally"]: 1.0}
    assert (disagreement > 0.5) is case["expected"]["person_must_look"]


def test_every_shared_case_belongs_to_one_of_the_three_test_files():
    """No case is carried along untested."""
    here = Path(__file__).parent
    text = "".join((here / f"test_{name}.py").read_text() for name in ("intervals", "cover", "density"))

    assert len(CASES) == len({c["id"] for c in CASES})
    for case in CASES:
        assert f'"{case["function"]}"' in text or f'"{case["id"]}"' in text, case["id"]


# --- hand answers


def test_unread_belt_is_left_out_and_reported_and_never_a_zero():
    """Belts of 4, unread and 8 make 15 per 100 m2, not 10."""
    found = site_density([*belts(4, 8), BeltCount("T9", None, 40.0, note="blank cell")])

    assert found.density.value == pytest.approx(15.0)
    assert (found.transects, found.left_out) == (("T1", "T2"), (("T9", "blank cell"),))
    assert found.count == 12


def test_partly_read_belt_counts_on_the_area_that_was_read():
    """Three segments of 10 m2 with 6 animals, one unread: 20 per 100 m2."""
    belt = belt_from_segments(
        "T1", [Segment(3, 10.0), Segment(None, 10.0), Segment(1, 10.0), Segment(2, 10.0)]
    )
    found = site_density([belt, *belts(8)])

    assert (belt.count, belt.area_m2, belt.planned_m2, belt.partly_read) == (6, 30.0, 40.0, True)
    assert belt_density(belt).value == pytest.approx(20.0)
    assert belt_density(belt).note == "3 of 4 segments read"
    assert found.density.value == pytest.approx(100 * 14 / 70)
    assert found.partly_read == ("T1",)
    assert found.notes == ("T1: 30 of 40 m2 read, the rest taken to be alike",)


def test_belt_with_no_segment_read_has_no_density():
    """Not a zero."""
    belt = belt_from_segments("T1", [Segment(None, 20.0), Segment(None, 20.0)])

    assert belt.count is None
    assert belt_density(belt).value is None
    assert belt_density(belt).note == "no segment read"
    assert site_density([belt]).density.note == "no belt read"
    assert site_density([belt]).left_out == (("T1", "no segment read"),)


def test_belt_read_in_full_by_segments_equals_the_belt_as_a_whole():
    """And is not called partly read."""
    belt = belt_from_segments("T1", [Segment(3, 20.0), Segment(4, 20.0)])

    assert belt_density(belt) == belt_density(BeltCount("T1", 7, 40.0))
    assert not belt.partly_read


def test_one_belt_has_no_site_interval_and_a_labelled_floor():
    """7 on 40 m2."""
    found = site_density(belts(7))

    assert (found.density.value, found.density.has_interval) == (17.5, False)
    assert found.density.note == "one transect: no between-transect uncertainty"
    assert found.floor.scope == "Poisson floor, if unclustered"
    assert found.floor.low == pytest.approx(7.0359, abs=1e-4)


def test_belts_that_agree_give_no_interval_rather_than_a_zero_width_one():
    """3 on each of four belts."""
    found = site_density(belts(3, 3, 3, 3))

    assert (found.density.value, found.density.has_interval) == (7.5, False)
    assert "all transects equal" in found.density.note
    assert found.floor.has_interval


def test_belts_of_different_area_are_weighed_by_area_and_noted():
    """10 on 40 m2 and 0 on 10 m2: 20 per 100 m2, not 12.5."""
    found = site_density([BeltCount("T1", 10, 40.0), BeltCount("T2", 0, 10.0)])

    assert found.density.value == pytest.approx(20.0)
    assert found.notes == ("belts differ in swept area: total count over total area",)


def test_reading_variance_widens_the_site_interval():
    """Variance s2/T plus twice the mean reading variance over T, in animals per belt."""
    counts = (3.0, 0.0, 12.0, 5.0, 1.0, 9.0)
    plain = site_density(belts(*counts))
    doubtful = site_density([BeltCount(b.transect, b.count, 40.0, variance=0.6) for b in belts(*counts)])

    assert doubtful.density.value == plain.density.value
    assert doubtful.density.se == pytest.approx(2.5 * math.sqrt(22 / 6 + 2 * 0.6 / 6))
    assert doubtful.density.scope == "between-transect and reading"


def test_nearly_none_is_not_bounded_more_tightly_than_none():
    """A tenth of an animal expected in all, against none at all."""
    found = site_density([BeltCount("T1", 0.1, 40.0, variance=0.09), *belts(0.0, 0.0, 0.0)])

    assert found.density.high > site_density(belts(0, 0, 0, 0)).density.high
    assert "nearly none" in found.density.note


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: BeltCount("T1", -1, 40.0), "T1: a count needs a number of at least 0"),
        (lambda: BeltCount("T1", 3, 0.0), "an area above 0"),
        (lambda: BeltCount("T1", 3, 40.0, planned_m2=30.0), "more was read than planned"),
        (lambda: BeltCount("T1", 3, 40.0, variance=-0.1), "variance is negative"),
        (lambda: count_moments({3: 0.9}), "pmf: probabilities must be at least 0 and sum to 1"),
        (lambda: count_moments({}), "sum to 1"),
        (lambda: combine_counts({-1: 1.0}, {1: 1.0}, max_total=9), "p_tally: counts must be at least 0"),
        (lambda: combine_counts({1: 1.0}, {1: 1.0}, eta=2, max_total=9), r"eta must lie in \[0, 1\]"),
    ],
)
def test_counts_that_make_no_sense_are_refused(call, message):
    """The message names the belt or the argument."""
    with pytest.raises(ValueError, match=message):
        call()


# --- two readings of one count


def test_agreeing_total_settles_a_doubtful_tally():
    """Tally 7 or 8 with 0.6 and 0.4, total 8 with 0.9 or 3: worked by hand with eta 0.02, totals 0 to 9.

    k = 7: 0.6 * 0.002 * (0.9 + 0.1); k = 8: 0.4 * (0.9 * 0.982 + 0.1 * 0.002).
    """
    pmf, disagreement = combine_counts({7: 0.6, 8: 0.4}, {8: 0.9, 3: 0.1}, max_total=9)
    seven, eight = 0.6 * 0.002, 0.4 * (0.9 * 0.982 + 0.1 * 0.002)
    apart = seven + 0.4 * 0.1 * 0.002

    assert pmf == pytest.approx({7: seven / (seven + eight), 8: eight / (seven + eight)})
    assert pmf[8] > 0.99
    assert disagreement == pytest.approx(apart / (seven + eight))


def test_without_slips_of_the_diver_only_agreement_is_left():
    """With eta 0 the law is the product of both, and they cannot differ."""
    pmf, disagreement = combine_counts({4: 0.5, 9: 0.5}, {4: 0.2, 9: 0.8}, eta=0.0, max_total=99)

    assert pmf == pytest.approx({4: 0.2, 9: 0.8})
    assert disagreement == 0.0


def test_total_that_is_independent_of_the_tally_changes_nothing():
    """With eta 1 the total says nothing about the tally."""
    tally = {4: 0.3, 5: 0.7}

    assert combine_counts(tally, {4: 1.0}, eta=1.0, max_total=99)[0] == pytest.approx(tally)


def test_implausible_total_without_agreement_leaves_the_tally_and_asks_a_person():
    """Total 300 where 99 is the most, and no chance of agreement."""
    assert combine_counts({4: 1.0}, {300: 1.0}, max_total=99) == ({4: 1.0}, 1.0)


@given(pmfs(), pmfs(), st.floats(0.001, 0.5))
@settings(deadline=None)
def test_combined_law_equals_the_double_sum_over_both_readings(tally, total, eta):
    """The formula written out: every pair of tally and total, agreeing or not."""
    top = 9
    joint = {
        (k, t): p * q * ((1 - eta) * (k == t) + eta * (t <= top) / (top + 1))
        for k, p in tally.items()
        for t, q in total.items()
    }
    mass = math.fsum(joint.values())
    pmf, disagreement = combine_counts(tally, total, eta=eta, max_total=top)
    if mass == 0:
        assert (pmf, disagreement) == (tally, 1.0)
        return

    assert math.fsum(pmf.values()) == pytest.approx(1)
    for k, p in pmf.items():
        assert p == pytest.approx(math.fsum(w for (a, _), w in joint.items() if a == k) / mass, abs=1e-12)
    assert disagreement == pytest.approx(
        math.fsum(w for (a, t), w in joint.items() if a != t) / mass, abs=1e-12
    )


# --- identities


@given(st.lists(pmfs(), max_size=4))
@settings(deadline=None)
def test_moments_of_independent_counts_add(laws):
    """Over size classes or species, in any order."""
    total = add_counts(laws)
    mean, variance = count_moments(total)
    moments = [count_moments(law) for law in laws]

    assert mean == pytest.approx(math.fsum(m for m, _ in moments))
    assert variance == pytest.approx(math.fsum(v for _, v in moments), abs=1e-9)
    assert add_counts(laws[::-1]) == pytest.approx(total)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=8), st.sampled_from([1.0, 40.0, 100.0, HECTARE]))
@settings(deadline=None)
def test_site_density_holds_its_value_scales_with_the_unit_and_ignores_order(counts, per_m2):
    """Ten thousand square metres hold a hundred times what a hundred hold."""
    found = site_density(belts(*counts), per_m2=per_m2)
    turned = site_density(belts(*counts[::-1]), per_m2=per_m2)

    assert found.density.value == pytest.approx(sum(counts) / len(counts) * per_m2 / 40)
    assert found.density.value == pytest.approx(turned.density.value)
    assert found.floor.low <= found.floor.value <= found.floor.high
    if found.density.has_interval:
        square = site_density(belts(*counts), per_m2=1.0).density
        assert 0 <= found.density.low <= found.density.value <= found.density.high
        assert found.density.high == pytest.approx(turned.density.high)
        assert found.density.high == pytest.approx(square.high * per_m2)


def test_docstring_examples_of_density_are_true():
    """Run as written."""
    result = doctest.testmod(density)

    assert (result.failed, result.attempted > 0) == (0, True)
