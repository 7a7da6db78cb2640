"""A report of many surveys in volumes: the same surveys, figures and numbers as on one page, few of them held at once."""

import re

import pypdfium2
import pytest
from kept import FLAGGED, NOW, alive, keep, made_result, points

from digitise.report import build, write_report
from digitise.results import SurveyResults
from digitise.store import Store

PACKS = [f"QH7M{a}{b}" for a in "AB" for b in "ABCDEFGH"]
SECTION = re.compile(r'<section class="part begins" id="(survey-\w+)">.*?</section>', re.DOTALL)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Sixteen surveys of three sites and of one whose site nobody entered, each with a line and a fish sheet."""
    with Store.open(tmp_path_factory.mktemp("volumes") / "store") as opened:
        for k, pack in enumerate(PACKS):
            site = {"site/site": f"Garden {k % 3}" if k else FLAGGED, "site/date": f"{2020 + k // 3}-03-28"}
            keep(opened, made_result("site", site, name=f"site{k}", pack=pack), now=NOW)
            line = points({"BK": 12 + k, "YB": 10}, x=FLAGGED if k == 5 else "YB")
            keep(opened, made_result("substrate", line, name=f"line{k}", pack=pack), now=NOW)
            fish = {"fish/ray/0-10/tally": k, "fish/none-seen": True}
            keep(opened, made_result("fish", fish, name=f"fish{k}", pack=pack), now=NOW)
        yield opened


@pytest.fixture(scope="module")
def written(store, tmp_path_factory):
    """The report on one page, and in volumes of five surveys at most: their folders, and what the second was told."""
    one, many = tmp_path_factory.mktemp("one"), tmp_path_factory.mktemp("many")
    write_report(store, one, now=NOW)
    told, held = [], []

    def tick(total):
        told.append(total)
        held.append(results())

    with pytest.MonkeyPatch.context() as patch, alive(SurveyResults) as results:
        patch.setattr(build, "AT_ONCE", 5)
        paths = write_report(store, many, now=NOW, tick=tick)
    return one, many, paths, told, held


def html(folder, name):
    return (folder / name).read_text(encoding="utf-8")


def test_every_survey_is_in_one_volume_as_it_would_be_on_one_page(written):
    """Sites stay together, but for one with more than five surveys; the one without a site comes last."""
    one, many, *_ = written
    whole = {m[1]: m[0] for m in SECTION.finditer(html(one, "report.html"))}
    files = sorted((many / "volumes").glob("*.html"))
    found = [(m[1], m[0]) for f in files for m in SECTION.finditer(f.read_text(encoding="utf-8"))]

    assert [f.name for f in files] == [f"surveys-0{n}.html" for n in (1, 2, 3, 4)]
    assert sorted(name for name, _ in found) == sorted(whole) == sorted(f"survey-{p}" for p in PACKS)
    assert [name for name, section in found if section != whole[name]] == []
    assert found[-1][0] == f"survey-{PACKS[0]}"


def test_figures_and_tables_are_the_same_files(written):
    """Byte for byte."""
    one, many, *_ = written
    files = {f.relative_to(one) for f in one.rglob("*") if f.is_file() and f.parent != one}

    assert files == {f.relative_to(many) for part in ("tables", "figures") for f in (many / part).iterdir()}
    assert [str(f) for f in files if (one / f).read_bytes() != (many / f).read_bytes()] == []


def test_the_first_page_says_what_all_surveys_say_and_where_each_is(written):
    """Its links lead to files that are there; of surveys it has rows, no parts; photographs stand in the volumes."""
    one, many, paths, *_ = written
    page, whole = html(many, "report.html"), html(one, "report.html")
    links = re.findall(r'<a href="(volumes/[^"]+)">', page)

    assert len(links) == 8
    assert all((many / link).is_file() for link in links)
    assert {many / link for link in links} < set(paths)
    assert "survey-QH7M" not in page
    for part in ("surveyed", "changes", "along-time", "diversity", "data-quality", "methods"):
        section = re.compile(rf'<section class="[^"]*" id="{part}">.*?</section>', re.DOTALL)
        assert section.search(page)[0] == section.search(whole)[0]
    assert "named in the volumes with their photographs" in page
    assert "line7" in html(many, "volumes/surveys-02.html") + html(many, "volumes/surveys-03.html")
    assert "Garden 1 · 2020-03-28 to 2024-03-28" in page


def test_volumes_are_on_paper_too_and_say_what_is_open(written):
    """The survey with an open cell makes its own volume provisional, and the whole report."""
    _, many, *_ = written
    for name, text in (("report.pdf", "volumes/surveys-04.pdf"), ("volumes/surveys-01.pdf", "volume 1: Garden 0")):
        with pypdfium2.PdfDocument(many / name) as document:
            words = " ".join(p.get_textpage().get_text_bounded() for p in document)
        assert text in " ".join(words.split())
    assert "1 of" in html(many, "report.html")


def test_no_more_results_are_held_than_a_volume_has(written):
    """Of sixteen surveys; what is told of progress never exceeds the total, and reaches it."""
    *_, told, held = written

    assert max(held) <= 8
    assert len(told) == told[-1] >= 2 * len(PACKS)
