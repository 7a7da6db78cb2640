"""Dates and times as Darwin Core wants them."""

import pytest
from shared_cases import cases

from digitise.exchange.event_dates import duration_min, event_date


@cases("event_date")
def test_an_interval_names_both_ends_with_their_offset(case):
    """ISO 8601-1, start and end with a solidus between them."""
    g, expected = case["inputs"], case["expected"]
    found = event_date(g["date"], start=g["start"], end=g["end"], utc_offset=g["utc_offset"])

    assert found == expected["eventDate"]
    assert duration_min(g["start"], g["end"]) == expected["duration_min"]


@pytest.mark.parametrize(
    ("start", "end", "offset", "expected"),
    [
        (None, "10:35", "Z", "2026-05-17"),
        ("09:40", None, "Z", "2026-05-17T09:40Z"),
        ("09:40", "10:35", None, "2026-05-17"),
        ("25:40", "10:35", "Z", "2026-05-17"),
        ("09:40", "10:75", "Z", "2026-05-17T09:40Z"),
        ("09:40", "09:30", "Z", "2026-05-17T09:40Z"),
        ("23:40", "00:10", "Z", "2026-05-17T23:40Z/2026-05-18T00:10Z"),
    ],
)
def test_what_is_not_known_or_cannot_be_is_left_out(start, end, offset, expected):
    """A time without an offset is no moment; an end before its start is only believed across midnight."""
    assert event_date("2026-05-17", start=start, end=end, utc_offset=offset) == expected
