"""One survey: the sheets of a pack put together.

Pure: pages and present cell states in, a frozen `Survey` out. What a mark means says `digitise.surveys.meaning`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice
from typing import TYPE_CHECKING

from digitise.sheets.protocol import BeltSheet, LineSheet, Protocol, SiteSheet
from digitise.store import CellNow, PageRow
from digitise.surveys.known_plan import planned_lines, planned_names
from digitise.surveys.meaning import Count, Finding, Impact, Point, counts_of, impacts_of, points_of
from digitise.surveys.printed_on import printed_pages, strangers
from digitise.surveys.roster import site_key
from digitise.surveys.twice import Twice, compare, rivals, words
from digitise.wording import page_title

if TYPE_CHECKING:
    from digitise.store import Store

AT_ONCE = 20  # packs whose pages and cells are fetched together
Sheets = Iterable[tuple[PageRow, Mapping[str, CellNow]]]
Seen = Callable[[CellNow], CellNow]


@dataclass(frozen=True, slots=True)
class Transect:
    """One line and its belt. `points` are by line sheet; `fields` are the sheets' own fields (depth, observer)."""

    number: int
    sheets: tuple[str, ...]
    points: Mapping[str, tuple[Point, ...]]
    counts: tuple[Count, ...]
    impacts: tuple[Impact, ...]
    fields: Mapping[str, CellNow]

    @property
    def name(self) -> str:
        """ "T1" for the first line."""
        return f"T{self.number}"


@dataclass(frozen=True, slots=True)
class Survey:
    """One visit to one site: a pack's sheets. `missing` names sheets nobody photographed, in words.

    `planned_site` is the name of its site in the plans that are known, where what is entered names one of theirs.
    """

    pack: str
    protocol: Protocol
    fields: Mapping[str, CellNow]
    transects: tuple[Transect, ...]
    missing: tuple[str, ...]
    cells: tuple[CellNow, ...]
    pages: tuple[PageRow, ...]
    findings: tuple[Finding, ...]
    planned_site: str = ""

    @property
    def unread(self) -> tuple[CellNow, ...]:
        """Cells nobody has decided."""
        return tuple(c for c in self.cells if c.state == "unread")

    @property
    def illegible(self) -> tuple[CellNow, ...]:
        """Cells a person has given up."""
        return tuple(c for c in self.cells if c.state == "illegible")

    @property
    def site(self) -> str | None:
        """Name of the site as planned, else as entered; None while it is not entered."""
        return self.planned_site or self.written_site

    @property
    def written_site(self) -> str | None:
        """Name of the site as entered; None while it is not."""
        return self._field("site", "text")

    @property
    def date(self) -> str | None:
        """Date of the survey, ISO 8601; None while it is not entered."""
        return self._field("date", "date")

    def _field(self, name: str, kind: str) -> str | None:
        known = [c for i, c in self.fields.items() if c.kind == kind and i.rpartition("/")[2] == name]
        return next((c.value for c in known if c.state == "entered"), None)


def as_kept(cell: CellNow) -> CellNow:
    """The cell itself: what is made of kept cells where nothing is to be replaced in them."""
    return cell


def load_survey(store: Store, pack: str) -> Survey:
    """A pack's survey as the store holds it now.

    Of several photographs of one page one counts; where another shows something else, that is a finding.
    """
    return next(iter_surveys(store, [pack]))


def seen_twice(store: Store, kept: PageRow, other: PageRow) -> Twice:
    """Two photographs of one page compared, as the store holds them now."""
    return compare(kept, store.current(kept.id), other, store.current(other.id))


def _page_place(page: PageRow) -> str:
    return f"T{page.transect}, {page.page_title}" if page.per_transect else page.page_title


def load_surveys(store: Store, packs: Sequence[str] | None = None) -> tuple[Survey, ...]:
    """Surveys of these packs (of every pack in the store when None), by date, then as they came."""
    return tuple(sorted(iter_surveys(store, packs), key=lambda s: s.date or "9999"))


def iter_surveys(
    store: Store, packs: Sequence[str] | None = None, *, seen: Seen = as_kept, as_planned: bool = True
) -> Iterator[Survey]:
    """The same one after another, as they came or as asked for, so that only one need be held at a time.

    `seen` says how each cell is to be seen, such as without names of people. Sites have their planned names, or
    `as_planned` false those that were entered. No sheet is missing of a line that a known plan did not have printed.

    Raises
    ------
    ValueError
        No page of a pack that was asked for has been read.
    """
    order = iter(store.packs() if packs is None else packs)
    planned, lines = planned_names(store.folder) if as_planned else {}, planned_lines(store.folder)
    now = store.mark()  # so that no page is in two surveys because it was given to another pack meanwhile
    while some := list(islice(order, AT_ONCE)):
        own: dict[str, list[PageRow]] = {}
        for page in store.pages_of(some, now):
            own.setdefault(page.pack, []).append(page)
        counting = {pack: [p for p in own.get(pack, ()) if not p.superseded] for pack in some}
        cells = store.current_pages(p.id for pages in counting.values() for p in pages)
        for pack in some:
            if not (pages := counting[pack]):
                if packs is None:
                    continue  # its last page was given to another pack meanwhile
                raise ValueError(f"no page of pack {pack} has been read")
            newest = max(pages, key=lambda p: p.id)
            sheets = [(p, {name: seen(cell) for name, cell in cells[p.id].items()}) for p in pages]
            survey = assemble(store.protocol_for(newest), pack, sheets, lines=lines.get(pack))
            pairs = [seen_twice(store, kept, other) for kept, other in rivals(own[pack])]
            found = tuple(Finding(_page_place(one.kept), words(one), one.kept.id) for one in pairs if words(one))
            name = planned.get(site_key(survey.site or ""), "")
            yield replace(survey, findings=survey.findings + found, planned_site=name)


def without_marks(survey: Survey) -> Survey:
    """The survey as it is told, in a tenth of the room: no points, no counts, and of cells their states alone."""
    light = tuple(replace(t, points={}, counts=()) for t in survey.transects)
    return replace(survey, cells=tuple(_some_cell(c.state) for c in survey.cells), transects=light)


@lru_cache
def _some_cell(state: str) -> CellNow:
    return CellNow(0, "", "", "", state, None, "", "", "", None, 0.0, (), (0.0, 0.0, 0.0, 0.0))


def assemble(protocol: Protocol, pack: str, sheets: Sheets, *, lines: int | None = None) -> Survey:
    """Put the pages of one pack together.

    `sheets` holds each page with the present state of its cells by id; of pages photographed twice, only the one that
    counts. `lines` is how many were to be laid, when that is fewer than the protocol's.
    """
    sheets = list(sheets)
    out = {page.id for page in strangers(sheets)}
    used = [(page, cells) for page, cells in sheets if page.id not in out]
    kinds = {name: sheet.kind for name, sheet in protocol.sheets.items()}
    site_cells = _merged((c for p, c in used if not p.per_transect))
    numbers = sorted({p.transect for p, _ in used if p.per_transect and p.transect})
    findings: list[Finding] = []
    if len({p.protocol_digest for p, _ in sheets}) > 1:
        findings.append(
            Finding(f"Pack {pack}", "its sheets were read by different editions of the protocol; the newest is used")
        )
    findings += [
        Finding(_page_place(page), f"{page.photo} is on other paper than the rest of its sheet; left out")
        for page, _ in sheets
        if page.id in out
    ]
    own = {n: [(p, c) for p, c in used if p.per_transect and p.transect == n] for n in numbers}
    transects = tuple(_transect(protocol, n, own[n], findings) for n in numbers)
    fields = {i: c for i, c in site_cells.items() if kinds.get(i.split("/")[0]) == "site"}
    return Survey(
        pack,
        protocol,
        fields,
        transects,
        missing_sheets(protocol, (p for p, _ in used), transects=lines),
        tuple(c for _, cells in sheets for c in cells.values()),
        tuple(p for p, _ in sheets),
        tuple(findings),
    )


def _merged(cells: Iterable[Mapping[str, CellNow]]) -> dict[str, CellNow]:
    return {cell_id: cell for one in cells for cell_id, cell in one.items()}


def _transect(
    protocol: Protocol, number: int, sheets: list[tuple[PageRow, Mapping[str, CellNow]]], findings: list[Finding]
) -> Transect:
    cells = _merged(c for _, c in sheets)
    present = tuple(dict.fromkeys(p.sheet for p, _ in sheets))
    points: dict[str, tuple[Point, ...]] = {}
    counts: list[Count] = []
    impacts: list[Impact] = []
    for name, sheet in protocol.sheets.items():
        if isinstance(sheet, LineSheet) and name in present:
            points[name] = points_of(protocol, name, sheet, cells)
        elif isinstance(sheet, BeltSheet) and name in present:
            where = f"T{number}, {sheet.title}"
            counts += counts_of(protocol, name, cells, where, findings)
            impacts += impacts_of(protocol, name, sheet, cells)
    own = {f"{name}/{field.id}" for name, sheet in protocol.sheets.items() for field in sheet.fields}
    fields = {i: c for i, c in cells.items() if i in own}
    return Transect(number, present, points, tuple(counts), tuple(impacts), fields)


def missing_sheets(protocol: Protocol, pages: Iterable[PageRow], *, transects: int | None = None) -> tuple[str, ...]:
    """Sheets of a pack that nobody photographed, in words; a transect without any sheet is named once.

    `transects` is how many lines were to be laid, when that is fewer than the protocol's; a line more of which a sheet
    came in misses its others.
    """
    pages = list(pages)
    have = {(p.sheet, p.page, p.transect or 0) for p in pages}
    once = [name for name, sheet in protocol.sheets.items() if isinstance(sheet, SiteSheet)]
    each = [name for name in protocol.sheets if name not in once]

    def lacking(names: list[str], number: int) -> list[str]:
        printed = (one for name in names for one in printed_pages(protocol, pages, name, number))
        missing = (one for one in printed if (one.sheet, one.page, number) not in have)
        return [page_title(one.title, one.page, one.pages) for one in missing]

    out = lacking(once, 0)
    came = {p.transect for p in pages}
    for number in range(1, protocol.transects + 1):
        if number > (transects or protocol.transects) and number not in came:
            continue
        own = lacking(each, number)
        if own and number not in came:
            out.append(f"T{number}: every sheet")
        else:
            out += [f"T{number}: {words}" for words in own]
    return tuple(out)
