"""Where cells lie: on the page, in the body, apart from each other, and the same wherever the protocol says so."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from digitise.sheets.compose import SLOTS, build_layouts
from digitise.sheets.layout import LAYOUT_VERSION, Layout
from digitise.sheets.page_builder import (
    BODY_TOP_MM,
    FOOT_MM,
    GROUP_GAP_MM,
    MARK_INSET_MM,
    MARK_MM,
    POINT_GAP_MM,
    side_mm,
)
from digitise.sheets.protocol import PAPERS_MM, parse_protocol

HEAD = 'protocol: pond\nversion: "1"\ntitle: Pond\nprogramme: Example pond group\n'
SHEETS = [(s, p) for p in PAPERS_MM for s in ("site", "fish", "invertebrate", "substrate")]
pages = pytest.mark.parametrize(("sheet", "paper"), SHEETS)


def _made(text: str) -> tuple[Layout, ...]:
    return build_layouts(parse_protocol(HEAD + text, "pond.yaml"))


def _belt(rows: int, more: str = "") -> str:
    lines = "".join(f"      - {{id: row-{i}, label: Row {i}}}\n" for i in range(rows))
    return f"sheets:\n  birds:\n    kind: belt\n    title: Birds\n{more}    rows:\n{lines}"


def _inside(box, room, slack: float = 1e-6) -> bool:
    x, y, w, h = box
    left, top, right, bottom = room
    return left - slack <= x and top - slack <= y and x + w <= right + slack and y + h <= bottom + slack


def _overlap(a, b) -> bool:
    return (
        a[0] < b[0] + b[2] - 1e-6
        and b[0] < a[0] + a[2] - 1e-6
        and a[1] < b[1] + b[3] - 1e-6
        and b[1] < a[1] + a[3] - 1e-6
    )


def _body(one: Layout) -> tuple[float, float, float, float]:
    (width, height), side = one.page_size_mm, side_mm(one.paper)
    return side, BODY_TOP_MM, width - side, height - FOOT_MM


def _assert_sound(one: Layout) -> None:
    assert [c.id for c in one.cells if not _inside(c.box_mm, _body(one))] == []
    assert [(a.id, b.id) for a, b in itertools.combinations(one.cells, 2) if _overlap(a.box_mm, b.box_mm)] == []
    assert len(one.by_id) == len(one.cells)
    apart = [*(f.box_mm for f in one.fiducials), one.qr_mm]
    assert [c.id for c in one.cells for b in apart if _overlap(c.box_mm, b)] == []


@pages
def test_cells_lie_in_the_body_and_apart(layout, sheet: str, paper: str) -> None:
    """Every cell inside page and body, no two overlap, ids unique, nothing over a mark or the printed code."""
    one = layout(sheet, paper)

    assert one.page_size_mm == PAPERS_MM[paper]
    _assert_sound(one)


@pages
def test_characters_fill_their_box_from_left_to_right(layout, sheet: str, paper: str) -> None:
    """Character boxes lie inside the cell's box, in order, apart; the first and last reach its ends."""
    for cell in layout(sheet, paper).cells:
        x, y, w, h = cell.box_mm
        assert all(_inside(c, (x, y, x + w, y + h)) for c in cell.characters_mm), cell.id
        assert not any(_overlap(a, b) for a, b in itertools.pairwise(cell.characters_mm)), cell.id
        assert bool(cell.characters_mm) == (cell.kind in ("number", "code", "date", "time", "decimal")), cell.id
        if cell.characters_mm:
            assert [c[0] for c in cell.characters_mm] == sorted(c[0] for c in cell.characters_mm)
            assert cell.characters_mm[0][0] == pytest.approx(x)
            assert cell.characters_mm[-1][0] + cell.characters_mm[-1][2] == pytest.approx(x + w)


@pages
def test_rules_frame_every_cell_from_outside(layout, sheet: str, paper: str) -> None:
    """The box is the writable area inside the rule: no long rule runs through it, one runs just below it."""
    one = layout(sheet, paper)
    for cell in one.cells:
        x, y, w, h = cell.box_mm
        first = cell.characters_mm[0] if cell.characters_mm else cell.box_mm
        middle = first[0] + first[2] / 2
        below = [
            r
            for r in one.rules
            if r.y0 == r.y1 and r.x0 < middle < r.x1 and abs(r.y0 - r.width_mm / 2 - (y + h)) < 0.01
        ]
        assert below, cell.id
        through = [
            r
            for r in one.rules
            if r.x0 == r.x1
            and x + 0.5 < r.x0 < x + w - 0.5
            and min(r.y0, r.y1) < y + 0.3 * h
            and max(r.y0, r.y1) > y + 0.7 * h
        ]
        gaps = sum(b[0] - a[0] - a[2] > 1 for a, b in itertools.pairwise(cell.characters_mm))
        assert len(through) == 2 * gaps, cell.id


def test_character_groups_are_typed_out(layout) -> None:
    """A date is 4 + 2 + 2 boxes, a time 2 + 2, ``##.#####`` 2 + 5 with room for the printed point."""
    site = layout("site").by_id
    gaps = {
        name: [round(b[0] - a[0] - a[2], 3) for a, b in itertools.pairwise(site[name].characters_mm)]
        for name in ("site/date", "site/time", "site/latitude")
    }

    assert gaps["site/date"] == [0, 0, 0, GROUP_GAP_MM, 0, GROUP_GAP_MM, 0]
    assert gaps["site/time"] == [0, GROUP_GAP_MM, 0]
    assert gaps["site/latitude"] == [0, POINT_GAP_MM, 0, 0, 0, 0]
    assert site["site/latitude"].format == "##.#####"
    assert len(layout("site").dots_mm) == sum(c.kind == "decimal" for c in layout("site").cells)


def test_printed_points_stand_in_the_gap_of_their_decimal(layout) -> None:
    """Each printed decimal point lies between two character boxes of a decimal cell, near its foot."""
    one = layout("site")
    for x, y in one.dots_mm:
        owners = [
            c
            for c in one.cells
            if c.kind == "decimal"
            and _inside((x, y, 0, 0), (*c.box_mm[:2], c.box_mm[0] + c.box_mm[2], c.box_mm[1] + c.box_mm[3]))
        ]
        assert len(owners) == 1
        assert not any(b[0] <= x <= b[0] + b[2] for b in owners[0].characters_mm)


def test_cells_are_those_of_the_protocol(layout, reef) -> None:
    """Ids are typed out for one of each kind; every row has a tally and a total in both segments."""
    fish = layout("fish").by_id
    expected = {
        f"fish/{row.id}/{segment}/{part}"
        for row in reef.sheets["fish"].rows
        for segment in ("0-10", "10-20")
        for part in ("tally", "total")
    }
    fields = {"fish/start", "fish/laid", "fish/depth", "fish/observer", "fish/none-seen"}

    assert set(fish) == expected | fields
    assert fish["fish/ray/0-10/tally"].max == 60
    assert fish["fish/ray/0-10/total"].max == 99
    assert fish["fish/none-seen"].kind == "tick"
    invertebrate = layout("invertebrate").by_id
    assert invertebrate["invertebrate/bleached-percent/0-10/percent"].max == 100
    assert invertebrate["invertebrate/anchor-damage/10-20/tick"].kind == "tick"


def test_points_are_printed_down_the_columns_and_take_all_codes(layout, reef) -> None:
    """Forty points, ids by their metre; the next point is below, the eleventh heads the next column."""
    cells = [c for c in layout("substrate").cells if c.kind == "code"]
    codes = tuple(c.code for c in reef.sheets["substrate"].categories)

    assert [c.id for c in cells] == [f"substrate/{m:g}" for m in reef.transect.points_m]
    assert {c.choices for c in cells} == {codes}
    assert cells[1].box_mm[0] == cells[0].box_mm[0]
    assert cells[1].box_mm[1] > cells[0].box_mm[1]
    assert cells[10].box_mm[1] == cells[0].box_mm[1]
    assert cells[10].box_mm[0] > cells[0].box_mm[0]


@pages
def test_marks_stand_in_the_corners_clockwise(layout, sheet: str, paper: str) -> None:
    """Four marks 12 mm wide, 8 mm from the paper's edges, ids 4 x slot + 0..3 from the top left clockwise."""
    one = layout(sheet, paper)
    width, height = one.page_size_mm
    near, far_x, far_y = MARK_INSET_MM, width - MARK_INSET_MM - MARK_MM, height - MARK_INSET_MM - MARK_MM

    assert [f.id for f in one.fiducials] == [4 * one.slot + i for i in range(4)]
    assert [f.box_mm[:2] for f in one.fiducials] == [(near, near), (far_x, near), (far_x, far_y), (near, far_y)]
    assert one.fiducials[0].corners_mm == ((8, 8), (20, 8), (20, 20), (8, 20))


def test_no_two_pages_share_a_slot(layouts) -> None:
    """Four sheets, on whole paper a page each and on small paper two: 24 pages carry 24 different sets of marks."""
    assert Counter(one.paper for one in layouts) == {"A4": 4, "letter": 4, "A5": 8, "half-letter": 8}
    assert len({one.slot for one in layouts}) == 24
    assert all(0 <= one.slot < SLOTS for one in layouts)


# --- pages -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_many_rows_flow_to_a_second_page(paper: str) -> None:
    """Thirty rows need two pages: none is lost, none repeated, the none-seen box is on the first."""
    found = [one for one in _made(_belt(30)) if one.paper == paper]
    rows = [c.id.split("/")[1] for one in found for c in one.cells if c.id.endswith("0-10/tally")]

    assert [(one.page, one.pages) for one in found] == [(1, 2), (2, 2)]
    assert rows == [f"row-{i}" for i in range(30)]
    assert ["birds/none-seen" in one.by_id for one in found] == [True, False]
    for one in found:
        _assert_sound(one)


@pytest.mark.parametrize("rows", [1, 11, 12, 18, 19, 20, 41, 60])
def test_any_number_of_rows_is_laid_out_soundly(rows: int) -> None:
    """From one row to the most that a sheet may have, with impacts of every kind behind them."""
    impacts = "".join(
        f"      - {{id: im-{i}, label: Impact {i}, kind: {k}}}\n" for i, k in enumerate(["count", "percent", "tick"])
    )
    found = _made(_belt(rows) + "    impacts:\n" + impacts)

    for one in found:
        _assert_sound(one)
    for paper in PAPERS_MM:
        ids = [c.id for one in found if one.paper == paper for c in one.cells]
        assert len(ids) == 4 * rows + 4 + 2 + 2 + 1
        assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("frames", [1, 3, 4, 10, 40])
@pytest.mark.parametrize("rows", [1, 5, 18, 40])
def test_any_number_of_frames_is_laid_out_soundly(rows: int, frames: int) -> None:
    """Blocks of frames follow each other, or spread over pages: every row in every frame, once."""
    text = _belt(rows, f"    quadrats: {{count: {frames}, width_m: 1, length_m: 1}}\n")
    found = _made(text + "    impacts: [{id: grass, label: Grass, kind: percent}]\n")

    for one in found:
        _assert_sound(one)
    for paper in PAPERS_MM:
        ids = [c.id for one in found if one.paper == paper for c in one.cells]
        assert len(ids) == len(set(ids)) == frames * (2 * rows + 1) + 1


def test_eight_segments_are_stacked_three_three_and_two() -> None:
    """A tape in eight segments on A4: three side by side at most, evenly shared, in order along the tape."""
    segments = [f"{5 * i}-{5 * i + 5}" for i in range(8)]
    text = f"transect: {{length_m: 40}}\nbelt: {{segments: {segments}}}\n" + _belt(3)
    found = next(one for one in _made(text) if one.paper == "A4")
    tallies = [c for c in found.cells if c.kind == "tally" and c.id.startswith("birds/row-0/")]
    rows = {}
    for cell in tallies:
        rows.setdefault(round(cell.box_mm[1], 3), []).append(cell.id.split("/")[2])

    assert [len(r) for r in rows.values()] == [3, 3, 2]
    assert [s for r in rows.values() for s in r] == segments


@pytest.mark.parametrize(("spacing", "columns"), [(0.1, 4), (0.1, 5), (0.25, 3), (1, 1), (2, 2), (20, 4)])
def test_any_number_of_points_is_laid_out_soundly(spacing: float, columns: int) -> None:
    """From one point to two hundred, in one to five columns; none lost between pages."""
    text = (
        f"transect: {{point_spacing_m: {spacing}, first_point_m: {spacing}}}\nsheets:\n  line:\n    kind: line\n"
        f"    title: Line\n    columns: {columns}\n    categories:\n"
        "      - {code: AB, id: a, label: A}\n      - {code: CD, id: c, label: C}\n"
    )
    found = _made(text)

    for one in found:
        _assert_sound(one)
    for paper in PAPERS_MM:
        assert sum(len(one.cells) for one in found if one.paper == paper) == round(20 / spacing)


REFUSED = [
    pytest.param(
        "sheets:\n  visit:\n    kind: site\n    title: Visit\n    cautions: [Look.]\n    fields:\n"
        + "".join(f"      - {{id: f-{i}, label: Field {i}, kind: date, new_line: true}}\n" for i in range(20)),
        r"visit: the site sheet's fields and cautions need \d+ mm more than A4 paper has; expected fewer",
        id="site",
    ),
    pytest.param(
        _belt(
            3,
            "    fields:\n"
            + "".join(f"      - {{id: f-{i}, label: Field {i}, kind: date, new_line: true}}\n" for i in range(14)),
        ),
        r"birds: the fields leave no room for rows on A4 paper; expected fewer fields",
        id="belt-fields",
    ),
    pytest.param(
        "sheets:\n  line:\n    kind: line\n    title: Line\n    columns: 6\n    categories:\n"
        "      - {code: AB, id: a, label: A}\n      - {code: CD, id: c, label: C}\n",
        r"line: 6 columns of points do not fit A4 paper; expected fewer",
        id="columns",
    ),
]


@pytest.mark.parametrize(("text", "sentence"), REFUSED)
def test_protocol_that_does_not_fit_is_refused_with_a_sentence(text: str, sentence: str) -> None:
    """The sheet, the paper and what to shorten are named."""
    with pytest.raises(ValueError, match=sentence):
        _made(text)


OFF_THE_PAGE = [
    pytest.param("{id: f, label: Wide, kind: text, width_mm: 190}", id="text-wider-than-the-body"),
    pytest.param("{id: f, label: '" + "Very long label " * 10 + "', kind: date}", id="label-wider-than-the-page"),
]


@pytest.mark.parametrize("field", OFF_THE_PAGE)
def test_field_wider_than_the_body_is_refused(field: str) -> None:
    """Neither a cell nor a caption may be printed off the page; the sheet and the field are named."""
    text = f"sheets:\n  visit:\n    kind: site\n    title: Visit\n    cautions: [Look.]\n    fields:\n      - {field}\n"

    with pytest.raises(ValueError, match="visit: field 'f' needs"):
        _made(text)


def test_more_pages_than_marks_can_tell_apart_are_refused() -> None:
    """The marks carry 250 page identities; a protocol of more pages must not make the program look for ever."""
    impacts = "".join(f"      - {{id: im-{i}, label: Impact {i}}}\n" for i in range(2600))
    text = _belt(1) + "    impacts:\n" + impacts
    code = (
        "import sys\nfrom digitise.sheets.compose import build_layouts\nfrom digitise.sheets.protocol import parse_protocol\n"
        "try: print('laid out', len(build_layouts(parse_protocol(sys.stdin.read(), 'pond.yaml'))))\n"
        "except ValueError as error: print('refused:', error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], input=HEAD + text, text=True, timeout=20, capture_output=True, check=False
    )

    assert done.stdout.startswith("refused: "), done.stdout + done.stderr[-300:]


# --- identity --------------------------------------------------------------------------------------------


CHANGES = [
    pytest.param({"box_mm": (31.0, 90.0, 20.0, 10.0)}, id="moved"),
    pytest.param({"choices": ("KA", "TE")}, id="choices"),
    pytest.param({"kind": "text"}, id="kind"),
    pytest.param({"max": 7}, id="most"),
    pytest.param({"format": "##.#"}, id="format"),
    pytest.param({"id": "substrate/elsewhere"}, id="id"),
]


def _with_cell(one: Layout, **change) -> Layout:
    return replace(one, cells=(replace(one.cells[7], **change), *one.cells[:7], *one.cells[8:]))


@pytest.mark.parametrize("change", CHANGES)
def test_digest_differs_when_a_cell_moves_or_changes_meaning(layout, change: dict) -> None:
    one = layout("substrate")

    assert _with_cell(one, **change).digest != _with_cell(one).digest


def test_digest_stays_when_only_words_change(layout, reef) -> None:
    """A label, a title and the pencil marks around are no reason to call it another edition."""
    one = layout("substrate")
    translated = reef.model_copy(update={"programme": "Another programme", "captions": {"tally": "Striche"}})

    assert _with_cell(one, label="Elsewhere").digest == _with_cell(one).digest
    assert replace(one, title="Bottom", texts=()).digest == one.digest
    assert [a.digest for a in build_layouts(translated)] == [a.digest for a in build_layouts(reef)]


def test_edited_protocol_of_the_same_version_has_other_marks(reef) -> None:
    """One more category without a new version: the line sheet's digest and marks change, the fish sheet's stay."""
    line = reef.sheets["substrate"]
    fewer = line.model_copy(update={"categories": line.categories[:-1]})
    edited = reef.model_copy(update={"sheets": {**reef.sheets, "substrate": fewer}})
    before, after = ({(a.sheet, a.paper): a for a in build_layouts(p)} for p in (reef, edited))

    assert after["substrate", "A4"].digest != before["substrate", "A4"].digest
    assert after["substrate", "A4"].slot != before["substrate", "A4"].slot
    assert after["fish", "A4"].digest == before["fish", "A4"].digest


def test_layouts_of_one_protocol_are_always_the_same(reef) -> None:
    """Built anew from the file's text, every box and mark is where it was."""
    again = build_layouts(type(reef).model_validate(reef.model_dump()))

    assert [a.to_json() for a in again] == [a.to_json() for a in build_layouts(reef)]


def test_json_is_made_of_plain_numbers(layout) -> None:
    """The layout file holds version 1, lists and floats rounded to a micrometre."""
    data = layout("substrate").to_json()
    numbers = np.array([c["box_mm"] for c in data["cells"]])

    assert data["layout_version"] == LAYOUT_VERSION == 1
    assert numbers.shape == (len(data["cells"]), 4)
    assert np.array_equal(numbers, np.round(numbers, 3))
