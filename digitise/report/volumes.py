"""A report of many surveys in volumes: one says what all of them say together, the others have the surveys themselves.

So a page opens in a browser, and memory holds the pages of some surveys at a time, however many there are.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from digitise.report.blocks import Heading, Notice, Paragraph, Part, Report, Table, Text
from digitise.report.quality import photographs_part
from digitise.report.survey_part import anchor, names_of, survey_part
from digitise.report.together import visit_of
from digitise.report.words import status
from digitise.results import SurveyResults
from digitise.surveys.roster import site_key
from digitise.wording import plural

AT_ONCE = 40  # surveys on one page: it takes seconds to make, and a browser shows it at once
FOLDER = "volumes"

Placed = tuple[str, str, str]  # site and date of a survey, empty while not entered, and its pack


@dataclass(frozen=True, slots=True)
class Volume:
    """Some of many surveys, whole sites together: what one page can show."""

    name: str
    packs: tuple[str, ...]


def volumes_of(surveys: Iterable[Placed], *, most: int = AT_ONCE) -> tuple[Volume, ...]:
    """All surveys in volumes of `most` at most, by site and date, those without a site last.

    >>> [v.packs for v in volumes_of([("B", "2025", "p"), ("A", "2026", "q"), ("A", "2025", "r")], most=2)]
    [('r', 'q'), ('p',)]
    """
    by_site: dict[str, list[Placed]] = {}
    for one in sorted(surveys, key=lambda s: (not s[0], site_key(s[0]), s[1])):
        by_site.setdefault(site_key(one[0]), []).append(one)
    volumes: list[list[Placed]] = [[]]
    for own in by_site.values():
        if len(volumes[-1]) + len(own) > most and volumes[-1]:
            volumes.append([])
        for i in range(0, len(own), most):  # a site has a volume of its own, or more, where it has so many
            if i:
                volumes.append([])
            volumes[-1] += own[i : i + most]
    return tuple(Volume(_name(some), tuple(pack for *_, pack in some)) for some in volumes if some)


def _name(surveys: Sequence[Placed]) -> str:
    """The first and the last site, or pack while that is not entered; dates where it is one site."""
    (first, begins, pack), (last, ends, other) = surveys[0], surveys[-1]
    if first and site_key(first) == site_key(last):
        return " · ".join(filter(None, (first, " to ".join(dict.fromkeys(filter(None, (begins, ends)))))))
    return " to ".join(dict.fromkeys((first or f"pack {pack}", last or f"pack {other}")))


def file_name(number: int) -> str:
    """The name of a volume's files, without its ending; the first is number 1."""
    return f"surveys-{number:02d}"


def volumes_part(volumes: Sequence[Volume]) -> Part:
    """Where each survey is to be found."""
    files = [f"{FOLDER}/{file_name(i)}" for i in range(1, len(volumes) + 1)]
    rows = tuple(
        ("", (v.name, str(len(v.packs)), Text(f"{file}.html", "file"), Text(f"{file}.pdf", "file")))
        for v, file in zip(volumes, files, strict=True)
    )
    words = (
        f"There are too many surveys for one page. Each is in one of {plural(len(volumes), 'volume')} beside this one, "
        "with its covers, densities, impacts and photographs."
    )
    table = Table(("From and to", "Surveys", "Page", "Paper"), rows, "By site and date.", words=(0, 2, 3))
    return Part((Heading(1, "The surveys, in volumes", "volumes"), Paragraph(words), table), "volumes", new_page=True)


def volume_report(volume: Volume, results: Sequence[SurveyResults], main: Report, *, number: int) -> Report:
    """One volume: the parts of its surveys and their photographs; `main` is the report that it belongs to."""
    complete, sentence = status([visit_of(r) for r in results])
    parts = [*(survey_part(r, named=True) for r in results), photographs_part(results)]
    names = [*names_of(results), "Photographs"]
    anchors = [*map(anchor, results), "photographs"]
    return Report(
        title=main.title,
        programme=main.programme,
        subtitle=f"volume {number}: {volume.name}",
        notice=Notice("done" if complete else "open", "Complete" if complete else "Provisional", sentence),
        contents=tuple(zip(anchors, names, strict=True)),
        parts=parts,
        footer=main.footer,
        made=main.made,
    )
