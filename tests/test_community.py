"""Community measures, occurrence and spread: hand answers, published data through scikit-bio, and identities."""

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import hypergeom
from shared_cases import cases, close
from skbio.diversity.alpha import pielou_e, shannon, simpson, sobs

from digitise.estimate.community import community, rarefied_richness
from digitise.estimate.occurrence import dispersion, negative_binomial_k, occurrence

COUNTS = st.lists(st.integers(0, 40), min_size=1, max_size=12).filter(lambda x: sum(x) > 0)


def test_two_kinds_alike_are_worth_two():
    """Shannon ln 2, Simpson 1/2, evenness 1."""
    found = community([10, 10, 0])

    assert (found.richness, found.individuals) == (2, 20)
    assert (found.shannon, found.effective, found.simpson, found.evenness) == pytest.approx((math.log(2), 2, 0.5, 1))


def test_kinds_all_alike_are_even_and_not_more_than_that():
    """Rounding would make of five kinds once each an evenness of a hair above 1."""
    found = [community([1] * kinds).evenness for kinds in range(2, 200)]

    assert max(found) == 1.0
    assert min(found) > 1 - 1e-12


def test_one_kind_has_no_evenness_and_nothing_has_no_index():
    """Never 0/0, never a number for nothing."""
    assert (community([7]).shannon, community([7]).simpson, community([7]).evenness) == (0.0, 0.0, None)
    assert community([0, 0]).shannon is None
    assert community([]).richness == 0


@given(COUNTS)
def test_measures_are_those_of_scikit_bio(counts):
    """Shannon in nats, Simpson as 1 - D, Pielou's evenness, richness."""
    found = community(counts)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library divides 0 by 0 for one kind
        outside = [sobs(counts), shannon(counts, base=math.e), simpson(counts)]
        evenness = pielou_e(counts)

    assert [found.richness, found.shannon, found.simpson] == pytest.approx(outside, abs=1e-9)
    if found.richness > 1:
        assert found.evenness == pytest.approx(evenness)


def test_schools_of_hundred_thousands_are_rarefied_as_few_animals_are():
    """Half of 380,000 animals, and ten of them, beside the hypergeometric law; binomials of these have 100,000 digits."""
    counts = [200_000, 100_000, 60_000, 19_990, 7, 3]
    for drawn in (190_000, 10):
        missed = [hypergeom.pmf(0, sum(counts), x, drawn) for x in counts]
        assert rarefied_richness(counts, drawn)[0] == pytest.approx(math.fsum(1 - q for q in missed), rel=1e-9)


def test_rarefied_to_two_individuals_richness_is_one_more_than_simpsons_chance_of_two_kinds():
    """5 and 5: one kind, and a second with chance 5/9."""
    expected, sd = rarefied_richness([5, 5], 2)

    assert expected == pytest.approx(1 + 5 / 9)
    assert sd == pytest.approx(math.sqrt(5 / 9 * 4 / 9))


@given(COUNTS)
def test_rarefaction_goes_from_one_kind_to_all(counts):
    """One individual is one kind; all of them are all kinds, without spread; more is refused."""
    total, kinds = sum(counts), sum(x > 0 for x in counts)

    assert rarefied_richness(counts, 1)[0] == pytest.approx(1.0)
    assert rarefied_richness(counts, total) == pytest.approx((kinds, 0.0))
    with pytest.raises(ValueError, match=f"{total} were counted"):
        rarefied_richness(counts, total + 1)


def test_parts_of_animals_are_refused():
    """An expected count is no count."""
    with pytest.raises(ValueError, match="whole numbers"):
        community([1.5, 2])


# Occurrence and spread


def test_occurrence_is_a_share_of_transects_with_the_wilson_interval():
    """1 of 29 (Newcombe 1998): 0.6 to 17.2 %; none of none is not known."""
    found = occurrence(1, 29)

    assert [found.low, found.high] == pytest.approx([0.61, 17.18], abs=0.006)
    assert occurrence(0, 0).value is None
    assert occurrence(0, 4).high > 40


@cases("dispersion")
def test_spread_is_compared_with_poisson(case):
    """Index, test and moment k; without overdispersion k does not exist."""
    found, expected = dispersion(case["inputs"]["counts"]), case["expected"]

    if "index" in expected:
        assert [found.mean, found.variance, found.index, found.p] == close(
            [expected[k] for k in ("mean", "variance", "index", "p_upper")], case
        )
        assert (found.transects - 1) * found.index == close(expected["chi2"], case)
    else:
        assert found.k is expected["k_moment"] is None
        assert "Poisson" in found.note
        assert negative_binomial_k(case["inputs"]["counts"]) is None


@cases("negative_binomial_k")
def test_negative_binomial_size_by_moments_and_likelihood(case):
    """Likelihood gives more clumping here than moments."""
    assert dispersion(case["inputs"]["counts"]).k == close(case["expected"]["k_moment"], case)
    assert negative_binomial_k(case["inputs"]["counts"]) == close(case["expected"]["k_ml"], case)


def test_one_transect_or_none_seen_says_nothing_of_spread():
    """And few transects say so of a large p."""
    assert dispersion([3]).index is None
    assert dispersion([0, 0, 0]).index is None
    assert "no sign of Poisson" in dispersion([2, 2, 3]).note
