"""The parts of the results page that speak of one survey: headlines, plots, tables, and what is not known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from digitise.results.figures import Plot, PlotRow, both_widths, is_square_root
from digitise.results.results import PER_M2, CoverLine, DensityLine, ImpactLine, LineResult, SurveyResults
from digitise.results.words import count, cover_text, density_text, number, one_sided, plural, span

COVER_AXIS = "cover of the site, % of legible points"
FACTS = ("time", "number", "decimal", "code")
ONE = "One transect: there is no between-transect uncertainty to show, so no interval is given."


def date_words(r: SurveyResults) -> str:
    """The survey's date as HTML."""
    return escape(r.survey.date or "date not entered yet")


def survey_section(r: SurveyResults, i: int, *, named: bool) -> str:
    """Everything about one survey; `named` puts its name at the top."""
    own = [d for d in r.densities if not d.is_impact]
    sheets = dict.fromkeys(d.sheet for d in own)
    heading = f'<h2>{escape(r.name)} <span class="date">{date_words(r)}</span></h2>' if named else ""
    parts = [heading, _headlines(r), _facts(r), _findings(r)]
    parts += [_line(r, line) for line in r.lines]
    parts += [_belt(r, [d for d in own if d.sheet == sheet]) for sheet in sheets]
    parts += [_impacts(r), _quality(r)]
    return f'<section class="survey" id="survey-{i}">{"".join(parts)}</section>'


def _headlines(r: SurveyResults) -> str:
    """Groups of categories as large numbers, each with its interval and what that covers."""
    cards = ""
    for line in r.lines:
        for one in line.groups[:4]:
            e = one.site.cover
            if e.value is None:
                continue
            below = (
                f"{100 * e.level:g} % interval between transects: {span(e)} %"
                if e.has_interval
                else "one transect, so no interval"
            )
            cards += (
                f'<div class="card"><span>{escape(one.label)}</span><b>{number(e.value)} %</b>'
                f"<span>{below}</span></div>"
            )
    return f'<div class="cards">{cards}</div>' if cards else ""


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
        return escape(f"{value:.10g}" if isinstance(value, float) else str(value))
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
        f"cover-{r.survey.pack}-{line.sheet}",
        f"Percent cover at {r.name}, with intervals between transects",
        COVER_AXIS,
        tuple(cover_row(one.label, one.is_group, one) for one in rows),
        len(line.groups),
        percent=True,
    )
    legible = ", ".join(f"{p.transect} {p.legible} of {p.planned}" for p in line.points)
    lead = (
        f"<p>{plural(many, 'transect')}; legible points: {escape(legible)}. "
        f"{'Intervals cover differences between transects only.' if many > 1 else ONE}</p>"
    )
    names = [p.transect for p in line.points]
    head = ["Cover", "Code", "Site, %", f"{level} interval", *(f"{n}, %" for n in names)]
    head += ["If missing points were none or all of it, %"] if missing else []
    body = []
    for one in rows:
        cells = [
            escape(one.label),
            escape(one.code),
            number(one.site.cover.value),
            span(one.site.cover),
            *(number(c.cover.value) for _, c in one.transects),
        ]
        cells += [f"{number(one.site.lowest)} to {number(one.site.highest)}"] if missing else []
        body.append(("group" if one.is_group else "", cells))
    caption = (
        f"Percent cover. {level} intervals cover differences between transects, not reading."
        if many > 1
        else f"Percent cover. {ONE}"
    )
    return (
        f"<h3>{escape(line.title)}: percent cover</h3>{lead}{figure(plot, legend(plot, 'transects', level))}"
        f"{table(head, body, caption=caption)}"
    )


def cover_row(label: str, bold: bool, one: CoverLine) -> PlotRow:
    """A row of a cover plot."""
    e, low, high = one.site.cover, one.site.lowest, one.site.highest
    singles = tuple(c.cover.value for _, c in one.transects if c.cover.value is not None)
    return PlotRow(
        label, e.value, e.low, e.high, singles, (low, high) if high - low > 0.05 else None, False, bold, cover_text(e)
    )


def legend(plot: Plot, units: str, level: str) -> str:
    """Keys for what this plot shows, no others."""
    rows = [r for r in plot.rows if r.value is not None]
    between = any(r.low is not None and not r.one_sided for r in rows)
    parts = [
        (any(not r.alone and not r.one_sided for r in rows), "site", f"mean over {units}"),
        (between, "interval", f"{level} interval between transects (not reading)"),
        (any(len(r.singles) > 1 for r in rows), "single", f"single {units}"),
        (any(r.alone for r in rows), "alone", "one transect: no interval"),
        (any(r.bounds for r in rows), "band", "if none or all of the missing points were of the category"),
        (
            any(r.one_sided for r in rows),
            "none",
            f"none seen, and its {level} upper limit (counting only, if not in groups)",
        ),
        (is_square_root(plot), "", "the axis is a square root, so that rare animals stay visible"),
    ]
    return "".join(f"<span>{KEY[key]}{words}</span>" for shown, key, words in parts if shown)


# Belts


def _belt(r: SurveyResults, lines: Sequence[DensityLine]) -> str:
    level, title = f"{100 * r.level:g} %", lines[0].title
    plot = Plot(
        f"density-{r.survey.pack}-{lines[0].sheet}",
        f"{title}, density at {r.name} with intervals",
        f"animals per {PER_M2:g} m²",
        tuple(_density_row(d) for d in lines),
    )
    return (
        f"<h3>{escape(title)}: density</h3>{_belt_lead(lines)}"
        f"{figure(plot, legend(plot, 'belts', level))}"
        f"{_density_table(lines, level, f'{title}: animals per {PER_M2:g} m².')}"
    )


def _belt_lead(lines: Sequence[DensityLine]) -> str:
    area = max(d.site.area_m2 for d in lines)
    left = sum(1 for d in lines if d.site.left_out or d.site.partly_read)
    text = f"Up to {area:g} m² counted in {plural(len(lines[0].belts), 'belt')}."
    if left:
        rest = "rests" if left == 1 else "rest"
        text += f" {plural(left, 'row')} {rest} on less, because cells are unread, illegible, blank or missing."
    return f"<p>{escape(text)}</p>"


def _density_row(d: DensityLine) -> PlotRow:
    e = d.site.density
    singles = tuple(x.value for _, x in d.belts if x.value is not None)
    return PlotRow(
        d.label, e.value, e.low, e.high, singles if not one_sided(e) else (), None, one_sided(e), False, density_text(d)
    )


def _density_table(lines: Sequence[DensityLine], level: str, caption: str) -> str:
    names = [b.transect for b, _ in lines[0].belts]
    head = ["Counted", f"Per {PER_M2:g} m²", f"{level} interval", *(f"{n}, count" for n in names), "Area counted, m²"]
    body = []
    for d in lines:
        e = d.site.density
        interval = f"below {e.high:.1f}" if one_sided(e) else span(e)
        value = number(e.value) if e.value is not None else '<span class="not">not known</span>'
        body.append(
            ("", [escape(d.label), value, interval, *(_belt_count(b) for b, _ in d.belts), f"{d.site.area_m2:g}"])
        )
    return table(head, body, caption=f"{escape(caption)} {_interval_words(lines, level)}")


def _interval_words(lines: Sequence[DensityLine], level: str) -> str:
    """What the intervals of a density table cover, and what a count on part of a belt is."""
    estimates, words = [d.site.density for d in lines], []
    if any(d.site.partly_read for d in lines):
        words.append(
            "A count “in” a smaller area stands for the segments that are known; the rest is taken to be alike."
        )
    if any(e.has_interval and not one_sided(e) for e in estimates):
        words.append(f"{level} intervals cover differences between transects, not reading.")
    if any(one_sided(e) for e in estimates):
        words.append("“Below” is a one-sided limit for none seen: counting only, if animals are not in groups.")
    if any(e.value is not None and not e.has_interval for e in estimates):
        words.append("One belt, or belts that all agree, give no interval.")
    return " ".join(words)


def _belt_count(belt) -> str:
    if belt.count is None:
        return f'<span class="not">{escape(belt.note)}</span>'
    if not belt.partly_read:
        return count(belt.count)
    return (
        f'{count(belt.count)} <span class="not" title="{escape(belt.note, quote=True)}">in {belt.area_m2:g} m²</span>'
    )


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
        out += table(
            ["Noted", *(f"{t}, {s.replace('-', '–')}&nbsp;m" for t, s in places)],
            [("", [escape(i.label), *_noted(i, places)]) for i in r.impacts],
            caption="Impacts noted in each belt segment, as written; no uncertainty is estimated.",
        )
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


def _quality(r: SurveyResults) -> str:
    head = [
        "Sheet",
        "Photographs read",
        "Cells",
        "Accepted by rule",
        "Decided by a person",
        "Unread",
        "of these illegible",
        "of these blank",
    ]
    rows = [
        (
            "",
            [
                escape(q.title),
                *(str(v) for v in (q.photos, q.cells, q.by_rule, q.by_person, q.unread, q.illegible, q.blank)),
            ],
        )
        for q in r.quality
    ]
    sums = [
        sum(getattr(q, k) for q in r.quality)
        for k in ("photos", "cells", "by_rule", "by_person", "unread", "illegible", "blank")
    ]
    rows.append(("group", ["All sheets", *(str(v) for v in sums)]))
    points = [p for line in r.lines for p in line.points]
    words = ""
    if points:
        words = (
            f"Substrate points: {sum(p.legible for p in points)} legible, {sum(p.unread for p in points)} unread, "
            f"{sum(p.illegible for p in points)} illegible, {sum(p.blank for p in points)} blank."
        )
    return (
        f"<h3>Data quality</h3>{_bar(sums)}{table(head, rows, caption='Cells of the photographs that count. ' + words)}"
    )


def _bar(sums: Sequence[int]) -> str:
    """Shares of cells by who decided, as one bar with patterns and numbers."""
    _, cells, rule, person, unread = sums[:5]
    parts = [
        ("rule", rule, "accepted by rule"),
        ("person", person, "decided by a person"),
        ("unread", unread, "unread"),
    ]
    bar = "".join(f'<i class="{k}" style="flex:{n}"></i>' for k, n, _ in parts if n)
    keys = "".join(
        f'<span><i class="{k}"></i>{100 * n / cells:.1f} % {word} ({n})</span>' for k, n, word in parts if cells
    )
    return f'<div class="shares" aria-hidden="true">{bar}</div><p class="legend">{keys}</p>'


def table(head: Sequence[str], rows: Iterable[tuple[str, Sequence[str]]], *, caption: str) -> str:
    """A table that scrolls by itself. Cells are HTML; each row comes with its class; the first column is a heading."""
    body = "".join(
        f'<tr class="{kind}"><th scope="row">{cells[0]}</th>{"".join(f"<td>{c}</td>" for c in cells[1:])}</tr>'
        for kind, cells in rows
    )
    heads = "".join(f'<th scope="col">{h}</th>' for h in head)
    return (
        f'<p class="caption">{caption}</p><div class="table" tabindex="0" role="region" aria-label="Table">'
        f"<table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def figure(plot: Plot, keys: str) -> str:
    """A plot with its keys below."""
    return f'<figure>{both_widths(plot)}<figcaption class="legend">{keys}</figcaption></figure>'


_ICON = '<svg class="key" viewBox="0 0 34 14" aria-hidden="true">{}</svg>'
KEY = {
    "": "",
    "alone": _ICON.format('<circle cx="17" cy="7" r="4.4" fill="#fff" stroke="#0b5d8c" stroke-width="2"/>'),
    "site": _ICON.format('<circle cx="17" cy="7" r="4.6" fill="#0b5d8c"/>'),
    "interval": _ICON.format(
        '<path d="M3 7H31M3 2.5V11.5M31 2.5V11.5" stroke="#0b5d8c" stroke-width="2.2" fill="none"/>'
    ),
    "single": _ICON.format(
        '<circle cx="11" cy="7" r="3" fill="#fff" stroke="#5d6d76" stroke-width="1.3"/>'
        '<circle cx="23" cy="7" r="3" fill="#fff" stroke="#5d6d76" stroke-width="1.3"/>'
    ),
    "band": _ICON.format(
        '<rect x="3" y="1.5" width="28" height="11" fill="#fbe7c2" stroke="#b57a12" stroke-dasharray="3 2"/>'
    ),
    "none": _ICON.format(
        '<path d="M6 7H30" stroke="#5d6d76" stroke-width="1.8" stroke-dasharray="1.5 2"/>'
        '<path d="M30 2.5V11.5" stroke="#5d6d76" stroke-width="1.8"/>'
        '<path d="M6 2.6L10.4 7L6 11.4L1.6 7Z" fill="#fff" stroke="#5d6d76" stroke-width="1.5"/>'
    ),
}
