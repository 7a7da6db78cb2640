"""One number of an earlier survey: what it is of, where and when, and the line of the file it came from."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class EarlierResult:
    """`is_cover`: percent cover; otherwise individuals per 100 m². `low` and `high` are as the source gave them.

    `label` is the name it has in the protocol, so that it joins the same category or row of later surveys.
    """

    site: str
    day: dt.date
    label: str
    is_cover: bool
    value: float
    low: float | None
    high: float | None
    transects: int | None
    source: str
    line: int

    @property
    def unit_words(self) -> str:
        """The unit, as it stands at an axis."""
        return "cover, %" if self.is_cover else "per 100 m²"
