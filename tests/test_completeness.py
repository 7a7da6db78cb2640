"""Each rule finds what it is for, names the cell, and stays silent about what is not known."""

from __future__ import annotations

import datetime
import os
import stat
from dataclasses import replace
from types import SimpleNamespace

import pytest
from kept import NOW, PACK, UNREAD, made_result, made_sheet, photo_of, points, protocol
from kept import keep as keep_result
from shared_cases import cases

from digitise.batch.batch import known_protocols, record
from digitise.cli import main
from digitise.completeness import FINDERS, Checked, SurveyCheck, check_store, check_survey
from digitise.completeness.places import dates
from digitise.prepare.prepare import plan_yaml
from digitise.reader.reading import Reading
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import SHIPPED, Protocol, parse_protocol
from digitise.sheets.rules import RULES, rules_of
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan, known_plan
from digitise.surveys.known_protocol import keep_protocol
from digitise.surveys.places import place_of, why_no_place
from digitise.surveys.plan import Plan, PlanError
from digitise.surveys.roster import site_key
from digitise.surveys.survey import assemble
from review_app.faults import checks, fault_list, wanted
from review_app.worklist import pack_places

TODAY = datetime.date(2026, 4, 20)
OWN = SHIPPED / "long-line.yaml"
SITE = {
    "site/date": "2026-04-11",
    "site/site": "LANTERN GARDEN",
    "site/team": 4,
    "site/latitude": 5.4123,
    "site/north-south": "N",
    "site/longitude": 161.2034,
    "site/east-west": "W",
    "site/depth": 7.0,
    "site/leader": "MIRA TOLE",
    "site/cover": "OLIN FESK",
    "site/pair-1": "KEO VARN, ADA LIND",
    "site/pair-2": "MIRA TOLE, TAM ORLE",
}
FISH = {
    "fish/start": "10:20",
    "fish/laid": "10:02",
    "fish/depth": 7.0,
    "fish/observer": "KEO VARN",
    "fish/none-seen": True,
}
INVERTEBRATE = {
    "invertebrate/depth": 7.4,
    "invertebrate/observer": "ADA LIND",
    "invertebrate/none-seen": True,
}
SUBSTRATE = {"substrate/depth": 7.2, "substrate/observer": "TAM ORLE", **points({"BK": 10, "YB": 30})}
PLAN = Plan.model_validate(
    {
        "plan": "spring",
        "protocol": "reef-transect",
        "sites": [
            {
                "name": "Lantern Garden",
                "code": "LG",
                "latitude": 5.4125,
                "longitude": -161.2034,
                "radius_m": 150,
                "depth_m": [5, 9],
            },
            {"name": "Ossa Ledge", "code": "OL"},
        ],
        "surveys": [
            {
                "site": "LG",
                "date": "2026-04-11",
                "transects": 1,
                "pack": PACK,
                "leader": "Mira Tole",
                "shore": "Olin Fesk",
                "pairs": [{"divers": ["Keo Varn", "Ada Lind"]}, {"divers": ["Mira Tole", "Tam Orle"]}],
            }
        ],
    }
)


def _survey(*, own: Protocol | None = None, pack: str = PACK, leave: tuple[str, ...] = (), **changes):
    """A complete survey of one line, but for what is changed, by sheet, and for the sheets left out."""
    values = {"site": SITE, "fish": FISH, "invertebrate": INVERTEBRATE, "substrate": SUBSTRATE}
    sheets = [
        made_sheet(name, {**kept, **changes.get(name, {})}, pack=pack)
        for name, kept in values.items()
        if name not in leave
    ]
    return assemble(own or protocol(), pack, sheets)


def _found(survey, rule: str, **known):
    known = {"today": TODAY, "plan": PLAN} | known
    return [c for c in check_survey(survey, **known) if c.rule == rule]


def test_every_rule_has_something_that_applies_it() -> None:
    """No rule can be named in a protocol that nothing checks, and no check is without a rule."""
    assert set(RULES) == set(FINDERS)


def test_a_complete_survey_has_no_faults() -> None:
    """Everything in, agreeing, at the right place and time."""
    assert check_survey(_survey(), today=TODAY, plan=PLAN) == ()


def test_sheets_that_are_not_in_are_missing() -> None:
    """The plan has one line, so only its sheets are wanted; without a plan the protocol's three lines are."""
    (one,) = _found(_survey(leave=("fish",)), "sheets")

    assert (one.severity, one.where) == ("missing", "T1: Fish belt")
    assert [c.where for c in _found(_survey(), "sheets", plan=None)] == ["T2: every sheet", "T3: every sheet"]


def test_a_line_more_than_planned_of_which_a_sheet_came_in_misses_its_others() -> None:
    """Time was left for a second line, on spare pages: its counts are used, so what it lacks is told."""
    values = {"site": SITE, "fish": FISH, "invertebrate": INVERTEBRATE, "substrate": SUBSTRATE}
    sheets = [made_sheet(name, cells) for name, cells in values.items()]
    survey = assemble(protocol(), PACK, [*sheets, made_sheet("fish", FISH, transect=2)], lines=1)

    told = ["T2: Invertebrate belt and impacts", "T2: Substrate line"]
    assert [c.where for c in _found(survey, "sheets")] == told == list(survey.missing)


FAULTS = [
    # rule, changed cells, how grave, words, cells named
    ("open", {"fish": {"fish/depth": UNREAD}}, "missing", "waits for a person", ["fish/depth"]),
    (
        "open",
        {"fish": {"fish/depth": UNREAD, "fish/laid": UNREAD}, "site": {"site/depth": UNREAD}},
        "missing",
        "wait for a person (Site sheet: 1; T1, Fish belt: 2)",
        ["site/depth", "fish/laid", "fish/depth"],
    ),
    (
        "points",
        {"substrate": {"substrate/3": None, "substrate/20": None}},
        "question",
        "38 of 40 points have a code (3 m left blank, 20 m left blank)",
        ["substrate/3", "substrate/20"],
    ),
    ("blank-rows", {"fish": {"fish/none-seen": None}}, "question", "24 of 24 counts are blank", ["fish/none-seen"]),
    (
        "wait",
        {"fish": {"fish/start": "10:10"}},
        "contradiction",
        "started 10:10, 8 minutes after the line was laid at 10:02. Rule: A count starts 15 minutes after",
        ["fish/start", "fish/laid"],
    ),
    (
        "wait",
        {"fish": {"fish/start": "09:50"}},
        "contradiction",
        "started 09:50, before the line was laid at 10:02",
        ["fish/start", "fish/laid"],
    ),
    (
        "depths",
        {"fish": {"fish/depth": 5.9}},
        "contradiction",
        "5.9 m on Fish belt, 7.4 m on Invertebrate belt and impacts",
        ["fish/depth", "invertebrate/depth"],
    ),
    ("depth-range", {"site": {"site/depth": 12.0}}, "question", "12 m, at a site of 5 to 9 m", ["site/depth"]),
    (
        "position",
        {"site": {"site/east-west": "E"}},
        "contradiction",
        "km from Lantern Garden, whose radius is 150 m",
        ["site/latitude", "site/north-south", "site/longitude", "site/east-west"],
    ),
    ("future", {"site": {"site/date": "2026-04-21"}}, "contradiction", "2026-04-21 lies after today", ["site/date"]),
    ("planned", {"site": {"site/date": "2026-04-10"}}, "question", "planned for 2026-04-11", ["site/date"]),
    ("planned", {"site": {"site/site": "OSSA LEDGE"}}, "question", "Ossa Ledge, planned for Lantern", ["site/site"]),
    (
        "team-least",
        {"site": {"site/team": 3}},
        "question",
        "3 written. Rule: A team has 4 divers or more",
        ["site/team"],
    ),
    (
        "team-most",
        {"site": {"site/team": 7}},
        "question",
        "7 written. Rule: A team has 6 divers or fewer",
        ["site/team"],
    ),
    ("buddies", {"site": {"site/pair-2": "MIRA TOLE"}}, "contradiction", "one name, 'MIRA TOLE'", ["site/pair-2"]),
    (
        "buddies",
        {"site": {"site/pair-2": "KEO VARN, TAM ORLE"}},
        "contradiction",
        "'KEO VARN' stands 2 times",
        ["site/pair-1", "site/pair-2"],
    ),
    (
        "buddies",
        {"site": {"site/team": 5}},
        "contradiction",
        "5 divers, 4 names in pairs",
        ["site/team", "site/pair-1", "site/pair-2"],
    ),
    (
        "totals",
        {"fish": {"fish/ray/0-10/tally": 6, "fish/ray/0-10/total": 5}},
        "contradiction",
        "6 strokes, 5 written beside them",
        ["fish/ray/0-10/tally", "fish/ray/0-10/total"],
    ),
    (
        "people",
        {"fish": {"fish/observer": "KEO VERN"}},
        "question",
        "'KEO VERN' is not known; perhaps Keo Varn (98 %)",
        ["fish/observer"],
    ),
    ("site", {"site": {"site/site": "LANTERN GARDEM"}}, "question", "perhaps Lantern Garden", ["site/site"]),
]


@pytest.mark.parametrize(("rule", "changes", "severity", "words", "cells"), FAULTS)
def test_a_fault_is_found_in_words_with_its_cells(rule, changes, severity, words, cells) -> None:
    """What was found stands before the rule's sentence, and each cell can be opened."""
    survey = _survey(**changes)
    faults = _found(survey, rule)

    assert len(faults) >= 1
    assert (faults[0].severity, [c for _, c in faults[0].cells]) == (severity, cells)
    assert words in faults[0].words
    known = {(c.page_id, c.cell) for c in survey.cells}
    assert set(faults[0].cells) <= known


@cases("wait")
def test_a_count_that_began_a_minute_too_soon_is_found_with_its_minutes(case) -> None:
    """Laid 09:40, begun 09:54: 14 minutes of the 15 that the shipped protocol asks for."""
    g, expected = case["inputs"], case["expected"]
    faults = _found(_survey(fish={"fish/laid": g["line_laid"], "fish/start": g["fish_start"]}), "wait")

    assert rules_of(protocol().checks, protocol().wait_minutes)["wait"].limit == g["required_min"]
    assert (faults == []) is expected["pass"]
    assert f"{expected['minutes']} minutes after the line was laid" in faults[0].text


def test_a_sheet_without_hemispheres_lies_in_those_of_its_site() -> None:
    """Degrees are written without a sign; what is far away is so wherever it lies."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    own = parse_protocol(
        text.replace("{id: east-west,", "{id: side,").replace("{id: north-south,", "{id: half,"), "own"
    )
    site = dict.fromkeys(("site/north-south", "site/east-west"))

    assert _found(_survey(own=own, site=site), "position") == []
    assert _found(_survey(own=own, site=site | {"site/latitude": 6.4}), "position") != []


def test_degrees_that_no_place_has_are_a_fault_of_their_own() -> None:
    """A latitude of 95 degrees is not measured against the site's radius."""
    (fault,) = _found(_survey(site={"site/latitude": 95.5}), "position")

    assert "latitude 95.5, longitude -161.203: at most 90 and 180 degrees are possible" in fault.text


def test_a_name_without_its_accents_is_known_and_one_in_two_pairs_is_found_by_it() -> None:
    """Divers write capitals, which have no accents."""
    plan = Plan.model_validate(PLAN.model_dump() | {"people": ["Zoé Hallor"]})
    known = _survey(fish={"fish/observer": "ZOE HALLOR"})
    twice = _survey(site={"site/pair-1": "Zoé Hallor, ADA LIND", "site/pair-2": "ZOE HALLOR, TAM ORLE"})

    assert _found(known, "people", plan=plan) == []
    assert _found(_survey(fish={"fish/observer": "ZOE-HALLOR"}), "people", plan=plan) == []
    assert _found(_survey(fish={"fish/observer": "ZOE HALLER"}), "people", plan=plan) != []
    assert "'ZOE HALLOR' stands 2 times" in _found(twice, "buddies", plan=plan)[0].text


TEXTS = (
    ('label: Depth (m), kind: decimal, format: "##.#"', "label: Depth (m), kind: text, width_mm: 30"),
    ('label: Depth of the lines (m), kind: decimal, format: "##.#"', "label: Depth of the lines (m), kind: text"),
    ("label: Divers, kind: number, digits: 1", "label: Divers, kind: text, width_mm: 30"),
    ('label: Latitude (degrees), kind: decimal, format: "##.#####"', "label: Latitude (degrees), kind: text"),
    ("label: Count started, kind: time", "label: Count started, kind: text, width_mm: 40"),
    ("label: Site name, kind: text, width_mm: 110", "label: Site name, kind: code, choices: [AB, CD]"),
)


def test_fields_of_a_kind_that_no_rule_expects_are_left_out() -> None:
    """A protocol of one's own may ask for a depth in words: "7 to 9" is held against nothing, and ends no check."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    for number, words in TEXTS:
        assert number in text
        text = text.replace(number, words)
    own = parse_protocol(text, "own.yaml")
    pages = {one.sheet: one for one in build_layouts(own) if one.paper == "A4"}
    written = {
        "site": {**SITE, "site/depth": "7 to 9", "site/team": "all of us", "site/latitude": "5° N", "site/site": "AB"},
        "fish": {**FISH, "fish/depth": "7 to 9", "fish/start": "ten"},
        "invertebrate": {**INVERTEBRATE, "invertebrate/depth": "deeper"},
        "substrate": {**SUBSTRATE, "substrate/depth": "8 m"},
    }
    survey = assemble(own, PACK, [made_sheet(name, cells, one=pages[name]) for name, cells in written.items()])

    assert check_survey(survey, today=TODAY, plan=PLAN) == ()
    assert place_of(survey) is None
    assert why_no_place(survey) == "no field latitude"


SILENT = [
    ("wait", {"fish": {"fish/laid": UNREAD}}),
    ("wait", {"fish": {"fish/laid": None}}),
    ("wait", {"fish": {"fish/start": "10:17"}}),  # fifteen minutes exactly
    ("depths", {"fish": {"fish/depth": UNREAD}}),
    ("depths", {"fish": {"fish/depth": 6.4}}),  # one metre exactly
    ("position", {"site": {"site/east-west": UNREAD}}),
    ("position", {"site": {"site/latitude": None}}),
    ("future", {"site": {"site/date": "2026-04-20"}}),
    ("team-least", {"site": {"site/team": None}}),
    ("buddies", {"site": {"site/team": 6, "site/pair-3": UNREAD}}),
    ("totals", {"fish": {"fish/ray/0-10/tally": 6, "fish/ray/0-10/total": UNREAD}}),
    ("people", {"fish": {"fish/observer": UNREAD}}),
    ("points", {"substrate": {"substrate/3": UNREAD}}),
]


@pytest.mark.parametrize(("rule", "changes"), SILENT)
def test_what_is_not_known_or_just_within_is_no_fault(rule, changes) -> None:
    """A cell that waits, or a value on the limit, contradicts nothing."""
    assert _found(_survey(**changes), rule) == []


def test_rules_that_need_a_plan_are_silent_without_one() -> None:
    """No site, no list of people: nothing to hold the sheet against."""
    survey = _survey(site={"site/site": "NOWHERE", "site/east-west": "E"}, fish={"fish/observer": "NOBODY"})
    rules = {c.rule for c in check_survey(survey, today=TODAY)}

    assert rules == {"sheets"}


def test_pages_photographed_twice_and_pages_of_no_line_are_told() -> None:
    """The pack's pages hold a second fish sheet, and one that carries no line."""
    survey = _survey()
    fish = next(p for p in survey.pages if p.sheet == "fish")
    again = replace(fish, id=99, photo="again.jpg", superseded_by=fish.id)
    (twice,) = _found(survey, "twice", pages=(*survey.pages, again))
    lost = replace(survey, pages=(*survey.pages, replace(fish, id=98, photo="lost.jpg", transect=0)))
    (stray,) = _found(lost, "no-place")

    assert twice.words.startswith("photographed 2 times; fish-1.jpg counts.")
    assert (stray.severity, stray.text.split(".jpg")[0]) == ("missing", "lost")


def test_a_count_after_midnight_follows_a_line_laid_before_it() -> None:
    """Laid 23:50: ten past midnight is late enough, three past is not."""
    late = _survey(fish={"fish/laid": "23:50", "fish/start": "00:10"})
    early = _survey(fish={"fish/laid": "23:50", "fish/start": "00:03"})

    assert _found(late, "wait") == []
    assert "13 minutes after the line was laid" in _found(early, "wait")[0].text


def test_counts_far_outside_the_sites_history_are_questions() -> None:
    """Two earlier surveys had 4 and 5 rays in 40 square metres; 20 are more than three times 5 and 15 above it."""
    before = [
        _survey(
            pack=pack,
            site={"site/date": date},
            fish={"fish/ray/0-10/tally": n, "fish/ray/0-10/total": n},
        )
        for pack, date, n in (("AAAAAA", "2025-04-11", 4), ("BBBBBB", "2025-10-11", 5))
    ]
    now = {"fish/ray/0-10/tally": 20, "fish/ray/0-10/total": 20}
    (one,) = _found(_survey(fish=now), "history", earlier=before)

    assert one.where == "Fish belt, Rays"
    assert one.words.startswith("20 in 40 m²; 2 earlier surveys would give at most 5.")
    assert ("fish/ray/0-10/tally") in [c for _, c in one.cells]
    assert len(_found(_survey(fish=now, site={"site/site": "LG"}), "history", earlier=before)) == 1  # its code
    assert _found(_survey(fish=now), "history", earlier=before[:1]) == []
    assert _found(_survey(fish=dict.fromkeys(now, 14)), "history", earlier=before) == []  # 9 more: too few to ask
    assert _found(_survey(fish=now, site={"site/site": "OSSA LEDGE"}), "history", earlier=before) == []


def test_sheets_with_different_dates_contradict_each_other() -> None:
    """For protocols that ask for the date on more sheets than one; each cell that bears one is named."""

    def faults(*days: str) -> list:
        cells = [SimpleNamespace(value=day, page_id=i, cell=f"s{i}/date") for i, day in enumerate(days)]
        case = SimpleNamespace(fields=lambda name: cells if name == "date" else [], place=lambda cell: cell.cell)
        return list(dates(case))

    (one,) = faults("2026-04-11", "2026-04-12", "2026-04-11")
    assert (one.where, one.text) == ("s0/date", "found 2026-04-11 and 2026-04-12")
    assert one.cells == ((0, "s0/date"), (1, "s1/date"), (2, "s2/date"))
    assert faults("2026-04-11", "2026-04-11") == faults("2026-04-11") == faults() == []


def test_a_site_that_results_would_take_for_two_is_asked_about_where_it_is_unusual() -> None:
    """Its code here and its name there would end its series unseen; capitals and spaces make no other site."""
    first = _survey(pack="AAAAAA", site={"site/date": "2025-04-11"})
    other = _survey(site={"site/site": "LG"})
    (one,) = _found(other, "site", earlier=[first, other])

    assert one.severity == "question"
    assert one.words.startswith("'LG' here, 'LANTERN GARDEN' in 1 other survey; results take them for two")
    assert [c for _, c in one.cells] == ["site/site"]
    assert _found(first, "site", earlier=[first, other]) == []  # it was first
    assert _found(other, "site", plan=None, earlier=[first, other]) == []  # nobody says that they are one
    for same in ("Lantern Garden", "LANTERN  GARDEN"):
        assert site_key(same) == site_key(first.site)
        assert _found(_survey(site={"site/site": same}), "site", plan=None, earlier=[first]) == []
    assert _found(_survey(), "site", earlier=[first]) == []
    assert _found(_survey(site={"site/site": UNREAD}), "site", earlier=[first]) == []


def test_a_protocol_changes_severity_limit_and_sentence_of_a_rule() -> None:
    """Each by itself; a rule may be switched off; the printed pages do not change."""
    text = protocol().model_dump()
    own = Protocol.model_validate(
        text
        | {
            "checks": {
                "depths": {"severity": "question", "limit": 0.3, "sentence": "Level within {limit:g} m."},
                "totals": {"severity": "off"},
            }
        }
    )
    survey = _survey(own=own, fish={"fish/ray/0-10/tally": 6, "fish/ray/0-10/total": 5})
    (one,) = _found(survey, "depths")

    assert one.severity == "question"
    assert one.words.endswith("Rule: Level within 0.3 m.")
    assert _found(survey, "totals") == []
    assert own.digest != protocol().digest
    assert Protocol.model_validate_json(own.model_dump_json()).digest == own.digest


def test_an_accepted_fault_stays_in_sight_with_its_reason_until_something_else_is_found() -> None:
    """The reason holds for what was found then: another time is another fault."""
    early = _survey(fish={"fish/start": "10:10"})
    (fault,) = check_survey(early, today=TODAY, plan=PLAN)
    (let_be,) = check_survey(early, today=TODAY, plan=PLAN, accepted={fault.name: "watch was slow"})
    other = _survey(fish={"fish/start": "10:11"})
    (again,) = check_survey(other, today=TODAY, plan=PLAN, accepted={fault.name: "watch was slow"})

    assert fault.severity == again.severity == "contradiction"
    assert (let_be.severity, let_be.words) == ("accepted", f"{fault.words} Accepted: watch was slow")
    assert fault.name != again.name


BAD_CHECKS = [
    ("{depth: {limit: 1}}", "checks.depth: no such rule; expected one of sheets"),
    ("{dates: {limit: 1}}", "checks.dates.limit: found 1, but this rule has no limit"),
    ("{wait: {limit: 1}}", "expected it as 'wait_minutes'"),
    (
        "{depths: {sentence: '{depth} m'}}",
        "checks.depths.sentence: found '{depth} m', expected no braces but {limit:g}",
    ),
    ("{depths: {sentence: '{limit:999999999g} m'}}", "expected no braces but {limit:g}"),  # a text of a gigabyte
    ("{depths: {sentence: '{limit.real} m'}}", "expected no braces but {limit:g}"),
    ("{depths: {severity: grave}}", "checks.depths.severity: found 'grave', expected"),
]


@pytest.mark.parametrize(("checks", "words"), BAD_CHECKS)
def test_checks_that_cannot_be_are_refused_with_a_sentence(checks: str, words: str) -> None:
    head = 'protocol: pond\nversion: "1"\ntitle: Pond\nprogramme: Group\nsheets:\n'
    head += "  birds: {kind: belt, title: Birds, rows: [{id: heron, label: Herons}]}\n"
    with pytest.raises(ValueError, match=r"pond\.yaml: ") as error:
        parse_protocol(f"{head}checks: {checks}\n", "pond.yaml")

    assert words in str(error.value)


def _filled_store(folder):
    store = Store.open(folder)
    keep_result(store, made_result("site", SITE, name="site.jpg", transect=0))
    keep_result(store, made_result("fish", FISH, name="fish.jpg"))
    keep_result(store, made_result("invertebrate", INVERTEBRATE, name="invertebrate.jpg"))
    keep_result(store, made_result("substrate", SUBSTRATE, name="substrate.jpg"))
    return store


def test_a_store_is_checked_survey_by_survey_with_strays_and_packs_that_did_not_come_back(tmp_path) -> None:
    """One survey complete, one page without a pack, one planned pack of which nothing came back."""
    data = PLAN.model_dump()
    data["surveys"] = [*data["surveys"], data["surveys"][0] | {"pack": "CCCCCC", "date": "2026-04-12"}]
    with _filled_store(tmp_path / "store") as store:
        keep_result(store, made_result("fish", FISH, name="stray.jpg", pack=None))
        found = check_store(store, today=TODAY, plan=Plan.model_validate(data))
        its_day = check_store(store, today=datetime.date(2026, 4, 12), plan=Plan.model_validate(data))

    assert [(one.pack, [f.rule for f in one.faults]) for one in found] == [
        (PACK, []),
        ("CCCCCC", ["sheets"]),
        ("", ["no-place"]),
    ]
    assert "stray.jpg belongs to no pack" in found[2].faults[0].text
    assert [one.pack for one in its_day] == [PACK, ""]


def test_a_survey_whose_site_sheet_is_not_in_is_headed_by_the_site_it_was_planned_for(tmp_path) -> None:
    with Store.open(tmp_path / "store") as store:
        keep_result(store, made_result("fish", FISH, name="fish.jpg"))
        planned, alone = (check_store(store, today=TODAY, plan=plan)[0] for plan in (PLAN, None))

    assert (planned.heading, alone.heading) == (f"Pack {PACK} · Lantern Garden (planned)", f"Pack {PACK}")


def test_the_command_prints_faults_and_says_by_its_exit_code_whether_something_is_wrong(tmp_path, capsys) -> None:
    """0 for a complete survey, 1 where sheets are missing, 2 for a pack that is not there."""
    plan = tmp_path / "plan.yaml"
    plan.write_text(plan_yaml(PLAN), encoding="utf-8")
    _filled_store(tmp_path / "store").close()
    store = ["--store", str(tmp_path / "store")]

    assert main(["check", *store]) == 1
    assert "  missing: T2: every sheet: not photographed. Rule: Every sheet of" in capsys.readouterr().out
    assert main(["check", *store, "--plan", str(plan)]) == 0
    complete = f"Pack {PACK} · Lantern Garden · 2026-04-11\n  complete\n"
    assert capsys.readouterr().out == complete
    assert main(["check", *store]) == 0  # the plan is known from now on
    assert capsys.readouterr().out == complete
    assert main(["check", *store, "--pack", "XYXYXY"]) == 2


def test_plans_are_kept_in_the_store_and_read_together(tmp_path) -> None:
    """Two plans: sites and people of both; one of the same name takes the earlier one's place."""
    folder, path = tmp_path / "store", tmp_path / "plan.yaml"
    path.write_text(plan_yaml(PLAN), encoding="utf-8")
    assert known_plan(folder) is None
    keep_plan(folder, path)
    later = PLAN.model_dump(mode="json")
    later |= {"plan": "autumn", "people": ["Bes Hallor"]}
    later["sites"] = [later["sites"][1] | {"depth_m": [3, 4]}]
    later["surveys"] = [{"site": "OL", "pack": "CCCCCC"}]
    path.write_text(plan_yaml(Plan.model_validate(later)), encoding="utf-8")
    keep_plan(folder, path)
    keep_plan(folder, path)
    plan = known_plan(folder)

    assert sorted(s.code for s in plan.sites) == ["LG", "OL"]
    assert plan.site("OL").depth_m == (3, 4)
    assert [plan.survey(p).site for p in (PACK, "CCCCCC")] == ["LG", "OL"]
    assert {"Bes Hallor", "Mira Tole"} <= set(plan.names)


def test_a_plan_that_does_not_repeat_where_a_site_is_leaves_it_where_it_was(tmp_path) -> None:
    """Position, radius and depths of an earlier plan go on being checked, whatever the plans are called."""
    folder, path = tmp_path / "store", tmp_path / "plan.yaml"
    path.write_text(plan_yaml(PLAN), encoding="utf-8")
    keep_plan(folder, path)
    for name, pack in (("autumn", "CCCCCC"), ("winter", "DDDDDD")):
        bare = {"plan": name, "sites": [{"name": "Lantern Garden", "code": "LG"}]}
        bare |= {"surveys": [{"site": "LG", "pack": pack}]}
        path.write_text(plan_yaml(Plan.model_validate(PLAN.model_dump() | bare)), encoding="utf-8")
        keep_plan(folder, path)
    far = _survey(site={"site/latitude": 6.4123, "site/depth": 12.0})

    assert known_plan(folder).site("LG") == PLAN.site("LG")
    assert [len(_found(far, rule, plan=known_plan(folder))) for rule in ("position", "depth-range")] == [1, 1]


def test_a_kept_plan_may_be_read_by_whoever_may_read_the_store(tmp_path) -> None:
    """The screens run as another user than whoever prepares the day; both are of one group."""
    path = tmp_path / "plan.yaml"
    path.write_text(plan_yaml(PLAN), encoding="utf-8")
    usual = os.umask(0o027)
    try:
        keep_plan(tmp_path / "store", path)
        keep_protocol(
            tmp_path / "store", OWN.read_bytes().replace(b"protocol: long-line", b"protocol: own"), "own.yaml"
        )
    finally:
        os.umask(usual)

    kept = sorted(p for p in (tmp_path / "store").rglob("*") if p.is_file())
    assert [(p.name, stat.S_IMODE(p.stat().st_mode)) for p in kept] == [("spring.yaml", 0o640), ("own-1.yaml", 0o640)]


def test_plans_that_contradict_each_other_are_refused_and_nothing_is_lost(tmp_path) -> None:
    """A code for two sites, a pack for two surveys."""
    folder, path = tmp_path / "store", tmp_path / "plan.yaml"
    path.write_text(plan_yaml(PLAN), encoding="utf-8")
    keep_plan(folder, path)
    path.write_text(plan_yaml(PLAN).replace("plan: spring", "plan: other"), encoding="utf-8")
    with pytest.raises(PlanError, match=f"pack {PACK} stands in two plans"):
        keep_plan(folder, path)
    path.write_text(path.read_text(encoding="utf-8").replace("Ossa Ledge", "Ossa Point"), encoding="utf-8")
    with pytest.raises(PlanError, match="site code 'OL' is Ossa Point, but Ossa Ledge in a plan kept"):
        keep_plan(folder, path)
    other = PLAN.model_dump() | {"plan": "other", "sites": [{"name": "OL", "code": "X9"}], "surveys": [{"site": "X9"}]}
    path.write_text(plan_yaml(Plan.model_validate(other)), encoding="utf-8")
    with pytest.raises(PlanError, match="with those kept before: site name 'OL' is the code of Ossa Ledge"):
        keep_plan(folder, path)

    assert [p.name for p in (folder / "plans").iterdir()] == ["spring.yaml"]


def test_names_from_a_kept_plan_are_suggested_for_photographs_that_are_read(tmp_path) -> None:
    """What the reader made of the pencil stays the value; the known name stands beside it, still for a person."""
    path = tmp_path / "plan.yaml"
    path.write_text(plan_yaml(PLAN), encoding="utf-8")
    result = made_result("fish", {}, name="fish.jpg")
    unsure = Reading("fish/observer", "text", "KEO VARM", 0.4, True, (("KEO VARM", 0.4),), ("free-text",), 0.4)
    readings = tuple(unsure if r.cell == unsure.cell else r for r in result.readings)
    with Store.open(tmp_path / "store") as store:
        keep_plan(store.folder, path)
        store.keep_photo(photo_of("fish.jpg"), "fish.jpg", now=NOW)
        record(store, replace(result, readings=readings), known_protocols(), now=NOW)
        (item,) = store.queue()

    assert (item.cell, item.value) == ("fish/observer", "KEO VARM")
    assert [name for name, _ in item.candidates] == ["Keo Varn", "KEO VARM"]


def test_faults_are_shown_as_a_list_with_every_text_escaped(tmp_path) -> None:
    """Grave ones open the list; each links to its cells; a complete survey says so; unplanned lines are left out."""
    cells = ((7, "fish/observer"), (8, "fish/observer"))
    fault = Checked("people", "contradiction", "T1, Observer", "'<b>' is not known", cells)
    pages = {n + 6: replace(made_sheet("fish", {}, transect=n)[0], id=n + 6) for n in (1, 2)}
    shown = fault_list(SurveyCheck(PACK, "", (fault,)), pages, lambda _page, cell: f"<{cell}>")

    assert "&lt;b&gt;" in shown
    assert 'open=""' in shown
    assert 'href="trace?page=7&amp;cell=fish%2Fobserver"' in shown
    assert "Fish belt, transect 1: &lt;fish/observer&gt;</a><a" in shown
    assert "transect 2: " in shown
    assert "1 contradiction" in shown
    waits = fault_list(
        SurveyCheck(PACK, "", (Checked("open", "missing", "2 cells", "wait", cells),)), pages, lambda *_: ""
    )
    assert f'href="./?pack={PACK}"' in waits
    assert "./?pack=" not in shown
    assert "Complete" in fault_list(SurveyCheck(PACK, "", ()), {}, str)
    with _filled_store(tmp_path / "store") as store:
        path = tmp_path / "plan.yaml"
        path.write_text(plan_yaml(PLAN), encoding="utf-8")
        places = pack_places(store, PACK)
        assert {p.transect for p in wanted(store, PACK, places)} == {0, 1, 2, 3}
        keep_plan(store.folder, path)
        assert {p.transect for p in wanted(store, PACK, places)} == {0, 1}
        assert checks(store)[PACK].faults == ()
