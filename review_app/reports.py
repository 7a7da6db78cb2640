"""The report and the tables, made when asked for and kept while nothing has changed."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Sequence
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
from digitise.surveys.plan import PlanError, SitePlan
from digitise.surveys.survey import load_surveys
from review_app import worklist


def chosen_packs(store: Store, pack: str) -> list[str]:
    """The packs to report: one, or all when `pack` is empty; none when there is no such pack."""
    return [p for p in store.packs() if pack in ("", p)]


def results_page(store: Store, packs: Sequence[str]) -> str:
    """The report as a page; ``ValueError`` when no sheet of these packs has been read."""
    origin = provenance(load_surveys(store, packs), now=worklist.utc_now())
    if not origin.packs:
        raise ValueError("no sheet of this survey has been read yet, so there are no results")
    kept = tuple((p.sha256, p.status) for p in store.photos())
    audits = tuple(store.audits.all())
    earlier = tuple(earlier_results(store.folder))
    return _results_page(store, origin.packs, origin.digest, kept, earlier, audits, _grouped(store))


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
