"""A page on which most cells are not to be made out is sent back in words; one with a few such cells is kept."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from digitise.pages.page import Page
from digitise.pages.photo import Photo
from digitise.reader.read import read_decoded
from digitise.reader.reading import Reading
from digitise.reader.reasons import REASONS
from digitise.reader.unclear import FEWEST, sent_back


def _lined(gray: np.ndarray) -> np.ndarray:
    """The photograph with lines of squared paper through it, 5 mm apart."""
    y, x = np.mgrid[0 : gray.shape[0], 0 : gray.shape[1]].astype(np.float32)
    lines = np.maximum(*(np.exp(-((((v + 23) % 46 - 23) / 3.0) ** 2)) for v in (x + 0.02 * y, y - 0.02 * x)))
    return np.clip(gray * (1 - 0.3 * lines), 0, 255).astype(np.uint8)


def _low_sun(gray: np.ndarray) -> np.ndarray:
    """The photograph of rough paper with the light along it: every dent throws a shadow."""
    relief = cv2.GaussianBlur(np.random.default_rng(3).standard_normal(gray.shape).astype(np.float32), (0, 0), 4)
    slope = cv2.Sobel(relief, cv2.CV_32F, 1, 0)
    return np.clip(gray * np.clip(1 + 0.2 * slope / slope.std(), 0.2, 1.6), 0, 255).astype(np.uint8)


@pytest.fixture
def lined(registered) -> Page:
    """A flat fish sheet with lines through it."""
    page = registered("fish")
    return replace(page, image=_lined(page.image))


@pytest.mark.parametrize("sheet", ["fish", "invertebrate"])
@pytest.mark.parametrize("changed", [_lined, _low_sun])
def test_what_lies_over_the_whole_paper_sends_the_photograph_back(photograph, layouts, sheet: str, changed) -> None:
    """The sheet is known, so it is a retake and not unreadable; the sentence says how many cells, and what to do."""
    result = read_decoded(Photo("IMG_1.jpg", "0" * 64, changed(photograph(sheet).gray())), layouts)

    assert (result.status, result.failure.reason, result.readings) == ("retake", "not-plain", ())
    assert result.failure.layout.sheet == sheet
    (words,) = result.reasons
    assert "cells look crossed out or are hard to see" in words
    assert words.startswith(REASONS["not-plain"].short)
    assert words.endswith(REASONS["not-plain"].advice)


def test_where_the_phone_moved_it_is_blur(lined, registered) -> None:
    """Print far paler in one direction than in the other says why cells cannot be made out, on bare paper too."""
    many = _readings(30, 20)

    assert sent_back(lined, many).reason == "not-plain"
    assert sent_back(replace(lined, evenness=0.5), many).reason == "blurred"
    assert sent_back(replace(registered("fish"), evenness=0.5), many).reason == "blurred"


def test_one_whose_letters_look_crossed_out_is_kept(lined, registered) -> None:
    """Where the paper between the cells is bare, and some of them are plain, no second photograph is clearer."""
    clear, many = registered("fish"), _readings(30, 20)

    assert sent_back(clear, many) is None
    assert sent_back(lined, many) is not None
    assert sent_back(clear, _readings(30, 7)) is None
    assert sent_back(clear, _readings(45, 5)) is not None
    assert sent_back(clear, _readings(30, 20, reason="hard-to-see")) is not None


@pytest.mark.parametrize("sheet", ["site", "fish", "invertebrate", "substrate"])
def test_a_clear_photograph_is_kept(photograph, layouts, sheet: str) -> None:
    assert read_decoded(Photo("IMG_1.jpg", "0" * 64, photograph(sheet).gray()), layouts).status == "read"


def _readings(unclear: int, clear: int, *, kind: str = "number", reason: str = "crossed-out") -> tuple[Reading, ...]:
    marks = [(reason,)] * unclear + [()] * clear
    return tuple(Reading(f"c/{i}", kind, 1, 0.9, bool(m), ((1, 0.9),), m) for i, m in enumerate(marks))


@pytest.mark.parametrize("reason", ["crossed-out", "hard-to-see"])
def test_more_than_two_cells_in_five_are_too_many(lined, reason: str) -> None:
    assert sent_back(lined, _readings(20, 30, reason=reason)) is None
    assert sent_back(lined, _readings(21, 29, reason=reason)).detail.startswith("21 of 50 cells")


def test_other_doubts_send_no_photograph_back(registered) -> None:
    """What the reader is unsure of, or what contradicts itself, no second photograph makes clearer."""
    for reason in ("unsure", "total-differs", "no-choice", "gap", "counts-differ"):
        assert sent_back(registered("fish"), _readings(50, 0, reason=reason)) is None


def test_words_do_not_count_and_few_cells_are_none_too_many(registered) -> None:
    page, words = registered("site"), _readings(30, 0, kind="text")

    assert sent_back(page, words) is None
    assert sent_back(page, words + _readings(FEWEST - 1, 0)) is None
    assert sent_back(page, words + _readings(FEWEST, 0)).detail.startswith(f"{FEWEST} of {FEWEST} cells")


def test_cells_hidden_by_something_on_the_sheet_do_not_count(lined) -> None:
    """Of 50 cells, 15 under a pencil and 8 crossed out are no reason to send the photograph back."""
    readings = _readings(23, 27)
    covered = replace(lined, hidden=frozenset(r.cell for r in readings[:15]))

    assert sent_back(lined, readings) is not None
    assert sent_back(covered, readings) is None
    assert sent_back(covered, _readings(35, 0)).detail.startswith("20 of 20 cells")
