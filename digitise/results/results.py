"""From surveys to numbers: percent cover, density and impacts, each with what its interval covers.

The sampling unit is the transect. A site's interval is the spread between its transects; one transect has none.
Unread, illegible and blank points shrink the denominator and are bounded without assumptions; unread belts are left
out; neither is ever a zero. Beside that stands what is expected when unread cells count by their probabilities.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from operator import attrgetter

from digitise.results.belts import DensityLine, ImpactLine, densities, impacts
from digitise.results.covers import LineResult, line_result
from digitise.sheets.protocol import BeltSheet, LineSheet
from digitise.store import RULE
from digitise.surveys.survey import Survey


@dataclass(frozen=True, slots=True)
class SheetQuality:
    """Cells of one sheet over all transects. `by_rule + by_person + unread == cells`; blank and illegible are among
    them. `photos` counts the pages that were read.
    """

    title: str
    photos: int
    cells: int
    by_rule: int
    by_person: int
    unread: int
    illegible: int
    blank: int


@dataclass(frozen=True, slots=True)
class SurveyResults:
    """Everything reported of one survey."""

    survey: Survey
    level: float
    lines: tuple[LineResult, ...]
    densities: tuple[DensityLine, ...]
    impacts: tuple[ImpactLine, ...]
    quality: tuple[SheetQuality, ...]

    @property
    def name(self) -> str:
        """The site's name, or the pack while that is not entered."""
        return self.survey.site or f"Pack {self.survey.pack}"

    @property
    def provisional(self) -> bool:
        """Whether anything is still missing that a person could supply."""
        return bool(self.survey.unread or self.survey.missing)


def survey_results(survey: Survey, *, level: float = 0.95) -> SurveyResults:
    """Cover, density, impacts and data quality of one survey. `level` is the confidence of the intervals."""
    sheets = survey.protocol.sheets
    lines = [line_result(survey, name, s, level=level) for name, s in sheets.items() if isinstance(s, LineSheet)]
    belts = [(name, s) for name, s in sheets.items() if isinstance(s, BeltSheet)]
    return SurveyResults(
        survey,
        level,
        tuple(x for x in lines if x is not None),
        tuple(d for name, s in belts for d in densities(survey, name, s, level=level)),
        tuple(i for name, s in belts for i in impacts(survey, name, s, level=level)),
        _quality(survey),
    )


def _quality(survey: Survey) -> tuple[SheetQuality, ...]:
    sheet_of = {p.id: p.sheet for p in survey.pages}
    photos = Counter(sheet_of.values())
    cells, rule, states = Counter(), Counter(), Counter()
    for (page, state, by), n in Counter(map(attrgetter("page_id", "state", "by"), survey.cells)).items():
        sheet = sheet_of[page]
        cells[sheet] += n
        rule[sheet] += n if by == RULE else 0
        states[sheet, state] += n
    return tuple(
        SheetQuality(
            sheet.title,
            photos[name],
            cells[name],
            rule[name],
            cells[name] - rule[name] - states[name, "unread"],
            states[name, "unread"],
            states[name, "illegible"],
            states[name, "blank"],
        )
        for name, sheet in survey.protocol.sheets.items()
    )
