"""The report for those who manage the reserve: one HTML page and one PDF from the same blocks, figures beside them."""

from digitise.report.build import build_report, page_html, write_report

__all__ = ["build_report", "page_html", "write_report"]
