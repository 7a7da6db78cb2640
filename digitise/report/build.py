"""From surveys to a `Report`, and a report to files: one page, one PDF, its figures, and the numbers behind each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.collecting import collecting_less
from digitise.earlier import EarlierResult
from digitise.provenance import Origins, Provenance, in_turn
from digitise.report.blocks import Notice, Part, Report
from digitise.report.change_part import change_part, last_changes
from digitise.report.group_part import Groups, group_part
from digitise.report.html import html_page, html_pieces
from digitise.report.occurrence_part import community_part
from digitise.report.overview import comparison_part, trends_part, where_part
from digitise.report.quality import methods_part, origin_part, quality_part
from digitise.report.short_part import short_part
from digitise.report.survey_part import anchor, date_words, survey_part
from digitise.report.words import status
from digitise.results import SurveyResults, survey_results
from digitise.results.groups import GroupValue, groups_of_results
from digitise.spool import Spooled
from digitise.store import PhotoRow
from digitise.surveys.known_plan import grouped_sites
from digitise.surveys.places import site_key
from digitise.surveys.survey import iter_surveys, without_marks
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.store import Store
    from digitise.store.audits import Audit


HELD = 50  # surveys whose parts are held in memory; those of more lie on disk


def build_report(
    results: Sequence[SurveyResults],
    photos: Sequence[PhotoRow],
    origin: Provenance,
    *,
    earlier: Sequence[EarlierResult] = (),
    audits: Sequence[Audit] = (),
    groups: Groups | None = None,
) -> Report:
    """The report of one survey or several. `photos` are all photographs of the store, refused ones too.

    `earlier` results of other sites are left out, and `audits` of other packs. `groups` of sites come after the
    overview.
    """
    complete, sentence = status(results)
    several = len(results) > 1
    sites = {site_key(r.survey.site) for r in results if r.survey.site}
    earlier = [e for e in earlier if site_key(e.site) in sites]
    changes = last_changes(results)
    groups = groups or Groups()
    if not groups.of_all:
        groups = replace(groups, unplaced=sum(not (r.survey.site and r.survey.date) for r in results))

    def overview() -> Iterator[Part | None]:
        yield short_part(results, changes)
        yield where_part(results)
        yield group_part(groups)
        yield comparison_part(results)
        yield change_part(changes)
        yield trends_part(results, earlier)

    def trust() -> Iterator[Part | None]:
        yield community_part(results)
        yield quality_part(results, photos, audits)

    surveys = (survey_part(r, named=several) for r in results)
    middle = (trust(), surveys) if several else (surveys, trust())
    end = (methods_part(results, origin, audits, changes, groups.values), origin_part(results, origin))
    parts: Spooled[Part] | list[Part] = Spooled() if len(results) > HELD else []
    anchors = []
    for part in chain(overview(), *middle, end):
        if part is not None:
            parts.append(part)
            anchors.append(part.anchor)
    names = {
        "short": "In short",
        "surveyed": "What was surveyed",
        "groups": "Groups of sites",
        "side-by-side": "Side by side",
        "changes": "What changed",
        "along-time": "Along time",
    }
    names |= {anchor(r): f"{r.name}, {date_words(r)}" if several else "Results" for r in results}
    names |= {
        "diversity": "Diversity",
        "data-quality": "Data quality",
        "methods": "Methods",
        "provenance": "Provenance",
    }
    programmes = dict.fromkeys(r.survey.protocol.programme for r in results)
    return Report(
        title="Reef survey report" if several else results[0].name,
        programme="; ".join(programmes),
        subtitle=_span(results) if several else date_words(results[0]),
        notice=Notice("done" if complete else "open", "Complete" if complete else "Provisional", sentence),
        contents=tuple((one, names[one]) for one in anchors),
        parts=parts,
        footer=(
            f"Made {origin.created_at} by {origin.tool} {origin.tool_version} from "
            f"{plural(len(origin.photo_sha256), 'photograph')}; data {origin.digest[:12]}"
        ),
        made=f"{origin.tool} {origin.tool_version}",
    )


def _span(results: Sequence[SurveyResults]) -> str:
    """Sites, where they are few, and dates."""
    sites = list({site_key(r.name): r.name for r in results}.values())
    where = ", ".join(sites)
    if len(sites) > 3:
        named = {site_key(r.survey.site) for r in results if r.survey.site}
        unnamed = sum(not r.survey.site for r in results)
        words = [plural(len(named), "site")] if named else []
        where = " and ".join([*words, *([f"{plural(unnamed, 'survey')} without a name"] if unnamed else [])])
    days = sorted(r.survey.date for r in results if r.survey.date)
    when = "" if not days else days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return ", ".join(w for w in (where, when) if w)


def page_html(
    results: Sequence[SurveyResults],
    photos: Sequence[PhotoRow],
    origin: Provenance,
    *,
    earlier: Sequence[EarlierResult] = (),
    audits: Sequence[Audit] = (),
    groups: Groups | None = None,
) -> str:
    """The report as one HTML page."""
    return html_page(build_report(results, photos, origin, earlier=earlier, audits=audits, groups=groups))


def write_report(
    store: Store,
    out: Path,
    *,
    now: datetime,
    packs: Sequence[str] | None = None,
    level: float = 0.95,
    tick: Callable[[int], None] = lambda total: None,
) -> list[Path]:
    """Write the report of these packs (of every pack in the store when None) into the folder `out`.

    ``report.html``, ``report.pdf``, ``tables/`` (cover, density, impacts and groups of sites as CSV) and ``figures/``
    (each figure as SVG and PNG, with the numbers that it draws as CSV). Returns the paths. `tick` is called, with how
    many there are as far as is known, whenever a survey is worked out or a figure drawn.

    Raises
    ------
    ValueError
        No page of any pack has been read, `out` is a file, or a plan kept in the store cannot be used.
    """
    from digitise.earlier.keep import earlier_results

    if out.exists() and not out.is_dir():
        raise ValueError(f"{out}: is a file; choose a folder for the report")
    came = store.packs() if packs is None else list(dict.fromkeys(packs))
    if not came:
        raise ValueError(
            f"{store.folder}: no sheet has been read yet, so nothing can be reported; add photographs first"
        )
    with collecting_less():
        results, origin = _results(store, came, level=level, now=now, tick=lambda: tick(len(came)))
    earlier = earlier_results(store.folder)
    groups = Groups(tuple(groups_of_results(results, grouped_sites(store.folder))))
    report = build_report(results, store.photos(), origin, earlier=earlier, audits=store.audits.all(), groups=groups)
    every = len(results) + sum(1 for _ in report.figures)
    return report_files(results, report, out, groups=groups.values, drawn=lambda: tick(every))


def _results(
    store: Store, packs: Sequence[str], *, level: float, now: datetime, tick: Callable[[], None]
) -> tuple[list[SurveyResults], Provenance]:
    """Results of these packs' surveys by date, then as the packs are given, and their origin; marks are not held."""
    found, origins = {}, Origins()
    for survey in iter_surveys(store, sorted(packs, key=in_turn)):
        origins.add(survey)
        found[survey.pack] = replace(survey_results(survey, level=level), survey=without_marks(survey))
        tick()
    results = sorted((found[pack] for pack in packs), key=lambda r: r.survey.date or "9999")
    return results, origins.record([r.survey.pack for r in results], now=now)


def report_files(
    results: Sequence[SurveyResults],
    report: Report,
    out: Path,
    *,
    groups: Sequence[GroupValue] = (),
    drawn: Callable[[], None] = lambda: None,
) -> list[Path]:
    """Write a report and its numbers into the folder `out`, page and PDF first; returns the paths."""
    from digitise.exchange.package import write_csv
    from digitise.exchange.tables import groups_table, result_tables
    from digitise.report.pdf import pdf_bytes

    for folder in (out / "tables", out / "figures"):
        folder.mkdir(parents=True, exist_ok=True)
    pages = [out / "report.html", out / "report.pdf"]
    with pages[0].open("w", encoding="utf-8") as page:
        page.writelines(html_pieces(report))
    pages[1].write_bytes(pdf_bytes(report))
    tables = [*result_tables(results), *([groups_table(groups)] if groups else [])]
    return [*pages, *write_csv(tables, out / "tables"), *_figures(report, out / "figures", drawn)]


def _figures(report: Report, folder: Path, drawn: Callable[[], None]) -> list[Path]:
    from digitise.report.figure_files import write_figure

    out = []
    for figure in report.figures:
        out += write_figure(figure.wide, figure.data, folder)
        drawn()
    return out
