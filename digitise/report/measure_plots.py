"""How well readings were measured to be, drawn: risk-coverage curves and reliability diagrams.

The look is that of the report's plots. A line or filled dot is what was seen, a pale band with dashed edges or a bar
with caps its 95 % interval, a diamond a share that was seen as nought, dotted lines are for comparison.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from digitise.adapt.evaluate import Judged, score
from digitise.adapt.measured import ReliabilityBin, RiskPoint, reliability, risk_coverage
from digitise.report.axes import root_ticks, ticks
from digitise.report.drawing import (
    BAND,
    BAND_EDGE,
    FAINT,
    GRID,
    INK,
    PAPER,
    RULE,
    SEA,
    Dot,
    Drawing,
    Item,
    Line,
    Shape,
    Words,
    box,
    diamond,
    moved,
)
from digitise.report.paint import width_of
from digitise.report.plots import KEYS, legend
from digitise.wording import plural, thousands

WIDE, TALL, HEAD = 700.0, 300.0, 28.0
# Fields wrong per 1,000 keyed: Paulsen, Overgaard & Lauritsen (2012), doi:10.1371/journal.pone.0035087.
KEYED = ((0.370, "single keying, published"), (0.046, "double keying, published"))
RISK_HEAD = ("cells of", "confidence at least", "accepted", "share accepted", "wrong", "wrong per 1000", "low", "high")
BIN_HEAD = ("cells", "mean confidence", "right", "share right", "low", "high")
SPAN = (
    "Readings of one confidence are accepted together, so a curve begins where all of the highest are; it ends where "
    "only cells are left that go to a person for a stated reason. Upright axis: square-root scale."
)
DOT = (1.2, 2.4)
FEWEST = 100  # cells of a kind that has a panel of its own

Scale = Callable[[float], float]


def figures(judged: Sequence[Judged]) -> list[tuple[Drawing, list[tuple]]]:
    """Every figure there are cells for: (drawing, rows of its CSV file, a heading first)."""
    if not any(j.kind != "text" for j in judged):
        return []
    return [f for f in (risk_figure(judged), risk_by_kind_figure(judged), reliability_figure(judged)) if f]


def risk_figure(judged: Sequence[Judged]) -> tuple[Drawing, list[tuple]]:
    """Wrong among accepted at each share accepted, all cells but free text; (drawing, rows of the CSV file)."""
    rows = [j for j in judged if j.kind != "text"]
    items, height = _risk_panel(rows, WIDE, TALL, "Share of cells accepted without a person (%)", keyed=True)
    keys = (
        ("curve", "wrong among accepted, and its 95 % interval"),
        ("operating", "where the thresholds stand (diamond: none wrong)"),
        ("dotted", "published error of keying by hand (Paulsen et al. 2012)"),
        ("", SPAN),
    )
    below, more = _legend(keys, WIDE)
    items += [moved(i, 0, height + 8) for i in below]
    title = f"Wrong among accepted cells, by the share accepted: {plural(len(rows), 'cell')} without free text"
    return _figure("risk-coverage", title, height + 8 + more, items), _risk_rows([("all but free text", rows)])


def risk_by_kind_figure(judged: Sequence[Judged]) -> tuple[Drawing, list[tuple]] | None:
    """The same for every kind of cell by itself, side by side; None where no kind has `FEWEST` cells."""
    kinds = sorted({j.kind for j in judged} - {"text"})
    parts = [(kind, [j for j in judged if j.kind == kind]) for kind in kinds]
    parts = [(kind, rows) for kind, rows in parts if len(rows) >= FEWEST and any(not j.doubtful for j in rows)]
    if not parts:
        return None
    gap, tall = 30.0, 210.0
    wide = (WIDE - gap) / 2
    items: list[Item] = []
    for i, (kind, rows) in enumerate(parts):
        panel, _ = _risk_panel(rows, wide, tall, "Share accepted (%)", keyed=False)
        dx, dy = (i % 2) * (wide + gap), (i // 2) * (tall + 34)
        name = f"{kind}, {plural(len(rows), 'cell')}"
        items += [moved(item, dx, dy + 20) for item in panel] + [Words(dx, dy + 10, name, 11, INK, bold=True)]
    foot = (tall + 34) * (-(-len(parts) // 2))
    keys = (
        ("curve", "wrong among accepted, and its 95 % interval"),
        ("operating", "where the thresholds stand (diamond: none wrong)"),
        ("", SPAN),
    )
    below, more = _legend(keys, WIDE)
    items += [moved(i, 0, foot + 4) for i in below]
    title = "Wrong among accepted cells, by the share accepted: each kind of cell"
    return _figure("risk-coverage-kinds", title, foot + 4 + more, items), _risk_rows(parts)


def reliability_figure(judged: Sequence[Judged]) -> tuple[Drawing, list[tuple]]:
    """Share right against stated confidence, all cells but free text; (drawing, rows of the CSV file)."""
    rows = [j for j in judged if j.kind != "text"]
    bins, found = reliability(rows), score(rows)
    left, right, head, foot = 62.0, 470.0, 10.0, 330.0
    top = _finest(bins)
    across, up = _certainty(top, left, right - 26), _certainty(top, foot, head + 26)
    items: list[Item] = []
    for places in range(int(top) + 1):
        share = 1 - 10.0**-places if places else 0.0
        words = f"{100 * share:.{max(0, places - 2)}f}"
        x, y = across(share), up(share)
        items += [Line(x, head, x, foot, GRID, 1), Line(left, y, right, y, GRID, 1)]
        items += [Words(x, foot + 14, words, 10, FAINT, "middle"), Words(left - 7, y + 3.5, words, 10, FAINT, "end")]
    items += [Words(left - 7, head + 3.5, "all right", 10, FAINT, "end"), Line(left, head, right, head, GRID, 1)]
    items += [Line(left, foot, right, foot, RULE, 0.8), Line(left, head, left, foot, RULE, 0.8)]
    items.append(Line(across(0), up(0), across(1 - 10.0**-top), up(1 - 10.0**-top), FAINT, 1.2, DOT))
    for one in bins:
        items += _bin_marks(one, across(one.stated), up, head)
    items += _axis_names("Stated confidence (%)", "Right (%)", (left, right, head, foot))
    items += _beside(right + 26, head + 14, found.cells, found.ece)
    keys = (
        ("interval-up", "share right in a bin, and its 95 % interval"),
        ("all-right", "none wrong in the bin"),
        ("dotted", "stated and seen the same"),
    )
    below, more = _legend(keys, WIDE)
    items += [moved(i, 0, foot + 42) for i in below]
    title = f"Stated confidence and share right: {plural(found.cells, 'cell')} without free text"
    data = [BIN_HEAD, *((b.cells, b.stated, b.right, b.seen, b.low, b.high) for b in bins)]
    return _figure("reliability", title, foot + 42 + more, items), data


def _figure(name: str, title: str, height: float, items: Sequence[Item]) -> Drawing:
    """The figure with its title above everything, since it stands alone as a file."""
    head = Words(0, 12, title, 12.5, INK, bold=True)
    return Drawing(name, title, WIDE, HEAD + height, (head, *(moved(i, 0, HEAD) for i in items)))


# Risk and coverage


def _risk_rows(parts: Sequence[tuple[str, Sequence[Judged]]]) -> list[tuple]:
    rows = [
        (name, p.confidence, p.cells, p.share, p.wrong, 1000 * p.rate, 1000 * p.low, 1000 * p.high)
        for name, judged in parts
        for p in risk_coverage(judged)
    ]
    return [RISK_HEAD, *rows]


def _risk_panel(
    rows: Sequence[Judged], width: float, height: float, axis: str, *, keyed: bool
) -> tuple[list[Item], float]:
    """One curve with its axes, the thresholds' point and, where `keyed`, published error rates."""
    points, now = risk_coverage(rows), score(rows)
    left, right, head, foot = 52.0, width - 14, 6.0, height - 40
    top = _risk_top(points)
    across: Scale = lambda share: left + (right - left) * share  # noqa: E731
    up: Scale = lambda rate: foot - (foot - head) * (min(1000 * rate, top) / top) ** 0.5  # noqa: E731
    items, lines = _curve(points, across, up)
    for value in root_ticks(top, 6 if keyed else 4):
        y = up(value / 1000)
        items += [Line(left, y, right, y, GRID, 1), Words(left - 7, y + 3.5, f"{value:g}", 10, FAINT, "end")]
    for value in ticks(100, 10 if keyed else 5):
        x = across(value / 100)
        items += [Line(x, foot, x, foot + 3, RULE, 0.8), Words(x, foot + 14, f"{value:g}", 10, FAINT, "middle")]
    items += lines
    for rate, words in KEYED if keyed else ():
        y = up(rate / 1000)
        items += [Line(left, y, right, y, FAINT, 1.2, DOT), *_tagged(left + 6, y - 3.5, f"{words}: {rate:g}")]
    items += [Line(left, foot, right, foot, RULE, 0.8)]
    if now.accepted:
        x = across(now.accepted_share)
        low, high = up(now.silent_low / 1000), up(now.silent_high / 1000)
        items += _bar(x, low, high, SEA)
        y = up(now.silent_per_1000 / 1000)
        items.append(diamond(x, y, 4.6, fill=PAPER, stroke=SEA, line_width=1.7) if now.silent == 0 else _filled(x, y))
    items += _axis_names(axis, "Wrong per 1,000 accepted", (left, right, head, foot))
    return items, height


def _risk_top(points: Sequence[RiskPoint]) -> float:
    """Wrong per 1,000 at the top of the axis: room for the curve and, beyond its first cells, for its band."""
    settled = [p for p in points if p.share >= 0.2] or list(points)
    highest = max((1000 * p.high for p in settled), default=1.0)
    return min(1000.0, max(1.0, 1.08 * highest, *(1000 * p.rate for p in points)))


def _curve(points: Sequence[RiskPoint], across: Scale, up: Scale) -> tuple[list[Item], list[Item]]:
    """(band, its edges and the line); a curve of one point is drawn from no share to its own."""
    if not points:
        return [], []
    places = [(p.share, p) for p in points] if len(points) > 1 else [(0.0, points[0]), (points[0].share, points[0])]
    lows, highs, mids = ([(across(x), up(getattr(p, n))) for x, p in places] for n in ("low", "high", "rate"))
    edges = _path(lows, BAND_EDGE, 0.7, (3, 2)) + _path(highs, BAND_EDGE, 0.7, (3, 2))
    return [Shape((*lows, *reversed(highs)), fill=BAND)], [*edges, *_path(mids, SEA, 2)]


def _path(points: Sequence[tuple[float, float]], color: str, width: float, dash: tuple[float, ...] = ()) -> list[Item]:
    return [Line(*a, *b, color, width, dash) for a, b in pairwise(points)]


def _filled(x: float, y: float) -> Item:
    return Dot(x, y, 4.2, SEA, PAPER, 1.2)


def _tagged(x: float, y: float, text: str) -> list[Item]:
    """Words that stay readable over a band."""
    return [box(x - 2, y - 8.5, width_of(text, 9) + 4, 11, fill=PAPER), Words(x, y, text, 9, FAINT)]


# Reliability


def _finest(bins: Sequence[ReliabilityBin]) -> float:
    """Decimal places of certainty at the end of both axes."""
    ends = [v for b in bins for v in (b.stated, b.high if b.right < b.cells else b.low)]
    return float(min(5, max(2, math.ceil(max((_places(v) for v in ends if v < 1), default=2)))))


def _places(share: float) -> float:
    return -math.log10(max(1 - share, 1e-9))


def _certainty(top: float, start: float, end: float) -> Scale:
    """A scale on which 0, 90, 99 and 99.9 % stand at equal distances."""
    return lambda share: start + (end - start) * min(_places(share), top) / top


def _bin_marks(one: ReliabilityBin, x: float, up: Scale, head: float) -> list[Item]:
    if one.right == one.cells:
        return [
            Line(x, up(one.low), x, head, FAINT, 1.4, (1.4, 2)),
            Line(x - 4, up(one.low), x + 4, up(one.low), FAINT, 1.4),
            diamond(x, head, 4.2, fill=PAPER, stroke=FAINT, line_width=1.4),
        ]
    return [*_bar(x, up(one.low), up(one.high), SEA), Dot(x, up(one.seen), 3.6, SEA, SEA, 1.6)]


def _beside(x: float, y: float, cells: int, ece: float) -> list[Item]:
    words = (
        (f"{thousands(cells)} cells in bins of equal size", False),
        ("(bins of one confidence are joined)", False),
        ("", False),
        (f"Calibration error (ECE): {ece:.4f}", True),
        ("mean distance of stated and seen", False),
        ("", False),
        ("Above the dotted line: readings are", False),
        ("right more often than they say.", False),
        ("Below it: less often.", False),
        ("", False),
        ("Each step along an axis is", False),
        ("one more nine.", False),
    )
    return [Words(x, y + 15 * i, w, 10, INK if b else FAINT, bold=b) for i, (w, b) in enumerate(words) if w]


# Shared


def _bar(x: float, low: float, high: float, color: str) -> list[Item]:
    return [Line(x, low, x, high, color, 2), *(Line(x - 4, y, x + 4, y, color, 1.6) for y in (low, high))]


def _axis_names(across: str, up: str, place: tuple[float, float, float, float]) -> list[Item]:
    left, right, head, foot = place
    return [
        Words((left + right) / 2, foot + 30, across, 10, FAINT, "middle"),
        Words(10, (head + foot) / 2, up, 10, FAINT, "middle", turn=90),
    ]


_OWN_KEYS: dict[str, tuple[Item, ...]] = {
    "curve": (
        box(3, -5, 24, 10, fill=BAND, stroke=BAND_EDGE, line_width=0.7, dash=(3, 2)),
        Line(3, 0, 27, 0, SEA, 2),
    ),
    "operating": (diamond(8, 0, 4.6, fill=PAPER, stroke=SEA, line_width=1.7), _filled(21, 0)),
    "dotted": (Line(3, 0, 27, 0, FAINT, 1.2, DOT),),
    "interval-up": (*_bar(15, -5, 5, SEA), Dot(15, 0, 3.0, SEA, SEA, 1.6)),
    "all-right": (diamond(15, 0, 4.2, fill=PAPER, stroke=FAINT, line_width=1.4),),
}


def _legend(keys: tuple[tuple[str, str], ...], width: float) -> tuple[list[Item], float]:
    return legend(keys, width, icons=KEYS | _OWN_KEYS)
