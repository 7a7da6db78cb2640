"""Where a survey's uncertainty comes from: transects, cells nobody has decided, cells accepted by rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from digitise.estimate.intervals import Estimate
from digitise.estimate.reading_doubt import DoubtShares
from digitise.report.blocks import Block, Cell, Figure, Heading, Paragraph, Table
from digitise.report.drawing import FAINT, INK, RULE, SEA, Drawing, Item, Words, box
from digitise.report.paint import shortened, width_of
from digitise.report.plots import NARROW, WIDE
from digitise.report.words import one_sided, with_span
from digitise.results import PER_M2, SurveyResults
from digitise.wording import number

MOST_COVERS, MOST_DENSITIES = 6, 6  # drawn
UNREAD, ACCEPTED = "#d08a12", "#eef3f5"  # dark, middle and light, so that greys tell them apart
KINDS = (
    (SEA, "sampling: transects differ"),
    (UNREAD, "cells nobody has decided"),
    (ACCEPTED, "cells accepted by rule that nobody has looked at"),
)
ROW, SIZE, BAR = 21.0, 10.5, 12.0


@dataclass(frozen=True, slots=True)
class _Line:
    """One variable: its unit, what decided cells say, what is expected with unread ones, and the shares."""

    label: str
    unit: str
    decided: Estimate
    expected: Estimate
    shares: DoubtShares | None
    bold: bool = False


def doubt_blocks(r: SurveyResults) -> list[Block]:
    """The heading, a figure of shares, and a table; empty when no variable has a known spread."""
    covers = [
        _Line(one.label, "%", one.site.cover, one.expected.site, one.shares, one.is_group)
        for line in r.lines
        for one in (*line.groups, *line.categories)
    ]
    belts = [
        _Line(d.label, f"per {PER_M2:g} m²", d.site.density, d.expected.density, d.shares)
        for d in r.densities
        if not d.is_impact
    ]
    known = [one for one in (*covers, *belts) if one.shares is not None]
    if not known:
        return []
    heading = Heading(2, "Where the uncertainty comes from")
    if not any(one.shares.unread for one in known):
        return [heading, Paragraph(_only_sampling(r, known))]
    drawn = _chosen([c for c in covers if c.shares], [d for d in belts if d.shares])
    blocks: list[Block] = [heading, Paragraph(_lead(known)), _figure(r, drawn)]
    touched = [one for one in (*covers, *belts) if one.expected.value is not None and _unread(one)]
    return [*blocks, _table(r, touched)]


def _only_sampling(r: SurveyResults, known: Sequence[_Line]) -> str:
    accepted = max(one.shares.accepted for one in known)
    share = "less than 1 %" if accepted < 0.01 else f"up to {100 * accepted:.0f} %"
    waits = "No cell waits for a person"
    if r.survey.unread:
        waits = "The cells that wait for a person have no reading to count by, or do not bear on these numbers"
    return (
        f"{waits}, so the variance of these numbers comes from differences between transects; cells "
        f"accepted by rule that nobody has looked at make {share} of it. Only more transects make intervals shorter."
    )


def _unread(one: _Line) -> bool:
    """Whether unread cells change the value, its interval or its shares."""
    if one.shares is not None and one.shares.unread > 0:
        return True
    pairs = [(getattr(one.expected, k), getattr(one.decided, k)) for k in ("value", "low", "high")]
    return any((a is None) != (b is None) or (a is not None and abs(a - b) > 1e-9) for a, b in pairs)


def _chosen(covers: Sequence[_Line], belts: Sequence[_Line]) -> list[_Line]:
    """Groups, then the numbers that unread cells touch most, then the animals counted most; each in its own order."""

    def weight(one: _Line) -> tuple:
        return not one.bold, -round(one.shares.unread, 2), -(one.expected.value or 0.0)

    first = [sorted(lines, key=weight)[:most] for lines, most in ((covers, MOST_COVERS), (belts, MOST_DENSITIES))]
    return [one for lines, kept in zip((covers, belts), first, strict=True) for one in lines if one in kept]


def _lead(known: Sequence[_Line]) -> str:
    unread = max(one.shares.unread for one in known)
    return (
        "Each bar is the whole variance of one number. The part that comes from differences between transects shrinks "
        "only with more transects; the rest shrinks when somebody looks at the cells. "
        f"Unread cells make up to {100 * unread:.0f} % here. “Expected” counts them by the probabilities of what "
        "they may say, with an interval that holds their doubt; “decided” leaves them out."
    )


def _figure(r: SurveyResults, lines: Sequence[_Line]) -> Figure:
    name = f"shares-{r.survey.pack}"
    title = f"Where the uncertainty of numbers of {r.name} comes from: " + "; ".join(
        f"{one.label} {_shown(one.shares)}" for one in lines
    )
    head = ("label", "unit", "share_sampling", "share_unread", "share_accepted")
    data = tuple((one.label, one.unit, one.shares.sampling, one.shares.unread, one.shares.accepted) for one in lines)
    wide, narrow = (_bars(lines, width, name, title) for width in (WIDE, NARROW))
    return Figure(wide, narrow, "", (head, *data))


def _shown(s: DoubtShares) -> str:
    return " / ".join(_percent(v) for v in (s.sampling, s.unread, s.accepted)) + " %"


def _percent(share: float) -> str:
    """A share in whole percent; what rounds to nothing but is something is said to be below one."""
    return "< 1" if 0 < share < 0.005 else f"{100 * share:.0f}"


def _bars(lines: Sequence[_Line], width: float, name: str, title: str) -> Drawing:
    longest = max(width_of(one.label, SIZE, bold=one.bold) for one in lines)
    left = min(longest + 12, 0.36 * width)
    right = width - max(width_of(_shown(one.shares), 9.5) for one in lines) - 10
    items: list[Item] = []
    for i, one in enumerate(lines):
        y = 4 + ROW * i
        label = shortened(one.label, SIZE, left - 10, bold=one.bold)
        items.append(Words(left - 8, y + 10, label, SIZE, INK, "end", one.bold))
        items.append(Words(right + 10, y + 10, _shown(one.shares), 9.5, FAINT))
        x = left
        parts = zip(KINDS, (one.shares.sampling, one.shares.unread, one.shares.accepted), strict=True)
        for (color, _), share in parts:
            wide = (right - left) * share
            if wide > 0.3:
                items.append(box(x, y, wide, BAR, fill=color))
            x += wide
        items.append(box(left, y, right - left, BAR, stroke=RULE, line_width=0.7))
    x, y = 0.0, 4 + ROW * len(lines) + 14
    for color, words in KINDS:
        wide = 18 + width_of(words, 9.5)
        if x and x + wide > width:
            x, y = 0.0, y + 15
        items += [box(x, y - 8, 11, 9, fill=color, stroke=RULE, line_width=0.7), Words(x + 17, y, words, 9.5, FAINT)]
        x += wide + 16
    return Drawing(name, title, width, y + 6, tuple(items))


def _table(r: SurveyResults, lines: Sequence[_Line]) -> Table:
    head = ("Number", "Unit", "Decided", "Expected", "Sampling, %", "Unread, %", "Accepted, %")
    rows = []
    for one in lines:
        cells: list[Cell] = [one.label, one.unit, _with_interval(one.decided), _with_interval(one.expected)]
        s = one.shares
        cells += ["–"] * 3 if s is None else [_percent(v) for v in (s.sampling, s.unread, s.accepted)]
        rows.append(("group" if one.bold else "", tuple(cells)))
    caption = (
        f"Numbers that unread cells touch, with {100 * r.level:g} % intervals, and the shares of their variance: "
        "differences between transects, cells nobody has decided, and cells accepted by rule by their probability of "
        "being misread (already inside the spread between transects). A dash: the spread is not known."
    )
    return Table(head, tuple(rows), caption, words=(0, 1))


def _with_interval(e: Estimate) -> str:
    if one_sided(e):
        return f"0.0 (below {number(e.high)})"
    return with_span(e)
