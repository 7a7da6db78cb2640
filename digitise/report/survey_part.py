"""The part about one survey: headlines, what to know first, cover, density, impacts."""

from __future__ import annotations

from collections.abc import Sequence

from digitise.estimate.uneven import FEW_UNITS, GAMMA
from digitise.report.blocks import Block, Cards, Cell, Facts, Figure, Findings, Heading, Paragraph, Part, Table, Text
from digitise.report.doubt_part import doubt_blocks
from digitise.report.occurrence_part import NOTED, SEEN, noted_cells, noted_words, seen_cells, seen_words
from digitise.report.plots import NARROW, Plot, PlotRow, draw, is_square_root
from digitise.report.wide import MOST_PLACES, in_two
from digitise.report.words import count, cover_text, density_text, one_sided, span, tells_occurrence
from digitise.results import PER_M2, CoverLine, DensityLine, ImpactLine, LineResult, SurveyResults
from digitise.sheets.protocol import BeltSheet
from digitise.surveys.places import place_of, why_no_place
from digitise.surveys.roster import site_key
from digitise.wording import number, plural

COVER_AXIS = "cover of the site, % of legible points"
FACTS = ("time", "number", "decimal", "code")
PLACE = ("latitude", "longitude", "north-south", "east-west")
ONE = "One transect: there is no between-transect uncertainty to show, so no interval is given."
NONE = "No point is legible, so no cover is known."
NOT_TWO = "Fewer than two transects are known in every segment, so no interval is given."


def survey_part(r: SurveyResults, *, named: bool) -> Part:
    """Everything about one survey; `named` puts its name at the top, where there are others."""
    own = [d for d in r.densities if not d.is_impact]
    sheets = dict.fromkeys(d.sheet for d in own)
    title, aside = (r.name, date_words(r)) if named else ("Results", "")
    blocks: list[Block] = [Heading(1, title, anchor(r), aside)]
    blocks += [*_headlines(r), _facts(r), *_findings(r)]
    for line in r.lines:
        blocks += _line(r, line)
    for sheet in sheets:
        blocks += _belt(r, [d for d in own if d.sheet == sheet])
    blocks += _impacts(r)
    blocks += doubt_blocks(r)
    return Part(tuple(blocks), anchor(r), new_page=named)


def anchor(r: SurveyResults) -> str:
    """Where in the report a survey begins."""
    return f"survey-{r.survey.pack}"


def names_of(results: Sequence[SurveyResults]) -> list[str]:
    """Each survey's words in a list of contents: site and date, and its pack where others have the same."""
    words = [f"{r.name}, {date_words(r)}" for r in results]
    keys = [site_key(one) for one in words]
    return [
        f"{one}, pack {r.survey.pack}" if r.survey.site and keys.count(key) > 1 else one
        for r, one, key in zip(results, words, keys, strict=True)
    ]


def date_words(r: SurveyResults) -> str:
    """The survey's date, or that it is not entered."""
    return r.survey.date or "date not entered yet"


def _headlines(r: SurveyResults) -> list[Block]:
    """Groups of categories as large numbers, each with its interval and what that covers."""
    cards = []
    for line in r.lines:
        for one in line.groups[:4]:
            e = one.site.cover
            if e.value is not None:
                below = (
                    f"{span(e)} %, {100 * e.level:g} % interval between transects"
                    if e.has_interval
                    else "one transect, so no interval"
                )
                cards.append((one.label, f"{number(e.value)} %", below))
    return [Cards(tuple(cards))] if cards else []


def _facts(r: SurveyResults) -> Facts:
    """Pack, transects and the site sheet's own numbers; what is not entered yet is said to be."""
    survey, place = r.survey, place_of(r.survey)
    site: list[tuple[str, Cell]] = [("Site", Text("not entered yet", "not"))] if survey.site is None else []
    facts = [*site, ("Pack", survey.pack), ("Transects", ", ".join(t.name for t in survey.transects) or "none")]
    facts.append(("Position", place.words if place else Text(f"not known: {why_no_place(survey)}", "not")))
    for name, cell in survey.fields.items():
        if cell.kind in FACTS and name.rpartition("/")[2] not in PLACE:
            facts.append((cell.label, _fact(cell.state, cell.value)))
    ticks = [c for c in survey.fields.values() if c.kind == "tick"]
    if ticks:
        said = [c.label.lower() for c in ticks if c.state == "entered" and c.value is True]
        unknown = [c.label.lower() for c in ticks if c.state == "unread"]
        words = ", ".join(said) or "none"
        facts.append(("Ticked", words + (f" (unread: {', '.join(unknown)})" if unknown else "")))
    return Facts(tuple(facts))


def _fact(state: str, value: object) -> Cell:
    if state == "entered":
        return f"{value:.10g}" if isinstance(value, float) else str(value)
    return Text(state, "not")


def _findings(r: SurveyResults) -> list[Block]:
    """What a person should know before using the numbers."""
    found = [(name, "not photographed") for name in r.survey.missing]
    found += [(f.where, f.text) for f in r.survey.findings]
    found += [(line.title, note) for line in r.lines for note in line.site.notes]
    return [Findings("Before you use these numbers", tuple(found))] if found else []


# Substrate


def _line(r: SurveyResults, line: LineResult) -> list[Block]:
    level, many = f"{100 * r.level:g} %", len(line.site.transects)
    rows = [*line.groups, *line.categories]
    legible = ", ".join(f"{p.transect} {p.legible} of {p.planned}" for p in line.points)
    covers = _interval_of(many, "Intervals cover differences between transects only.")
    plot = with_keys(
        Plot(
            f"cover-{r.survey.pack}-{line.sheet}",
            f"Percent cover at {r.name}, with intervals between transects",
            COVER_AXIS,
            tuple(cover_row(one.label, one.is_group, one) for one in rows),
            len(line.groups),
            percent=True,
        ),
        "transects",
        level,
    )
    return [
        Heading(2, f"{line.title}: percent cover"),
        Paragraph(f"{plural(many, 'transect')}; legible points: {legible}. {covers}"),
        figure(plot),
        *_cover_tables(line, rows, level),
    ]


def _cover_tables(line: LineResult, rows: Sequence[CoverLine], level: str) -> list[Table]:
    missing, names = sum(p.missing for p in line.points), [p.transect for p in line.points]
    head = ["Cover", "Code", "Site, %", f"{level} interval", *(f"{n}, %" for n in names)]
    head += ["If missing points were none or all of it, %"] if missing else []
    body = []
    for one in rows:
        cells = [one.label, one.code, number(one.site.cover.value), span(one.site.cover)]
        cells += [number(c.cover.value) for _, c in one.transects]
        cells += [f"{number(one.site.lowest)} to {number(one.site.highest)}"] if missing else []
        body.append(("group" if one.is_group else "", tuple(cells)))
    between = f"{level} intervals cover differences between transects, not reading."
    words = _interval_of(len(line.site.transects), between)
    whole = Table(tuple(head), tuple(body), f"Percent cover. {words}", words=(0, 1))
    return in_two(whole, 4, len(names), "Percent cover of single transects.")


def _interval_of(transects: int, between: str) -> str:
    """What intervals of so many transects cover: in words `between` them, or why there are none."""
    return between if transects > 1 else ONE if transects else NONE


def cover_row(label: str, bold: bool, one: CoverLine) -> PlotRow:
    """A row of a cover plot."""
    e, low, high = one.site.cover, one.site.lowest, one.site.highest
    singles = tuple(c.cover.value for _, c in one.transects if c.cover.value is not None)
    bounds = (low, high) if high - low > 0.05 else None
    return PlotRow(label, e.value, e.low, e.high, singles, bounds, False, bold, cover_text(e))


def figure(plot: Plot) -> Figure:
    """A plot for both widths, with the numbers behind it."""
    head = ("label", "value", "low", "high", "single_transects", "lowest", "highest", "one_sided")
    rows = tuple(
        (
            r.label,
            r.value,
            r.low,
            r.high,
            " ".join(f"{v:.10g}" for v in r.singles),
            *(r.bounds or (None, None)),
            r.one_sided,
        )
        for r in plot.rows
    )
    return Figure(draw(plot), draw(plot, NARROW), data=(head, *rows))


def _many(rows: Sequence[PlotRow], units: str) -> str:
    """Over how many the values of the rows are: "3 transects", "2 to 3 transects"."""
    found = sorted({len(r.singles) for r in rows if len(r.singles) > 1})
    return " ".join([*([" to ".join(str(n) for n in dict.fromkeys((found[0], found[-1])))] if found else []), units])


def with_keys(
    plot: Plot, units: str, level: str, *, sampled: str = "transect", words: str = "mean over {many}"
) -> Plot:
    """The plot with keys for what it shows, and no others; `words` say what a dot is, over how `many` of the units."""
    rows = [r for r in plot.rows if r.value is not None]
    between = any(r.low is not None and not r.one_sided for r in rows)
    parts = (
        (any(not r.alone and not r.one_sided for r in rows), "site", words.format(many=_many(rows, units))),
        (between, "interval", f"{level} interval between {sampled}s (not reading)"),
        (any(len(r.singles) > 1 for r in rows), "single", f"single {units}"),
        (any(r.alone for r in rows), "alone", f"one {sampled}: no interval"),
        (any(r.bounds for r in rows), "band", "if none or all of the missing points were of the category"),
        (
            any(r.one_sided for r in rows),
            "none",
            f"none seen, and its {level} upper limit (counting only, if not in groups)",
        ),
        (is_square_root(plot), "", "the axis is a square root, so that rare animals stay visible"),
    )
    keys = tuple((key, words) for shown, key, words in parts if shown)
    return Plot(plot.name, plot.title, plot.axis, plot.rows, plot.gap_after, plot.percent, keys)


# Belts


def _belt(r: SurveyResults, lines: Sequence[DensityLine]) -> list[Block]:
    level, title = f"{100 * r.level:g} %", lines[0].title
    plot = with_keys(
        Plot(
            f"density-{r.survey.pack}-{lines[0].sheet}",
            f"{title}, density at {r.name} with intervals",
            f"animals per {PER_M2:g} m²",
            tuple(_density_row(d) for d in lines),
        ),
        "transects",
        level,
        words="{many} together: all counted, over all their area",
    )
    return [
        Heading(2, f"{title}: density"),
        Paragraph(_belt_lead(r, lines)),
        figure(plot),
        *_density_tables(lines, level, f"{title}: animals per {PER_M2:g} m²."),
    ]


def _frames(r: SurveyResults, sheet: str) -> int:
    """In how many frames a sheet counts along each line; none where it counts in a belt."""
    spec = r.survey.protocol.sheets[sheet]
    return spec.quadrats.count if isinstance(spec, BeltSheet) and spec.quadrats else 0


def _belt_lead(r: SurveyResults, lines: Sequence[DensityLine]) -> str:
    area, many = max(d.site.area_m2 for d in lines), plural(len(lines[0].belts), "transect")
    planned = len(lines[0].belts) * sum(part.area_m2 for part in r.survey.protocol.parts(lines[0].sheet))
    less = sum(d.site.area_m2 < area for d in lines)
    if not area:
        return f"No count on {many} is known, because cells are unread, illegible, blank or missing."
    frames, of = _frames(r, lines[0].sheet), f" of {planned:g}" if area < planned else ""
    text = f"Up to {area:g}{of} m² counted on {many}" + (f", in {plural(frames, 'frame')} on each" if frames else "")
    if less:
        text += f"; {plural(less, 'row')} {'rests' if less == 1 else 'rest'} on less"
    return f"{text}{', because cells are unread, illegible, blank or missing' if of or less else ''}."


def _density_row(d: DensityLine) -> PlotRow:
    e = d.site.density
    singles = () if one_sided(e) else tuple(x.value for _, x in d.belts if x.value is not None)
    return PlotRow(d.label, e.value, e.low, e.high, singles, None, one_sided(e), False, density_text(d))


def _density_tables(lines: Sequence[DensityLine], level: str, caption: str) -> list[Table]:
    """Each row's density, its counts, how often it was seen and how unevenly; the area where rows differ in it."""
    names = [b.transect for b, _ in lines[0].belts]
    areas, seen = len({d.site.area_m2 for d in lines}) > 1, tells_occurrence(lines)
    head = ["Counted", f"Per {PER_M2:g} m²", f"{level} interval", *names]
    head += [*(["Area, m²"] if areas else []), *(SEEN if seen else [])]
    body = []
    for d in lines:
        e = d.site.density
        interval = f"below {number(e.high)}" if one_sided(e) else span(e)
        value = number(e.value) if e.value is not None else Text("not known", "not")
        cells = [d.label, value, interval, *(_belt_count(b) for b, _ in d.belts)]
        cells += [*([f"{d.site.area_m2:g}"] if areas else []), *(seen_cells(d) if seen else [])]
        body.append(("", tuple(cells)))
    words = [caption, _interval_words(lines, level), seen_words(lines) if seen else ""]
    whole = Table(tuple(head), tuple(body), " ".join(filter(None, words)))
    return in_two(whole, 3, len(names), "Counted on single transects.")


def _interval_words(lines: Sequence[DensityLine], level: str) -> str:
    """What the intervals of a density table cover, and what a count on part of a transect is."""
    estimates, words = [d.site.density for d in lines], []
    if any(d.site.partly_read for d in lines):
        words.append("A count “in” a smaller area stands for the parts that are known; the rest is taken to be alike.")
    if any(e.has_interval and not one_sided(e) for e in estimates):
        words.append(f"{level} intervals cover differences between transects, not reading.")
    if any(e.method == GAMMA and e.n < FEW_UNITS for e in estimates) and not lines[0].is_impact:
        words.append("Of animals in schools, which so few transects may all miss, up to 10 in 100 end below the truth.")
    if any(one_sided(e) for e in estimates):
        words.append("“Below” is a one-sided limit for none seen: counting only, if animals are not in groups.")
    if any(e.value is not None and not e.has_interval for e in estimates):
        words.append("One transect gives no interval.")
    return " ".join(words)


def _belt_count(belt) -> Cell:
    if belt.count is None:
        return Text(belt.note, "not")
    return Text(f"{count(belt.count)} in {belt.area_m2:g} m²", "not") if belt.partly_read else count(belt.count)


def _impacts(r: SurveyResults) -> list[Block]:
    """Counts of impacts, then percentages and ticks by segment."""
    counted = [d for d in r.densities if d.is_impact]
    if not counted and not r.impacts:
        return []
    out: list[Block] = [Heading(2, "Impacts")]
    if counted:
        level = f"{100 * r.level:g} %"
        out += _density_tables(counted, level, f"Impacts counted, per {PER_M2:g} m².")
    if r.impacts:
        part = "frame" if _frames(r, r.impacts[0].sheet) else "part of the belt"
        out.append(_noted_table(r.impacts, f"{100 * r.level:g} %", part))
    return out


def _noted_table(impacts: Sequence[ImpactLine], level: str, part: str) -> Table:
    """What was noted in each segment, and on how many transects; segments go down the page when they are many."""
    places = dict.fromkeys((t, s) for i in impacts for t, s, _, _ in i.values)  # sheets may have different ones
    places = sorted(places, key=lambda place: int(place[0].removeprefix("T")))
    names = [f"{t}, frame {s[1:]}" if s.startswith("q") else f"{t}, {s.replace('-', '–')} m" for t, s in places]
    cells = [_noted(i, places) for i in impacts]
    if known := tells_occurrence(impacts):
        names += NOTED
        cells = [[*own, *noted_cells(i)] for i, own in zip(impacts, cells, strict=True)]
    head, rows = ("Noted", *names), [(i.label, *own) for i, own in zip(impacts, cells, strict=True)]
    if len(places) > MOST_PLACES:
        head, rows = ("Noted", *(i.label for i in impacts)), list(zip(names, *cells, strict=True))
    caption = f"Impacts noted in each {part}, as written. " + (noted_words(level, part) if known else NOT_TWO)
    return Table(head, tuple(("", tuple(row)) for row in rows), caption)


def _noted(line: ImpactLine, places: Sequence[tuple[str, str]]) -> list[Cell]:
    found = {(t, s): (value, state) for t, s, value, state in line.values}
    own = {s for _, s in found}
    out: list[Cell] = []
    for place in places:
        value, state = found.get(place, (None, "missing" if place[1] in own else "–"))
        if state != "entered":
            out.append(Text(state, "not"))
        elif isinstance(value, bool):
            out.append(Text("yes", "strong") if value else "no")
        else:
            out.append(f"{value} %")
    return out
