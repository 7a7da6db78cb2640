"""The briefing: one page for one survey, to be read aloud on shore and kept dry.

It plans no dive: it says so, and defers to local rules and the licensed dive leader.
"""

from __future__ import annotations

from digitise.prepare.flow import FINE_MM, MARGIN_MM, Column, page_head
from digitise.sheets.captions import CAUTIONS
from digitise.sheets.drawing import DryPen, Pen
from digitise.sheets.layout import Rule, Text
from digitise.sheets.protocol import LineSheet, Protocol, ProtocolError, SiteSheet
from digitise.surveys.plan import LINE_TASK, Plan, SitePlan, SurveyPlan

GUTTER_MM = 8.0
CODE_ROW_MM, CROWDED_ROW_MM, MOST_MORE_MM = 5.6, 4.4, 12.0
TWO_COLUMNS = 24  # as many codes stand in two columns, more in three
CODE_MM = 11.0  # room for a code before what it means


def draw_briefing(pen: Pen, size_mm: tuple[float, float], protocol: Protocol, plan: Plan, survey: SurveyPlan) -> None:
    """Draw the page; room that is left goes to the lines for the team's own identification guide.

    Raises
    ------
    ProtocolError
        It needs more room than one page has; the text says what to shorten.
    """
    dry, crowded = DryPen(size_mm, pen.face), False
    left = size_mm[1] - MARGIN_MM - _drawn(dry, size_mm, protocol, plan, survey, CODE_ROW_MM)
    if left < -4.0:
        crowded = True
        left = size_mm[1] - MARGIN_MM - _drawn(dry, size_mm, protocol, plan, survey, CROWDED_ROW_MM, crowded=True)
    if left < -4.0:
        raise ProtocolError(
            f"the briefing needs {-left - 4.0:.0f} mm more than its page has; "
            "expected a shorter kit list, fewer codes or shorter cautions"
        )
    rows = sum(_code_rows(s, crowded=crowded)[1] for s in protocol.sheets.values() if isinstance(s, LineSheet))
    row_mm = CROWDED_ROW_MM if crowded else CODE_ROW_MM
    row_mm += min(MOST_MORE_MM, max(0.0, left) / rows) if rows else 0.0
    _drawn(pen, size_mm, protocol, plan, survey, row_mm, crowded=crowded)


def _drawn(
    pen: Pen,
    size_mm: tuple[float, float],
    protocol: Protocol,
    plan: Plan,
    survey: SurveyPlan,
    row_mm: float,
    *,
    crowded: bool = False,
) -> float:
    """The whole page with code rows of this height; returns the y of its end.

    On a `crowded` page codes stand in four columns, without lines for the team's own guide.
    """
    site = plan.site(survey.site)
    full = size_mm[0] - 2 * MARGIN_MM
    top = _head(pen, full, protocol, site, survey)
    half = (full - GUTTER_MM) / 2
    left, right = (Column(pen, MARGIN_MM + i * (half + GUTTER_MM), top, half) for i in (0, 1))
    _order(left, protocol, survey)
    _team(right, protocol, survey)
    _kit(right, protocol, plan)
    below = Column(pen, MARGIN_MM, max(left.y, right.y) + 1.0, full)
    _codes(below, protocol, row_mm, crowded=crowded)
    _cautions(below, protocol)
    _emergency(below, protocol)
    return below.y


def _head(pen: Pen, full: float, protocol: Protocol, site: SitePlan, survey: SurveyPlan) -> float:
    """Site, date, pack, what comes before this page, and where the site is; returns the y below."""
    y = page_head(pen, full, protocol.caption("briefing"), protocol, site, survey)
    pen.text(Text(MARGIN_MM, y + 4.6, protocol.caption("cautions_note"), 9, full, bold=True))
    y += 5.2
    if facts := _facts(protocol, site):
        words = "   ·   ".join(facts)
        pen.text(Text(MARGIN_MM, y + 4.6, words[0].upper() + words[1:], 9, full))
        y += 5.2
    return y + 2.0


def _facts(protocol: Protocol, site: SitePlan) -> list[str]:
    caption, out = protocol.caption, []
    if site.latitude is not None:
        latitude = _degrees(site.latitude, protocol.signs("north-south") or {"N": 1, "S": -1})
        longitude = _degrees(site.longitude, protocol.signs("east-west") or {"E": 1, "W": -1})
        out.append(caption("position").format(latitude=latitude, longitude=longitude))
    if site.radius_m is not None:
        out.append(caption("within").format(radius=f"{site.radius_m:g}"))
    if site.depth_m is not None:
        out.append(caption("depth_range").format(least=f"{site.depth_m[0]:g}", most=f"{site.depth_m[1]:g}"))
    return out


def _degrees(value: float, signs: dict[str, int]) -> str:
    """As the site sheet asks for them: without a sign, with the letter of the hemisphere."""
    return f"{abs(value):.5f}° {next(letter for letter, sign in signs.items() if (sign < 0) == (value < 0))}"


def _who(protocol: Protocol, survey: SurveyPlan, task: str) -> str:
    names = [" + ".join(pair.divers) for pair in survey.pairs if task in pair.tasks]
    return ", ".join(names) or protocol.caption("not_named")


def _order(column: Column, protocol: Protocol, survey: SurveyPlan) -> None:
    caption = protocol.caption
    column.heading(caption("order"))
    steps = [caption("fill_site")] if any(isinstance(s, SiteSheet) for s in protocol.sheets.values()) else []
    lines = survey.transects or protocol.transects
    steps.append(caption("each_line").format(transects=lines))
    for number, text in enumerate(steps, 1):
        column.numbered(f"{number}", text)
    inside = [caption("lay_line").format(length=f"{protocol.transect.length_m:g}")]
    if protocol.wait_minutes:
        inside.append(caption("wait").format(minutes=f"{protocol.wait_minutes:g}"))
    inside += [
        caption("count_sheet").format(title=sheet.title, who=_who(protocol, survey, name))
        for name, sheet in protocol.sheets.items()
        if not isinstance(sheet, SiteSheet)
    ]
    inside.append(caption("reel_in"))
    for letter, text in zip("abcdefghijklmnop", inside, strict=False):
        column.numbered(letter, text, indent=5.5)
    column.numbered(f"{len(steps) + 1}", caption("photograph"))


def _team(column: Column, protocol: Protocol, survey: SurveyPlan) -> None:
    caption = protocol.caption
    column.heading(caption("who"))
    titles = {LINE_TASK: caption("line_task")} | {n: s.title for n, s in protocol.sheets.items()}
    for label, name in ((caption("leader"), survey.leader), (caption("shore"), survey.shore)):
        if name:
            column.words(f"{label}: {name}")
        else:
            column.to_fill(label, 9.0)
    for i, pair in enumerate(survey.pairs, 1):
        column.words(f"{caption('pair').format(number=i)}: {' + '.join(pair.divers)}", bold=True, gap=0.2)
        tasks = ", ".join(titles[t] for t in pair.tasks) or caption("not_named")
        column.words(tasks[0].upper() + tasks[1:], indent=4.0)
    for i in range(len(survey.pairs) + 1, 1 if survey.pairs else 4):
        column.to_fill(caption("pair").format(number=i), 9.0)
    column.y += 1.0


def _kit(column: Column, protocol: Protocol, plan: Plan) -> None:
    column.heading(protocol.caption("kit"))
    items = plan.kit or tuple(i.strip() for i in protocol.caption("kit_list").split(";"))
    half = -(-len(items) // 2)
    width = (column.width - 4.0) / 2
    ends = []
    for i, part in enumerate((items[:half], items[half:])):
        own = Column(column.pen, column.x + i * (width + 4.0), column.y, width)
        for item in part:
            own.tick(item, 8.5)
        ends.append(own.y)
    column.y = max(ends)


def _codes(column: Column, protocol: Protocol, row_mm: float, *, crowded: bool) -> None:
    """Every line sheet's codes and meanings, with room for what the team's own guide says of each."""
    for sheet in protocol.sheets.values():
        if not isinstance(sheet, LineSheet):
            continue
        column.heading(f"{protocol.caption('codes')} · {sheet.title}")
        across, rows = _code_rows(sheet, crowded=crowded)
        half = (column.width - (across - 1) * GUTTER_MM) / across
        room = half - CODE_MM if crowded else half * 0.52
        note = protocol.caption("own_guide")
        for i in range(0 if crowded else across):
            at = column.x + i * (half + GUTTER_MM)
            column.pen.text(Text(at + half, column.y + 1.6, note, 7.5, half - 20, align="right"))
        column.y += 2.0
        for i, category in enumerate(sheet.categories):
            x, y = column.x + (i // rows) * (half + GUTTER_MM), column.y + (i % rows) * row_mm
            column.pen.text(Text(x, y + row_mm - 1.4, category.code, 10, CODE_MM - 1, bold=True))
            column.label(x + CODE_MM, y + row_mm - 1.4, category.label, 8.5, room)
            if crowded:
                continue
            start = x + CODE_MM + 3 + min(room, column.pen.face.width_mm(category.label, False, 8.5))
            column.pen.rule(Rule(start, y + row_mm - 0.6, x + half, y + row_mm - 0.6, FINE_MM))
        column.y += rows * row_mm + 2.0


def _code_rows(sheet: LineSheet, *, crowded: bool) -> tuple[int, int]:
    """In how many columns codes stand, and in how many rows."""
    across = 4 if crowded else 2 if len(sheet.categories) <= TWO_COLUMNS else 3
    return across, -(-len(sheet.categories) // across)


def _cautions(column: Column, protocol: Protocol) -> None:
    """The cautions of the site sheet; a protocol without one has the usual ones."""
    column.heading(protocol.caption("cautions"))
    own = [text for sheet in protocol.sheets.values() if isinstance(sheet, SiteSheet) for text in sheet.cautions]
    for text in own or CAUTIONS:
        column.numbered("•", text, 8.0)


def _emergency(column: Column, protocol: Protocol) -> None:
    column.heading(protocol.caption("emergency"))
    labels = [t.strip() for t in protocol.caption("emergency_lines").split(";")]
    half = (column.width - GUTTER_MM) / 2
    ends = []
    for i, part in enumerate((labels[::2], labels[1::2])):
        own = Column(column.pen, column.x + i * (half + GUTTER_MM), column.y, half)
        for label in part:
            own.to_fill(label)
        ends.append(own.y)
    column.y = max(ends)
