"""Scores become honest probabilities: monotone, never certain, and never accepted without evidence."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from digitise.estimate.acceptance import design_effect_of_pages
from digitise.reader.calibration import (
    BIN_GROWTH,
    DOUBTFUL,
    FINEST,
    NEVER,
    SMALLEST_BIN,
    Acceptance,
    Curve,
    certainty_of,
    fit_curve,
    read_acceptance,
    shipped_acceptance,
)
from digitise.train.calibrate import LEAST_SURE, Row, fit_acceptance, sample_page, set_acceptance, with_earlier

CURVE = Curve((0.0, 1.0, 2.0, 3.0), (0.5, 0.8, 0.98, 0.998), 0.98, 0.002, 0.05, 900, 1, 0.0052)
ACCEPTANCE = Acceptance({"code": CURVE, f"code{DOUBTFUL}": CURVE}, "made up for a test")


def test_certainty_is_decimal_places() -> None:
    """0 is 0, 0.9 is 1, 0.99 is 2; 1 and beyond 0.999999 are 6 and no more."""
    assert certainty_of([0.0, 0.9, 0.99, 1.0, 0.9999999]) == pytest.approx([0, 1, 2, FINEST, FINEST])


def test_confidence_is_interpolated_between_knots() -> None:
    """Half way between the knots of 0.9 and 0.99 it is half way between 0.8 and 0.98; beyond the ends it stays."""
    assert CURVE.confidence(0.9) == pytest.approx(0.8)
    assert CURVE.confidence(1 - 10**-1.5) == pytest.approx(0.89)
    assert CURVE.confidence(0.0) == 0.5
    assert CURVE.confidence(1.0) == 0.998


@pytest.mark.parametrize(("score", "accepted"), [(0.9, False), (0.9899, False), (0.9901, True), (1.0, True)])
def test_a_score_is_accepted_from_the_threshold_on(score: float, accepted: bool) -> None:
    """A score of 0.99 means 0.98, the threshold: just above it is accepted, just below it not."""
    assert ACCEPTANCE.judge("code", score)[1] is accepted


@given(st.floats(0, 1))
def test_a_doubtful_reading_is_never_accepted(score: float) -> None:
    """A reason for review outweighs any score."""
    assert ACCEPTANCE.judge("code", score, doubtful=True)[1] is False


@given(st.text(max_size=20), st.floats(0, 1), st.booleans())
def test_an_unknown_group_is_never_accepted(group: str, score: float, doubtful: bool) -> None:
    """No curve, no acceptance, and no more than even confidence."""
    confidence, accepted = Acceptance({}, "nothing").judge(group, score, doubtful=doubtful)

    assert not accepted
    assert 0 <= confidence <= 0.5


def test_a_doubtful_reading_of_a_group_without_its_curve_is_not_accepted() -> None:
    assert Acceptance({"code": CURVE}, "half").judge("code", 1.0, doubtful=True) == (0.5, False)


# --- fitting ---------------------------------------------------------------------------------------------


def test_two_bins_by_hand() -> None:
    """Thirty scores of 0.9, half of them right, and thirty-one of 0.99, all right: 15.5 / 31 and 31.5 / 32."""
    knots, probability = fit_curve(np.repeat([0.9, 0.99], [30, 31]), np.arange(61) % 2 + (np.arange(61) >= 30) > 0)

    assert knots == (1.0, 2.0)
    assert probability == (0.5, pytest.approx(31.5 / 32, abs=1e-6))


def test_bins_grow_from_the_doubtful_end() -> None:
    """The first holds thirty readings, each next a fifth more: 30, 36, 43, 51; errors among them are told apart."""
    scores = np.linspace(0.01, 0.999, 160)
    knots, _ = fit_curve(scores, np.arange(160) >= 30)

    assert len(knots) >= 2
    assert knots[0] == pytest.approx(certainty_of(scores[:30]).mean(), abs=1e-4)


def test_violators_are_pooled_by_hand() -> None:
    """More right at the lower score: one block, 45.5 / 62, at the mean certainty 1.5."""
    right = np.concatenate([np.ones(30, bool), np.arange(31) % 2 == 1])
    knots, probability = fit_curve(np.repeat([0.9, 0.99], [30, 31]), right)

    assert knots == (pytest.approx(1.5, abs=0.01),)
    assert probability == (pytest.approx(45.5 / 62, abs=1e-6),)


def test_readings_of_one_certainty_are_as_often_right_as_all_of_them() -> None:
    """Whatever their order: 200 wrong ones of 1,000, first or last, above 40 doubtful ones that are all wrong."""
    scores, right = np.repeat([0.9, 1.0], [40, 1000]), np.repeat([False, True], [240, 800])
    first = fit_curve(scores, right)
    last = fit_curve(scores, np.concatenate([right[:40], right[:39:-1]]))

    assert first == last == ((1.0, 6.0), (pytest.approx(0.5 / 41, abs=1e-6), pytest.approx(800.5 / 1001, abs=1e-6)))


def test_no_finite_sample_is_taken_for_certainty() -> None:
    """Fifty right of fifty is at most 50.5 / 51."""
    assert fit_curve(np.full(50, 0.999), np.ones(50, bool))[1] == (pytest.approx(50.5 / 51, abs=1e-6),)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=2, max_size=900))
def test_any_curve_is_monotone(rows: list[tuple[float, bool]]) -> None:
    """Knots increase, probabilities increase and stay strictly inside (0, 1)."""
    knots, probability = fit_curve(np.array([s for s, _ in rows]), np.array([r for _, r in rows]))

    assert list(knots) == sorted(knots)
    assert list(probability) == sorted(set(probability))
    assert probability[0] > 0
    assert probability[-1] < 1


@given(st.permutations(list(range(40))))
def test_order_of_the_sample_does_not_matter(order: list[int]) -> None:
    scores, right = np.linspace(0.3, 0.99, 40), np.arange(40) % 3 > 0
    shuffled = np.array(order)

    assert fit_curve(scores[shuffled], right[shuffled]) == fit_curve(scores, right)


@pytest.mark.parametrize("seed", range(5))
def test_pooling_agrees_with_an_independent_implementation(seed: int) -> None:
    """Isotonic regression of scikit-learn over the same bins, but for the half that is added to thirty or more.

    Ayer et al. 1955, doi:10.1214/aoms/1177728423. The half that each block adds to its counts is all that may differ.
    """
    from sklearn.isotonic import IsotonicRegression

    rng = np.random.default_rng(seed)
    scores = np.sort(1 - 10 ** -rng.uniform(0, 3, 60_000))
    certainty = certainty_of(scores)
    chance = np.clip(0.35 + 0.2 * certainty + 0.06 * np.sin(7 * certainty), 0, 0.985)
    right = rng.random(len(scores)) < chance
    knots, probability = fit_curve(scores, right)
    edges = np.cumsum(SMALLEST_BIN * BIN_GROWTH ** np.arange(80)).astype(int)
    parts = [np.split(v, edges[edges < len(scores) - SMALLEST_BIN]) for v in (certainty, right.astype(float))]
    bins, rates = (np.array([b.mean() for b in part]) for part in parts)
    fitted = IsotonicRegression().fit_transform(bins, rates, sample_weight=[len(b) for b in parts[0]])
    blocks = [fitted == v for v in np.unique(fitted)]

    assert len(knots) == pytest.approx(len(blocks), abs=1)
    assert len(blocks) < len(bins)  # pooling had something to do
    middles = [np.concatenate([parts[0][i] for i in np.flatnonzero(b)]).mean() for b in blocks]
    ours = np.interp(middles, knots, probability)
    assert ours == pytest.approx(np.unique(fitted), abs=0.5 / 31)


def test_fitted_probabilities_are_honest_on_new_scores() -> None:
    """Drawn anew from the same law, readings of every tenth of the curve are right as often as it says, within 0.02."""
    rng = np.random.default_rng(8)

    def sample(n: int) -> tuple[np.ndarray, np.ndarray]:
        scores = 1 - 10 ** -rng.uniform(0, 3, n)
        return scores, rng.random(n) < 0.4 + 0.19 * certainty_of(scores)

    curve = Curve(*fit_curve(*sample(100_000)), NEVER, 0.001, 0.05, 0, 0, 1.0)
    scores, right = sample(40_000)
    said = np.array([curve.confidence(s) for s in scores])
    for part in np.array_split(np.argsort(said), 10):
        assert right[part].mean() == pytest.approx(said[part].mean(), abs=0.02)


# --- kept ------------------------------------------------------------------------------------------------


def test_acceptance_survives_its_file(tmp_path) -> None:
    path = tmp_path / "acceptance.json"
    path.write_text(ACCEPTANCE.to_json(), encoding="utf-8")

    assert read_acceptance(path) == ACCEPTANCE
    assert json.loads(path.read_text(encoding="utf-8"))["basis"] == "made up for a test"


def test_shipped_curves_rest_on_their_counts() -> None:
    """Every curve is monotone; one that accepts anything has its bound under its target; doubtful ones never accept.

    The bound is Clopper & Pearson's, recomputed here with scipy from the counts and the design effect in the file; errors count in full.
    """
    from scipy.stats import beta

    shipped = shipped_acceptance()
    for name, curve in shipped.curves.items():
        assert len(curve.knots) == len(curve.probability) >= 1, name
        assert list(curve.knots) == sorted(curve.knots), name
        assert list(curve.probability) == sorted(curve.probability), name
        assert curve.probability[0] > 0
        assert curve.probability[-1] < 1, name
        if name.endswith(DOUBTFUL):
            assert curve.threshold == NEVER, name
        if curve.threshold < NEVER:
            worth = int(curve.accepted / curve.design_effect)
            bound = beta.ppf(1 - curve.delta, curve.errors + 1, worth - curve.errors)
            assert curve.bound == pytest.approx(bound, rel=1e-3), name  # the effect is rounded in the file
            assert curve.bound <= curve.target, name
    assert "simulated" in shipped.basis
    assert any(c.threshold < NEVER for c in shipped.curves.values())


def test_no_shipped_threshold_is_reached_from_below() -> None:
    """The threshold is among the probabilities that the curve gives, or the least that any may have, or never."""
    for name, curve in shipped_acceptance().curves.items():
        least = min(LEAST_SURE, curve.probability[0])
        assert curve.threshold == NEVER or least <= curve.threshold <= curve.probability[-1], name
        assert not math.isnan(curve.threshold)


def _on_pages(errors: list[int], cells: list[int]) -> float:
    wrong = [k < bad for bad, n in zip(errors, cells, strict=True) for k in range(n)]
    return design_effect_of_pages([page for page, n in enumerate(cells) for _ in range(n)], wrong)


def test_design_effect_by_hand() -> None:
    """Four errors on one of ten pages of ten cells: the rate varies between pages far more than by chance.

    Sum of squared deviations 3.6^2 + 9 x 0.4^2 = 14.4, times 10/9 over 100^2, against 0.04 x 0.96 / 100. Kish 1965.
    """
    assert _on_pages([4, *[0] * 9], [10] * 10) == pytest.approx(10 / 9 * 14.4 / 100**2 / (0.04 * 0.96 / 100))
    assert _on_pages([1, 1, 1, 1], [5, 5, 5, 5]) == 1.0  # spread evenly: never below one
    assert _on_pages([0, 0, 0], [9, 9, 9]) == _on_pages([3], [3]) == 1.0


def test_thresholds_count_pages_not_cells() -> None:
    """As many errors among as many readings, all on one page: less is shown."""

    def rows(together: bool) -> list[Row]:
        wrong = range(20) if together else range(0, 20_000, 1000)
        return [
            Row("code", "code", 0.9 + 0.0999 * (i not in wrong), i not in wrong, (), i // 20) for i in range(20_000)
        ]

    spread, heaped = (fit_acceptance(rows(t), "made up").curves["code"] for t in (False, True))

    assert (spread.accepted, spread.errors) == (19_980, 0)
    assert spread.design_effect == 1.0 < heaped.design_effect
    assert spread.bound < 0.0002
    assert heaped.threshold == NEVER


def _ranked(count: int, wrong: set[int], pages: int) -> list[Row]:
    """Readings from surest to least sure (0.92), dealt out to so many pages."""
    return [
        Row("code", "code", 1 - 10 ** -(5.5 - 4.4 * i / count), i not in wrong, (), i % pages) for i in range(count)
    ]


def test_the_lower_target_is_tried_with_every_share_before_the_higher_one() -> None:
    """Eight errors between 92 and 94 %: 1 in 1,000 can be shown of 95 %, but 0.37 of 92 %, which is taken."""
    rows = _ranked(20_000, set(range(18_500, 18_700, 25)), 20_000)
    curve = fit_acceptance(rows, "made up").curves["code"]

    assert (curve.target, curve.errors, curve.design_effect) == (0.00037, 0, 1.0)
    assert 0.9 < curve.accepted / 20_000 < 0.93


def test_errors_among_accepted_readings_count_in_full_however_many_pages_tell_as_much() -> None:
    """A hundred pages with two errors each halve what readings tell; two more before 85 % are not taken for one."""
    late = {r + j for j in range(100) for r in (32_400, 34_200)}
    curve = fit_acceptance(_ranked(36_000, late | {29_500, 29_801}, 1_800), "made up").curves["code"]

    assert 1.8 < curve.design_effect < 2.1
    assert (curve.target, curve.errors) == (0.00037, 0)
    assert 0.75 < curve.accepted / 36_000 < 0.82


def _after(before: Curve, wrong: set[int]) -> Curve:
    """The curve of 20,000 readings, so many wrong, after an earlier run."""
    rows = _ranked(20_000, wrong, 20_000)
    own = fit_acceptance(rows, "made up")
    return with_earlier(own, Acceptance({"code": before}, "earlier"), rows).curves["code"]


EARLIER = Curve((1.0, 5.0), (0.9, 0.999), 0.901, 0.00037, 0.05, 22_000, 2, 0.00029, 1.1)


def test_an_earlier_threshold_stays_where_both_runs_together_show_it() -> None:
    """Five of these 20,000 are wrong, the first before 85 %: alone they show next to nothing at 0.37 in 1,000.

    With 2 of the earlier 22,000, which tell as much as 20,000, 7 of 40,000: at most 13.15 (Poisson table, 95 %).
    """
    wrong = set(range(15_000, 20_000, 1000))
    curve = _after(EARLIER, wrong)

    assert fit_acceptance(_ranked(20_000, wrong, 20_000), "made up").curves["code"].accepted < 18_000
    assert (curve.threshold, curve.knots, curve.accepted, curve.errors) == (0.901, EARLIER.knots, 42_000, 7)
    assert curve.bound == pytest.approx(13.15 / 40_000, rel=0.001)
    assert curve.design_effect == pytest.approx(42_000 / 40_000)


@pytest.mark.parametrize(
    ("before", "wrong"),
    [
        (EARLIER, set(range(15_000, 20_000, 400))),
        (replace(EARLIER, threshold=0.9985), set()),
        (replace(EARLIER, threshold=NEVER), set()),
    ],
    ids=["too many are wrong", "these alone accept more", "nothing was accepted"],
)
def test_otherwise_a_threshold_rests_on_the_new_readings_alone(before: Curve, wrong: set[int]) -> None:
    assert _after(before, wrong) == fit_acceptance(_ranked(20_000, wrong, 20_000), "made up").curves["code"]


def test_pages_for_the_thresholds_of_strokes_are_sheets_with_tallies_half_of_them_without_totals(reef) -> None:
    """Nothing else is looked at, and strokes that stand alone are seen often enough."""
    seen = [row.group for seed in (1, 2, 3) for row in sample_page(reef, {}, seed, tallies=True)]

    assert "code" not in seen
    assert seen.count("tally-alone") > 15
    assert seen.count("tally") > 5


def test_thresholds_of_some_groups_are_set_and_all_others_stay(tmp_path) -> None:
    """Of readings of two groups only the named one is set, in doubt too; the file says what each rests on."""
    out = tmp_path / "acceptance.json"
    tick = replace(CURVE, accepted=7)
    out.write_text(Acceptance({"code": CURVE, "tick": tick}, "first").to_json())
    plain = _ranked(20_000, set(), 20_000)
    rows = [*plain, *(replace(r, group="tick") for r in plain), *(replace(r, reasons=("unsure",)) for r in plain[:40])]
    set_acceptance(rows, "then", out, groups=["code"])
    found = read_acceptance(out)

    assert found.curves["tick"] == tick
    assert found.curves["code"].accepted == 20_000
    assert set(found.curves) == {"code", f"code{DOUBTFUL}", "tick"}
    assert found.basis == "first; code: then"


def test_a_reading_that_is_less_than_98_percent_sure_is_never_accepted() -> None:
    """Of the last one in two hundred one in twenty is wrong: too few for the error rate of all to tell."""
    rows = _ranked(200_000, set(range(199_000, 200_000, 20)), 200_000)
    curve = fit_acceptance(rows, "made up").curves["code"]

    assert (curve.target, curve.threshold) == (0.00037, 0.98)
    assert 0.98 < curve.accepted / 200_000 < 0.996


def test_a_reading_below_nine_in_ten_is_never_accepted_however_right_its_group_is() -> None:
    """The lowest bin of a group that is nearly always right lends its confidence to every score below it."""
    curve = fit_acceptance(_ranked(20_000, set(), 20_000), "made up").curves["code"]
    judge = Acceptance({"code": curve}, "made up").judge

    assert min(judge("code", 0.53)[0], judge("code", 0.93)[0]) >= curve.threshold
    assert (judge("code", 0.53)[1], judge("code", 0.93)[1]) == (False, True)


def test_readings_below_nine_in_ten_are_not_among_those_that_a_threshold_rests_on() -> None:
    """Of 22,000 right readings 2,000 score 0.5; none of these is counted."""
    rows = _ranked(20_000, set(), 20_000)
    low = [replace(r, score=0.5, page=20_000 + i) for i, r in enumerate(rows[:2_000])]

    assert fit_acceptance(rows + low, "made up").curves["code"].accepted == 20_000
