"""The results page: one self-contained HTML file that a scientist can read, print and check.

No script and nothing fetched; plots are SVG with text as text. Everything that came from a sheet or a file name is
escaped. While cells are unread the page says so at the top and shows what is known.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.provenance import Provenance, provenance
from digitise.results.figures import Plot
from digitise.results.results import SurveyResults, survey_results
from digitise.results.sections import COVER_AXIS, cover_row, date_words, figure, legend, survey_section, table
from digitise.results.style import STYLE
from digitise.results.words import methods, plural, status
from digitise.store import PhotoRow
from digitise.survey import load_surveys

if TYPE_CHECKING:
    from digitise.store import Store


def results_html(store: Store, *, now: datetime, packs: Sequence[str] | None = None, level: float = 0.95) -> str:
    """The page for these packs (every pack in the store when None).

    Raises
    ------
    ValueError
        No page of any pack has been read.
    """
    return page_html(*_results(store, packs, level=level, now=now))


def _results(
    store: Store, packs: Sequence[str] | None, *, level: float, now: datetime
) -> tuple[list[SurveyResults], list[PhotoRow], Provenance]:
    surveys = load_surveys(store, packs)
    if not surveys:
        raise ValueError(f"{store.folder}: no sheet has been read yet, so there are no results; add photographs first")
    return [survey_results(s, level=level) for s in surveys], store.photos(), provenance(surveys, now=now)


def write_results(
    store: Store, out: Path, *, now: datetime, packs: Sequence[str] | None = None, level: float = 0.95
) -> list[Path]:
    """Write ``results.html`` into the folder `out`, and the tables behind it as CSV; returns the paths.

    A path that ends in ``.html`` is the page itself, and the tables go beside it.
    """
    from digitise.exchange.package import write_csv
    from digitise.exchange.tables import result_tables

    page = out if out.suffix == ".html" else out / "results.html"
    results, photos, origin = _results(store, packs, level=level, now=now)
    page.parent.mkdir(parents=True, exist_ok=True)
    page.write_text(page_html(results, photos, origin), encoding="utf-8")
    return [page, *write_csv(result_tables(results), page.parent)]


def page_html(results: Sequence[SurveyResults], photos: Sequence[PhotoRow], origin: Provenance) -> str:
    """The whole page. `photos` are all photographs of the store, refused ones too."""
    complete, sentence = status(results)
    word = "Complete" if complete else "Provisional"
    programme = results[0].survey.protocol.programme
    sections = "".join(survey_section(r, i, named=len(results) > 1) for i, r in enumerate(results))
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Results: {escape(', '.join(r.name for r in results))}</title><style>{STYLE}</style></head><body>"
        f'<header><p class="programme">{escape(programme)}</p>{_heading(results)}'
        f'<p class="status {"done" if complete else "open"}"><strong>{word}.</strong> {escape(sentence)}</p>'
        f"{_contents(results)}</header><main>{_comparison(results)}{sections}{_photographs(results, photos)}"
        f"{_methods(results, origin)}{_origin(origin)}</main></body></html>\n"
    )


def _heading(results: Sequence[SurveyResults]) -> str:
    if len(results) > 1:
        return f"<h1>{len(results)} surveys</h1>"
    return f'<h1>{escape(results[0].name)} <span class="date">{date_words(results[0])}</span></h1>'


def _contents(results: Sequence[SurveyResults]) -> str:
    if len(results) == 1:
        return ""
    links = "".join(
        f'<li><a href="#survey-{i}">{escape(r.name)}</a> {date_words(r)}</li>' for i, r in enumerate(results)
    )
    return f'<ul class="contents">{links}</ul>'


def _comparison(results: Sequence[SurveyResults]) -> str:
    """Headline covers of several surveys side by side."""
    headlines = dict.fromkeys(g.label for r in results for line in r.lines for g in line.groups)
    if len(results) < 2 or not headlines:
        return ""
    plots = ""
    for i, name in enumerate(headlines):
        found = [(r, g) for r in results for line in r.lines for g in line.groups if g.label == name]
        plot = Plot(
            f"compare-{i}",
            f"{name} by survey",
            COVER_AXIS,
            tuple(cover_row(_told_apart(r, results), False, g) for r, g in found),
            percent=True,
        )
        level = f"{100 * results[0].level:g} %"
        plots += f"<h3>{escape(name)}</h3>" + figure(plot, legend(plot, "transects", level))
    return (
        '<section class="survey"><h2>Side by side</h2><p>Overlapping intervals are no test of change: sites differ, '
        f"and lines laid anew differ too.</p>{plots}</section>"
    )


def _told_apart(r: SurveyResults, results: Sequence[SurveyResults]) -> str:
    """The survey's name, with its date where several surveys share the name."""
    shared = sum(other.name == r.name for other in results) > 1
    return f"{r.name} {r.survey.date or r.survey.pack}" if shared else r.name


def _photographs(results: Sequence[SurveyResults], photos: Sequence[PhotoRow]) -> str:
    used = {p.sha256: p for r in results for p in r.survey.pages}
    refused = [p for p in photos if p.status in ("retake", "unreadable")]
    waiting = [p for p in photos if p.status == "waiting"]
    others = sum(p.status == "read" and p.sha256 not in used for p in photos)
    words = [f"{plural(len(photos), 'photograph')} kept", f"{len(used)} used here", f"{len(refused)} refused"]
    if others:
        words.append(f"{others} read but not used here (another photograph of the page counts, or of another pack)")
    if waiting:
        words.append(f"{len(waiting)} not read yet")
    out = f"<h2>Photographs</h2><p>{'; '.join(words)}.</p>"
    if refused:
        items = "".join(f"<li><strong>{escape(p.name)}</strong>: {escape(' '.join(p.reasons))}</li>" for p in refused)
        out += f"<h3>Refused</h3><ul>{items}</ul>"
    rows = [
        (
            "",
            [
                escape(p.photo),
                escape(p.title),
                p.pack or "",
                f"T{p.transect}" if p.transect else "–",
                f"{p.mean_confidence:.3f}",
                f"{p.residual_mm:.2f}" if p.residual_mm >= 0 else "–",
                f'<code title="{p.sha256}">{p.sha256[:12]}…</code>',
            ],
        )
        for r in results
        for p in r.survey.pages
    ]
    head = ["Photograph", "Sheet", "Pack", "Transect", "Mean confidence", "Flattening error, mm", "SHA-256"]
    listed = table(
        head,
        rows,
        caption="Photographs behind these numbers. The error is the 95th percentile distance of "
        "printed corners held out of the fit.",
    )
    return f'<section class="survey">{out}<details><summary>All photographs used</summary>{listed}</details></section>'


def _methods(results: Sequence[SurveyResults], origin: Provenance) -> str:
    items = "".join(f"<p>{_linked(escape(text))}</p>" for text in methods(results, origin))
    return f'<section class="survey methods"><h2>Methods</h2>{items}</section>'


def _linked(text: str) -> str:
    """DOIs become links."""
    return re.sub(r"doi:(10\.[0-9]{4,9}/[^\s,;)]+[^\s,;).])", r'<a href="https://doi.org/\1">doi:\1</a>', text)


def _origin(origin: Provenance) -> str:
    pairs = [
        ("Made", origin.created_at),
        ("By", f"{origin.tool} {origin.tool_version}"),
        ("Reader", ", ".join(origin.reader_versions)),
        ("Protocol", "; ".join(f"{n} {v} ({d[:12]}…)" for n, v, d in origin.protocols)),
        ("Packs", ", ".join(origin.packs)),
        ("Photographs", str(len(origin.photo_sha256))),
        ("Data", f"{origin.digest[:16]}… (equal digests mean equal photographs and entries)"),
    ]
    rows = "".join(f"<div><dt>{a}</dt><dd>{escape(b)}</dd></div>" for a, b in pairs)
    return f'<section class="survey"><h2>Provenance</h2><dl class="facts">{rows}</dl></section>'
