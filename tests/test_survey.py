"""A pack's sheets become one survey, and what is not known stays unknown."""

import hashlib

import pytest
from kept import FLAGGED, ILLEGIBLE, NOW, PACK, UNREAD, keep, made_result, made_sheet, made_survey, points, protocol

from digitise.completeness import check_store
from digitise.provenance import provenance
from digitise.results import survey_results
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import Protocol
from digitise.store import Store
from digitise.surveys.known_plan import keep_plan, known_plan
from digitise.surveys.meaning import meaning
from digitise.surveys.survey import assemble, load_survey, load_surveys

TALLY, TOTAL = "fish/ray/0-10/tally", "fish/ray/0-10/total"


def ray(values, segment="0-10"):
    survey = made_survey(made_sheet("fish", values))
    return next(c for c in survey.transects[0].counts if (c.row, c.segment) == ("ray", segment))


MEANINGS = [
    # tally, total, none seen ticked -> count, state, source
    (6, 6, False, (6, "counted", "tally")),
    (6, 5, False, (6, "counted", "tally")),
    (6, UNREAD, False, (6, "counted", "tally")),
    (6, None, True, (6, "counted", "tally")),
    (0, None, False, (0, "counted", "tally")),
    (None, 4, False, (4, "counted", "total")),
    (None, 0, False, (0, "counted", "total")),
    (ILLEGIBLE, 4, False, (4, "counted", "total")),
    (None, None, True, (0, "none seen", "none-seen")),
    (None, None, False, (None, "blank", "")),
    (UNREAD, 4, True, (None, "unread", "")),
    (None, UNREAD, True, (None, "unread", "")),
    (ILLEGIBLE, UNREAD, True, (None, "unread", "")),
    (ILLEGIBLE, None, True, (None, "illegible", "")),
    (None, ILLEGIBLE, True, (None, "illegible", "")),
    (ILLEGIBLE, ILLEGIBLE, True, (None, "illegible", "")),
]


@pytest.mark.parametrize(("tally", "total", "ticked", "expected"), MEANINGS)
def test_a_tally_and_its_total_mean_one_thing(tally, total, ticked, expected):
    """The strokes count; the total stands in for strokes that are not there; a blank row is zero only when ticked."""
    count = ray({TALLY: tally, TOTAL: total, "fish/none-seen": ticked})

    assert (count.count, count.state, count.source) == expected


def test_a_none_seen_box_that_waits_to_be_read_makes_no_zero():
    """Only an accepted yes does."""
    assert ray({"fish/none-seen": UNREAD}).state == "blank"


def test_cells_of_a_page_nobody_photographed_are_missing():
    """Not blank: nothing is known of them."""
    assert meaning(None, None, none_seen=True) == (None, "missing", "")


def test_strokes_and_total_that_differ_are_a_finding_and_the_strokes_count():
    """Six strokes beside a written 5."""
    survey = made_survey(made_sheet("fish", {TALLY: 6, TOTAL: 5, "fish/none-seen": True}))
    (finding,) = survey.findings

    assert finding.where == "T1, Fish belt, Rays, 0-10 m"
    assert finding.text == "the strokes say 6, the written total 5; the strokes are used"


def test_blank_rows_without_the_none_seen_tick_are_one_finding_a_sheet():
    """12 fish in 2 segments: 24 counts, one of them made."""
    survey = made_survey(made_sheet("fish", {TALLY: 6}))
    (finding,) = survey.findings

    assert finding.where == "T1, Fish belt"
    assert finding.text.startswith("23 of 24 counts were left blank and the none-seen box is not ticked")


def test_points_hold_the_category_behind_the_code_or_why_there_is_none():
    """BK is branching coral; the others keep their state."""
    values = points({"BK": 1}, second=UNREAD, third=ILLEGIBLE, fourth=None)
    first = made_survey(made_sheet("substrate", values)).transects[0].points["substrate"]

    assert len(first) == 40
    assert [(p.position_m, p.category, p.state) for p in first[:5]] == [
        (0.5, "branching-coral", "entered"),
        (1.0, None, "unread"),
        (1.5, None, "illegible"),
        (2.0, None, "blank"),
        (2.5, None, "blank"),
    ]


def test_impacts_keep_ticks_and_percentages_apart_from_blanks():
    """An empty tick box is no; an empty percentage is blank."""
    stem = "invertebrate/bleached-percent"
    values = {f"{stem}/0-10/percent": 15, "invertebrate/anchor-damage/10-20/tick": True}
    impacts = made_survey(made_sheet("invertebrate", values)).transects[0].impacts

    assert [(i.row, i.segment, i.value, i.state) for i in impacts] == [
        ("bleached-percent", "0-10", 15, "entered"),
        ("bleached-percent", "10-20", None, "blank"),
        ("anchor-damage", "0-10", False, "entered"),
        ("anchor-damage", "10-20", True, "entered"),
        ("fishing-gear", "0-10", False, "entered"),
        ("fishing-gear", "10-20", False, "entered"),
    ]


def test_sheets_nobody_photographed_are_named():
    """Three transects were printed: one is whole, one lacks its fish sheet, one has no sheet at all."""
    sheets = [made_sheet(s, {}, transect=1) for s in ("fish", "invertebrate", "substrate")]
    sheets += [made_sheet(s, {}, transect=2) for s in ("invertebrate", "substrate")]
    survey = made_survey(*sheets)

    assert survey.missing == ("Site sheet", "T2: Fish belt", "T3: every sheet")
    assert [t.name for t in survey.transects] == ["T1", "T2"]
    assert survey.transects[1].sheets == ("invertebrate", "substrate")


def test_no_sheet_is_missing_of_lines_that_the_plan_did_not_have_printed(tmp_path):
    """One line of three was planned, printed and photographed: the survey is whole, as the check says too."""
    plan = f"plan: north\nprotocol: reef-transect\nsites: [{{name: Amber Point, code: AP}}]\nsurveys: [{{site: AP, transects: 1, pack: {PACK}}}]\n"
    (tmp_path / "north.yaml").write_text(plan)
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("site", {"site/site": "AP", "site/date": "2026-03-28"}, name="site.jpg", transect=0))
        for sheet in ("fish", "invertebrate", "substrate"):
            keep(store, made_result(sheet, {}, name=f"{sheet}.jpg"))
        unplanned = load_survey(store, PACK).missing
        keep_plan(store.folder, tmp_path / "north.yaml")
        survey = load_survey(store, PACK)
        (checked,) = check_store(store, today=NOW.date(), plan=known_plan(store.folder))

    assert unplanned == ("T2: every sheet", "T3: every sheet")
    assert survey.missing == ()
    assert not survey_results(survey).provisional
    assert "sheets" not in {fault.rule for fault in checked.faults}


def test_points_on_a_page_nobody_photographed_count_as_unread():
    """A 100 m tape needs 200 points, on several pages; with only the first photographed, the others are not known."""
    long = Protocol.model_validate(protocol().model_dump() | {"transect": {"length_m": 100}})
    first = next(one for one in build_layouts(long) if (one.sheet, one.page, one.paper) == ("substrate", 1, "A4"))
    here = sum(c.kind == "code" for c in first.cells)
    sheet = made_sheet("substrate", {c.id: "BK" for c in first.cells if c.kind == "code"}, one=first)
    survey = assemble(long, PACK, [sheet])
    (counted,) = survey_results(survey).lines[0].points

    assert 0 < here < 200
    assert (counted.legible, counted.unread, counted.planned) == (here, 200 - here, 200)
    assert f"T1: Substrate line, page 2 of {first.pages}" in survey.missing


def test_site_and_date_are_known_once_they_are_entered():
    """An unread site name is no name."""
    named = made_survey(made_sheet("site", {"site/site": "Lantern Reef", "site/date": "2026-03-28"}))
    unnamed = made_survey(made_sheet("site", {"site/site": UNREAD, "site/date": UNREAD}))

    assert (named.site, named.date) == ("Lantern Reef", "2026-03-28")
    assert (unnamed.site, unnamed.date) == (None, None)


def test_cells_are_counted_by_state():
    """40 points and three fields: 2 entered, 1 unread, 1 illegible, the other 39 blank."""
    survey = made_survey(made_sheet("substrate", points({"BK": 2}, x=UNREAD, y=ILLEGIBLE)))

    assert [len(x) for x in (survey.unread, survey.illegible, survey.cells)] == [1, 1, 43]


def test_a_sheets_own_fields_belong_to_the_transect():
    """Depth of the line, written on the substrate sheet."""
    survey = made_survey(made_sheet("substrate", {"substrate/depth": 6.4}, transect=2))

    assert survey.transects[0].fields["substrate/depth"].value == 6.4
    assert survey.fields == {}


def test_a_survey_out_of_the_store_follows_every_decision(tmp_path):
    """Unread, entered, corrected, taken back: each is what the survey says next."""
    with Store.open(tmp_path) as store:
        page = keep(store, made_result("fish", {TALLY: FLAGGED, "fish/none-seen": True}, name="a.jpg"))

        def state():
            count = next(
                c for c in load_survey(store, PACK).transects[0].counts if (c.row, c.segment) == ("ray", "0-10")
            )
            return count.count, count.state

        assert state() == (None, "unread")
        store.decide(page, TALLY, value=3, state="entered", by="Anna", now=NOW)
        assert state() == (3, "counted")
        store.decide(page, TALLY, value=None, state="blank", by="Ben", now=NOW)
        assert state() == (0, "none seen")
        store.undo(page, TALLY, by="Ben", now=NOW)
        store.undo(page, TALLY, by="Ben", now=NOW)
        assert state() == (None, "unread")


def test_a_superseded_photograph_is_in_no_survey(tmp_path):
    """Two photographs of one sheet: the surer one's count."""
    with Store.open(tmp_path) as store:
        keep(store, made_result("fish", {TALLY: 9}, name="worse.jpg", confidence=0.97))
        better = keep(store, made_result("fish", {TALLY: 6}, name="better.jpg", confidence=0.999))
        survey = load_survey(store, PACK)

    assert [p.id for p in survey.pages] == [better]
    assert survey.transects[0].counts[-2].count == 6


def test_surveys_come_in_order_of_their_dates(tmp_path):
    """Recorded in the other order; one without a date comes last."""
    with Store.open(tmp_path) as store:
        for name, pack, date in (
            ("a", "QH7M4A", FLAGGED),
            ("b", "QH7M4B", "2026-04-02"),
            ("c", "QH7M4C", "2026-03-28"),
        ):
            keep(store, made_result("site", {"site/date": date}, name=f"{name}.jpg", pack=pack, transect=0))
        assert [s.pack for s in load_surveys(store)] == ["QH7M4C", "QH7M4B", "QH7M4A"]
        assert [s.pack for s in load_surveys(store, ["QH7M4B"])] == ["QH7M4B"]
        assert [s.pack for s in load_surveys(store, ["QH7M4B", "QH7M4B"])] == ["QH7M4B"] * 2
        with pytest.raises(ValueError, match="no page of pack QH7M4D"):
            load_survey(store, "QH7M4D")


def test_origin_names_versions_photographs_and_time_and_its_digest_follows_the_data():
    """Equal data, equal digest; one cell entered differently, another digest."""
    one = made_survey(made_sheet("fish", {TALLY: 6}))
    same = made_survey(made_sheet("fish", {TALLY: 6}))
    other = made_survey(made_sheet("fish", {TALLY: 7}))
    origin = provenance([one], now=NOW)

    assert origin.created_at == "2026-03-28T09:30:00Z"
    assert origin.protocols == (("reef-transect", "1", protocol().digest),)
    assert origin.photo_sha256 == (one.pages[0].sha256,)
    assert (origin.reader_versions, origin.packs) == (("1",), (PACK,))
    assert provenance([same], now=NOW).digest == origin.digest
    assert provenance([other], now=NOW).digest != origin.digest
    assert origin.to_json()["protocols"][0]["name"] == "reef-transect"


def test_the_digest_is_of_all_cells_in_one_order_whatever_the_order_of_surveys():
    """SHA-256 of every cell's line, sorted as one text: digests of data written earlier hold."""
    packs = ("QH7M4B", "QH7M4A", "QH7M4")
    surveys = [made_survey(made_sheet("fish", {TALLY: k}, pack=pack), pack=pack) for k, pack in enumerate(packs)]
    lines = [f"{s.pack} {s.pages[0].sha256} {c.cell} {c.state} {c.value!r} {c.by}" for s in surveys for c in s.cells]
    expected = hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()

    assert len(lines) == 3 * len(surveys[0].cells)
    assert {provenance(some, now=NOW).digest for some in (surveys, surveys[::-1])} == {expected}
