"""What stands between a survey and its signature, and what has changed since it was signed."""

from __future__ import annotations

from dataclasses import dataclass

from digitise.handover.changes import CellPair, changed_cells
from digitise.store import CellNow, PageRow, Store
from digitise.store.signoffs import SignOff
from digitise.surveys.survey import load_survey
from digitise.wording import cell_words, plural
from review_app import faults, worklist

SAID_ABOVE = ("open", "sheets", "totals", "blank-rows", "twice")  # rules whose faults have a line of their own


@dataclass(frozen=True, slots=True)
class Point:
    """One line of the list before signing. `level` is block (cannot be signed), look (a person should know) or good."""

    level: str
    text: str
    view: str = ""  # the page that helps


@dataclass(frozen=True, slots=True)
class Change:
    """A cell that is not as it was signed; texts in words."""

    page: int
    cell: str
    where: str
    before: str
    after: str


def points(store: Store, pack: str) -> list[Point]:
    """Completeness and plausibility of one survey, what blocks it first."""
    survey = load_survey(store, pack)
    out = []
    by_hand = {p.id for p in survey.pages if p.keyed}
    to_key = sum(c.page_id in by_hand for c in survey.unread)
    if len(survey.unread) > to_key:
        out.append(Point("block", f"{plural(len(survey.unread) - to_key, 'cell')} nobody has decided", "review"))
    if to_key:
        out.append(
            Point("block", f"{plural(to_key, 'cell')} to key by hand from a photograph that could not be read", "key")
        )
    out += [Point("look", f"Missing: {words}", "survey") for words in survey.missing]
    if survey.illegible:
        out.append(Point("look", f"{plural(len(survey.illegible), 'cell')} that cannot be read", "whole"))
    out += [Point("look", f"{f.where}: {f.text}", "whole") for f in survey.findings]
    check = faults.checks(store).get(pack)
    for fault in check.faults if check else ():
        if fault.rule not in SAID_ABOVE:
            level = "good" if fault.severity == "accepted" else "look"
            out.append(Point(level, f"{fault.severity.capitalize()}: {fault.where}: {fault.words}", "faults"))
    done = [a for a in store.audits.of(pack) if a.bound is not None]
    if not done:
        out.append(
            Point(
                "look",
                "No audit of this survey is finished: how many accepted cells may be wrong is not known",
                "audit",
            )
        )
    else:
        last = done[-1]
        wrong = len(last.differing)
        text = f"Audited: with 95 % confidence at most {100 * last.bound:.2g} % of the {last.what} are wrong"
        out.append(
            Point("look" if wrong else "good", text + (f"; {plural(wrong, 'cell')} differed" if wrong else ""), "audit")
        )
    if not survey.unread:
        out.append(Point("good", "Every cell is decided"))
    if not survey.missing:
        out.append(Point("good", "Every sheet is in"))
    return sorted(out, key=lambda p: ("block", "look", "good").index(p.level))


def changes(store: Store, signed: SignOff) -> list[Change]:
    """Cells that differ from what was signed, in page order; those that are gone last, as with a photograph."""
    places = {}
    for page in (p for p in store.pages(signed.pack) if not p.superseded):
        for cell in store.current(page.id).values():
            places[page.sheet, page.page, page.transect or 0, cell.cell] = (page, cell)
    return [
        _change(pair, *places.get((at.sheet, at.page, at.transect, at.cell), (None, None)))
        for pair in changed_cells(store.signoffs.frozen(signed.id), store.signoffs.cells(signed.pack))
        for at in (pair.place,)
    ]


def _change(pair: CellPair, page: PageRow | None, cell: CellNow | None) -> Change:
    kind = cell.kind if cell else ""
    before, after = (
        "not in the survey" if one is None else cell_words(kind, one.state, one.value) for one in (pair.then, pair.now)
    )
    if page is None or cell is None:
        return Change(0, pair.place.cell, f"{pair.place.sheet}, {pair.place.cell}", before, after)
    where = worklist.place_words(page.page_title, page.transect, None, "").replace(" · pack not known", "")
    return Change(page.id, cell.cell, f"{where}, {cell.label}", before, after)
