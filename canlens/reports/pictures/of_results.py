"""Pictures of each kind of result, in the order in which a page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.picturing import drawn_recording
from canlens.measures.picturing.comparisons import drawn_comparison, interval_rows
from canlens.reports.layout import visible
from canlens.reports.pictures.intervals import interval_picture, latency_picture
from canlens.reports.pictures.side_by_side import compared_picture
from canlens.reports.pictures.time_line import load_line, time_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.checkup import Checkup
    from canlens.comparison import Comparison
    from canlens.nouns.pictures import DrawnRecording
    from canlens.overview import Survey
    from canlens.reports.pictures.picture import Picture


def check_pictures(checkup: Checkup, drawn: Sequence[DrawnRecording] = ()) -> tuple[Picture, ...]:
    """Draw a job: a time line and the latencies of each recording.

    Parameters
    ----------
    checkup
        What was found.
    drawn
        What the pictures show, one for each recording, see :func:`canlens.measures.picturing.drawn_recordings`. Where
        it is not given, it is made from the evidence alone: then there are no currents, supply and load.
    """
    shown = tuple(drawn) or tuple(drawn_recording(each) for each in checkup.evidence)
    several = len(shown) > 1
    lines: list[Picture] = []
    distributions: list[Picture | None] = []
    for number, own in enumerate(shown):
        suffix = f"-{number + 1}" if several else ""
        file = checkup.result.recordings[number].file
        which = f" – recording {number + 1}, {visible(file)}" if several else ""
        lines.append(time_line(own, name=f"time-line{suffix}", title=f"What happened when{which}"))
        title = f"How long each output took to answer{which}"
        distributions.append(latency_picture(own.latencies, name=f"latencies{suffix}", title=title))
    return (*lines, *(each for each in distributions if each is not None))


def survey_pictures(survey: Survey, drawn: DrawnRecording | None = None) -> tuple[Picture, ...]:
    """Draw a bus: its load with the errors over time, and the intervals of its messages.

    Parameters
    ----------
    survey
        What was found.
    drawn
        What the pictures show, see :func:`canlens.measures.picturing.drawn_recording`; without it there is no load.
    """
    own = drawn if drawn is not None else drawn_recording(survey.evidence)
    intervals = survey.evidence.bus_evidence.intervals
    total = sum(each.interval is not None for each in intervals)
    found = (
        load_line(own, name="load", title="Bus load and errors over time"),
        interval_picture(interval_rows(intervals), total, name="intervals", title="How often each message came"),
    )
    return tuple(each for each in found if each is not None)


def comparison_pictures(comparison: Comparison) -> tuple[Picture, ...]:
    """Draw two recordings side by side: load, errors, and the messages whose rhythm changed."""
    drawn = drawn_comparison(comparison.result, comparison.before, comparison.after)
    found = compared_picture(drawn, name="before-after", title="Before and after")
    return () if found is None else (found,)
