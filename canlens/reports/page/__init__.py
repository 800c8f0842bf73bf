"""Page: a result as one HTML file that opens from disk, with nothing fetched."""

from __future__ import annotations

from canlens.reports.page.check_page import check_page
from canlens.reports.page.comparison_page import comparison_page
from canlens.reports.page.survey_page import survey_page

__all__ = ["check_page", "comparison_page", "survey_page"]
