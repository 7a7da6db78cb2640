"""The further shipped protocols go the whole way: sheets, simulated photographs, readings, survey, results.

Hands and camera are simulated; nothing here says anything about real sheets.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pytest

from digitise.adapt.evaluate import Truth, judge, score
from digitise.batch.batch import known_protocols
from digitise.pages.page import register
from digitise.pages.photo import decode_photo
from digitise.reader.read import read_decoded
from digitise.results import survey_results
from digitise.sheets.codes import choose_codes
from digitise.sheets.compose import SLOTS, build_layouts, free_marks, shared_marks
from digitise.sheets.protocol import HALVES, PAPERS_MM, Protocol, load_protocol, shipped_names
from digitise.sheets.sheet import Identity, pack_pages
from digitise.simulate.answers import answers_from_values
from digitise.simulate.camera import Camera
from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.pencil import Pencil
from digitise.simulate.take import take
from digitise.store import Store
from digitise.surveys.places import Place, place_of
from digitise.surveys.survey import load_survey

NAMES = ("lagoon-frames", "wall-segments", "long-line")
NOW = datetime(2026, 4, 12, 9, 0, tzinfo=UTC)
CAMERA = Camera(width_px=2250, height_px=3000, rotation_deg=2.0, tilt_deg=8.0, curl_mm=2.0)
PACK = "QH7M4K"
SITE = {
    "date": "2026-04-11",
    "time": "09:15",
    "site": "LANTERN GARDEN",
    "team": 4,
    "latitude": 5.4123,
    "north-south": "N",
    "longitude": 161.2034,
    "depth": 6.5,
    "leader": "MIRA TOLE",
}


def _values(protocol, layout, rng: np.random.Generator) -> dict[str, object]:
    """What is written on one page: every point has a code, every count a number."""
    out: dict[str, object] = {}
    for cell in layout.cells:
        own = cell.id.rpartition("/")[2]
        if not layout.per_transect:
            value = cell.choices[1] if own == "east-west" else SITE.get(own)
        elif own == "total":
            continue
        elif cell.kind == "tally":
            value = int(rng.integers(1, 6))
            out[cell.id.replace("/tally", "/total")] = value
        else:
            value = {
                "start": "10:20",
                "laid": "10:02",
                "depth": 6.5,
                "observer": "KEO VARN",
                "percent": 40,
                "none-seen": True,
            }.get(own)
            if cell.kind == "code":
                value = str(rng.choice(cell.choices))
        if value is not None:
            out[cell.id] = value
    return out


@lru_cache(maxsize=3)
def _read(name: str) -> list[tuple[Identity, bytes, object, dict[str, Truth]]]:
    """The first line's pages and the site sheet, filled, photographed and read."""
    return _photographed(load_protocol(name), known_protocols().layouts)


def _photographed(protocol, layouts) -> list[tuple[Identity, bytes, object, dict[str, Truth]]]:
    out = []
    for i, (layout, identity) in enumerate(pack_pages(protocol, protocol.paper, PACK)):
        if identity.transect > 1:
            continue
        rng = np.random.default_rng([7, i])
        answers = answers_from_values(layout.to_json(), _values(protocol, layout, rng))
        hand = DrawnHand(drawn_style(np.random.default_rng(5)))
        pencil = Pencil(width_mm=0.6, darkness=0.75)
        taken = take(
            protocol, layout, answers, hand, rng, camera=CAMERA, pencil=pencil, identity=identity, sloppiness=0.1
        )
        result = read_decoded(decode_photo(taken.jpeg, f"{protocol.protocol}-{i}.jpg"), layouts)
        out.append((identity, taken.jpeg, result, {a.cell: Truth(a.value) for a in answers}))
    return out


def test_a_sheet_of_thirty_codes_is_read() -> None:
    """Codes of three letters, any two of which differ in two: none is accepted that was not written."""
    codes = choose_codes(30).codes
    categories = [{"code": c, "id": c.lower(), "label": f"Sort {i}"} for i, c in enumerate(codes, 1)]
    bottom = {"kind": "line", "title": "Bottom", "categories": categories}
    many = Protocol(protocol="many", version="1", title="Many sorts", programme="Group", sheets={"bottom": bottom})
    ((_, _, result, truth),) = _photographed(many, build_layouts(many))
    got = score(judge(result.readings, truth))

    assert result.status == "read", result.reasons
    assert len({t.value for t in truth.values()}) > 15
    assert (got.cells, got.silent) == (40, 0)
    assert got.right_share > 0.95
    assert got.accepted > 0.7 * got.cells


def test_four_protocols_are_shipped_and_none_shares_corner_marks_with_another() -> None:
    """Every page of every shipped protocol is known by its marks alone."""
    shipped = [load_protocol(name) for name in shipped_names()]

    assert {p.protocol for p in shipped} == {"reef-transect", *NAMES}
    assert shared_marks(shipped) == []


def test_the_demonstration_sheets_are_what_they_were() -> None:
    """Photographs and trained readers rest on them: layouts on whole paper as first printed, by their digests."""
    digests = [one.digest for one in build_layouts(load_protocol("reef-transect")) if one.paper in HALVES]

    assert digests == ["f015bf60", "086ee237", "8e642288", "a399761c", "2606cde4", "27a9117f", "938306cf", "3cf56bd0"]


def test_marks_shift_all_pages_of_a_protocol_and_a_free_shift_is_found() -> None:
    """A protocol of another name with the same pages in the same slots is moved away from them."""
    reef = load_protocol("reef-transect")
    slots = {one.slot for one in build_layouts(reef)}
    moved = type(reef).model_validate(reef.model_dump() | {"marks": 3})

    assert {one.slot for one in build_layouts(moved)} == {(s + 3) % SLOTS for s in slots}
    assert {one.digest for one in build_layouts(moved)} == {one.digest for one in build_layouts(reef)}
    whole = {one.slot for one in build_layouts(reef) if one.paper in HALVES}
    assert free_marks(reef, [reef]) == next(m for m in range(SLOTS) if not {(s + m) % SLOTS for s in whole} & whole)


@pytest.mark.parametrize("name", NAMES)
def test_every_page_is_known_and_no_accepted_value_is_wrong(name: str) -> None:
    """Each photograph is found among all shipped sheets, as the page it is; what is accepted is right."""
    judged = []
    for identity, _, result, truth in _read(name):
        assert result.status == "read", result.reasons
        assert result.page.identity.encode() == identity.encode()
        judged += judge(result.readings, truth)
    got = score(judged)

    assert got.silent == 0
    assert got.right_share > 0.95
    assert got.accepted > 0.7 * got.cells


@pytest.mark.parametrize("name", NAMES)
def test_reviewed_photographs_become_the_survey_that_was_written(name: str, tmp_path) -> None:
    """After a clerk who sees perfectly: cover is the share of codes written, density counts over area counted."""
    protocol, known = load_protocol(name), known_protocols()
    with Store.open(tmp_path / "store") as store:
        truths = {}
        for i, (_, jpeg, result, truth) in enumerate(_read(name)):
            store.keep_photo(jpeg, f"{name}-{i}.jpg", now=NOW)
            truths[store.record(result, known.home(result.page.layout), now=NOW)] = truth
        for item in store.queue():
            true = truths[item.page_id][item.cell].value
            state = "blank" if true is None or true is False else "entered"
            store.decide(
                item.page_id,
                item.cell,
                value=None if state == "blank" else true,
                state=state,
                by="Mira Tole",
                now=NOW,
            )
        survey = load_survey(store, PACK)
    written = {cell: t.value for truth in truths.values() for cell, t in truth.items()}
    results = survey_results(survey)

    for line in results.lines:
        codes = Counter(v for c, v in written.items() if c.startswith(f"{line.sheet}/") and len(str(v)) == 2)
        assert sum(codes.values()) == len(protocol.transect.points_m)
        for one in line.categories:
            share = codes[one.code] / len(protocol.transect.points_m)
            assert one.site.cover.value == pytest.approx(100 * share)
    assert results.densities
    for one in results.densities:
        total = sum(v for c, v in written.items() if c.startswith(f"{one.sheet}/{one.id}/") and c.endswith("/tally"))
        area = sum(part.area_m2 for part in protocol.parts(one.sheet))
        ((belt, estimate),) = one.belts
        assert (belt.count, belt.area_m2) == (total, pytest.approx(area))
        assert estimate.value == pytest.approx(100 * total / area)
    assert (survey.site, survey.date) == ("LANTERN GARDEN", "2026-04-11")
    if "site/east-west" in written:  # W, or O in Spanish
        assert place_of(survey) == Place(5.4123, -161.2034)
    else:
        assert place_of(survey) is None


def test_areas_are_those_of_frames_and_segments() -> None:
    """Ten frames of one square metre; four segments of 5 m times 4 m; two halves of 25 m times 5 m."""
    areas = {
        (name, sheet): [p.area_m2 for p in load_protocol(name).parts(sheet)]
        for name, sheet in (("lagoon-frames", "animals"), ("wall-segments", "fish"), ("long-line", "shoals"))
    }

    assert areas["lagoon-frames", "animals"] == [1.0] * 10
    assert areas["wall-segments", "fish"] == [20.0] * 4
    assert areas["long-line", "shoals"] == [125.0, 125.0]


def test_points_of_a_segmented_line_begin_anew_in_each_segment() -> None:
    """Four times ten points, none between the segments; the long line has one every 25 cm."""
    points = load_protocol("wall-segments").transect.points_m

    assert points[:11] == (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.5)
    assert len(points) == 40
    assert load_protocol("long-line").transect.points_m[:3] == (0.25, 0.5, 0.75)
    assert len(load_protocol("long-line").transect.points_m) == 200


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_frames_that_do_not_fit_side_by_side_follow_each_other_over_pages(paper: str) -> None:
    """Ten frames: every one has every row once, boxes equally wide, only the first page a tick."""
    protocol = load_protocol("lagoon-frames")
    pages = [one for one in build_layouts(protocol) if (one.sheet, one.paper) == ("animals", paper)]
    frames = [sorted({c.id.split("/")[2] for c in one.cells if c.kind == "tally"}) for one in pages]
    cells = [c.id for one in pages for c in one.cells if c.kind == "tally"]

    assert sum(len(f) for f in frames) == 10
    assert len(cells) == len(set(cells)) == 50
    assert len({round(c.box_mm[2], 6) for one in pages for c in one.cells if c.kind == "tally"}) == 1
    assert ["animals/none-seen" in one.by_id for one in pages] == [True] + [False] * (len(pages) - 1)


def test_a_spare_page_is_read_and_belongs_to_no_pack_until_a_person_says_so(tmp_path) -> None:
    """It carries no code; its cells are read, and pack and line are given on the survey screen."""
    protocol = load_protocol("wall-segments")
    layout, identity = next(
        (one, Identity(**{k: getattr(who, k) for k in Identity.__slots__} | {"transect": 0}))
        for one, who in pack_pages(protocol, "A4", PACK)
        if one.sheet == "wall"
    )
    rng = np.random.default_rng(4)
    answers = answers_from_values(layout.to_json(), _values(protocol, layout, rng))
    hand = DrawnHand(drawn_style(np.random.default_rng(5)))
    taken = take(protocol, layout, answers, hand, rng, camera=CAMERA, identity=identity, sloppiness=0.1)
    page = register(taken.gray(), known_protocols().layouts)

    assert page
    assert (page.layout.digest, page.identity) == (layout.digest, None)
