"""Density: hand answers, shared cases, and unread belts."""

import doctest
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from shared_cases import cases, close, the_case

from digitise.estimate import density, uneven
from digitise.estimate.density import (
    BeltCount,
    Segment,
    belt_density,
    belt_from_pmf,
    belt_from_segments,
    count_moments,
    site_density,
)
from digitise.estimate.intervals import garwood, poisson_limits, t_mean
from digitise.estimate.uneven import degrees_of_freedom, gamma_mean

HECTARE = 10_000.0


def belts(*counts, area_m2=40.0):
    return [BeltCount(f"T{i + 1}", x, area_m2) for i, x in enumerate(counts)]


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
    case = the_case("C059")
    found = site_density(belts(0, 0, 0, 0), per_m2=HECTARE)

    assert found.density.high == close(case["expected"]["upper_per_hectare"], case)
    assert found.density.note == "none seen in 160 m2 (below 187 per 10000 m2, 95 %, if unclustered)"
    assert (found.density.value, found.density.low, found.area_m2) == (0.0, 0.0, 160.0)


def test_site_density_and_its_standard_error_are_those_of_the_mean_over_belts():
    """3, 0, 12, 5, 1 and 9 on 40 m2 each (case C064), beside the t interval that a mean over transects has."""
    case = the_case("C064")
    counts, expected = case["inputs"]["counts"], case["expected"]
    found, mean = site_density(belts(*counts)), t_mean([2.5 * n for n in counts])

    assert [found.density.value, mean.value] == close([expected["per_100m2"]] * 2, case)
    assert [found.density.se, mean.se] == close([expected["se_per_100m2"]] * 2, case)
    assert [mean.low, mean.high] == close(expected["interval_per_100m2"], case)
    assert found.density.scope == "between-transect"


def test_site_density_has_an_interval_that_leans_up_as_counts_of_animals_do():
    """The same belts: mean2/V = 25/3.667 = 6.82, so 1/(1/5 + 1/6.82) = 2.88 degrees of freedom; worth 2.47 animals of 30.

    Jeffreys' limits of 2.47 are chi-square quantiles of 2 x 2.47 + 1 degrees, halved; times 12.5/2.47.
    """
    found = site_density(belts(3, 0, 12, 5, 1, 9))
    worth = 25 / (22 / 6) * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 1 / (1 / 5 + (22 / 6) / 25))) ** 2
    low, high = stats.chi2.ppf((0.025, 0.975), 2 * worth + 1) / 2

    assert worth == pytest.approx(2.47, abs=0.01)
    assert (found.density.low, found.density.high) == pytest.approx((low * 12.5 / worth, high * 12.5 / worth))
    assert found.density.low < found.floor.low < found.floor.high < found.density.high
    assert found.density.high - 12.5 > 12.5 - found.density.low > 0


def test_with_three_belts_the_limits_are_those_of_jeffreys_and_narrower_than_exact_ones():
    """2, 9 and 4: a gamma law of half an animal more than they are worth."""
    found = site_density(belts(2, 9, 4))
    worth = 25 / (13 / 3) * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 2)) ** 2
    low, high = (float(v) * 12.5 / worth for v in stats.gamma.ppf((0.025, 0.975), worth + 0.5))

    assert (found.density.low, found.density.high) == pytest.approx((low, high))
    assert found.density.high < garwood(worth).high * 12.5 / worth
    assert poisson_limits(0, level=0.95, exact=False) == (0, pytest.approx(2.5119, abs=1e-4))  # chi2(0.975, 1)/2
    with pytest.raises(ValueError, match="at least 0"):
        poisson_limits(-1, level=0.95)


def test_few_uneven_belts_have_the_degrees_of_freedom_of_a_gamma_law():
    """log(s2/mean2) of 20 gamma numbers of shape 5 varies by 2/df, as that of chi-square numbers, by simulation."""
    x = np.random.default_rng(3).gamma(5.0, size=(40_000, 20))
    seen = np.log(x.var(axis=1, ddof=1) / x.mean(axis=1) ** 2).var()
    df = degrees_of_freedom(5.0 * 20, 20)

    assert df == pytest.approx(1 / (1 / 19 + 1 / 100))
    assert 2 / df == pytest.approx(seen, rel=0.08)
    assert 0.9 * seen > 2 / 19  # the degrees of even numbers
    with pytest.raises(ValueError, match="two transects"):
        degrees_of_freedom(3.0, 1)


def test_belts_of_animals_in_schools_hold_the_truth():
    """Eight belts of negative binomial counts, mean 6 and k = 0.5: about 94 in 100, 84 with Student's t."""
    counts = np.random.default_rng(4).negative_binomial(0.5, 0.5 / 6.5, size=(2000, 8))
    found = [gamma_mean(n.mean(), n.var(ddof=1) / 8, transects=8, count=n.sum()) for n in counts if n.sum()]

    assert np.mean([e.low <= 6 <= e.high for e in found]) == pytest.approx(0.942, abs=0.015)


def test_few_belts_that_met_no_school_hold_the_truth_less_often_and_the_note_says_so():
    """Three belts, mean 30 and k = 0.5: those that differ little look like animals apart; five belts have no such note."""
    counts = np.random.default_rng(4).negative_binomial(0.5, 0.5 / 30.5, size=(6000, 3))
    found = [(bool(n.std(ddof=1) > n.mean()), site_density(belts(*map(int, n))).density) for n in counts if n.sum()]
    held = {much: np.mean([e.low <= 75 <= e.high for one, e in found if one is much]) for much in (True, False)}

    assert held[True] == pytest.approx(0.95, abs=0.02)
    assert held[False] == pytest.approx(0.85, abs=0.02)
    assert all("schools" in e.note for _, e in found)
    assert "schools" not in site_density(belts(2, 9, 4, 1, 0)).density.note


def test_many_belts_spread_by_chance_have_the_poisson_interval():
    """A variance equal to the mean on 2,000 belts: Garwood's own limits of 200 animals, to one in a thousand."""
    found = gamma_mean(0.1, 0.1 / 2000, transects=2000, count=200)

    assert (found.low * 2000, found.high * 2000) == pytest.approx((173.24, 229.73), rel=1e-3)


def test_belts_more_even_than_chance_are_worth_no_more_than_their_animals():
    """6, 6, 7 and 6: far less spread than Poisson counts have."""
    found = site_density(belts(6, 6, 7, 6))

    assert (found.density.low, found.density.high) == pytest.approx((found.floor.low, found.floor.high))


@pytest.mark.parametrize(("transects", "count", "mean"), [(1, 3, 3.0), (3, 0, 0.0)])
def test_one_transect_or_no_animal_is_refused_by_the_gamma_interval(transects, count, mean):
    """`site_density` answers these cases itself."""
    with pytest.raises(ValueError, match="two transects and an animal are needed"):
        gamma_mean(mean, 1.0, transects=transects, count=count)


@cases("belt_from_pmf")
def test_count_read_with_probabilities_carries_its_reading_variance(case):
    """Expectation and standard deviation, per hectare."""
    pmf = {int(k): p for k, p in case["inputs"]["pmf"].items()}
    belt = belt_from_pmf("T1", pmf, case["inputs"]["area_m2"])
    found = belt_density(belt, per_m2=HECTARE)

    assert [belt.count, belt.variance] == close([case["expected"][k] for k in ("mean", "variance")], case)
    assert [found.value, found.se] == close([case["expected"][k] for k in ("per_hectare", "sd_per_hectare")], case)


# --- hand answers


def test_unread_belt_is_left_out_and_reported_and_never_a_zero():
    """Belts of 4, unread and 8 make 15 per 100 m2, not 10."""
    found = site_density([*belts(4, 8), BeltCount("T9", None, 40.0, note="blank cell")])

    assert found.density.value == pytest.approx(15.0)
    assert (found.transects, found.left_out) == (("T1", "T2"), (("T9", "blank cell"),))
    assert found.count == 12


def test_partly_read_belt_counts_on_the_area_that_was_read():
    """Three segments of 10 m2 with 6 animals, one unread: 20 per 100 m2."""
    belt = belt_from_segments("T1", [Segment(3, 10.0), Segment(None, 10.0), Segment(1, 10.0), Segment(2, 10.0)])
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
    assert belt_density(belt).note == "no part read"
    assert site_density([belt]).density.note == "no transect read"
    assert site_density([belt]).left_out == (("T1", "no part read"),)


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


def test_belts_that_agree_have_the_interval_of_animals_spread_by_chance():
    """3 on each of four belts: Garwood's 6.20 to 20.96 of 12, on 160 m2."""
    found = site_density(belts(3, 3, 3, 3))

    assert found.density.value == 7.5
    assert (found.density.low, found.density.high) == pytest.approx((6.2006 / 1.6, 20.9616 / 1.6), abs=1e-3)
    assert "all transects equal" in found.density.note


def test_belts_of_different_area_are_weighed_by_area_and_noted():
    """10 on 40 m2 and 0 on 10 m2: 20 per 100 m2, not 12.5."""
    found = site_density([BeltCount("T1", 10, 40.0), BeltCount("T2", 0, 10.0)])

    assert found.density.value == pytest.approx(20.0)
    assert found.notes == ("transects differ in swept area: total count over total area",)


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
    ],
)
def test_counts_that_make_no_sense_are_refused(call, message):
    """The message names the belt or the argument."""
    with pytest.raises(ValueError, match=message):
        call()


# --- identities


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
    results = [doctest.testmod(module) for module in (density, uneven)]

    assert [(r.failed, r.attempted > 0) for r in results] == [(0, True)] * 2
