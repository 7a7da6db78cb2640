"""Percent cover: hand answers, shared cases, identities, and what unread points add."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shared_cases import cases, close, the_case

from digitise.estimate.cover import (
    TransectPoints,
    design_effect_of_lines,
    ratio_values,
    site_cover,
    transect_cover,
    variance_parts,
)
from digitise.estimate.reading_doubt import (
    ReadPoints,
    category_moments,
    category_pmf,
    given_legible,
    points_covariance,
    read_cover,
)

CATEGORIES = ("coral", "sand", "rubble", "algae")


def line(name, hits, legible=40, *, planned=None, **missing):
    """A line with ``hits`` points of coral and the rest sand."""
    return TransectPoints(name, {"coral": hits, "sand": legible - hits}, legible, planned or legible, **missing)


def certain(transect):
    """The same line as probabilities of 0 and 1."""
    points = tuple({c: 1.0} for c, x in transect.counts.items() for _ in range(x))
    return ReadPoints(transect.transect, points, transect.planned)


def coral(result):
    return next(c for c in result.covers if c.category == "coral")


@st.composite
def lines(draw, min_legible=0):
    """A few lines of up to 41 points over four categories, some of them not legible."""
    found = []
    for name in range(draw(st.integers(1, 5))):
        counts = draw(st.tuples(*[st.integers(0, 10)] * 4).filter(lambda c: sum(c) >= min_legible))
        lost = draw(st.tuples(*[st.integers(0, 3)] * 3))
        planned = sum(counts) + sum(lost)
        if planned:
            found.append(
                TransectPoints(f"T{name}", dict(zip(CATEGORIES, counts, strict=True)), sum(counts), planned, *lost)
            )
    return found


# --- shared cases


@cases("transect_cover")
def test_cover_of_one_line_is_over_legible_points_with_bounds_for_the_rest(case):
    """No legible point: not available, never 0 %."""
    given_ = case["inputs"]
    lost = given_.get("illegible", 40 - given_.get("points", 40))
    transect = line("T1", given_["hits"], 40 - lost, planned=40, illegible=lost)
    found = transect_cover(transect)[0]

    if case["expected"]["value"] is None:
        assert found.cover.value is None
        assert found.cover.note == "no legible points"
        assert (found.lowest, found.highest) == (0.0, 100.0)
    else:
        assert found.cover.value == close(case["expected"]["value"], case)
        assert [found.lowest, found.highest] == close(case["expected"]["bounds"], case)


@cases("ratio_values")
def test_ratio_estimator_is_used_once_a_line_is_short(case):
    """35 of 40 legible is below 90 %: total over total, with its linearised standard error."""
    hits, points = case["inputs"]["hits"], case["inputs"]["points"]
    parts = variance_parts(*ratio_values(hits, points, [0.0] * 4))
    site = site_cover(
        [line(f"T{i}", x, n, planned=40, unread=40 - n) for i, (x, n) in enumerate(zip(hits, points, strict=True))]
    )

    assert site.estimator == "ratio of totals"
    assert coral(site).cover.value == close(case["expected"]["cover_percent"], case)
    assert coral(site).cover.se == close(case["expected"]["se_percent"], case)
    assert 100 * math.sqrt(parts.design) == close(case["expected"]["se_percent"], case)


@cases("design_effect_of_lines")
def test_design_effect_compares_lines_with_independent_points(case):
    """And says how many independent points the lines are worth."""
    deff, worth = design_effect_of_lines(case["inputs"]["hits"], case["inputs"]["points_per_line"])

    assert deff == close(case["expected"]["deff"], case)
    assert worth == close(case["expected"]["effective_points_total"], case)


@cases("category_pmf")
def test_points_read_with_probabilities_follow_the_exact_law(case):
    """Mean, variance, two probabilities and the mode."""
    points = [{"coral": p, "sand": 1 - p} for p in case["inputs"]["probabilities"]]
    mean, variance = category_moments(points, "coral")
    pmf = category_pmf(points, "coral")
    read = read_cover([ReadPoints("T1", tuple(points), 40)], CATEGORIES)[0]

    assert [mean, variance, pmf[12], pmf[13]] == close(
        [case["expected"][k] for k in ("mean", "variance", "P12", "P13")], case
    )
    assert int(np.argmax(pmf)) == case["expected"]["mode"]
    assert read.sheets.value == close(case["expected"]["cover_percent_mean"], case)
    assert read.sheets.se == close(case["expected"]["cover_percent_sd"], case)


@cases("points_covariance")
def test_two_categories_of_one_point_exclude_each_other(case):
    """Covariance of counts, and of covers over 40 points."""
    point = {"coral": case["inputs"]["p_c"], "sand": case["inputs"]["p_d"], "rubble": 0.1}
    found = points_covariance([point], "coral", "sand")

    assert found == close(case["expected"]["cov_count"], case)
    assert found / case["inputs"]["points"] ** 2 == close(case["expected"]["cov_cover_fraction"], case)


@cases("variance_parts")
def test_reading_variance_adds_to_the_variance_between_lines(case):
    """Between-transect and reading parts, their sum, and the floor without reading."""
    found = variance_parts(case["inputs"]["expected_cover"], case["inputs"]["reading_variance"])
    expected = case["expected"]

    assert [found.read, found.samp, found.total] == close([expected[k] for k in ("V_read", "V_samp", "V_total")], case)
    assert math.sqrt(found.total) == close(expected["se_total"], case)
    assert math.sqrt(found.design) == close(expected["se_floor"], case)


def test_site_mean_of_four_whole_lines_is_the_t_interval_of_their_covers():
    """Covers 30, 42.5, 25 and 37.5 % (case C032)."""
    case = the_case("C032")
    found = coral(site_cover([line(f"T{i}", x) for i, x in enumerate((12, 17, 10, 15))]))

    assert found.cover.value == close(case["expected"]["mean"], case)
    assert [found.cover.low, found.cover.high] == close(case["expected"]["interval"], case)
    assert (found.cover.method, found.cover.scope) == ("t interval over transects", "between-transect")


# --- hand answers


@pytest.mark.parametrize(
    ("others", "method"), [("BCD", "beta interval over transects"), ("BC", "Korn-Graubard over transects")]
)
def test_rare_cover_has_an_interval_of_its_own_and_its_complement_the_mirror_image(others, method):
    """2 of 40 on one line of four or three: 1.25 or 1.67 % coral, the rest sand."""
    found = site_cover([line("A", 2), *(line(name, 0) for name in others)])
    rare, common = found.covers
    share = 5 / (1 + len(others))

    assert rare.cover.method == common.cover.method == method
    assert (rare.cover.value, common.cover.value) == pytest.approx((share, 100 - share))
    assert [rare.cover.low, rare.cover.high] == pytest.approx([100 - common.cover.high, 100 - common.cover.low])
    assert 0 < rare.cover.low < share < rare.cover.high


def test_category_never_seen_has_an_upper_limit_and_says_what_it_assumes():
    """None in 160 points, taken as 80: 100 (1 - 0.025^(1/80)) = 4.5 %."""
    found = site_cover([line(f"T{i}", 12 + i) for i in range(4)], categories=["algae", "coral", "sand"])
    algae = found.covers[0]

    assert (algae.category, algae.points, algae.cover.value, algae.cover.low) == ("algae", 0, 0.0, 0.0)
    assert algae.cover.high == pytest.approx(100 * (1 - 0.025 ** (1 / 80)))
    assert "assumed" in algae.cover.note


def test_lines_that_agree_do_not_give_a_zero_width_interval():
    """12 of 40 on each of three lines."""
    found = coral(site_cover([line(f"T{i}", 12) for i in range(3)])).cover

    assert found.value == pytest.approx(30.0)
    assert found.low < 25
    assert found.high > 35


def test_one_line_has_a_value_and_no_interval():
    """The note says why; a within-line interval is not put in its place."""
    found = coral(site_cover([line("T1", 12)])).cover

    assert (found.value, found.low, found.high, found.se) == (30.0, None, None, None)
    assert found.note == "one transect: no between-transect uncertainty"


def test_line_without_legible_points_is_left_out_of_the_mean_but_not_of_the_bounds():
    """20 of 40, 20 of 40 and nothing: 50 %, bounds 33.3 to 66.7 %."""
    found = site_cover([line("A", 20), line("B", 20), line("C", 0, 0, planned=40, unread=40)])

    assert (found.transects, found.left_out) == (("A", "B"), ("C",))
    assert coral(found).cover.value == pytest.approx(50.0)
    assert (coral(found).lowest, coral(found).highest) == pytest.approx((100 / 3, 200 / 3))
    assert "C: 40 of 40 points missing" in found.notes


def test_site_without_any_legible_point_is_not_available():
    """Not 0 %."""
    found = site_cover([line("A", 0, 0, planned=40, blank=40)])

    assert coral(found).cover.value is None
    assert coral(found).cover.note == "no legible points"


def test_ninety_percent_legible_still_takes_the_mean_of_lines():
    """36 of 40 is not fewer than 90 %; 35 is."""
    whole = line("A", 20)

    assert site_cover([whole, line("B", 9, 36, planned=40, blank=4)]).estimator == "mean of transects"
    assert site_cover([whole, line("B", 9, 35, planned=40, blank=5)]).estimator == "ratio of totals"


def test_lines_with_40_and_41_points_are_never_mixed_silently():
    """The difference is noted, by line."""
    found = site_cover([line("A", 20, 40), line("B", 20, 41)])

    assert found.notes == ("transects differ in planned points: A 40, B 41",)


def test_one_line_gives_goodman_intervals_for_all_its_categories_together():
    """Only when asked, and labelled within-line; the first case of nine categories (C041)."""
    case = the_case("C041")
    counts = {f"c{i}": x for i, x in enumerate(case["inputs"]["counts"])}
    found = transect_cover(TransectPoints("T1", counts, 40, 40), interval="goodman")

    for c, expected in zip(found, case["expected"], strict=True):
        assert [c.cover.low / 100, c.cover.high / 100] == close(expected, case)
        assert c.cover.scope == "within-line, if points were independent"
    assert not any(c.cover.has_interval for c in transect_cover(line("T1", 3)))
    assert transect_cover(line("T1", 12), interval="wilson")[0].cover.low == pytest.approx(18.0748, abs=1e-4)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: TransectPoints("T1", {"coral": 3}, 4, 4), "do not sum to 4 legible"),
        (lambda: TransectPoints("T1", {"coral": 3}, 3, 5, unread=1), "4 points accounted for, 5 planned"),
        (lambda: TransectPoints("T1", {"coral": -1}, -1, 0, unread=1), "at least 0"),
        (lambda: transect_cover(line("T1", 3), interval="wald"), "interval must be one of none, goodman"),
        (lambda: site_cover([]), "at least one transect"),
        (lambda: site_cover([line("T1", 3)], categories=["coral"]), "not among the categories: sand"),
        (lambda: ReadPoints("T1", ({"coral": 0.9},), 40), "T1, point 1: probabilities must sum to 1"),
        (lambda: ReadPoints("T1", ({"coral": 1.0},) * 3, 2), "3 points, 2 planned"),
        (lambda: read_cover([certain(line("T1", 3))], ["coral"]), "not among the categories: sand"),
    ],
)
def test_points_that_do_not_add_up_are_refused(call, message):
    """The message names the transect or the category."""
    with pytest.raises(ValueError, match=message):
        call()


# --- reading uncertainty


def test_a_certain_reading_gives_the_same_site_cover_as_counted_points():
    """With equal, unequal and short lines, and with one line."""
    for legible in [(40, 40, 40, 40), (40, 39, 38, 40), (40, 30, 40, 40), (40,)]:
        counted = [line(f"T{i}", 12 + 2 * i, n, planned=40, unread=40 - n) for i, n in enumerate(legible)]
        site = site_cover(counted)
        read = read_cover([certain(t) for t in counted], ("coral", "sand"))
        for c, r in zip(site.covers, read, strict=True):
            assert (r.site, r.recorded, r.expected) == (c.cover, c.points, c.points)
            assert r.parts.read == 0
            assert r.sheets.low == pytest.approx(r.sheets.high) == pytest.approx(r.sheets.value)


def test_doubtful_points_widen_the_site_interval_and_say_so():
    """Ten doubtful points on each of four lines."""
    counted = [line(f"T{i}", x) for i, x in enumerate((12, 17, 10, 15))]
    doubt = {"coral": 0.5, "sand": 0.5}
    read = read_cover(
        [ReadPoints(t.transect, (doubt,) * 4 + certain(t).points[2:-2], 40) for t in counted],
        ("coral", "sand"),
    )[0]
    plain = coral(site_cover(counted)).cover

    assert read.site.value == pytest.approx(plain.value)
    assert read.site.se == pytest.approx(math.hypot(plain.se, 100 * math.sqrt(2 * read.parts.read)))
    assert read.parts.read == pytest.approx(4 * 4 * 0.25 / 160**2)
    assert (read.site.scope, read.sheets.scope) == ("between-transect and reading", "reading")


def test_one_line_read_with_doubt_gives_reading_uncertainty_only():
    """And no interval for the site."""
    points = ({"coral": 0.8, "sand": 0.2},) * 10 + ({"sand": 1.0},) * 30
    read = read_cover([ReadPoints("T1", points, 40)], ("coral", "sand"))[0]

    assert read.sheets.se == pytest.approx(100 * math.sqrt(10 * 0.8 * 0.2) / 40)
    assert read.sheets.low < read.sheets.value < read.sheets.high
    assert (read.site.value, read.site.has_interval) == (pytest.approx(20.0), False)
    assert (read.parts.samp, read.parts.total) == (None, None)


def test_expected_cover_of_what_nobody_wrote_stands_beside_zero_recorded_points():
    """Forty points, each 0.1 % likely: 0 recorded, 0.04 points or 0.1 % expected, on each of four lines."""
    points = ({"coral": 0.001, "sand": 0.999},) * 40
    read = read_cover([ReadPoints(f"T{i}", points, 40) for i in range(4)], ("coral", "sand"))[0]

    assert (read.recorded, read.expected) == (0, pytest.approx(0.16))
    assert read.site.value == pytest.approx(0.1)
    assert read.site.high > 4


def test_small_doubt_on_lines_that_agree_does_not_shrink_the_interval():
    """12 of 40 on each line: reading them at 99.99 % must not beat reading them for sure."""
    sure = [line(f"T{i}", 12) for i in range(4)]
    shares = (0.9999, 0.9998, 0.9999, 0.9997)
    read = read_cover(
        [
            ReadPoints(
                f"T{i}",
                ({"coral": p, "sand": 1 - p},) * 12 + ({"sand": p, "coral": 1 - p},) * 28,
                40,
            )
            for i, p in enumerate(shares)
        ],
        ("coral", "sand"),
    )[0]
    plain = coral(site_cover(sure)).cover

    assert read.site.low == pytest.approx(plain.low, abs=0.1)
    assert read.site.high == pytest.approx(plain.high, abs=0.1)


def test_point_is_conditioned_on_being_legible():
    """Mass on blank is left out; a point likelier blank than not is not legible."""
    assert given_legible({"coral": 0.6, "sand": 0.2, "blank": 0.2}, CATEGORIES) == {
        "coral": pytest.approx(0.75),
        "sand": pytest.approx(0.25),
    }
    assert given_legible({"coral": 0.3, "blank": 0.7}, CATEGORIES) is None
    assert given_legible({}, CATEGORIES) is None


def test_sheets_interval_holds_the_truth_as_often_as_it_says():
    """2000 sites of two lines, simulated from the probabilities themselves: at least 95 %."""
    rng = np.random.default_rng(3)
    shares = np.concatenate([np.full(60, 0.02), rng.uniform(0.2, 0.8, 10), np.full(10, 0.97)])
    points = [{"coral": float(p), "sand": float(1 - p)} for p in rng.permutation(shares)]
    read = read_cover(
        [ReadPoints("A", tuple(points[:40]), 40), ReadPoints("B", tuple(points[40:]), 40)], ("coral", "sand")
    )[0]
    truth = 100 * (rng.random((2000, 80)) < [p["coral"] for p in points]).mean(axis=1)
    held = np.mean((truth >= read.sheets.low - 1e-9) & (truth <= read.sheets.high + 1e-9))

    assert 0.94 < held <= 0.99
    assert np.std(truth) == pytest.approx(read.sheets.se, rel=0.05)


# --- identities


@given(lines())
@settings(deadline=None)
def test_covers_of_a_site_sum_to_100_and_lie_within_their_bounds(transects):
    """Whichever estimator applies."""
    if not transects:
        return
    found = site_cover(transects, categories=CATEGORIES)
    if not found.transects:
        assert all(c.cover.value is None for c in found.covers)
        return

    assert math.fsum(c.cover.value for c in found.covers) == pytest.approx(100)
    for c in found.covers:
        assert c.lowest - 1e-9 <= c.cover.value <= c.highest + 1e-9
        if len(found.transects) > 1:
            assert 0 <= c.cover.low <= c.cover.value <= c.cover.high <= 100
            assert c.cover.high - c.cover.low > 1


@given(lines(min_legible=1), st.randoms(use_true_random=False))
@settings(deadline=None)
def test_order_of_lines_and_of_categories_is_irrelevant(transects, random):
    """Site cover depends on what was counted, not on when it was read."""
    turned = []
    for t in transects:
        items = list(t.counts.items())
        random.shuffle(items)
        turned.append(TransectPoints(t.transect, dict(items), t.legible, t.planned, t.unread, t.illegible, t.blank))
    random.shuffle(turned)
    one = site_cover(transects, categories=CATEGORIES)
    other = site_cover(turned, categories=CATEGORIES)

    assert one.estimator == other.estimator
    for a, b in zip(one.covers, other.covers, strict=True):
        assert (a.cover.value, a.lowest, a.highest) == pytest.approx((b.cover.value, b.lowest, b.highest))
        assert (a.cover.low is None) == (b.cover.low is None)
        if a.cover.has_interval:
            assert (a.cover.low, a.cover.high) == pytest.approx((b.cover.low, b.cover.high))


@given(lines(min_legible=1))
@settings(deadline=None)
def test_covers_of_one_line_sum_to_100(transects):
    """Over its legible points."""
    for t in transects:
        assert math.fsum(c.cover.value for c in transect_cover(t)) == pytest.approx(100)


@given(st.lists(st.floats(0, 1), max_size=20))
@settings(deadline=None)
def test_law_of_points_agrees_with_its_moments(shares):
    """Sum 1, same mean and variance; the order of points is irrelevant."""
    points = [{"coral": p, "sand": 1 - p} for p in shares]
    pmf = np.array(category_pmf(points, "coral"))
    mean, variance = category_moments(points, "coral")
    k = np.arange(len(pmf))

    assert pmf.sum() == pytest.approx(1)
    assert k @ pmf == pytest.approx(mean, abs=1e-9)
    assert (k - mean) ** 2 @ pmf == pytest.approx(variance, abs=1e-9)
    assert pmf == pytest.approx(np.array(category_pmf(points[::-1], "coral")), abs=1e-12)
    assert pmf == pytest.approx(np.array(category_pmf(points, "sand"))[::-1], abs=1e-12)


def test_design_effect_is_unknown_when_lines_agree_or_there_is_one():
    """Then the points count for themselves."""
    assert design_effect_of_lines([12, 12], 40) == (None, 80.0)
    assert design_effect_of_lines([12], 40) == (None, 40.0)
