"""What is exported, gathered once: cells, surveys, results and photographs, and what to say about them.

Cells that nobody has decided stop an export. Whoever wants them written all the same, with state "unread" and no value,
has to ask, and every file then says how many there are.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, TypeVar

from digitise.exchange.about import About
from digitise.provenance import Provenance, provenance
from digitise.results import SurveyResults, survey_results
from digitise.store import CellNow, PageRow, PhotoRow
from digitise.surveys.places import site_key
from digitise.surveys.survey import Seen, Survey, as_kept, load_surveys
from digitise.wording import plural, thousands

if TYPE_CHECKING:
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


@dataclass(frozen=True, slots=True)
class Content:
    """Everything an export is made from. `cells` are those of the pages that count, each with its page.

    `photo_pages` are all pages, superseded ones too, by photograph.
    """

    pages: tuple[PageRow, ...]
    cells: PageCells
    results: tuple[SurveyResults, ...]
    photos: tuple[PhotoRow, ...]
    photo_pages: tuple[PageRow, ...]
    origin: Provenance
    about: About
    everything: bool  # every pack of the store, refused photographs too

    @property
    def unread(self) -> int:
        """Cells nobody has decided."""
        return sum(c.state == "unread" for _, c in self.cells)

    @property
    def without_pack(self) -> int:
        """Pages that belong to no survey yet."""
        return sum(p.pack is None for p in self.pages)

    @property
    def programme(self) -> str:
        """The survey programme, as the protocols name it."""
        return "; ".join(dict.fromkeys(r.survey.protocol.programme for r in self.results)) or "Reef survey"

    @property
    def title(self) -> str:
        """The data set's title: as given, else made from programme, sites and years."""
        if self.about.title:
            return self.about.title
        sites = list({site_key(r.name): r.name for r in self.results}.values())
        years = sorted({r.survey.date[:4] for r in self.results if r.survey.date})
        where = ", ".join(sites) if len(sites) <= 3 else f"{len(sites)} sites"
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
    seen: Seen = as_kept,
) -> Content:
    """The content of these packs (of everything in the store when None), each cell as it is to be `seen`.

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
    surveys = load_surveys(store, packs, seen=seen)
    cells = _cells(store, pages, surveys, seen)
    _refuse_unread(store, cells, with_unreviewed)
    own = tuple(p for p in known if packs is None or p.pack in packs)
    kept = {p.sha256 for p in own}
    return Content(
        pages=pages,
        cells=cells,
        results=tuple(survey_results(s) for s in surveys),
        photos=tuple(p for p in store.photos() if packs is None or p.sha256 in kept),
        photo_pages=own,
        origin=provenance(surveys, now=now),
        about=about or About(),
        everything=packs is None,
    )


def _cells(store: Store, pages: Sequence[PageRow], surveys: Sequence[Survey], seen: Seen) -> PageCells:
    """Cells of the surveys, and of pages that are in none."""
    found: dict[int, list[CellNow]] = {}
    for survey in surveys:
        for cell in survey.cells:
            found.setdefault(cell.page_id, []).append(cell)
    for page in pages:
        if page.pack is None:
            found[page.id] = [seen(cell) for cell in store.current(page.id).values()]
    count = sum(len(found.get(page.id, ())) for page in pages)
    return Many(count, lambda: ((page, cell) for page in pages for cell in found.get(page.id, ())))


def _refuse_unread(store: Store, cells: PageCells, with_unreviewed: bool) -> None:
    waiting = [(p, c) for p, c in cells if c.state == "unread"]
    if not waiting or with_unreviewed:
        return
    page, cell = waiting[0]
    where = f"{page.title}, {'T' + str(page.transect) + ', ' if page.transect else ''}{cell.label}"
    raise Unreviewed(
        f"{store.folder}: {plural(len(waiting), 'cell')} still {'waits' if len(waiting) == 1 else 'wait'} for a person "
        f"(the first: {where}), so nothing was exported. Review them with: digitise review --store {store.folder}; "
        "or add --with-unreviewed, and they are written without a value and counted in every file"
    )
