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

POOLED = (
    PublishedRate("record abstraction", 657, 551, 772, GARZA),
    PublishedRate("optical scanning", 74, 21, 160, GARZA),
    PublishedRate("single entry", 29, 24, 35, GARZA),
    PublishedRate("double entry", 14, 8, 20, GARZA),
)
