"""Restyled hands: another person's way of writing the same character."""

from __future__ import annotations

import numpy as np
import pytest

from digitise.simulate.drawn_hand import DrawnHand, drawn_style
from digitise.simulate.restyle import RestyledHand, restyled

CHARACTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@pytest.fixture(scope="module")
def hand() -> DrawnHand:
    return DrawnHand(drawn_style(np.random.default_rng(4)))


@pytest.mark.parametrize("char", CHARACTERS)
def test_a_restyled_character_has_as_many_strokes_in_the_unit_frame(hand, char: str) -> None:
    """Top left at the origin, the longer side 1, as every hand writes."""
    plain = hand.character(char, np.random.default_rng(1))
    bent = restyled(plain, np.random.default_rng(2), 1.0)
    points = np.concatenate(bent)

    assert len(bent) == len(plain)
    assert points.min(axis=0) == pytest.approx((0, 0), abs=1e-5)
    assert points.max() == pytest.approx(1, abs=1e-5)


def test_without_strength_only_the_points_along_a_stroke_are_dealt_out_anew(hand) -> None:
    """A straight line stays the line it is, but for its ends, which may be a hundredth longer."""
    line = (np.array([[0, 0], [0.2, 0.5], [0.4, 1.0]], np.float32),)

    (out,) = restyled(line, np.random.default_rng(0), 0.0)

    assert np.abs(out[:, 0] - 0.4 * out[:, 1]).max() < 0.01


def test_a_dot_stays_a_dot() -> None:
    dot = np.array([[0.5, 0.5]], np.float32)
    stem = np.array([[0.5, 0.8], [0.5, 0.9], [0.5, 1.0]], np.float32)

    assert len(restyled((dot, stem), np.random.default_rng(0), 1.0)[0]) == 1


def test_one_character_is_restyled_alike_on_a_page_and_otherwise_by_another_seed(hand) -> None:
    """Examples of one restyled hand differ less from each other than from those of another restyling of the same hand."""

    def middle(seed: int, example: int) -> np.ndarray:
        strokes = RestyledHand(hand, seed, 1.0).character("8", np.random.default_rng(example))
        return np.concatenate([s[np.linspace(0, len(s) - 1, 20).astype(int)] for s in strokes])

    same = np.mean([np.abs(middle(7, a) - middle(7, a + 50)).mean() for a in range(12)])
    other = np.mean([np.abs(middle(7, a) - middle(80 + a, a)).mean() for a in range(12)])

    assert same < other
