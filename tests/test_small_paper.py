"""Sheets on A5 and half-letter, alone or two on a whole sheet: the same cells, and read like those on A4.

The photographs are simulated; they say nothing about real phones or hands.
"""

from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from kept import FLAGGED, NOW, keep, made_page, made_result, made_sheet, made_survey

from digitise.batch.batch import known_protocols, summary
from digitise.cli import main
from digitise.completeness import check_store
from digitise.pages.page import register
from digitise.pages.photo import Photo
from digitise.reader.read import read_decoded
from digitise.sheets.compose import build_layouts, paper_problems, shared_marks
from digitise.sheets.layout import RULE_MM
from digitise.sheets.page_builder import LEAST_CORNERS, LEAST_WHOLE_CORNERS
from digitise.sheets.protocol import HALVES, PAPERS_MM, ProtocolError, load_protocol, parse_protocol, shipped_names
from digitise.sheets.sheet import identity_for, pack_pages, parse_identity, rasterise, sheet_pdf
from digitise.simulate.answers import answers_from_values
from digitise.simulate.camera import Camera, photograph
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.fill import fill
from digitise.simulate.pencil import Pencil
from digitise.simulate.take import PX_PER_MM, take
from digitise.store import Store
from review_app.whole import page_list
from review_app.worklist import pack_places

PACK = "QH7M4K"
SMALL = tuple(HALVES.values())
WHOLE = {half: whole for whole, half in HALVES.items()}
VALUES = {
    "fish/start": "09:40",
    "fish/laid": "09:20",
    "fish/depth": 6.4,
    "fish/damselfish/0-10/tally": 13,
    "fish/damselfish/0-10/total": 13,
    "fish/hawkfish/10-20/tally": 4,
    "fish/hawkfish/10-20/total": 4,
    "fish/ray/0-10/tally": 7,
    "fish/ray/0-10/total": 7,
    "fish/goby/10-20/tally": 10,
    "fish/goby/10-20/total": 10,
}


def _pages(name: str, paper: str) -> list:
    return [one for one in build_layouts(load_protocol(name)) if one.paper == paper]


# --- what is printed -------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", SMALL)
@pytest.mark.parametrize("name", shipped_names())
def test_small_pages_hold_the_cells_of_whole_ones(name: str, paper: str) -> None:
    """None is lost, none repeated, and each is of the same kind with the same choices and bounds."""
    small, whole = _pages(name, paper), _pages(name, WHOLE[paper])
    cells = [c for one in small for c in one.cells]

    assert len({c.id for c in cells}) == len(cells)
    assert {c.id: (c.kind, c.choices, c.max, c.format) for c in cells} == {
        c.id: (c.kind, c.choices, c.max, c.format) for one in whole for c in one.cells
    }


@pytest.mark.parametrize("paper", SMALL)
def test_boxes_are_no_smaller_than_on_whole_paper_but_for_the_strokes(paper: str) -> None:
    """A character has its 9 mm or more, a tally box the 24 mm that it has at least anywhere."""
    for name in shipped_names():
        for cell in (c for one in _pages(name, paper) for c in one.cells):
            assert all(w >= 9 and h >= 9 for _, _, w, h in cell.characters_mm), cell.id
            assert cell.kind != "tally" or cell.box_mm[2] >= 24, cell.id
            assert cell.box_mm[3] >= 9, cell.id


@pytest.mark.parametrize("paper", SMALL)
def test_two_pages_lie_side_by_side_at_true_size(paper: str, reef) -> None:
    """Each half of the whole sheet is the small page, in its middle; a dash marks where to cut; of three, one is alone."""
    pages = pack_pages(reef, paper, PACK)[:3]
    pdf = sheet_pdf(reef, pages, two_up=True)
    document = pypdfium2.PdfDocument(pdf)
    height, width = PAPERS_MM[WHOLE[paper]]
    sizes = [tuple(v * 25.4 / 72 for v in document.get_page_size(i)) for i in range(len(document))]
    document.close()

    assert sizes == [pytest.approx((width, height), abs=0.1)] * 2
    sheet, scale = rasterise(pdf, 8.0), 8
    small = PAPERS_MM[paper]
    for i in (0, 1):
        alone = rasterise(sheet_pdf(reef, pages[i : i + 1]), 8.0)
        left, top = i * width / 2 + (width / 2 - small[0]) / 2, (height - small[1]) / 2
        x, y = round(left * scale) + 24, round(top * scale) + 24
        half = sheet[y : y + len(alone) - 48, x : x + alone.shape[1] - 48]
        alone = alone[24 : 24 + len(half), 24 : 24 + half.shape[1]]
        assert np.mean((half < 128) != (alone < 128)) < 0.01
    middle = sheet[:, round(width / 2 * scale)]
    assert 0.3 < np.mean(middle < 200) < 0.7


def test_a_protocol_that_does_not_fit_says_why_and_prints_on_others(tmp_path, capsys) -> None:
    """A tick whose label is wider than A5: A4 is as before, A5 is refused in words."""
    text = (
        'protocol: wide\nversion: "1"\ntitle: Wide\nprogramme: Example group\nsheets:\n  visit:\n    kind: site\n'
        "    title: Visit\n    cautions: [Look.]\n    fields:\n"
        f"      - {{id: tags, label: {'Tags seen on the animals from left to right in the order of size'.ljust(66)}, kind: tick}}\n"
    )
    (tmp_path / "wide.yaml").write_text(text, encoding="utf-8")
    wide = parse_protocol(text, "wide.yaml")

    assert {one.paper for one in build_layouts(wide)} == {"A4", "letter"}
    assert "A5 paper has 132 mm" in paper_problems(wide, "A5")[0]
    with pytest.raises(ProtocolError, match=r"wide does not fit on A5 paper, but on A4, letter:\nvisit: field 'tags'"):
        pack_pages(wide, "A5", PACK)
    assert main(["sheets", str(tmp_path / "wide.yaml"), "--out", str(tmp_path / "out"), "--two-up"]) == 2
    assert "wide does not fit on A5 paper" in capsys.readouterr().err


def test_the_command_prints_two_on_a_sheet_and_a_layout_for_each_page(tmp_path, capsys) -> None:
    assert main(["sheets", "reef-transect", "--out", str(tmp_path), "--two-up"]) == 0
    said = capsys.readouterr().err
    layouts = [json.loads(p.read_text(encoding="utf-8")) for p in tmp_path.glob("*.layout.json")]
    document = pypdfium2.PdfDocument(tmp_path / "print" / "a5.pdf")
    sheets = len(document)
    document.close()

    assert "20 pages in 1 pack on A5, two on a sheet of A4" in said
    assert "then cut along the dashes" in said
    assert {tuple(one["page_size_mm"]) for one in layouts} == {(148.0, 210.0)}
    assert (len(layouts), sheets) == (20, 10)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_the_printed_code_names_the_paper(paper: str, reef) -> None:
    one = _pages("reef-transect", paper)[0]
    identity = identity_for(one, PACK, 0)

    assert parse_identity(identity.encode()) == replace(identity, digest=one.digest[:4])


# --- what is read ----------------------------------------------------------------------------------------


def _two_up_photographed(reef, paper: str, camera: Camera, *, cut: int | None = None) -> Photo:
    """Both fish pages of a line, written on a whole sheet; photographed whole, or one after a cut a millimetre astray."""
    pages = [(one, who) for one, who in pack_pages(reef, paper, PACK) if (one.sheet, who.transect) == ("fish", 1)]
    canvas = rasterise(sheet_pdf(reef, pages, two_up=True), PX_PER_MM).copy()
    height, width = PAPERS_MM[WHOLE[paper]]
    for i, (one, _) in enumerate(pages):
        left, top = i * width / 2 + (width / 2 - one.page_size_mm[0]) / 2, (height - one.page_size_mm[1]) / 2
        x, y, w, h = (round(v * PX_PER_MM) for v in (left, top, *one.page_size_mm))
        half = np.ascontiguousarray(canvas[y : y + h, x : x + w])
        answers = answers_from_values(one.to_json(), {k: v for k, v in VALUES.items() if k in one.by_id})
        hand, rng = DrawnHand(drawn_style(np.random.default_rng(5))), np.random.default_rng(i)
        pencil = Pencil(width_mm=0.6, darkness=0.75)
        fill(one.to_json(), answers, hand, rng, pencil=pencil, canvas=half, px_per_mm=PX_PER_MM, sloppiness=0.15)
        canvas[y : y + len(half), x : x + half.shape[1]] = half
    size = (width, height)
    if cut is not None:
        astray = round((width / 2 + 1.0) * PX_PER_MM)
        canvas = canvas[:, astray:] if cut else canvas[:, :astray]
        size = (canvas.shape[1] / PX_PER_MM, height)
    shot = photograph(np.ascontiguousarray(canvas), size, camera, rng=np.random.default_rng(3))
    return Photo(
        "IMG_1.jpg", "0" * 64, shot.image if shot.image.ndim == 2 else shot.image.mean(axis=2).astype(np.uint8)
    )


def _read_values(results) -> dict:
    return {r.cell: r.value for one in results for r in one.readings if not r.flagged and r.value not in (None, False)}


def test_a_whole_sheet_is_read_uncut_as_two_pages(reef, layouts) -> None:
    """A4 laid across with two A5 pages, both in one picture: two entries, every accepted value as it was written."""
    camera = Camera(width_px=4000, height_px=3000, rotation_deg=2.0, tilt_deg=6.0, curl_mm=1.5)
    found = read_decoded(_two_up_photographed(reef, "A5", camera), layouts).sheets
    values = _read_values(found)

    assert sorted((r.status, r.page.layout.paper, r.page.layout.page) for r in found) == [
        ("read", "A5", 1),
        ("read", "A5", 2),
    ]
    assert {k: v for k, v in values.items() if VALUES.get(k) != v} == {}
    assert len(values) >= 0.7 * len(VALUES)


@pytest.mark.parametrize("cut", [0, 1])
def test_a_page_is_read_after_cutting(cut: int, reef, layouts) -> None:
    """Half of a Letter sheet, the cut a millimetre beside its line, photographed alone with an ordinary phone's pixels."""
    camera = Camera(width_px=2250, height_px=3000, rotation_deg=-3.0, tilt_deg=8.0, curl_mm=2.0)
    result = read_decoded(_two_up_photographed(reef, "half-letter", camera, cut=cut), layouts)
    values = _read_values([result])
    mine = {k: v for k, v in VALUES.items() if k in result.page.layout.by_id}

    assert (result.status, result.page.layout.paper, result.page.layout.page) == ("read", "half-letter", cut + 1)
    assert result.page.identity.encode() == identity_for(result.page.layout, PACK, 1).encode()
    assert {k: v for k, v in values.items() if mine.get(k) != v} == {}
    assert len(values) >= 0.7 * len(mine)


def test_pages_that_share_their_marks_are_told_apart(photograph) -> None:
    """Shipped pages on small paper have marks of pages on whole paper: a photograph still has one entry, the right one."""
    known = known_protocols()
    mine = next(
        one for one in known.layouts if (one.protocol, one.sheet, one.paper) == ("reef-transect", "substrate", "A4")
    )
    sharing = [one for one in known.layouts if one.slot == mine.slot]
    result = read_decoded(Photo("x.jpg", "0" * 64, photograph("substrate").gray()), sharing[::-1])

    assert len(sharing) > 1
    assert [one.page.layout.digest for one in result.sheets] == [mine.digest]
    assert shared_marks([load_protocol(name) for name in shipped_names()]) == []


def test_a_page_with_few_cells_can_be_flattened(reef, layouts) -> None:
    """The second page of the A5 site sheet has four lines of text: corners at its edges make up for what it lacks."""
    one = _pages("reef-transect", "A5")[1]
    rng = np.random.default_rng(2)
    hand, camera = DrawnHand(drawn_style(rng)), Camera(width_px=2250, height_px=3000, tilt_deg=8.0, curl_mm=2.0)
    taken = take(reef, one, (), hand, rng, camera=camera, identity=identity_for(one, PACK, 0))
    page = register(taken.gray(), layouts)

    assert (len(one.cells), len(one.corners_mm) >= LEAST_CORNERS) == (4, True)
    assert page, page
    assert (page.layout.digest, page.residual_mm < 0.4) == (one.digest, True)


@pytest.mark.parametrize("name", shipped_names())
def test_every_page_has_corners_enough_to_measure_how_flat_it_is(name: str) -> None:
    """Also a last page with one row on it; sheets printed before on whole paper need none and look as they did."""
    text = (
        'protocol: few\nversion: "1"\ntitle: Few\nprogramme: Example group\nsheets:\n  birds:\n    kind: belt\n'
        "    title: Birds\n    rows: [{id: duck, label: Ducks}]\n"
    )
    few = parse_protocol(text, "few.yaml")
    for one in (*build_layouts(load_protocol(name)), *build_layouts(few)):
        assert len(one.corners_mm) >= (LEAST_WHOLE_CORNERS if one.paper in HALVES else LEAST_CORNERS)
        edge = [r for r in one.rules if min(r.x0, r.x1) < 8 - 0.4]
        assert not edge or one.paper not in HALVES
    lone = build_layouts(
        parse_protocol(text.replace("{id: duck, label: Ducks}", "{id: oil, label: Oil, kind: tick}"), "few.yaml")
    )
    assert all(len(one.corners_mm) >= LEAST_CORNERS for one in lone)


@pytest.mark.parametrize("name", shipped_names())
def test_corners_at_the_edges_touch_no_box(name: str) -> None:
    """Half a millimetre of bare paper is left between their ink and any frame, as printers may shift both."""
    for one in (one for one in build_layouts(load_protocol(name)) if one.paper in HALVES.values()):
        width = one.page_size_mm[0]
        outer = [r for r in one.rules if max(r.x0, r.x1) < 8 - 0.4 or min(r.x0, r.x1) > width - 8 + 0.4]
        left, right = ([r for r in outer if (r.x0 < width / 2) == side] for side in (True, False))
        boxes = [(c.box_mm[0], c.box_mm[0] + c.box_mm[2]) for c in one.cells]
        for tick in left:
            assert min(x for x, _ in boxes) - RULE_MM - (max(tick.x0, tick.x1) + tick.width_mm / 2) > 0.5
        for tick in right:
            assert min(tick.x0, tick.x1) - tick.width_mm / 2 - (max(x for _, x in boxes) + RULE_MM) > 0.5


# --- what a pack must have -------------------------------------------------------------------------------


def _sheet(sheet: str, paper: str, number: int, values: dict, *, page_id: int):
    one = next(one for one in _pages("reef-transect", paper) if (one.sheet, one.page) == (sheet, number))
    page, cells = made_sheet(sheet, {k: v for k, v in values.items() if k in one.by_id}, one=one)
    return replace(page, id=page_id), {i: cell._replace(page_id=page_id) for i, cell in cells.items()}


def test_a_pack_on_small_paper_lacks_the_pages_of_small_paper() -> None:
    """One fish page of two is in: its second is named, and sheets of which nothing came are two pages each too."""
    survey = made_survey(_sheet("fish", "A5", 1, {}, page_id=1))
    first = [m for m in survey.missing if m.startswith(("T1", "Site"))]

    assert first == [
        "Site sheet, page 1 of 2",
        "Site sheet, page 2 of 2",
        "T1: Fish belt, page 2 of 2",
        *(
            f"T1: {title}, page {n} of 2"
            for title in ("Invertebrate belt and impacts", "Substrate line")
            for n in (1, 2)
        ),
    ]
    assert made_survey(made_sheet("fish", {})).missing[:2] == ("Site sheet", "T1: Invertebrate belt and impacts")


def test_pages_of_one_sheet_are_told_apart_wherever_they_are_named(tmp_path) -> None:
    """Two have one title: what is read, what waits, what was photographed twice and the list of pages say which."""
    result = made_result("fish", {"fish/laid": FLAGGED, "fish/start": FLAGGED}, name="f.jpg", paper="A5")
    assert summary(result).startswith(f"f.jpg: Fish belt, page 1 of 2, pack {PACK}, transect 1; ")
    with Store.open(tmp_path / "store") as store:
        keep(store, result)
        keep(store, made_result("fish", {}, name="g.jpg", paper="A5", confidence=0.9))
        (checked,) = check_store(store, today=NOW.date())
        listed = page_list(store)

    found = {one.rule: f"{one.where}: {one.text}" for one in checked.faults}
    assert found["open"] == "2 cells: wait for a person (T1, Fish belt, page 1 of 2: 2)"
    assert found["twice"].startswith("T1, Fish belt, page 1 of 2: photographed 2 times; f.jpg counts")
    assert [one["text"] for one in listed] == [f"Fish belt, page 1 of 2 · transect 1 · pack {PACK} (2 open)"]


def test_two_small_pages_are_one_sheet() -> None:
    """The none-seen box on the first page holds for the rows of the second; a row of a missing page is not known."""
    values = {"fish/none-seen": True, "fish/damselfish/0-10/tally": 6, "fish/ray/0-10/tally": 4}
    first, second = (_sheet("fish", "A5", n, values, page_id=n) for n in (1, 2))
    counts = {(c.row, c.segment): (c.count, c.state) for c in made_survey(first, second).transects[0].counts}
    half = {(c.row, c.segment): (c.count, c.state) for c in made_survey(first).transects[0].counts}

    assert counts["damselfish", "0-10"] == (6, "counted")
    assert counts["ray", "0-10"] == (4, "counted")
    assert counts["ray", "10-20"] == (0, "none seen")
    assert half["ray", "0-10"] == half["ray", "10-20"] == (None, "missing")


@pytest.mark.parametrize("order", list(itertools.permutations((0, 1, 2))))
def test_a_page_on_other_paper_than_the_rest_of_its_sheet_is_left_out_in_words(order) -> None:
    """A blank A4 sheet among two A5 pages would make every count of theirs a blank: it is left out, whatever came first."""
    values = {"fish/damselfish/0-10/tally": 6, "fish/ray/0-10/tally": 4}
    sheets = [_sheet("fish", "A5", 1, values, page_id=1), _sheet("fish", "A5", 2, values, page_id=2)]
    sheets.append(_sheet("fish", "A4", 1, {}, page_id=3))
    survey = made_survey(*(sheets[i] for i in order))
    counts = {(c.row, c.segment): c.count for c in survey.transects[0].counts}

    assert (counts["damselfish", "0-10"], counts["ray", "0-10"]) == (6, 4)
    assert [f.text for f in survey.findings if "other paper" in f.text] == [
        "fish-1.jpg is on other paper than the rest of its sheet; left out"
    ]


def test_the_screens_list_a_pack_of_small_fish_sheets_and_a_whole_site_sheet(tmp_path) -> None:
    """Each sheet has the pages of the paper that it came on; the rest those of most."""
    one = next(one for one in _pages("reef-transect", "A5") if (one.sheet, one.page) == ("fish", 2))
    with Store.open(tmp_path / "store") as store:
        keep(store, made_result("site", {}, name="a.jpg", transect=0))
        keep(store, replace(made_result("fish", {}, name="b.jpg"), page=made_page(one), readings=()))
        keep(store, made_result("substrate", {}, name="c.jpg"))
        places = pack_places(store, PACK)
    first = [(p.sheet, p.number, p.page is not None) for p in places if p.transect in (0, 1)]

    assert first == [
        ("site", 1, True),
        ("fish", 1, False),
        ("fish", 2, True),
        ("invertebrate", 1, False),
        ("substrate", 1, True),
    ]


@pytest.mark.parametrize(("paper", "told"), [("A4", []), ("A5", ["page 1–2 of 2"])])
def test_the_box_for_none_seen_names_the_pages_that_it_speaks_for(paper, told) -> None:
    """It stands on the first page only: nobody shall tick it for the rows above it and mean no others."""
    layouts = build_layouts(load_protocol("reef-transect"))
    first = next(one for one in layouts if (one.sheet, one.paper, one.page) == ("fish", paper, 1))
    x, y, width, height = next(c.box_mm for c in first.cells if c.id == "fish/none-seen")
    beside = [t.text for t in first.texts if y <= t.y <= y + height and t.x > x + width]
    assert beside == ["I looked for every row: a blank row means none seen", *told]
