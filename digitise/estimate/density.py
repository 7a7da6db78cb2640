"""Density from belt counts: one belt and one site.

The sampling unit is the belt (transect), not the animal. A belt whose count could not be read is left out
and reported, never counted as zero; a belt read in part counts on the area that was read. Counts are an
index: nothing here corrects for animals that were there and not seen.

Areas are in square metres; densities are per ``per_m2`` square metres (100 by default, 10 000 for a hectare).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from digitise.estimate.cover import VarianceParts, ratio_values, variance_parts
from digitise.estimate.intervals import ONE_TRANSECT, Estimate, garwood, poisson_zero_upper
from digitise.estimate.uneven import gamma_mean

UNCLUSTERED = "Poisson floor, if unclustered"
NEARLY_NONE = 0.5  # animals expected in all


@dataclass(frozen=True, slots=True)
class BeltCount:
    """Animals of one taxon on one belt.

    ``count`` is the number read on ``area_m2`` (an expectation when read with probabilities, with reading
    variance ``variance``), or None when it is not known; ``note`` says why. ``area_m2`` is the swept area
    whose cells were read, ``planned_m2`` the swept area of the whole belt where that is larger.
    """

    transect: str
    count: float | None
    area_m2: float
    planned_m2: float | None = None
    variance: float = 0.0
    note: str = ""

    def __post_init__(self) -> None:
        if self.count is not None and not (self.count >= 0 and self.area_m2 > 0):
            raise ValueError(f"{self.transect}: a count needs a number of at least 0 and an area above 0")
        if self.variance < 0 or (self.planned_m2 is not None and self.planned_m2 < self.area_m2):
            raise ValueError(f"{self.transect}: the variance is negative or more was read than planned")

    @property
    def partly_read(self) -> bool:
        """Whether the count stands for less than the whole belt."""
        return self.count is not None and self.planned_m2 is not None and self.area_m2 < self.planned_m2


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a belt: its count, or None when unread or blank, and its swept area."""

    count: float | None
    area_m2: float
    variance: float = 0.0


@dataclass(frozen=True, slots=True)
class SiteDensity:
    """Density of one taxon at one site.

    ``density`` is the estimate with the between-transect interval, ``floor`` the Poisson interval of the
    pooled count, which is too narrow for animals in groups. ``count`` on ``area_m2`` is what both rest on.
    ``left_out`` names the belts without a count, with the reason; ``partly_read`` those read in part.
    ``parts`` holds the variance parts (per ``per_m2`` squared), None without any belt.
    """

    density: Estimate
    floor: Estimate
    count: float
    area_m2: float
    transects: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    partly_read: tuple[str, ...]
    parts: VarianceParts | None
    notes: tuple[str, ...] = ()


def belt_from_segments(transect: str, segments: Sequence[Segment], *, note: str = "") -> BeltCount:
    """Count and area of a belt over the segments that were read; no segment read gives a count of None.

    Takes unread segments to be like the read ones.
    """
    read = [s for s in segments if s.count is not None]
    planned = math.fsum(s.area_m2 for s in segments)
    if not read:
        return BeltCount(transect, None, 0.0, planned, note=note or "no part read")
    note = note or ("" if len(read) == len(segments) else f"{len(read)} of {len(segments)} segments read")
    count, variance = sum(s.count for s in read), math.fsum(s.variance for s in read)
    return BeltCount(transect, count, math.fsum(s.area_m2 for s in read), planned, variance, note)


def belt_from_pmf(transect: str, pmf: Mapping[int, float], area_m2: float) -> BeltCount:
    """A belt whose count was read with probabilities (sum 1): expectation and reading variance."""
    mean, variance = count_moments(pmf)
    return BeltCount(transect, mean, area_m2, variance=variance)


def count_moments(pmf: Mapping[int, float]) -> tuple[float, float]:
    """Expectation and variance of a count with these probabilities (sum 1)."""
    _check_pmf(pmf)
    mean = math.fsum(k * p for k, p in pmf.items())
    return mean, math.fsum((k - mean) ** 2 * p for k, p in pmf.items())


def _check_pmf(pmf: Mapping[int, float]) -> None:
    if min(pmf.values(), default=-1) < 0 or abs(math.fsum(pmf.values()) - 1) > 1e-6:
        raise ValueError(f"pmf: probabilities must be at least 0 and sum to 1, got {dict(pmf)}")
    if min(pmf) < 0:
        raise ValueError(f"pmf: counts must be at least 0, got {min(pmf)}")


def belt_density(belt: BeltCount, *, per_m2: float = 100.0, level: float = 0.95) -> Estimate:
    """Density of one belt with the exact Poisson interval, which holds only for animals not in groups.

    None seen gives a one-sided upper bound. A belt without a count gives an `Estimate` without numbers.
    ``se`` is that of reading alone.

    >>> e = belt_density(BeltCount("T1", 7, 40.0))
    >>> f"{e.value:.1f} ({e.low:.1f} to {e.high:.1f}) {e.unit}"
    '17.5 (7.0 to 36.1) per 100 m2'
    """
    unit = unit_words(per_m2)
    if belt.count is None:
        note = belt.note or "not read"
        return Estimate(None, None, None, 0, "Garwood exact Poisson", unit, note=note, level=level)
    estimate = poisson_density(belt.count, belt.area_m2, per_m2=per_m2, level=level)
    if not belt.variance and not belt.note:
        return estimate
    se = math.sqrt(belt.variance) * per_m2 / belt.area_m2 if belt.variance else None
    return replace(estimate, se=se, note="; ".join(filter(None, (estimate.note, belt.note))))


def unit_words(per_m2: float) -> str:
    """The unit of a density, such as "per 100 m2"."""
    return f"per {per_m2:g} m2"


@lru_cache(maxsize=4096)
def poisson_density(count: float, area_m2: float, *, per_m2: float, level: float, belts: int = 1) -> Estimate:
    """Density with its exact Poisson interval; none seen gives a one-sided upper bound, and a note."""
    counted = poisson_zero_upper(level=level) if count == 0 else garwood(count, level=level)
    estimate = counted.scaled(per_m2 / area_m2, unit_words(per_m2))
    note = ""
    if count == 0:
        bound = f"below {estimate.high:.3g} {estimate.unit}, {100 * level:g} %, if unclustered"
        note = f"none seen in {area_m2:g} m2 ({bound})"
    return replace(estimate, n=belts, note=note, scope=UNCLUSTERED)


def site_density(belts: Sequence[BeltCount], *, per_m2: float = 100.0, level: float = 0.95) -> SiteDensity:
    """Density of one taxon over the belts of a site, with the gamma interval between transects (`gamma_mean`).

    Total count over total area; with equal areas that is the mean of the belts. One belt gives no between-transect
    interval; belts that all agree give that of animals spread by chance. None seen on any belt gives a one-sided
    Poisson upper bound. Counts read with probabilities add their reading variance. Belts without a count are left out.

    Assumes belts are a random sample of the site and independent. Cochran (1977), Sampling Techniques, 3rd
    edition (from memory), for the mean and its variance.
    """
    used = [b for b in belts if b.count is not None]
    left_out = tuple((b.transect, b.note or "not read") for b in belts if b.count is None)
    partly = tuple(b.transect for b in used if b.partly_read)
    unit = unit_words(per_m2)
    if not used:
        nothing = Estimate(None, None, None, 0, "", unit, note="no transect read", level=level)
        return SiteDensity(nothing, nothing, 0.0, 0.0, (), left_out, partly, None)
    counts, areas = tuple(b.count for b in used), tuple(b.area_m2 for b in used)
    count, area = sum(counts), math.fsum(areas)
    floor = poisson_density(count, area, per_m2=per_m2, level=level, belts=len(used))
    parts = _site_parts(counts, areas, tuple(b.variance for b in used), per_m2=per_m2)
    density = floor if count == 0 else between_units(parts, floor, unit=unit, level=level, count=count)
    transects, notes = tuple(b.transect for b in used), _notes(used)
    return SiteDensity(density, floor, count, area, transects, left_out, partly, parts, notes)


def _site_parts(
    counts: tuple[float, ...], areas_m2: tuple[float, ...], variances: tuple[float, ...], *, per_m2: float
) -> VarianceParts:
    return variance_parts(*ratio_values(counts, [a / per_m2 for a in areas_m2], variances))


@lru_cache(maxsize=4096)  # counts are small: few sets of them are ever different
def between_units(parts: VarianceParts, floor: Estimate, *, unit: str, level: float, count: float) -> Estimate:
    """The interval between transects, or the value with the reason why there is none."""
    if parts.total is None:
        return Estimate(parts.mean, None, None, 1, "one transect", unit, ONE_TRANSECT, level=level)
    se = math.sqrt(parts.total)
    if count < NEARLY_NONE:  # as good as none seen: bounded as none is
        return replace(floor, se=se, note="nearly none: Poisson floor, if unclustered")
    scope = "between-transect and reading" if parts.read else "between-transect"
    sample = {"transects": parts.transects, "count": count, "level": level, "unit": unit, "scope": scope}
    return gamma_mean(parts.mean, parts.total, **sample)


def _notes(used: Sequence[BeltCount]) -> tuple[str, ...]:
    notes = [
        f"{b.transect}: {b.area_m2:g} of {b.planned_m2:g} m2 read, the rest taken to be alike"
        for b in used
        if b.partly_read
    ]
    whole = {b.planned_m2 or b.area_m2 for b in used}
    if max(whole) - min(whole) > 1e-9:
        notes.append("transects differ in swept area: total count over total area")
    return tuple(notes)
