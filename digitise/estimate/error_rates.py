"""Published error rates of entering data from paper, to stand beside what an audit finds.

None of these studies used sheets filled in under water: no published rate for those was found. They say what to
expect of careful people, not of this programme.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PublishedRate:
    """Wrong fields among 10,000 entered in one ``way``, with 95 % limits where the source gives them."""

    way: str
    per_10000: float
    low: float | None
    high: float | None
    source: str


GARZA = "Garza et al. 2025"  # doi:10.1016/j.ijmedinf.2024.105749: 93 papers, pooled
MCBRIDE = "Reynolds-Haertle & McBride 1992"  # doi:10.1016/0197-2456(92)90205-E: 42,278 fields of a trial

POOLED = (
    PublishedRate("record abstraction", 657, 551, 772, GARZA),
    PublishedRate("optical scanning", 74, 21, 160, GARZA),
    PublishedRate("single entry", 29, 24, 35, GARZA),
    PublishedRate("double entry", 14, 8, 20, GARZA),
)
TRIAL = (
    PublishedRate("overall", 19, None, None, MCBRIDE),
    PublishedRate("single entry", 22, None, None, MCBRIDE),
    PublishedRate("double entry", 15, None, None, MCBRIDE),
)
DOUBLE_ENTRY_EXTRA_TIME_PERCENT = 37  # Reynolds-Haertle & McBride 1992
