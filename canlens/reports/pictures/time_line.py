"""The time line of a recording: lanes, currents, supply, load and errors over one time axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.pictures.answer_lines import are_many, unlabelled
from canlens.reports.pictures.lane_strip import lane_strip
from canlens.reports.pictures.lane_words import error_words, time_line_words
from canlens.reports.pictures.picture import Picture, figure_text
from canlens.reports.pictures.quantity_strips import load_strip, quantity_strips
from canlens.reports.pictures.strips import stacked

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.picture_evidence import DrawnRecording
    from canlens.reports.pictures.picture import Parts
    from canlens.reports.pictures.strips import Strip

HOW = (
    "Drag across the picture (on a touch screen, use its buttons) to look closer: all strips move together; a double "
    "click shows all again. "
    "Point at a line for its time in the recording's own clock and the line of the log."
)


def time_line(drawn: DrawnRecording, *, name: str, title: str) -> Picture:
    """Draw the time line of a judged recording."""
    strips = [lane_strip(drawn), *quantity_strips(drawn)]
    return Picture(
        name=name,
        title=title,
        caption=" ".join(_caption(drawn)),
        alternative=time_line_words(drawn),
        figure=figure_text(*stacked(_named_once(strips), end_s=drawn.duration_s)),
    )


def load_line(drawn: DrawnRecording, *, name: str, title: str) -> Picture | None:
    """Draw the load of a surveyed bus with its error episodes; None where there is neither."""
    if not drawn.loads and not drawn.errors.total:
        return None
    words = time_line_words(drawn)
    figure = figure_text(*stacked([load_strip(drawn.loads, drawn)], end_s=drawn.duration_s))
    return Picture(name, title, f"{HOW} {error_words(drawn)}", words, figure)


def _named_once(strips: Sequence[Strip]) -> list[Strip]:
    """Let the legend name the limits of all strips once."""
    seen: set[str] = set()
    named = []
    for strip in strips:
        traces: list[Parts] = []
        for trace in strip.traces:
            kind = trace.get("legendgroup")
            shown = trace.get("showlegend", True) and kind not in seen
            traces.append({**trace, "showlegend": shown})
            if shown and kind is not None:
                seen.add(kind)
        named.append(type(strip)(strip.title, strip.height, tuple(traces), strip.axis, strip.labels))
    return named


def _caption(drawn: DrawnRecording) -> Iterator[str]:
    """Say how the picture is read and what is left out."""
    yield HOW
    yield "A lane is high while its control or output is on. Lines join each exercise to the answer."
    thinned = [lane.name for lane in drawn.lanes if lane.is_thinned]
    if thinned:
        yield f"{len(thinned)} lanes change too often to be drawn step by step: neighbouring steps are left out."
    if are_many(drawn):
        yield "There are many exercises, so that each line to an answer is drawn in the output's own lane."
    series = [*(each.series for each in drawn.currents), *([drawn.supply.series] if drawn.supply else [])]
    if any(each.left_out for each in [*series, *(load.series for load in drawn.loads)]):
        yield "Of many values the first, last, least and greatest of each short stretch are drawn."
    if drawn.currents:
        yield "A limit far above the current is named, but not drawn."
    if len(drawn.errors.from_s) < drawn.errors.total:
        yield f"The {drawn.errors.total} error episodes are drawn several as one."
    left_out = unlabelled(drawn)
    if left_out:
        yield f"{left_out} more exercises have no sign of their own; the tables count all of them."
