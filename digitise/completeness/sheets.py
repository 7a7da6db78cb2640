"""Rules about what is in: sheets, cells that wait, points, blank rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from digitise.completeness.case import Case, Fault, refs
from digitise.store import PageRow
from digitise.surveys.survey import missing_sheets
from digitise.surveys.twice import photo_name


def sheets(case: Case) -> Iterator[Fault]:
    """Sheets nobody photographed."""
    lines = case.planned.transects if case.planned else None
    for name in missing_sheets(case.survey.protocol, case.survey.pages, transects=lines):
        yield Fault(name, "not photographed")


def twice(case: Case) -> Iterator[Fault]:
    """Sheets photographed more than once, and what is odd about these photographs."""
    printed: dict[tuple, list[PageRow]] = {}
    for one in case.pages:
        printed.setdefault((one.sheet, one.page, one.transect), []).append(one)
    counting = {(p.sheet, p.page, p.transect): p for p in case.survey.pages}
    for printed_as, pages in printed.items():
        if len(pages) > 1 and not _without_line(pages[0]):
            used = counting.get(printed_as)
            which = f"; {photo_name(used, pages)} counts" if used else ""
            odd = [f". {f.text}" for f in case.survey.findings if used and f.twice == used.id]
            yield Fault(case.page_title(pages[0]), f"photographed {len(pages)} times{which}{''.join(odd)}")


def _without_line(page: PageRow) -> bool:
    return page.per_transect and not page.transect


def no_place(case: Case) -> Iterator[Fault]:
    """Sheets of a line that carry no line."""
    most = case.survey.protocol.transects
    for page in case.survey.pages:
        if page.per_transect and not 1 <= (page.transect or 0) <= most:
            yield Fault(page.title, f"{page.photo} belongs to no line")


def waiting(case: Case) -> Iterator[Fault]:
    """Cells nobody has decided: one by its label, more of them by how many wait on which sheet."""
    cells = case.survey.unread
    if len(cells) == 1:
        yield Fault(case.place(cells[0]), "waits for a person", refs(*cells))
    elif cells:
        counts = Counter(c.page_id for c in cells)
        pages = [p for p in case.survey.pages if p.id in counts]
        where = "; ".join(f"{case.page_title(p)}: {counts[p.id]}" for p in pages)
        yield Fault(f"{len(cells)} cells", f"wait for a person ({where})", refs(*cells))


_LOST = {"blank": "left blank", "illegible": "cannot be read"}  # as the buttons say it


def points(case: Case) -> Iterator[Fault]:
    """Points without a code that nobody waits for any more."""
    by_id = {(c.page_id, c.cell): c for c in case.survey.cells}
    for transect in case.survey.transects:
        for sheet, points in transect.points.items():
            lost = [p for p in points if p.state in _LOST]
            if lost:
                where = ", ".join(f"{p.position_m:g} m {_LOST[p.state]}" for p in lost[:6])
                more = f" and {len(lost) - 6} more" if len(lost) > 6 else ""
                ids = {f"{sheet}/{p.position_m:g}" for p in lost}
                pages = {p.id for p in case.survey.pages if p.transect == transect.number}
                cells = [c for (page, i), c in by_id.items() if page in pages and i in ids]
                yield Fault(
                    case.title(sheet, transect.number),
                    f"{len(points) - len(lost)} of {len(points)} points have a code ({where}{more})",
                    refs(*cells),
                )


def blank_rows(case: Case) -> Iterator[Fault]:
    """Counts that are neither a number nor none seen; nothing is asked while the box for none seen waits."""
    for transect in case.survey.transects:
        for sheet in transect.sheets:
            own = [c for c in transect.counts if c.sheet == sheet]
            blank = sum(c.state == "blank" for c in own)
            if blank:
                tick = [
                    c
                    for c in case.survey.cells
                    if c.cell == f"{sheet}/none-seen" and case.page(c.page_id).transect == transect.number
                ]
                if any(c.state == "unread" for c in tick):
                    continue
                yield Fault(
                    case.title(sheet, transect.number),
                    f"{blank} of {len(own)} counts are blank and the box for none seen is not ticked",
                    refs(*tick),
                )
