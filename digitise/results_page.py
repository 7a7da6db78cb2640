"""The results page: one self-contained HTML file that a scientist can read, print and check.

No script and nothing fetched; plots are SVG with text as text. Everything that came from a sheet or a file name is
escaped. While cells are unread the page says so at the top and shows what is known.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.cover import CategoryCover
from digitise.provenance import Provenance, provenance
from digitise.results import (
    PER_M2,
    DensityLine,
    ImpactLine,
    LineResult,
    SurveyResults,
    survey_results,
)
from digitise.results_figures import Plot, PlotRow, both_widths, is_square_root
from digitise.results_style import STYLE
from digitise.results_words import (
    count,
    cover_text,
    covers,
    density_text,
    methods,
    number,
    one_sided,
    plural,
    span,
    status,
)
from digitise.rows import PhotoRow
from digitise.survey import load_surveys

if TYPE_CHECKING:
    from digitise.store import Store

FACTS = ("date", "time", "number", "decimal")


def results_html(store: Store, *, now: datetime, packs: Sequence[str] | None = None, level: float = 0.95) -> str:
    """The page for these packs (every pack in the store when None).

    Raises
    ------
    ValueError
        No page of any pack has been read.
    """
    surveys = load_surveys(store, packs)
    if not surveys:
        raise ValueError(f"{store.folder}: no sheet has been read yet, so there are no results; add photographs first")
    results = [survey_results(s, level=level) for s in surveys]
    return page_html(results, store.photos(), provenance(surveys, now=now))


def write_results(store: Store, out: Path, *, now: datetime, packs: Sequence[str] | None = None) -> list[Path]:
    """Write ``results.html`` into the folder `out`, and the tables behind it as CSV; returns the paths.

    A path that ends in ``.html`` is the page itself, and the tables go beside it.
    """
    from digitise.export import write_tables

    page = out if out.suffix == ".html" else out / "results.html"
    html = results_html(store, now=now, packs=packs)
    page.parent.mkdir(parents=True, exist_ok=True)
    page.write_text(html, encoding="utf-8")
    return [page, *write_tables([survey_results(s) for s in load_surveys(store, packs)], page.parent)]


def page_html(results: Sequence[SurveyResults], photos: Sequence[PhotoRow], origin: Provenance) -> str:
    """The whole page. `photos` are all photographs of the store, refused ones too."""
    complete, sentence = status(results)
    word = "Complete" if complete else "Provisional"
    programme = results[0].survey.protocol.programme
    sections = "".join(_survey(r, i) for i, r in enumerate(results))
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Results: {escape(', '.join(r.name for r in results))}</title><style>{STYLE}</style></head><body>"
        f'<header><p class="programme">{escape(programme)}</p><h1>{_heading(results)}</h1>'
        f'<p class="status {"done" if complete else "open"}"><strong>{word}.</strong> {escape(sentence)}</p>'
        f"{_contents(results)}</header><main>{_comparison(results)}{sections}{_photographs(results, photos)}"
        f"{_methods(results, origin)}{_origin(origin)}</main></body></html>\n")


def _heading(results: Sequence[SurveyResults]) -> str:
    if len(results) == 1:
        return escape(results[0].name)
    return f"{len(results)} surveys"


def _contents(results: Sequence[SurveyResults]) -> str:
    if len(results) == 1:
        return ""
    links = "".join(f'<li><a href="#survey-{i}">{escape(r.name)}</a> {escape(r.survey.date or "no date yet")}</li>'
                    for i, r in enumerate(results))
    return f'<ul class="contents">{links}</ul>'


def _table(head: Sequence[str], rows: Iterable[tuple[str, Sequence[str]]], *, caption: str) -> str:
    """A table that scrolls by itself. Cells are HTML; each row comes with its class; the first column is a heading."""
    body = "".join(f'<tr class="{kind}"><th scope="row">{cells[0]}</th>{"".join(f"<td>{c}</td>" for c in cells[1:])}</tr>'
                   for kind, cells in rows)
    heads = "".join(f'<th scope="col">{h}</th>' for h in head)
    return (f'<div class="table"><table><caption>{caption}</caption><thead><tr>{heads}</tr></thead>'
            f"<tbody>{body}</tbody></table></div>")


# A survey

def _survey(r: SurveyResults, i: int) -> str:
    title = escape(r.name)
    own = [d for d in r.densities if not d.is_impact]
    sheets = dict.fromkeys(d.sheet for d in own)
    parts = [_facts(r), _findings(r)]
    parts += [_line(r, line) for line in r.lines]
    parts += [_belt(r, [d for d in own if d.sheet == sheet]) for sheet in sheets]
    parts += [_impacts(r), _quality(r)]
    return f'<section class="survey" id="survey-{i}"><h2>{title}</h2>{"".join(parts)}</section>'


def _facts(r: SurveyResults) -> str:
    """Pack, transects and the site sheet's own numbers; what is not entered yet is said to be."""
    survey = r.survey
    pairs = [("Pack", escape(survey.pack)), ("Transects", ", ".join(t.name for t in survey.transects) or "none")]
    for cell in survey.fields.values():
        if cell.kind in FACTS:
            pairs.append((escape(cell.label), _fact(cell.state, cell.value)))
    if survey.site is None:
        pairs.insert(0, ("Site", '<span class="not">not entered yet</span>'))
    return '<dl class="facts">' + "".join(f"<div><dt>{a}</dt><dd>{b}</dd></div>" for a, b in pairs) + "</dl>"


def _fact(state: str, value: object) -> str:
    if state == "entered":
        return escape(f"{value:g}" if isinstance(value, float) else str(value))
    return f'<span class="not">{state}</span>'


def _findings(r: SurveyResults) -> str:
    """What a person should know before using the numbers."""
    found = [(f"{name}", "not photographed") for name in r.survey.missing]
    found += [(f.where, f.text) for f in r.survey.findings]
    found += [(f"{line.title}", note) for line in r.lines for note in line.site.notes]
    if not found:
        return ""
    items = "".join(f"<li><strong>{escape(where)}</strong>: {escape(text)}.</li>" for where, text in found)
    return f'<div class="findings"><h3>Before you use these numbers</h3><ul>{items}</ul></div>'


# Substrate

def _line(r: SurveyResults, line: LineResult) -> str:
    level, many = f"{100 * r.level:g} %", len(line.site.transects)
    rows = [*line.groups, *line.categories]
    missing = sum(p.missing for p in line.points)
    plot = Plot(
        f"cover-{r.survey.pack}-{line.sheet}", f"Percent cover at {r.name}, with intervals between transects",
        "cover of the site, % of legible points", tuple(_cover_row(one.label, one.is_group, one.site,
                                                                   [c.cover.value for _, c in one.transects])
                                                        for one in rows), len(line.groups))
    legible = ", ".join(f"{p.transect} {p.legible} of {p.planned}" for p in line.points)
    lead = (f"<p>{plural(many, 'transect')}; legible points: {escape(legible)}. "
            f"{'Intervals cover differences between transects only.' if many > 1 else ONE}</p>")
    names = [p.transect for p in line.points]
    head = ["Cover", "Code", "Site, %", f"{level} interval", *(f"{n}, %" for n in names)]
    head += ["If missing points were none or all of it, %"] if missing else []
    body = []
    for one in rows:
        cells = [escape(one.label), escape(one.code), number(one.site.cover.value), span(one.site.cover),
                 *(number(c.cover.value) for _, c in one.transects)]
        cells += [f"{number(one.site.lowest)} to {number(one.site.highest)}"] if missing else []
        body.append(("group" if one.is_group else "", cells))
    caption = (f"Percent cover. {level} intervals cover differences between transects, not reading."
               if many > 1 else f"Percent cover. {ONE}")
    return (f"<h3>{escape(line.title)}: percent cover</h3>{lead}{_figure(plot, _cover_legend(many, missing, level))}"
            f"{_table(head, body, caption=caption)}")


ONE = "One transect: there is no between-transect uncertainty to show, so no interval is given."


def _cover_row(label: str, bold: bool, site: CategoryCover, singles: Sequence[float | None]) -> PlotRow:
    e = site.cover
    bounds = (site.lowest, site.highest) if site.highest - site.lowest > 0.05 else None
    return PlotRow(label, e.value, e.low, e.high, tuple(v for v in singles if v is not None), bounds, False, bold,
                   cover_text(e))


def _cover_legend(many: int, missing: int, level: str) -> str:
    parts = [KEY["site"] + (f"mean of {many} transects" if many > 1 else "the one transect")]
    if many > 1:
        parts += [KEY["interval"] + f"{level} interval between transects (not reading)", KEY["single"] + "single transects"]
    if missing:
        parts.append(KEY["band"] + f"if none or all of the {plural(missing, 'missing point')} were of the category")
    return "".join(f"<span>{p}</span>" for p in parts)


# Belts

def _belt(r: SurveyResults, lines: Sequence[DensityLine]) -> str:
    level, title = f"{100 * r.level:g} %", lines[0].title
    plot = Plot(f"density-{r.survey.pack}-{lines[0].sheet}", f"{title}, density at {r.name} with intervals",
                f"animals per {PER_M2:g} m²", tuple(_density_row(d) for d in lines))
    return (f"<h3>{escape(title)}: density</h3>{_belt_lead(lines)}"
            f"{_figure(plot, _density_legend(lines, level, square_root=is_square_root(plot)))}"
            f"{_density_table(lines, level, f'{title}: animals per {PER_M2:g} m².')}")


def _belt_lead(lines: Sequence[DensityLine]) -> str:
    area = max(d.site.area_m2 for d in lines)
    left = sum(1 for d in lines if d.site.left_out or d.site.partly_read)
    text = f"Up to {area:g} m² counted in {plural(len(lines[0].belts), 'belt')}."
    if left:
        text += f" {plural(left, 'row')} {'rests' if left == 1 else 'rest'} on less, because cells are unread, illegible or blank."
    return f"<p>{escape(text)}</p>"


def _density_row(d: DensityLine) -> PlotRow:
    e = d.site.density
    singles = tuple(x.value for _, x in d.belts if x.value is not None)
    return PlotRow(d.label, e.value, e.low, e.high, singles if not one_sided(e) else (), None, one_sided(e), False,
                   density_text(d))


def _density_legend(lines: Sequence[DensityLine], level: str, *, square_root: bool) -> str:
    estimates = [d.site.density for d in lines]
    between = [e for e in estimates if e.has_interval and not one_sided(e)]
    parts = [KEY["site"] + ("mean over belts" if len(lines[0].belts) > 1 else "the one belt")]
    if between:
        parts.append(KEY["interval"] + f"{level} interval between transects (not reading)")
    if len(lines[0].belts) > 1:
        parts.append(KEY["single"] + "single belts")
    if any(one_sided(e) for e in estimates):
        parts.append(KEY["none"] + f"none seen, and its {level} upper limit (counting only, if not in groups)")
    if square_root:
        parts.append("the axis is a square root, so that rare animals stay visible")
    return "".join(f"<span>{p}</span>" for p in parts)


def _density_table(lines: Sequence[DensityLine], level: str, caption: str) -> str:
    names = [b.transect for b, _ in lines[0].belts]
    head = ["Counted", f"Per {PER_M2:g} m²", f"{level} interval", "It covers", *(f"{n}, count" for n in names),
            "Area counted, m²"]
    body = []
    for d in lines:
        e = d.site.density
        interval = f"below {e.high:.1f}" if one_sided(e) else span(e)
        why = escape(covers(e)) if e.value is not None else "not known: " + escape("; ".join(w for _, w in d.site.left_out))
        body.append(("", [escape(d.label), number(e.value), interval, f'<span class="why">{why}</span>',
                          *(_belt_count(b) for b, _ in d.belts), f"{d.site.area_m2:g}"]))
    return _table(head, body, caption=escape(caption))


def _belt_count(belt) -> str:
    if belt.count is None:
        return f'<span class="not">{escape(belt.note)}</span>'
    note = f' <span class="not">({escape(belt.note)})</span>' if belt.note else ""
    return f"{count(belt.count)}{note}"


def _impacts(r: SurveyResults) -> str:
    """Counts of impacts, then percentages and ticks by segment."""
    counted = [d for d in r.densities if d.is_impact]
    if not counted and not r.impacts:
        return ""
    out = "<h3>Impacts</h3>"
    if counted:
        out += _density_table(counted, f"{100 * r.level:g} %", f"Impacts counted in the belt, per {PER_M2:g} m².")
    if r.impacts:
        places = [(t, s) for t, s, _, _ in r.impacts[0].values]
        out += _table(["Noted", *(f"{t}, {s.replace('-', '–')} m" for t, s in places)],
                      [("", [escape(i.label), *_noted(i, places)]) for i in r.impacts],
                      caption="Impacts noted in each belt segment, as written; no uncertainty is estimated.")
    return out


def _noted(line: ImpactLine, places: Sequence[tuple[str, str]]) -> list[str]:
    found = {(t, s): (value, state) for t, s, value, state in line.values}
    out = []
    for place in places:
        value, state = found.get(place, (None, "missing"))
        if state != "entered":
            out.append(f'<span class="not">{state}</span>')
        elif isinstance(value, bool):
            out.append("<strong>yes</strong>" if value else "no")
        else:
            out.append(f"{value} %")
    return out


# Comparison, quality, methods, origin

def _comparison(results: Sequence[SurveyResults]) -> str:
    """Headline covers of several surveys side by side."""
    headlines = dict.fromkeys(g.label for r in results for line in r.lines for g in line.groups)
    if len(results) < 2 or not headlines:
        return ""
    plots = ""
    for i, name in enumerate(headlines):
        found = [(r, g) for r in results for line in r.lines for g in line.groups if g.label == name]
        rows = tuple(_cover_row(f"{r.name}", False, g.site, [c.cover.value for _, c in g.transects]) for r, g in found)
        legend = KEY["site"] + "mean of transects", KEY["interval"] + "interval between transects (not reading)"
        plots += f"<h3>{escape(name)}</h3>" + _figure(
            Plot(f"compare-{i}", f"{name} by survey", "cover of the site, % of legible points", rows),
            "".join(f"<span>{x}</span>" for x in legend))
    return ('<section class="survey"><h2>Side by side</h2><p>Overlapping intervals are no test of change: sites differ, '
            f"and lines laid anew differ too.</p>{plots}</section>")


def _quality(r: SurveyResults) -> str:
    head = ["Sheet", "Photographs read", "Cells", "Accepted by rule", "Decided by a person", "Unread",
            "of these illegible", "of these blank"]
    rows = [("", [escape(q.title), *(str(v) for v in (q.photos, q.cells, q.by_rule, q.by_person, q.unread, q.illegible,
                                                      q.blank))]) for q in r.quality]
    sums = [sum(getattr(q, k) for q in r.quality) for k in
            ("photos", "cells", "by_rule", "by_person", "unread", "illegible", "blank")]
    rows.append(("group", ["All sheets", *(str(v) for v in sums)]))
    points = [p for line in r.lines for p in line.points]
    words = ""
    if points:
        words = (f"Substrate points: {sum(p.legible for p in points)} legible, {sum(p.unread for p in points)} unread, "
                 f"{sum(p.illegible for p in points)} illegible, {sum(p.blank for p in points)} blank.")
    return (f"<h3>Data quality</h3>{_bar(sums)}"
            f"{_table(head, rows, caption='Cells of the photographs that count. ' + words)}")


def _bar(sums: Sequence[int]) -> str:
    """Shares of cells by who decided, as one bar with patterns and numbers."""
    _, cells, rule, person, unread = sums[:5]
    parts = [("rule", rule, "accepted by rule"), ("person", person, "decided by a person"), ("unread", unread, "unread")]
    bar = "".join(f'<i class="{k}" style="flex:{n}"></i>' for k, n, _ in parts if n)
    keys = "".join(f'<span><i class="{k}"></i>{100 * n / cells:.1f} % {word} ({n})</span>' for k, n, word in parts if cells)
    return f'<div class="shares" aria-hidden="true">{bar}</div><p class="legend">{keys}</p>'


def _photographs(results: Sequence[SurveyResults], photos: Sequence[PhotoRow]) -> str:
    used = {p.sha256: p for r in results for p in r.survey.pages}
    refused = [p for p in photos if p.status in ("retake", "unreadable")]
    waiting = [p for p in photos if p.status == "waiting"]
    others = sum(p.status == "read" and p.sha256 not in used for p in photos)
    words = [f"{plural(len(photos), 'photograph')} kept", f"{len(used)} used here", f"{len(refused)} refused"]
    words += [f"{others} read but not used here (another photograph of the page counts, or it is of another pack)"] if others else []
    words += [f"{len(waiting)} not read yet"] if waiting else []
    out = f"<h2>Photographs</h2><p>{'; '.join(words)}.</p>"
    if refused:
        items = "".join(f"<li><strong>{escape(p.name)}</strong>: {escape(' '.join(p.reasons))}</li>" for p in refused)
        out += f"<h3>Refused</h3><ul>{items}</ul>"
    rows = [("", [escape(p.photo), escape(p.title), p.pack or "", f"T{p.transect}" if p.transect else "–",
                  f"{p.mean_confidence:.3f}", f"{p.residual_mm:.2f}" if p.residual_mm >= 0 else "–",
                  f'<code title="{p.sha256}">{p.sha256[:12]}…</code>'])
            for r in results for p in r.survey.pages]
    head = ["Photograph", "Sheet", "Pack", "Transect", "Mean confidence", "Flattening error, mm", "SHA-256"]
    table = _table(head, rows, caption="Photographs behind these numbers. The error is the 95th percentile distance of "
                   "printed corners held out of the fit.")
    return f'<section class="survey">{out}<details><summary>All photographs used</summary>{table}</details></section>'


def _methods(results: Sequence[SurveyResults], origin: Provenance) -> str:
    items = "".join(f"<p>{_linked(escape(text))}</p>" for text in methods(results, origin))
    return f'<section class="survey methods"><h2>Methods</h2>{items}</section>'


def _linked(text: str) -> str:
    """DOIs become links."""
    return re.sub(r"doi:(10\.[0-9]{4,9}/[^\s,;)]+[^\s,;).])", r'<a href="https://doi.org/\1">doi:\1</a>', text)


def _origin(origin: Provenance) -> str:
    pairs = [
        ("Made", origin.created_at), ("By", f"{origin.tool} {origin.tool_version}"),
        ("Reader", ", ".join(origin.reader_versions)),
        ("Protocol", "; ".join(f"{n} {v} ({d[:12]}…)" for n, v, d in origin.protocols)),
        ("Packs", ", ".join(origin.packs)), ("Photographs", str(len(origin.photo_sha256))),
        ("Data", f"{origin.digest[:16]}… (equal digests mean equal photographs and entries)")]
    rows = "".join(f"<div><dt>{a}</dt><dd>{escape(b)}</dd></div>" for a, b in pairs)
    return f'<section class="survey"><h2>Provenance</h2><dl class="facts">{rows}</dl></section>'


def _figure(plot: Plot, legend: str) -> str:
    return f'<figure>{both_widths(plot)}<figcaption class="legend">{legend}</figcaption></figure>'


_ICON = '<svg class="key" viewBox="0 0 34 14" aria-hidden="true">{}</svg>'
KEY = {
    "site": _ICON.format('<circle cx="17" cy="7" r="4.6" fill="#0b5d8c"/>'),
    "interval": _ICON.format('<path d="M3 7H31M3 2.5V11.5M31 2.5V11.5" stroke="#0b5d8c" stroke-width="2.2" fill="none"/>'),
    "single": _ICON.format('<circle cx="11" cy="7" r="3" fill="#fff" stroke="#5d6d76" stroke-width="1.3"/>'
                           '<circle cx="23" cy="7" r="3" fill="#fff" stroke="#5d6d76" stroke-width="1.3"/>'),
    "band": _ICON.format('<rect x="3" y="1.5" width="28" height="11" fill="#fbe7c2" stroke="#b57a12" '
                         'stroke-dasharray="3 2"/>'),
    "none": _ICON.format('<path d="M6 7H30" stroke="#5d6d76" stroke-width="1.8" stroke-dasharray="1.5 2"/>'
                         '<path d="M30 2.5V11.5" stroke="#5d6d76" stroke-width="1.8"/>'
                         '<path d="M6 2.6L10.4 7L6 11.4L1.6 7Z" fill="#fff" stroke="#5d6d76" stroke-width="1.5"/>'),
}
