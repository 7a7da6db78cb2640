"""The report: words for every interval, the same on a screen and on paper, figures with the numbers behind them."""

import csv
import datetime as dt
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pypdfium2
import pytest
from browsing import CHROMIUM, needs_chromium
from kept import (
    FLAGGED,
    NOW,
    PACK,
    UNREAD,
    blank_of,
    keep,
    made_page,
    made_reading,
    made_result,
    made_sheet,
    made_survey,
    photo_of,
    points,
    protocol,
)
from PIL import Image

from digitise.earlier import EarlierResult
from digitise.provenance import provenance
from digitise.reader.reading import PhotoResult, sentence
from digitise.report import build_report, doubt_part, links, page_html, pdf_table, quality, write_report
from digitise.report.axes import date_ticks, root_ticks, ticks
from digitise.report.blocks import Bullets, Heading, Notice, Paragraph, Part, Report, Table, Text, heads_rows
from digitise.report.change_part import last_changes
from digitise.report.drawing import Drawing, Shape, Words, box, svg
from digitise.report.html import html_page
from digitise.report.paint import png, shortened, width_of, wrapped
from digitise.report.pdf import pdf_bytes
from digitise.report.pdf_style import WIDTH
from digitise.report.plots import Plot, PlotRow, draw, is_square_root
from digitise.report.references import WORKS, cited
from digitise.report.short_part import changed_words, impacts_table
from digitise.report.site_map import MapSite, draw_map
from digitise.report.survey_part import _noted_table, survey_part, with_keys
from digitise.report.time_plots import TimeDot, TimePlot, cut_short, draw_times
from digitise.report.together import together, visit_of
from digitise.report.volumes import Volume, volume_report
from digitise.report.words import _sampling, methods, status
from digitise.results import survey_results
from digitise.results.compare import HOLM
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import Protocol, load_protocol
from digitise.store import PhotoRow, Store
from digitise.store.audits import Audit
from digitise.surveys.places import Place, bounds, distance_m
from digitise.surveys.survey import assemble, load_survey

RAY = "fish/ray/{}/tally"
PARTS = [(s, k) for s in ("0-10", "10-20") for k in ("tally", "total")]
FISH = (("QH7M4A", 20), ("QH7M4B", 5))  # rays in the first segment by pack


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


@pytest.fixture
def some():
    """Three lines and belts, one point unread, one tally blank."""
    lines = [line({"BK": 10, "YB": 29}, 1, a=UNREAD), line({"BK": 12, "YB": 28}, 2), line({"BK": 14, "YB": 26}, 3)]
    site = made_sheet("site", {"site/site": "Lantern Reef", "site/date": "2026-03-28"})
    tick = made_sheet("invertebrate", {"invertebrate/anchor-damage/0-10/tick": True})
    return results_of(site, *lines, *rays(4, 6, 8), tick)


def report_of(*results, photos=(), earlier=()):
    return build_report(results, photos, provenance([r.survey for r in results], now=NOW), earlier=earlier)


def page_of(*results, photos=()):
    return page_html(results, photos, provenance([r.survey for r in results], now=NOW))


# The page


def report_text(store, folder):
    """Words of the page that `write_report` makes."""
    page, *_ = write_report(store, folder / "out", now=NOW)
    return text_of(page.read_text(encoding="utf-8"))


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

    assert status([visit_of(results)])[0]
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


def test_few_belts_of_animals_say_that_they_may_have_missed_schools(some):
    """Three belts of rays do; one belt has no interval to speak of."""
    assert "Of animals in schools, which so few transects may all miss, up to 10 in 100 end below" in page_of(some)
    assert "Of animals in schools" not in page_of(results_of(*rays(4)))


def test_lines_without_a_legible_point_are_not_called_one_transect():
    """Two lines left blank: nothing is known, and no sentence speaks of one line or of intervals."""
    blank = [made_sheet("substrate", {}, transect=t) for t in (1, 2)]
    text = text_of(page_of(survey_results(made_survey(*blank))))

    assert "0 transects; legible points: T1 0 of 40, T2 0 of 40. No point is legible, so no cover is known." in text
    assert "One transect" not in text
    assert "intervals cover differences" not in text


def test_one_transect_gives_no_interval_and_the_page_says_why():
    """No number in the interval column, and a sentence."""
    text = text_of(page_of(results_of(line({"BK": 12, "YB": 28}), *rays(6))))

    assert "One transect: there is no between-transect uncertainty to show" in text
    assert "30.0 % (no interval)" in text
    assert "Student" not in text
    assert "occurrence" not in text.lower()  # a share of one transect tells nothing


def test_methods_name_only_what_ran():
    """t and Korn-Graubard for three lines of 25 to 35 % and 0 %; no ratio; no bands when no point is missing."""
    results = results_of(*(line({"BK": n, "YB": 40 - n}, t) for t, n in ((1, 10), (2, 12), (3, 14))), *rays(4, 6, 8))
    text = " ".join(methods(together([results]), provenance([results.survey], now=NOW)))

    for said in (
        "Student's t interval",
        "Clopper & Pearson 1934",
        "Garwood 1936",
        "made up for a test",
    ):
        assert said in text
    for unsaid in ("ratio of totals", "pale bands", "one transect"):
        assert unsaid not in text


def test_short_lines_bring_the_ratio_into_the_methods():
    """Five of 40 points unread on one line."""
    results = results_of(line({"BK": 10, "YB": 25}, 1, **dict.fromkeys("abcde", UNREAD)), line({"BK": 12, "YB": 28}, 2))
    text = " ".join(methods(together([results]), provenance([results.survey], now=NOW)))

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
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", {RAY.format("0-10"): 6, "fish/none-seen": FLAGGED}, name="a.jpg"))
        digest = store.keep_photo(photo_of("b.jpg"), "b.jpg", now=NOW)
        store.record(PhotoResult("b.jpg", digest, "retake", (sentence("glare"),)), None, now=NOW)
        text = text_of(report_text(store, tmp_path))

    assert "2 photographs kept; 1 used here; 1 refused." in text
    assert "Refused: b.jpg. Light is reflected from the sheet." in text
    assert "2026-03-28T09:30:00Z" in text


def test_two_sheets_on_one_photograph_are_two_pages_of_one_photograph():
    """Cells come from pages; the methods and the line below every page count photographs."""
    (one, cells), (other, more) = made_sheet("fish", {}), made_sheet("substrate", {})
    r = survey_results(made_survey((one, cells), (replace(other, sha256=one.sha256), more)))
    text = text_of(page_of(r))

    assert f"2 pages gave {len(cells) + len(more)} cells" in text
    assert "1 photograph was read by digitise" in text
    assert "2 photographs" not in text


def test_an_empty_store_has_no_results_and_says_so(tmp_path):
    """A sentence, not an empty page."""
    with Store.open(tmp_path / "store") as store, pytest.raises(ValueError, match="no sheet has been read yet"):
        report_text(store, tmp_path)


def test_the_same_data_at_the_same_time_give_the_same_page(tmp_path):
    """Byte for byte; and the tables lie beside it."""
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("fish", {RAY.format("0-10"): 6, "fish/none-seen": True}, name="a.jpg"))
        first = write_report(store, tmp_path / "one", now=NOW)
        second = write_report(store, tmp_path / "two", now=NOW)

    assert [p.name for p in first] == [p.name for p in second]
    assert [a.name for a, b in zip(first, second, strict=True) if a.read_bytes() != b.read_bytes()] == []


def visit(site, date, pack, *, n=10):
    counts = [{"BK": n + t, "YB": 40 - n - t} for t in (1, 2)]
    lines = [made_sheet("substrate", points(c), transect=t, pack=pack) for t, c in enumerate(counts, start=1)]
    where = {"site/site": site, "site/date": date, "site/latitude": 5.5, "site/north-south": "N"}
    where |= {"site/longitude": 103.1, "site/east-west": "E"}
    return survey_results(made_survey(made_sheet("site", where, pack=pack), *lines, pack=pack))


def test_sites_stand_side_by_side_and_visits_to_one_site_along_time():
    """Three visits to two sites: the newest of each is compared; the site visited twice is drawn along time."""
    visits = [
        visit("Lantern Reef", "2025-03-30", "QH7M4A"),
        visit("Lantern Reef", "2026-03-28", "QH7M4B"),
        visit("Pilot Garden", "2026-03-29", "QH7M4C"),
    ]
    report = report_of(*visits)
    figures = {f.wide.name: f for f in report.figures}
    text = text_of(page_of(*visits))

    assert [r[:2] for r in figures["side-by-side-1-1"].data[1:]] == [
        ("Hard coral", "Lantern Reef"),
        ("Hard coral", "Pilot Garden"),
        ("Algae", "Lantern Reef"),
        ("Algae", "Pilot Garden"),
        ("Total live cover", "Lantern Reef"),
        ("Total live cover", "Pilot Garden"),
    ]
    assert "The newest survey of each site." in text
    assert {r[2] for r in figures["along-time-1"].data[1:]} == {"2025-03-30", "2026-03-28"}
    assert "along-time-2" not in figures
    assert "3 surveys of 2 sites from 2025-03-30 to 2026-03-29" in text


def test_many_sites_are_compared_on_pages_that_hold_them():
    """40 sites: 36 rows a figure at most, and the PDF has room for each."""
    visits = [visit(f"Site {i}", "2026-03-28", f"P{i:05d}") for i in range(40)]
    report = report_of(*visits)
    compared = [f for f in report.figures if f.wide.name.startswith("side-by-side")]

    assert [len(f.data) - 1 for f in compared] == [36, 4, 36, 4, 36, 4]
    narrow = replace(report, parts=tuple(p for p in report.parts if p.anchor in ("surveyed", "side-by-side")))
    pages, text = paper_text(pdf_bytes(narrow))
    assert 3 <= pages <= 11
    assert "Site 39" in text


def test_a_site_written_in_capitals_and_in_small_letters_is_one_site():
    """Divers write capitals, clerks do not: compared, drawn along time and counted once, as the newest spells it."""
    visits = [
        visit("LANTERN REEF", "2025-03-30", "P00001"),
        visit("Lantern Reef", "2026-03-28", "P00002", n=20),
        visit("Pilot Garden", "2026-03-29", "P00003"),
    ]
    old = [EarlierResult("lantern reef", dt.date(2024, 3, 30), "Hard coral", True, 30.0, None, None, 3, "old.csv", 2)]
    report = report_of(*visits, earlier=old)
    figures = {f.wide.name: f for f in report.figures}

    assert "3 surveys of 2 sites" in text_of(html_page(report))
    assert next((r[0], r[1]) for r in figures["changes"].data[1:]) == ("Lantern Reef", "Hard coral")
    assert {r[2] for r in figures["along-time-1"].data[1:]} == {"2024-03-30", "2025-03-30", "2026-03-28"}
    assert "along-time-2" not in figures


@needs_chromium
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
            shown = [page.locator(f"figure .{kind}").last.is_visible() for kind in ("narrow", "wide")]
            seen[width] = page.evaluate("document.documentElement.scrollWidth"), *shown
        browser.close()

    assert seen == {390: (390, True, False), 1366: (1366, False, True)}


# Paper


def paper_text(data):
    """(pages, all words) of a PDF."""
    with pypdfium2.PdfDocument(data) as document:
        return len(document), " ".join(" ".join(p.get_textpage().get_text_bounded().split()) for p in document)


def test_the_pdf_says_what_the_page_says(some):
    """Status, every heading, each category with its value, methods, sources and digests."""
    report = report_of(some)
    pages, text = paper_text(pdf_bytes(report))
    flat = text.replace(" ", "")

    assert "Provisional. 1 of" in text
    for said in (
        "What was surveyed",
        "Data quality",
        "Methods",
        "Sources",
        "Provenance",
        "Branching hard coral",
        "30.2 %",
    ):
        assert said in text
    assert "10.1093/biomet/26.4.404" in text
    assert provenance([some.survey], now=NOW).digest in flat
    assert f"page {pages} of {pages}" in text


@pytest.mark.parametrize(
    "words", ['<img src="/etc/hostname"/>', "<a href='http://x.example'>b</a>", "<b>&lt;", "</para>&"]
)
def test_markup_in_words_from_sheets_is_only_words_on_paper(words):
    """The library that draws PDFs has a markup of its own, which could fetch files: a site's name is shown as written."""
    site = made_sheet("site", {"site/site": words})
    photo = PhotoRow("ab" * 32, f"{words}.jpg", 3, "2026-03-28T09:30:00Z", "retake", (words,), ())
    report = report_of(results_of(site, line({"YB": 40})), photos=[photo])
    _, text = paper_text(pdf_bytes(report))

    assert text.replace(" ", "").count(words.replace(" ", "")) >= 2


def test_the_pdf_is_a4_with_its_typeface_inside_and_an_outline(some):
    """210 x 297 mm; DejaVu embedded; bookmarks for each part."""
    data = pdf_bytes(report_of(some))
    with pypdfium2.PdfDocument(data) as document:
        size = document[0].get_size()
        marks = [m.get_title() for m in document.get_toc()]

    assert size == pytest.approx((210 * 72 / 25.4, 297 * 72 / 25.4), abs=0.01)
    assert b"DejaVuSans" in data
    assert b"FontFile2" in data
    assert [m for m in marks if m in ("What was surveyed", "Data quality", "Methods", "Provenance")] == [
        "What was surveyed",
        "Data quality",
        "Methods",
        "Provenance",
    ]


def listed_page(first, words):
    """The number at the right of `words`, where they stand first on the page."""
    at, _ = first.search(words).get_next()
    left, bottom, _, top = first.get_charbox(at)
    line = first.get_text_bounded(left, bottom - 2, left + WIDTH / 2, top + 2)
    return int("".join(line.split()).removeprefix("".join(words.split())))


def test_the_contents_on_paper_name_the_page_on_which_each_part_begins():
    """Four surveys: a part is on the page that the list gives for it."""
    report = report_of(*(visit(f"Site {i}", "2026-03-28", f"P{i:05d}") for i in range(4)))
    with pypdfium2.PdfDocument(pdf_bytes(report)) as document:
        pages = [" ".join(p.get_textpage().get_text_bounded().split()) for p in document]
        first = document[0].get_textpage()
        listed = {words: listed_page(first, words) for _, words in report.contents}

    assert len(listed) == len(report.parts) > 6
    assert sorted(listed.values()) == list(listed.values())
    assert len(set(listed.values())) > 4
    for words, page in listed.items():
        assert words.split(",")[0] in pages[page - 1], words


def test_belts_of_which_no_count_is_known_are_no_area_counted():
    """No row rests on less than nothing."""
    unread = {f"fish/{row.id}/{s}/{k}": UNREAD for row in protocol().sheets["fish"].rows for s, k in PARTS}
    text = text_of(page_of(results_of(made_sheet("fish", unread))))

    assert "No count on 1 transect is known, because cells are unread, illegible, blank or missing." in text
    assert "rest on less" not in text


def test_what_was_counted_is_told_against_what_was_to_be_counted():
    """Of one belt its second half is unread in every row, then in one of them."""
    rows = [row.id for row in protocol().sheets["fish"].rows]
    half = {f"fish/{row}/10-20/{kind}": UNREAD for row in rows for kind in ("tally", "total")}
    one = {cell: UNREAD for cell in half if f"/{rows[0]}/" in cell}
    all_rows, one_row = (
        text_of(page_of(results_of(made_sheet("fish", {"fish/none-seen": True} | unread)))) for unread in (half, one)
    )

    assert "Up to 20 of 40 m² counted on 1 transect, because cells are unread, illegible, blank or missing." in all_rows
    assert "Up to 40 m² counted on 1 transect; 1 row rests on less, because cells are" in one_row


def test_a_line_of_which_parts_are_sampled_is_said_to_be():
    """Forty points, half a metre apart, on a line of 23 metres."""
    wall, reef = _sampling(load_protocol("wall-segments")), _sampling(protocol())

    assert "a 23 m line with a point every 0.5 m along 0-5, 6-11, 12-17 and 18-23 m of 23 m (40 points a line)" in wall
    assert "a 20 m line with a point every 0.5 m (40 points a line)" in reef


def test_the_table_of_surveys_promises_headline_covers_only_where_it_has_some(some):
    """A fish belt has none."""
    assert "Surveys, with headline covers and their 95 % intervals" in text_of(page_of(some))
    assert "Surveys. " in (text := text_of(page_of(results_of(*rays(4, 6)))))
    assert "headline covers" not in text


def test_a_survey_without_position_is_told_apart_from_others_of_its_site():
    """The site is on the map by one of its surveys; the other has its date beside the name."""
    where = {"site/latitude": 5.5, "site/north-south": "N", "site/longitude": 103.1, "site/east-west": "E"}
    days = (("QH7M4A", "2025-03-28", where), ("QH7M4B", "2026-03-28", {}))
    sheets = [(p, made_sheet("site", {"site/site": "Lantern Reef", "site/date": d} | w, pack=p)) for p, d, w in days]
    text = text_of(page_of(*(survey_results(assemble(protocol(), p, [s])) for p, s in sheets)))

    assert "because the position is not known: Lantern Reef, 2026-03-28: " in text


def test_many_segments_go_down_the_page():
    """Five transects of two segments: ten rows instead of ten columns, the same answers."""
    tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/anchor-damage/10-20/tick": False}
    found = results_of(*(made_sheet("invertebrate", tick, transect=t) for t in range(1, 6)))
    tables = [b for p in report_of(found).parts for b in p.blocks if isinstance(b, Table)]
    noted = next(t for t in tables if t.caption.startswith("Impacts noted"))
    place = noted.head.index("Anchor damage")

    assert [cells[0] for _, cells in noted.rows][:3] == ["T1, 0–10 m", "T1, 10–20 m", "T2, 0–10 m"]
    said = [getattr(cells[place], "text", cells[place]) for _, cells in noted.rows]
    assert said == [*["yes", "no"] * 5, "5 of 5", "100 (57 to 100)", "–"]  # on how many transects; Wilson; no mean


def test_counts_in_frames_are_of_frames_and_transects_and_never_of_belts(tmp_path):
    """Words, figures, tables and their columns; a belt's own are of transects too."""
    p = load_protocol("lagoon-frames")
    seen = {"animals/none-seen": True, "animals/sea-hare/q1/tally": 2, "animals/grass-percent/q1/percent": 40}
    with Store.open(tmp_path / "store") as store:
        for one in (one for one in build_layouts(p) if one.paper == p.paper and one.sheet == "animals"):
            for transect in (1, 2):
                readings = tuple(made_reading(c, seen.get(c.id, blank_of(c))) for c in one.cells)
                name = f"{one.page}-{transect}.jpg"
                sha256 = store.keep_photo(photo_of(name), name, now=NOW)
                page = made_page(one, transect=transect)
                store.record(PhotoResult(name, sha256, "read", (), page, None, readings), p, now=NOW)
        text = report_text(store, tmp_path / "report")

    assert "Up to 20 m² counted on 2 transects, in 10 frames on each." in text
    assert "Impacts noted in each frame, as written. Noted on: transects, of those whose every frame is known" in text
    assert "2 transects together: all counted, over all their area" in text
    assert "belt" not in text.lower()
    drawn = [path.read_text(encoding="utf-8") for path in (tmp_path / "report").rglob("*.svg")]
    assert drawn
    assert not any("belt" in one for one in drawn)


def test_frames_are_named_by_their_number_and_not_in_metres():
    """Frame 3 is no stretch of the tape; more than eight places go down the page."""
    tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/anchor-damage/10-20/tick": False}
    own = next(i for i in results_of(made_sheet("invertebrate", tick)).impacts if i.id == "anchor-damage")
    frames = tuple(("T1", f"q{i}", i == 3, "entered") for i in range(1, 11))
    table = _noted_table([replace(own, values=frames)], "95 %", "frame")

    assert [cells[0] for _, cells in table.rows][:3] == ["T1, frame 1", "T1, frame 2", "T1, frame 3"]


def test_the_same_report_gives_the_same_pdf(some):
    """Byte for byte."""
    assert pdf_bytes(report_of(some)) == pdf_bytes(report_of(some))


def test_hostile_words_do_not_break_the_paper():
    """Markup in a name, a name of 300 letters, a script without glyphs."""
    for name in ("<b>&amp;</i>", "R" * 300, "نور 礁"):
        site = made_sheet("site", {"site/site": name})
        photo = PhotoRow("ab" * 32, "<font size='900'>.jpg", 3, "2026-03-28T09:30:00Z", "retake", ("</para>",), ())
        pages, text = paper_text(
            pdf_bytes(report_of(survey_results(made_survey(site, line({"YB": 40}))), photos=[photo]))
        )

        assert pages < 12
        assert "</para>" in text


def test_a_report_has_its_files(tmp_path):
    """Page, paper, three tables, and each figure thrice; the numbers behind a figure are those of the table."""
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("substrate", points({"BK": 12, "YB": 26}), name="a.jpg"))
        paths = write_report(store, tmp_path / "out", now=NOW)
    names = [p.relative_to(tmp_path / "out").as_posix() for p in paths]
    text = (tmp_path / "out/figures/cover-QH7M4K-substrate.csv").read_text(encoding="utf-8")
    behind = list(csv.DictReader(io.StringIO(text)))
    with Image.open(tmp_path / "out/figures/cover-QH7M4K-substrate.png") as picture:
        size = picture.size

    assert names[:5] == ["report.html", "report.pdf", "tables/cover.csv", "tables/density.csv", "tables/impacts.csv"]
    assert names[5:] == [f"figures/{n}.{k}" for n in ("cover-QH7M4K-substrate", "cells") for k in ("svg", "png", "csv")]
    coral = next(r for r in behind if r["label"] == "Branching hard coral")
    assert float(coral["value"]) == pytest.approx(100 * 12 / 38)
    assert size[0] == 3 * (700 + 20)  # three pixels a point, margins of 10 points
    assert (tmp_path / "out/figures/cells.svg").read_text(encoding="utf-8").startswith("<?xml")


# Drawings


def test_a_plot_has_its_words_as_words():
    """Labels, values and the axis can be searched and read aloud."""
    rows = (PlotRow("Sand & silt", 12.0, 4.0, 25.0, text="12.0"),)
    text = svg(draw(Plot("p", "Cover at <site>", "cover, %", rows)))

    assert "Sand &amp; silt" in text
    assert "12.0" in text
    assert 'aria-label="Cover at &lt;site&gt;"' in text
    assert "<?xml" not in text


def test_one_row_far_beyond_the_others_makes_a_square_root_axis_but_percentages_stay_linear():
    """5, 5 and 100; and as percentages."""
    rows = tuple(PlotRow(str(v), v) for v in (5.0, 5.0, 100.0))

    assert is_square_root(Plot("p", "t", "a", rows))
    assert not is_square_root(Plot("p", "t", "a", rows, percent=True))
    assert not is_square_root(Plot("p", "t", "a", rows[:2]))


def test_a_plot_alone_tells_over_how_many_its_values_are():
    """A figure leaves the report as a picture: what a dot is and of how many transects stays with it."""
    rows = (PlotRow("a", 1.0, 0.5, 2.0, (0.5, 1.5)), PlotRow("b", 3.0, 1.0, 5.0, (2.0, 3.0, 4.0)))
    cover = with_keys(Plot("p", "t", "a", rows[1:]), "transects", "95 %")
    assert cover.keys[0] == ("site", "mean over 3 transects")
    belt = with_keys(Plot("p", "t", "a", rows), "belts", "95 %", words="{many} together")
    assert belt.keys[0] == ("site", "2 to 3 belts together")


@pytest.mark.parametrize("width", [350.0, 700.0])
def test_nothing_of_a_plot_lies_outside_it(width):
    """Long names, many keys: every word starts and ends within the drawing."""
    rows = tuple(
        PlotRow("A very long name of a very small animal " * 2, v, 0.0, 99.0, (1.0, 2.0), text="12.0 % (1 to 99)")
        for v in (3, 99)
    )
    keys = (
        ("site", "mean over transects"),
        ("band", "a key whose words are so many that they fill more than one line of a phone"),
    )
    drawn = draw(Plot("p", "t", "an axis with words", rows, percent=True, keys=keys), width)

    for item in drawn.items:
        if isinstance(item, Words):
            wide = width_of(item.text, item.size, bold=item.bold)
            left = item.x - {"start": 0, "middle": wide / 2, "end": wide}[item.anchor]
            assert left >= -0.5, item.text
            assert left + wide <= width + 0.5, item.text
            assert 0 < item.y <= drawn.height, item.text


def test_svg_and_png_show_the_same_shape():
    """A blue box at the right half of a drawing: blue there, white at the left."""
    drawn = Drawing("d", "t", 40, 20, (box(20, 0, 20, 20, fill="#0b5d8c"),))
    image = Image.open(io.BytesIO(png(drawn, scale=1, margin=0))).convert("RGB")

    assert image.size == (40, 20)
    assert (image.getpixel((5, 10)), image.getpixel((35, 10))) == ((255, 255, 255), (0x0B, 0x5D, 0x8C))
    assert '<polygon points="20,0 40,0 40,20 20,20" fill="#0b5d8c"/>' in svg(drawn)


def test_ticks_are_round_numbers_within_the_axis():
    """By hand."""
    assert ticks(62, 8) == [0, 10, 20, 30, 40, 50, 60]
    assert ticks(100, 4) == [0, 25, 50, 75, 100]
    assert root_ticks(100, 4) == [0, 10, 50, 100]
    days = [dt.date(2019, 3, 17), dt.date(2026, 3, 14)]
    assert [w for _, w in date_ticks(days, 4)] == ["2020", "2022", "2024", "2026"]


def test_text_is_wrapped_and_shortened_to_a_width():
    """No line is wider than asked for; nothing is lost in wrapping."""
    text = "if none or all of the missing points were of the category"

    assert " ".join(wrapped(text, 10, 120)) == text
    assert max(width_of(one, 10) for one in wrapped(text, 10, 120)) <= 120
    assert shortened(text, 10, 80).endswith("…")
    assert width_of(shortened(text, 10, 80), 10) <= 80


# The map

NEAR = [MapSite("Lantern Reef", Place(5.5027, 103.1031)), MapSite("Tamarind Wall", Place(5.5117, 103.1031))]


def dots(drawing):
    from digitise.report.drawing import Dot

    return [(i.x, i.y) for i in drawing.items if isinstance(i, Dot)]


def test_a_degree_north_is_111_km_and_the_scale_bar_agrees():
    """0.009 degrees of latitude are 1000.8 m on a sphere of 6371.0088 km; the bar says how many points that is."""
    (ax, ay), (bx, by) = dots(draw_map(NEAR, 700))
    drawn = draw_map(NEAR, 700)
    label = next(i for i in drawn.items if isinstance(i, Words) and i.text.endswith((" m", " km")))
    bar = next(i for i in drawn.items if type(i).__name__ == "Line" and i.width == 1.6)
    metres = float(label.text.split()[0]) * (1000 if label.text.endswith("km") else 1)

    assert distance_m(NEAR[0].place, NEAR[1].place) == pytest.approx(1000.75, abs=0.1)
    assert ax == pytest.approx(bx)
    assert ay > by  # north is up
    assert (ay - by) / (bar.x2 - bar.x1) * metres == pytest.approx(1000.75, rel=1e-3)


def test_sites_on_both_sides_of_the_antimeridian_lie_side_by_side():
    """179.9 E and 179.9 W are 0.2 degrees apart, not 359.8."""
    drawn = dots(draw_map([MapSite("A", Place(-17.0, 179.9)), MapSite("B", Place(-17.0, -179.9))], 700))

    assert bounds([Place(-17.0, 179.9), Place(-17.0, -179.9)]) == (179.9, -17.0, -179.9, -17.0)
    assert drawn[0][0] < drawn[1][0]
    assert all(52 < x < 692 for x, _ in drawn)


def test_one_site_and_sites_far_apart_are_drawn_too():
    """Everything lies in the frame; labels of two sites in one place do not cover each other."""
    for places in ([Place(0, 0)], [Place(60, -170), Place(-60, 170), Place(0, 0)], [Place(5, 5), Place(5, 5)]):
        drawn = draw_map([MapSite(f"Site {i}", p) for i, p in enumerate(places)], 350)
        names = [i for i in drawn.items if isinstance(i, Words) and i.text.startswith("Site")]

        assert all(52 <= x <= 342 and 0 <= y <= drawn.height for x, y in dots(drawn))
        assert len({(n.x, n.y) for n in names}) == len(names)


# Along time


def earlier_result(day, value, **other):
    base = EarlierResult("Lantern Reef", day, "Hard coral", True, value, None, None, None, "past.csv", 2)
    return replace(base, **other)


def test_what_has_earlier_results_is_drawn_before_what_is_commoner_and_the_rest_is_named(some):
    """Six covers and four animals are drawn; these have earlier results of seven and one, of the rarest."""
    rare = {"label": "Hawkfish", "is_cover": False}
    labels = [c.label for line in some.lines for c in (*line.groups, *line.categories)][-7:]
    past = [earlier_result(dt.date(2020, 3, 1), 0.1, **rare)]
    past += [earlier_result(dt.date(2020, 3, 1), 5.0, label=label) for label in labels]
    report = report_of(some, earlier=past)
    figure = next(f for f in report.figures if f.wide.name == "along-time-1")

    assert [r[0] for r in figure.data[1:] if r[6]] == [*labels[:6], "Hawkfish"]
    assert figure.caption.endswith(f"Earlier results that are not drawn, and are in no table: {labels[6]}.")
    assert (
        "Earlier"
        not in next(f for f in report_of(some, earlier=past[:1]).figures if f.wide.name[:5] == "along").caption
    )


def test_a_category_that_came_in_between_two_surveys_is_told_under_their_lines_along_time():
    """The first survey's protocol had no code for rubble."""
    first, second = (visit("Lantern Reef", f"{year}-03-30", f"QH7M4{year - 2020}") for year in (2025, 2026))
    line = first.lines[0]
    without = replace(line, categories=tuple(c for c in line.categories if c.label != "Rubble"))
    told = "Only some of these surveys had Rubble as a category; what totals and other codes hold may differ."

    assert told in text_of(page_of(replace(first, lines=(without,)), second))
    assert "Only some of these surveys" not in text_of(page_of(first, second))


def test_earlier_results_join_the_surveys_of_their_site_along_time(some):
    """The figure's numbers: one imported, one read here; another site's result is left out."""
    past = [earlier_result(dt.date(2020, 3, 1), 41.0), earlier_result(dt.date(2021, 3, 1), 9.0, site="Elsewhere")]
    report = report_of(some, earlier=past)
    drawn = next(f for f in report.figures if f.wide.name == "along-time-1")

    assert drawn.data[0] == ("variable", "unit", "date", "value", "low", "high", "imported")
    assert [(r[0], r[2], r[6]) for r in drawn.data[1:]] == [
        ("Hard coral", "2026-03-28", False),
        ("Hard coral", "2020-03-01", True),
    ]
    assert "no trend is fitted or tested here" in text_of(
        page_html([some], (), provenance([some.survey], now=NOW), earlier=past)
    )


def test_rows_of_one_name_on_two_sheets_are_two_lines_along_time():
    """ "Other" of fish and "Other" of invertebrates; a group called as one of its categories; each with its own dots."""
    data = protocol().model_dump()
    for sheet, row in (("fish", "ray"), ("invertebrate", "cowrie")):
        next(r for r in data["sheets"][sheet]["rows"] if r["id"] == row)["label"] = "Other"
    for category in data["sheets"]["substrate"]["categories"]:
        category["group"] = "Rubble" if category["id"] in ("rubble", "sand") else None
    visits = []
    for pack, date, fish in (("QH7M4A", "2025-03-28", 30), ("QH7M4B", "2026-03-28", UNREAD)):
        sheets = [
            made_sheet("site", {"site/site": "Pilot Garden", "site/date": date}, pack=pack),
            made_sheet("fish", {"fish/ray/0-10/tally": fish, "fish/ray/10-20/tally": fish}, pack=pack),
            made_sheet("invertebrate", {f"invertebrate/cowrie/{s}/tally": 1 for s in ("0-10", "10-20")}, pack=pack),
            made_sheet("substrate", points({"LM": 10, "YB": 10, "BK": 20}), pack=pack),
        ]
        visits.append(survey_results(assemble(Protocol.model_validate(data), pack, sheets)))
    earlier = [earlier_result(dt.date(2020, 3, 1), 9.0, site="Pilot Garden", label="Rubble")]
    drawn = next(f for f in report_of(*visits, earlier=earlier).figures if f.wide.name == "along-time-1")
    found = {}
    for name, _, date, value, *_ in drawn.data[1:]:
        found.setdefault(name, []).append((date, value))

    assert found["Other (Invertebrate belt and impacts)"] == [("2025-03-28", 5.0), ("2026-03-28", 5.0)]
    assert found["Rubble (Substrate line, group)"] == [("2025-03-28", 50.0), ("2026-03-28", 50.0)]
    assert {"Other", "Rubble"}.isdisjoint(found)
    assert drawn.caption.endswith("Earlier results that are not drawn, and are in no table: Rubble.")


def _along_time(labels, earlier=()):
    """Dots by variable of a site with a survey in 2025 and one in 2026, by editions with these labels of categories."""
    visits = []
    for year, named in zip((2025, 2026), labels, strict=True):
        data = protocol().model_dump()
        line = data["sheets"]["substrate"]
        line["categories"] = [c for c in line["categories"] if c["code"] in ("LM", "YB", "BK")]
        for category in line["categories"]:
            category |= {"group": None, "totals": (), "label": named.get(category["id"], category["label"])}
        pack = f"QH7M4{year - 2020}".replace("5", "A").replace("6", "B")
        sheets = [
            made_sheet("site", {"site/site": "Pilot Garden", "site/date": f"{year}-03-28"}, pack=pack),
            made_sheet("substrate", points({"LM": 10, "YB": 12, "BK": 18}), pack=pack),
        ]
        visits.append(survey_results(assemble(Protocol.model_validate(data), pack, sheets)))
    report = report_of(*visits, earlier=earlier)
    found = {}
    for name, _, date, value, *_ in next(f for f in report.figures if f.wide.name == "along-time-1").data[1:]:
        found.setdefault(name, []).append((date[:4], value))
    return found, text_of(page_of(*visits))


def test_a_category_with_a_new_label_goes_on_along_time_with_its_earlier_results():
    """Rubble is called coral rubble from 2026 on; a table of 2020 has it by the name that it had."""
    past = [earlier_result(dt.date(2020, 3, 1), 9.0, site="Pilot Garden", label="Rubble")]
    found, page = _along_time([{}, {"rubble": "Coral rubble"}], past)

    assert found["Coral rubble"] == [("2025", 25.0), ("2026", 25.0), ("2020", 9.0)]
    assert "Rubble" not in found
    assert "Only some of these surveys" not in page


def test_an_old_label_that_another_category_bears_now_is_that_ones():
    """The table's mapping is in the names of now."""
    past = [earlier_result(dt.date(2020, 3, 1), 9.0, site="Pilot Garden", label="Rubble")]
    found, _ = _along_time([{}, {"rubble": "Coral rubble", "sand": "Rubble"}], past)

    assert found["Rubble"] == [("2025", 30.0), ("2026", 30.0), ("2020", 9.0)]
    assert found["Coral rubble"] == [("2025", 25.0), ("2026", 25.0)]


def test_two_categories_of_one_label_are_two_lines_along_time():
    found, _ = _along_time([{"sand": "Rubble"}] * 2)

    assert found["Rubble (substrate/rubble)"] == [("2025", 25.0), ("2026", 25.0)]
    assert found["Rubble (substrate/sand)"] == [("2025", 30.0), ("2026", 30.0)]


def test_an_interval_far_beyond_every_value_is_cut_and_the_figure_says_so():
    """Values of 10 and 12, one interval up to 900: the axis ends at four times 12, and the key tells."""
    days = dt.date(2025, 3, 1), dt.date(2026, 3, 1)
    far, near = (TimeDot(days[0], 10.0, 1.0, high) for high in (900.0, 20.0))
    plots = [TimePlot("a", "Rays", "per 100 m²", (one, TimeDot(days[1], 12.0, 5.0, 30.0))) for one in (far, near)]
    drawn = draw_times((plots[0],), 700.0, (), name="a", title="a")
    ends = [max(x for x, _ in s.points) - min(x for x, _ in s.points) for s in drawn.items if isinstance(s, Shape)]

    assert [cut_short((p,)) for p in plots] == [True, False]
    assert ends == [8.0]
    assert (
        max(float(w.text) for w in drawn.items if isinstance(w, Words) and w.text.isdigit() and len(w.text) < 4) <= 48
    )


def test_one_date_is_no_trend(some):
    """Without a second date there is no such part."""
    assert "Along time" not in text_of(page_of(some))


# Sources


def test_every_work_named_in_the_methods_is_listed_and_no_other(some):
    """Short names in the sentences, full references below; none that no sentence names."""
    texts = methods(together([some]), provenance([some.survey], now=NOW))
    named = set(re.findall(r"\(([A-Z][\w-]+(?: & [A-Z][\w-]+| et al\.)? (?:19|20)\d\d)\)", " ".join(texts)))
    named |= set(re.findall(r"([A-Z][\w-]+(?: & [A-Z][\w-]+| et al\.)? (?:19|20)\d\d)", " ".join(texts)))

    assert named
    assert named <= set(WORKS)
    assert len(cited(texts)) == len(named)


# Where uncertainty comes from, occurrence, diversity, audits


def test_shares_of_the_variance_stand_in_a_figure_with_its_numbers(tmp_path):
    """One point is unread: its share is above none, the three sum to one, and decided and expected stand side by side."""
    with Store.open(tmp_path / "store") as store:
        for t, n in ((1, 10), (2, 12), (3, 14)):
            keep(store, made_result("substrate", points({"BK": n, "YB": 39 - n}, a=FLAGGED), name=f"{t}", transect=t))
        found = survey_results(load_survey(store, PACK))
    report = report_of(found)
    figure = next(f for f in report.figures if f.wide.name == f"shares-{PACK}")
    shares = [row[2:] for row in figure.data[1:]]
    text = text_of(page_of(found))

    assert figure.data[0][2:] == ("share_sampling", "share_unread", "share_accepted")
    assert all(sum(row) == pytest.approx(1) for row in shares)
    assert any(row[1] > 0 for row in shares)
    touched = max(found.lines[0].categories, key=lambda c: c.shares.unread if c.shares else 0.0)
    assert touched.label in [row[0] for row in figure.data[1:]]
    assert "Where the uncertainty comes from" in text
    coral = next(c for c in found.lines[0].groups if c.label == "Hard coral")
    assert coral.shares.unread > 0
    decided, expected = coral.site.cover, coral.expected.site
    for e in (decided, expected):
        assert f"{e.value:.1f} ({e.low:.1f} to {e.high:.1f})" in text


def test_unread_cells_without_a_reading_are_not_passed_over_in_silence(some):
    """One point that may be anything adds no probability to count by."""
    assert "The cells that wait for a person have no reading to count by" in text_of(page_of(some))


def test_without_unread_cells_no_bar_is_drawn_but_a_sentence_says_why():
    """Everything is decided: only more transects help."""
    whole = results_of(*(line({"BK": n, "YB": 40 - n}, t) for t, n in ((1, 10), (2, 12), (3, 14))))
    text = text_of(page_of(whole))

    assert "Only more transects make intervals shorter" in text
    assert not [f for f in report_of(whole).figures if f.wide.name.startswith("shares")]


def test_a_survey_without_a_known_spread_has_no_part_about_it():
    """One transect."""
    assert "Where the uncertainty comes from" not in text_of(page_of(results_of(line({"BK": 12, "YB": 28}))))


def test_a_row_says_on_how_many_transects_it_was_seen_or_noted(some):
    """Rays on all three belts: 44 to 100 % by Wilson; an anchor's damage on one of two transects."""
    tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/anchor-damage/10-20/tick": False}
    nothing = dict.fromkeys(tick, False)
    noted = results_of(*(made_sheet("invertebrate", v, transect=t) for t, v in enumerate((tick, nothing), start=1)))
    text = text_of(page_of(some))
    rays_row = next(d for d in some.densities if d.id == "ray")

    assert f"3 of 3 100 (44 to 100) {rays_row.dispersion.index:.1f}" in text
    assert "With under 5 transects a large p says nothing." in text
    assert "Noted on" not in text  # its sheet is there for one transect only
    assert "Noted on" in text_of(page_of(noted))
    assert "Anchor damage yes no no no 1 of 2 50 (9 to 91)" in text_of(page_of(noted))


@pytest.mark.parametrize("many", [8, 9])
def test_more_transects_than_a_page_is_wide_stand_in_a_table_of_their_own(many):
    """Thirteen columns beside the others broke words and numbers on paper. Every value is there once, either way."""
    lines = [made_sheet("substrate", points({"BK": n + 1}), transect=n + 1) for n in range(many)]
    fish = [made_sheet("fish", {"fish/ray/0-10/tally": n + 1}, transect=n + 1) for n in range(many)]
    part = survey_part(results_of(*lines, *fish), named=False)
    tables = [b for b in part.blocks if isinstance(b, Table)]
    with_lines = [t for t in tables if {f"T{many}", f"T{many}, %"} & set(t.head)]

    assert [len(t.head) > many + 1 for t in with_lines] == [many == 8] * 2
    assert [t.caption.endswith("single transects.") for t in with_lines] == [many == 9] * 2
    assert all(len(cells) == len(t.head) for t in tables for _, cells in t.rows)
    rays = next(cells for t in with_lines for _, cells in t.rows if cells[0] == "Rays")
    shown = " ".join(c.text if isinstance(c, Text) else c for c in rays)
    assert " ".join(f"{n} in 20 m²" for n in range(1, many + 1)) in shown


def test_of_two_transects_with_one_known_whole_no_interval_is_given_and_why():
    """There are two, so that it would be wrong to say that there is one."""
    tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/anchor-damage/10-20/tick": False}
    sheets = [made_sheet("invertebrate", v, transect=t) for t, v in ((1, tick), (2, dict.fromkeys(tick, UNREAD)))]
    own = [i for i in results_of(*sheets).impacts if i.id == "anchor-damage"]
    caption = _noted_table(own, "95 %", "part of the belt").caption

    assert own[0].occurrence.n == 1
    assert caption.endswith("Fewer than two transects are known in every segment, so no interval is given.")


def test_several_sites_begin_with_what_is_there_in_short():
    """Lowest and highest of the newest surveys, and that one transect tells of no change; one site needs none of it."""
    visits = [
        visit("Lantern Reef", "2025-03-30", "P00001"),
        visit("Lantern Reef", "2026-03-28", "P00002", n=20),
        visit("Pilot Garden", "2026-03-29", "P00003"),
    ]
    report = report_of(*visits)

    assert report.contents[0] == ("short", "In short")
    said = next(b for b in report.parts[0].blocks if isinstance(b, Bullets)).items
    assert said[0].startswith("Hard coral, newest survey of each site: lowest at Pilot Garden, ")
    assert "; highest at Lantern Reef, " in said[0]
    assert next(anchor for anchor, _ in report_of(visits[0]).contents) == "surveyed"


def test_two_surveys_of_one_site_and_day_are_told_apart_in_the_contents():
    """By their packs; others have site and date alone, and one without a site is named by its pack anyway."""
    days = [("Lantern Reef", "2026-03-28", "P00001"), ("LANTERN REEF", "2026-03-28", "P00002")]
    days += [("Lantern Reef", "2026-03-29", "P00003"), ("", "2026-03-28", "P00004")]
    results = [visit(*one) for one in days]
    expected = ["Lantern Reef, 2026-03-28, pack P00001", "LANTERN REEF, 2026-03-28, pack P00002"]
    expected += ["Lantern Reef, 2026-03-29", "Pack P00004, 2026-03-28"]
    report = report_of(*results)
    volume = volume_report(Volume("All", ("P00001", "P00002", "P00003", "P00004")), results, report, number=1)

    for one in (report, volume):
        assert [words for place, words in one.contents if place.startswith("survey-")] == expected


def test_in_short_says_that_a_survey_without_a_site_may_be_the_newest_of_one():
    visits = [visit("Lantern Reef", "2025-03-30", "P00001"), visit("Pilot Garden", "2026-03-29", "P00002")]
    nameless = visit("", "2026-04-01", "P00003")
    told = "1 survey has no site entered yet; it may be the newest of a site above."

    for surveys, lines in ((visits, 0), ([*visits, nameless], 1)):
        said = next(b for b in report_of(*surveys).parts[0].blocks if isinstance(b, Bullets)).items
        assert said.count(told) == lines


def test_changes_in_short_are_those_whose_interval_is_without_none():
    """One of two is; adjusted for both it is not told from chance."""
    both = [visit("Copper Bay", "2025-03-30", "P00001"), visit("Copper Bay", "2026-03-28", "P00002")]
    one = last_changes(both, together(both).visits)[0]

    def changed(value, low, high, adjusted):
        effect = replace(one.change.effect, value=value, low=low, high=high)
        return replace(one, change=replace(one.change, effect=effect), adjusted=adjusted, adjusted_by=HOLM)

    away, near = changed(-16.0, -27.0, -5.0, 0.06), changed(2.0, -8.0, 12.0, 0.7)

    assert changed_words([]) == []
    assert changed_words([near])[0].endswith(
        "of 1 interval of change every one holds 0: no change can be told from none."
    )
    (said,) = changed_words([away, near])
    assert (
        "of 2 intervals of change 1 does not hold 0, in points: Copper Bay, Hard coral −16.0 (−27.0 to −5.0)." in said
    )
    assert said.endswith("none of them can be told from chance (adjusted p below 0.05).")


def test_impacts_of_all_sites_stand_in_one_table():
    """An anchor's damage on one of two transects, and none on one; what was not photographed is not known."""
    tick = {"invertebrate/anchor-damage/0-10/tick": True, "invertebrate/anchor-damage/10-20/tick": False}
    one = results_of(
        *(made_sheet("invertebrate", v, transect=t) for t, v in ((1, tick), (2, dict.fromkeys(tick, False))))
    )
    _, table = impacts_table([one, results_of(line({"BK": 40}))])
    place = table.head.index("Anchor damage, transects")

    assert [getattr(cells[place], "text", cells[place]) for _, cells in table.rows] == ["1 of 2", "not known"]
    assert impacts_table([results_of(line({"BK": 40}))]) == []


def test_what_was_noted_on_two_sheets_stands_in_one_table_wherever_each_was_noted():
    """One sheet came back of the first line alone, the other counts in frames: no value is dropped or called missing."""
    data = protocol().model_dump()
    noted = [i for i in data["sheets"]["invertebrate"]["impacts"] if i["id"] == "anchor-damage"]
    data["sheets"]["fish"] |= {"impacts": noted, "quadrats": {"count": 2, "width_m": 1, "length_m": 1}}
    p = Protocol.model_validate(data)
    fish = next(x for x in build_layouts(p) if (x.sheet, x.paper) == ("fish", "A4"))
    ticks = {f"invertebrate/anchor-damage/{s}/tick": True for s in ("0-10", "10-20")}
    sheets = [made_sheet("fish", {"fish/anchor-damage/q1/tick": True}, transect=1, one=fish)]
    sheets += [made_sheet("invertebrate", ticks, transect=2)]
    blocks = [b for part in report_of(survey_results(assemble(p, PACK, sheets))).parts for b in part.blocks]
    table = next(b for b in blocks if isinstance(b, Table) and b.head[0] == "Noted")
    rows = [dict(zip(table.head, (getattr(c, "text", c) for c in cells), strict=True)) for _, cells in table.rows]
    damage = [row for row in rows if row["Noted"] == "Anchor damage"]

    places = ["T1, frame 1", "T1, frame 2", "T2, 0–10 m", "T2, 10–20 m"]
    assert [[row[place] for place in places] for row in damage] == [["yes", "no", "–", "–"], ["–", "–", "yes", "yes"]]


def test_an_impact_on_two_sheets_of_a_survey_has_a_column_of_each():
    """Litter of the fish belt and of the invertebrate belt: neither writes over the other."""
    data = protocol().model_dump()
    data["sheets"]["fish"]["impacts"] = [i for i in data["sheets"]["invertebrate"]["impacts"] if i["id"] == "litter"]
    p = Protocol.model_validate(data)
    sheets = []
    for sheet, pieces in (("fish", 3), ("invertebrate", 1)):
        one = next(x for x in build_layouts(p) if (x.sheet, x.paper) == (sheet, "A4"))
        values = {f"{sheet}/litter/{s}/tally": pieces for s in ("0-10", "10-20")}
        sheets.append(made_sheet(sheet, values, one=one))
    _, table = impacts_table([survey_results(assemble(p, PACK, sheets))])
    (row,) = (dict(zip(table.head, cells, strict=True)) for _, cells in table.rows)

    assert row["Litter (Fish belt), per 100 m²"] == "15.0"
    assert row["Litter (Invertebrate belt and impacts), per 100 m²"] == "5.0"


def test_diversity_is_that_of_the_community_table():
    """10 and 10 of two kinds: Shannon ln 2 = 0.69, two effective kinds, Simpson a half, perfectly even."""
    values = {RAY.format("0-10"): 10, "fish/goby/0-10/tally": 10, "fish/none-seen": True}
    text = text_of(page_of(results_of(made_sheet("fish", values))))

    assert "Fish belt: diversity. Rarefied: kinds expected among 20 animals" in text
    assert "1 20 2 2.00 0.69 0.50 1.00 2.0" in text


def test_surveys_of_two_protocols_stand_in_tables_of_their_own_with_their_own_number():
    """20 and 5 rays: each is rarefied to its own, since rows of two editions need not be the same kinds."""
    newer = Protocol.model_validate(protocol().model_dump() | {"version": "2"})
    sheets = {pack: made_sheet("fish", {RAY.format("0-10"): n, "fish/none-seen": True}, pack=pack) for pack, n in FISH}
    one, two = (assemble(p, pack, [sheets[pack]]) for p, pack in ((protocol(), "QH7M4A"), (newer, "QH7M4B")))
    text = text_of(page_of(survey_results(one), survey_results(two)))

    assert newer.digest != protocol().digest
    assert "Fish belt of reef-transect 1: diversity. Rarefied: kinds expected among 20 animals" in text
    assert "Fish belt of reef-transect 2: diversity. Rarefied: kinds expected among 5 animals" in text


def test_belts_without_animals_have_no_diversity_to_speak_of():
    """Dashes, not noughts."""
    text = text_of(page_of(results_of(made_sheet("fish", {"fish/none-seen": True}))))

    assert "1 0 0 – – – – –" in text


def made_audit(**changes):
    kept = {"id": 1, "pack": None, "by": "Nela", "at": "2026-04-01T10:00:00Z", "population": 3181, "sampled": 60}
    return Audit(**(kept | {"answered": 60, "differing": (), "bound": 0.0487} | changes))


def test_audits_stand_beside_published_rates_and_those_of_other_packs_are_left_out(some):
    """The last finished one in words, all in a table; nobody's name."""
    audits = [made_audit(), made_audit(id=2, pack="OTHER1"), made_audit(id=3, answered=12, bound=None)]
    origin = provenance([some.survey], now=NOW)
    text = text_of(page_html([some], (), origin, audits=audits))

    assert "60 accepted cells of 3 181 were keyed again" in text
    assert "at most 4.87 % of those 3 181 are wrong" in text
    assert "0.29 % (0.24 to 0.35) of fields wrong" in text
    assert "not finished" in text
    assert "OTHER1" not in text
    assert "Nela" not in text
    assert "Garza, M. Y." in text


def test_without_an_audit_the_page_says_what_that_means(some):
    """And cites no published rate."""
    text = text_of(page_of(some))

    assert "No accepted cell has been audited" in text
    assert "Garza" not in text
    unfinished = page_html([some], (), provenance([some.survey], now=NOW), audits=[made_audit(bound=None)])
    assert "An audit has been begun" in text_of(unfinished)


def test_dois_lead_to_the_whole_doi_whatever_characters_it_has(some):
    """Parentheses, angle brackets and semicolons belong to it, a full stop after it does not."""
    address = "https://doi.org/10.1002/%28SICI%291097-0258%2819970415%2916%3A7%3C791%3A%3AAID-SIM500%3E3.0.CO%3B2-%23"

    assert f'href="{address}"' in page_of(some)
    assert links.pieces("no DOI") == [("no DOI", "")]


def test_parts_of_a_share_are_told_apart_without_colour():
    """Dark, middle and light: their greys lie at least 60 of 255 apart."""
    for colors in ([c for c, _ in doubt_part.KINDS], [c for c, _ in quality.SHARES]):
        greys = sorted(0.299 * int(c[1:3], 16) + 0.587 * int(c[3:5], 16) + 0.114 * int(c[5:7], 16) for c in colors)
        assert min(b - a for a, b in pairwise(greys)) > 60


# What changed


def laid_again(pack, date, *hits):
    """A survey of one site: a line for each number of coral points."""
    site = made_sheet("site", {"site/site": "Lantern Reef", "site/date": date}, pack=pack)
    lines = [
        made_sheet("substrate", points({"BK": n, "YB": 40 - n}), transect=t, pack=pack) for t, n in enumerate(hits, 1)
    ]
    return survey_results(assemble(protocol(), pack, [site, *lines]))


def test_the_last_two_surveys_of_a_site_are_compared_with_the_interval_before_p():
    """12, 17, 10, 15 then 9, 16, 8, 11 of 40 (cases C075 and C076): 6.25 points less, Welch's p 0.33 for one headline."""
    before, after = laid_again("QH7M4A", "2025-03-28", 12, 17, 10, 15), laid_again("QH7M4B", "2026-03-28", 9, 16, 8, 11)
    older = laid_again("QH7M4C", "2024-03-28", 20, 20, 21, 22)
    report, text = report_of(older, before, after), text_of(page_of(older, before, after))
    figure = next(f for f in report.figures if f.wide.name == "changes")
    coral = next(r for r in figure.data[1:] if r[1] == "Hard coral")

    assert coral[2] == pytest.approx(-6.25)
    assert "Lantern Reef, 2025-03-28 to 2026-03-28, 4 and 4 transects" in text
    assert f"Hard coral 33.8 27.5 −6.2 (−{-coral[3]:.1f} to +{coral[4]:.1f}) 0.331" in text.replace("−6.3", "−6.2")
    assert coral[5] <= coral[3] < coral[4] <= coral[6]
    assert "Holm, S. (1979)" in text
    assert "Welch, B. L. (1947)" in text


def test_a_change_of_cover_has_no_limits_that_no_cover_reaches():
    """Two lines a year, one covered and one bare: figure, table and methods say ±100 points, not ±275."""
    years = [laid_again(f"QH7M4{'AB'[n]}", f"202{5 + n}-03-28", *hits) for n, hits in enumerate(((2, 38), (38, 4)))]
    report, text = report_of(*years), text_of(page_of(*years))
    figure = next(f for f in report.figures if f.wide.name == "changes")
    coral = next(r for r in figure.data[1:] if r[1] == "Hard coral")

    assert coral[3:] == (-100, 100, -100, 100)
    assert re.search(r"Hard coral 50\.0 52\.5 \+2\.5 \(−100\.0 to \+100\.0\) [0-9.]+ [0-9.]+ none ", text)
    assert "Limits are cut at −100 and 100 points: no cover changes by more." in text


def test_of_two_surveys_on_the_last_day_the_later_one_is_compared_with_the_day_before_it():
    """Two packs of one site and day show no change; an older survey is what they changed from."""
    older = laid_again("QH7M4A", "2025-03-28", 12, 17)
    same = [laid_again(pack, "2026-03-28", *hits) for pack, hits in (("QH7M4B", (9, 16)), ("QH7M4C", (20, 21)))]
    report = report_of(older, *same)
    figure = next(f for f in report.figures if f.wide.name == "changes")

    assert next(r for r in figure.data[1:] if r[1] == "Hard coral")[2] == pytest.approx(100 * (20.5 - 14.5) / 40)
    assert not any(f.wide.name == "changes" for f in report_of(*same).figures)


def test_one_survey_of_each_site_shows_no_change(some):
    """Neither a part nor a source."""
    assert "What changed" not in text_of(page_of(some))
    assert "Welch" not in text_of(page_of(some))


def test_single_lines_give_a_raw_difference_without_interval_or_p():
    """One transect each: said so, nothing tested, no test among the methods."""
    text = text_of(page_of(laid_again("QH7M4A", "2025-03-28", 12), laid_again("QH7M4B", "2026-03-28", 20)))

    assert "+20.0 (no interval) – –" in text
    assert "Holm" not in text


def test_a_row_of_words_stands_over_its_rows_on_both_screens_and_paper():
    """One cell over all columns."""
    table = Table(("A", "B"), (("group", ("Long words over two columns", "")), ("", ("x", "1"))))

    assert heads_rows(table.rows[0][1])
    assert not heads_rows(table.rows[1][1])
    report = report_of(laid_again("QH7M4A", "2025-03-28", 12, 13), laid_again("QH7M4B", "2026-03-28", 20, 22))
    assert 'scope="rowgroup" colspan="7"' in html_page(report)
    assert "2025-03-28 to 2026-03-28" in "".join(
        p.get_textpage().get_text_bounded() for p in pypdfium2.PdfDocument(pdf_bytes(report))
    )


def test_a_long_name_gives_way_before_the_dates_and_numbers_beside_it():
    """The two longest share what the others leave; where all fit nothing changes."""
    room = (pdf_table.WIDTH - 70) / 2
    assert pdf_table._narrowed([40, 900, 30, 700]) == [40, room, 30, room]
    assert pdf_table._narrowed([40, 30]) == [40, 30]
    name, date = pdf_table._widths(Table(("Site", "Date"), (("", ("N" * 300, "2026-03-14")),), ""))
    assert date > pdf_table.width_of("2026-03-14", 7.9) + 3
    assert name + date == pytest.approx(pdf_table.WIDTH)


@pytest.mark.parametrize("rows", [80, 81, 300])
def test_a_long_table_laid_out_in_pieces_is_the_same_on_paper(rows, monkeypatch):
    """Byte for byte what ReportLab makes of it when it is given all rows at once."""
    cells = [("", (f"Place {i} " + "word " * (i % 23), f"{i}", Text("ab" * 32, "code"))) for i in range(rows)]
    cells[70:70] = [("group", ("A survey of a long name", "", ""))]
    table = Table(("Place", "Number", "Digest"), tuple(cells), "Places.", words=(0, 2))
    parts = (Part((Heading(1, "One", "one"), Paragraph("Words. " * 50), table, Paragraph("After. " * 50)), "one"),)
    report = Report("Title", "Programme", "", Notice("done", "Complete", "All."), (("one", "One"),), parts, "", "made")
    pieces = pdf_bytes(report)
    monkeypatch.setattr(pdf_table, "AHEAD", 10**6)

    assert pdf_bytes(report) == pieces
