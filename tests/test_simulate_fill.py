"""Writing on a sheet by program: the truth of every mark, and pencil lines where they belong."""

import gzip
import json
from functools import partial
from itertools import pairwise

import numpy as np
import pytest

from digitise.simulate import fill as fill_module
from digitise.simulate.answers import (
    MARKS,
    Answer,
    Mess,
    answers_from_values,
    make_answer,
    random_answers,
)
from digitise.simulate.drawn_hand import (
    SINGLE_LINES,
    UNUSUAL_STRIKES,
    UNUSUAL_TICKS,
    DrawnHand,
    drawn_style,
    strike_strokes,
    tick_strokes,
)
from digitise.simulate.fill import fill
from digitise.simulate.hand import in_box, load_hands, pooled, split_writers
from digitise.simulate.pencil import Pencil, draw, erase
from digitise.simulate.tally_hand import most_tally, tally_manner, tally_strokes, unusual_tally_manner

PX_PER_MM = 12.0
BOX_MM = 8.0
CODES = ["KA", "TE", "RU", "HX"]
NO_MESS = Mess(*[0.0] * 15)


def _cell(name, kind, x, y, boxes=0, **more):
    """A cell of ``boxes`` 8 mm character boxes, or of the ``size`` given."""
    width, height = more.pop("size", (BOX_MM * boxes, BOX_MM))
    cell = {"id": name, "kind": kind, "box_mm": [x, y, width, height], **more}
    if boxes:
        cell["characters_mm"] = [[x + BOX_MM * i, y, BOX_MM, BOX_MM] for i in range(boxes)]
    return cell


def _layout():
    cells = []
    for row in range(4):
        cells.append(_cell(f"fish/{row}/tally", "tally", 10, 10 + 20 * row, size=(42, 12), max=60))
        cells.append(_cell(f"fish/{row}/total", "number", 60, 12 + 20 * row, 2))
    cells += [
        _cell("code", "code", 90, 10, 2, choices=CODES),
        _cell("date", "date", 90, 30, 8),
        _cell("time", "time", 90, 50, 4),
        _cell("depth", "decimal", 90, 70, 7, format="##.#####"),
        _cell("tick", "tick", 20, 95, size=(5, 5)),
        _cell("note", "text", 60, 95, size=(80, 8)),
        _cell("count", "number", 10, 115, 3),
    ]
    return {"layout_version": 1, "page_size_mm": [170.0, 135.0], "cells": cells}


PLAIN = {
    "fish/0/tally": 7,
    "fish/0/total": 7,
    "code": "KA",
    "date": "2026-03-14",
    "time": "09:40",
    "depth": 8.5,
    "tick": True,
    "note": "PALE TIPS",
    "count": 42,
}


def _cell_named(name):
    return next(cell for cell in _layout()["cells"] if cell["id"] == name)


def _page():
    return np.full((int(135 * PX_PER_MM), int(170 * PX_PER_MM)), 255, np.uint8)


def _filled(answers, seed=0, sloppiness=0.3, **pencil):
    rng = np.random.default_rng(seed)
    page, hand = _page(), DrawnHand(drawn_style(rng))
    fill(
        _layout(),
        answers,
        hand,
        rng,
        pencil=Pencil(**pencil),
        canvas=page,
        px_per_mm=PX_PER_MM,
        sloppiness=sloppiness,
    )
    return page


def _ink(page, box_mm):
    """Darkness inside a box, in full black mm2."""
    x, y, width, height = np.array(box_mm) * PX_PER_MM
    part = page[int(max(y, 0)) : int(y + height), int(max(x, 0)) : int(x + width)]
    return float((1 - part / 255).sum()) / PX_PER_MM**2


# What a mark means: (cell, written, mark, value, must a person look).
MEANINGS = [
    ("fish/0/tally", 7, "plain", 7, False),
    ("fish/0/tally", None, "plain", None, False),
    ("fish/0/tally", 0, "plain", 0, False),
    ("fish/0/tally", 0, "dash_zero", 0, False),
    ("count", 0, "dash_zero", 0, False),
    ("count", 0, "slashed_zero", 0, False),
    ("count", None, "blank", None, False),
    ("tick", None, "plain", False, False),
    ("tick", True, "plain", True, False),
    ("tick", False, "erased_rewritten", False, False),
    ("tick", True, "struck", None, True),
    ("count", 12, "struck", None, True),
    ("count", 12, "overwritten", None, True),
    ("count", 12, "ditto", None, True),
    ("count", None, "ditto", None, True),
    ("code", "KA", "unreadable", None, True),
    ("code", "KA", "erased_rewritten", "KA", False),
    ("code", None, "erased_rewritten", None, False),
    ("code", "TE", "overrun", "TE", False),
    ("date", "2026-03-14", "plain", "2026-03-14", False),
    ("time", "09:40", "plain", "09:40", False),
    ("depth", 8.5, "plain", 8.5, False),
    ("note", " pale  tips", "plain", "PALE TIPS", False),
]


@pytest.mark.parametrize(("name", "written", "mark", "value", "flag"), MEANINGS)
def test_a_mark_means_what_the_interfaces_say(name, written, mark, value, flag):
    answer = make_answer(_cell_named(name), written, mark)

    assert (value, flag) == (answer.value, answer.must_flag)
    assert type(value) is type(answer.value)


IMPOSSIBLE = [
    ("count", 1000, "plain", "from 0 to 999"),
    ("count", True, "plain", "whole number"),
    ("count", 7, "dash_zero", "cannot be written as dash_zero"),
    ("code", "ZZ", "plain", "not among KA, TE"),
    ("code", "KA", "slashed_zero", "cannot hold"),
    ("code", None, "struck", "cannot be written as struck"),
    ("tick", True, "ditto", "cannot hold"),
    ("depth", 100.5, "plain", "needs 8 boxes"),
    ("depth", 0.1234567, "plain", "does not fit the format"),
    ("date", "2026-02-30", "plain", "day"),
    ("time", "24:10", "plain", "24:10"),
    ("fish/0/tally", 5000, "plain", "from 0 to"),
    ("note", "PALE %", "plain", "no hand writes %"),
    ("code", "KA", "smudged", "expected one of plain"),
]


@pytest.mark.parametrize(("name", "written", "mark", "words"), IMPOSSIBLE)
def test_an_answer_its_cell_cannot_hold_is_refused(name, written, mark, words):
    with pytest.raises(ValueError, match=words):
        make_answer(_cell_named(name), written, mark)


def test_values_by_id_give_one_answer_a_cell_and_blanks_for_the_rest():
    answers = answers_from_values(_layout(), {"count": 12, "tick": True}, {"count": "struck"})

    assert [cell["id"] for cell in _layout()["cells"]] == [answer.cell for answer in answers]
    written = {a.cell: a for a in answers if a.mark != "blank"}
    assert {"count": Answer("count", 12, "struck"), "tick": Answer("tick", True)} == written


def test_values_for_a_cell_that_is_not_on_the_page_are_refused():
    with pytest.raises(KeyError, match="nowhere"):
        answers_from_values(_layout(), {"nowhere": 1})


def test_a_total_equals_its_tally_when_nobody_miscounts():
    rng = np.random.default_rng(4)
    pairs = []
    for _ in range(100):
        by_id = {a.cell: a for a in random_answers(_layout(), rng, mess=Mess(miscount=0, total_blank=0))}
        pairs += [(by_id[f"fish/{row}/tally"], by_id[f"fish/{row}/total"]) for row in range(4)]

    for tally, total in pairs:
        if total.mark != "erased_rewritten" or total.written is not None:
            assert tally.written == total.written
    assert len({total.written for _, total in pairs}) > 15


def test_every_total_differs_when_everybody_miscounts():
    mess = Mess(*[0.0] * 13, miscount=1.0, total_blank=0.0)
    by_id = {a.cell: a for a in random_answers(_layout(), np.random.default_rng(5), mess=mess)}

    for row in range(4):
        assert by_id[f"fish/{row}/tally"].written != by_id[f"fish/{row}/total"].written


def test_random_answers_hold_the_rates_they_are_given():
    rng = np.random.default_rng(6)
    mess = Mess(blank_tally=0.3, zero=0.2, struck=0.1, total_blank=0.25, miscount=0)
    answers = [a for _ in range(500) for a in random_answers(_layout(), rng, mess=mess)]
    tallies = [a for a in answers if a.cell.endswith("/tally")]
    totals = [a for a in answers if a.cell.endswith("/total")]

    blank = np.mean([a.mark == "blank" for a in tallies])
    assert blank == pytest.approx(0.3, abs=0.03)
    assert np.mean([a.written == 0 for a in tallies]) == pytest.approx(0.7 * 0.2, abs=0.025)
    assert np.mean([a.mark == "struck" for a in tallies]) == pytest.approx(0.7 * 0.1, abs=0.02)
    assert np.mean([a.written is None for a in totals]) == pytest.approx(0.3 + 0.7 * 0.25, abs=0.03)
    assert set(MARKS) == {a.mark for a in answers}


def test_random_answers_without_mess_are_all_plain_and_all_written_but_ticks():
    answers = random_answers(_layout(), np.random.default_rng(7), mess=NO_MESS)

    assert {"plain"} == {a.mark for a in answers if a.cell != "tick"}
    assert all(a.value == a.written for a in answers)


def test_the_same_rng_writes_the_same_pixels_and_another_does_not():
    answers = answers_from_values(_layout(), PLAIN)

    assert np.array_equal(_filled(answers, seed=3), _filled(answers, seed=3))
    assert not np.array_equal(_filled(answers, seed=3), _filled(answers, seed=4))


def test_blank_cells_stay_white():
    page = _filled(answers_from_values(_layout(), {}))

    assert page.min() == 255


@pytest.mark.parametrize("name", sorted(PLAIN))
@pytest.mark.parametrize("mark", ["plain", "overrun"])
def test_most_of_an_entry_lies_in_its_cell(name, mark):
    least = {"plain": 0.75, "overrun": 0.55}[mark]
    for seed in range(12):
        page = _filled(answers_from_values(_layout(), {name: PLAIN[name]}, {name: mark}), seed, sloppiness=0.6)
        everything = _ink(page, [0, 0, 170, 135])

        assert everything > 0.3
        assert _ink(page, _cell_named(name)["box_mm"]) >= least * everything


def test_an_overrun_leaves_three_fifths_of_a_character_in_its_box():
    rng = np.random.default_rng(1)
    for char in "0123456789KATE" * 10:
        strokes = DrawnHand(drawn_style(rng)).character(char, rng)
        over = in_box(strokes, [0, 0, 8, 8], rng=rng, size=0.8, sloppiness=0.3, overrun=True)
        points = np.concatenate(over)

        assert 0.6 <= np.mean(((points > 0) & (points < 8)).all(axis=1)) < 1.0
        assert max(-points.min(), points.max() - 8) > 0.2


def test_a_number_stands_at_the_right_and_leaves_leading_boxes_empty():
    page = _filled(answers_from_values(_layout(), {"count": 42}), sloppiness=0.0)
    first, second, third = _cell_named("count")["characters_mm"]

    assert _ink(page, first) < 0.02
    assert _ink(page, second) > 0.5
    assert _ink(page, third) > 0.5


def test_a_decimal_leaves_the_box_of_an_unneeded_leading_digit_empty():
    page = _filled(answers_from_values(_layout(), {"depth": 8.5}), sloppiness=0.0)
    boxes = _cell_named("depth")["characters_mm"]

    assert _ink(page, boxes[0]) < 0.02
    assert all(_ink(page, box) > 0.3 for box in boxes[1:])


@pytest.mark.parametrize("name", ["count", "fish/0/tally"])
def test_a_dash_zero_is_one_flat_line(name):
    page = _filled(answers_from_values(_layout(), {}, {name: "dash_zero"}))
    rows, columns = np.nonzero(page < 200)

    assert np.ptp(rows) < 1.8 * PX_PER_MM
    assert np.ptp(columns) > 2.5 * PX_PER_MM


@pytest.mark.parametrize("mark", ["struck", "overwritten", "slashed_zero"])
def test_a_spoiled_or_slashed_entry_has_more_ink_than_a_plain_one(mark):
    value = 0 if mark == "slashed_zero" else 42
    for seed in range(6):
        plain = _filled(answers_from_values(_layout(), {"count": value}), seed)
        spoiled = _filled(answers_from_values(_layout(), {"count": value}, {"count": mark}), seed)

        assert _ink(spoiled, [0, 0, 170, 135]) > 1.1 * _ink(plain, [0, 0, 170, 135])


def test_an_erased_entry_leaves_a_ghost_much_lighter_than_writing():
    for seed in range(6):
        ghost = _filled(answers_from_values(_layout(), {}, {"code": "erased_rewritten"}), seed, darkness=0.8)
        box = _cell_named("code")["box_mm"]
        x, y, width, height = (int(v * PX_PER_MM) for v in box)
        part = ghost[y : y + height, x : x + width]

        assert 150 < part.min() < 245
        assert _ink(ghost, box) > 0.1


def test_erasing_spares_the_print():
    page = _page()
    page[100:104, 50:400] = 0
    clean = page.copy()
    line = np.array([[5.0, 5.0], [30.0, 12.0]])
    draw(page, [line], pencil=Pencil(darkness=0.8), px_per_mm=PX_PER_MM, rng=np.random.default_rng(0))
    assert page.min(where=clean > 0, initial=255) < 130

    erase(page, [3, 3, 30, 12], clean=clean, px_per_mm=PX_PER_MM, rng=np.random.default_rng(1))

    assert np.all(page[100:104, 50:400] == 0)
    assert page.min(where=clean > 0, initial=255) > 150


def test_a_tally_of_n_has_n_strokes_in_its_box():
    rng = np.random.default_rng(8)
    for count in range(1, 61):
        strokes = tally_strokes(count, [10, 20, 42, 12], rng=rng, manner=tally_manner(rng))
        points = np.concatenate(strokes)

        assert count == len(strokes)
        inside = (points >= (9.5, 19)) & (points <= (52.5, 33))
        assert np.mean(inside.all(axis=1)) > 0.97


def test_the_fifth_stroke_crosses_the_four_before_it_but_seldom_misses_an_outer_one():
    rng = np.random.default_rng(9)
    crossed = []
    for _ in range(60):
        strokes = tally_strokes(20, [0, 0, 42, 12], rng=rng, manner=tally_manner(rng))
        for group in range(4):
            *uprights, bar = strokes[5 * group : 5 * group + 5]
            crossed.append([_cross(upright, bar) for upright in uprights])

    assert np.all(np.array(crossed)[:, 1:3])
    assert np.mean(np.all(crossed, axis=1)) > 0.95


def _cross(one, other):
    """Whether any piece of one polyline crosses any piece of the other."""
    a, b = one[:-1, None], one[1:, None]
    c, d = other[None, :-1], other[None, 1:]

    def side(p, q, r):
        return np.sign((q - p)[..., 0] * (r - p)[..., 1] - (q - p)[..., 1] * (r - p)[..., 0])

    return bool(((side(a, b, c) != side(a, b, d)) & (side(c, d, a) != side(c, d, b))).any())


@pytest.mark.parametrize("any_manner", [tally_manner, partial(unusual_tally_manner, line_mm=0.9)])
def test_every_manner_fits_the_most_a_box_is_said_to_hold(any_manner):
    rng = np.random.default_rng(10)
    for _ in range(300):
        box = [0.0, 0.0, rng.uniform(10, 80), rng.uniform(5, 16)]

        assert most_tally(box) == len(tally_strokes(most_tally(box), box, rng=rng, manner=any_manner(rng)))


def test_unusual_manners_space_wide_and_bar_level_too_but_never_so_that_strokes_run_together():
    rng = np.random.default_rng(12)
    manners = [unusual_tally_manner(rng, line_mm=0.9) for _ in range(300)]

    assert min(m.spacing_mm for m in manners) >= 1.62
    assert max(m.spacing_mm for m in manners) > 4
    assert 0.25 < np.mean([abs(m.bar_slope) < 0.15 for m in manners]) < 0.5


def test_no_two_strokes_of_an_unusual_writer_look_like_one():
    """Bowed, uneven and leaning as they are: a person could not count those either."""
    rng = np.random.default_rng(13)
    for _ in range(400):
        line_mm = rng.uniform(0.3, 0.9)
        manner = unusual_tally_manner(rng, line_mm=line_mm)
        strokes = tally_strokes(4, [0, 0, 42, 12], rng=rng, manner=manner, sloppiness=rng.uniform(0, 0.8))
        for one, other in pairwise(strokes):
            heights = np.linspace(max(one[:, 1].min(), other[:, 1].min()), min(one[:, 1].max(), other[:, 1].max()), 11)
            left, right = (np.interp(heights, *s[np.argsort(s[:, 1])].T[::-1]) for s in (one, other))
            assert np.median(right - left) > line_mm


@pytest.mark.parametrize("style", UNUSUAL_STRIKES)
def test_an_unusual_strike_goes_right_across_its_entry(style):
    for seed in range(20):
        points = np.concatenate(strike_strokes(style, [10, 20, 14, 6], rng=np.random.default_rng(seed)))
        short = style == "short line"

        assert points[:, 0].min() < (14 if short else 10.5)
        assert points[:, 0].max() > (20 if short else 23.5)
        assert 17 < points[:, 1].min() < points[:, 1].max() < 29


@pytest.mark.parametrize("style", UNUSUAL_TICKS)
def test_an_unusual_tick_stands_in_its_box(style):
    for seed in range(20):
        points = np.concatenate(tick_strokes(style, [10, 20, 9, 9], rng=np.random.default_rng(seed)))

        assert np.mean(((points > (9, 19)) & (points < (20, 30))).all(axis=1)) > 0.9
        assert np.ptp(points, axis=0).min() > 1.2


def test_who_crosses_out_as_few_people_do_puts_no_single_line_through_a_seven_or_strokes(monkeypatch):
    """There it would be part of what is written; through a 5 it is not."""
    seen = set()
    real = fill_module.strike_strokes
    monkeypatch.setattr(
        fill_module, "strike_strokes", lambda style, extent, *, rng: seen.add(style) or real(style, extent, rng=rng)
    )
    layout, hand = _layout(), DrawnHand(drawn_style(np.random.default_rng(0)))

    def styles(*answers: Answer) -> set[str]:
        seen.clear()
        for seed in range(80):
            canvas, rng = np.full((540, 680), 255, np.uint8), np.random.default_rng(seed)
            fill(layout, answers, hand, rng, pencil=Pencil(), canvas=canvas, px_per_mm=4.0, unusual=True)
        return set(seen)

    assert not styles(Answer("fish/0/tally", 3, "struck"), Answer("fish/0/total", 7, "struck")).intersection(
        SINGLE_LINES
    )
    assert styles(Answer("fish/0/total", 5, "struck")).issuperset(SINGLE_LINES)


def test_a_tally_too_high_for_its_box_is_refused():
    rng = np.random.default_rng(11)
    with pytest.raises(ValueError, match="a tally of 60 does not fit a box"):
        tally_strokes(60, [0, 0, 10, 5], rng=rng, manner=tally_manner(rng))


def test_a_drawn_character_fills_the_unit_frame_and_no_two_are_alike():
    rng = np.random.default_rng(12)
    hand = DrawnHand(drawn_style(rng))
    for char in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ":
        first, second = (np.concatenate(hand.character(char, rng)) for _ in range(2))

        assert np.allclose(first.min(axis=0), 0, atol=1e-6)
        assert np.isclose(first.max(), 1)
        assert first.dtype == np.float32
        assert first.shape != second.shape or not np.allclose(first, second)


def test_a_harder_press_and_a_softer_lead_leave_more_ink():
    line = [np.array([[5.0, 5.0], [25.0, 5.0]])]
    inks = []
    for width, darkness in [(0.5, 0.4), (0.5, 0.8), (0.9, 0.8)]:
        page = _page()
        pencil = Pencil(width_mm=width, darkness=darkness, grain=0.3, pressure=0.2)
        draw(page, line, pencil=pencil, px_per_mm=PX_PER_MM, rng=np.random.default_rng(0))
        inks.append(_ink(page, [0, 0, 40, 10]))

    assert inks[0] < inks[1] < inks[2]
    assert 20 * 0.9 * 0.8 * 0.5 < inks[2] < 20 * 0.9 * 0.8 * 1.1


def test_strokes_off_the_page_are_cut_at_its_edge():
    page = _page()
    lines = [np.array([[-5.0, 5.0], [10.0, 5.0]]), np.array([[400.0, 5.0], [410.0, 5.0]])]
    draw(page, lines, pencil=Pencil(), px_per_mm=PX_PER_MM, rng=np.random.default_rng(0))

    assert page[:, 0].min() < 200
    assert page[:, -1].min() == 255


def test_a_pencil_that_leaves_no_line_is_refused():
    with pytest.raises(ValueError, match="width_mm is 0"):
        Pencil(width_mm=0)
    with pytest.raises(ValueError, match="darkness is 2"):
        Pencil(darkness=2)


@pytest.fixture
def stroke_file(tmp_path):
    """Three writers: one with 1, 7 and broken examples; one with 8; one with 8 and K."""
    seven = [[[0, 0], [600, 0], [400, 500], [300, 1000]]]
    eight = [[[300, 0], [0, 250], [600, 750], [300, 1000], [0, 750], [600, 250]]]
    rows = [
        ("7", "a/one", seven),
        ("1", "a/one", [[[0, 0], [0, 1000]]]),
        ("4", "a/one", [[[5, 5]]]),
        ("5", "a/one", []),
        ("6", "a/one", [[[0, 0], [1000, 20], [500, 40], [0, 30]]]),
        ("8", "a/two", eight),
        ("8", "b/three", eight),
        ("K", "b/three", [[[0, 0], [0, 1000]], [[500, 0], [0, 500], [600, 1000]]]),
    ]
    path = tmp_path / "strokes.jsonl.gz"
    with gzip.open(path, "wt", encoding="utf-8") as file:
        for label, writer, strokes in rows:
            file.write(json.dumps({"label": label, "writer": writer, "strokes": strokes}) + "\n")
    return path


def test_a_stroke_file_gives_its_writers_without_their_broken_examples(stroke_file):
    hands = load_hands(stroke_file)

    assert list(hands) == ["a/one", "a/two", "b/three"]
    assert set(hands["a/one"].examples) == {"1", "7"}
    seven = hands["a/one"].character("7", np.random.default_rng(0))
    assert np.allclose(np.ptp(np.concatenate(seven), axis=0), (0.6, 1.0), atol=0.03)


def test_a_lacking_character_is_lent_within_the_pool_only(stroke_file):
    hands = load_hands(stroke_file)
    rng = np.random.default_rng(0)
    joined = pooled(hands, ["a/one", "a/two"])

    assert len(joined["a/one"].character("8", rng)) == 1
    with pytest.raises(KeyError, match="no example of 'K'"):
        joined["a/one"].character("K", rng)
    with pytest.raises(KeyError, match="no example of '8'"):
        hands["a/one"].character("8", rng)


def test_writers_are_split_in_shares_overall_and_in_each_collection():
    names = [f"{'abc'[i % 3]}/{i}" for i in range(300)]
    parts = split_writers(names)

    assert sorted(names) == sorted([*parts[0], *parts[1], *parts[2]])
    assert [len(part) for part in parts] == [210, 45, 45]
    for collection in "abc":
        train = sum(name.startswith(collection) for name in parts[0])
        assert 66 <= train <= 74
    assert parts == split_writers(reversed(names))
