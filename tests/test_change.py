"""Change between surveys, trends, planning and many tests at once: published values, hand answers, identities."""

import itertools
import math
from statistics import NormalDist, fmean

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.stats import kendalltau, theilslopes, ttest_ind
from shared_cases import cases, close
from statsmodels.stats.power import TTestIndPower, TTestPower

from digitise.estimate.bootstrap import acceleration, bca_mean
from digitise.estimate.change import (
    monte_carlo_p,
    paired_change,
    permutation_paired,
    permutation_unpaired,
    smallest_p_paired,
    smallest_p_unpaired,
    unpaired_change,
)
from digitise.estimate.contrast import benjamini_hochberg, count_ratio, holm, newcombe_difference
from digitise.estimate.planning import detectable_change, power_of, transects_needed
from digitise.estimate.trend import least_squares, mann_kendall, model_trend, smallest_p_mann_kendall, theil_sen

YEARS = [2018, 2019, 2020, 2022, 2023, 2024]
P_VALUES = st.lists(st.floats(0, 1), min_size=1, max_size=12)

# Two surveys


@cases("paired_change", "unpaired_change")
def test_change_has_the_t_interval_of_its_design(case):
    """The same eight numbers: paired p 0.03, unpaired 0.33."""
    call = {"paired_change": paired_change, "unpaired_change": unpaired_change}[case["function"]]
    found, expected = call(case["inputs"]["before"], case["inputs"]["after"]), case["expected"]

    assert [found.effect.value, found.t, found.df, found.p] == close(
        [expected[k] for k in ("mean_change", "t", "df", "p")], case
    )
    assert [found.effect.low, found.effect.high] == close(expected["interval"], case)
    assert found.effect.scope == "between-transect"


def test_welch_is_that_of_scipy():
    """Unequal numbers and spreads."""
    a, b = [30.0, 42.5, 25.0], [10.0, 40.0, 20.0, 27.5, 5.0]
    outside = ttest_ind(b, a, equal_var=False)
    found = unpaired_change(a, b)

    assert (found.t, found.p, found.df) == pytest.approx((outside.statistic, outside.pvalue, outside.df))


@pytest.mark.parametrize("call", [paired_change, unpaired_change])
def test_one_transect_on_a_side_gives_the_difference_and_nothing_else(call):
    """No interval, no p, and the reason."""
    found = call([30.0], [20.0])

    assert (found.effect.value, found.effect.low, found.p) == (-10.0, None, None)
    assert "fewer than two" in found.effect.note


@pytest.mark.parametrize("call", [paired_change, unpaired_change])
def test_transects_without_spread_claim_no_certainty(call):
    """No cover on any line, before or after: a difference of 0 without an interval of zero width."""
    found = call([0.0, 0.0, 0.0], [0.0, 0.0, 0.0])

    assert (found.effect.value, found.effect.has_interval, found.p) == (0.0, False, None)


def test_pairs_need_the_same_lines_twice():
    """Numbers of lines that differ are refused."""
    with pytest.raises(ValueError, match="3 before, 2 after"):
        paired_change([1, 2, 3], [1, 2])


@cases("permutation_unpaired")
def test_labels_of_surveys_are_permuted_over_all_arrangements(case):
    """24 of 70."""
    found = permutation_unpaired(case["inputs"]["before"], case["inputs"]["after"])

    assert (found.arrangements, found.as_extreme) == (case["expected"]["arrangements"], case["expected"]["as_extreme"])
    assert found.p == close(case["expected"]["p"], case)
    assert found.exact


@cases("permutation_paired")
def test_signs_of_differences_are_flipped_in_every_way(case):
    """2 of 16: four pairs cannot reach 0.05."""
    found = permutation_paired(case["inputs"]["differences"])

    assert (found.arrangements, found.as_extreme) == (case["expected"]["arrangements"], case["expected"]["as_extreme"])
    assert found.p == close(case["expected"]["p"], case)
    assert not found.can_reach


@cases("smallest_p_unpaired", "smallest_p_paired", "monte_carlo_p", "smallest_p_mann_kendall")
def test_p_values_have_a_floor(case):
    """So few transects or surveys cannot show more, and a random test never gives 0."""
    call = {
        "smallest_p_unpaired": lambda n1, n2: smallest_p_unpaired(n1, n2),
        "smallest_p_paired": lambda pairs: smallest_p_paired(pairs),
        "monte_carlo_p": lambda as_extreme, random_permutations: monte_carlo_p(as_extreme, random_permutations),
        "smallest_p_mann_kendall": lambda n: smallest_p_mann_kendall(n),
    }[case["function"]]

    assert call(**case["inputs"]) == close(case["expected"], case)


def test_too_many_arrangements_are_sampled_with_the_generator_given():
    """15 against 15 lines, clearly apart: p is the smallest that 999 draws can give; without a generator a refusal."""
    a, b = [float(i) for i in range(15)], [float(i + 40) for i in range(15)]
    found = permutation_unpaired(a, b, rng=np.random.default_rng(1), tries=999)

    assert (found.exact, found.p) == (False, pytest.approx(0.001))
    with pytest.raises(ValueError, match="pass rng"):
        permutation_unpaired(a, b)


# Proportions, counts, many tests


@cases("newcombe_difference")
def test_difference_of_two_proportions_is_the_published_one(case):
    """Printed values of method 10."""
    given_ = case["inputs"]
    found = newcombe_difference(given_["x1"], given_["n1"], given_["x2"], given_["n2"], level=given_["confidence"])

    assert [found.low, found.high] == close(case["expected"], case)


@cases("count_ratio")
def test_ratio_of_two_counts_is_exact_given_their_total(case):
    """30 and 15 on equal areas: twice, at least 1.04 times."""
    g, expected = case["inputs"], case["expected"]
    found = count_ratio(g["count1"], g["area1"], g["count2"], g["area2"], level=g["confidence"])

    assert [found.ratio, found.p, found.low, found.high] == close(
        [expected["ratio"], expected["p"], *expected["ratio_interval"]], case
    )


def test_nothing_counted_is_no_test_and_nothing_on_one_side_no_upper_limit():
    """Rather than infinity or 1."""
    assert count_ratio(0, 40, 0, 40).p is None
    found = count_ratio(5, 40, 0, 40)
    assert (found.ratio, found.high) == (None, None)
    assert found.low > 0
    assert newcombe_difference(1, 4, 0, 0).value is None


@cases("adjusted_p")
def test_adjusted_p_values_are_the_computed_ones(case):
    """Nine categories."""
    assert holm(case["inputs"]["p"]) == close(tuple(case["expected"]["holm"]), case)
    assert benjamini_hochberg(case["inputs"]["p"]) == close(tuple(case["expected"]["benjamini_hochberg"]), case)


@settings(max_examples=30)
@given(P_VALUES)
def test_the_false_discovery_rate_never_asks_more_than_holm(p):
    """In any order, ties included; each p stays in its place."""
    low, high = benjamini_hochberg(p), holm(p)

    assert all(a <= b + 1e-12 and b <= c + 1e-12 for a, b, c in zip(p, low, high, strict=True))
    assert (holm([]), benjamini_hochberg([])) == ((), ())


# Trends


@cases("least_squares")
def test_a_straight_line_has_the_t_interval_of_its_slope(case):
    """Six surveys."""
    found, expected = least_squares(case["inputs"]["years"], case["inputs"]["cover_percent"]), case["expected"]

    assert [found.slope.value, found.slope.se, found.p] == close(
        [expected[k] for k in ("slope_per_year", "se", "p")], case
    )
    assert [found.slope.low, found.slope.high] == close(expected["interval"], case)


@cases("theil_sen")
def test_theil_sen_and_the_exact_mann_kendall_are_the_computed_ones(case):
    """And the interval is scipy's."""
    years, values = case["inputs"]["years"], case["inputs"]["cover_percent"]
    found, test = theil_sen(years, values), mann_kendall(values)
    outside = theilslopes(values, years)

    assert found.slope.value == close(case["expected"]["theil_sen_slope"], case)
    assert (test.s, test.exact) == (case["expected"]["S"], True)
    assert [test.tau, test.p, found.p] == close([case["expected"][k] for k in ("tau", "p_exact", "p_exact")], case)
    assert (found.slope.low, found.slope.high) == pytest.approx((outside.low_slope, outside.high_slope))


@cases("mann_kendall")
def test_mann_kendall_with_ties_is_the_published_example(case):
    """S, variance and Z as printed."""
    found = mann_kendall(case["inputs"]["values_in_time_order"])

    assert [found.s, found.variance, found.z] == close([case["expected"][k] for k in ("S", "var_S", "Z")], case)
    assert not found.exact


def test_exact_mann_kendall_counts_all_orders():
    """By hand: of 120 orders of five values only two are as far from none as a steady rise, and ten as one swap of it."""
    assert (mann_kendall([1, 2, 3, 4, 5]).p, mann_kendall([1, 2, 3, 4, 5]).tau) == (2 / 120, 1.0)
    assert mann_kendall([1, 2, 3, 5, 4]).p == pytest.approx(10 / 120)


@settings(max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 4)), min_size=5, max_size=9))
def test_surveys_of_one_time_are_not_compared(pairs):
    """Whichever comes first; S and its variance are those of scipy, whose p has no correction for continuity."""
    in_time = sorted(pairs, key=lambda pair: pair[0])
    years, values = zip(*in_time, strict=True)
    found = mann_kendall(values, years)
    assume(found.variance > 1e-9)
    outside = kendalltau(years, values, method="asymptotic")

    assert 2 * NormalDist().cdf(-abs(found.s) / math.sqrt(found.variance)) == pytest.approx(outside.pvalue)
    assert found == mann_kendall([value for _, value in sorted(pairs)], years)
    assert theil_sen(years, values).p == found.p


def test_under_five_surveys_no_test_is_given():
    """A slope may be drawn; a p would mislead."""
    years, values = YEARS[:4], [38.0, 36.5, 33.0, 34.0]

    assert least_squares(years, values).p is None
    assert (theil_sen(years, values).p, theil_sen(years, values).slope.has_interval) == (None, False)
    assert model_trend(years, [60, 58, 53, 54], [160] * 4).slope.value is None
    assert least_squares([2020], [1.0]).slope.value is None
    assert theil_sen([2020, 2020], [1.0, 2.0]).slope.value is None


def test_the_cover_model_finds_the_factor_that_made_the_data():
    """Odds that fall by a tenth every year, points as expected: factor 0.9 and an interval round it."""
    odds = [0.6 * 0.9 ** (y - 2018) for y in YEARS]
    hits = [round(4000 * o / (1 + o)) for o in odds]
    found = model_trend(YEARS, hits, [4000] * 6)

    assert found.slope.value == pytest.approx(0.9, abs=0.002)
    assert found.slope.low < 0.9 < found.slope.high
    assert found.slope.unit == "factor of the odds a year"


def test_the_density_model_takes_areas_and_widens_with_the_spread_between_surveys():
    """Doubling areas and counts changes nothing but the noise; scattered surveys widen the interval."""
    smooth = [80, 64, 51, 33, 26, 21]
    rough = [120, 30, 70, 15, 50, 21]
    one, two, wide = (
        model_trend(YEARS, hits, areas, kind="density")
        for hits, areas in ((smooth, [120] * 6), ([2 * x for x in smooth], [240] * 6), (rough, [120] * 6))
    )

    assert one.slope.value == pytest.approx(0.8, abs=0.01)
    assert two.slope.value == pytest.approx(one.slope.value)
    assert wide.slope.high / wide.slope.low > 1.5 * one.slope.high / one.slope.low
    assert one.slope.high / one.slope.low > 1.1  # no narrower than Poisson, smooth as the surveys are


def test_what_was_never_seen_has_no_model():
    """Rather than a factor of nothing."""
    assert model_trend(YEARS, [0] * 6, [120] * 6, kind="density").slope.value is None
    assert model_trend(YEARS, [40] * 6, [40] * 6).slope.value is None
    assert model_trend(YEARS[:4], [1] * 4, [40] * 4).slope.note == "under 5 surveys: no test"
    assert model_trend([2020, 2020, 2020, 2021, 2021], [1, 2, 3, 4, 5], [40] * 5).slope.note == (
        "surveys at 2 times: no model"
    )
    with pytest.raises(ValueError, match="cover or density"):
        model_trend(YEARS, [1] * 6, [40] * 6, kind="counts")


@pytest.mark.parametrize("kind", ["cover", "density"])
@pytest.mark.parametrize("first", [[0, 0, 0, 0, 0, 5], [5, 0, 0, 0, 0, 0]])
def test_what_was_seen_at_one_end_of_time_alone_has_no_model(kind, first):
    """The steeper the line, the better it fits: there is no slope to tell, and no number is made up."""
    found = model_trend(YEARS, first, [120] * 6, kind=kind)

    assert (found.slope.value, found.slope.low, found.slope.high, found.p) == (None, None, None, None)
    assert found.slope.note == "seen at the first or the last time alone, or nothing else was then: no model"


def test_every_pattern_of_seen_and_unseen_has_a_finite_model_or_none():
    """Covers of nothing, some and all of 40 points: never a slope that only says where the fitting stopped."""
    for hits in itertools.product((0, 3, 40), repeat=5):
        slope = model_trend(YEARS[:5], hits, [40] * 5).slope
        assert slope.value is None or 1e-3 < slope.value < 1e3, hits
        assert slope.value is None or 1e-20 < slope.low < slope.value < slope.high < 1e20, hits


def test_surveys_within_days_have_no_factor_a_year():
    """A factor a day to the power of a year is beyond all numbers."""
    days = [2020 + k / 365.25 for k in range(5)]

    assert model_trend(days, [1, 5, 0, 80, 400], [40] * 5, kind="density").slope.note == (
        "surveys too close in time, or counts too uneven, for a factor a year"
    )


def test_the_density_model_of_what_fell_at_once_is_as_unsure_as_its_two_counts():
    """66 on 80 m2 and 2 on 240, none after: a factor of 0.0101, its logarithm with an error of sqrt(1/66 + 1/2)."""
    years, counts, areas = [2002, 2003, 2009, 2016, 2017, 2019], [66, 2, 0, 0, 0, 0], [80, 240, 40, 40, 40, 120]
    found = model_trend(years, counts, areas, kind="density").slope
    half = stats.t.ppf(0.975, 4) * math.sqrt(1 / 66 + 1 / 2)

    assert found.value == pytest.approx(2 / 240 / (66 / 80))
    assert (found.low, found.high) == pytest.approx((found.value * math.exp(-half), found.value * math.exp(half)))


def test_counts_too_uneven_for_a_line_have_no_model():
    """Thousands at once and a few before and after: no factor a year is near both."""
    for counts in ([3285, 0, 4, 6, 0, 1, 0], [2, 0, 0, 0, 0, 0, 962]):
        found = model_trend(range(2013, 2020), counts, [40, 120, 40, 80, 40, 80, 80], kind="density").slope
        assert (found.value, "counts too uneven" in found.note) == (None, True)


def test_covers_that_differ_by_rounding_alone_are_no_trend():
    """Five points of 90 in other parts, of lines of 30: 4, 1 and 0, or 2, 2 and 1; their means differ in the last digit."""
    one, other = (fmean(100 * (x / 30) for x in points) for points in ((0, 1, 4), (0, 0, 5)))
    values = [min(one, other)] * 3 + [max(one, other)] * 3
    robust, line = theil_sen(YEARS, values), least_squares(YEARS, values)

    assert one != other
    assert mann_kendall(values).s == 0
    assert (robust.slope.value, robust.p, robust.slope.note) == (0.0, 1.0, "all surveys in a line: no interval")
    assert (line.slope.value, line.p) == (0.0, None)


def test_a_site_that_was_surveyed_twice_a_day_has_trends_of_what_was_never_seen_there():
    """No spread at all, which rounding once made less than none."""
    for n, times in ((10, [2001, 2002, 2005, 2005, 2007, 2009, 2010, 2010, 2010, 2011]), (5, [1, 2, 2, 3, 4])):
        found = theil_sen(times, [0.0] * n)
        assert (found.slope.value, found.p, mann_kendall([0.0] * n, times).variance) == (0.0, 1.0, 0.0)


# Planning


@cases("transects_needed")
def test_transects_needed_are_the_published_ones(case):
    """17 and 64 a survey, 10 pairs."""
    g = case["inputs"]
    paired = "sd_difference" in g
    found = transects_needed(
        g["change"], g["sd_difference"] if paired else g["sd"], paired=paired, alpha=g["alpha"], power=g["power"]
    )

    assert found[0] == close(case["expected"]["n_exact"], case)
    assert found[1] == case["expected"]["n"]


@cases("detectable_change")
def test_the_smallest_change_is_the_computed_one(case):
    """As a multiple of the spread."""
    g = case["inputs"]
    for name, paired in (("independent", False), ("paired", True)):
        found = detectable_change(g["transects"], paired=paired, alpha=g["alpha"], power=g["power"])
        assert found == close(case["expected"][name], case)


@pytest.mark.parametrize("transects", [3, 4, 6, 10, 20])
def test_power_is_that_of_statsmodels(transects):
    """Two designs, from next to no power to all."""
    for change in (0.2, 1.0, 2.5):
        two = TTestIndPower().power(change, transects, 0.05)
        pairs = TTestPower().power(change, transects, 0.05)
        pairs = 1.0 if math.isnan(pairs) else pairs  # statsmodels gives no number where the power is all but 1
        assert power_of(10 * change, 10, transects) == pytest.approx(two, abs=1e-6)
        assert power_of(change, 1, transects, paired=True) == pytest.approx(pairs, abs=1e-6)
    assert [power_of(12, 1, transects), power_of(40, 1, transects, paired=True)] == pytest.approx([1.0, 1.0])


def test_planning_goes_both_ways():
    """The change that 17 transects detect needs 17 transects; nothing detects no change."""
    assert transects_needed(detectable_change(17, 8.0), 8.0)[0] == pytest.approx(17, abs=1e-5)
    assert transects_needed(1000.0, 1.0) == (2.0, 2)
    with pytest.raises(ValueError, match="change of 0"):
        transects_needed(0, 1)
    with pytest.raises(ValueError, match="more than 100000 transects"):
        transects_needed(1e-5, 1)


# Bootstrap


@cases("acceleration")
def test_acceleration_is_that_of_the_jackknife(case):
    """Of a mean."""
    assert acceleration(case["inputs"]["counts"]) == close(case["expected"]["acceleration"], case)


@cases("bca_mean")
def test_bootstrap_limits_are_those_of_scipy_within_their_noise(case):
    """Twelve counts with a long tail: the interval leans to the right."""
    found = bca_mean(case["inputs"]["counts"], np.random.default_rng(7), resamples=20_000)

    assert [found.low, found.high] == close(case["expected"], case)
    assert found.high - found.value > found.value - found.low


def test_few_or_equal_transects_have_no_bootstrap():
    """Under ten, or all alike: the mean, and why there is no interval."""
    rng = np.random.default_rng(0)

    assert bca_mean([1, 2, 3], rng).note == "under 10 transects: no bootstrap"
    assert not bca_mean([2.0] * 12, rng).has_interval
    assert math.isclose(bca_mean([2.0] * 12, rng).value, 2.0)
