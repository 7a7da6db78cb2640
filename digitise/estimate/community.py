"""How many kinds, and how evenly: richness, Shannon, Simpson, evenness, rarefaction.

`counts` are whole numbers, one a kind, of one sample or of samples pooled. Kinds are rows of the protocol, not species:
compare only surveys with the same list. Every index depends on effort, so compare equal belts, or rarefy. Kinds of
count 0 change nothing; an unknown count must be left out by the caller and makes the sample incomplete.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np


@dataclass(frozen=True, slots=True)
class Community:
    """Measures of one sample; None where they do not exist.

    ``shannon`` is -sum p ln p (natural logarithm), ``effective`` its exponential (kinds as common as each other that
    would give it), ``simpson`` 1 - sum p^2 (chance that two draws differ), ``evenness`` Pielou's: Shannon over its
    largest value for this richness, None with fewer than two kinds.
    """

    individuals: int
    richness: int
    shannon: float | None
    effective: float | None
    simpson: float | None
    evenness: float | None


def community(counts: Sequence[int]) -> Community:
    """All measures of one sample; nothing counted gives richness 0 and no index.

    Shannon (1948), doi:10.1002/j.1538-7305.1948.tb01338.x; Simpson (1949), doi:10.1038/163688a0; Pielou (1966),
    doi:10.1016/0022-5193(66)90013-0; effective kinds: Hill (1973), doi:10.2307/1934352.

    >>> f"{community([10, 10]).shannon:.4f} {community([10, 10]).simpson:.2f}"
    '0.6931 0.50'
    """
    seen = _whole(counts)
    total = sum(seen)
    if total == 0:
        return Community(0, 0, None, None, None, None)
    shares = [x / total for x in seen]
    shannon = max(0.0, -math.fsum(p * math.log(p) for p in shares))
    simpson = max(0.0, 1 - math.fsum(p * p for p in shares))
    evenness = min(1.0, shannon / math.log(len(seen))) if len(seen) > 1 else None
    return Community(total, len(seen), shannon, math.exp(shannon), simpson, evenness)


def _whole(counts: Sequence[int]) -> list[int]:
    if any(x < 0 or x != int(x) for x in counts):
        raise ValueError(f"counts must be whole numbers of at least 0, got {list(counts)}")
    return [int(x) for x in counts if x > 0]


def rarefied_richness(counts: Sequence[int], individuals: int) -> tuple[float, float]:
    """Expected number of kinds, and its standard deviation, among so many individuals drawn from the sample.

    Exact, without replacement. The standard deviation is that of the drawing only.

    Hurlbert (1971), doi:10.2307/1934145; variance by Heck, van Belle & Simberloff (1975), doi:10.2307/1934716.

    Raises
    ------
    ValueError
        The sample has fewer individuals.
    """
    seen = _whole(counts)
    total = sum(seen)
    if not 0 <= individuals <= total:
        raise ValueError(f"{individuals} individuals asked for, {total} were counted: expected 0 to {total}")
    missed = _chances_to_miss(total, individuals, sum(sorted(seen)[-2:]))
    alone = [missed[x] for x in seen]
    variance = math.fsum(q * (1 - q) for q in alone)
    for i, x in enumerate(seen):
        for j in range(i):
            variance += 2 * (missed[x + seen[j]] - alone[i] * alone[j])
    return math.fsum(1 - q for q in alone), math.sqrt(max(0.0, variance))


def _chances_to_miss(total: int, drawn: int, most: int) -> np.ndarray:
    """Chance that none of `drawn` individuals is among 0, 1, ... `most` ones: C(total - k, drawn) / C(total, drawn).

    As a product, since binomials of ten thousand animals have thousands of digits.
    """
    import numpy as np

    others = np.arange(total, total - most, -1.0)  # individuals when one after another of these is set aside
    with np.errstate(divide="ignore"):
        return np.exp(np.cumsum(np.log1p(-np.minimum(1.0, drawn / np.append(np.inf, others)))))
