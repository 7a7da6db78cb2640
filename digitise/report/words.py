"""Sentences and short texts for the report, made from what was computed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from digitise.estimate.intervals import Estimate
from digitise.estimate.uneven import BETA, GAMMA
from digitise.provenance import Provenance
from digitise.results import DensityLine, ImpactLine
from digitise.sheets.protocol import BeltSheet, LineSheet, Protocol
from digitise.store.rows import KEYED
from digitise.surveys.roster import site_key
from digitise.wording import number, plural, thousands

if TYPE_CHECKING:
    from digitise.report.together import Steps, Together, Visit

COCHRAN = "Cochran 1977"
BETWEEN = "t interval over transects"
KORN = "Korn-Graubard over transects"


def count(value: float | None) -> str:
    """A count, whole where it is whole."""
    return "–" if value is None else f"{value:g}"


def span(e: Estimate) -> str:
    """An interval, "12.0 to 45.1"; a dash where there is none."""
    return f"{e.low:.1f} to {number(e.high)}" if e.has_interval else "–"


def with_span(e: Estimate) -> str:
    """A value and its interval, "20.1 (12.0 to 45.1)"; the value alone where there is none."""
    return f"{number(e.value)} ({span(e)})" if e.has_interval else number(e.value)


def one_sided(e: Estimate) -> bool:
    """Whether the estimate is an upper limit for none seen."""
    return e.value == 0 and "one-sided" in e.method


def status(visits: Sequence[Visit]) -> tuple[bool, str]:
    """(complete, one sentence) about what is still missing."""
    unread, cells, missing = (sum(getattr(v, k) for v in visits) for k in ("unread", "cells", "missing"))
    if not unread and not missing:
        return (True, f"Every one of {plural(cells, 'cell')} has been accepted or entered, and no sheet is missing.")
    parts = []
    if unread:
        parts.append(
            f"{thousands(unread)} of {plural(cells, 'cell')} still {'waits' if unread == 1 else 'wait'} for a person"
        )
    if missing:
        parts.append(
            f"{plural(missing, 'sheet or transect', 'sheets or transects')} "
            f"{'was' if missing == 1 else 'were'} not photographed"
        )
    return (False, f"{' and '.join(parts)}. What is not known is left out of the numbers, never counted as zero.")


def density_text(one: DensityLine) -> str:
    """The text beside a density's dot."""
    e = one.site.density
    if e.value is None:
        return "not known"
    if one_sided(e):
        return f"none seen (below {number(e.high)})"
    return f"{number(e.value)} ({span(e)})" if e.has_interval else f"{number(e.value)} (no interval)"


def cover_text(e: Estimate) -> str:
    """The text beside a cover's dot."""
    if e.value is None:
        return "not known"
    return f"{number(e.value)} % ({span(e)})" if e.has_interval else f"{number(e.value)} % (no interval)"


def methods(told: Together, origin: Provenance, *, audited: bool = False) -> list[str]:
    """What was done, a sentence or two for each step that ran, with its source."""
    steps, level = told.steps, f"{100 * told.level:g} %"
    return [
        *(_sampling(p) for p in told.protocols),
        _reading(told, origin),
        *_cover(steps, level),
        *_density(steps, level),
        *_occurrence(steps),
        *_doubt(steps),
        *_unknown(steps, audited=audited),
    ]


def _sampling(p: Protocol) -> str:
    text = f"Protocol {p.protocol} {p.version}: a {p.transect.length_m:g} m line"
    if any(isinstance(s, LineSheet) for s in p.sheets.values()):
        every, points = f"a point every {p.transect.point_spacing_m:g} m", f"{len(p.transect.points_m)} points a line"
        text += (
            f" with {every} along {p.transect.sampled} ({points})"
            if p.transect.segments
            else f" with {every} ({points})"
        )
    belts = {n: s for n, s in p.sheets.items() if isinstance(s, BeltSheet)}
    segments, area = p.belt.segments, sum(p.belt.area_m2(s) for s in p.belt.segments)
    if any(s.quadrats is None for s in belts.values()):
        text += f"; belts {p.belt.width_m:g} m wide, counted in {plural(len(segments), 'segment')}, {area:g} m² a belt"
    for name, sheet in belts.items():
        if sheet.quadrats is not None:
            parts = p.parts(name)
            text += f"; {sheet.title}: {plural(len(parts), 'frame')} of {parts[0].area_m2:g} m² along each line"
    return f"{text}. The sampling unit is the transect, not the point and not the animal."


def _reading(told: Together, origin: Provenance) -> str:
    _, cells, rule, person, unread, *_ = map(sum, zip(*told.sheets.values(), strict=True))
    basis = "; ".join(origin.acceptance_bases) or "not recorded"
    photos = told.read_photographs
    readers = ", ".join(v for v in origin.reader_versions if v != KEYED) or "none"
    return (
        f"{plural(photos, 'photograph')} {'was' if photos == 1 else 'were'} read by digitise {origin.tool_version} "
        f"(reader {readers}). {_keyed_words(told.steps.keyed_pages)}Each cell's reading has a calibrated probability "
        f"(pool-adjacent-violators, Ayer et al. 1955); readings above their kind's "
        f"threshold were accepted by rule, all others were put before a person. Of {plural(cells, 'cell')}, "
        f"{thousands(rule)} were accepted by rule, {thousands(person)} decided by a person, {thousands(unread)} are "
        f"unread. Basis of the thresholds: {basis.rstrip('.')}."
    )


def _keyed_words(sheets: int) -> str:
    if not sheets:
        return ""
    which = "1 sheet whose photograph" if sheets == 1 else f"{sheets} sheets whose photographs"
    return f"{which} could not be read {'was' if sheets == 1 else 'were'} keyed by a person from the photograph. "


def _cover(steps: Steps, level: str) -> list[str]:
    found, used = steps.covers, steps.estimators
    if not found.there:
        return []
    out = ["Percent cover of a transect is the share of its legible points."]
    if "mean of transects" in used:
        out.append("Site cover is the mean of its transects.")
    if "ratio of totals" in used:
        out.append(
            "Where a transect has fewer than 90 % of its points legible, site cover is the ratio of totals, "
            f"points of the category over legible points ({COCHRAN})."
        )
    if BETWEEN in found.methods:
        out.append(
            f"Cover from 20 to 80 % has Student's t interval between transects at {level}, cut at 0 and 100 % "
            f"({COCHRAN})."
        )
    if BETA in found.methods:
        out.append(
            f"Cover below 20 % or above 80 % on four transects or more has at {level} Jeffreys' binomial limits on the "
            "number of independent points that the transects are worth (Franco et al. 2019), with an allowance for few "
            "and uneven transects (Satterthwaite 1946)."
        )
    if KORN in found.methods:
        out.append(
            "Cover below 20 % or above 80 % on fewer than four transects, of no or every point, or alike on all "
            f"transects, has the Korn-Graubard interval between transects at {level}: exact binomial limits (Clopper & "
            "Pearson 1934) on the number of independent points that the transects are worth (Korn & Graubard 1998); "
            "where all transects agree, two points are taken to be worth one."
        )
    if found.alone:
        out.append("A site with one transect has no interval: one line says nothing of the spread between lines.")
    return [" ".join(out)]


def _density(steps: Steps, level: str) -> list[str]:
    found = steps.densities
    if not found.there:
        return []
    out = ["Density is total count over total area counted, per 100 m²."]
    if GAMMA in found.methods:
        out.append(
            f"Its interval is the gamma interval between transects at {level} (Fay & Feuer 1997): Jeffreys' Poisson "
            "limits (Brown et al. 2003) on the number of animals, met independently of each other, that the counts are "
            "worth by their spread between transects, with an allowance for few and uneven transects (Korn & Graubard "
            "1998, Satterthwaite 1946); never inside the exact limits of all animals counted (Garwood 1936). It leans "
            "upwards, since a few transects hold most of the animals; where all agree, they count as spread by chance."
        )
    if steps.none_seen:
        out.append(
            "None seen gives a one-sided upper limit at "
            f"{level} (Poisson; Hanley & Lippman-Hand 1983), which holds "
            "only for animals not in groups."
        )
    if found.alone:
        out.append("One transect gives no interval.")
    out.append(
        "Intervals of single transects, in density.csv, are exact Poisson (Garwood 1936): "
        "counting only, a floor for animals in groups. Counts are an index: nothing corrects for animals that "
        "were there and not seen."
    )
    return [" ".join(out)]


def tells_occurrence(lines: Sequence[DensityLine | ImpactLine]) -> bool:
    """Whether some line is known on two transects or more: a share of one transect tells nothing."""
    return any(one.occurrence.n > 1 for one in lines)


def surveys_of_sites(sites: Sequence[str | None]) -> str:
    """ "3 surveys of 2 sites", from each survey's site; one whose site is not entered is of no known site."""
    named = [site_key(site) for site in sites if site]
    rest = len(sites) - len(named)
    words = [f"{plural(len(named), 'survey')} of {plural(len(set(named)), 'site')}"] if named else []
    words += [f"{plural(rest, 'survey')} whose site is not entered"] if rest else []
    return " and ".join(words)


def _occurrence(steps: Steps) -> list[str]:
    """Occurrence, spread and diversity, where a belt was counted."""
    out = []
    if steps.occurs:
        out.append("Occurrence is the share of transects with at least one, with the score interval (Wilson 1927).")
    if steps.spread:
        out.append(
            "The spread of counts is their variance over their mean between transects counted in full, with the "
            "chi-square test of animals spread by chance."
        )
    if steps.seen:
        out.append(
            "Diversity of transects counted in full: Shannon 1948 (natural logarithm), Simpson 1949, evenness (Pielou "
            "1966), effective kinds (Hill 1973), and richness rarefied to the smallest survey (Hurlbert 1971)."
        )
    return [" ".join(out)] if out else []


def _doubt(steps: Steps) -> list[str]:
    """What unread cells add, where an interval holds it."""
    if not steps.doubted:
        return []
    text = (
        "Expected covers and densities count cells that nobody has decided by the probabilities of what they may say. "
        "Their variance is that between transects of the expected values, and twice the mean variance of reading over "
        "the number of transects (Rubin 1987, with imputations without end)."
    )
    return [text]


def _unknown(steps: Steps, *, audited: bool) -> list[str]:
    zero = (
        "A blank tally is a zero only where the sheet's none-seen box is ticked or a 0 is written; a count takes the "
        "strokes, and the written total where there are no legible strokes."
    )
    out = [zero]
    if steps.missing:
        out.append(
            f"{plural(steps.missing, 'point')} of {steps.planned} are unread, illegible or blank: they shrink the "
            "denominator, and the pale bands show where cover would lie if none or all of them were of the category, "
            "with nothing assumed."
        )
    out.append(
        "No interval here covers misreadings among accepted cells: how rare those are is what the thresholds and "
        "an audit of accepted cells are for."
    )
    if audited:
        out.append(
            "An audit draws cells at random, surer and less sure ones apart, and has them keyed again blind; its limit "
            "is one-sided, the sum of exact hypergeometric limits that share the risk (Bonferroni). Published error "
            "rates beside it are pooled (Garza et al. 2025)."
        )
    return [" ".join(out)]
