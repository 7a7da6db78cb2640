"""From surveys to numbers and tables: percent cover, density, impacts. Pandas is imported only for a table."""

from digitise.results.belt_tables import density_table, impact_table, occurrence_table
from digitise.results.belts import PER_M2, DensityLine, ImpactLine
from digitise.results.covers import CoverLine, LineResult, transect_points
from digitise.results.results import SheetQuality, SurveyResults, survey_results
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
    "survey_results",
    "transect_points",
]
