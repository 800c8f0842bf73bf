"""Pictures of each kind of result, in the order in which a page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.layout import visible
from canlens.reports.pictures.intervals import interval_picture, latency_picture
from canlens.reports.pictures.side_by_side import compared_picture
from canlens.reports.pictures.time_line import load_line, time_line

if TYPE_CHECKING:
    from canlens.nouns.pictures import Drawn, DrawnComparison
    from canlens.reports.pictures.picture import Picture
    from canlens.results.check import CheckResult


def check_pictures(result: CheckResult, drawn: Drawn) -> tuple[Picture, ...]:
    """Draw a job: a time line and the latencies of each recording."""
    several = len(drawn.recordings) > 1
    lines: list[Picture] = []
    distributions: list[Picture | None] = []
    for number, own in enumerate(drawn.recordings, 1):
        suffix = f"-{number}" if several else ""
        which = f" – recording {number}, {visible(result.recordings[number - 1].file)}" if several else ""
        lines.append(time_line(own, name=f"time-line{suffix}", title=f"What happened when{which}"))
        title = f"How long each output took to answer{which}"
        distributions.append(latency_picture(own.latencies, name=f"latencies{suffix}", title=title))
    return (*lines, *(each for each in distributions if each is not None))


def survey_pictures(drawn: Drawn) -> tuple[Picture, ...]:
    """Draw a bus: its load with the errors over time, and the intervals of its messages."""
    found = (
        load_line(drawn.recordings[-1], name="load", title="Bus load and errors over time"),
        interval_picture(drawn.intervals, drawn.messages, name="intervals", title="How often each message came"),
    )
    return tuple(each for each in found if each is not None)


def comparison_pictures(drawn: DrawnComparison) -> tuple[Picture, ...]:
    """Draw two recordings side by side: load, errors, and the messages whose rhythm changed."""
    found = compared_picture(drawn, name="before-after", title="Before and after")
    return () if found is None else (found,)
