"""What stands between a survey and its signature, and what has changed since it was signed."""

from __future__ import annotations

from dataclasses import dataclass

from digitise.store import Store
from digitise.store.signoffs import SignOff
from digitise.survey import load_survey
from review_app import worklist


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


def _cells(n: int) -> str:
    return "1 cell" if n == 1 else f"{n} cells"


def points(store: Store, pack: str) -> list[Point]:
    """Completeness and plausibility of one survey, what blocks it first."""
    survey = load_survey(store, pack)
    out = []
    if survey.unread:
        out.append(Point("block", f"{_cells(len(survey.unread))} nobody has decided", "review"))
    out += [Point("look", f"Missing: {words}", "survey") for words in survey.missing]
    if survey.illegible:
        out.append(Point("look", f"{_cells(len(survey.illegible))} that cannot be read", "whole"))
    out += [Point("look", f"{f.where}: {f.text}", "whole") for f in survey.findings]
    audits = [a for a in store.audits.all() if a.pack in (None, pack)]
    done = [a for a in audits if a.bound is not None and not a.whole_page]
    if not done:
        out.append(
            Point(
                "look", "No audit of this survey is finished: the share of wrong accepted cells is not bounded", "audit"
            )
        )
    else:
        wrong = len(done[-1].differing)
        text = f"Audited: at most {100 * done[-1].bound:.2g} % of the accepted cells are wrong (95 %)"
        out.append(Point("look" if wrong else "good", text + (f"; {_cells(wrong)} differed" if wrong else ""), "audit"))
    if not survey.unread:
        out.append(Point("good", "Every cell is decided"))
    if not survey.missing:
        out.append(Point("good", "Every sheet is in"))
    return sorted(out, key=lambda p: ("block", "look", "good").index(p.level))


def _words(kind: str, state: str, value: object) -> str:
    if state == "entered":
        return worklist.shown(kind, value)
    return {"blank": "nothing written", "illegible": "cannot be read", "unread": "not decided"}.get(state, state)


def changes(store: Store, signed: SignOff) -> list[Change]:
    """Cells that differ from what was signed, in page order; also those that came or went with a photograph."""
    was = {(f.sha256, f.sheet, f.page, f.cell): f for f in store.signoffs.frozen(signed.id)}
    out, seen = [], set()
    for page in (p for p in store.pages(signed.pack) if not p.superseded):
        where = worklist.place_words(page.title, page.transect, None, "").replace(" · pack not known", "")
        for cell in store.current(page.id).values():
            key = (page.sha256, page.sheet, page.page, cell.cell)
            seen.add(key)
            old = was.get(key)
            before = _words(cell.kind, old.state, old.value) if old else "not in the survey"
            after = _words(cell.kind, cell.state, cell.value)
            if before != after:
                out.append(Change(page.id, cell.cell, f"{where}, {cell.label}", before, after))
    gone = [f for key, f in was.items() if key not in seen and f.state == "entered"]
    return out + [
        Change(0, f.cell, f"{f.sheet}, {f.cell}", _words("", f.state, f.value), "photograph replaced") for f in gone
    ]
