"""Page: a result as one HTML file that opens from disk, with nothing fetched."""

from canlens.reports.page.check_page import check_page

__all__ = ["check_page"]
