"""What is printed before a survey day: packs of sheets, a briefing for each survey, code cards, slates."""

from digitise.prepare.prepare import Prepared, prepare

__all__ = ["Prepared", "prepare"]
