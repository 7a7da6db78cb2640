"""A group of sites: the mean over sites, each counting once, with the intervals of a site's transects between sites.

The sampling unit is the site. One site gives no interval, two or more give what as many transects of one site would:
`site_estimate` for cover, `gamma_mean` for density. Both take sites as a random sample of the group and independent.
Cover that is alike at all sites has none: what is rare is often absent from a few sites, and binomial limits on their
hundreds of points would then miss it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from digitise.estimate.cover import alike, site_estimate, variance_parts
from digitise.estimate.density import between_units, poisson_density, unit_words
from digitise.estimate.intervals import Estimate

ALIKE = "sites alike: no interval between them"


def group_cover(covers: Sequence[float], points: int, *, level: float = 0.95) -> Estimate:
    """Mean of the sites' covers, in percent; ``points`` are the legible ones of all these sites.

    Sites that agree to half a point of one, as where none was seen at any, give no interval; the note says so.

    >>> e = group_cover([20.0, 30.0, 40.0], 360)
    >>> f"{e.value:.1f} ({e.low:.1f} to {e.high:.1f}), {e.method}"
    '30.0 (5.2 to 54.8), t interval over sites'
    """
    if not covers:
        return _no_site("%", level)
    parts = variance_parts([c / 100 for c in covers], [0.0] * len(covers))
    if len(covers) > 1 and alike(parts, points):
        return Estimate(100 * parts.mean, None, None, len(covers), "mean over sites", "%", ALIKE, level=level)
    return _over_sites(site_estimate(parts, points, level=level))


def group_density(
    densities: Sequence[float], count: float, area_m2: float, *, per_m2: float = 100.0, level: float = 0.95
) -> Estimate:
    """Mean of the sites' densities, per ``per_m2``; ``count`` animals were seen on ``area_m2`` of all these sites.

    None seen at two sites or more gives the one-sided Poisson upper limit, which holds only for animals not in groups.
    """
    unit = unit_words(per_m2)
    if not densities:
        return _no_site(unit, level)
    parts = variance_parts(densities, [0.0] * len(densities))
    floor = poisson_density(count, area_m2, per_m2=per_m2, level=level, belts=len(densities))
    if count == 0 and len(densities) > 1:
        return floor
    return _over_sites(between_units(parts, floor, unit=unit, level=level, count=count))


def _no_site(unit: str, level: float) -> Estimate:
    return Estimate(None, None, None, 0, "", unit, note="no site has a value", level=level)


def _over_sites(e: Estimate) -> Estimate:
    method, note, scope = (text.replace("transect", "site") for text in (e.method, e.note, e.scope))
    return replace(e, method=method, note=note, scope=scope)
