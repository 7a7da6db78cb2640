"""Groups of sites: from a plan to the mean over sites with its interval, in a notebook and in the report."""

import csv
import math
import re
import shutil

import pytest
from kept import FLAGGED, NOW, keep, made_result, points
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

import digitise
from digitise.estimate.cover import TransectPoints, site_cover
from digitise.estimate.density import BeltCount, site_density
from digitise.estimate.groups import group_cover, group_density
from digitise.provenance import provenance
from digitise.report import build_report, write_report
from digitise.report.group_part import Groups
from digitise.report.html import html_page
from digitise.results import survey_results
from digitise.results.groups import group_table, groups_of_results
from digitise.results.kept import make_ahead
from digitise.store import Store
from digitise.surveys.known_plan import grouped_sites, keep_plan
from digitise.surveys.plan import PlanError
from digitise.surveys.survey import load_surveys

PLAN = """\
plan: {name}
protocol: reef-transect
sites:
  - {{name: Amber Point, code: AP{first}}}
  - {{name: Bell Cove, code: BC, group: "north  SHORE"}}
  - {{name: Cinder Wall, code: CW, group: North shore}}
  - {{name: Dune Reef, code: DR, group: North shore}}
  - {{name: Elm Bank, code: EB, group: South shore}}
  - {{name: Fan Ledge, code: FL}}
surveys:
  - {{site: AP}}
"""
# pack: site as written, date, points of branching coral and rays on each of three lines
SURVEYS = {
    "QH7M4A": ("Amber Point", "2025-03-01", (39, 39, 39), (9, 9, 9)),  # not its last of the year
    "QH7M4B": ("AMBER POINT", "2025-08-01", (7, 8, 9), (1, 2, 3)),
    "QH7M4C": ("bc", "2025-04-01", (11, 12, 13), (4, 4, 4)),
    "QH7M4D": ("Cinder Wall", "2025-05-01", (15, 16, 17), (6, 6, 6)),
    "QH7M4E": ("Elm Bank", "2025-05-01", (10, 20, 30), (0, 0, 0)),
    "QH7M4F": ("Fan Ledge", "2025-05-01", (40, 40, 40), (9, 9, 9)),  # in no group
    "QH7M4G": ("Amber Point", "2026-03-01", (10, 10, 10), (0, 0, 0)),
    "QH7M4H": ("Cinder Wall", "2026-03-01", (20, 22, 24), (0, 0, 0)),
    "QH7M4J": ("Dune Reef", "2026-03-01", (FLAGGED,) * 3, (0, 0, 0)),
    "QH7M4K": ("Bell Cove", None, (40, 40, 40), (9, 9, 9)),  # in no year
}


def plan_file(folder, name="north", first=", group: North shore"):
    path = folder / f"{name}.yaml"
    path.write_text(PLAN.format(name=name, first=first), encoding="utf-8")
    return path


def line_of(n):
    """A line with so many of 40 points of branching coral; or one on which nothing is read yet."""
    return dict.fromkeys(points({"YB": 40}), FLAGGED) if n is FLAGGED else points({"BK": n, "YB": 40 - n})


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A store with a plan of two groups, and what the divers wrote."""
    out = tmp_path_factory.mktemp("groups")
    with Store.open(out / "store") as store:
        for pack, (site, date, coral, rays) in SURVEYS.items():
            values = {"site/site": site} | ({"site/date": date} if date else {})
            keep(store, made_result("site", values, name=f"{pack} site", pack=pack), now=NOW)
            for t, (n, seen) in enumerate(zip(coral, rays, strict=True), start=1):
                which = {"pack": pack, "transect": t}
                keep(store, made_result("substrate", line_of(n), name=f"{pack} line {t}", **which), now=NOW)
                fish = {"fish/ray/0-10/tally": seen, "fish/none-seen": True}
                keep(store, made_result("fish", fish, name=f"{pack} fish {t}", **which), now=NOW)
    keep_plan(out / "store", plan_file(out))
    return out / "store"


# Estimates


def test_the_cover_of_a_group_is_the_mean_over_its_sites_with_students_t_between_them():
    """Sites of 20, 30 and 40 %: s = 10, se = 10/sqrt(3) = 5.7735, t(2) = 4.3027 by any table; scipy and statsmodels."""
    e = group_cover([20.0, 30.0, 40.0], 360)

    assert (e.value, e.n) == (pytest.approx(30.0), 3)
    assert (e.low, e.high) == pytest.approx((30 - 4.302653 * 5.773503, 30 + 4.302653 * 5.773503))
    assert (e.low, e.high) == pytest.approx(stats.t.interval(0.95, 2, 30, stats.sem([20, 30, 40])))
    assert (e.low, e.high) == pytest.approx(DescrStatsW([20, 30, 40]).tconfint_mean(0.05))
    assert (e.method, e.scope) == ("t interval over sites", "between-site")


def test_a_mean_of_just_a_fifth_is_not_rare_by_rounding():
    """Sites, or lines, of 10, 20 and 30 %: the interval of 20 %, although (0.1 + 0.2 + 0.3)/3 is just under 0.2."""
    e = group_cover([10.0, 20.0, 30.0], 360)
    lines = [TransectPoints(f"T{i}", {"a": n, "b": 40 - n}, 40, 40) for i, n in enumerate((4, 8, 12))]

    assert (e.value, e.method) == (pytest.approx(20.0), "t interval over sites")
    assert (e.low, e.high) == pytest.approx((0.0, 20 + 4.302653 * 5.773503))
    assert site_cover(lines).covers[0].cover.method == "t interval over transects"


def test_rare_cover_between_sites_has_the_interval_that_rare_cover_between_lines_has():
    """Sites of one line's points each are those lines."""
    hits = (1, 0, 3, 2, 0)
    lines = [TransectPoints(f"T{i}", {"a": n, "b": 40 - n}, 40, 40) for i, n in enumerate(hits)]
    e, site = group_cover([n / 0.4 for n in hits], 200), site_cover(lines).covers[0].cover

    assert (e.value, e.low, e.high) == pytest.approx((site.value, site.low, site.high))
    assert e.method == "beta interval over sites"


def test_the_density_of_a_group_has_the_gamma_interval_between_sites():
    """5, 10 and 15 per 100 m2: variance of the mean 25/3, worth 100/(25/3) = 12 animals, at 2 degrees of freedom
    12 (1.96/4.303)^2 = 2.49; Jeffreys' limits are quantiles of a gamma law (scipy) of that and a half."""
    e = group_density([5.0, 10.0, 15.0], 36, 360.0)
    worth = 12 * (stats.norm.ppf(0.975) / stats.t.ppf(0.975, 2)) ** 2

    assert e.value == pytest.approx(10.0)
    assert (e.low, e.high) == pytest.approx(tuple(10 / worth * stats.gamma.ppf(p, worth + 0.5) for p in (0.025, 0.975)))
    assert (e.method, e.scope, e.n) == ("gamma interval over sites", "between-site", 3)
    belts = [BeltCount(f"T{i}", n, 120.0) for i, n in enumerate((6, 12, 18))]
    assert (e.low, e.high) == pytest.approx((site_density(belts).density.low, site_density(belts).density.high))


def test_sites_count_once_however_much_was_surveyed():
    """12 animals on 400 m2 and 0 on 100: the mean of 3 and 0, not 12 on 500."""
    assert group_density([3.0, 0.0], 12, 500.0).value == pytest.approx(1.5)


def test_one_site_has_no_interval_and_none_seen_an_upper_limit():
    """-ln(0.05) animals on 360 m2 (the rule of three)."""
    for one in (group_cover([30.0], 120), group_density([10.0], 12, 120.0), group_density([0.0], 0, 120.0)):
        assert (one.has_interval, one.note) == (False, "one site: no between-site uncertainty")
    none = group_density([0.0, 0.0, 0.0], 0, 360.0)

    assert (none.low, none.high) == (0.0, pytest.approx(-math.log(0.05) / 3.6))
    for alike in ([0.0, 0.0, 0.0], [30.0, 30.1, 30.0], [100.0, 100.0, 100.0]):  # half a point of 120 is 0.42 %
        assert (group_cover(alike, 360).has_interval, group_cover(alike, 360).n) == (False, 3)
        assert group_cover(alike, 360).note == "sites alike: no interval between them"
    assert group_cover([30.0, 30.5, 30.0], 360).has_interval
    assert group_cover([], 0).value is group_density([], 0, 0.0).value is None


# A plan


def test_sites_learn_their_group_from_the_kept_plans(folder):
    """Fan Ledge has none; letter case and spaces do not make another group."""
    assert [s.code for s in grouped_sites(folder)] == ["AP", "BC", "CW", "DR", "EB"]


def test_a_plan_without_groups_leaves_those_of_others_and_another_group_is_refused(tmp_path):
    """Whichever is kept first."""
    for first, second in (("", ", group: East"), (", group: EAST", "")):
        store = tmp_path / f"store{len(first)}"
        keep_plan(store, plan_file(tmp_path, "one", first))
        keep_plan(store, plan_file(tmp_path, "two", second))
        assert grouped_sites(store)[0].group.casefold() == "east"
    with pytest.raises(PlanError, match="site Amber Point is of group 'West', but of 'EAST' in a plan kept before"):
        keep_plan(store, plan_file(tmp_path, "two", ", group: West"))


# From a store


def test_a_notebook_has_groups_year_by_year(folder):
    """Means over the last surveys of each year; who is left out is said."""
    with digitise.open(folder) as programme:
        cover, density = programme.cover(level="group"), programme.density(level="group")
    coral = cover[cover["id"] == "branching-coral"].set_index(["group", "year"])
    north, later, south = (coral.loc[k] for k in (("North shore", 2025), ("North shore", 2026), ("South shore", 2025)))

    assert (north.cover_percent, north.sites, north.left_out) == (pytest.approx(30), 3, "Dune Reef: no survey known")
    assert (north.low_percent, north.high_percent) == pytest.approx((5.158619, 54.841381))
    assert (later.cover_percent, later.sites) == (pytest.approx(40), 2)
    assert later.left_out == "Bell Cove: no survey known; Dune Reef: no legible points"
    assert (south.cover_percent, south.sites, south.method) == (pytest.approx(50), 1, "one site")
    assert math.isnan(south.low_percent)
    rays = density[density["id"] == "ray"].set_index(["group", "year"])
    assert rays.loc["North shore", 2025].density_per_100m2 == pytest.approx(10.0)
    assert (rays.loc["North shore", 2026].density_per_100m2, rays.loc["North shore", 2026].sites) == (0, 3)


def test_a_level_that_no_table_has_is_a_sentence_and_not_an_empty_frame(folder):
    """A slip of the pen is no sign that nothing was found."""
    with digitise.open(folder) as programme:
        with pytest.raises(ValueError, match="found level 'sites', expected one of transect, site, group"):
            programme.cover(level="sites")
        with pytest.raises(ValueError, match="found level 'transect', expected one of belt, segment, site, group"):
            programme.density(level="transect")


def test_groups_are_whole_and_without_them_a_sentence_says_what_to_do(folder, tmp_path):
    """No site, date or pack beside them; a store without a plan."""
    Store.open(tmp_path / "bare").close()
    with digitise.open(folder) as programme, pytest.raises(ValueError, match="expected no site, date or pack"):
        programme.cover(site="Bell Cove", level="group")
    with digitise.open(tmp_path / "bare") as programme, pytest.raises(ValueError, match="no site has a group"):
        programme.density(level="group")


def test_a_last_survey_that_leaves_a_sheet_out_is_not_filled_from_an_earlier_one(tmp_path):
    """Bell Cove's second survey of the year has fish alone."""
    with Store.open(tmp_path / "store") as store:
        for k, (site, date, sheet) in enumerate(
            [
                ("Bell Cove", "2025-01-01", "substrate"),
                ("Bell Cove", "2025-06-01", "fish"),
                ("CW", "2025-01-01", "substrate"),
            ]
        ):
            pack = f"QH7M4{'ABC'[k]}"
            keep(store, made_result("site", {"site/site": site, "site/date": date}, name=f"s{k}", pack=pack))
            values = line_of(12) if sheet == "substrate" else {"fish/none-seen": True}
            keep(store, made_result(sheet, values, name=f"p{k}", pack=pack))
        keep_plan(store.folder, plan_file(tmp_path))
        results = [survey_results(s) for s in load_surveys(store)]
        coral = next(v for v in groups_of_results(results, grouped_sites(store.folder)) if v.id == "branching-coral")

    assert coral.sites == (("Cinder Wall", pytest.approx(30.0)),)
    assert ("Bell Cove", "not on its last survey") in coral.left_out


def test_every_column_is_documented():
    """In the docstring."""
    assert [c for c in group_table([]).columns if c not in group_table.__doc__] == []


# The report


def test_the_report_has_a_part_about_groups_and_its_table(folder, tmp_path):
    """Left-out sites are named; methods and keys speak of sites."""
    with Store.open(folder) as store:
        page, *_ = paths = write_report(store, tmp_path / "out", now=NOW)
    html = page.read_text(encoding="utf-8")
    with (tmp_path / "out" / "tables" / "groups.csv").open(encoding="utf-8", newline="") as file:
        rows = {(r["group"], r["year"], r["id"]): r for r in csv.DictReader(file)}
    part = html[html.index('id="groups"') : html.index('id="side-by-side"')]

    assert "2025: 3 of 4 sites; none known of Dune Reef" in part
    assert "30.0 (5.2 to 54.8)<" in part
    assert "40.0 (0.0 to 100.0), 2 sites<" in part
    assert "none seen (below" in part
    assert "interval between sites (not reading)" in part
    assert "between transects" not in part
    assert "A group of sites has in a calendar year" in html
    assert rows["North shore", "2025", "branching-coral"]["left_out"] == "Dune Reef: no survey known"
    assert tmp_path / "out" / "figures" / "groups.svg" in paths


def grouped(results, places):
    """What a report says of groups of its own surveys."""
    return Groups(tuple(groups_of_results(results, places)))


def test_surveys_whose_site_or_date_is_not_entered_are_counted_apart(folder):
    """A site that seems to have no survey may have one of these; in this store one has no date."""
    with Store.open(folder) as store:
        surveys, places = load_surveys(store), grouped_sites(folder)
    told = [
        html_page(build_report(results, (), provenance(surveys, now=NOW), groups=grouped(results, places)))
        for results in ([survey_results(s) for s in surveys], [survey_results(s) for s in surveys if s.date and s.site])
    ]

    assert "1 survey whose site or date is not entered yet is in no group." in told[0]
    assert "is not entered yet" not in told[1]


def test_without_groups_the_report_is_the_same(folder):
    """Byte for byte."""
    with Store.open(folder) as store:
        surveys = load_surveys(store)
    results, origin = [survey_results(s) for s in surveys], provenance(surveys, now=NOW)

    bare = html_page(build_report(results, (), origin, groups=grouped(results, ())))
    assert bare == html_page(build_report(results, (), origin))
    assert "Groups of sites" not in bare


def numbers_of_part(page):
    """Rows of the tables of groups, up to the next part."""
    part = page[page.index('id="groups"') :]
    part = part[: part.index("</section>")]
    return re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", part)


def test_a_page_with_some_of_many_surveys_shows_the_groups_of_all(folder):
    """As the whole report has them, from the tables kept beside the store; and says whose they are."""
    from review_app import reports

    with Store.open(folder) as store:
        whole = reports.results_page(store, store.packs())
        some = reports.results_page(store, ["QH7M4F", "QH7M4A"], part=True)
        again = reports.results_page(store, ["QH7M4F", "QH7M4A"], part=True)

    assert again is some
    assert len(numbers_of_part(whole)) > 20
    assert numbers_of_part(some) == numbers_of_part(whole)
    assert "of all surveys, also those that are not on this page," in some
    assert "1 survey whose site or date is not entered yet is in no group." in some
    assert "of the year in this report" in whole


def test_groups_that_take_long_to_work_out_keep_nobody_waiting(folder, monkeypatch):
    """The page says so, and has them as soon as they are there."""
    from review_app import reports

    monkeypatch.setattr(reports, "AT_ONCE_MADE", 3)
    shutil.rmtree(folder / "results", ignore_errors=True)
    with Store.open(folder) as store:
        before = reports.results_page(store, ["QH7M4F"], part=True)
        make_ahead(store)
        after = reports.results_page(store, ["QH7M4F"], part=True)

    assert "the results of 10 of these are worked out now" in before
    assert "North shore" not in before
    assert "North shore" in after


def test_groups_of_a_store_whose_folder_takes_no_files_are_made_for_who_asks(folder, monkeypatch):
    """Nobody makes them in the background there, so the page never says so; they are made once while nothing changes."""
    from review_app import reports

    monkeypatch.setattr(reports, "AT_ONCE_MADE", 3)
    shutil.rmtree(folder / "results", ignore_errors=True)
    (folder / "results").write_text("in the way")
    with Store.open(folder) as store:
        first = reports.results_page(store, ["QH7M4F"], part=True)
        monkeypatch.setattr(reports.KeptTables, "read", None)  # from here on they are known
        other = reports.results_page(store, ["QH7M4A"], part=True)
    (folder / "results").unlink()

    assert "are worked out now" not in first + other
    assert "North shore" in first
    assert numbers_of_part(other) == numbers_of_part(first)


def test_a_results_page_loads_its_surveys_once(folder, monkeypatch):
    """Also where it is made."""
    from review_app import reports

    loaded = []
    monkeypatch.setattr(reports, "load_surveys", lambda *given: loaded.append(given) or load_surveys(*given))
    with Store.open(folder) as store:
        reports.results_page(store, ["QH7M4A"])

    assert len(loaded) == 1
