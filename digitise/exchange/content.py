"""What is exported, gathered once: cells, surveys, results and photographs, and what to say about them.

Cells that nobody has decided stop an export. Whoever wants them written all the same, with state "unread" and no value,
has to ask, and every file then says how many there are.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, islice
from typing import TYPE_CHECKING, TypeVar

from digitise.exchange.about import About
from digitise.exchange.spool import SpooledResults, SurveySpool
from digitise.provenance import Origins, Provenance, in_turn
from digitise.results import SurveyResults, survey_results
from digitise.sheets.protocol import Protocol
from digitise.store import CellNow, PageRow, PhotoRow
from digitise.store.rows import as_they_came
from digitise.surveys.places import Place, place_of
from digitise.surveys.roster import site_key
from digitise.surveys.survey import Seen, as_kept, iter_surveys
from digitise.wording import plural, thousands

if TYPE_CHECKING:
    from digitise.exchange.pseudonyms import Pseudonyms
    from digitise.store import Store

T = TypeVar("T")


class Unreviewed(ValueError):  # noqa: N818 - it is no fault, the review is not finished
    """Cells wait for a person, and nobody asked for them to be written all the same."""


class Many(Collection[T]):
    """So `many` things, made one after another each time they are asked for: there may be millions."""

    def __init__(self, many: int, made: Callable[[], Iterator[T]]):
        self._many, self._made = many, made

    def __len__(self) -> int:
        return self._many

    def __iter__(self) -> Iterator[T]:
        return self._made()

    def __contains__(self, one: object) -> bool:
        return any(one == mine for mine in self)


PageCells = Many[tuple[PageRow, CellNow]]
Tick = Callable[[], None]


@dataclass(frozen=True, slots=True)
class SurveyFacts:
    """What is told of a survey in short. `counted` has id and label of each row whose animals were counted."""

    pack: str
    name: str
    site: str | None
    date: str | None
    protocol: Protocol
    place: Place | None
    counted: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Content:
    """Everything an export is made from. `cells` are those of the pages that count, each with its page.

    `surveys`, and their `results`, come by date; results are loaded one at a time, each time they are asked for, and
    have no points and counts (`digitise.exchange.spool`). `photo_pages` are all pages, superseded ones too, by
    photograph. Of the cells nobody has decided `unread`.
    """

    pages: tuple[PageRow, ...]
    cells: PageCells
    unread: int
    surveys: tuple[SurveyFacts, ...]
    results: Sequence[SurveyResults]
    photos: tuple[PhotoRow, ...]
    photo_pages: tuple[PageRow, ...]
    origin: Provenance
    about: About

    @property
    def without_pack(self) -> int:
        """Pages that belong to no survey yet."""
        return sum(p.pack is None for p in self.pages)

    @property
    def programme(self) -> str:
        """The survey programme, as the protocols name it."""
        return "; ".join(dict.fromkeys(s.protocol.programme for s in self.surveys)) or "Reef survey"

    @property
    def title(self) -> str:
        """The data set's title: as given, else made from programme, sites and years."""
        if self.about.title:
            return self.about.title
        sites = list({site_key(s.site): s.site for s in self.surveys if s.site}.values())
        unnamed = [s.name for s in self.surveys if not s.site]
        years = sorted({s.date[:4] for s in self.surveys if s.date})
        where = ", ".join((*sites, *unnamed))
        if len(sites) + len(unnamed) > 3:
            parts = (plural(len(sites), "site"), plural(len(unnamed), "survey") + " without a name")
            where = " and ".join(words for words, own in zip(parts, (sites, unnamed), strict=True) if own)
        when = "" if not years else years[0] if len(years) == 1 else f"{years[0]}–{years[-1]}"
        return ", ".join(w for w in (f"{self.programme}: {where}" if where else self.programme, when) if w)

    @property
    def statement(self) -> str:
        """What anybody who opens the data must know first: how much of it a person still has to decide."""
        total = plural(len(self.cells), "cell")
        if not self.unread:
            text = f"Every one of {total} has been accepted by rule or decided by a person."
        else:
            text = (
                f"PROVISIONAL: {thousands(self.unread)} of {total} {'has' if self.unread == 1 else 'have'} not been "
                "decided by anybody. They are left out of every number; they are not zeros."
            )
        if self.without_pack:
            verbs = ("has", "is") if self.without_pack == 1 else ("have", "are")
            text += f" {plural(self.without_pack, 'page')} {verbs[0]} no pack and {verbs[1]} in no survey."
        return text


def gather(
    store: Store,
    *,
    now: datetime,
    packs: Sequence[str] | None = None,
    with_unreviewed: bool = False,
    about: About | None = None,
    names: Pseudonyms | None = None,
    tick: Tick = lambda: None,
) -> Content:
    """The content of these packs (of everything in the store when None), people's `names` replaced if given.

    `tick` is called for each survey when it is gathered, and again each time it is looked at for a file.

    Raises
    ------
    Unreviewed
        Cells wait for a person and `with_unreviewed` is False.
    ValueError
        Nothing has been read yet.
    """
    known = store.pages()
    pages = tuple(p for p in known if not p.superseded and (packs is None or p.pack in packs))
    if not pages:
        which = f"no sheet of pack {', '.join(packs)}" if packs else "no sheet"
        raise ValueError(f"{store.folder}: {which} has been read yet, so there is nothing to export")
    if not with_unreviewed:
        _refuse_unread(store, pages, sum(p.open for p in pages))
    gathered = _Gathered(store, pages, names.cell if names else as_kept, tick)
    came = as_they_came(known) if packs is None else list(dict.fromkeys(packs))
    gathered.add_surveys(came)
    if not with_unreviewed:
        _refuse_unread(store, pages, gathered.unread)  # opened again meanwhile
    facts = sorted((gathered.facts[pack] for pack in came), key=lambda f: f.date or "9999")
    own = tuple(p for p in known if packs is None or p.pack in packs)
    kept = {p.sha256 for p in own}
    photos = [p for p in store.photos() if packs is None or p.sha256 in kept]
    return Content(
        pages=pages,
        cells=gathered.cells(),
        unread=gathered.unread,
        surveys=tuple(facts),
        results=gathered.results([f.pack for f in facts]),
        photos=tuple(names.photo(p) if names else p for p in photos),
        photo_pages=own,
        origin=gathered.origins.record([f.pack for f in facts], now=now),
        about=about or About(),
    )


class _Gathered:
    """Surveys one after another, put away with their results as they were at that moment."""

    def __init__(self, store: Store, pages: Sequence[PageRow], seen: Seen, tick: Tick) -> None:
        self._store, self._pages, self._seen, self._tick = store, pages, seen, tick
        self._spool, self._many = SurveySpool(), 0
        self.facts: dict[str, SurveyFacts] = {}
        self.origins, self.unread = Origins(), 0
        for page in (p for p in pages if p.pack is None):
            self._put_cells(page.id, [seen(cell) for cell in store.current(page.id).values()])

    def add_surveys(self, packs: Sequence[str]) -> None:
        """Read these surveys and compute their results."""
        counting = {p.id for p in self._pages}
        labels: dict[tuple, tuple] = {}
        for survey in iter_surveys(self._store, sorted(packs, key=in_turn), seen=self._seen):
            results = survey_results(survey)
            counted = tuple((d.id, d.label) for d in results.densities if not d.is_impact)
            counted = labels.setdefault(counted, counted)
            place = place_of(survey)
            self.facts[survey.pack] = SurveyFacts(
                survey.pack, results.name, survey.site, survey.date, survey.protocol, place, counted
            )
            self.origins.add(survey)
            self._spool.put_results(results)
            self._count([c for c in survey.cells if c.page_id in counting])
            self._tick()

    def _put_cells(self, key: int, cells: Sequence[CellNow]) -> None:
        self._spool.put_cells(key, cells)
        self._count(cells)

    def _count(self, cells: Sequence[CellNow]) -> None:
        self._many += len(cells)
        self.unread += sum(c.state == "unread" for c in cells)

    def results(self, packs: Sequence[str]) -> Sequence[SurveyResults]:
        """Results of these packs' surveys."""
        return SpooledResults(self._spool, packs, self._tick)

    def cells(self) -> PageCells:
        """Cells of the surveys, and of pages that are in none, page by page."""
        return Many(self._many, self._page_cells)

    def _page_cells(self) -> Iterator[tuple[PageRow, CellNow]]:
        for pack, pages in groupby(self._pages, key=lambda p: p.pack):
            if pack is None:
                yield from ((page, cell) for page in pages for cell in self._spool.cells(page.id))
                continue
            self._tick()
            found: dict[int, list[CellNow]] = {}
            for cell in self._spool.cells(pack):
                found.setdefault(cell.page_id, []).append(cell)
            yield from ((page, cell) for page in pages for cell in found.get(page.id, ()))


def _refuse_unread(store: Store, pages: Sequence[PageRow], waiting: int) -> None:
    if not waiting:
        return
    cells = ((p, c) for p in pages if p.open for c in store.current(p.id).values() if c.state == "unread")
    first = ""
    for page, cell in islice(cells, 1):
        line = f"T{page.transect}, " if page.transect else ""
        first = f" (the first: {page.title}, {line}{cell.label})"
    raise Unreviewed(
        f"{store.folder}: {plural(waiting, 'cell')} still {'waits' if waiting == 1 else 'wait'} for a person{first}, "
        f"so nothing was exported. Review them with: digitise review --store {store.folder}; "
        "or add --with-unreviewed, and they are written without a value and counted in every file"
    )
