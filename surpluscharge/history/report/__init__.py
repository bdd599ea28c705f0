"""A stretch of local days: its figures, the same in words, as text for a terminal, and as a page with pictures.

What a command needs of it is named here, but for the page, whose libraries come with the report extra. The paper that
pages are written on, and the hand that draws on it, are planning's as well.
"""

from surpluscharge.history.report.figures import Household, Report, ReportError, as_json, build, month_of
from surpluscharge.history.report.text import as_text, marks_for
from surpluscharge.history.report.words import period_name

__all__ = [
    "Household",
    "Report",
    "ReportError",
    "as_json",
    "as_text",
    "build",
    "marks_for",
    "month_of",
    "period_name",
]
