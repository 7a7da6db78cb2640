"""Audit sizes, error rates over strata, agreement of two people, unusual counts: published and recomputed values."""

import numpy as np
import pytest
from shared_cases import cases, close

from digitise.estimate.acceptance import corrected_risk, upper_error_bound
from digitise.estimate.audit import (
    audit_size,
    audit_size_lot,
    chance_of_larger_count,
    chance_of_passing,
    joint_upper_bound,
    kappa,
    most_wrong_in_lot,
    robust_z,
    sizes_for_bound,
    stratified_rate,
)
from digitise.estimate.error_rates import DOUBLE_ENTRY_EXTRA_TIME_PERCENT, POOLED, TRIAL
from digitise.sheets.protocol import BeltSpec, TransectSpec


@cases("audit_size")
def test_audit_sizes_are_the_published_ones(case):
    """One cell less would not show it."""
    g = case["inputs"]
    allowed = g.get("errors_allowed", 0)
    n = audit_size(g["p0"], g["alpha"], errors_allowed=allowed)

    assert n == case["expected"]
    assert upper_error_bound(allowed, n - 1, g["alpha"]) > g["p0"]


@cases("audit_size_lot")
def test_audit_sizes_of_a_finite_lot_are_the_computed_ones(case):
    """Fewer than for an endless one."""
    g = case["inputs"]

    assert audit_size_lot(g["lot"], g["p0"], g["alpha"]) == case["expected"] < audit_size(g["p0"], g["alpha"])


@cases("chance_of_passing")
def test_a_producers_plan_passes_bad_lots(case):
    """Two errors in 80 accepted: a 5 % lot still passes nearly one time in four."""
    g = case["inputs"]
    found = [chance_of_passing(p, g["sample"], accept_up_to=g["accept_up_to"]) for p in g["p"]]

    assert found == close(case["expected"], case)


@cases("stratified_rate")
def test_error_rate_over_strata(case):
    """Rate, standard error, and the bound shared out over three strata."""
    g, expected = case["inputs"], case["expected"]
    found = stratified_rate(g["weights"], g["sampled"], g["errors"])

    assert [found.rate, found.se, found.upper] == close(
        [expected[k] for k in ("rate", "se", "bonferroni_upper_95")], case
    )


def test_strata_that_do_not_add_up_are_refused():
    """Shares of all accepted cells sum to 1."""
    with pytest.raises(ValueError, match="sum to 1"):
        stratified_rate([0.5, 0.4], [10, 10], [0, 0])


@cases("conformal_risk")
def test_corrected_risk_is_the_arithmetic_of_its_source(case):
    """3 of 999 accepted and wrong."""
    g, expected = case["inputs"], case["expected"]
    found = corrected_risk(g["accepted_and_wrong"], g["calibration_cells"])

    assert found == close(expected["corrected_risk"], case)
    assert (found <= g["alpha"]) is expected["within_alpha"]


@pytest.mark.parametrize(("table", "value"), [([[3, 0], [0, 3]], 1.0), ([[0, 5], [5, 0]], -1.0)])
def test_six_cells_keyed_alike_prove_no_perfect_agreement(table, value):
    """The large-sample error is 0 there, and limits of 1.00 to 1.00 would claim certainty."""
    found = kappa(table)

    assert (found.kappa, found.se, found.low, found.high) == (value, None, None, None)


@cases("kappa")
def test_kappa_is_the_published_one_beside_the_percentage(case):
    """85 % agreement with kappa 0.70 or 0.32; one category only gives no kappa."""
    found, expected = kappa(case["inputs"]["table"]), case["expected"]

    assert found.kappa == (None if expected["kappa"] is None else close(expected["kappa"], case))
    if "percent_agreement" in expected:
        assert found.percent == close(expected["percent_agreement"], case)
    if "interval" in expected:
        assert [found.se, found.low, found.high] == close([expected["se"], *expected["interval"]], case)


@cases("robust_z")
def test_unusual_counts_have_a_robust_z_or_none(case):
    """31 after counts of 3 to 9; without spread there is no z."""
    found, expected = robust_z(case["inputs"]["new"], case["inputs"]["history"]), case["expected"]

    assert found == (None if expected["robust_z"] is None else close(expected["robust_z"], case))


@cases("chance_of_larger_count")
def test_chance_of_so_large_a_count_given_the_history(case):
    """31 on one belt after 34 on six."""
    g = case["inputs"]

    assert chance_of_larger_count(g["new"], g["history_total"], g["history_belts"]) == close(
        case["expected"]["p_upper"], case
    )
    assert chance_of_larger_count(0, 5, 2) == 1.0


@cases("published_rate")
def test_published_error_rates_are_those_printed(case):
    """Wrong fields among 10,000, beside which the report puts an audit's bound."""
    expected = case["expected"]
    if case["inputs"]["study"].startswith("Garza"):
        found = {p.way.replace(" ", "_"): [p.per_10000 / 100, p.low / 100, p.high / 100] for p in POOLED}
    else:
        found = {f"{p.way.removesuffix(' entry')}_per_10000": p.per_10000 for p in TRIAL}
        found["double_extra_time_percent"] = DOUBLE_ENTRY_EXTRA_TIME_PERCENT

    assert found == expected


@cases("points_of_a_line")
def test_a_line_of_20_m_has_40_points_or_41_with_both_ends(case):
    """And a belt of 2 m beside it has 40 m2."""
    g, expected = case["inputs"], case["expected"]
    one = TransectSpec(length_m=g["line_m"], point_spacing_m=g["step_m"], first_point_m=g["step_m"])
    both = TransectSpec(length_m=g["line_m"], point_spacing_m=g["step_m"], first_point_m=0)

    assert len(one.points_m) == expected["points_counting_one_end"]
    assert len(both.points_m) == expected["points_counting_both_ends"]
    assert BeltSpec(width_m=2, segments=("0-20",)).area_m2("0-20") == expected["belt_m2"]


# Finite strata


def test_the_most_wrong_in_a_lot_agrees_with_the_size_that_rules_it_out():
    """211 of 400 without an error rule out 4 wrong ones (1 %), so 3 are the most; one cell fewer does not."""
    assert most_wrong_in_lot(0, 211, 400, 0.05) == 3
    assert most_wrong_in_lot(0, 210, 400, 0.05) == 4
    assert most_wrong_in_lot(2, 50, 50, 0.05) == 2  # everything was looked at
    assert most_wrong_in_lot(0, 1, 2, 0.05) == 1
    assert most_wrong_in_lot(5, 5, 5, 0.05) == 5


def test_a_lot_of_three_by_hand():
    """One of three looked at, no error: with 1 wrong the chance is 2/3, with 2 wrong 1/3, with 3 none."""
    assert most_wrong_in_lot(0, 1, 3, 0.05) == 2
    assert most_wrong_in_lot(0, 1, 3, 0.34) == 1
    assert most_wrong_in_lot(0, 1, 3, 0.67) == 0


def test_the_most_wrong_is_what_the_hypergeometric_distribution_says():
    """Against scipy's own: the largest number of wrong cells that would show so few errors often enough."""
    from scipy.stats import hypergeom

    for lot, sampled, errors in [(60, 20, 0), (60, 20, 2), (500, 120, 3), (37, 36, 1)]:
        fits = [d for d in range(lot + 1) if hypergeom.cdf(errors, lot, d, sampled) > 0.05]
        assert most_wrong_in_lot(errors, sampled, lot, 0.05) == max(fits)


def test_the_joint_bound_is_the_sum_of_the_strata_with_the_risk_shared_out():
    lots, sampled, errors = [400, 100], [211, 100], [0, 1]
    each = [most_wrong_in_lot(0, 211, 400, 0.025), 1]
    assert joint_upper_bound(lots, sampled, errors) == sum(each) / 500


def test_the_planned_sizes_show_the_rate_and_one_cell_fewer_in_proportion_does_not():
    for lots in ([210], [1000, 200, 40], [5, 5]):
        for rate in (0.05, 0.01):
            sizes = sizes_for_bound(lots, rate)
            assert all(min(30, lot) <= n <= lot for n, lot in zip(sizes, lots, strict=True))
            assert joint_upper_bound(lots, sizes, [0] * len(lots)) < rate
    assert sizes_for_bound([5, 5], 0.01) == [5, 5]


def test_the_joint_bound_holds_at_least_as_often_as_it_says():
    """20,000 draws from strata whose wrong cells are known: the bound is below the truth in 5 % at most."""
    lots, wrong, sampled = np.array([600, 200, 80]), np.array([6, 6, 8]), np.array([90, 40, 30])
    found = np.random.default_rng(3).hypergeometric(wrong, lots - wrong, sampled, size=(20_000, 3))
    kinds, counts = np.unique(found, axis=0, return_counts=True)
    missed = sum(
        n
        for k, n in zip(kinds, counts, strict=True)
        if joint_upper_bound(lots, sampled, k.tolist()) < wrong.sum() / lots.sum()
    )
    assert missed / 20_000 <= 0.05


@pytest.mark.parametrize(("errors", "sampled", "lot"), [(2, 1, 5), (0, 6, 5), (-1, 2, 5), (0, 0, 0)])
def test_counts_that_cannot_be_are_refused(errors, sampled, lot):
    with pytest.raises(ValueError, match="errors"):
        most_wrong_in_lot(errors, sampled, lot, 0.05)
