"""Pictures of a page: what was measured, as figures that plotly's script draws.

``check_pictures``, ``survey_pictures`` and ``comparison_pictures`` return them in the order in which they are shown;
``plotly_script`` is the script that a page holds once. Nothing here is drawn until the page is opened.
"""

from __future__ import annotations

from canlens.reports.pictures.of_results import check_pictures, comparison_pictures, survey_pictures
from canlens.reports.pictures.picture import Picture, plotly_script

__all__ = ["Picture", "check_pictures", "comparison_pictures", "plotly_script", "survey_pictures"]
