"""From surveys to numbers, tables and one page: percent cover, density, impacts.

Pandas and Matplotlib are imported only when a table or a figure is made.
"""

from digitise.results.belt_tables import density_table, impact_table, occurrence_table
from digitise.results.page import page_html, results_html, write_results
from digitise.results.results import (
    PER_M2,
    CoverLine,
    DensityLine,
    ImpactLine,
    LineResult,
    SheetQuality,
    SurveyResults,
    survey_results,
    transect_points,
)
from digitise.results.tables import cover_table

__all__ = [
    "PER_M2",
    "CoverLine",
    "DensityLine",
    "ImpactLine",
    "LineResult",
    "SheetQuality",
    "SurveyResults",
    "cover_table",
    "density_table",
    "impact_table",
    "occurrence_table",
    "page_html",
    "results_html",
    "survey_results",
    "transect_points",
    "write_results",
]
