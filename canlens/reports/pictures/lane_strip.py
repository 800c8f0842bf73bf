"""The lanes of a time line: controls and outputs as steps, each exercise joined to its answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import OFF, ON, UNKNOWN
from canlens.reports.pictures.answer_lines import answer_traces, moment_traces
from canlens.reports.pictures.lane_words import lane_title
from canlens.reports.pictures.looks import BLUE, GREY, MARK_SIGN, ORANGE, SHADES
from canlens.reports.pictures.picture import column, foreign
from canlens.reports.pictures.rows import BASE, PITCH, PITCH_PX, TOP, row_of
from canlens.reports.pictures.strips import Strip, label

if TYPE_CHECKING:
    from canlens.picture_evidence import DrawnRecording, Shade, StepLane
    from canlens.reports.pictures.picture import Parts
    from canlens.signals import Floats

COLOURS = {"control": BLUE, "output": ORANGE}
STATE_WORDS = {OFF: "off", ON: "on", UNKNOWN: "not known from here on"}


def lane_strip(drawn: DrawnRecording) -> Strip:
    """Draw the lanes of a recording."""
    number = len(drawn.lanes)
    rows = row_of(drawn)
    traces = [_shading(shade, number) for shade in drawn.shades]
    for lane in drawn.lanes:
        traces += _lane_traces(lane, rows[lane.kind, lane.name], drawn)
    traces += [*answer_traces(drawn, rows), *moment_traces(drawn, rows), *_mark_traces(drawn, rows)]
    return Strip(
        title="",
        height=max(number, 1) * PITCH_PX,
        traces=tuple(_once_in_legend(traces)),
        axis={"range": [-number * PITCH, 0], "showgrid": False, "showticklabels": False},
        labels=tuple(label(lane_title(lane, drawn), rows[lane.kind, lane.name] + TOP + 0.3) for lane in drawn.lanes),
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


def _lane_traces(lane: StepLane, row: float, drawn: DrawnRecording) -> list[Parts]:
    """Draw the steps of a lane, and a broken line where nothing is known of it."""
    time_s, level, line, text = _vertices(lane, drawn.duration_s)
    own = f"{lane.kind} {foreign(lane.name)}"
    traces: list[Parts] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": f"{lane.kind} on",
            "legendgroup": f"{lane.kind} on",
            "x": column(time_s),
            "y": column(row + level, "f4"),
            "line": {"shape": "hv", "color": COLOURS[lane.kind], "width": 1.5},
            "fill": "toself",
            "connectgaps": False,
            "hoveron": "points",
            "text": text,
            "customdata": column(np.column_stack((time_s + (drawn.start or 0.0), line))),
            "hovertemplate": f"<b>{own}</b>: %{{text}}<br>%{{x:.3f}} s from start<br>log time %{{customdata[0]:.6f}}"
            ", line %{customdata[1]:d}<extra></extra>",
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
                "y": column(np.where(np.isnan(unknown), np.nan, row + (BASE + TOP) / 2), "f4"),
                "line": {"color": GREY, "width": 2, "dash": "dot"},
                "hovertemplate": f"<b>{own}</b>: not known<extra></extra>",
            }
        )
    return traces


def _vertices(lane: StepLane, end_s: float) -> tuple[Floats, Floats, Floats, list[str]]:
    """Return time, height in the lane, line and word of each vertex; every stretch that is known begins and ends low.

    So the area under the steps closes along the lane's foot.
    """
    time_s: list[float] = []
    level: list[float] = []
    line: list[float] = []
    text: list[str] = []

    def add(at_s: float, height: float, in_line: int, word: str) -> None:
        time_s.append(at_s)
        level.append(height)
        line.append(in_line)
        text.append(word)

    is_known = False
    steps = list(zip(lane.time_s.tolist(), lane.state.tolist(), lane.line.tolist(), strict=True))
    for at_s, state, in_line in steps:
        if state == UNKNOWN:
            if is_known:
                add(at_s, BASE, in_line, STATE_WORDS[UNKNOWN])
                add(at_s, np.nan, in_line, "")
            is_known = False
            continue
        if not is_known and state == ON:
            add(at_s, BASE, in_line, "on when first seen")
        add(at_s, TOP if state == ON else BASE, in_line, STATE_WORDS[state])
        is_known = True
    if is_known and steps:
        last = steps[-1]
        add(max(end_s, last[0]), BASE, last[2], f"{STATE_WORDS[last[1]]} to the end")
    return np.array(time_s), np.array(level), np.array(line, float), text


def _unknown(lane: StepLane, end_s: float) -> Floats:
    """Return begin and end of each stretch of which nothing is known, with a nan behind each."""
    time_s = np.concatenate(([0.0], lane.time_s, [end_s]))
    state = np.concatenate(([UNKNOWN], lane.state))
    at = np.flatnonzero((state == UNKNOWN) & (np.diff(time_s) > end_s / 500))
    return np.column_stack((time_s[at], time_s[at + 1], np.full(len(at), np.nan))).ravel()


def _mark_traces(drawn: DrawnRecording, rows: dict[tuple[str, str], float]) -> list[Parts]:
    """Draw what the person says to have done as ticks on the lane's foot."""
    return [
        {
            "type": "scatter",
            "mode": "markers",
            "name": "you operated it (mark)",
            "legendgroup": "mark",
            "x": column(lane.marked_s),
            "y": column(np.full(len(lane.marked_s), rows[lane.kind, lane.name] + BASE - 0.6), "f4"),
            "marker": MARK_SIGN,
            "customdata": column(lane.marked_s + (drawn.start or 0.0)),
            "hovertemplate": f"<b>mark</b>: {foreign(lane.name)}<br>%{{x:.3f}} s from start<br>"
            "log time %{customdata:.3f}<extra></extra>",
        }
        for lane in drawn.lanes
        if len(lane.marked_s)
    ]


def _shading(shade: Shade, number: int) -> Parts:
    """Shade stretches over all lanes, as one trace."""
    words, colour = SHADES[shade.kind]
    gap = np.full(len(shade.from_s), np.nan)
    x = np.column_stack((shade.from_s, shade.from_s, shade.to_s, shade.to_s, gap)).ravel()
    foot, head = -number * PITCH, 0.0
    y = np.tile([foot, head, head, foot, np.nan], len(shade.from_s))
    return {
        "type": "scatter",
        "mode": "lines",
        "name": words,
        "legendgroup": words,
        "x": column(x),
        "y": column(y, "f4"),
        "fill": "toself",
        "fillcolor": colour,
        "line": {"width": 1, "color": GREY, "dash": "dot"},
        "hoveron": "points",
        "hovertemplate": f"<b>{words}</b><br>%{{x:.3f}} s from start<extra></extra>",
    }
