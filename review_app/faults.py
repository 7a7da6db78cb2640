"""What the completeness check says of each survey, as HTML for the Survey page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from functools import lru_cache
from urllib.parse import urlencode

from digitise.completeness import ORDER, Checked, SurveyCheck, check_store
from digitise.store import PageRow, Store, cell_label
from digitise.surveys.known_plan import FOLDER, known_plan
from digitise.surveys.plan import Plan, PlanError
from digitise.surveys.season import BoardLine, board_words, season_board
from review_app import worklist
from review_app.markup import Markup, tag
from review_app.worklist import Place

SIGNS = {
    "missing": ("bad", "✕ Missing"),
    "contradiction": ("bad", "▲ Contradiction"),
    "question": ("todo", "● Question"),
    "accepted": ("good", "✓ Accepted"),
}
_OPEN = ("bad", "✕ Not decided")  # cells that wait are not missing
Label = Callable[[int, str], str]
_KINDS = ("bad", "todo", "wait", "good")
# Where the next step of a survey is taken, by where it stands; the first screen has no address of its own.
_NEXT = {
    "sheets missing": "survey",
    "contradictory": "survey",
    "in review": "review",
    "complete": "signoff",
    "changed since signed": "signoff",
    "signed": "handover",
}
_FIRST = {"review": "./"}
MOST_LINKS = 4  # cells of one finding that are named


def _plan(store: Store) -> Plan | None:
    """The plans kept in the store; one that cannot be used is left out (the command line says what is wrong)."""
    return _plan_of(store, _plan_files(store))


def _plan_files(store: Store) -> tuple:
    found = sorted((store.folder / FOLDER).glob("*.yaml"))
    return tuple((p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in found)


@lru_cache(maxsize=4)
def _plan_of(store: Store, _files: tuple) -> Plan | None:
    try:
        return known_plan(store.folder)
    except PlanError:
        return None


def checks(store: Store) -> dict[str, SurveyCheck]:
    """Each pack's check by its name; the empty name holds photographs without a pack."""
    return {c.pack: c for c in _checked(store, *_moment(store))}


def board(store: Store) -> tuple[BoardLine, ...]:
    """Where every survey stands."""
    return _board(store, *_moment(store))


def _moment(store: Store) -> tuple[str, tuple, date]:
    """All that a check depends on: what is kept, the plans' files, and the day."""
    return worklist.store_state(store), _plan_files(store), datetime.now().astimezone().date()


@lru_cache(maxsize=4)
def _checked(store: Store, _state: str, _plans: tuple, today: date) -> tuple[SurveyCheck, ...]:
    """Checking every survey takes a second or more, and a page is drawn anew at each click."""
    return check_store(store, today=today, plan=_plan(store))


@lru_cache(maxsize=4)
def _board(store: Store, state: str, plans: tuple, today: date) -> tuple[BoardLine, ...]:
    checked = _checked(store, state, plans, today)
    return season_board(store, today=today, plan=_plan(store), checked=checked)


def wanted(store: Store, pack: str, places: list[Place]) -> list[Place]:
    """Without the lines that the plan did not ask for and that nobody photographed."""
    plan = _plan(store)
    survey = plan.survey(pack) if plan else None
    lines = survey.transects if survey else None
    return [p for p in places if lines is None or p.transect <= lines or p.page is not None]


def _waits(fault: Checked) -> bool:
    return (fault.rule, fault.severity) == ("open", "missing")


def summary_words(check: SurveyCheck) -> str:
    """ "1 missing, 2 questions"; "complete" without any fault."""
    counts = {name: sum(f.severity == name and not _waits(f) for f in check.faults) for name in ORDER}
    words = [f"{n} {name}{'' if n == 1 or name in ('missing', 'accepted') else 's'}" for name, n in counts.items() if n]
    waiting = [f"{fault.where} not decided" for fault in check.faults if _waits(fault)]
    return ", ".join(words + waiting) or "complete"


def _line(fault: Checked, pack: str, pages: Mapping[int, PageRow], label: Label) -> Markup:
    kind, words = _OPEN if _waits(fault) else SIGNS[fault.severity]
    parts: list[Markup | str] = [
        tag("span", words, class_=f"state {kind}"),
        " ",
        tag("b", fault.where),
        f": {fault.words}",
    ]
    links = [tag("a", "Review them", href=f"./?{urlencode({'pack': pack})}", target="_self")] if _waits(fault) else []
    for page, cell in fault.cells[:MOST_LINKS]:
        address = f"trace?{urlencode({'page': page, 'cell': cell})}"
        links.append(tag("a", f"{page_words(pages[page])}: {label(page, cell)}", href=address, target="_self"))
    if len(fault.cells) > MOST_LINKS:
        links.append(tag("span", f"and {len(fault.cells) - MOST_LINKS} more"))
    return tag("li", *parts, *([tag("div", *links, class_="cells")] if links else []))


def page_words(page: PageRow) -> str:
    """ "Substrate line, transect 2"."""
    return f"{page.page_title}, transect {page.transect}" if page.per_transect else page.page_title


def labels_of(store: Store) -> Label:
    """What is printed beside a cell, by page and cell."""
    return lambda page, cell: next((cell_label(c) for c in store.cells(page) if c.id == cell), cell)


def fault_list(check: SurveyCheck, pages: Mapping[int, PageRow], label: Label) -> Markup:
    """A summary that opens to every fault, each with its cells; open when something is missing or contradictory."""
    if not check.faults:
        return tag("p", "✓ Complete: nothing is missing or contradictory", class_="state good")
    grave = any(f.severity in ("missing", "contradiction") for f in check.faults)
    items = tag("ul", *(_line(f, check.pack, pages, label) for f in check.faults), class_="faults")
    summary = tag("summary", f"Completeness: {summary_words(check)}")
    return tag("details", summary, items, class_="faults", open="" if grave else None)


def _kind(stage: str) -> str:
    if stage in ("sheets missing", "contradictory", "not come back"):
        return "bad"
    return {"handed over": "good", "signed": "good", "complete": "good", "planned": "wait"}.get(stage, "todo")


def _next(one: BoardLine, may: Callable[[str], bool]) -> Markup | str:
    """What a survey waits for, leading to the screen where that is done, for who `may` open it."""
    screen = _NEXT.get(one.stage, "")
    if not screen or not one.waits_for or not may(screen):
        return one.waits_for
    return tag("a", one.waits_for, href=f"{_FIRST.get(screen, screen)}?pack={one.pack}", target="_self")


def board_table(
    lines: tuple[BoardLine, ...], here: frozenset[str], may: Callable[[str], bool], *, unfolded: bool = True
) -> Markup:
    """Where every survey stands, under a line that sums it up; those that are `here` lead to their sheets.

    What needs somebody comes first, the oldest before the others; `may` says which screens lead on from it.
    """
    rows = []
    for one in sorted(lines, key=lambda one: _KINDS.index(_kind(one.stage))):
        site = (
            tag("a", one.site or "–", href=f"survey?pack={one.pack}", target="_self") if one.pack in here else one.site
        )
        state = tag("span", one.stage, class_=f"state one-line {_kind(one.stage)}")
        day = tag("span", one.date or "–", class_="one-line")
        cells = (day, site or "–", one.pack or "–", state, _next(one, may))
        rows.append(tag("tr", *(tag("td", c) for c in cells)))
    heads = (tag("th", h, scope="col") for h in ("Date", "Site", "Pack", "Stands at", "Waits for"))
    table = tag("table", tag("thead", tag("tr", *heads)), tag("tbody", *rows), class_="plain stack")
    wide = tag("div", table, class_="wide tall", tabindex="0", role="region", aria_label="Where every survey stands")
    return tag("details", tag("summary", board_words(lines)), wide, class_="faults", open="" if unfolded else None)
