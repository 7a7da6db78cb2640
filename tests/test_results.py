"""Cover, density and the page that shows them: numbers that can be checked by hand, and words for every interval."""

import re

import pytest
from kept import ILLEGIBLE, PACK, UNREAD, made_sheet, made_survey, points

from digitise.results import (
    cover_table,
    density_table,
    impact_table,
    occurrence_table,
    survey_results,
)

RAY = "fish/ray/{}/tally"


def line(codes, transect=1, **others):
    return made_sheet("substrate", points(codes, **others), transect=transect)


def rays(*counts, ticked=True):
    """Fish sheets, one a transect: so many rays in the first segment."""
    return [
        made_sheet("fish", {RAY.format("0-10"): n, "fish/none-seen": ticked}, transect=t)
        for t, n in enumerate(counts, start=1)
    ]


def results_of(*sheets):
    return survey_results(made_survey(*sheets))


def cover_of(results, label):
    return next(c for c in (*results.lines[0].groups, *results.lines[0].categories) if c.label == label)


def density_of(results, row="ray"):
    return next(d for d in results.densities if d.id == row)


# Cover


def test_12_of_40_points_are_30_percent():
    """One transect: the value, and no interval."""
    results = results_of(line({"BK": 12, "YB": 28}))
    coral = cover_of(results, "Branching hard coral")

    assert coral.site.cover.value == pytest.approx(30.0)
    assert not coral.site.cover.has_interval
    assert coral.transects == (("T1", coral.transects[0][1]),)
    assert coral.transects[0][1].cover.value == pytest.approx(30.0)


def test_site_cover_is_the_mean_of_its_transects_with_their_t_interval():
    """10, 12 and 14 of 40: 25, 30 and 35 %; mean 30, SE 5/sqrt(3), t(0.975, 2) = 4.303, so 17.6 to 42.4."""
    results = results_of(*(line({"BK": n, "YB": 40 - n}, t) for t, n in ((1, 10), (2, 12), (3, 14))))
    e = cover_of(results, "Branching hard coral").site.cover

    assert (e.value, e.low, e.high) == pytest.approx((30.0, 17.58, 42.42), abs=0.01)
    assert e.scope == "between-transect"


def test_a_group_has_an_interval_of_its_own():
    """Branching and other hard coral, 10 + 6, 8 + 8 and 6 + 10 of 40: 40 % hard coral on every line."""
    results = results_of(*(line({"BK": a, "CF": 16 - a, "YB": 24}, t) for t, a in ((1, 10), (2, 8), (3, 6))))
    hard, branching = cover_of(results, "Hard coral"), cover_of(results, "Branching hard coral")

    assert hard.is_group
    assert hard.site.cover.value == pytest.approx(40.0)
    assert [c.cover.value for _, c in hard.transects] == pytest.approx([40.0, 40.0, 40.0])
    assert branching.site.cover.value == pytest.approx(20.0)
    assert [g.label for g in results.lines[0].groups] == ["Hard coral", "Algae", "Total live cover"]


def test_covers_of_the_categories_sum_to_100_percent():
    """On every transect and over the site, unread and blank points or not."""
    results = results_of(line({"BK": 9, "FA": 3, "YB": 20}, 1, a=UNREAD, b=None), line({"AC": 11, "MW": 29}, 2))
    shares = [c.site.cover.value for c in results.lines[0].categories]

    assert sum(shares) == pytest.approx(100.0)
    for i in range(2):
        assert sum(c.transects[i][1].cover.value for c in results.lines[0].categories) == pytest.approx(100.0)


def test_unread_illegible_and_blank_points_shrink_the_denominator():
    """12 branching corals among 36 legible of 40: 33.3 %, between 30 % (none of the 4) and 40 % (all of them)."""
    results = results_of(line({"BK": 12, "YB": 24}, a=UNREAD, b=UNREAD, c=ILLEGIBLE, d=None))
    coral, (one,) = cover_of(results, "Branching hard coral"), results.lines[0].points

    assert (one.legible, one.unread, one.illegible, one.blank) == (36, 2, 1, 1)
    assert coral.site.cover.value == pytest.approx(100 * 12 / 36)
    assert (coral.site.lowest, coral.site.highest) == pytest.approx((30.0, 40.0))


def test_a_transect_without_a_substrate_sheet_is_not_in_the_cover():
    """Two lines are printed and photographed, the third has only a fish sheet."""
    results = results_of(line({"BK": 12, "YB": 28}, 1), line({"BK": 8, "YB": 32}, 2), *rays(1, 1, 1))

    assert results.lines[0].site.transects == ("T1", "T2")
    assert cover_of(results, "Branching hard coral").site.cover.value == pytest.approx(25.0)


def test_a_survey_without_substrate_sheets_has_no_cover():
    """Nothing is made up."""
    assert results_of(*rays(6)).lines == ()


# Density


def test_6_fish_on_40_m2_are_15_per_100_m2():
    """One belt: the value, and no interval between transects."""
    one = density_of(results_of(*rays(6)))

    assert one.site.density.value == pytest.approx(15.0)
    assert (one.site.count, one.site.area_m2) == (6, 40.0)
    assert not one.site.density.has_interval
    assert "one transect" in one.site.density.note


def test_a_belts_own_interval_is_garwood():
    """10 animals: 4.80 to 18.39 expected, times 100/40. Garwood (1936), doi:10.1093/biomet/28.3-4.437."""
    ((_, e),) = density_of(results_of(*rays(10))).belts

    assert (e.value, e.low, e.high) == pytest.approx((25.0, 2.5 * 4.795, 2.5 * 18.391), abs=0.01)
    assert "Poisson" in e.scope


def test_site_density_is_the_mean_of_its_belts_with_an_interval_between_them():
    """4, 6 and 8: 10, 15, 20 per 100 m2. 36/(4/3) = 27 times (1.960/4.303)2 makes them worth 5.60 animals of 18.

    Jeffreys' limits of 5.60, 2.26 to 11.81 (chi-square quantiles of 12.21 degrees, halved), times 15/5.60.
    """
    e = density_of(results_of(*rays(4, 6, 8))).site.density

    assert (e.value, e.low, e.high) == pytest.approx((15.0, 6.06, 31.63), abs=0.01)
    assert e.scope == "between-transect"


def test_none_seen_is_an_upper_limit():
    """-ln(0.05) = 2.996 on 120 m2: below 2.5 per 100 m2. doi:10.1001/jama.1983.03330370053031."""
    e = density_of(results_of(*rays(0, 0, 0))).site.density

    assert (e.value, e.low) == (0.0, 0.0)
    assert e.high == pytest.approx(2.496, abs=0.001)


def test_a_blank_tally_is_not_zero():
    """Without the none-seen tick nothing is known; with it, none were seen."""
    unknown = density_of(results_of(*rays(None, ticked=False))).site
    none = density_of(results_of(*rays(None, ticked=True))).site

    assert unknown.density.value is None
    assert unknown.left_out == (("T1", "blank"),)
    assert (none.density.value, none.count, none.area_m2) == (0.0, 0, 40.0)


def test_an_unread_belt_is_left_out_not_zero():
    """Two belts of 6 and one unread: 15 per 100 m2, not 10."""
    sheets = rays(6, 6, 6)
    sheets[2] = made_sheet("fish", dict.fromkeys(map(RAY.format, ("0-10", "10-20")), UNREAD), transect=3)
    site = density_of(results_of(*sheets)).site

    assert site.density.value == pytest.approx(15.0)
    assert site.left_out == (("T3", "unread"),)


def test_a_belt_read_in_part_counts_on_the_area_that_was_read():
    """6 in the first 20 m2, the second segment unread: 30 per 100 m2."""
    values = {RAY.format("0-10"): 6, RAY.format("10-20"): UNREAD, "fish/none-seen": True}
    one = density_of(results_of(made_sheet("fish", values)))

    assert one.site.density.value == pytest.approx(30.0)
    assert one.belts[0][0].note == "10–20 m unread"
    assert one.site.partly_read == ("T1",)


def test_a_sheet_nobody_photographed_leaves_its_belt_out():
    """With the reason; the ground that was to be counted there is told as any other that is not known."""
    results = results_of(*rays(6), line({"YB": 40}, 2))
    table = density_table([results])
    ray = table[table.taxon == "ray"].set_index(["level", "transect"])

    assert density_of(results).site.left_out == (("T2", "sheet not photographed"),)
    assert (ray.area_m2["belt", "T2"], ray.planned_m2["belt", "T2"]) == (0.0, 40.0)
    assert (ray.area_m2["site", ""], ray.planned_m2["site", ""]) == (40.0, 80.0)


# Quality


def test_quality_accounts_for_every_cell():
    """43 cells: 2 points and 1 blank by the rule... the sums over states and deciders both give 43."""
    results = results_of(line({"BK": 2}, a=UNREAD, b=UNREAD, c=ILLEGIBLE))
    substrate = next(q for q in results.quality if q.title == "Substrate line")

    assert (substrate.photos, substrate.cells) == (1, 43)
    assert (substrate.by_rule, substrate.by_person, substrate.unread) == (40, 1, 2)
    assert (substrate.illegible, substrate.blank) == (1, 38)
    assert results.provisional


# Tables


@pytest.fixture
def some():
    """Three lines and belts, one point unread, one tally blank."""
    lines = [line({"BK": 10, "YB": 29}, 1, a=UNREAD), line({"BK": 12, "YB": 28}, 2), line({"BK": 14, "YB": 26}, 3)]
    site = made_sheet("site", {"site/site": "Lantern Reef", "site/date": "2026-03-28"})
    tick = made_sheet("invertebrate", {"invertebrate/anchor-damage/0-10/tick": True})
    return results_of(site, *lines, *rays(4, 6, 8), tick)


def test_the_cover_table_has_one_row_a_number(some):
    """9 categories, 2 groups and a total, for 3 transects and the site."""
    table = cover_table([some])
    site = table[(table.level == "site") & (table.category == "branching-coral")].iloc[0]
    first = table[(table.transect == "T1") & (table.category == "branching-coral")].iloc[0]

    assert len(table) == 12 * 4
    assert (site.pack, site.site, site.date, site.code) == (PACK, "Lantern Reef", "2026-03-28", "BK")
    assert (site.points, site.legible, site.planned, site.unread, site.transects) == (36, 119, 120, 1, 3)
    assert site.interval_covers == "between-transect"
    assert (first.cover_percent, first.legible) == (pytest.approx(100 * 10 / 39), 39)
    assert first.interval_covers == ""


def test_the_density_table_has_one_row_a_number(some):
    """12 fish; 8 invertebrates and 2 counted impacts: each for three transects, two segments and the site."""
    table = density_table([some])
    site = table[(table.level == "site") & (table.taxon == "ray")].iloc[0]
    octopus = table[(table.level == "site") & (table.taxon == "octopus")].iloc[0]

    assert len(table) == 22 * (3 + 2 + 1)
    assert (site["count"], site.density, site.unit) == (18, pytest.approx(15.0), "per 100 m2")
    assert site.interval_covers == "between-transect"
    assert octopus.isna()[["count", "density", "low", "high"]].all()
    assert octopus.left_out.startswith("T1: blank; T2: sheet not photographed")


def test_no_table_has_an_interval_without_what_it_covers(some):
    """Wherever a limit stands, a word stands beside it."""
    cover, density = cover_table([some]), density_table([some])

    assert (cover.interval_covers[cover.low_percent.notna()] != "").all()
    assert (density.interval_covers[density.low.notna()] != "").all()


def test_the_impact_table_says_yes_no_or_not_known(some):
    """One transect has the sheet: 3 rows in 2 segments."""
    table = impact_table([some])

    assert len(table) == 6
    assert table[table.impact == "anchor-damage"].value.tolist() == ["yes", "no"]
    assert table[table.impact == "bleached-percent"].state.tolist() == ["blank", "blank"]


def test_every_column_of_the_tables_is_documented():
    """In the docstring that the export's README prints."""
    results = results_of(line({"YB": 40}), *rays(1))
    for make in (cover_table, density_table, impact_table, occurrence_table):
        for column in make([results]).columns:
            assert re.search(rf"\b{column}\b", make.__doc__), column
