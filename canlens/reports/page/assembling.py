"""Assembling: a template with what it shows becomes one file that needs nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from canlens.reports.page.assets import asset, policy
from canlens.reports.page.environment import inline, page_environment
from canlens.results import version

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.reports.pictures import Picture

PLACES = {"latencies": "table", "intervals": "table"}
"""Section in which a picture stands, by the beginning of its name; all others stand in the time line."""


def assembled(template: str, pictures: Sequence[Picture], **shown: Any) -> str:
    """Write a page.

    Parameters
    ----------
    template
        Name of the template.
    pictures
        What is drawn, in order.
    **shown
        What else the template shows.
    """
    script, library = asset("page.js"), _library() if pictures else ""
    return (
        page_environment()
        .get_template(template)
        .render(
            style=inline(asset("page.css")),
            script=inline(script),
            library=inline(library),
            policy=inline(policy(each for each in (library, script) if each)),
            pictures=[_view(each) for each in pictures],
            version=version(),
            **shown,
        )
    )


def _library() -> str:
    from canlens.reports.pictures import plotly_script  # noqa: PLC0415 – only wanted where there is a picture

    return plotly_script()


def _view(picture: Picture) -> dict[str, object]:
    """Return a picture for the templates; ``<`` is written so that no script can end inside the data."""
    return {
        "anchor": f"picture-{picture.name}",
        "place": PLACES.get(picture.name.partition("-")[0], "timeline"),
        "title": picture.title,
        "caption": picture.caption,
        "alternative": picture.alternative,
        "data": inline(picture.figure.replace("<", "\\u003c")),
    }
