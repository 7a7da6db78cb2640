"""The report and the tables, made when asked for and kept while nothing has changed."""

from __future__ import annotations

import contextlib
import io
import tempfile
import threading
import zipfile
from collections import OrderedDict
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path

from digitise.earlier.keep import earlier_results
from digitise.exchange.write import write_export
from digitise.provenance import provenance
from digitise.report import page_html
from digitise.report.group_part import Groups
from digitise.report.volumes import AT_ONCE as ON_A_PAGE
from digitise.report.volumes import Volume, volumes_of
from digitise.results import survey_results
from digitise.results.groups import SURVEY_COLUMNS, group_values, groups_of_results
from digitise.results.kept import KeptTables
from digitise.store import Store
from digitise.surveys.known_plan import grouped_sites
from digitise.surveys.plan import PlanError, SitePlan
from digitise.surveys.survey import load_surveys
from review_app import worklist

AT_ONCE_MADE = 300  # surveys whose tables are made while somebody waits for the page; more are made in the background
LEVEL = 0.95


def chosen_packs(store: Store, pack: str) -> list[str]:
    """The packs to report: one, or all when `pack` is empty; none when there is no such pack."""
    return [p for p in store.packs() if pack in ("", p)]


def report_parts(store: Store) -> tuple[Volume, ...]:
    """All surveys in parts of `ON_A_PAGE` at most, by site and date, those without a site last."""
    return _report_parts(store, worklist.store_state(store))


def part_numbered(store: Store, number: str) -> Volume | None:
    """The part with this number, 1 for the first; None for an empty text, and where there is only one.

    `ValueError` in words where there is no such part.
    """
    parts = report_parts(store) if number else ()
    if number and not (number.isascii() and number.isdigit() and len(number) < 9 and 0 < int(number) <= len(parts)):
        raise ValueError("there is no such part of the results; choose one on the Results page")
    return parts[int(number) - 1] if len(parts) > 1 else None


@lru_cache(maxsize=4)
def _report_parts(store: Store, _state: str) -> tuple[Volume, ...]:
    placed = worklist.sites_and_dates(store, store.pages())
    return volumes_of([(*placed.get(pack, ("", "")), pack) for pack in store.packs()], most=ON_A_PAGE)


def results_page(store: Store, packs: Sequence[str], *, part: bool = False) -> str:
    """The report as a page; ``ValueError`` when no sheet of these packs has been read.

    Where they are `part` of many, groups of sites are those of all surveys in the store: a group is more than a part.
    """
    surveys = load_surveys(store, packs)
    origin = provenance(surveys, now=worklist.utc_now())
    if not origin.packs:
        raise ValueError("no sheet of this survey has been read yet, so there are no results")
    photos = store.photos()
    rest = {"earlier": tuple(earlier_results(store.folder)), "audits": tuple(store.audits.all())}
    places = _grouped(store)
    groups = _groups_of_all(store, worklist.store_state(store), places) if part and places else None
    known = tuple((p.sha256, p.status) for p in photos)
    key = (store, origin.packs, origin.digest, known, *rest.values(), places, groups)

    def made() -> str:
        results = [survey_results(s) for s in surveys]
        found = groups or Groups(tuple(groups_of_results(results, places)))
        return page_html(results, photos, origin, groups=found, **rest)

    return _pages.found(key, made)


class _Pages:
    """The last pages that were made; they are shown again while nothing has changed."""

    def __init__(self, most: int) -> None:
        self._most, self._lock = most, threading.Lock()
        self._made: OrderedDict[tuple, str] = OrderedDict()

    def found(self, key: tuple, made: Callable[[], str]) -> str:
        """The page with this key, made where it is not known."""
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        page = made()
        with self._lock:
            self._made[key] = page
            while len(self._made) > self._most:
                self._made.popitem(last=False)
        return page


_pages = _Pages(8)


def _groups_of_all(store: Store, state: str, places: tuple[SitePlan, ...]) -> Groups:
    """Groups of all surveys, from the tables kept beside the store; where these are to be made first, how many.

    Nothing is made in the background for a store whose folder takes no files: whoever asks waits, once for a `state`.
    """
    with contextlib.closing(KeptTables(store)) as kept:
        if (waiting := kept.waiting) > AT_ONCE_MADE and kept.keeps:
            return Groups((), waiting=waiting)
    return _groups_made(store, state, places)


@lru_cache(maxsize=2)
def _groups_made(store: Store, _state: str, places: tuple[SitePlan, ...]) -> Groups:
    with contextlib.closing(KeptTables(store)) as kept:
        surveys = kept.read("surveys", columns=SURVEY_COLUMNS)
        cover, density = (kept.read(name, level="site") for name in ("cover", "density"))
    unplaced = int(((surveys["site"] == "") | (surveys["date"] == "")).sum())
    values = group_values(places, surveys, cover, density, level=LEVEL)
    return Groups(tuple(values), of_all=True, unplaced=unplaced)


def _grouped(store: Store) -> tuple[SitePlan, ...]:
    """Sites with a group; none when a kept plan cannot be used (the command line says what is wrong)."""
    try:
        return grouped_sites(store.folder)
    except PlanError:
        return ()


def tables_zip(store: Store, packs: Sequence[str]) -> bytes:
    """All tables of these surveys and the text that explains them, as one ZIP file."""
    out = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        summary = write_export(
            store, Path(folder), now=worklist.utc_now(), packs=packs, formats=("tables",), with_unreviewed=True
        )
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in summary.files:
                archive.write(path, path.name)
    return out.getvalue()
