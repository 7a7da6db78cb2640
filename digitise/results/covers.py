"""Percent cover of a survey's line sheets: categories, groups and totals, before, during and after review.

Two answers stand side by side. ``site`` rests on the points that are decided; unread ones shrink the denominator and
are bounded without assumptions. ``expected`` counts unread points with the probabilities of what they may say, and its
interval holds their doubt. When nothing is unread, both give the same value. Flagged points are not a random sample of
all points, so while many are unread, ``expected`` is the better answer as far as the probabilities can be trusted, and
the bounds are what holds without trusting them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from digitise.estimate.cover import CategoryCover, SiteCover, TransectPoints, site_cover, transect_cover
from digitise.estimate.reading_doubt import DoubtShares, ReadCover, ReadPoints, doubt_shares, read_cover
from digitise.sheets.protocol import CategorySpec, LineSheet
from digitise.surveys.survey import Survey, Transect

REST = "\0rest"  # no category's id: what is not of the group


@dataclass(frozen=True, slots=True)
class CoverLine:
    """Cover of one category, or of a group of categories: the site, and each transect by name.

    ``site`` rests on decided points, ``expected`` counts unread ones by their probabilities.
    """

    id: str
    label: str
    code: str
    group: str
    is_group: bool
    site: CategoryCover
    transects: tuple[tuple[str, CategoryCover], ...]
    expected: ReadCover

    @property
    def shares(self) -> DoubtShares | None:
        """How much of the expected cover's variance is sampling, unread and accepted cells; None when not known."""
        return doubt_shares(self.expected.parts)


@dataclass(frozen=True, slots=True)
class LineResult:
    """One line sheet: groups and categories in the protocol's order, and the points behind them."""

    sheet: str
    title: str
    groups: tuple[CoverLine, ...]
    categories: tuple[CoverLine, ...]
    points: tuple[TransectPoints, ...]
    site: SiteCover


def transect_points(transect: Transect, sheet: str, names: Mapping[str, str]) -> TransectPoints:
    """Points of one line, counted under the names that `names` gives each category.

    A point on a page nobody photographed counts as unread.
    """
    points = transect.points[sheet]
    counts = dict.fromkeys(names.values(), 0)
    for point in points:
        if point.category is not None:
            counts[names[point.category]] += 1
    states = Counter(p.state for p in points)
    return TransectPoints(
        transect.name,
        counts,
        sum(counts.values()),
        len(points),
        states["unread"] + states["missing"],
        states["illegible"],
        states["blank"],
    )


def read_points(transect: Transect, sheet: str, categories: Sequence[str]) -> ReadPoints:
    """Points of one line with what the undecided ones may be; those of which nothing is known are left out."""
    points = transect.points[sheet]
    settled = Counter(p.category for p in points if p.category is not None)
    doubtful = tuple(dict(p.chances) for p in points if p.chances)
    return ReadPoints(transect.name, doubtful, len(points), dict(settled), _slips(transect, sheet, categories))


def _slips(transect: Transect, sheet: str, categories: Sequence[str]) -> dict[str, float]:
    """Variance of each category's points from those accepted by rule: a misread one is any other category."""
    first, second = Counter(), Counter()
    for p in transect.points[sheet]:
        if p.category is not None and p.slip > 0:
            first[p.category] += p.slip
            second[p.category] += p.slip**2
    others = max(1, len(categories) - 1)
    all_first, all_second = sum(first.values()), sum(second.values())
    out = {}
    for c in categories:
        own = first[c] - second[c]
        gained = (all_first - first[c]) / others - (all_second - second[c]) / others**2
        if own + gained > 0:
            out[c] = own + gained
    return out


def line_result(survey: Survey, name: str, sheet: LineSheet, *, level: float) -> LineResult | None:
    """One line sheet's covers; None when no transect has the sheet."""
    used = [t for t in survey.transects if name in t.points]
    if not used:
        return None
    ids = [c.id for c in sheet.categories]
    points = tuple(transect_points(t, name, {i: i for i in ids}) for t in used)
    reads = tuple(read_points(t, name, ids) for t in used)
    site = site_cover(points, level=level)
    expected = read_cover(reads, ids, level=level)
    alone = [transect_cover(p) for p in points]
    categories = tuple(
        CoverLine(c.id, c.label, c.code, c.group or "", False, site.covers[i], _named(points, alone, i), expected[i])
        for i, c in enumerate(sheet.categories)
    )
    groups = tuple(
        _group(label, members, points, reads, level=level) for label, members in groups_of(sheet.categories).items()
    )
    return LineResult(name, sheet.title, groups, categories, points, site)


def groups_of(categories: Sequence[CategorySpec]) -> dict[str, tuple[str, ...]]:
    """Ids of the categories in each group and total of two or more, groups first, in the protocol's order."""
    named = [(c.group, c.id) for c in categories if c.group] + [(t, c.id) for c in categories for t in c.totals]
    found: dict[str, list[str]] = {}
    for label, member in named:
        found.setdefault(label, []).append(member)
    return {label: tuple(dict.fromkeys(m)) for label, m in found.items() if len(set(m)) > 1}


def _group(
    label: str, members: Collection[str], points: Sequence[TransectPoints], reads: Sequence[ReadPoints], *, level: float
) -> CoverLine:
    """Cover of several categories taken as one, with an interval of its own."""
    joined = [_joined(p, label, members) for p in points]
    read = [_joined_read(r, label, members) for r in reads]
    alone = [transect_cover(p) for p in joined]
    site = site_cover(joined, level=level).covers[0]
    expected = read_cover(read, (label, REST), level=level)[0]
    return CoverLine(label, label, "", label, True, site, _named(joined, alone, 0), expected)


def _joined(points: TransectPoints, label: str, members: Collection[str]) -> TransectPoints:
    own = sum(points.counts.get(m, 0) for m in members)
    return replace(points, counts={label: own, REST: points.legible - own})


def _joined_read(read: ReadPoints, label: str, members: Collection[str]) -> ReadPoints:
    settled = sum(read.settled.get(m, 0) for m in members)
    own = [min(1.0, sum(p.get(m, 0.0) for m in members)) for p in read.points]
    slip = sum(read.slips.get(m, 0.0) for m in members)  # an upper limit: slips between members cancel
    return ReadPoints(
        read.transect,
        tuple({label: p, REST: 1 - p} for p in own),
        read.planned,
        {label: settled, REST: sum(read.settled.values()) - settled},
        {label: slip} if slip else {},
    )


def _named(
    points: Sequence[TransectPoints], alone: Sequence[Sequence[CategoryCover]], i: int
) -> tuple[tuple[str, CategoryCover], ...]:
    return tuple((p.transect, covers[i]) for p, covers in zip(points, alone, strict=True))
