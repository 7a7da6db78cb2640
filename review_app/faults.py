"""What the completeness check says of each survey, as HTML for the Survey page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from digitise.completeness import ORDER, Checked, SurveyCheck, check_store
from digitise.known_plan import known_plan
from digitise.plan import Plan, PlanError
from digitise.store import PageRow, Store
from review_app.markup import Markup, tag
from review_app.worklist import Place

SIGNS = {
    "missing": ("bad", "✕ Missing"),
    "contradiction": ("bad", "▲ Contradiction"),
    "question": ("todo", "● Question"),
}


def _plan(store: Store) -> Plan | None:
    """The plans kept in the store; one that cannot be used is left out (the command line says what is wrong)."""
    try:
        return known_plan(store.folder)
    except PlanError:
        return None


def checks(store: Store) -> dict[str, SurveyCheck]:
    """Each pack's check by its name; the empty name holds photographs without a pack."""
    today = datetime.now().astimezone().date()
    return {c.pack: c for c in check_store(store, today=today, plan=_plan(store))}


def wanted(store: Store, pack: str, places: list[Place]) -> list[Place]:
    """Without the lines that the plan did not ask for and that nobody photographed."""
    plan = _plan(store)
    survey = plan.survey(pack) if plan else None
    lines = survey.transects if survey else None
    return [p for p in places if lines is None or p.transect <= lines or p.page is not None]


def summary_words(check: SurveyCheck) -> str:
    """ "1 missing, 2 questions"; "complete" without any fault."""
    counts = {name: sum(f.severity == name for f in check.faults) for name in ORDER}
    words = [f"{n} {name}{'' if n == 1 or name in ('missing', 'accepted') else 's'}" for name, n in counts.items() if n]
    return ", ".join(words) or "complete"


def _line(fault: Checked, pages: Mapping[int, PageRow]) -> Markup:
    kind, words = SIGNS[fault.severity]
    parts: list[Markup | str] = [
        tag("span", words, class_=f"state {kind}"),
        " ",
        tag("b", fault.where),
        f": {fault.text}",
    ]
    for page in dict.fromkeys(page for page, _ in fault.cells):
        name = f"Open {page_words(pages[page])}"
        parts += [" · ", tag("a", name, href=f"/desk/page/{page}", target="_blank")]
    return tag("li", *parts)


def page_words(page: PageRow) -> str:
    """ "Substrate line, transect 2"."""
    return f"{page.title}, transect {page.transect}" if page.per_transect else page.title


def fault_list(check: SurveyCheck, pages: Mapping[int, PageRow]) -> Markup:
    """A summary that opens to every fault; open from the start when something is missing or contradictory."""
    if not check.faults:
        return tag("p", "✓ Complete: nothing is missing or contradictory", class_="state good")
    grave = any(f.severity in ("missing", "contradiction") for f in check.faults)
    items = tag("ul", *(_line(f, pages) for f in check.faults), class_="faults")
    summary = tag("summary", f"Completeness: {summary_words(check)}")
    return tag("details", summary, items, class_="faults", open="" if grave else None)
