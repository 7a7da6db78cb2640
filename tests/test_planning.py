"""A survey day is planned on the screen: the prints are those of `digitise prepare`, and the store knows the plan."""

import datetime as dt
import io
import zipfile
from dataclasses import replace

import kept
import pypdfium2
import pytest
import screens
from screens import screen

from digitise.batch.batch import known_protocols
from digitise.sheets.protocol import ProtocolError, load_protocol, parse_protocol
from digitise.surveys.known_plan import known_plan
from digitise.surveys.known_protocol import keep_protocol, kept_protocols
from digitise.surveys.plan import PlanError
from review_app import planning

store = screens.store
SITE = {"name": "Lantern Garden", "code": "LG", "latitude": 5.4123, "longitude": -161.2034, "radius_m": 150}
ANSWERS = planning.Answers(
    "reef-transect",
    SITE,
    "2026-04-11",
    2,
    "Mira Tole",
    "Olin Fesk",
    (("Keo Varn, Ada Lind", ("fish",)), ("", ("invertebrate",)), ("Mira Tole and Tam Orle", ("line", "substrate"))),
)


def test_answers_become_a_plan_with_a_pack_and_empty_pairs_are_left_out():
    plan = planning.plan_of(ANSWERS)
    (survey,) = plan.surveys
    assert survey.divers == ("Keo Varn", "Ada Lind", "Mira Tole", "Tam Orle")
    assert (survey.date, survey.transects, survey.leader, survey.shore) == (
        dt.date(2026, 4, 11),
        2,
        "Mira Tole",
        "Olin Fesk",
    )
    assert plan.plan == f"day-2026-04-11-lg-{survey.pack.lower()}"
    assert planning.plan_of(ANSWERS).surveys[0].pack != survey.pack


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"site": {"name": "", "code": ""}}, "^Name of the site: write it.\nCode of the site: up to 12 letters"),
        ({"site": SITE | {"longitude": None}}, "Latitude and longitude: fill in both"),
        ({"site": SITE | {"depth_m": [9, 3]}}, "Depths: found 9 to 3 m, expected the least first"),
        ({"date": "2026-13-40"}, "Date: found '2026-13-40', expected one such as 2026-04-11"),
        ({"pairs": (("Keo Varn", ()),)}, "Buddy pair 1: found 'Keo Varn', expected two names"),
        ({"pairs": (("Keo Varn, Ada Lind", ()), ("Keo Varn, Tam Orle", ()))}, "Keo Varn is in two of them"),
    ],
)
def test_answers_that_cannot_be_a_plan_are_explained(change, sentence):
    with pytest.raises(PlanError, match=sentence):
        planning.plan_of(replace(ANSWERS, **change))


def test_the_prints_hold_pack_briefing_and_closing_list_and_the_store_knows_the_day(store):
    """Two lines: a site sheet, three sheets a line, and a spare of each; and `check` knows site and people."""
    made = planning.printed(store, planning.plan_of(ANSWERS), kept.protocol(), paper="A4")
    pack = made.plan.surveys[0].pack
    with zipfile.ZipFile(io.BytesIO(made.data)) as archive:
        names = archive.namelist()
        sheets = pypdfium2.PdfDocument(archive.read(f"2026-04-11-LG-{pack}/sheets.pdf"))
        assert len(sheets) == 1 + 2 * 3 + 3
        assert pack in sheets[0].get_textpage().get_text_range()
    assert {n.rpartition("/")[2] for n in names} == {
        "briefing.pdf",
        "sheets.pdf",
        "closing.pdf",
        "code-cards.pdf",
        "plan.yaml",
    }
    plan = known_plan(store.folder)
    assert plan.survey(pack).site == "LG"
    assert "Keo Varn" in plan.names
    nobody = "nobody is named for 'Invertebrate belt and impacts' (task 'invertebrate')"
    assert any(nobody in note for note in planning.notes(store, plan, kept.protocol()))


def test_a_second_day_at_a_known_site_is_planned_beside_the_first(store):
    """Two plans of one site are kept; a code for another site is refused, and nothing is kept of that day."""
    first = planning.printed(store, planning.plan_of(ANSWERS), kept.protocol(), paper="A4").plan
    site = planning.known_sites(store)["Lantern Garden"].model_dump(exclude_none=True, mode="json")
    second = planning.plan_of(replace(ANSWERS, site=site, date="2026-04-12"))
    planning.printed(store, second, kept.protocol(), paper="letter")
    assert [s.pack for s in known_plan(store.folder).surveys] == [first.surveys[0].pack, second.surveys[0].pack]
    told = [
        planning.notes(store, planning.plan_of(replace(ANSWERS, site=site, date=day)), kept.protocol())[0]
        for day in ("2026-04-12", "2026-04-13")
    ]
    assert [f"pack {second.surveys[0].pack} is planned for this day already" in one for one in told] == [True, False]
    other = planning.plan_of(replace(ANSWERS, site=SITE | {"name": "Elsewhere"}))
    with pytest.raises(PlanError, match="expected one code for one site"):
        planning.printed(store, other, kept.protocol(), paper="A4")
    assert len(known_plan(store.folder).surveys) == 2


@pytest.mark.parametrize("name", ["lagoon-frames", "long-line", "wall-segments", "reef-transect"])
def test_another_protocol_has_its_own_lines_and_tasks(store, name):
    """Changing it back and forth leaves no answer that the other protocol does not have."""
    at = screen("plan").run()
    at.selectbox(key="plan-protocol").set_value(name).run()
    assert not at.exception
    protocol = load_protocol(name)
    assert at.number_input(key=f"lines-{name}").value == protocol.transects
    given = {task for n in (1, 2, 3) for task in at.multiselect(key=f"tasks-{name}-{n}").value}
    assert given == {"line"} | {n for n, s in protocol.sheets.items() if s.kind != "site"}


def test_the_page_makes_the_prints_or_says_what_is_missing(store):
    """Its caution stands at the top; an empty form is explained and keeps nothing."""
    at = screen("plan").run()
    assert "This plans no dive." in " ".join(e.proto.body for e in at.get("html"))
    at.button[0].click().run()
    assert "Name of the site: write it." in at.error[0].value
    assert "Code of the site" in at.error[0].value
    assert known_plan(store.folder) is None
    at.text_input(key="site-name").input("Lantern Garden")
    at.text_input(key="site-code").input("LG")
    at.text_input(key="pair-1").input("Keo Varn, Ada Lind")
    at.button[0].click().run()
    assert "no date is given" in at.warning[0].value
    assert known_plan(store.folder) is None  # asked about once
    at.button[0].click().run()
    assert not at.error
    assert not at.warning
    assert "is planned, and the store keeps the plan" in at.success[0].value
    assert [s.name for s in known_plan(store.folder).sites] == ["Lantern Garden"]


def test_a_new_site_beside_a_chosen_one_is_asked_about(store):
    """Prints for the site that nobody meant would come back with its name on every page."""
    at = screen("plan").run()
    at.text_input(key="site-name").input("Lantern Garden")
    at.text_input(key="site-code").input("LG")
    at.button[0].click().run().button[0].click().run()
    at = screen("plan").run()
    assert at.selectbox(key="plan-site").value == "Lantern Garden"
    at.text_input(key="site-name").input("Ossa Ledge")
    at.text_input(key="site-code").input("OL")
    at.button[0].click().run()
    assert "Lantern Garden is chosen, and a new site Ossa Ledge is filled in" in at.error[0].value
    assert len(known_plan(store.folder).surveys) == 1
    at.selectbox(key="plan-site").set_value("A new site")
    at.button[0].click().run().button[0].click().run()
    assert not at.error
    assert known_plan(store.folder).surveys[-1].site == "OL"


def test_slates_are_among_the_prints_when_they_are_asked_for(store):
    """One page of each sheet of a line, and a paper that is the protocol's own to begin with."""
    at = screen("plan").run()
    at.selectbox(key="plan-protocol").set_value("long-line").run()
    assert at.selectbox(key="paper-long-line").value == "letter"
    at.checkbox(key="plan-slates").check()
    at.selectbox(key="plan-site").set_value("A new site")
    at.text_input(key="site-name").input("Teller Bank")
    at.text_input(key="site-code").input("TB")
    at.button[0].click().run().button[0].click().run()
    assert not at.error
    with zipfile.ZipFile(io.BytesIO(at.session_state["prints"].data)) as prints:
        assert "slates.pdf" in prints.namelist()


OWN = """\
protocol: {name}
version: "1"
title: Pond survey
programme: Example pond group
sheets:
  visit: {{kind: site, title: Visit, cautions: [This sheet plans no dive.], fields: [{{id: date, label: Date, kind: date}}]}}
  birds: {{kind: belt, title: Birds, rows: [{{id: duck, label: Ducks}}{more}]}}
"""


def _own(name="pond", more="") -> bytes:
    return OWN.format(name=name, more=more).encode()


def test_a_protocol_of_ones_own_is_planned_with_and_its_sheets_are_known(store):
    """The prints hold the protocol beside the plan that names it; whoever reads into this store knows its pages."""
    protocol = keep_protocol(store.folder, _own(), "pond.yaml")
    assert next(iter(planning.protocols(store))) == "pond-1.yaml"
    plan = planning.plan_of(replace(ANSWERS, protocol="pond-1.yaml", transects=1, pairs=()))
    made = planning.printed(store, plan, protocol, paper="A4", two_up=True)
    with zipfile.ZipFile(io.BytesIO(made.data)) as archive:
        assert archive.read("pond-1.yaml") == _own()
        assert b"protocol: pond-1.yaml" in archive.read("plan.yaml")
        sheets = pypdfium2.PdfDocument(archive.read(next(n for n in archive.namelist() if n.endswith("sheets.pdf"))))
        assert sheets[0].get_width() > sheets[0].get_height()
    assert planning.usual_protocol(store, list(planning.protocols(store))) == "pond-1.yaml"
    assert {"visit", "birds"} <= {one.sheet for one in known_protocols(store=store).layouts if one.protocol == "pond"}
    assert keep_protocol(store.folder, _own(), "again.yaml") == protocol


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"\xff", "byte 0 is not UTF-8"),
        (b"- 1", "x.yaml"),
        (_own() + b"font: /etc/passwd\n", "names a font file"),
        (b"#" * 1_000_001, "expected a protocol file under"),
        (_own(name="reef-transect"), "another 'reef-transect' of version 1 is known; expected another version"),
        (_own(more=", {id: goose, label: Geese}"), "another 'pond' of version 1 is known; expected another version"),
    ],
    ids=["bytes", "no-protocol", "font", "size", "shipped", "changed"],
)
def test_what_cannot_be_kept_as_a_protocol_is_said_and_nothing_is_kept(store, data, sentence):
    keep_protocol(store.folder, _own(), "pond.yaml")
    with pytest.raises(ProtocolError, match=sentence):
        keep_protocol(store.folder, data, "x.yaml")
    assert [one.digest for one in kept_protocols(store.folder)] == [parse_protocol(_own().decode(), "x").digest]


def test_the_screen_offers_the_protocols_that_the_store_knows(store):
    """Chosen, it has its own tasks; on small paper there is nothing to put two of on a sheet."""
    keep_protocol(store.folder, _own(), "pond.yaml")
    at = screen("plan").run()
    at.selectbox(key="plan-protocol").set_value("pond-1.yaml").run()
    assert not at.exception
    assert at.multiselect(key="tasks-pond-1").options == ["Lays the line and reels it in", "Birds"]
    at.selectbox(key="paper-pond-1.yaml").set_value("A5").run()
    assert at.checkbox(key="plan-two-up").disabled
