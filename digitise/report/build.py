"""From surveys to a `Report`, and a report to files: one page, one PDF, its figures, and the numbers behind each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.collecting import collecting_less
from digitise.earlier import EarlierResult
from digitise.exchange.spool import SpooledResults, SurveySpool
from digitise.provenance import Origins, Provenance, in_turn
from digitise.report.blocks import Notice, Part, Report
from digitise.report.change_part import change_part, last_changes
from digitise.report.group_part import Groups, group_part
from digitise.report.html import html_page, html_pieces
from digitise.report.occurrence_part import community_part
from digitise.report.overview import comparison_part, trends_part, where_part
from digitise.report.quality import methods_part, origin_of_volumes, origin_part, quality_part
from digitise.report.short_part import newest_of_sites, short_part
from digitise.report.survey_part import anchor, date_words, names_of, survey_part
from digitise.report.together import Together, Visit, together
from digitise.report.volumes import AT_ONCE, FOLDER, Volume, file_name, volume_report, volumes_of, volumes_part
from digitise.report.words import status
from digitise.results import SurveyResults, survey_results
from digitise.results.compare import Compared
from digitise.results.groups import groups_of_results
from digitise.spool import on_disk_of
from digitise.store import PhotoRow
from digitise.surveys.known_plan import grouped_sites
from digitise.surveys.roster import site_key
from digitise.surveys.survey import iter_surveys, without_marks
from digitise.wording import plural

if TYPE_CHECKING:
    from digitise.store import Store
    from digitise.store.audits import Audit


NAMES = {  # of parts, in the list of contents
    "short": "In short",
    "surveyed": "What was surveyed",
    "groups": "Groups of sites",
    "side-by-side": "Side by side",
    "changes": "What changed",
    "along-time": "Along time",
    "diversity": "Diversity",
    "data-quality": "Data quality",
    "volumes": "The surveys, in volumes",
    "methods": "Methods",
    "provenance": "Provenance",
}


def build_report(
    results: Sequence[SurveyResults],
    photos: Sequence[PhotoRow],
    origin: Provenance,
    *,
    earlier: Sequence[EarlierResult] = (),
    audits: Sequence[Audit] = (),
    groups: Groups | None = None,
    volumes: Sequence[Volume] = (),
    told: Together | None = None,
) -> Report:
    """The report of one survey or several. `photos` are all photographs of the store, refused ones too.

    `earlier` results of other sites are left out, and `audits` of other packs. `groups` of sites come after the
    overview. Where the surveys themselves are in `volumes`, it says in which. What is `told` of all surveys together is
    gathered where it is not given.
    """
    told = told or together(results)
    visits, several = told.visits, len(results) > 1
    complete, sentence = status(visits)
    changes, groups = last_changes(results, visits), _with_unplaced(groups or Groups(), visits)
    overview = _overview(results, told, groups, changes, earlier)
    trust = (community_part(told), quality_part(told, origin, photos, audits))
    surveys = (volumes_part(volumes),) if volumes else tuple(survey_part(r, named=several) for r in results)
    middle = (*trust, *surveys) if several else (*surveys, *trust)
    methods = methods_part(told, origin, audits, changes, groups.values)
    end = (methods, origin_of_volumes(origin) if volumes else origin_part(results, origin))
    parts = [part for part in (*overview, *middle, *end) if part is not None]
    names = NAMES if volumes else NAMES | _names_of(results, several=several)
    return Report(
        title="Reef survey report" if several else results[0].name,
        programme="; ".join(dict.fromkeys(v.programme for v in visits)),
        subtitle=_span(visits) if several else date_words(results[0]),
        notice=Notice("done" if complete else "open", "Complete" if complete else "Provisional", sentence),
        contents=tuple((part.anchor, names[part.anchor]) for part in parts),
        parts=parts,
        footer=_footer(origin),
        made=f"{origin.tool} {origin.tool_version}",
    )


def _with_unplaced(groups: Groups, visits: Sequence[Visit]) -> Groups:
    """The groups, with how many surveys are of no known site and day and so in none of them."""
    return groups if groups.of_all else replace(groups, unplaced=sum(not (v.site and v.date) for v in visits))


def _overview(
    results: Sequence[SurveyResults],
    told: Together,
    groups: Groups,
    changes: Sequence[Compared],
    earlier: Sequence[EarlierResult],
) -> tuple[Part | None, ...]:
    """What stands before single surveys: in short, where, groups, side by side, changes, along time."""
    visits, newest = told.visits, newest_of_sites(results, told.visits)
    sites = {site_key(v.site) for v in visits if v.site}
    return (
        short_part(newest, changes, unnamed=sum(not v.site for v in visits)),
        where_part(told),
        group_part(groups),
        comparison_part(newest, surveys=len(results)),
        change_part(changes),
        trends_part(results, visits, [e for e in earlier if site_key(e.site) in sites]),
    )


def _footer(origin: Provenance) -> str:
    return (
        f"Made {origin.created_at} by {origin.tool} {origin.tool_version} from "
        f"{plural(len(origin.photo_sha256), 'photograph')}; data {origin.digest[:12]}"
    )


def _names_of(results: Sequence[SurveyResults], *, several: bool) -> dict[str, str]:
    """Words of the surveys' parts in the list of contents."""
    names = names_of(results) if several else ["Results"]
    return dict(zip(map(anchor, results), names, strict=True))


def _span(visits: Sequence[Visit]) -> str:
    """Sites, where they are few, and dates."""
    sites = list({site_key(v.name): v.name for v in visits}.values())
    where = ", ".join(sites)
    if len(sites) > 3:
        named = {site_key(v.site) for v in visits if v.site}
        unnamed = sum(not v.site for v in visits)
        words = [plural(len(named), "site")] if named else []
        where = " and ".join([*words, *([f"{plural(unnamed, 'survey')} without a name"] if unnamed else [])])
    days = sorted(v.date for v in visits if v.date)
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
    (each figure as SVG and PNG, with the numbers that it draws as CSV); of many surveys also ``volumes/``. Returns the
    paths. `tick` is called, with how many there are as far as is known, whenever a survey is worked out or the figures
    of a part are drawn.

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
    with collecting_less(), on_disk_of(out):
        results, origin = _results(store, came, level=level, now=now, tick=lambda: tick(len(came)))
    rest = {"earlier": earlier_results(store.folder), "audits": store.audits.all()}
    groups = Groups(tuple(groups_of_results(results, grouped_sites(store.folder))))
    return report_files(results, store.photos(), origin, out, groups=groups, tick=tick, **rest)


def _results(
    store: Store, packs: Sequence[str], *, level: float, now: datetime, tick: Callable[[], None]
) -> tuple[Sequence[SurveyResults], Provenance]:
    """Results of these packs' surveys by date, then as the packs are given, and their origin.

    Marks are not held. Results of more surveys than one page has lie on disk.
    """
    spool, dates, origins = SurveySpool(), {}, Origins()
    for survey in iter_surveys(store, sorted(packs, key=in_turn)):
        origins.add(survey)
        spool.put_results(replace(survey_results(survey, level=level), survey=without_marks(survey)))
        dates[survey.pack] = survey.date or "9999"
        tick()
    order = sorted(packs, key=lambda pack: dates[pack])
    results = SpooledResults(spool, order)
    return results if len(order) > AT_ONCE else list(results), origins.record(order, now=now)


def report_files(
    results: Sequence[SurveyResults],
    photos: Sequence[PhotoRow],
    origin: Provenance,
    out: Path,
    *,
    earlier: Sequence[EarlierResult] = (),
    audits: Sequence[Audit] = (),
    groups: Groups | None = None,
    tick: Callable[[int], None] = lambda total: None,
) -> list[Path]:
    """Write the report of these surveys and its numbers into the folder `out`, page and PDF first; returns the paths.

    More surveys than one page has (`digitise.report.volumes`) are in volumes beside it. Arguments as in `build_report`;
    `tick` as in `write_report`.
    """
    from digitise.exchange.package import write_csv
    from digitise.exchange.tables import groups_table, result_tables

    many = len(results) > AT_ONCE
    for folder in ("tables", "figures", *((FOLDER,) if many else ())):
        (out / folder).mkdir(parents=True, exist_ok=True)
    with collecting_less():
        told = together(results)
        placed = [(v.site or "", v.date or "", v.pack) for v in told.visits] if many else []
        volumes = volumes_of(placed, most=AT_ONCE) if many else ()
        rest = {"earlier": earlier, "audits": audits, "groups": groups, "volumes": volumes, "told": told}
        report = build_report(results, photos, origin, **rest)
    with on_disk_of(out):
        total = len(results) + len(report.parts) + sum(len(v.packs) + 1 for v in volumes)
        pages = _pages(report, out, "report")
        tables = [*result_tables(results), *([groups_table(groups.values)] if groups and groups.values else [])]
        files = [*write_csv(tables, out / "tables"), *_figures(report, out / "figures", lambda: tick(total))]
        place = {pack: i for i, (_, _, pack) in enumerate(placed)}
        for number, volume in enumerate(volumes, start=1):
            own = volume_report(volume, [results[place[p]] for p in volume.packs], report, number=number)
            files += _pages(own, out / FOLDER, file_name(number))
            files += _figures(own, out / "figures", lambda: tick(total))
    return [*pages, *files]


def _pages(report: Report, folder: Path, name: str) -> list[Path]:
    """Page and paper."""
    from digitise.report.pdf import pdf_bytes

    page, paper = folder / f"{name}.html", folder / f"{name}.pdf"
    with page.open("w", encoding="utf-8") as stream:
        stream.writelines(html_pieces(report))
    paper.write_bytes(pdf_bytes(report))
    return [page, paper]


def _figures(report: Report, folder: Path, drawn: Callable[[], None]) -> list[Path]:
    from digitise.report.figure_files import write_figure

    out = []
    for part in report.parts:
        for figure in part.figures:
            out += write_figure(figure.wide, figure.data, folder)
        drawn()
    return out
