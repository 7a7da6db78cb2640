"""The demonstration season is invented, says so everywhere, and shows what it was made to show."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from kept import layout, made_sheet, made_survey, protocol

from digitise.cli import main
from digitise.completeness import check_store, check_survey
from digitise.demo.season import BASIS, OFFICE, SEED, build_season
from digitise.prepare.prepare import plan_yaml
from digitise.sheets.sheet import identity_for
from digitise.simulate.answers import answers_from_values
from digitise.simulate.programme import AUTUMN, BLEACHED, PLACES, bleached_percent, cover_on, plans, visits
from digitise.simulate.slips import SLIPS, of_visit, visit_sheets
from digitise.simulate.typed import typed_page
from digitise.store import Store
from digitise.surveys.known_plan import known_plan
from digitise.surveys.plan import load_plan
from digitise.surveys.season import season_board

SAMPLES = Path(__file__).parents[1] / "sample_scans"
TODAY = dt.date(2026, 11, 25)
SHOWN = {
    ("SH", "2024"): "sheets",
    ("NS", "2024"): "wait",
    ("GS", "2025-03"): "depths",
    ("CB", "2025-03"): "position",
    ("PG", "2025-03"): "people",
    ("SH", "2025-03"): "totals",
    ("NS", "2026"): "buddies",
    ("GS", "2026"): "blank-rows",
    ("CB", "2026"): "sheets",
}
EVERY = list(visits(SEED))
NAMES = [f"{v.place.code}-{v.day}" for v in EVERY]


def test_seven_sites_are_surveyed_in_each_of_three_springs_and_three_after_the_warm_weeks():
    assert len(EVERY) == 24
    assert len({v.pack for v in EVERY}) == 24
    springs = [(v.place.code, v.day.year) for v in EVERY if v.transects == 3]
    assert sorted(springs) == sorted((p.code, y) for p in PLACES for y in (2024, 2025, 2026))
    assert all(v.transects == 1 for v in EVERY if v.day.month == AUTUMN.month)
    assert [v.day for v in EVERY] == sorted(v.day for v in EVERY)
    assert [v.pack for v in visits(SEED)] == [v.pack for v in EVERY]


@pytest.mark.parametrize("place", PLACES, ids=[p.code for p in PLACES])
def test_coral_grows_until_the_bleaching_and_less_of_it_lives_after(place):
    """Hard coral of 2025 is the growth above 2024's before all shares are made to sum to 1; then part of it is dead."""
    first, second, third = (sum(cover_on(place, dt.date(y, 3, 20))[:2]) for y in (2024, 2025, 2026))
    assert first < second < first * 1.05
    assert third < second
    assert all(sum(cover_on(place, dt.date(y, 3, 20))) == pytest.approx(1) for y in (2024, 2025, 2026))
    assert bleached_percent(place, BLEACHED) > 10 * bleached_percent(place, dt.date(2025, 3, 20))


@pytest.mark.parametrize("visit", EVERY, ids=NAMES)
def test_every_value_fits_its_cell_and_the_check_finds_what_was_put_there(visit):
    """A visit with a slip shows it by its rule; one without is neither missing nor contradictory."""
    sheets = visit_sheets(protocol(), visit, np.random.default_rng(5))
    for (_, name), values in sheets.items():
        answers_from_values(layout(name).to_json(), values)
    made = [made_sheet(name, values, transect=t, pack=visit.pack) for (t, name), values in sheets.items()]
    plan = next(p for p in plans(SEED) if p.survey(visit.pack))
    found = check_survey(made_survey(*made, pack=visit.pack), today=TODAY, plan=plan)
    rule = of_visit(SHOWN, visit)
    if rule is None:
        assert [f for f in found if f.severity != "question"] == []
    else:
        assert rule in {f.rule for f in found}


def test_every_slip_is_of_one_visit_and_every_one_is_shown():
    assert SLIPS.keys() == SHOWN.keys()
    for key in SLIPS:
        assert sum(of_visit({key: True}, v, False) for v in EVERY) == 1


def test_plans_can_be_read_again_and_know_every_survey(tmp_path):
    found = list(plans(SEED))
    for plan in found:
        path = tmp_path / f"{plan.plan}.yaml"
        path.write_text(plan_yaml(plan), encoding="utf-8")
        assert load_plan(path) == plan
    assert {s.pack for p in found for s in p.surveys} == {v.pack for v in EVERY} | {"WX3PLE", None}


def test_a_typed_sheet_carries_no_code_and_differs_where_something_stands():
    """It cannot be read as a sheet of a pack, and says in type that it is invented."""
    one = layout("fish")
    identity = identity_for(one, "K7RM4X", 2)
    empty = typed_page(protocol(), one, identity, {}).image
    page = typed_page(protocol(), one, identity, {"fish/ray/0-10/tally": 7, "fish/depth": 8.2, "fish/none-seen": True})
    assert zxingcpp.read_barcodes(page.image, formats=zxingcpp.BarcodeFormat.QRCode) == []
    changed = page.image != empty
    for cell in one.cells:
        x, y, w, h = (round(8 * v) for v in cell.box_mm)
        written = cell.id in ("fish/ray/0-10/tally", "fish/depth", "fish/none-seen")
        assert changed[y : y + h, x : x + w].any() == written, cell.id


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A season of three visits: one let be, one put right after it was handed over, and the day of photographs."""
    few = [
        v
        for v in EVERY
        if (v.place.code, v.day.year, v.transects) in {("NS", 2024, 3), ("LR", 2025, 3), ("TW", 2026, 3)}
    ]
    out = tmp_path_factory.mktemp("season")
    said = []
    season = build_season(out, photos=SAMPLES, say=said.append, every=few)
    with Store.open(season.store) as store:
        yield store, season, few


def test_the_season_has_something_for_every_stage(made):
    """Handed over, changed since, signed, in review, not come back, planned."""
    store, season, few = made
    board = {line.pack: line for line in season_board(store, today=TODAY, plan=known_plan(store.folder))}
    early, changed, photographed = (board[v.pack].stage for v in few)
    assert (early, changed, photographed) == ("signed", "changed since signed", "in review")
    assert board["WX3PLE"].stage == "not come back"
    assert (season.surveys, season.pages) == (3, 30)


def test_a_finding_was_let_be_with_a_reason_name_and_date(made):
    store, _, few = made
    (check,) = check_store(store, today=TODAY, plan=known_plan(store.folder), packs=[few[0].pack])
    (fault,) = [f for f in check.faults if f.rule == "wait"]
    assert fault.severity == "accepted"
    assert fault.words.endswith("the team asked the leader. (Sanna Ruo, 2024-03-25)")


def test_what_was_handed_over_can_be_corrected_because_a_point_was_misread(made, tmp_path, capsys):
    store, season, few = made
    assert (season.package / "covering-note.pdf").is_file()
    (sent,) = store.handovers.all()
    assert (sent.recipient, [s.pack for s in sent.surveys]) == (OFFICE, [few[1].pack])
    send = ["handover", "--store", str(store.folder), "--correct", "1", "--reason", "Misread", "--by", "Olin Fesk"]
    assert main([*send, "--with-unsigned", "--dry-run"]) == 0
    assert "1 cell and 4 figures changed" in capsys.readouterr().err


def test_what_is_not_from_a_photograph_says_that_it_is_invented(made):
    store, _, few = made
    for page in store.pages():
        typed = page.pack != few[2].pack
        assert page.photo.startswith("invented-") == typed
        assert (page.acceptance_basis == BASIS) == typed
    assert (store.folder.parent / "INVENTED.txt").is_file()


def test_a_store_that_is_no_demonstration_is_never_replaced(tmp_path):
    Store.open(tmp_path / "store").close()
    with pytest.raises(ValueError, match="was not made by digitise demo --season; name another"):
        build_season(tmp_path, photos=SAMPLES, say=str, every=EVERY[:1])
    with pytest.raises(ValueError, match="sample photographs are not here"):
        build_season(tmp_path, photos=tmp_path, say=str)
    assert (tmp_path / "store" / "digitise.db").is_file()
