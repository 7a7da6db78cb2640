"""Surveys compared over dates, trends, community tables, the notebook face and the command."""

import csv
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kept import FLAGGED, NOW, PACK, keep, made_result, made_sheet, points, protocol
from scipy import stats
from statsmodels.stats.proportion import multinomial_proportions_confint, proportion_confint

import digitise
from digitise.cli import main
from digitise.commands.compare import _print_changes
from digitise.estimate.change import limits_together
from digitise.report.change_part import change_part
from digitise.results import asked, cover_table, density_table, survey_results
from digitise.results.change_tables import change_table, community_table, pooled_table, trend_table
from digitise.results.compare import (
    HOLM,
    Measured,
    SurveySample,
    Variable,
    compare,
    compare_pairs,
    latest_pairs,
    trends,
)
from digitise.results.groups import groups_of_results
from digitise.results.samples import samples_of
from digitise.results.tables import survey_table
from digitise.sheets.protocol import Protocol
from digitise.store import Store
from digitise.surveys.plan import SitePlan
from digitise.surveys.survey import assemble, load_survey

CORAL, SAND = Variable("substrate/coral", "Coral", "cover", True), Variable("substrate/sand", "Sand", "cover")
BEFORE, AFTER = [30.0, 42.5, 25.0, 37.5], [22.5, 40.0, 20.0, 27.5]  # cases C075 and C076


def sample(name, date, *covers, site="Garden", **others):
    values = {f"T{i}": c for i, c in enumerate(covers, 1)}
    coral = Measured(values, sum(covers) * 0.4, 40 * len(covers))
    sand = Measured({n: 100 - c for n, c in values.items()}, sum(100 - c for c in covers) * 0.4, 40 * len(covers))
    return SurveySample(name, site, date, {CORAL: coral, SAND: sand}, **others)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Five yearly surveys of one site with falling coral, and one of another site."""
    out = tmp_path_factory.mktemp("programme") / "store"
    with Store.open(out) as store:
        for k, coral in enumerate((20, 17, 13, 9, 6, 12)):
            pack, year = f"QH7M4{'ABCDEF'[k]}", 2020 + k % 5
            site = "Tamarind Wall" if k == 5 else "Pilot Garden"
            values = {"site/site": site, "site/date": f"{year}-03-28"}
            keep(store, made_result("site", values, name=f"site{k}", pack=pack), now=NOW)
            for t in (1, 2, 3):
                n = coral + t - 2
                line = points({"BK": n, "YB": 40 - n})
                keep(store, made_result("substrate", line, name=f"line{k}{t}", pack=pack, transect=t), now=NOW)
                fish = {"fish/ray/0-10/tally": 2 + t, "fish/goby/0-10/tally": 10 - k, "fish/none-seen": True}
                keep(store, made_result("fish", fish, name=f"fish{k}{t}", pack=pack, transect=t), now=NOW)
    return out


# Pure comparisons


def test_a_category_that_came_in_between_two_surveys_is_told_wherever_they_are_compared(capsys):
    """A total that holds it now did not before; a survey without that sheet lacks nothing of it."""
    surveys = [sample("A", "2022-03-28", 10, 20), sample("B", "2023-03-28", 12, 22), sample("C", "2024-03-28", 9, 19)]
    fire, ray = Variable("substrate/fire", "Fire coral", "cover"), Variable("fish/ray", "Ray", "density")
    some = Measured({"T1": 5.0, "T2": 2.5}, 3, 80)
    surveys[2] = replace(surveys[2], measured=surveys[2].measured | {fire: some, ray: some})
    told = "only some of these surveys had Fire coral as a category"
    early, late = compare(*surveys[:2]), compare(*surveys[1:])
    _print_changes(*surveys[1:], list(late))

    assert [told in row["note"] for row in change_table((*early, *late)).to_dict("records")] == [False] * 2 + [True] * 2
    assert [told in row["note"] for row in trend_table(trends(surveys)).to_dict("records")] == [True, True]
    assert "  on the sheets of one of them only: Fire coral; what totals" in capsys.readouterr().out
    assert [f"Garden: {told}; what" in change_part(c).blocks[-1].caption for c in (early, late)] == [False, True]


def test_a_category_whose_label_was_changed_is_told_wherever_it_is_compared(capsys):
    """Its id is the same, so it is one thing to the program; perhaps it is not."""
    surveys = [sample("A", "2022-03-28", 10, 20), sample("B", "2023-03-28", 12, 22), sample("C", "2024-03-28", 9, 19)]
    new = replace(SAND, label="Something else")
    surveys[2] = replace(surveys[2], measured={CORAL: surveys[2].measured[CORAL], new: surveys[2].measured[SAND]})
    told = f"its label was not always the same: {SAND.label}, then Something else"
    early, late = compare(*surveys[:2]), compare(*surveys[1:])
    _print_changes(*surveys[1:], list(late))

    rows = change_table((*early, *late)).to_dict("records")
    assert [told in row["note"] for row in rows] == [False, False, False, True]
    assert {told in row["note"] for row in trend_table(trends(surveys)).to_dict("records")} == {True, False}
    assert f": {told}; is it the same?" in capsys.readouterr().out


def test_the_means_beside_a_change_are_those_of_the_lines_that_were_compared():
    """T3 was not laid again: 10 and 20 became 12 and 30, so 15, 21 and +6, which is 40 % of 15."""
    surveys = sample("A", "2023-03-28", 10, 20, 90), sample("B", "2024-03-28", 12, 30)
    plain, paired = (compare(*surveys, paired=p)[0] for p in (False, True))
    (row,) = change_table([paired]).to_dict("records")

    assert plain.means == (40, 21)
    assert paired.means == (15, 21) == (row["mean_before"], row["mean_after"])
    assert paired.change.effect.value == pytest.approx(6)
    assert paired.percent == pytest.approx(40) == row["change_percent"]
    assert (row["transects_before"], row["transects_after"]) == (2, 2)


def test_a_change_of_cover_is_shown_within_what_a_cover_can_change_and_kept_as_computed():
    """5 and 95 % became 95 and 5 %: ±193.6 points by Welch (t 4.30 of 2 degrees, 90 / sqrt 2 of spread), shown as ±100."""
    surveys = sample("A", "2023-03-28", 5, 95), sample("B", "2024-03-28", 95, 5)
    one = compare(*surveys)[0]
    half = stats.t.ppf(0.975, 2) * np.std([5, 95], ddof=1)
    (row,) = change_table([one]).to_dict("records")

    assert (one.change.effect.low, one.change.effect.high) == pytest.approx((-half, half))
    assert (row["low"], row["high"]) == pytest.approx((-half, half))
    assert (one.shown.low, one.shown.high) == (-100, 100) == one.shown_together
    assert (one.detectable > 100, one.detectable_words) == (True, "none")
    fish = replace(one, variable=Variable("fish/goby", "Goby", "density"))
    assert (fish.shown, fish.shown_together) == (fish.change.effect, fish.together)
    assert fish.detectable_words == f"{fish.detectable:.1f}"


def test_pairing_is_asked_for_and_never_guessed():
    """The same names of lines: unpaired p 0.33 as they stand, 0.03 when they are marked lines."""
    surveys = sample("A", "2023-03-28", *BEFORE), sample("B", "2024-03-28", *AFTER)
    plain, paired = (compare(*surveys, paired=p)[0] for p in (False, True))

    assert plain.change.p == pytest.approx(0.331, abs=0.001)
    assert paired.change.p == pytest.approx(0.030, abs=0.001)
    assert paired.permutation.p == pytest.approx(0.125)
    assert not paired.permutation.can_reach
    assert plain.change.effect.value == paired.change.effect.value == pytest.approx(-6.25)


def test_lines_without_a_partner_are_left_out_of_pairs():
    """Three before, four after: three pairs."""
    found = compare(sample("A", "", *BEFORE[:3]), sample("B", "", *AFTER), paired=True)[0]

    assert found.change.effect.n == 3


def test_headlines_are_adjusted_by_holm_and_all_others_apart():
    """Groups are headlines unless some are named; an unknown one is refused with what there is."""
    surveys = sample("A", "", *BEFORE), sample("B", "", *AFTER)
    coral, sand = compare(*surveys)
    assert (coral.adjusted_by, sand.adjusted_by) == (HOLM, "Benjamini-Hochberg, exploratory")
    both = compare(*surveys, headlines=["substrate/coral", "substrate/sand"])
    assert [c.adjusted for c in both] == pytest.approx([2 * c.change.p for c in both])
    with pytest.raises(ValueError, match="headline 'coral' is not measured in both surveys; known: substrate/coral"):
        compare(*surveys, headlines=["coral"])


def test_a_headline_counts_where_it_is_measured():
    """A site surveyed by another protocol has no sand: that is no reason to refuse the question about both sites."""
    one = sample("A", "2023-01-01", *BEFORE), sample("B", "2024-01-01", *AFTER)
    other = tuple(replace(s, site="Wall", measured={v: m for v, m in s.measured.items() if v == CORAL}) for s in one)
    found = compare_pairs([one, other], headlines=["substrate/sand"])

    assert [(c.after.site, c.variable.id) for c in found if c.adjusted_by == HOLM] == [("Garden", "substrate/sand")]


def test_several_pairs_are_adjusted_for_all_of_them_together():
    """Two sites, one headline each: twice the p of each, not once; and trends over all sites likewise."""
    one = sample("A", "2023-01-01", *BEFORE), sample("B", "2024-01-01", *AFTER)
    two = tuple(replace(s, name=f"{s.name}2", site="Wall") for s in one)
    alone, both = compare(*one)[0], compare_pairs([one, two])
    headlines = [c for c in both if c.adjusted_by == HOLM]

    assert alone.adjusted == alone.change.p
    assert [c.adjusted for c in headlines] == pytest.approx([2 * alone.change.p] * 2)
    falling = [sample("ABCDE"[i], f"{2020 + i}-01-01", 40 - 5 * i, 42 - 5 * i) for i in range(5)]
    elsewhere = [replace(s, site="Wall") for s in falling]
    assert [t.adjusted for t in trends(falling + elsewhere) if t.variable == CORAL] == pytest.approx(
        [4 / math.factorial(5)] * 2
    )


def test_limits_of_headlines_hold_together():
    """Bonferroni for two: t(0.9875) in place of t(0.975) standard errors; none for exploratory variables.

    Dunn (1961), doi:10.1080/01621459.1961.10482090.
    """
    surveys = sample("A", "", *BEFORE), sample("B", "", *AFTER)
    coral, sand = compare(*surveys)
    both = compare(*surveys, headlines=["substrate/coral", "substrate/sand"])[0]
    e, df = both.change.effect, both.change.df

    assert coral.together == pytest.approx((e.low, e.high))
    assert sand.together is None
    assert both.together == pytest.approx(
        (e.value - stats.t.ppf(0.9875, df) * e.se, e.value + stats.t.ppf(0.9875, df) * e.se)
    )
    assert limits_together(both.change, 0) is None
    assert coral.percent == pytest.approx(100 * -6.25 / 33.75)
    assert compare(sample("A", "", 0.0, 0.0), sample("B", "", 1.0, 3.0))[0].percent is None


def test_what_the_design_can_detect_stands_beside_every_change():
    """Pooled SD of 7.77 and 8.90: 8.35; four transects detect 2.38 of it; 20 % of 33.75 is 6.75."""
    found = compare(sample("A", "", *BEFORE), sample("B", "", *AFTER))[0]

    assert found.change.spread == pytest.approx(8.355, abs=0.01)
    assert found.detectable == pytest.approx(2.3808 * found.change.spread, abs=0.001)
    assert found.needed == 26


def test_surveys_without_site_or_date_are_in_no_pair_and_no_trend():
    """They can still be compared when named."""
    surveys = [sample("A", "", 1, 2), sample("B", "2023-01-01", 1, 2), sample("C", "2024-01-01", 1, 2, site="")]

    assert latest_pairs(surveys) == []
    assert trends(surveys) == ()


def test_two_surveys_of_one_day_are_no_change():
    """The last of each of the last two dates; two packs of one day differ by where their lines lay, not in time."""
    a, b = sample("A", "2024-01-01", 1, 2), sample("B", "2024-01-01", 1, 2)
    older = sample("C", "2023-01-01", 1, 2)

    assert latest_pairs([a, b]) == []
    assert latest_pairs([a, older, b]) == [(older, b)]


def test_a_trend_needs_three_surveys_and_a_test_five():
    """Slopes at three; p from five."""
    falling = [sample("ABCDE"[i], f"{2020 + i}-01-01", 40 - 5 * i, 42 - 5 * i) for i in range(5)]
    few, many = trends(falling[:3])[0], trends(falling)[0]

    assert few.robust.slope.value == pytest.approx(-5, rel=0.01)
    assert (few.robust.p, few.adjusted) == (None, None)
    assert many.robust.p == pytest.approx(2 / math.factorial(5))
    assert (many.adjusted, many.adjusted_by) == (pytest.approx(2 / math.factorial(5)), HOLM)


# Tables


def test_tables_have_one_row_a_variable_and_every_column_documented(folder):
    """In the docstrings."""
    with digitise.open(folder) as programme:
        made = {
            change_table: programme.changes(),
            trend_table: programme.trends(),
            community_table: programme.community(),
            asked.line_table: programme.lines(),
            asked.bootstrap_table: programme.bootstrap(),
        }
    for make, frame in made.items():
        assert len(frame)
        assert [c for c in frame.columns if c not in make.__doc__ and not c.endswith("_after")] == []


def test_community_is_of_whole_transects_and_rarefied_to_the_smallest_survey(folder):
    """Rays 3 + 4 + 5 and gobies 30 in the first survey; the last of the garden has 12 and 18."""
    with digitise.open(folder) as programme:
        frame = programme.community(site="Pilot Garden").set_index("pack")
    first, last = frame.loc["QH7M4A"], frame.loc["QH7M4E"]

    assert (first.individuals, first.richness, last.individuals) == (42, 2, 30)
    assert first.simpson == pytest.approx(1 - (12 / 42) ** 2 - (30 / 42) ** 2)
    assert (first.rarefied_to, last.rarefied_richness) == (30, pytest.approx(2.0))


def test_a_transect_with_an_unknown_count_is_left_out_of_the_community(tmp_path):
    """It is named, and its animals do not count."""
    with Store.open(tmp_path / "store") as store:
        for t, rays in ((1, 3), (2, FLAGGED)):
            fish = {"fish/ray/0-10/tally": rays, "fish/goby/0-10/tally": 4, "fish/none-seen": True}
            keep(store, made_result("fish", fish, name=f"{t}", transect=t), now=NOW)
        row = community_table(pooled_table([survey_results(load_survey(store, "QH7M4K"))])).iloc[0]

    assert (row.transects, row.left_out, row.individuals) == (1, "T2", 7)


# The notebook face


def test_frames_carry_their_units_in_column_names(folder):
    """Percent, per 100 m2, per hectare."""
    with digitise.open(folder) as programme:
        cover = programme.cover(site="Pilot Garden", date="2020-03-28")
        density = programme.density(pack="QH7M4A")
        assert len(programme.surveys()) == 6
        assert len(programme.impacts()) == 0  # nobody photographed the sheet that has them
        assert set(programme.occurrence().seen_on) == {0, 3}
    coral = cover[(cover.level == "site") & (cover.category == "branching-coral")].iloc[0]
    ray = density[(density.level == "site") & (density.taxon == "ray")].iloc[0]

    assert coral.cover_percent == pytest.approx(50.0)
    assert ray.density_per_100m2 == pytest.approx(100 * 12 / 120)
    assert ray.density_per_ha == pytest.approx(1000.0)
    assert {"low_per_100m2", "high_per_ha", "expected_per_100m2"} <= set(density.columns)
    assert "unit" not in density.columns


def test_lines_have_intervals_of_their_own_for_whoever_asks(folder):
    """Goodman's for all categories together, as statsmodels has them; Wilson's; each says what it supposes."""
    with digitise.open(folder) as programme:
        lines = programme.lines(pack="QH7M4A")
        wilson = programme.lines(site="Pilot Garden", date="2020-03-28", interval="wilson")
        with pytest.raises(ValueError, match="interval must be one of none, goodman, wilson"):
            programme.lines(interval="exact")
    first = lines[lines.transect == "T1"]  # 19 of coral, 21 of another, none of seven more
    expected = 100 * multinomial_proportions_confint(first.points.to_list(), alpha=0.05, method="goodman")

    assert sorted(first.points)[-2:] == [19, 21]
    assert first.points.sum() == first.legible.iloc[0] == 40
    assert first[["low_percent", "high_percent"]].to_numpy() == pytest.approx(expected, abs=1e-9)
    assert set(lines.interval_covers) == {"within-line, if points were independent"}
    assert len(lines) == 3 * len(first)
    coral = wilson[(wilson.transect == "T1") & (wilson.points == 19)].iloc[0]
    limits = proportion_confint(19, 40, method="wilson")
    assert (coral.low_percent / 100, coral.high_percent / 100) == pytest.approx(limits)


def test_a_line_without_a_legible_point_has_no_interval(tmp_path):
    """Every point is unread."""
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("substrate", points({}, **dict.fromkeys("abc", FLAGGED)), name="line"), now=NOW)
    with digitise.open(tmp_path / "store") as programme:
        lines = programme.lines()

    assert set(lines.legible) == {0}
    assert lines[["cover_percent", "low_percent", "high_percent"]].isna().all(axis=None)


def test_ten_transects_have_a_bootstrap_interval_and_fewer_say_why_not(folder, tmp_path):
    """Twelve lines, beside scipy's own; the same seed gives the same limits."""
    hits = [12, 15, 9, 22, 14, 17, 11, 19, 8, 13, 16, 25]
    with Store.open(tmp_path / "store") as store:
        for t, n in enumerate(hits, start=1):
            line = points({"BK": n, "YB": 40 - n})
            keep(store, made_result("substrate", line, name=f"line{t}", transect=t), now=NOW)
    with digitise.open(tmp_path / "store") as programme:
        found, again = programme.bootstrap(), programme.bootstrap()
    with digitise.open(folder) as programme:
        few = programme.bootstrap(site="Pilot Garden")
    coral = found[found.variable == "substrate/branching-coral"].iloc[0]
    shares = ([100 * n / 40 for n in hits],)
    other = stats.bootstrap(shares, np.mean, n_resamples=9999, method="BCa", rng=np.random.default_rng(5))

    assert found.equals(again)
    assert (coral["mean"], coral.transects) == (pytest.approx(np.mean(shares)), 12)
    assert (coral.low, coral.high) == pytest.approx(tuple(other.confidence_interval), abs=0.4)
    assert few.low.isna().all()
    assert "under 10 transects: no bootstrap" in set(few.note)


def test_bootstrap_limits_of_a_survey_do_not_depend_on_what_else_is_asked(tmp_path):
    """Two surveys alike in one store: alike among all, and each by itself."""
    with Store.open(tmp_path / "store") as store:
        for pack in (PACK, "QH7M4A"):
            for t, n in enumerate([12, 15, 9, 22, 14, 17, 11, 19, 8, 13, 16, 25], start=1):
                line = points({"BK": n, "YB": 40 - n})
                keep(store, made_result("substrate", line, name=f"{pack}{t}", pack=pack, transect=t), now=NOW)
    with digitise.open(tmp_path / "store") as programme:
        every = programme.bootstrap()
        alone = programme.bootstrap(packs=["QH7M4A"])
    limits = [list(own[["low", "high"]].dropna().itertuples(index=False)) for _, own in every.groupby("pack")]

    assert limits[0] == limits[1]
    assert limits[0] == list(alone[["low", "high"]].dropna().itertuples(index=False))


def test_a_question_about_nothing_names_what_there_is(folder, tmp_path):
    """A misspelt site (letter case does not matter), and a folder without a store, which is not made."""
    with digitise.open(folder) as programme:
        assert len(programme.cover(site="PILOT  garden"))
        assert len(programme.samples(["PILOT GARDEN", "Pilot Garden"])) == len(programme.samples(["Pilot Garden"]))
        with pytest.raises(ValueError, match="there are: Pilot Garden, Tamarind Wall"):
            programme.cover(site="Pilot gardens")
    with pytest.raises(ValueError, match="no store is here"):
        digitise.open(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_a_site_is_known_as_a_csv_file_has_its_name(tmp_path, capsys):
    """With the apostrophe that keeps spreadsheets from running it; a site that is named just so comes first."""
    with Store.open(tmp_path / "store") as store:
        for n, site in enumerate(("=Reef", "=Reef", "-Wall", "'-Wall")):
            values = {"site/site": site, "site/date": f"202{n}-03-28"}
            keep(store, made_result("site", values, name=f"site{n}", pack=f"QH7M4{'ABCD'[n]}"), now=NOW)
            line = made_result(
                "substrate", points({"BK": 20 - n, "YB": 20 + n}), name=f"l{n}", pack=f"QH7M4{'ABCD'[n]}"
            )
            keep(store, line, now=NOW)
    with digitise.open(tmp_path / "store") as programme:
        assert list(programme.surveys(site="'=reef")["pack"]) == ["QH7M4A", "QH7M4B"]
        assert list(programme.surveys(site="'-Wall")["pack"]) == ["QH7M4D"]
        assert len(programme.samples(["=Reef", "'=Reef"])) == 2
    assert main(["compare", "--store", str(tmp_path / "store"), "--site", "'=Reef"]) == 0
    assert "=Reef 2020-03-28 (QH7M4A)  to  =Reef 2021-03-28 (QH7M4B)" in capsys.readouterr().out


def test_the_example_in_the_readme_runs(folder, tmp_path, monkeypatch, capsys):
    """As a reader copies it, with a store of that name beside."""
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    examples = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    (tmp_path / "survey-store").symlink_to(folder)
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    for example in examples:
        exec(example, names)  # noqa: S102 - our own document
    names["programme"].close()
    out = capsys.readouterr().out

    assert len(examples) == 1
    assert "Branching hard coral" in out
    assert "Rays" in out
    assert "slope_a_year" in out


# Names


def test_a_group_that_is_called_what_a_category_is_has_its_own_numbers():
    """Sand and rubble as the group "rock", beside the category with the id "rock": 70 % and 30 %, of which one leads."""
    data = protocol().model_dump()
    for category in data["sheets"]["substrate"]["categories"]:
        category["group"] = "rock" if category["id"] in ("sand", "rubble") else category["group"]
    line = points({"MW": 12, "YB": 20, "LM": 8})
    sheets = [made_sheet("site", {"site/site": "Pilot Garden", "site/date": "2026-03-28"})]
    sheets += [made_sheet("substrate", line, transect=t) for t in (1, 2)]
    results = [survey_results(assemble(Protocol.model_validate(data), PACK, sheets))]
    (one,) = samples_of(*(table(results) for table in (survey_table, cover_table, density_table)))
    changes = compare(one, replace(one, name="later"))
    grouped = groups_of_results(results, [SitePlan(name="Pilot Garden", code="PG", group="North")])

    named = {v.is_group: m.mean for v, m in one.measured.items() if v.id == "substrate/rock"}
    assert named == {True: pytest.approx(70.0), False: pytest.approx(30.0)}
    assert [c.means for c in changes if c.variable.id == "substrate/rock"] == [(70.0, 70.0), (30.0, 30.0)]
    assert {v.kind: v.estimate.value for v in grouped if v.id == "rock"} == pytest.approx(
        {"group": 70.0, "category": 30.0}
    )


def test_a_label_that_was_changed_between_editions_is_the_same_variable():
    """Compared and followed by its id, named as it is named now."""
    surveys = [sample(str(y), f"{y}-03-28", *BEFORE) for y in (2021, 2022, 2023)]
    now = replace(SAND, label="Sand and silt")
    newest = replace(surveys[2], measured={CORAL: surveys[2].measured[CORAL], now: surveys[2].measured[SAND]})

    assert [c.variable.label for c in compare(surveys[1], newest)] == ["Coral", "Sand and silt"]
    assert [(t.variable.label, len(t.dates)) for t in trends([*surveys[:2], newest])] == [
        ("Coral", 3),
        ("Sand and silt", 3),
    ]


def test_only_the_group_leads_where_a_category_has_its_name():
    """Without headlines named in advance the groups are those, and no category that is called alike."""
    coral = replace(SAND, id=CORAL.id)
    first, second = (sample(n, d, *c) for n, d, c in (("A", "2023", BEFORE), ("B", "2024", AFTER)))
    both = [replace(s, measured={CORAL: s.measured[CORAL], coral: s.measured[SAND]}) for s in (first, second)]

    assert [c.adjusted_by == HOLM for c in compare(*both)] == [True, False]


# The command


def test_compare_prints_the_last_two_dates_of_a_site_and_its_trend(folder, tmp_path, capsys):
    """Effects with intervals before p; both tables as CSV."""
    assert main(["compare", "--store", str(folder), "--site", "Pilot Garden", "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out

    assert "Pilot Garden 2023-03-28 (QH7M4D)  to  Pilot Garden 2024-03-28 (QH7M4E)" in out
    assert "-7.5 (" in out  # 9 to 6 of 40
    assert "Trend at Pilot Garden" in out
    with (tmp_path / "changes.csv").open() as file:
        coral = next(r for r in csv.DictReader(file) if r["variable"] == "substrate/branching-coral")
    assert float(coral["change"]) == pytest.approx(-7.5)
    assert float(coral["low"]) < -7.5 < float(coral["high"])
    with (tmp_path / "trends.csv").open() as file:
        assert {r["surveys"] for r in csv.DictReader(file)} == {"5"}


def test_a_small_p_is_told_as_small_and_never_as_none(capsys):
    surveys = sample("A", "2023-03-28", 10, 11, 12, 10), sample("B", "2024-03-28", 60, 61, 62, 60)
    changes = compare(*surveys)
    _print_changes(*surveys, list(changes))
    shown = capsys.readouterr().out

    assert changes[0].change.p < 0.0005
    assert "< 0.001" in shown
    assert "0.000" not in shown


def test_two_packs_of_different_sites_can_be_compared(folder, capsys):
    """Earlier first; one pack alone is refused."""
    store = ["compare", "--store", str(folder)]

    assert main([*store, "--pack", "QH7M4A", "--pack", "QH7M4F"]) == 0
    assert "Tamarind Wall 2020-03-28 (QH7M4F)" in capsys.readouterr().out
    assert main([*store, "--pack", "QH7M4A", "--pack", "QH7M4A"]) == 2
    assert "pack QH7M4A is named twice" in capsys.readouterr().err
    assert main([*store, "--pack", "QH7M4A"]) == 2
    assert "give it twice" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main([*store, "--detect", "0"])
    assert main([*store, "--site", "Nowhere"]) == 2
    assert "there are: Pilot Garden" in capsys.readouterr().err


def test_a_comparison_in_a_notebook_is_of_two_packs(folder):
    with digitise.open(folder) as programme:
        for packs in (["QH7M4A"], ["QH7M4A", "QH7M4B", "QH7M4C"]):
            with pytest.raises(ValueError, match=rf"^{len(packs)} packs? named; expected two, the earlier one first$"):
                programme.changes(packs=packs)


def test_one_survey_is_nothing_to_compare(folder, capsys):
    """Said so, with what to do."""
    assert main(["compare", "--store", str(folder), "--site", "Tamarind Wall"]) == 1
    assert "needs surveys on two dates" in capsys.readouterr().err


def test_surveys_that_measured_nothing_in_common_are_named(tmp_path, capsys):
    """A line on one date, a belt on the other: the site has its two dates, so that is not what is lacking."""
    with Store.open(tmp_path / "store") as store:
        for pack, year, sheet in (("QH7M4A", 2023, "substrate"), ("QH7M4B", 2024, "fish")):
            site = {"site/site": "Pilot Garden", "site/date": f"{year}-03-28"}
            values = points({"BK": 40}) if sheet == "substrate" else {"fish/none-seen": True}
            keep(store, made_result("site", site, name=f"site{year}", pack=pack), now=NOW)
            keep(store, made_result(sheet, values, name=f"{sheet}{year}", pack=pack, transect=1), now=NOW)

    assert main(["compare", "--store", str(tmp_path / "store")]) == 1
    said = capsys.readouterr().err
    assert "nothing was measured in both of Pilot Garden 2023-03-28 (QH7M4A) and Pilot Garden 2024-03-28" in said
