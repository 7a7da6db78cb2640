"""The report and the tables, made when asked for and kept while nothing has changed."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from digitise.earlier import EarlierResult
from digitise.earlier.keep import earlier_results
from digitise.exchange.write import write_export
from digitise.provenance import provenance
from digitise.report import page_html
from digitise.results import survey_results
from digitise.results.groups import groups_of_results
from digitise.store import Store
from digitise.store.audits import Audit
from digitise.surveys.known_plan import grouped_sites
from digitise.surveys.places import site_key
from digitise.surveys.plan import PlanError, SitePlan
from digitise.surveys.survey import load_surveys
from review_app import worklist

ON_A_PAGE = 40  # surveys: their page takes seconds to make, and a browser shows it at once


def chosen_packs(store: Store, pack: str) -> list[str]:
    """The packs to report: one, or all when `pack` is empty; none when there is no such pack."""
    return [p for p in store.packs() if pack in ("", p)]


@dataclass(frozen=True, slots=True)
class ReportPart:
    """Some of many surveys, whole sites together: what one page can show."""

    name: str
    packs: tuple[str, ...]


def report_parts(store: Store) -> tuple[ReportPart, ...]:
    """All surveys in parts of `ON_A_PAGE` at most, by site and date, those without a site last."""
    return _report_parts(store, worklist.store_state(store))


def part_numbered(store: Store, number: str) -> ReportPart | None:
    """The part with this number, 1 for the first; None for an empty text, and where there is only one."""
    parts = report_parts(store) if number else ()
    if number and not (number.isascii() and number.isdigit() and len(number) < 9 and 0 < int(number) <= len(parts)):
        raise ValueError("there is no such part of the results; choose one on the Results page")
    return parts[int(number) - 1] if len(parts) > 1 else None


@lru_cache(maxsize=4)
def _report_parts(store: Store, _state: str) -> tuple[ReportPart, ...]:
    placed = worklist.sites_and_dates(store, store.pages())
    surveys = [(*placed.get(pack, ("", "")), pack) for pack in store.packs()]
    by_site: dict[str, list[tuple[str, str, str]]] = {}
    for one in sorted(surveys, key=lambda s: (not s[0], site_key(s[0]), s[1])):
        by_site.setdefault(site_key(one[0]), []).append(one)
    parts: list[list[tuple[str, str, str]]] = [[]]
    for own in by_site.values():
        if len(parts[-1]) + len(own) > ON_A_PAGE and parts[-1]:
            parts.append([])
        for i in range(0, len(own), ON_A_PAGE):  # a site has a page of its own, or more, where it has so many
            if i:
                parts.append([])
            parts[-1] += own[i : i + ON_A_PAGE]
    return tuple(ReportPart(_part_name(part), tuple(pack for *_, pack in part)) for part in parts if part)


def _part_name(surveys: Sequence[tuple[str, str, str]]) -> str:
    """The first and the last site, or pack while that is not entered; dates where it is one site."""
    (first, begins, pack), (last, ends, other) = surveys[0], surveys[-1]
    if first and site_key(first) == site_key(last):
        return " · ".join(filter(None, (first, " to ".join(dict.fromkeys(filter(None, (begins, ends)))))))
    return " to ".join(dict.fromkeys((first or f"pack {pack}", last or f"pack {other}")))


def results_page(store: Store, packs: Sequence[str], *, groups: bool = True) -> str:
    """The report as a page; ``ValueError`` when no sheet of these packs has been read.

    Without `groups` of sites where `packs` are some of many: a group is more than those.
    """
    origin = provenance(load_surveys(store, packs), now=worklist.utc_now())
    if not origin.packs:
        raise ValueError("no sheet of this survey has been read yet, so there are no results")
    kept = tuple((p.sha256, p.status) for p in store.photos())
    audits = tuple(store.audits.all())
    earlier = tuple(earlier_results(store.folder))
    places = _grouped(store) if groups else ()
    return _results_page(store, origin.packs, origin.digest, kept, earlier, audits, places)


def _grouped(store: Store) -> tuple[SitePlan, ...]:
    """Sites with a group; none when a kept plan cannot be used (the command line says what is wrong)."""
    try:
        return grouped_sites(store.folder)
    except PlanError:
        return ()


@lru_cache(maxsize=8)
def _results_page(
    store: Store,
    packs: tuple[str, ...],
    _digest: str,
    _photos: tuple,
    earlier: tuple[EarlierResult, ...],
    audits: tuple[Audit, ...],
    places: tuple[SitePlan, ...],
) -> str:
    surveys = load_surveys(store, packs)
    origin = provenance(surveys, now=worklist.utc_now())
    results = [survey_results(s) for s in surveys]
    groups = groups_of_results(results, places)
    return page_html(results, store.photos(), origin, earlier=earlier, audits=audits, groups=groups)


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
