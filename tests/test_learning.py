"""Learning a programme's hands: worked out by hand, on made-up features, by simulated hands, and what never changes."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from conftest import PENCIL
from hypothesis import given
from hypothesis import strategies as st

from digitise.adapt.learning import (
    FEWEST_GROUPS,
    Boxes,
    area_under_risk,
    chosen_strength,
    compare,
    fit,
    learn,
    losses,
    ratio_interval,
)
from digitise.adapt.taught import NO_LABEL, RULED, SEEN, SETTLED, Taught, box_labels, seen_boxes
from digitise.pages.flatten import FLAT_PX_PER_MM
from digitise.reader.characters import DIGIT_CLASSES, LETTER_CLASSES, CharacterEvidence, feature_count
from digitise.reader.learned import LARGEST, MOST_BYTES, WRITTEN, Learned, LearnedError, characters_digest, read_learned
from digitise.reader.read import guarded
from digitise.reader.reading import Decoded
from digitise.sheets.layout import Cell, Layout
from digitise.simulate.answers import answers_from_values
from digitise.simulate.drawn_hand import DrawnHand, DrawnStyle
from digitise.simulate.take import filled

WIDTH = 4  # of made-up features


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def _learned(features: int = WIDTH, *, value: float = 0.0, **more) -> Learned:
    return Learned(
        np.full((features + 1, WRITTEN["digit"]), value, np.float32),
        np.full((features + 1, WRITTEN["letter"]), value, np.float32),
        characters_digest(),
        **more,
    )


def _evidence(features, *, like: int = 7, sure: float = 0.9, void: float = 0.02) -> CharacterEvidence:
    """A box that the shipped network takes for the digit `like`, and for the letter of that number."""
    digit, letter = (np.full(len(c), 1e-6, np.float64) for c in (DIGIT_CLASSES, LETTER_CLASSES))
    for head, classes in ((digit, DIGIT_CLASSES), (letter, LETTER_CLASSES)):
        head[classes.index("void")] = void
        head[like] = sure
        head[1 if like != 1 else 7] = 1 - sure - void
        head /= head.sum()
    return CharacterEvidence(digit, letter, np.array([0.1, 0.8, 0.1]), np.asarray(features, np.float32))


NUMBER = Cell("a/total", "number", (0.0, 0.0, 8.0, 8.0), "a", characters_mm=((0.0, 0.0, 8.0, 8.0),))


def _programme(rng, *, pages=12, wrongly=False, origin=SETTLED, cells=12) -> list[Taught]:
    """Pages by somebody whose ones look like sevens to the shipped network, but not to its features."""
    out = []
    for page in range(pages):
        for _ in range(cells):
            truth = int(rng.choice([1, 7]))
            features = rng.normal(0, 0.3, WIDTH) + (2.0 if truth == 1 else -2.0) * np.array([1, 0, 0, 0])
            label = int(rng.integers(10)) if wrongly else truth
            evidence = (_evidence(features, sure=0.6),)
            out.append(Taught(NUMBER, f"p{page}", f"p{page}", origin, label, evidence, (label,)))
    return out


def test_ones_that_look_like_sevens_are_learned_from_ten_pages(rng) -> None:
    """The shipped network reads all ones as sevens; afterwards those of pages that were left out are ones."""
    lesson = learn(_programme(rng), None, about="made up", rng=rng)

    assert lesson.learned is not None
    before, after = lesson.comparison.wrong_cells
    assert before > 40
    assert after == 0
    one = lesson.learned.see(_evidence([2.0, 0, 0, 0], sure=0.6))
    assert DIGIT_CLASSES[one.digit.argmax()] == "1"
    assert len(lesson.learned.pages) == 12


def test_labels_without_sense_are_refused_with_the_figures(rng) -> None:
    """Whoever keys at random teaches nothing: on pages left out, nothing gets better."""
    lesson = learn(_programme(rng, wrongly=True), None, about="made up", rng=rng)

    assert lesson.learned is None
    assert "not better beyond noise" in lesson.words
    assert "characters settled by people" in lesson.words


CODE = Cell("p", "code", (0.0, 0.0, 8.0, 8.0), "p", characters_mm=((0.0, 0.0, 8.0, 8.0),), choices=("B", "H"))


def test_letters_that_lose_stay_while_digits_are_learned(rng) -> None:
    """Half of the pages hold H only, half B only, as likely to the shipped reader: the others always teach wrongly."""
    numbers = _programme(rng, pages=10, cells=8)
    codes = [
        Taught(CODE, one.page, one.group, SETTLED, "H", (_evidence(np.ones(WIDTH), sure=0.49),), (label,))
        for one in numbers[::2]
        for label in [7 if int(one.page[1:]) % 2 else 1]
    ]
    learned = learn(numbers + codes, None, about="made up", rng=rng).learned

    assert np.abs(learned.digit).max() > 0.1
    assert np.abs(learned.letter).max() == 0


@pytest.mark.parametrize(("pages", "cells"), [(FEWEST_GROUPS - 1, 12), (FEWEST_GROUPS, 2), (0, 0)])
def test_too_few_pages_or_cells_are_refused(rng, pages: int, cells: int) -> None:
    lesson = learn(_programme(rng, pages=pages, cells=cells), None, about="made up", rng=rng)

    assert lesson.learned is None
    assert "too little to compare on" in lesson.words


def test_cells_that_nobody_looked_at_teach_but_count_as_no_evidence_of_people(rng) -> None:
    """Without anything settled by a person there is nothing to compare on, however many cells there are."""
    lesson = learn(_programme(rng, origin=RULED), None, about="made up", rng=rng)

    assert "0 written characters settled by people" in lesson.words


def test_cells_that_somebody_happened_to_change_compare_nothing(rng) -> None:
    """Errors are what people look for: such cells would make any new reader look better."""
    lesson = learn(_programme(rng, origin=SEEN), None, about="made up", rng=rng)

    assert lesson.learned is None
    assert lesson.words.startswith("too little to compare on: 0 pages")


def test_a_second_lesson_is_compared_on_pages_that_the_first_did_not_see(rng) -> None:
    """The reader in force knows its own pages by heart; on them it would look too good, and nobody's word counts twice."""
    first = learn(_programme(rng), None, about="made up", rng=rng).learned
    again = learn(_programme(rng), first, about="made up", rng=rng)

    assert again.learned is None
    assert "that the present reader has not learned from" in again.words


def test_pages_behind_letters_that_stay_are_known_though_they_teach_no_more(rng) -> None:
    """A later lesson would be compared on them, which the letters know by heart."""
    learned = learn(_programme(rng), _learned(pages=("of-letters",)), about="made up", rng=rng).learned

    assert set(learned.pages) == {"of-letters", *(f"p{i}" for i in range(12))}


def test_the_correction_is_where_loss_and_pull_balance(rng) -> None:
    """At the minimum the gradient is zero: sum of (p - y) for each bias equals minus the strength times it."""
    n, k = 40, 3
    boxes = Boxes(rng.normal(0, 1, (n, 2)), np.zeros((n, k)), rng.integers(0, k, n), np.zeros(n, int))
    correction = fit(boxes, 2.0)
    logits = boxes.features @ correction[:-1] + correction[-1]
    p = np.exp(logits) / np.exp(logits).sum(axis=1, keepdims=True)

    assert np.allclose(p.sum(axis=0) - np.bincount(boxes.labels, minlength=k), -2.0 * correction[-1], atol=0.01)
    assert losses(boxes, correction).sum() < losses(boxes, None).sum()


def test_a_strong_pull_leaves_the_shipped_weights_alone(rng) -> None:
    boxes = Boxes(rng.normal(0, 1, (30, 2)), np.zeros((30, 3)), rng.integers(0, 3, 30), np.arange(30) % 5)

    assert np.abs(fit(boxes, 1e6)).max() < 1e-3


def test_no_strength_is_chosen_where_nothing_is_to_be_learned(rng) -> None:
    """Labels that the shipped network foretells as well as can be, and features that say nothing."""
    base = np.log(np.tile([0.5, 0.3, 0.2], (300, 1)))
    labels = np.repeat([0, 1, 2], [150, 90, 60])
    boxes = Boxes(rng.normal(0, 1, (300, 2)), base, labels, np.arange(300) % 10)

    chosen = chosen_strength(boxes)

    assert chosen is None or losses(boxes, fit(boxes, chosen)).mean() > losses(boxes, None).mean() - 0.02
    assert chosen_strength(boxes.of(boxes.groups < 2)) is None


def test_changes_in_step_with_counts_have_an_interval_without_width() -> None:
    """Three pages of 10, 20 and 30 characters, each a tenth better: the ratio is -0.1 exactly."""
    assert ratio_interval(np.array([-1.0, -2.0, -3.0]), np.array([10.0, 20.0, 30.0])) == pytest.approx((-0.1, -0.1))


def test_the_interval_of_two_pages_is_students() -> None:
    """Changes -1 and -3 of one character each: mean -2, standard error 1, t(0.975, 1) = 12.706 (any table)."""
    assert ratio_interval(np.array([-1.0, -3.0]), np.array([1.0, 1.0])) == pytest.approx((-14.706, 10.706), abs=1e-3)


def test_the_area_under_the_risk_coverage_curve_by_hand() -> None:
    """Wrong among the surest 1, 2, 3: 0, 0, 1/3, mean 1/9; a tie of right and wrong counts half in each place."""
    assert area_under_risk(np.array([0.9, 0.8, 0.7]), np.array([True, True, False])) == pytest.approx(1 / 9)
    assert area_under_risk(np.array([0.9, 0.9]), np.array([True, False])) == pytest.approx(0.5)


@given(st.floats(-3, 3), st.floats(0.0, 0.9), st.integers(0, 9))
def test_learning_changes_which_character_only(bias: float, void: float, like: int) -> None:
    """Whether a box is blank, struck out or unreadable, and a tick, stays as the shipped network has it."""
    before = _evidence(np.ones(WIDTH), like=like, sure=(1 - void) * 0.9, void=void)
    learned = replace(_learned(), digit=_learned().digit + np.float32(bias) * np.arange(WRITTEN["digit"]) / 5)
    after = learned.see(before)

    assert np.array_equal(after.digit[WRITTEN["digit"] :], before.digit[WRITTEN["digit"] :])
    assert after.digit.sum() == pytest.approx(before.digit.sum())
    assert np.array_equal(after.tick, before.tick)
    assert np.allclose(after.letter, before.letter)


def test_a_box_without_ink_stays_as_it_is() -> None:
    bare = replace(_evidence(np.ones(WIDTH)), features=None)

    assert _learned(value=3.0).see(bare) is bare


DECODED = st.builds(
    lambda value, score, reasons: Decoded(value, score, ((value, score),), reasons),
    st.sampled_from([None, 0, 1, 7]),
    st.floats(0, 1),
    st.sampled_from([(), ("unsure",), ("crossed-out",)]),
)


@given(DECODED, DECODED, st.sampled_from(["tally", "digits"]), st.sampled_from(["tally", "digits"]), st.floats(0, 1))
def test_nothing_is_accepted_that_the_shipped_reader_would_not_accept(first, second, group, other, level) -> None:
    """Whatever is learned: the same value, no reason against it, and a score that the shipped one reaches too."""
    found, one = guarded((group, first), (other, second))

    if not one.reasons and one.score >= level:
        assert (found, one.value) == (group, first.value)
        assert first.score >= level
        assert first.reasons == ()


def test_where_both_read_differently_a_person_sees_what_was_learned() -> None:
    _, one = guarded(("digits", Decoded(7, 0.999, ((7, 0.999),))), ("digits", Decoded(1, 0.98, ((1, 0.98),))))

    assert (one.value, one.reasons) == (1, ("unsure",))


def test_labels_are_the_characters_in_their_boxes() -> None:
    """17, right-aligned in three boxes; a dash for none; what stands in other boxes than it should is no label."""
    cell = replace(NUMBER, characters_mm=((0.0, 0.0, 8.0, 8.0),) * 3)
    blank = replace(_evidence(np.ones(WIDTH)), features=None, digit=np.eye(len(DIGIT_CLASSES))[11])
    dash = replace(_evidence(np.ones(WIDTH)), digit=np.eye(len(DIGIT_CLASSES))[10])
    one = _evidence(np.ones(WIDTH))

    assert box_labels(cell, 17, (blank, one, one)) == (NO_LABEL, 1, 7)
    assert box_labels(cell, 0, (blank, blank, dash)) == (NO_LABEL, NO_LABEL, 10)
    assert box_labels(cell, 17, (one, one, blank)) is None
    assert box_labels(cell, None, (blank, blank, blank)) is None
    assert box_labels(cell, 170_000, (one, one, one)) is None
    assert box_labels(cell, 1, (blank, blank, _evidence(np.ones(WIDTH), sure=0.1, void=0.8))) is None


def _file(tmp_path, **changes):
    path = tmp_path / "learned.json"
    path.write_text(json.dumps(json.loads(_learned(feature_count(), about="made up").to_json()) | changes))
    return path


def test_what_was_learned_survives_its_file(tmp_path) -> None:
    rng = np.random.default_rng(3)
    shapes = {head: (feature_count() + 1, k) for head, k in WRITTEN.items()}
    arrays = {head: rng.normal(0, 1, shape).astype(np.float32) for head, shape in shapes.items()}
    learned = Learned(**arrays, network=characters_digest(), about="ää", figures="f", pages=("a/b",), before="0" * 12)
    path = tmp_path / "learned.json"
    path.write_text(learned.to_json(), encoding="utf-8")
    found = read_learned(path)

    assert found.digest == learned.digest
    assert np.array_equal(found.letter, learned.letter)
    assert (found.about, found.pages, found.before) == ("ää", ("a/b",), "0" * 12)


def _weights(rows: int, columns: int, value: float) -> dict:
    import base64

    data = np.full((rows, columns), value, "<f4").tobytes()
    return {"shape": [rows, columns], "float32": base64.b64encode(data).decode()}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"learned_version": 2}, "unknown version"),
        ({"network": "0" * 16}, "another network"),
        ({"digit": _weights(5, WRITTEN["digit"], 0.0)}, "wrong shape"),
        ({"digit": _weights(193, 3, 0.0)}, "wrong shape"),
        ({"digit": {"shape": [10**9, WRITTEN["digit"]], "float32": ""}}, "wrong shape"),
        ({"digit": {"shape": [193, WRITTEN["digit"]], "float32": "*"}}, "nothing learned that can be used"),
        ({"letter": _weights(193, WRITTEN["letter"], float("nan"))}, "no sensible numbers"),
        ({"letter": _weights(193, WRITTEN["letter"], 2 * LARGEST)}, "no sensible numbers"),
        ({"about": "\x1b[2J"}, "a text that is none"),
        ({"before": 3}, "a text that is none"),
        ({"pages": None}, "nothing learned that can be used"),
        ({"figures": "x" * MOST_BYTES}, "too large"),
    ],
)
def test_broken_and_hostile_files_are_refused_in_words(tmp_path, changes, words) -> None:
    with pytest.raises(LearnedError, match=words):
        read_learned(_file(tmp_path, **changes))


@pytest.mark.parametrize("content", [b"", b"[]", b"null", b"\xff\xfe", b"[" * 10_000, b'{"learned_version": 1}'])
def test_other_files_are_refused_in_words(tmp_path, content: bytes) -> None:
    path = tmp_path / "learned.json"
    path.write_bytes(content)

    with pytest.raises(LearnedError, match="run 'digitise learn' again"):
        read_learned(path)
    with pytest.raises(LearnedError, match="cannot be read"):
        read_learned(tmp_path / "nowhere.json")


class _OnesLikeSevens:
    """A hand that crosses its sevens and writes ones as others write sevens."""

    name, size = "ones like sevens", 0.75
    plain = DrawnHand(DrawnStyle(5, 0.05, 1.0, 0.4, 0.75, 0.004, 0.3))

    def character(self, char: str, rng):
        if char == "1":
            return self.plain.character("7", rng)[:1]
        written = self.plain.character(char, rng)
        if char != "7":
            return written
        bar = np.stack([np.linspace(0.05, 0.55, 12), np.full(12, 0.5)], axis=1).astype(np.float32)
        return (written[0], bar)


def _page(one: Layout, protocol, number: int, page_of) -> list[Taught]:
    """What a page of numbers by `_OnesLikeSevens` teaches once somebody has keyed every cell."""
    rng = np.random.default_rng(number)
    cells = [c for c in one.cells if c.kind == "number"]
    values = {c.id: int(rng.choice([1, 7, 11, 17, 71, 77, 4, 21])) for c in cells}
    answers = answers_from_values(one.to_json(), values)
    canvas, _ = filled(protocol, one, tuple(answers), _OnesLikeSevens(), rng, pencil=PENCIL, sloppiness=0.2)
    height, width = (round(v * FLAT_PX_PER_MM) for v in one.page_size_mm[::-1])
    page = page_of(one, cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA))
    out = []
    for cell, evidence in seen_boxes(page).values():
        labels = box_labels(cell, values.get(cell.id), evidence)
        if labels is not None:
            out.append(Taught(cell, f"p{number}", f"p{number}", SETTLED, values[cell.id], tuple(evidence), labels))
    return out


def test_a_hand_whose_ones_look_like_sevens_is_read_better_on_pages_never_seen(layout, reef, page_of) -> None:
    """Eight pages to learn from, two others to read: real boxes, the real network, drawn strokes."""
    pages = [_page(layout("fish"), reef, number, page_of) for number in range(10)]
    lesson = learn([c for page in pages[:8] for c in page], None, about="eight pages", rng=np.random.default_rng(1))
    unseen = [c for page in pages[8:] for c in page]
    found = compare(unseen, [None] * len(unseen), [lesson.learned] * len(unseen))

    assert lesson.learned is not None
    assert len(unseen) > 40
    assert found.wrong_boxes[0] >= 5
    assert found.wrong_boxes[1] <= found.wrong_boxes[0] / 3
    assert found.wrong_cells[1] <= found.wrong_cells[0] / 3
    assert found.loss[1] < found.loss[0] / 2
