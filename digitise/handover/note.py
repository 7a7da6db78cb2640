"""The covering note: what the package holds, how far each survey is, and what changed since the last one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from digitise.exchange.about import About
from digitise.exchange.content import Content
from digitise.exchange.shared import Sharing
from digitise.handover.changes import CellPair, NumberPair, SurveyChange, by_kind
from digitise.handover.readiness import Ready
from digitise.report.blocks import Block, Bullets, Cell, Facts, Heading, Notice, Paragraph, Part, Report, Table, Text
from digitise.store import NO_SHEET, CellNow, PageRow
from digitise.surveys.roster import site_key
from digitise.wording import cell_words, number, plural

MOST_CELLS = 60  # of one survey in the note; all of them are in changes/
CHANGED_FILES = "Every change is in changes/cells.csv and changes/figures.csv."
Place = tuple[str, int, int, str]


@dataclass(frozen=True, slots=True)
class Letter:
    """What a covering note is made from. `last` says which hand-over the changes are since, empty for the first."""

    number: int
    corrects: int | None
    recipient: str
    by: str
    day: str
    reason: str
    last: str
    content: Content
    ready: tuple[Ready, ...]
    changes: tuple[SurveyChange, ...]
    sharing: Sharing
    holds: tuple[tuple[str, str], ...]  # what lies in the package: (name, what it is)

    @property
    def title(self) -> str:
        """ "Hand-over 3", or "Correction of hand-over 2"."""
        return f"Hand-over {self.number}" if self.corrects is None else f"Correction of hand-over {self.corrects}"

    @property
    def unfinished(self) -> tuple[Ready, ...]:
        """Surveys that are not signed as they are."""
        return tuple(r for r in self.ready if r.state != "signed")


def covering_note(letter: Letter) -> Report:
    """The note, for a screen and for paper."""
    origin = letter.content.origin
    parts = [_letter(letter), _surveys(letter), _changes(letter), _use(letter)]
    return Report(
        title=letter.title,
        programme=letter.content.programme,
        subtitle=f"to {letter.recipient}, {letter.day}",
        notice=_notice(letter),
        contents=(
            ("letter", "This package"),
            ("surveys", "Surveys"),
            ("changes", "What changed"),
            ("use", "Before use"),
        ),
        parts=tuple(parts),
        footer=f"Made {origin.created_at} by {origin.tool} {origin.tool_version}; data {origin.digest[:12]}",
        made=f"{origin.tool} {origin.tool_version}",
    )


def _notice(letter: Letter) -> Notice:
    if not letter.unfinished:
        return Notice("done", "Signed", "Every survey in this package was reviewed, and signed as it stands here.")
    few = "; ".join(f"{r.heading}: {r.words}" for r in letter.unfinished[:3])
    more = len(letter.unfinished) - 3
    text = f"Not signed as they stand here: {len(letter.unfinished)} of {plural(len(letter.ready), 'survey')}: {few}"
    if len(letter.ready) == 1:
        text = f"The survey is not signed as it stands here: {few}"
    return Notice("open", "Provisional", text + (f"; and {more} more, below." if more > 0 else "."))


def _letter(letter: Letter) -> Part:
    content, about = letter.content, letter.content.about
    sites = len({site_key(r.site) for r in letter.ready if r.site})
    what = f"{plural(len(letter.ready), 'survey')} of {plural(sites, 'site')}" if sites else "surveys"
    lead = f"{content.title}. This package holds {what}."
    if letter.corrects is not None:
        lead = (
            f"This package corrects hand-over {letter.corrects}. It holds what changed: {what}. Use it in place of "
            "what was sent of these; what is not in it stands as it was sent."
        )
    facts: list[tuple[str, Cell]] = [
        ("Number", str(letter.number)),
        ("To", letter.recipient),
        ("Handed over by", letter.by),
        ("Date", letter.day),
        ("Contact", _contact(about)),
        ("Licence", about.licence.name if about.licence else Text("not stated", "not")),
    ]
    blocks: list[Block] = [Heading(1, "This package", "letter"), Paragraph(lead, "lead")]
    if letter.reason:
        blocks.append(Paragraph(f"{'Why' if letter.corrects else 'From the sender'}: {letter.reason}"))
    holds = Bullets(tuple(f"{name}: {words}" for name, words in letter.holds))
    return Part((*blocks, Facts(tuple(facts)), Heading(2, "In this folder"), holds), "letter")


def _contact(about: About) -> Cell:
    who = about.contact
    if who is None:
        return Text("not stated", "not")
    person = " ".join(filter(None, (who.given_name, who.surname)))
    return ", ".join(filter(None, (person, who.organisation, who.email)))


def _surveys(letter: Letter) -> Part:
    head = ("Survey", "State", "Cells", "Undecided", "Findings", "Audit")
    cells = {r.survey.pack: len(r.survey.cells) for r in letter.content.results}
    rows = []
    for r in letter.ready:
        state: Cell = r.words if r.state == "signed" else Text(r.words, "not")
        unread: Cell = Text(str(r.unread), "not") if r.unread else "0"
        found = [f.severity for f in r.check.faults if f.severity != "accepted"]
        faults: Cell = Text(str(len(found)), "not") if set(found) - {"question"} else str(len(found))
        audit: Cell = Text("none", "not") if r.audited is None else f"{r.audited:.2g} %"
        rows.append(("", (r.heading, state, str(cells[r.pack]), unread, faults, audit)))
    caption = (
        "Every survey in this package. Findings are those of the completeness check that nobody accepted, below. "
        "Audit: at most so many of the cells that it was drawn from are wrong, with 95 % confidence."
    )
    blocks: list[Block] = [Heading(1, "Surveys", "surveys"), Table(head, tuple(rows), caption, words=(0, 1))]
    for r in letter.ready:
        blocks += _faults(r, letter.sharing)
    if aside := [p for p in letter.content.photos if p.status == NO_SHEET]:
        lines = tuple(f"{p.name}. {' '.join(p.reasons)}" for p in aside)
        blocks += [Heading(2, "Photographs set aside"), Bullets(lines)]
    return Part(tuple(blocks), "surveys", new_page=False)


def _faults(r: Ready, sharing: Sharing) -> list[Block]:
    """What the completeness check says of a survey, accepted ones with their reason."""
    shown = sharing.names.text if sharing.names else str
    lines = [f"{f.severity.capitalize()}: {f.where}: {shown(f.words)}" for f in r.check.faults]
    return [Heading(2, f"To know of {r.heading}"), Bullets(tuple(lines))] if lines else []


def _changes(letter: Letter) -> Part:
    blocks: list[Block] = [Heading(1, "What changed", "changes")]
    if not letter.last:
        blocks.append(Paragraph(f"This is the first package for {letter.recipient}.", "lead"))
        return Part(tuple(blocks), "changes")
    kinds = by_kind(letter.changes)
    words = [
        plural(len(kinds["changed"]), "survey") + " changed",
        f"{len(kinds['same'])} unchanged",
        f"{len(kinds['new'])} new",
    ]
    if letter.corrects is not None:
        words = words[:1]
    blocks.append(Paragraph(f"Since {letter.last}: {', '.join(words)}. {CHANGED_FILES}", "lead"))
    for name, title in (("new", "New in this package"), ("gone", "Sent before, not in this package")):
        if kinds[name]:
            blocks += [Heading(2, title), Bullets(tuple(c.heading for c in kinds[name]))]
    known = cells_of_packs(letter.content)
    for one in kinds["changed"]:
        blocks += _changed(one, known.get(one.pack, {}))
    return Part(tuple(blocks), "changes")


def _changed(one: SurveyChange, known: Mapping[Place, tuple[PageRow, CellNow]]) -> list[Block]:
    """One survey that is not as it was sent: figures first, then the cells behind them."""
    out: list[Block] = [Heading(2, one.heading)]
    if one.numbers and not one.cells and not one.photographs:
        out.append(Paragraph("No cell changed: its figures were computed anew by another version of the tool."))
    if one.photographs:
        pages = ", ".join(place_words(sheet, transect) for sheet, _, transect in one.photographs)
        out.append(Paragraph(f"Read from another photograph: {pages}."))
    if one.numbers:
        rows = tuple(("", (n.name, figure_words(n, n.then), figure_words(n, n.now))) for n in one.numbers)
        out.append(Table(("Figure", "Was sent", "Is now"), rows, "Figures that differ, with their intervals."))
    if one.cells:
        rows = tuple(("", cell_row(pair, known)) for pair in one.cells[:MOST_CELLS])
        left = len(one.cells) - len(rows)
        caption = "Cells that differ." + (f" {left} more are in changes/cells.csv." if left else "")
        out.append(Table(("Cell", "Was sent", "Is now", "By", "Why"), rows, caption, words=(0, 1, 2, 3, 4)))
    return out


def cells_of_packs(content: Content) -> dict[str, dict[Place, tuple[PageRow, CellNow]]]:
    """Each survey's cells as they are now, by pack and place: one place is in every survey."""
    known: dict[str, dict[Place, tuple[PageRow, CellNow]]] = {}
    for p, c in content.cells:
        known.setdefault(p.pack or "", {})[p.sheet, p.page, p.transect or 0, c.cell] = (p, c)
    return known


def place_words(sheet: str, transect: int) -> str:
    """ "T1, fish"; the sheet alone where it is of the whole survey."""
    return f"T{transect}, {sheet}" if transect else sheet


def cell_row(pair: CellPair, known: Mapping[Place, tuple[PageRow, CellNow]]) -> tuple[str, str, str, str, str]:
    """(where, what was sent, what it is now, by whom and when, why) of a cell; names as the arguments have them."""
    place = pair.place
    page, cell = known.get((place.sheet, place.page, place.transect, place.cell), (None, None))
    kind = cell.kind if cell else ""
    where = f"{place_words(page.title, place.transect)}, {cell.label}" if cell else f"{place.sheet}, {place.cell}"
    then, now = (
        "not in the survey" if side is None else cell_words(kind, side.state, side.value)
        for side in (pair.then, pair.now)
    )
    if cell is None or pair.now is None or cell.state == "unread":
        return (where, then, now, "", "")
    return (where, then, now, f"{cell.by}, {cell.at[:10]}", cell.why)


def figure_words(pair: NumberPair, one: tuple[float | None, float | None, float | None] | None) -> str:
    """ "12.0 (8.1 to 16.0) %"; in words where there is no figure."""
    if one is None:
        return "not among the figures"
    value, low, high = one
    if value is None:
        return "not known"
    span = f" ({low:.1f} to {number(high)})" if low is not None and high is not None else ""
    return f"{number(value)}{span} {pair.unit}"


def _use(letter: Letter) -> Part:
    content = letter.content
    points = [content.statement, *letter.sharing.sentences]
    points.append(
        "Nothing unknown is a zero: unread, illegible and blank cells are left out of the figures and counted in them."
    )
    if any(r.check.faults for r in letter.ready):
        points.append("Findings listed above under each survey stand as they are, unless they are marked accepted.")
    points.append("Something is wrong? Tell the sender the survey's pack and the cell; a correction says what changed.")
    whole = (
        Heading(2, "Whole and unchanged?"),
        Paragraph(
            "This command, given in this folder, looks at every file. The SHA-256 of checksums.txt itself is in the "
            "sender's record."
        ),
        Facts(
            (
                ("On Linux", Text("sha256sum --check checksums.txt", "command")),
                ("On a Mac", Text("shasum -a 256 -c checksums.txt", "command")),
            )
        ),
    )
    return Part((Heading(1, "Before use", "use"), Bullets(tuple(points)), *whole), "use")


def named(pairs: Sequence[CellPair], sharing: Sharing, known: Mapping[Place, tuple[PageRow, CellNow]]) -> tuple:
    """The pairs as the receiver may see them: names in values replaced where they are replaced at all."""
    if sharing.names is None:
        return tuple(pairs)
    out = []
    for pair in pairs:
        place = pair.place
        _, cell = known.get((place.sheet, place.page, place.transect, place.cell), (None, None))
        kind = cell.kind if cell else ("text" if isinstance(place.value, str) else "")
        sides = (
            side and replace(side, value=sharing.names.value(side.cell, kind, side.value), by=sharing.names.of(side.by))
            for side in (pair.then, pair.now)
        )
        out.append(CellPair(*sides))
    return tuple(out)
