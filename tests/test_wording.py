"""Numbers in sentences."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from digitise.estimate.density import BeltCount, site_density
from digitise.handover.note import figure_words
from digitise.report import html
from digitise.report.words import density_text
from digitise.wording import in_order, in_sentence, listed, number, p_text, percent, plural
from review_app.markup import tag


@pytest.mark.parametrize(
    ("share", "words"), [(0.0, "0.00 %"), (0.0123, "1.23 %"), (0.0999, "9.99 %"), (0.1, "10 %"), (1.0, "100 %")]
)
def test_a_share_has_decimals_below_a_tenth(share, words):
    """As in "at most 0.37 % of them are wrong"."""
    assert percent(share) == words


def test_a_number_that_is_not_there_is_a_dash():
    """Never a nought."""
    assert (number(None), number(0.0), number(2.345, 2)) == ("–", "0.0", "2.35")


def test_a_small_number_does_not_look_like_nothing():
    """One large fish on 6,000 square metres is 0.02 on 100, which is not none; nor is a p of 0.0002."""
    assert [number(v) for v in (0.1, 0.06, 0.017, -0.0004, -0.0)] == ["0.1", "0.06", "0.02", "-0.0004", "0.0"]
    assert [number(v, 2, sign="+") for v in (1.5, 0.003, 0.0)] == ["+1.50", "+0.003", "+0.00"]
    assert [number(4.4e-16), number(-4.4e-16, sign="+")] == ["0.0", "+0.0"]  # of 100/3 less 100/3, added up otherwise
    assert [p_text(p) for p in (None, 0.0002, 0.0013, 1.0)] == ["–", "< 0.001", "0.001", "1.000"]
    assert percent(0.00002) == "0.002 %"


def test_figures_of_the_report_and_the_hand_over_show_small_numbers():
    """None seen has a limit that is more than 0.0, and what was seen a density above it."""
    one = site_density([BeltCount(f"T{i}", n, 2000.0) for i, n in enumerate((1, 0, 0))])
    none = site_density([BeltCount(f"T{i}", 0, 2000.0) for i in range(3)])

    assert density_text(SimpleNamespace(site=one)) == "0.02 (0.0 to 0.2)"
    assert density_text(SimpleNamespace(site=none)) == "none seen (below 0.05)"
    assert figure_words(SimpleNamespace(unit="per 100 m²"), (0.0167, 0.0004, 0.04)) == "0.02 (0.0 to 0.04) per 100 m²"


def test_words_of_a_sentence():
    """One and many, lists, labels inside a sentence; thousands stand apart by a narrow space."""
    assert (plural(1, "cell"), plural(2, "cell"), plural(1184, "cell")) == ("1 cell", "2 cells", "1\u202f184 cells")
    assert (listed([]), listed(["a"]), listed(["a", "b", "c"])) == ("", "a", "a, b and c")
    assert (in_sentence("Longitude (degrees)"), in_sentence("N or S")) == ("longitude (degrees)", "N or S")


def test_a_number_stays_behind_words_that_run_from_right_to_left():
    """One mark behind all such words together, none inside them, and none where nothing follows."""
    name = "\u05e9\u05d5\u05e0\u05d9\u05ea \u05d4\u05e6\u05e4\u05d5\u05df"
    assert in_order(f"highest at {name}, 27.6 %") == f"highest at {name}\u200e, 27.6 %"
    assert in_order(f"{name}, {name} · 2026") == f"{name}\u200e, {name}\u200e · 2026"
    assert [in_order(one) for one in (name, "Lantern Reef, 27.6 %")] == [name, "Lantern Reef, 27.6 %"]


@pytest.mark.parametrize("shown", [html.escape, lambda words: tag("p", words)], ids=["report", "screens"])
def test_what_is_shown_keeps_numbers_behind_such_words(shown):
    assert "\u05df\u200e, 27.6 %" in shown("\u05e6\u05e4\u05d5\u05df, 27.6 %")
