"""Time line: lanes of controls and outputs, each exercise joined to its answer, over one time axis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.plan.rule import ON, UNKNOWN
from canlens.reports.pictures.looks import (
    ANSWER_LINES,
    ANSWER_SIGNS,
    BLUE,
    GREY,
    MARK_SIGN,
    MOMENT_SIGNS,
    ORANGE,
    SHADES,
)
from canlens.reports.pictures.picture import (
    BASE,
    NAME,
    PITCH,
    PITCH_PX,
    TOP,
    Picture,
    Strip,
    column,
    error_words,
    figure_text,
    foreign,
    label,
    lane_title,
    places,
    row_of,
    stacked,
    time_line_words,
)
from canlens.reports.pictures.quantity_strips import load_strip, quantity_strips
from canlens.wording import OUTCOMES, short_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.pictures import DrawnRecording, Joins, OddMoments, Shade, StepLane
    from canlens.reports.pictures.looks import Parts
    from canlens.reports.pictures.picture import Rows
    from canlens.signals import Floats


# Answer lines: each exercise joined to its answer, and signs where an answer is missing, late or unasked.


MOST_ACROSS = 150
"""More lines than this across the lanes hide what is in them (our choice)."""
MOST_SIGNS = 400
"""Signs that one outcome of one output shows singly; more would make the page slow (our choice)."""


def answer_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw every exercise: a line to its answer, and a sign on the output's lane where it was not answered in time."""
    for own in drawn.joins:
        if own.outcome in ANSWER_LINES and not np.isnan(own.latency_s).all():
            yield _joining_line(own, rows, in_lane=are_many(drawn))
        if own.outcome in ANSWER_SIGNS:
            yield _signs(own, rows, drawn.start)


def are_many(drawn: DrawnRecording) -> bool:
    """Tell whether there are so many exercises that lines across the lanes would hide them."""
    return sum(len(each.time_s) for each in drawn.joins if each.outcome in ANSWER_LINES) > MOST_ACROSS


def _joining_line(own: Joins, rows: Rows, *, in_lane: bool) -> Parts:
    """Draw the lines from the control's step to the output's: two vertices and a break each, as one trace.

    The latency is told by the output's step, where the line ends. ``in_lane``: it begins at the foot of the
    output's own lane.
    """
    foot = rows["output", own.output]
    from_y = np.array([foot if in_lane else rows.get(("control", name), foot) for name in own.control]) + BASE
    to_y = np.full(len(from_y), foot + TOP)
    gap = np.full(len(from_y), np.nan)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": OUTCOMES[own.outcome],
        "legendgroup": None if own.outcome in ANSWER_SIGNS else own.outcome,
        "x": column(np.column_stack((own.time_s, own.time_s + own.latency_s, gap)).ravel()),
        "y": column(np.column_stack((from_y, to_y, to_y)).ravel(), "i2"),
        "line": ANSWER_LINES[own.outcome],
        "hoverinfo": "skip",
    }


def _signs(own: Joins, rows: Rows, start: float | None) -> Parts:
    """Draw a sign on the output's lane for each exercise."""
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    words = OUTCOMES[own.outcome]
    told, where = places(time_s, own.line[at], start=start)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": words,
        "legendgroup": own.outcome,
        "x": column(time_s),
        "y": column(np.full(len(time_s), rows["output", own.output] + (BASE + TOP) // 2), "i2"),
        "marker": ANSWER_SIGNS[own.outcome],
        "customdata": told,
        "text": list(map(_asked, own.control[at], own.latency_s[at].tolist())),
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {words}%{{text}}<br>asked %{{x:.3f}} s from start{where}"
        "<extra></extra>",
    }


def _asked(control: str, latency_s: float) -> str:
    """Say who asked, and how long it took where there was an answer."""
    after = "" if math.isnan(latency_s) else f" after {short_time(latency_s)}"
    return after + (f", asked by {foreign(control)}" if control else "")


def moment_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw a sign where an output came on unasked, or went off though nothing explains it."""
    for own in drawn.moments:
        yield _moment(own, rows["output", own.output], drawn.start)


def _moment(own: OddMoments, foot: int, start: float | None) -> Parts:
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    told, where = places(time_s, own.line[at], start=start)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": OUTCOMES[own.kind],
        "legendgroup": own.kind,
        "x": column(time_s),
        "y": column(np.full(len(time_s), foot + TOP - 2), "i2"),
        "marker": MOMENT_SIGNS[own.kind],
        "customdata": told,
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {OUTCOMES[own.kind]}<br>%{{x:.3f}} s from start{where}"
        "<extra></extra>",
    }


def unlabelled(drawn: DrawnRecording) -> int:
    """Count the exercises and moments that have no sign of their own."""
    signed = [len(each.time_s) for each in drawn.joins if each.outcome in ANSWER_SIGNS]
    signed += [len(each.time_s) for each in drawn.moments]
    return sum(max(0, number - MOST_SIGNS) for number in signed)


# The lanes of a time line: controls and outputs as steps, each exercise joined to its answer.


COLOURS = {"control": BLUE, "output": ORANGE}


def lane_strip(drawn: DrawnRecording) -> Strip:
    """Draw the lanes of a recording."""
    number = len(drawn.lanes)
    rows = row_of(drawn)
    traces = [_shading(shade, number) for shade in drawn.shades]
    joined = list(answer_traces(drawn, rows))
    traces += [each for each in joined if each["mode"] == "lines"]
    for lane in drawn.lanes:
        traces += _lane_traces(lane, rows[lane.kind, lane.name], drawn)
    traces += [
        *(each for each in joined if each["mode"] != "lines"),
        *moment_traces(drawn, rows),
        *_mark_traces(drawn, rows),
    ]
    return Strip(
        title="",
        height=max(number, 1) * PITCH_PX,
        traces=tuple(_once_in_legend(traces)),
        axis={"range": [-number * PITCH, 0], "showgrid": False, "showticklabels": False},
        labels=tuple(label(lane_title(lane, drawn), rows[lane.kind, lane.name] + NAME) for lane in drawn.lanes),
    )


def _once_in_legend(traces: list[Parts]) -> list[Parts]:
    """Let the legend name each kind of trace once; a click on it hides all of its kind."""
    seen: set[str] = set()
    out = []
    for trace in traces:
        kind = trace.get("legendgroup")
        out.append({**trace, "showlegend": kind is not None and kind not in seen})
        if kind is not None:
            seen.add(kind)
    return out


def _lane_traces(lane: StepLane, row: int, drawn: DrawnRecording) -> list[Parts]:
    """Draw the steps of a lane, and a broken line where nothing is known of it."""
    vertices = _vertices(lane, drawn.duration_s)
    told, where = places(vertices.time_s, vertices.line, start=drawn.start)
    own = f"{lane.kind} {foreign(lane.name)}"
    traces: list[Parts] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": f"{lane.kind} on",
            "legendgroup": f"{lane.kind} on",
            "x": column(vertices.time_s),
            "y": column(np.array(vertices.level) + row, "i2"),
            "line": {"shape": "hv", "color": COLOURS[lane.kind], "width": 1.5},
            "fill": "toself",
            "connectgaps": False,
            "hoveron": "points",
            "text": vertices.text,
            "customdata": told,
            "hovertemplate": f"<b>{own}</b>: %{{text}}<br>%{{x:.3f}} s from start{where}<extra></extra>",
        }
    ]
    unknown = _unknown(lane, drawn.duration_s)
    if len(unknown):
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": "not known",
                "legendgroup": "not known",
                "x": column(unknown),
                "y": column(np.full(len(unknown), row + (BASE + TOP) // 2), "i2"),
                "line": {"color": GREY, "width": 2, "dash": "dot"},
                "hovertemplate": f"<b>{own}</b>: not known<extra></extra>",
            }
        )
    return traces


class _Vertices(NamedTuple):
    """Time [s], height in the lane, line of the log and word of each vertex; a time of nan breaks the line."""

    time_s: list[float]
    level: list[int]
    line: list[int]
    text: list[str]

    def add(self, time_s: float, level: int, line: int, text: str) -> None:
        """Add a vertex."""
        self.time_s.append(time_s)
        self.level.append(level)
        self.line.append(line)
        self.text.append(text)


def _vertices(lane: StepLane, end_s: float) -> _Vertices:
    """Return the vertices of a lane; every stretch that is known begins and ends low, so that its area closes there."""
    found = _Vertices([], [], [], [])
    state, line = UNKNOWN, 0
    columns = (lane.time_s.tolist(), lane.state.tolist(), lane.line.tolist(), lane.latency_s.tolist())
    for at_s, after, line, latency_s in zip(*columns, strict=True):
        if after == UNKNOWN and state != UNKNOWN:
            found.add(at_s, BASE, line, "not known from here on")
            found.add(math.nan, BASE, line, "")
        elif after != UNKNOWN:
            if state == UNKNOWN and after == ON:
                found.add(at_s, BASE, line, "on when first seen")
            answered = "" if math.isnan(latency_s) else f", after {short_time(latency_s)}"
            found.add(at_s, TOP if after == ON else BASE, line, f"{'on' if after == ON else 'off'}{answered}")
        state = after
    if state != UNKNOWN:
        found.add(max(end_s, found.time_s[-1]), BASE, line, "end of the recording")
    return found


def _unknown(lane: StepLane, end_s: float) -> Floats:
    """Return begin and end of each stretch of which nothing is known, with a nan behind each."""
    time_s = np.concatenate(([0.0], lane.time_s, [end_s]))
    state = np.concatenate(([UNKNOWN], lane.state))
    at = np.flatnonzero((state == UNKNOWN) & (np.diff(time_s) > end_s / 500))
    return np.column_stack((time_s[at], time_s[at + 1], np.full(len(at), np.nan))).ravel()


def _mark_traces(drawn: DrawnRecording, rows: Rows) -> list[Parts]:
    """Draw what the person says to have done as ticks on the lane's foot."""
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "name": "you operated it (mark)",
            "legendgroup": "mark",
            "x": column(lane.marked_s),
            "y": column(np.full(len(lane.marked_s), rows[lane.kind, lane.name] + BASE - 1), "i2"),
            "marker": MARK_SIGN,
            "hovertemplate": f"<b>mark</b>: {foreign(lane.name)}<br>%{{x:.3f}} s from start<extra></extra>",
        }
        for lane in drawn.lanes
        if len(lane.marked_s)
    ]


def _shading(shade: Shade, number: int) -> Parts:
    """Shade stretches over all lanes, as one trace."""
    words, colour = SHADES[shade.kind]
    gap = np.full(len(shade.from_s), np.nan)
    x = np.column_stack((shade.from_s, shade.from_s, shade.to_s, shade.to_s, gap)).ravel()
    foot, head = -number * PITCH, 0
    y = np.tile([foot, head, head, foot, foot], len(shade.from_s))
    return {
        "type": "scatter",
        "mode": "lines",
        "name": words,
        "legendgroup": words,
        "x": column(x),
        "y": column(y, "i2"),
        "fill": "toself",
        "fillcolor": colour,
        "line": {"width": 1, "color": GREY, "dash": "dot"},
        "hoveron": "points",
        "hovertemplate": f"<b>{words}</b><br>%{{x:.3f}} s from start<extra></extra>",
    }


# The time line of a recording: lanes, currents, supply, load and errors over one time axis.


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
