"""What is missing, double or contradictory in a survey, and in which cell."""

from digitise.completeness.case import ORDER, Checked
from digitise.completeness.check import FINDERS, SurveyCheck, check_store, check_survey

__all__ = ["FINDERS", "ORDER", "Checked", "SurveyCheck", "check_store", "check_survey"]
