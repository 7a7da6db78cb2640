"""Dates and times of events by ISO 8601-1, as Darwin Core recommends: a day, a moment, or an interval with its offset.

A time without an offset from UTC is no moment, so that it is left out until the offset is known. What a sheet's clocks
cannot mean (an hour that does not exist) is left out too, never set right.
"""

from __future__ import annotations

import datetime as dt

HALF_A_DAY_MIN = 12 * 60


def event_date(day: str, *, start: object = None, end: object = None, utc_offset: str | None = None) -> str:
    """``2026-05-17``, ``2026-05-17T09:40+08:00``, or ``2026-05-17T09:40+08:00/2026-05-17T10:35+08:00``.

    ``day`` is an ISO date, ``start`` and ``end`` clock times ("09:40"); None is not known. An end after midnight lies
    on the next day.

    >>> event_date("2026-05-17", start="23:50", end="00:05", utc_offset="Z")
    '2026-05-17T23:50Z/2026-05-18T00:05Z'
    """
    if utc_offset is None or _minutes(start) is None:
        return day
    began = f"{day}T{start}{utc_offset}"
    lasted = duration_min(start, end)
    if lasted is None:
        return began
    last = dt.date.fromisoformat(day) + dt.timedelta(days=int(_minutes(start) + lasted >= 2 * HALF_A_DAY_MIN))
    return f"{began}/{last.isoformat()}T{end}{utc_offset}"


def duration_min(start: object, end: object) -> int | None:
    """Minutes from one clock time to another, through midnight if need be; None when unknown or over half a day.

    >>> duration_min("09:40", "10:35")
    55
    """
    began, ended = _minutes(start), _minutes(end)
    if began is None or ended is None:
        return None
    lasted = (ended - began) % (2 * HALF_A_DAY_MIN)
    return lasted if lasted <= HALF_A_DAY_MIN else None


def _minutes(clock: object) -> int | None:
    try:
        hours, minutes = (int(part) for part in str(clock).split(":"))
    except ValueError:
        return None
    return 60 * hours + minutes if 0 <= hours < 24 and 0 <= minutes < 60 else None
