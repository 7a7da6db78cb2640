"""The season's board: a stage for every survey, planned or come back, in order of date."""

from __future__ import annotations

import datetime
import unicodedata

import pytest
from kept import FLAGGED, made_result, points
from kept import keep as keep_result

from digitise.cli import main
from digitise.completeness import Checked, SurveyCheck
from digitise.prepare.prepare import plan_yaml
from digitise.store import Store
from digitise.surveys.plan import Plan
from digitise.surveys.season import STAGES, board_text, season_board, stage_of

TODAY = datetime.date(2026, 4, 20)
PLAN = Plan.model_validate(
    {
        "plan": "spring",
        "protocol": "reef-transect",
        "sites": [{"name": "Lantern Garden", "code": "LG"}, {"name": "Ossa Ledge", "code": "OL"}],
        "surveys": [
            {"site": "OL", "pack": "AAAAAA", "date": "2026-04-12", "transects": 1},
            {"site": "LG", "pack": "BBBBBB", "date": "2026-04-19"},
            {"site": "LG", "pack": "CCCCCC", "date": "2026-04-20"},
            {"site": "OL", "date": "2026-05-02"},
            {"site": "LG"},
        ],
    }
)


def _fault(rule: str, severity: str) -> Checked:
    return Checked(rule, severity, f"where {rule}", "text", ())


STAGED = [
    ([], ("complete", "")),
    ([("points", "question"), ("people", "question")], ("complete", "2 questions")),
    ([("open", "missing"), ("wait", "contradiction")], ("in review", "where open")),
    ([("open", "missing"), ("sheets", "missing")], ("sheets missing", "where sheets")),
    ([("wait", "contradiction"), ("points", "question")], ("contradictory", "where wait")),
    ([("wait", "accepted"), ("sheets", "accepted")], ("complete", "")),
]


@pytest.mark.parametrize(("faults", "stage"), STAGED)
def test_a_survey_stands_where_its_first_obstacle_is(faults, stage) -> None:
    """Sheets first, then review, then contradictions; questions and what was accepted hold nothing up."""
    assert stage_of(tuple(_fault(*f) for f in faults)) == stage
    assert stage[0] in STAGES


def test_planned_and_read_surveys_stand_on_one_board_by_date(tmp_path) -> None:
    """One in review, one overdue, one today, one not printed yet, one without a date, last."""
    with Store.open(tmp_path / "store") as store:
        for sheet, transect in (("site", 0), ("fish", 1), ("invertebrate", 1)):
            keep_result(store, made_result(sheet, {}, name=f"{sheet}.jpg", pack="AAAAAA", transect=transect))
        line = made_result("substrate", {"substrate/1": FLAGGED}, name="line.jpg", pack="AAAAAA")
        keep_result(store, line)
        board = season_board(store, today=TODAY, plan=PLAN)
        alone = season_board(store, today=TODAY)
        whole = season_board(store, today=TODAY, checked=[SurveyCheck("AAAAAA", "", (_fault("points", "question"),))])

    assert [(one.date, one.site, one.pack, one.stage) for one in board] == [
        ("2026-04-12", "Ossa Ledge", "AAAAAA", "in review"),
        ("2026-04-19", "Lantern Garden", "BBBBBB", "not come back"),
        ("2026-04-20", "Lantern Garden", "CCCCCC", "planned"),
        ("2026-05-02", "Ossa Ledge", "", "planned"),
        ("", "Lantern Garden", "", "planned"),
    ]
    assert [(one.pack, one.stage) for one in alone] == [("AAAAAA", "sheets missing")]  # three lines without a plan
    assert [(one.stage, one.waits_for) for one in whole] == [("complete", "a signature; 1 question")]
    assert board_text(board).splitlines()[1].split()[:2] == ["2026-04-12", "Ossa"]


def test_the_command_prints_the_board(tmp_path, capsys) -> None:
    """A heading and one line a survey on standard output."""
    Store.open(tmp_path / "store").close()
    (tmp_path / "plan.yaml").write_text(plan_yaml(PLAN), encoding="utf-8")

    assert main(["season", "--store", str(tmp_path / "store"), "--plan", str(tmp_path / "plan.yaml")]) == 0
    told = capsys.readouterr()
    out = told.out.splitlines()
    assert told.err.startswith("5 surveys: planned ")
    assert out[0].split() == ["date", "site", "pack", "stage", "waits", "for"]
    assert len(out) == 6


def test_a_name_moves_no_cursor_and_ends_no_line_of_a_terminal(tmp_path, capsys) -> None:
    """A store from elsewhere may hold any text: what is no letter is shown as a space or by its number."""
    there = ["--store", str(tmp_path / "store")]
    with Store.open(tmp_path / "store") as store:
        for year, pack in (("2025", "AAAAAA"), ("2026", "BBBBBB")):
            values = {"site/site": "Ossa\tLedge\n\x1b[31mred\x9b", "site/date": f"{year}-04-12"}
            keep_result(store, made_result("site", values, name=year, pack=pack))
            keep_result(store, made_result("substrate", points({"BK": 40}), name=f"l{year}", pack=pack))
    codes = [main([*command, *there]) for command in (["season"], ["check"], ["compare"], ["compare", "--site", "x"])]
    said = "".join(capsys.readouterr())

    assert codes == [0, 1, 0, 2]
    assert said.count(r"Ossa Ledge \x1b[31mred\x9b") == 2 + 2 + 2 + 1
    assert [c for c in said if unicodedata.category(c) == "Cc" and c != "\n"] == []
