"""The lanes of a time line: controls and outputs as steps, each exercise joined to its answer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.plan.rule import ON, UNKNOWN
from canlens.reports.pictures.answer_lines import answer_traces, moment_traces
from canlens.reports.pictures.lane_words import lane_title
from canlens.reports.pictures.looks import BLUE, GREY, MARK_SIGN, ORANGE, SHADES
from canlens.reports.pictures.picture import column, foreign, places
from canlens.reports.pictures.quantity_words import short_time
from canlens.reports.pictures.rows import BASE, NAME, PITCH, PITCH_PX, TOP, row_of
from canlens.reports.pictures.strips import Strip, label

if TYPE_CHECKING:
    from canlens.picture_evidence import DrawnRecording, Shade, StepLane
    from canlens.reports.pictures.picture import Parts
    from canlens.reports.pictures.rows import Rows
    from canlens.signals import Floats

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
