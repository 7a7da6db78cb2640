"""Dot-and-interval plots as SVG text to put into a page. Matplotlib is imported only when one is drawn.

One row a category: a filled dot and a line with caps for the mean and its interval, open circles for single transects,
a pale dashed band for what missing points could do, a dotted line for a one-sided limit. Shape and line style carry the
meaning; colour only helps.
"""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO

INK, FAINT, SITE, BAND, BAND_EDGE, GRID = "#1d2b33", "#5d6d76", "#0b5d8c", "#fbe7c2", "#b57a12", "#dfe6ea"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"
SQUARE_ROOT_FROM = 8.0  # largest value over the median beyond which the axis is a square root


@dataclass(frozen=True, slots=True)
class PlotRow:
    """One row. `value` None draws `text` alone; `bounds` is the pale band; `one_sided` a limit for none seen."""

    label: str
    value: float | None
    low: float | None
    high: float | None
    singles: tuple[float, ...] = ()
    bounds: tuple[float, float] | None = None
    one_sided: bool = False
    bold: bool = False
    text: str = ""

    @property
    def alone(self) -> bool:
        """One transect and no interval: drawn hollow."""
        return self.value is not None and self.low is None and len(self.singles) <= 1


@dataclass(frozen=True, slots=True)
class Plot:
    """Rows with an axis. `gap_after` is the number of rows before a gap, 0 for none. Percentages end at 100."""

    name: str
    title: str
    axis: str
    rows: tuple[PlotRow, ...]
    gap_after: int = 0
    percent: bool = False


def is_square_root(plot: Plot) -> bool:
    """Whether the axis is a square root: one row would press the others against zero."""
    values = sorted(r.value for r in plot.rows if r.value)
    return not plot.percent and len(values) > 2 and values[-1] > SQUARE_ROOT_FROM * values[len(values) // 2]


def both_widths(plot: Plot) -> str:
    """The plot drawn for a desk and for a phone; the page's style shows one of them."""
    longest = max(len(r.label) for r in plot.rows)
    wide, narrow = min(210, 26 + 7.6 * longest), min(152, 18 + 7.0 * longest)
    return (
        f'<div class="wide">{draw(plot, width_px=860, label_px=wide, text_px=190)}</div>'
        f'<div class="narrow">{draw(plot, width_px=350, label_px=narrow, text_px=16)}</div>'
    )


def draw(plot: Plot, *, width_px: int, label_px: float, text_px: int) -> str:
    """SVG of a plot, `width_px` wide at its natural size, with room for labels at the left and values at the right.

    Values are written out only where `text_px` is more than 100.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    row_px, head_px, foot_px = 27, 6, 46
    places = [i + (0.55 if plot.gap_after and i >= plot.gap_after else 0.0) for i in range(len(plot.rows))]
    height_px = head_px + foot_px + row_px * (places[-1] + 1)
    style = {
        "svg.fonttype": "none",
        "svg.hashsalt": f"{plot.name}-{width_px}",
        "font.size": 13,
        "axes.linewidth": 0.8,
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans"],
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=(width_px / 72, height_px / 72), dpi=72)
        axes = figure.add_axes(
            (
                label_px / width_px,
                foot_px / height_px,
                (width_px - label_px - text_px) / width_px,
                (height_px - head_px - foot_px) / height_px,
            )
        )
        _frame(axes, plot, places, narrow=width_px < 500)
        for row, y in zip(plot.rows, places, strict=True):
            _row(axes, row, y, written=text_px > 100)
        out = StringIO()
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return _inline(out.getvalue(), plot, width_px)


def _limit(plot: Plot) -> float:
    ends = [v for r in plot.rows for v in (r.value, r.high, *(r.singles), *(r.bounds or ())) if v is not None]
    top = 1.06 * max(ends, default=1.0) or 1.0
    return min(top, 100.0) if plot.percent else top


def _frame(axes, plot: Plot, places: Sequence[float], *, narrow: bool) -> None:
    """Axis, grid and labels; rows run downwards."""
    from matplotlib.ticker import FixedLocator, MaxNLocator

    top = _limit(plot)
    if is_square_root(plot):
        axes.set_xscale("function", functions=(_root, _square))
        axes.xaxis.set_major_locator(FixedLocator(_root_ticks(top, 4 if narrow else 7)))
        axes.xaxis.set_minor_locator(FixedLocator([]))
    else:
        axes.xaxis.set_major_locator(MaxNLocator(4 if narrow else 8, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(lambda v, _: f"{v:g}")
    axes.set_xlim(0, top)
    axes.set_ylim(places[-1] + 0.5, -0.5)
    room = 20 if narrow else 25
    axes.set_yticks(
        list(places), [r.label if len(r.label) <= room else r.label[: room - 1].rstrip() + "…" for r in plot.rows]
    )
    for tick, row in zip(axes.get_yticklabels(), plot.rows, strict=True):
        tick.set_fontweight("bold" if row.bold else "normal")
    axes.tick_params(axis="y", length=0, pad=8 if narrow else 10, labelcolor=INK, labelsize=12 if narrow else 13)
    axes.tick_params(axis="x", length=0, pad=6, labelcolor=FAINT, labelsize=12)
    axes.grid(axis="x", color=GRID, linewidth=1)
    axes.set_axisbelow(True)
    axes.set_xlabel(plot.axis, color=FAINT, fontsize=12, labelpad=6)
    if narrow:  # under the whole figure: the axis alone is too short for its words
        figure = axes.get_figure()
        axes.xaxis.set_label_coords(0.5, 20 / (72 * figure.get_figheight()), transform=figure.transFigure)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color("#9aa8b0")


def _root(values):
    import numpy as np

    return np.sqrt(np.clip(values, 0, None))


def _square(values):
    import numpy as np

    return np.square(values)


def _root_ticks(top: float, most: int) -> list[float]:
    """Round numbers about evenly spaced on a square-root axis."""
    steps = [s * 10.0**e for e in range(-1, 5) for s in (1, 2, 5)]
    ticks = [0.0]
    for step in steps:
        if step <= top and step**0.5 - ticks[-1] ** 0.5 >= 0.9 * top**0.5 / most:
            ticks.append(step)
    return ticks


def _row(axes, row: PlotRow, y: float, *, written: bool) -> None:
    free = {"clip_on": False, "zorder": 4}
    if row.bounds is not None:
        low, high = row.bounds
        axes.barh(
            y,
            high - low,
            left=low,
            height=0.56,
            color=BAND,
            edgecolor=BAND_EDGE,
            linewidth=0.8,
            linestyle=(0, (3, 2)),
            zorder=2,
        )
    if row.value is not None and row.low is not None and row.high is not None:
        if row.one_sided:
            axes.plot([0, row.high], [y, y], color=FAINT, linewidth=1.6, linestyle=(0, (1, 1.6)), **free)
            axes.plot([row.high], [y], marker="|", color=FAINT, markersize=9, markeredgewidth=1.6, **free)
        else:
            axes.plot([row.low, row.high], [y, y], color=SITE, linewidth=2.4, solid_capstyle="butt", **free)
            axes.plot(
                [row.low, row.high],
                [y, y],
                linestyle="none",
                marker="|",
                color=SITE,
                markersize=9,
                markeredgewidth=1.8,
                **free,
            )
    if len(row.singles) > 1:
        axes.plot(
            row.singles,
            [y + 0.27] * len(row.singles),
            linestyle="none",
            marker="o",
            markersize=4.6,
            markerfacecolor="white",
            markeredgecolor=FAINT,
            markeredgewidth=1.1,
            clip_on=False,
            zorder=5,
        )
    if row.value is not None:
        axes.plot(
            [row.value],
            [y],
            marker="D" if row.one_sided else "o",
            markersize=6.5 if row.one_sided else 8,
            markerfacecolor="white" if row.one_sided or row.alone else SITE,
            markeredgecolor=FAINT if row.one_sided else SITE,
            markeredgewidth=1.8,
            clip_on=False,
            zorder=6,
        )
    if row.text and (written or row.value is None):
        where = (1.0, y) if written else (0.02, y)
        axes.text(
            *where,
            f"  {row.text}" if written else row.text,
            transform=axes.get_yaxis_transform(),
            va="center",
            ha="left",
            fontsize=12,
            color=INK if row.value is not None else FAINT,
            fontweight="bold" if row.bold else "normal",
            clip_on=False,
        )


def _inline(svg: str, plot: Plot, width_px: int) -> str:
    """SVG to stand in a page: no prologue, names for screen readers, the page's own typeface, ids of its own."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'<g id="[^"]*"', "<g", body)
    body = body.replace("'DejaVu Sans'", "inherit").replace("DejaVu Sans", "inherit")
    body = re.sub(
        r"font: (bold |)([0-9.]+px)[^;\"]*", lambda m: f"font: {m[1] or ''}{m[2]} {FONT}".replace('"', "'"), body
    )
    view = re.search(r'viewBox="[^"]*"', body)[0]
    name = html.escape(plot.title, quote=True)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {view} role="img" '
        f'aria-label="{name}" style="width:100%;max-width:{width_px}px">'
    )
    return re.sub(r"<svg[^>]*>", head, body, count=1)
