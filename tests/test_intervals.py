"""Intervals: hand answers, published and recomputed values, outside libraries, identities, simulation."""

import doctest
import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shared_cases import cases, close

from digitise.estimate import intervals
from digitise.estimate.acceptance import acceptance_p_value, fixed_sequence, upper_error_bound
from digitise.estimate.intervals import (
    Estimate,
    clopper_pearson,
    effective_points,
    garwood,
    jeffreys,
    korn_graubard,
    poisson_zero_upper,
    t_interval,
    t_mean,
    wilson,
)
from digitise.estimate.multinomial import goodman, sison_glaz
from digitise.estimate.uneven import beta_mean

BINOMIAL = {"wilson": wilson, "clopper_pearson": clopper_pearson, "jeffreys": jeffreys}
MULTINOMIAL = {"goodman": goodman, "sison_glaz": sison_glaz}
LEVELS = st.sampled_from([0.8, 0.9, 0.95, 0.99])
HITS = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def limits(estimate):
    return [estimate.low, estimate.high]


# --- shared cases


@cases(*BINOMIAL)
def test_binomial_limits_equal_the_published_or_recomputed_ones(case):
    """Value and both limits, per 1, 100 or 1000."""
    given_ = case["inputs"]
    raw = BINOMIAL[case["function"]](given_["hits"], given_["points"], level=given_["level"])
    estimate = raw.scaled(given_["per"], "scaled")

    assert limits(estimate) == close(case["expected"]["interval"], case)
    if "value" in case["expected"]:
        assert estimate.value == pytest.approx(case["expected"]["value"], abs=1e-9)


@cases(*MULTINOMIAL)
def test_simultaneous_limits_equal_the_published_or_recomputed_ones(case):
    """All cells, in the order given."""
    found = MULTINOMIAL[case["function"]](case["inputs"]["counts"], level=case["inputs"]["level"])

    assert len(case["expected"]) == len(found)
    for expected, estimate in zip(case["expected"], found, strict=True):
        assert limits(estimate) == close(expected, case)


@cases("garwood")
def test_poisson_limits_equal_the_published_or_recomputed_ones(case):
    """Exact limits of an expected count."""
    assert limits(garwood(case["inputs"]["count"], level=case["inputs"]["level"])) == close(case["expected"], case)


@cases("t_mean")
def test_mean_over_transects_has_the_t_interval_or_none(case):
    """One transect: the value stands, standard error and interval do not exist."""
    found = t_mean(case["inputs"]["covers_percent"], level=case["inputs"].get("level", 0.95))
    expected = case["expected"]

    assert found.value == close(expected["mean"], case)
    if expected["interval"] is None:
        assert (found.se, found.low, found.high) == (None, None, None)
        assert "no between-transect uncertainty" in found.note
    else:
        assert found.se == close(expected["se"], case)
        assert found.n == expected["df"] + 1
        assert limits(found) == close(expected["interval"], case)


@cases("korn_graubard")
def test_korn_graubard_equals_the_recomputed_interval(case):
    """Effective points, adjusted for degrees of freedom, and the limits they give."""
    y = np.array(case["inputs"]["hits"]) / case["inputs"]["points_per_line"]
    p, variance = float(y.mean()), float(y.var(ddof=1) / len(y))
    sample = {
        "transects": len(y),
        "points": len(y) * case["inputs"]["points_per_line"],
        "level": case["inputs"]["level"],
    }
    found = korn_graubard(p, variance, **sample)

    assert p * (1 - p) / variance == close(case["expected"]["n_eff"], case)
    assert effective_points(p, variance, **sample) == close(case["expected"]["n_eff_df_adjusted"], case)
    assert limits(found) == close(case["expected"]["interval"], case)


@cases("upper_error_bound")
def test_upper_error_bound_equals_the_recomputed_one(case):
    """One-sided exact bound; the rule of three comes close to it from above."""
    given_ = case["inputs"]
    if "points" in given_:
        bound = upper_error_bound(given_["hits"], given_["points"], 1 - given_["level"])
        assert bound == close(case["expected"]["exact"], case)
        assert bound < case["expected"]["rule_of_three"]
    else:
        assert upper_error_bound(given_["errors"], given_["accepted"], given_["delta"]) == close(case["expected"], case)


@cases("fewest_accepted")
def test_fewest_accepted_cells_just_meet_the_target(case):
    """With one accepted cell less, the bound is above the target."""
    target, delta = case["inputs"]["target"], case["inputs"]["delta"]
    for errors, fewest in zip(case["inputs"]["errors"], case["expected"], strict=True):
        assert upper_error_bound(errors, fewest, delta) <= target
        assert upper_error_bound(errors, fewest - 1, delta) > target


@cases("acceptance_p_value")
def test_p_value_of_a_threshold_equals_the_binomial_tail(case):
    """P(Binomial(n, target) <= errors)."""
    p = acceptance_p_value(case["inputs"]["errors"], case["inputs"]["accepted"], case["inputs"]["target"])

    assert p == close(case["expected"]["p"], case)
    assert (p <= 0.05) is case["expected"]["pass_at_0.05"]


@cases("fixed_sequence")
def test_fixed_sequence_chooses_the_last_threshold_before_the_first_failure(case):
    """Or none at all, which means that every cell is reviewed."""
    found = fixed_sequence(**case["inputs"])

    assert [step.p_value for step in found.steps] == close(case["expected"]["p"], case)
    assert found.threshold == case["expected"]["chosen"]
    assert (found.chosen and found.chosen.threshold) == case["expected"]["chosen"]


@cases("bonferroni")
def test_p_values_of_the_sequence_give_the_bonferroni_choice(case):
    """Sharing delta over all thresholds is the cross-check without an order."""
    steps = fixed_sequence(**case["inputs"]).steps
    share = case["inputs"]["delta"] / len(steps)
    passing = [step.threshold for step in steps if step.p_value <= share]

    assert share == close(case["expected"]["level"], case)
    assert passing == case["expected"]["passing"]
    assert min(passing) == case["expected"]["chosen"]


# --- hand answers


def test_none_of_forty_never_has_zero_width():
    """The lower end is exactly 0 (the bare formula leaves 7e-16), the upper end is not."""
    for interval in BINOMIAL.values():
        assert interval(0, 40).low == 0.0
        assert interval(0, 40).high > 0.05
        assert interval(40, 40).high == 1.0
        assert interval(40, 40).low < 0.95


def test_clopper_pearson_of_none_has_a_closed_form():
    """Upper limit 1 - (alpha/2)^(1/n)."""
    assert clopper_pearson(0, 40).high == pytest.approx(1 - 0.025 ** (1 / 40), rel=1e-12)


def test_poisson_upper_bound_of_none_is_minus_log_alpha():
    """2.996 at 95 %, near the rule of three; the two-sided limit is 3.689."""
    assert poisson_zero_upper().high == pytest.approx(-math.log(0.05), rel=1e-12)
    assert poisson_zero_upper().low == 0.0
    assert garwood(0).high == pytest.approx(-math.log(0.025), rel=1e-12)


def test_t_interval_of_two_transects_is_very_wide():
    """Covers of 20 and 30 %: 25 plus or minus 12.706 times 5, cut at 0."""
    found = t_mean([20.0, 30.0], unit="%", cut=(0.0, 100.0))

    assert (found.value, found.se, found.low) == (25.0, 5.0, 0.0)
    assert found.high == pytest.approx(25 + 12.7062047 * 5, abs=1e-6)


def test_transects_that_agree_give_no_t_interval():
    """A zero-width interval would claim certainty."""
    found = t_mean([30.0, 30.0, 30.0])

    assert (found.value, found.low, found.high, found.se) == (30.0, None, None, 0.0)
    assert "all transects equal" in found.note


def test_korn_graubard_without_spread_uses_an_assumed_design_effect():
    """160 points that agree are worth 80 at design effect 2, and the note says so."""
    found = korn_graubard(0.0, 0.0, transects=4, points=160)

    assert limits(found) == pytest.approx([0.0, 1 - 0.025 ** (1 / 80)], rel=1e-12)
    assert "design effect of 2 assumed" in found.note


def test_effective_points_never_exceed_the_points():
    """Lines more alike than chance would make them are worth their points, not more."""
    assert effective_points(0.5, 1e-9, transects=4, points=160) == 160


def test_nothing_counted_is_not_available_and_not_zero():
    """No points, no transects, one transect."""
    for interval in BINOMIAL.values():
        found = interval(0, 0)
        assert (found.value, found.low, found.high, found.note) == (None, None, None, "no points")
    assert all(e.value is None for method in MULTINOMIAL.values() for e in method([0, 0]))
    assert t_mean([]).value is None
    assert korn_graubard(0.1, 0.0, transects=1, points=40).has_interval is False


def test_sison_glaz_of_a_single_category_is_not_available():
    """All 40 points alike: the method has no answer, and the note names the one that has."""
    found = sison_glaz([40, 0, 0])

    assert [e.value for e in found] == [1.0, 0.0, 0.0]
    assert not any(e.has_interval for e in found)
    assert "Goodman" in found[0].note


def test_no_accepted_cells_certify_nothing():
    """The bound is 1 with no cells, and with errors only."""
    assert upper_error_bound(0, 0, 0.05) == 1.0
    assert upper_error_bound(5, 5, 0.05) == 1.0
    assert acceptance_p_value(0, 0, 0.01) == 1.0


def test_sequence_stops_at_the_first_failure_even_if_a_later_threshold_would_pass():
    """The second threshold fails, the third alone would pass: the first is chosen."""
    found = fixed_sequence([0.99, 0.95, 0.9], [300, 320, 5000], [0, 2, 2], 0.01, 0.05)

    assert [step.passed for step in found.steps] == [True, False, False]
    assert found.steps[2].p_value < 0.05
    assert found.threshold == 0.99


def test_scaling_moves_value_limits_and_standard_error():
    """And changes nothing else."""
    found = t_mean([1.0, 3.0]).scaled(2.5, "per 100 m2")

    assert (found.value, found.se, found.unit) == (5.0, 2.5, "per 100 m2")
    assert found.high - found.value == pytest.approx(12.7062047 * 2.5, abs=1e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: wilson(5, 4), "hits must lie between 0 and points, got 5 of 4"),
        (lambda: wilson(1, 4, level=95), "level must lie between 0 and 1, got 95"),
        (lambda: goodman([3, -1]), "at least 0"),
        (lambda: sison_glaz([]), "one or more numbers"),
        (lambda: garwood(-1), "count must be at least 0"),
        (lambda: garwood(math.nan), "count must be at least 0"),
        (lambda: effective_points(0.1, 0.1, transects=1, points=40), "at least two transects"),
        (lambda: Estimate(1.0, 2.0, 1.0, 1, "x", "y"), "low 2.0 is above high 1.0"),
        (lambda: fixed_sequence([0.9, 0.99], [1, 2], [0, 0], 0.01, 0.05), "from strict to loose"),
        (lambda: fixed_sequence([0.99, 0.9], [2, 1], [0, 0], 0.01, 0.05), "accepted must not fall"),
        (lambda: fixed_sequence([0.99, 0.9], [2, 3], [1, 0], 0.01, 0.05), "errors must not fall"),
        (lambda: fixed_sequence([0.99], [2, 3], [0, 0], 0.01, 0.05), "equal lengths"),
        (lambda: fixed_sequence([0.99], [2], [0], 1.0, 0.05), "target must lie"),
    ],
)
def test_arguments_that_make_no_sense_are_refused(call, message):
    """The message names the argument."""
    with pytest.raises(ValueError, match=message):
        call()


# --- outside libraries


@pytest.mark.parametrize(
    ("ours", "theirs"), [("wilson", "wilson"), ("clopper_pearson", "beta"), ("jeffreys", "jeffreys")]
)
@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_binomial_limits_equal_those_of_statsmodels(ours, theirs, level):
    """Away from the ends, where libraries differ on Jeffreys."""
    from statsmodels.stats.proportion import proportion_confint

    for hits, points in [(1, 29), (12, 40), (20, 41), (39, 40), (150, 1000)]:
        expected = proportion_confint(hits, points, alpha=1 - level, method=theirs)
        assert limits(BINOMIAL[ours](hits, points, level=level)) == pytest.approx(expected, rel=1e-9)


def test_clopper_pearson_limits_equal_those_of_scipy_binomtest():
    """Including the ends."""
    from scipy.stats import binomtest

    for hits in range(0, 41, 5):
        expected = binomtest(hits, 40).proportion_ci(0.9, method="exact")
        assert limits(clopper_pearson(hits, 40, level=0.9)) == pytest.approx(list(expected), rel=1e-9)


@pytest.mark.parametrize("counts", [[10, 12, 9, 9], [18, 9, 5, 4, 2, 1, 1, 0, 0], [30, 5, 5], [91, 49, 37, 43]])
def test_goodmans_limits_equal_those_of_statsmodels(counts):
    """Cut to [0, 1]; statsmodels does not cut."""
    from statsmodels.stats.proportion import multinomial_proportions_confint

    expected = multinomial_proportions_confint(counts, 0.1, method="goodman").clip(0, 1)
    found = np.array([limits(e) for e in goodman(counts, level=0.9)])

    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("count", [1, 4, 25, 300])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_garwood_limits_put_half_of_alpha_in_each_poisson_tail(count, level):
    """By the Poisson distribution of scipy, not by gamma quantiles."""
    from scipy.stats import poisson

    found = garwood(count, level=level)

    assert poisson.sf(count - 1, found.low) == pytest.approx((1 - level) / 2, rel=1e-8)
    assert poisson.cdf(count, found.high) == pytest.approx((1 - level) / 2, rel=1e-8)


def test_t_interval_equals_that_of_scipy():
    """Five transects."""
    from scipy import stats

    values = [12.5, 30.0, 22.5, 17.5, 40.0]
    expected = stats.t.interval(0.9, 4, np.mean(values), stats.sem(values))

    assert limits(t_mean(values, level=0.9)) == pytest.approx(list(expected), rel=1e-9)


# --- identities


@given(HITS, LEVELS)
@settings(deadline=None)
def test_binomial_interval_holds_the_share_and_mirrors_its_complement(hits_points, level):
    """Hits and misses change places: so do the limits."""
    hits, points = hits_points
    for interval in BINOMIAL.values():
        found, mirror = (interval(x, points, level=level) for x in (hits, points - hits))

        assert 0 <= found.low <= found.value <= found.high <= 1
        assert limits(found) == pytest.approx([1 - mirror.high, 1 - mirror.low], abs=1e-9)


@given(HITS, LEVELS)
@settings(deadline=None)
def test_exact_interval_holds_the_jeffreys_interval(hits_points, level):
    """Clopper-Pearson is the wide one (Brown, Cai & DasGupta 2001)."""
    exact, jeff = (f(*hits_points, level=level) for f in (clopper_pearson, jeffreys))

    assert exact.low <= jeff.low + 1e-12
    assert exact.high >= jeff.high - 1e-12


@given(st.lists(st.integers(0, 40), min_size=2, max_size=9).filter(any), st.randoms(use_true_random=False))
@settings(max_examples=30)
def test_simultaneous_intervals_hold_their_shares_in_any_order_of_cells(counts, random):
    """Sorting the cells sorts the intervals with them."""
    order = list(range(len(counts)))
    random.shuffle(order)
    for method in MULTINOMIAL.values():
        found, moved = method(counts), method([counts[i] for i in order])

        for e, i in zip(moved, order, strict=True):
            assert e.has_interval == found[i].has_interval
            if e.has_interval:
                assert 0 <= e.low <= e.value <= e.high <= 1
                assert limits(e) == pytest.approx(limits(found[i]), abs=1e-9)


@given(st.integers(0, 500), LEVELS)
@settings(deadline=None)
def test_poisson_interval_holds_the_count_and_moves_with_it(count, level):
    """One animal more raises both limits."""
    found, more = garwood(count, level=level), garwood(count + 1, level=level)

    assert found.low <= count <= found.high
    assert more.low > found.low
    assert more.high > found.high


@given(st.lists(st.floats(0, 100), min_size=2, max_size=12), LEVELS)
@settings(deadline=None)
def test_t_interval_holds_the_mean_and_ignores_the_order_of_transects(values, level):
    """Unless there is none, because all transects agree."""
    found, turned = t_mean(values, level=level), t_mean(values[::-1], level=level)

    assert found.value == pytest.approx(turned.value)
    if found.has_interval:
        assert found.low <= found.value <= found.high
        assert limits(found) == pytest.approx(limits(turned))
        again = t_interval(found.value, found.se, transects=len(values), level=level)
        assert limits(again) == limits(found)


@given(HITS, st.sampled_from([0.01, 0.05, 0.2]))
@settings(deadline=None)
def test_passing_the_p_value_equals_meeting_the_bound(hits_points, target):
    """P-value at most delta, if and only if the upper bound is at most the target."""
    errors, accepted = hits_points

    assert (acceptance_p_value(errors, accepted, target) <= 0.05) == (
        upper_error_bound(errors, accepted, 0.05) <= target
    )


# --- simulation


def test_coverage_of_rare_cover_falls_with_t_and_holds_with_korn_graubard():
    """Beta covers of mean 5 %, intra-line correlation 0.11, 4 lines of 40 points: about 84 % and 95 %."""
    rng, truth = np.random.default_rng(11), 0.05
    factor = 1 / 0.11 - 1
    hits = rng.binomial(40, rng.beta(truth * factor, (1 - truth) * factor, size=(3000, 4)))
    t_holds = kg_holds = 0
    for y in hits / 40:
        t, variance = t_mean(y.tolist()), float(y.var(ddof=1) / 4)
        kg = korn_graubard(float(y.mean()), variance, transects=4, points=160)
        t_holds += t.has_interval and t.low <= truth <= t.high
        kg_holds += kg.low <= truth <= kg.high

    assert t_holds / 3000 == pytest.approx(0.84, abs=0.025)
    assert kg_holds / 3000 == pytest.approx(0.95, abs=0.015)


def test_rare_cover_of_eight_lines_holds_with_degrees_of_freedom_of_uneven_lines():
    """The same law and eight lines: about 95 in 100, 92 with Korn and Graubard's."""
    rng, truth = np.random.default_rng(12), 0.05
    factor = 1 / 0.11 - 1
    shares = rng.binomial(40, rng.beta(truth * factor, (1 - truth) * factor, size=(3000, 8))) / 40
    sample = {"transects": 8, "points": 320}
    held = {korn_graubard: 0, beta_mean: 0}
    some = [y for y in shares if y.any()]
    for y in some:
        for method in held:
            e = method(float(y.mean()), float(y.var(ddof=1) / 8), **sample)
            held[method] += e.low <= truth <= e.high

    assert held[beta_mean] / len(some) == pytest.approx(0.953, abs=0.012)
    assert held[korn_graubard] / len(some) == pytest.approx(0.917, abs=0.015)


def test_fixed_sequence_accepts_a_bad_reader_at_most_one_time_in_twenty():
    """Twenty thresholds, each with a true error rate of 1.001 % against a target of 1 %."""
    rng, runs = np.random.default_rng(5), 4000
    accepted = np.arange(400, 2400, 100)
    errors = rng.binomial(np.diff(accepted, prepend=0), 0.01001, size=(runs, 20)).cumsum(axis=1)
    thresholds = np.linspace(0.999, 0.9, 20).tolist()
    wrong = sum(
        fixed_sequence(thresholds, accepted.tolist(), k.tolist(), 0.01, 0.05).threshold is not None for k in errors
    )

    assert 0.005 < wrong / runs < 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)


# --- the module


def test_importing_the_calculators_does_not_import_scipy():
    """`import digitise` must stay fast; scipy loads with the first interval."""
    code = (
        "import sys\n"
        "from digitise.estimate import acceptance, cover, density, intervals, multinomial, reading_doubt\n"
        "print('scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "False"


def test_docstring_examples_of_intervals_are_true():
    """Run as written."""
    result = doctest.testmod(intervals)

    assert (result.failed, result.attempted > 0) == (0, True)
