"""Cover, density and the page that shows them: numbers that can be checked by hand, and words for every interval."""

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest
from kept import FLAGGED, ILLEGIBLE, NOW, PACK, UNREAD, keep, made_result, made_sheet, made_survey, photo_of, points

from digitise.provenance import provenance
from digitise.reading import PhotoResult, sentence
from digitise.results import (
    cover_table,
    density_table,
    impact_table,
    occurrence_table,
    page_html,
    results_html,
    survey_results,
    write_results,
)
from digitise.results.figures import Plot, PlotRow, draw, is_square_root
from digitise.results.words import methods, status
from digitise.store import PhotoRow, Store

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


def page_of(*results, photos=()):
    return page_html(results, photos, provenance([r.survey for r in results], now=NOW))


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


def test_site_density_is_the_mean_of_its_belts_with_their_t_interval():
    """4, 6 and 8: 10, 15, 20 per 100 m2; mean 15, SE 5/sqrt(3), t(0.975, 2) = 4.303, so 2.6 to 27.4."""
    e = density_of(results_of(*rays(4, 6, 8))).site.density

    assert (e.value, e.low, e.high) == pytest.approx((15.0, 2.58, 27.42), abs=0.01)
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
    """With the reason."""
    results = results_of(*rays(6), line({"YB": 40}, 2))

    assert density_of(results).site.left_out == (("T2", "sheet not photographed"),)


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


# The page


def text_of(html):
    """The page's words, without style and tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)).split())


def test_the_page_says_what_is_still_open(some):
    """And shows the numbers all the same."""
    text = text_of(page_of(some))

    assert "Provisional. 1 of" in text
    assert "Lantern Reef 2026-03-28" in text
    assert "30.2 %" in text  # mean of 10 of 39, 12 of 40 and 14 of 40


def test_the_page_is_complete_when_nothing_is_missing():
    """No sheet of the three transects lacks, and every cell is decided."""
    sheets = [made_sheet(s, {f"{s}/none-seen": True}, transect=t) for s in ("fish", "invertebrate") for t in (1, 2, 3)]
    results = results_of(made_sheet("site", {}), *sheets, *(line({"YB": 40}, t) for t in (1, 2, 3)))

    assert status([results])[0]
    assert "Complete." in text_of(page_of(results))


def test_every_interval_on_the_page_says_what_it_covers(some):
    """Each caption and each key that speaks of an interval names the differences between transects, or counting."""
    html = page_of(some)
    captions = re.findall(r'<p class="caption">(.*?)</p>', html)
    with_interval = [c for c in captions if "per 100 m²" in c or c.startswith("Percent cover")]

    assert len(with_interval) == 4
    for caption in with_interval:
        assert "differences between transects" in caption or "no interval" in caption or "interval" not in caption
    for card in re.findall(r'<div class="card">(.*?)</div>', html):
        assert "interval between transects" in card


def test_one_transect_gives_no_interval_and_the_page_says_why():
    """No number in the interval column, and a sentence."""
    text = text_of(page_of(results_of(line({"BK": 12, "YB": 28}), *rays(6))))

    assert "One transect: there is no between-transect uncertainty to show" in text
    assert "30.0 % (no interval)" in text
    assert "Student" not in text


def test_methods_name_only_what_ran():
    """t and Korn-Graubard for three lines of 25 to 35 % and 0 %; no ratio; no bands when no point is missing."""
    results = results_of(*(line({"BK": n, "YB": 40 - n}, t) for t, n in ((1, 10), (2, 12), (3, 14))), *rays(4, 6, 8))
    text = " ".join(methods([results], provenance([results.survey], now=NOW)))

    for said in (
        "Student's t interval",
        "doi:10.1093/biomet/26.4.404",
        "doi:10.1093/biomet/28.3-4.437",
        "made up for a test",
    ):
        assert said in text
    for unsaid in ("ratio of totals", "pale bands", "one transect"):
        assert unsaid not in text


def test_short_lines_bring_the_ratio_into_the_methods():
    """Five of 40 points unread on one line."""
    results = results_of(line({"BK": 10, "YB": 25}, 1, **dict.fromkeys("abcde", UNREAD)), line({"BK": 12, "YB": 28}, 2))
    text = " ".join(methods([results], provenance([results.survey], now=NOW)))

    assert "ratio of totals" in text
    assert "pale bands" in text


def test_words_from_sheets_and_file_names_are_escaped():
    """A site called <script> is shown, not run."""
    site = made_sheet("site", {"site/site": "<script>alert(1)</script>"})
    photo = PhotoRow(
        "ab" * 32, '<img src=x onerror="alert(2)">.jpg', 3, "2026-03-28T09:30:00Z", "retake", ("<b>no</b>",), ()
    )
    html = page_of(results_of(site, line({"YB": 40})), photos=[photo])

    assert "<script" not in html
    assert "<img" not in html
    assert "<b>no" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html


class _Checker(HTMLParser):
    """Tags that open and close, ids, and addresses a browser would fetch."""

    EMPTY = frozenset({"meta", "br", "img", "use", "path", "rect", "circle"})

    def __init__(self):
        super().__init__()
        self.open, self.ids, self.fetched = [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.ids += [given["id"]] if "id" in given else []
        self.fetched += [v for k, v in attrs if k in ("src", "srcset", "data")]
        self.fetched += [given["href"]] if tag == "link" and "href" in given else []
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.ids += [v for k, v in attrs if k == "id"]

    def handle_endtag(self, tag):
        if tag not in self.EMPTY:
            assert self.open.pop() == tag


def test_the_page_is_whole_and_fetches_nothing(some):
    """Tags are balanced, ids unique (two plots may not share a marker), and nothing is loaded from anywhere."""
    other = made_survey(made_sheet("substrate", points({"YB": 40}), pack="WX3PLE"), pack="WX3PLE")
    checker = _Checker()
    html = page_of(some, survey_results(other))
    checker.feed(html)

    assert checker.open == []
    assert len(checker.ids) == len(set(checker.ids))
    assert checker.fetched == []
    assert "@import" not in html
    assert set(re.findall(r"url\(([^)]*)\)", html)) <= {f"#{i}" for i in checker.ids}
    assert set(re.findall(r'xlink:href="([^"]*)"', html)) <= {f"#{i}" for i in checker.ids}


def test_the_page_shows_photographs_refused_and_their_reasons(tmp_path):
    """The store's photographs: one read, one refused."""
    with Store.open(tmp_path) as store:
        keep(store, made_result("fish", {RAY.format("0-10"): 6, "fish/none-seen": FLAGGED}, name="a.jpg"))
        digest = store.keep_photo(photo_of("b.jpg"), "b.jpg", now=NOW)
        store.record(PhotoResult("b.jpg", digest, "retake", (sentence("glare"),)), None, now=NOW)
        text = text_of(results_html(store, now=NOW))

    assert "2 photographs kept; 1 used here; 1 refused." in text
    assert "b.jpg : Light is reflected from the sheet." in text
    assert "2026-03-28T09:30:00Z" in text


def test_an_empty_store_has_no_results_and_says_so(tmp_path):
    """A sentence, not an empty page."""
    with Store.open(tmp_path) as store, pytest.raises(ValueError, match="no sheet has been read yet"):
        results_html(store, now=NOW)


def test_the_same_data_at_the_same_time_give_the_same_page(tmp_path):
    """Byte for byte; and the tables lie beside it."""
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", {RAY.format("0-10"): 6, "fish/none-seen": True}, name="a.jpg"))
        first = write_results(store, tmp_path / "one", now=NOW)
        second = write_results(store, tmp_path / "two" / "page.html", now=NOW)

    assert [p.name for p in first] == ["results.html", "cover.csv", "density.csv", "impacts.csv"]
    assert second[0].read_bytes() == first[0].read_bytes()


def test_several_surveys_stand_side_by_side():
    """Two visits to one site are told apart by their dates."""
    visits = [
        survey_results(
            made_survey(
                made_sheet("site", {"site/site": "Lantern Reef", "site/date": date}, pack=pack),
                *(made_sheet("substrate", points({"BK": 10 + t, "YB": 30 - t}), transect=t, pack=pack) for t in (1, 2)),
                pack=pack,
            )
        )
        for pack, date in (("QH7M4A", "2025-03-30"), ("QH7M4B", "2026-03-28"))
    ]
    html = page_html(visits, (), provenance([v.survey for v in visits], now=NOW))

    assert "2 surveys" in html
    assert "Lantern Reef 2025-03-30" in html
    assert "Side by side" in html


CHROMIUM = Path("/usr/bin/chromium")


@pytest.mark.skipif(not CHROMIUM.exists(), reason="Chromium is not installed at /usr/bin/chromium")
def test_the_page_fits_a_phone(some, tmp_path):
    """390 pixels wide, it does not scroll sideways and shows the narrow plots; 1366 wide, the wide ones."""
    from playwright.sync_api import sync_playwright

    (tmp_path / "page.html").write_text(page_of(some), encoding="utf-8")
    seen = {}
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"])
        for width in (390, 1366):
            page = browser.new_page(viewport={"width": width, "height": 900})
            page.goto((tmp_path / "page.html").as_uri())
            shown = [page.locator(f"figure .{kind}").first.is_visible() for kind in ("narrow", "wide")]
            seen[width] = page.evaluate("document.documentElement.scrollWidth"), *shown
        browser.close()

    assert seen == {390: (390, True, False), 1366: (1366, False, True)}


# Plots


def test_a_plot_has_its_words_as_words():
    """Labels, values and the axis can be searched and read aloud."""
    svg = draw(
        Plot("p", "Cover at <site>", "cover, %", (PlotRow("Sand & silt", 12.0, 4.0, 25.0, text="12.0"),)),
        width_px=860,
        label_px=190,
        text_px=190,
    )

    assert "Sand &amp; silt" in svg
    assert "12.0" in svg
    assert 'aria-label="Cover at &lt;site&gt;"' in svg
    assert "<?xml" not in svg


def test_one_row_far_beyond_the_others_makes_a_square_root_axis_but_percentages_stay_linear():
    """5, 5 and 100; and as percentages."""
    rows = tuple(PlotRow(str(v), v, None, None) for v in (5.0, 5.0, 100.0))

    assert is_square_root(Plot("p", "t", "a", rows))
    assert not is_square_root(Plot("p", "t", "a", rows, percent=True))
    assert not is_square_root(Plot("p", "t", "a", rows[:2]))


def test_importing_results_loads_no_heavy_package():
    """Neither matplotlib, pandas nor scipy, until a table, an interval or a page is asked for."""
    code = (
        "import sys, digitise.results, digitise.export, digitise.survey\n"
        "print(sorted({'matplotlib', 'pandas', 'scipy', 'sqlalchemy', 'streamlit'} & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert out.stdout.strip() == "[]"
