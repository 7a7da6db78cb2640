"""A plan becomes packs, briefings and cards that fit their pages, and plans that cannot be are refused in words."""

from __future__ import annotations

import datetime
import itertools
import re
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from digitise.cli import main
from digitise.pages.page import register
from digitise.prepare import prepare
from digitise.prepare.prepare import (
    briefing_pdf,
    card_pdf,
    closing_pdf,
    page_note,
    slate_pages,
    survey_pages,
    with_packs,
)
from digitise.sheets.codes import MOST, choose_codes
from digitise.sheets.compose import build_layouts
from digitise.sheets.protocol import (
    PAPERS_MM,
    SHIPPED,
    Protocol,
    ProtocolError,
    load_protocol,
    parse_protocol,
    shipped_names,
)
from digitise.sheets.sheet import rasterise, sheet_pdf
from digitise.surveys.known_plan import known_plan
from digitise.surveys.known_protocol import kept_protocols
from digitise.surveys.plan import Plan, PlanError, fit_problems, load_plan, plan_notes

PLAN = """\
plan: spring-days
protocol: reef-transect
spares: 1
sites:
  - {name: Lantern Garden, code: LG, latitude: 5.4123, longitude: -161.2034, radius_m: 150, depth_m: [5, 9]}
  - {name: Ossa Ledge, code: OL}
people: [Ada Lind, Bes Hallor]
surveys:
  - site: LG
    date: 2026-04-11
    leader: Mira Tole
    shore: Olin Fesk
    pairs:
      - {divers: [Keo Varn, Ada Lind], tasks: [fish]}
      - {divers: [Rosu Beki, Jun Ansu], tasks: [invertebrate]}
      - {divers: [Mira Tole, Tam Orle], tasks: [line, substrate]}
  - site: Ossa Ledge
    transects: 2
"""


def _plan(tmp_path: Path, text: str = PLAN) -> Plan:
    path = tmp_path / "days.yaml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path)


def _text(pdf: bytes | Path) -> list[str]:
    """Text of each page."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    finally:
        document.close()


def _draw(seed: int = 0):
    letters = itertools.count(seed)
    return lambda alphabet: alphabet[next(letters) % len(alphabet)]


def test_a_plan_is_read_with_its_sites_people_and_pairs(tmp_path) -> None:
    """Sites are known by code or name, in any case; everybody named anywhere is known once."""
    plan = _plan(tmp_path)

    assert plan.site("lg").name == plan.site("LANTERN GARDEN").name == "Lantern Garden"
    assert plan.site("nowhere") is None
    assert plan.surveys[0].divers == ("Keo Varn", "Ada Lind", "Rosu Beki", "Jun Ansu", "Mira Tole", "Tam Orle")
    assert sorted(plan.names) == sorted({*plan.surveys[0].divers, "Olin Fesk", "Bes Hallor"})


REFUSED = [
    ("site: LG", "site: XX", "surveys.0.site: found 'XX', expected a site's code or name (LG, OL)"),
    ("code: OL", "code: LG", "site code used twice: lg"),
    ("name: Ossa Ledge", "name: lg", "site name 'lg' is the code of Lantern Garden; expected another name"),
    ("[Rosu Beki, Jun Ansu]", "[keo varn, Jun Ansu]", "is in two pairs; expected everybody in one"),
    ("[Rosu Beki, Jun Ansu]", "[Rosu Beki]", "surveys.0.pairs.1.divers: found"),
    ("latitude: 5.4123, ", "", "expected latitude and longitude, or neither"),
    ("depth_m: [5, 9]", "depth_m: [9, 5]", "depth_m is [9.0, 5.0], expected [least, most]"),
    ("depth_m: [5, 9]", "depth_m: [5, inf]", "depth_m is [5.0, inf], expected [least, most]"),
    ("latitude: 5.4123", "latitude: 95", "sites.0.latitude: found 95, expected"),
    ("date: 2026-04-11", "date: 11 April", "surveys.0.date: found '11 April', expected"),
    ("    leader:", "    boss:", "surveys.0.boss: this key is not known"),
    ("people: [Ada Lind", "people: [&a Ada Lind, *a", "anchors and aliases are not used"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFUSED)
def test_a_plan_that_cannot_be_is_refused_with_file_key_found_and_expected(tmp_path, old, new, words) -> None:
    assert old in PLAN
    with pytest.raises(PlanError) as error:
        _plan(tmp_path, PLAN.replace(old, new, 1))

    assert words in str(error.value)
    assert all("days.yaml: " in line for line in str(error.value).splitlines())


def test_a_plan_is_held_against_its_protocol(tmp_path) -> None:
    """More lines than the protocol has and unknown tasks are refused; gaps in the team are only told."""
    reef = load_protocol("reef-transect")
    plan = _plan(tmp_path)
    many = _plan(tmp_path, PLAN.replace("transects: 2", "transects: 4").replace("[fish]", "[fishes]"))

    assert fit_problems(plan, reef) == []
    assert [p.split(": ")[0] for p in fit_problems(many, reef)] == ["surveys.0", "surveys.1.transects"]
    assert list(plan_notes(plan, reef)) == [
        "Ossa Ledge: no date is given; somebody writes it on the site sheet",
        "Ossa Ledge: no licensed dive leader is named",
        "Ossa Ledge: no buddy pairs are named",
    ]
    small = _plan(tmp_path, PLAN.replace("      - {divers: [Rosu Beki, Jun Ansu], tasks: [invertebrate]}\n", ""))
    nobody = "nobody is named for 'Invertebrate belt and impacts' (task 'invertebrate')"
    assert any(nobody in note for note in plan_notes(small, reef))
    wet = _plan(tmp_path, PLAN.replace("shore: Olin Fesk", "shore: ADA LIND"))
    assert [n for n in plan_notes(wet, reef) if "shore" in n] == [
        "Lantern Garden, 2026-04-11: ADA LIND is the shore cover and in a pair; the person on shore stays ashore"
    ]
    again = plan.model_copy(update={"surveys": (*plan.surveys, plan.surveys[0].model_copy(update={"pack": None}))})
    assert [n for n in plan_notes(again, reef) if "planned 2 times" in n] == [
        "Lantern Garden, 2026-04-11: planned 2 times, of which only one is compared; take out what is meant once"
    ]


def test_days_that_are_hardly_meant_are_told(tmp_path) -> None:
    """One that has passed, and one more than a year ahead; nothing of the kind is said of the day itself, or of none."""
    reef, plan = load_protocol("reef-transect"), _plan(tmp_path)

    def told(today: str) -> list[str]:
        found = plan_notes(plan, reef, today=datetime.date.fromisoformat(today))
        return [n for n in found if "check the year" in n]

    assert told("2026-04-11") == told("2025-04-11") == []
    assert told("2026-04-12") == ["Lantern Garden, 2026-04-11: this day has passed; check the year"]
    assert told("2025-04-01") == ["Lantern Garden, 2026-04-11: this day is over a year ahead; check the year"]


def test_a_protocol_changed_without_a_new_version_is_refused_before_anything_is_printed(tmp_path, capsys) -> None:
    """Its sheets would bear the name and version of those that are out, and be read as those."""
    assert main(["protocol", "new", "--usual", "--name", "bay", "--out", str(tmp_path / "bay.yaml")]) == 0
    (tmp_path / "days.yaml").write_text(PLAN.replace("reef-transect", "bay.yaml").split("    pairs:")[0], "utf-8")
    where = ["--store", str(tmp_path / "store")]
    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "first"), *where]) == 0
    text = (tmp_path / "bay.yaml").read_text(encoding="utf-8")
    (tmp_path / "bay.yaml").write_text(text.replace('"Sand"', '"Mud"'), encoding="utf-8")
    plan = (tmp_path / "days.yaml").read_text(encoding="utf-8")
    (tmp_path / "days.yaml").write_text(plan.replace("spring-days", "later-days"), encoding="utf-8")
    capsys.readouterr()

    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "second"), *where]) == 2
    assert "its sheet 'points' cannot be told from that of another 'bay' of version 1" in capsys.readouterr().err
    assert not (tmp_path / "second").exists()


@pytest.mark.parametrize("lines", [1, 2])
def test_the_order_of_work_is_said_rightly_of_one_line_too(tmp_path, lines) -> None:
    (tmp_path / "days.yaml").write_text(PLAN.replace("transects: 2", f"transects: {lines}"), encoding="utf-8")
    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "out")]) == 0
    (briefing,) = (tmp_path / "out").glob("OL-*/briefing.pdf")

    assert f"On each line ({lines} in all):" in _text(briefing)[0]


def test_one_site_twice_on_one_day_is_told_once(tmp_path) -> None:
    """A line of the plan copied and not changed; days that are not given are no such slip."""
    again = "  - {site: Lantern Garden, date: 2026-04-11}\n"
    plan = _plan(tmp_path, PLAN + again + "  - {site: OL}\n")

    told = [n for n in plan_notes(plan, load_protocol("reef-transect")) if "planned" in n]
    assert told == [
        "Lantern Garden, 2026-04-11: planned 2 times, of which only one is compared; take out what is meant once"
    ]


def test_a_second_printing_does_not_put_new_packs_in_place_of_the_first(tmp_path, capsys) -> None:
    """Sheets of the first are out already: the plan needs another name, or the packs of the plan that is kept."""
    (tmp_path / "days.yaml").write_text(PLAN, encoding="utf-8")
    where = ["--store", str(tmp_path / "store"), "--paper", "A4"]
    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "first"), *where]) == 0
    first = known_plan(tmp_path / "store")
    capsys.readouterr()

    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "second"), *where]) == 2
    assert "the store has a plan 'spring-days' with other packs" in capsys.readouterr().err
    assert not (tmp_path / "second").exists()
    assert known_plan(tmp_path / "store") == first
    kept = tmp_path / "store" / "plans" / "spring-days.yaml"
    assert main(["prepare", str(kept), "--out", str(tmp_path / "second"), *where]) == 0
    assert known_plan(tmp_path / "store") == first


def test_a_pack_has_the_planned_lines_and_spare_pages_without_a_line(tmp_path) -> None:
    """Two lines: a site sheet, two times three sheets, one spare of each; all of one pack."""
    reef, plan = load_protocol("reef-transect"), with_packs(_plan(tmp_path))
    pages = survey_pages(reef, plan.surveys[1], "A4", spares=1)

    assert [(who.sheet, who.transect) for _, who in pages] == [
        ("site", 0),
        *((s, n) for n in (1, 2) for s in ("fish", "invertebrate", "substrate")),
        *((s, 0) for s in ("fish", "invertebrate", "substrate")),
    ]
    assert {who.pack for _, who in pages} == {plan.surveys[1].pack}


def test_pages_carry_site_and_date_and_spares_a_place_for_the_line(tmp_path) -> None:
    """Printed beside the pack, outside every cell; the sheets' cells are those of any other printing."""
    reef, plan = load_protocol("reef-transect"), with_packs(_plan(tmp_path))
    survey = plan.surveys[0]
    pages = survey_pages(reef, survey, "A4", spares=1)
    texts = _text(sheet_pdf(reef, pages, note=page_note(plan, survey)))

    assert all("Lantern Garden · 2026-04-11" in t for t in texts)
    assert all(f"Pack {survey.pack}" in t for t in texts)
    assert ["Spare · Lantern" in t for t in texts] == [False] * 10 + [True] * 3


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_a_slate_has_room_for_the_six_characters_of_a_pack(paper: str) -> None:
    """Two lines under nothing: 33 mm for the pack, 13 mm for the transect, 6 mm of white above them, no code."""
    reef = load_protocol("reef-transect")
    page, *_ = _text(pdf := sheet_pdf(reef, slate_pages(reef, paper), note="Wipe only after the photograph was read."))
    image = rasterise(pdf, 10.0) < 128
    (row,) = np.flatnonzero(image[238:246].sum(axis=1) == image[238:246].sum(axis=1).max())[:1] + 238
    edges = np.flatnonzero(np.diff(image[row, 220:].astype(np.int8), prepend=0, append=0))
    lines = [(a + 220, b + 220) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 100]

    assert [round((b - a) / 10) for a, b in lines] == [33, 13]
    assert not any(image[row - 62 : row - 4, a:b].any() for a, b in lines)
    assert {"Pack", "Transect", "Wipe"} <= set(page.split())


def test_the_briefing_names_hemispheres_as_the_site_sheet_asks_for_them(tmp_path) -> None:
    """West is O in the Spanish protocol, and no English word stands beside it."""
    plan = PLAN.replace("reef-transect", "wall-segments").replace("transects: 2", "transects: 1")
    plan = with_packs(_plan(tmp_path, re.sub(r"tasks: \[[a-z, ]+\]", "tasks: []", plan)))
    (page,) = _text(briefing_pdf(load_protocol("wall-segments"), plan, plan.surveys[0], "A4"))

    assert "161.20340° O" in page
    assert "Position" not in page


@pytest.mark.parametrize(
    ("lines", "paper", "first", "last"),
    [
        (3, "A5", "T1: Fish belt, page 1 of 2", "T3: Substrate line, page 2 of 2"),
        (12, "A5", "T1: Fish belt × 2", "T12: Substrate line × 2"),
        (20, "A5", "T1: × 6", "T20: × 6"),
    ],
)
def test_a_closing_list_of_many_pages_names_sheets_or_lines_instead(tmp_path, lines, paper, first, last) -> None:
    """So no pack is too large to be printed; each row still has its boxes."""
    text = (SHIPPED / "reef-transect.yaml").read_text(encoding="utf-8")
    reef = parse_protocol(re.sub(r"(?m)^transects: \d+", f"transects: {lines}", text), "p.yaml")
    plan = with_packs(_plan(tmp_path, PLAN.replace("    transects: 2\n", "")))
    (page,) = _text(closing_pdf(reef, plan, plan.surveys[0], paper))

    assert reef.transects == lines
    assert first in page
    assert last in page


@pytest.mark.parametrize("count", [18, 40, MOST])
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_as_many_codes_as_there_may_be_fit_the_briefing_and_the_card(tmp_path, count, paper) -> None:
    """Every code stands on both, each on one page; where they are too many, the lines for the own guide give way."""
    codes = choose_codes(count).codes
    categories = [{"code": c, "id": c.lower(), "label": f"Sort of coral {c}"} for c in codes]
    data = load_protocol("reef-transect").model_dump()
    data["sheets"]["substrate"] |= {"categories": categories}
    many, plan = Protocol.model_validate(data), with_packs(_plan(tmp_path))
    (briefing,) = _text(briefing_pdf(many, plan, plan.surveys[0], paper))
    (card,) = _text(card_pdf(many, paper))

    assert set(codes) <= set(briefing.split())
    assert set(codes) <= set(card.split())
    assert count == 40 or ("From our identification guide" in briefing) == (count == 18)
    assert "Oxygen and first aid are at" in briefing


def test_a_very_long_site_name_is_printed_in_two_lines(tmp_path) -> None:
    """Sixty characters are allowed, so they have to fit."""
    name = "The outermost western wall under the old lighthouse, north"
    reef, plan = (
        load_protocol("reef-transect"),
        with_packs(_plan(tmp_path, PLAN.replace("Lantern Garden", f'"{name}"'))),
    )
    for draw in (briefing_pdf, closing_pdf):
        (page,) = _text(draw(reef, plan, plan.surveys[0], "A4"))
        assert name in page


def test_what_is_printed_beside_the_pack_does_not_disturb_the_reader(tmp_path) -> None:
    """A page with the longest note is found, flattened and known by its code like any other."""
    reef = load_protocol("reef-transect")
    plan = with_packs(_plan(tmp_path, PLAN.replace("Lantern Garden", "W" * 28)))
    (layout, who), *_ = survey_pages(reef, plan.surveys[0], "A4")
    pdf = sheet_pdf(reef, [(layout, who)], note=page_note(plan, plan.surveys[0]))
    photograph = (np.pad(rasterise(pdf, 8.0), 60, constant_values=230) * 0.85).astype(np.uint8)
    page = register(photograph, build_layouts(reef))

    assert page
    assert page.identity.encode() == who.encode()
    assert page.residual_mm < 0.1
    assert page.hidden == frozenset()


def test_a_long_site_name_gives_way_to_its_code_beside_the_pack(tmp_path) -> None:
    plan = with_packs(_plan(tmp_path, PLAN.replace("Lantern Garden", "Lantern Garden under the old lighthouse")))

    assert page_note(plan, plan.surveys[0]) == "LG  ·  2026-04-11"


@pytest.mark.parametrize("name", shipped_names())
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_briefing_cards_and_closing_list_of_every_shipped_protocol_fit_one_page(
    name: str, paper: str, tmp_path
) -> None:
    """One page each, with who, what, where, codes, cautions, a leader, and room for emergency contacts."""
    protocol = load_protocol(name)
    text = PLAN.replace("reef-transect", name).replace("    transects: 2\n", "")
    for task in ("fish", "invertebrate", "substrate"):
        text = text.replace(f"[{task}]", "[]").replace(f"[line, {task}]", "[line]")
    plan = with_packs(_plan(tmp_path, text))
    (page,) = _text(briefing_pdf(protocol, plan, plan.surveys[0], paper))
    (card,) = _text(card_pdf(protocol, paper))
    (closing,) = _text(closing_pdf(protocol, plan, plan.surveys[0], paper))

    for words in ("Lantern Garden (LG)", "2026-04-11", plan.surveys[0].pack, "Mira Tole + Tam Orle", "Olin Fesk"):
        assert words in page
    line = next(s for s in protocol.sheets.values() if s.kind == "line")
    assert all(c.code in page and c.label in page for c in line.categories)
    assert all(card.count(c.label) >= 4 for c in line.categories)
    titles = [one.title for one, who in survey_pages(protocol, plan.surveys[0], paper) if who.transect == 1]
    assert all(f"T1: {title}" in closing for title in titles)
    assert protocol.caption("closing_notes") in closing
    assert protocol.caption("cautions_note") in page
    assert all(c[:40] in page for c in protocol.sheets["site"].cautions)
    assert protocol.caption("emergency") in page


def test_a_briefing_without_a_site_sheet_has_the_usual_cautions(tmp_path) -> None:
    """A protocol that is nothing but a belt: whoever dives for it is told the same."""
    reef, plan = load_protocol("reef-transect"), _plan(tmp_path)
    bare = Protocol.model_validate(reef.model_dump() | {"sheets": {"fish": reef.sheets["fish"]}})
    plan = plan.model_copy(update={"surveys": plan.surveys[1:]})
    (page,) = _text(briefing_pdf(bare, plan, plan.surveys[0], "A4"))

    assert all(caution[:40] in page for caution in reef.sheets["site"].cautions)


def test_a_briefing_that_does_not_fit_is_refused_with_what_to_shorten(tmp_path) -> None:
    """Two dozen long lines of kit need more than a page."""
    kit = ", ".join(f"Item {i} with a name that goes on over more than one line of its column" for i in range(24))
    plan = with_packs(_plan(tmp_path, PLAN + f"kit: [{kit}]\n"))

    with pytest.raises(
        ProtocolError, match=r"the briefing needs \d+ mm more than its page has; expected a shorter kit"
    ):
        briefing_pdf(load_protocol("reef-transect"), plan, plan.surveys[0], "letter")


def test_everything_is_written_and_a_second_printing_is_of_the_same_packs(tmp_path) -> None:
    """The plan that is written has the packs; printing it again writes the same sheets, byte for byte."""
    reef, out = load_protocol("reef-transect"), tmp_path / "out"
    first = prepare(_plan(tmp_path), reef, out, paper="A4", slates=True, draw=_draw())
    before = {p.relative_to(out).as_posix(): p.read_bytes() for p in first.files}
    again = prepare(load_plan(out / "plan.yaml"), reef, out, paper="A4", slates=True)
    folder = f"2026-04-11-LG-{first.plan.surveys[0].pack}"

    assert {
        "code-cards.pdf",
        "slates.pdf",
        "plan.yaml",
        f"{folder}/briefing.pdf",
        f"{folder}/sheets.pdf",
        f"{folder}/closing.pdf",
    } < set(before)
    assert len(before) == 9
    assert first.plan == again.plan
    assert {p.relative_to(out).as_posix(): p.read_bytes() for p in again.files} == before


def test_packs_printed_before_are_never_written_over(tmp_path) -> None:
    """Another plan in the same folder is refused before anything changes."""
    reef, out = load_protocol("reef-transect"), tmp_path / "out"
    first = prepare(_plan(tmp_path), reef, out, paper="A4", draw=_draw())
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    with pytest.raises(PlanError, match=r"plan\.yaml belongs to packs printed before"):
        prepare(_plan(tmp_path), reef, out, paper="A4", draw=_draw(7))

    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert first.files[-1].name == "plan.yaml"


def test_names_in_a_plan_make_no_paths(tmp_path) -> None:
    """A site's code is letters, digits and hyphens; nothing leaves the folder."""
    with pytest.raises(PlanError, match=r"sites\.0\.code"):
        _plan(tmp_path, PLAN.replace("code: LG", "code: ../../LG"))


def test_the_command_prints_what_it_wrote_and_what_may_be_mended(tmp_path, capsys) -> None:
    """Paths on standard output, talk on standard error; a plan that is not there ends with 2."""
    _plan(tmp_path)
    out = tmp_path / "out"

    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(out), "--paper", "letter", "--slates"]) == 0
    said = capsys.readouterr()
    assert [Path(line).is_file() for line in said.out.splitlines()] == [True] * 9
    assert "Note: Ossa Ledge: no licensed dive leader is named" in said.err
    assert main(["prepare", str(tmp_path / "none.yaml"), "--out", str(out)]) == 2
    again = [
        "prepare",
        str(out / "plan.yaml"),
        "--out",
        str(out),
        "--paper",
        "letter",
        "--store",
        str(tmp_path / "store"),
    ]
    assert main(again) == 0
    assert known_plan(tmp_path / "store").surveys == load_plan(out / "plan.yaml").surveys


def test_a_protocol_beside_the_plan_is_used(tmp_path, capsys) -> None:
    """The plan names a file in its own folder; it lies beside the prints, so that these can be printed again."""
    text = (Path(__file__).parents[1] / "digitise" / "protocols" / "reef-transect.yaml").read_text(encoding="utf-8")
    (tmp_path / "own.yaml").write_text(
        text.replace("title: Reef transect survey", "title: Own survey").replace(
            "protocol: reef-transect", "protocol: own"
        ),
        encoding="utf-8",
    )
    _plan(tmp_path, PLAN.replace("protocol: reef-transect", "protocol: own.yaml"))

    out, store = tmp_path / "out", tmp_path / "store"
    assert main(["prepare", str(tmp_path / "days.yaml"), "--out", str(out), "--two-up"]) == 0
    assert "Own survey" in _text(next(out.glob("*/briefing.pdf")))[0]
    assert "page 1 of 2" in _text(next(out.glob("*/sheets.pdf")))[0]
    assert main(["prepare", str(out / "plan.yaml"), "--out", str(out), "--store", str(store)]) == 0
    assert [one.protocol for one in kept_protocols(store)] == ["own"]
    (tmp_path / "own.yaml").write_text(text.replace("title: Reef", "title: Our reef"), encoding="utf-8")
    again = ["prepare", str(tmp_path / "days.yaml"), "--out", str(tmp_path / "b"), "--store", str(tmp_path / "c")]
    assert main(again) == 0
    assert "another 'reef-transect' of version 1 is known" in capsys.readouterr().err
    assert known_plan(tmp_path / "c").surveys
    assert kept_protocols(tmp_path / "c") == []
    assert isinstance(load_protocol(tmp_path / "own.yaml"), Protocol)


def test_a_protocol_that_is_not_there_is_named_with_the_plan_that_wants_it(tmp_path, capsys) -> None:
    """The plan's file and key, and what there is instead."""
    path = tmp_path / "days.yaml"
    path.write_text(PLAN.replace("reef-transect", "reef-transact"), encoding="utf-8")

    assert main(["prepare", str(path), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert f"{path}: protocol: reef-transact: no such file" in said
    assert "reef-transect" in said
    assert not (tmp_path / "out").exists()
