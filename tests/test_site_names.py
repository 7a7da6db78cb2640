"""A site is one site however it was written, under its planned name; what is only nearly its name is asked about."""

import datetime

import kept
import pytest
from kept import NOW

from digitise.completeness import check_store
from digitise.exchange.write import write_export
from digitise.report import write_report
from digitise.results.kept import KeptTables
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan, known_plan
from digitise.surveys.plan import PlanError
from digitise.surveys.roster import nearly, site_key
from digitise.surveys.survey import load_surveys
from review_app import surprise, worklist

PLAN = """plan: days
protocol: reef-transect
sites: [{name: Lantern Reef, code: LR}, {name: Ossa Ledge, code: OL}]
surveys: [{site: LR, date: 2026-03-14, transects: 3}]
"""
WRITTEN = {"AAAAAA": "LANTERN REEF", "CCCCCC": "lantern  Reef", "EEEEEE": "LR", "FFFFFF": "LANTERN REFF"}


@pytest.fixture
def store(tmp_path):
    """Four surveys whose site sheets name one site in four ways."""
    with Store.open(tmp_path / "store") as opened:
        for year, (pack, site) in enumerate(WRITTEN.items(), 2021):
            values = {"site/site": site, "site/date": f"{year}-03-14"}
            kept.keep(opened, kept.made_result("site", values, name=f"{pack}.jpg", pack=pack))
        yield opened


def planned(store, tmp_path) -> None:
    (tmp_path / "days.yaml").write_text(PLAN)
    keep_plan(store.folder, tmp_path / "days.yaml")


def test_without_a_plan_sites_are_named_as_written(store):
    assert [s.site for s in load_surveys(store)] == list(WRITTEN.values())


def test_capitals_spaces_and_the_code_are_the_planned_site(store, tmp_path):
    """Everywhere a survey is named; what was entered stays as it was entered."""
    planned(store, tmp_path)
    surveys = load_surveys(store)
    assert [s.site for s in surveys] == ["Lantern Reef"] * 3 + ["LANTERN REFF"]
    assert [s.written_site for s in surveys] == list(WRITTEN.values())
    assert worklist.site_words(store, "CCCCCC") == "Lantern Reef · 2022-03-14"
    (folder := tmp_path / "data").mkdir()
    write_export(store, folder, now=NOW, formats=["tables"], with_unreviewed=True)
    text = (folder / "tables" / "surveys.csv").read_text()
    assert text.count("Lantern Reef") == 3
    assert "LANTERN REEF" not in text
    assert "\nsite: name of the site: as planned where a plan knows it" in (folder / "tables/README.txt").read_text()
    assert "LANTERN REEF" in (folder / "tables" / "observations.csv").read_text()


def test_a_plan_that_gives_a_site_another_code_is_refused(store, tmp_path):
    """Written in capitals it is the same site still."""
    planned(store, tmp_path)
    (tmp_path / "more.yaml").write_text(
        PLAN.replace("plan: days", "plan: more")
        .replace("Lantern Reef, code: LR", "LANTERN  REEF, code: LX")
        .replace("site: LR", "site: LX")
    )
    with pytest.raises(PlanError, match="has the code 'LX', but 'LR' in a plan kept before; expected one code for one"):
        keep_plan(store.folder, tmp_path / "more.yaml")
    assert [p.name for p in (store.folder / "plans").iterdir()] == ["days.yaml"]


def test_a_survey_whose_site_is_not_entered_yet_is_called_by_the_one_it_was_planned_for(store, tmp_path):
    """And said to be only planned."""
    page = kept.keep(store, kept.made_result("site", {}, name="new.jpg", pack="HHHHHH"))
    assert worklist.site_words(store, "HHHHHH") == ""
    (tmp_path / "days.yaml").write_text(PLAN.replace("transects: 3", "transects: 3, pack: HHHHHH"))
    keep_plan(store.folder, tmp_path / "days.yaml")
    assert worklist.site_words(store, "HHHHHH") == "Lantern Reef (planned)"
    store.decide(page, "site/site", value="ossa ledge", state="entered", by="Anna", now=NOW)
    assert worklist.site_words(store, "HHHHHH") == "Ossa Ledge"


def test_kept_results_follow_a_plan_that_comes_later(store, tmp_path):
    """Nothing is worked out anew for it."""
    tables = KeptTables(store)
    assert list(tables.read("surveys")["site"]) == list(WRITTEN.values())
    planned(store, tmp_path)
    assert tables.waiting == 0
    assert list(KeptTables(store).read("surveys")["site"]) == ["Lantern Reef"] * 3 + ["LANTERN REFF"]


def test_a_plan_that_cannot_be_used_leaves_the_names_as_written(store):
    (store.folder / "plans").mkdir()
    (store.folder / "plans" / "days.yaml").write_text("no plan")
    assert [s.site for s in load_surveys(store)] == list(WRITTEN.values())


def asked(store, plan) -> dict[str, str]:
    found = check_store(store, today=datetime.date(2026, 4, 1), plan=plan)
    return {c.pack: f.text for c in found for f in c.faults if f.rule == "site"}


def test_what_is_nearly_a_site_is_asked_about_and_never_taken_for_it(store, tmp_path):
    """Against the plan, and without one against the other surveys."""
    words = "'LANTERN REFF' here, 'LANTERN REEF' in 2 other surveys: is it the same? Results take them for two sites"
    assert asked(store, None) == {"FFFFFF": words}
    planned(store, tmp_path)
    told = asked(store, known_plan(store.folder))
    assert list(told) == ["FFFFFF"]
    assert told["FFFFFF"].startswith("'LANTERN REFF' is not known; perhaps Lantern Reef (")
    assert told["FFFFFF"].endswith("results take it for a site of its own")


def test_the_report_says_which_sites_have_nearly_the_same_name(store, tmp_path):
    """They are counted as two; whoever reads it must know."""
    planned(store, tmp_path)
    write_report(store, tmp_path / "report", now=NOW)
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "Lantern Reef and LANTERN REFF are counted as different sites here. If they are one, correct" in page
    assert "4 surveys of 2 sites" in page


def test_whoever_enters_what_is_nearly_a_planned_site_is_asked_once(store, tmp_path):
    page = store.pages("FFFFFF")[0].id

    def said(value):
        return surprise.question(store, page, "site/site", value, now=NOW)

    assert said("Lantern Reff") == ""
    planned(store, tmp_path)
    assert said("Lantern Reff").endswith(
        ": 'Lantern Reff' is nearly Lantern Reef, which is planned; enter that if it is meant"
    )
    assert said("LANTERN  REEF") == said("lr") == said("North Wall") == ""


def test_a_name_without_its_accents_is_that_name_and_marks_that_are_letters_stay():
    """Letters with accents lose them; signs of other scripts that are letters of their own do not."""
    assert site_key("RECIF DE L'ÎLE") == site_key("Re\u0301cif de l'Ile") == "recif de l'ile"
    assert len({site_key(name) for name in ("가리", "고리", "がけ", "かけ", "कि", "की")}) == 6


@pytest.mark.parametrize(
    ("one", "other", "near"),
    [
        ("LANTERN REFF", "Lantern Reef", True),
        ("Lantern-Reef", "Lantern Reef", True),
        ("LANTERNREEF", "Lantern Reef", True),
        ("Récif Nord", "RECIF NORT", True),
        ("lantern reef", "Lantern Reef", False),  # that is the same, and needs no asking
        ("Récif Nord", "RECIF NORD", False),  # as is this: capitals are written without accents
        ("Reef 1", "Reef 2", False),
        ("Reef A", "Reef B", False),
        ("North Wall", "South Wall", False),
        ("East Bay", "West Bay", False),
        ("Ossa", "Opal", False),
        ("Синяя банка", "Синяя банко", True),
        ("Риф 1", "Банка 1", False),
        ("Αθήνα", "Κρήτη", False),
        ("珊瑚礁", "沙洲", False),
        ("ชายหาด", "เกาะ", False),
    ],
)
def test_which_names_are_nearly_the_same(one, other, near):
    assert nearly(one, other) == nearly(other, one) == near
