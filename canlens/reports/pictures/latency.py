"""Latencies of a job: how long each output took to answer, against the time that the plan allows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.characters import visible
from canlens.reports.pictures.lane_words import clipped
from canlens.reports.pictures.looks import GREEN, GRID, ORANGE, RED, SMALL, VIOLET, plain_layout
from canlens.reports.pictures.picture import Picture, column, figure_text, foreign
from canlens.reports.pictures.quantity_words import count, milliseconds
from canlens.reports.pictures.rows import PITCH
from canlens.reports.pictures.strips import LEGEND_PX, label

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.picture_evidence import Latencies
    from canlens.reports.pictures.picture import Parts

ROW_PX = 58
FOOT, HEAD, NAME = 1.8, 6.2, 6.6
"""Height in a row of the distribution's foot and head, and of the row's name."""
MOST_TICKS = 300
"""More answers than this are shown by the distribution alone."""


def latency_picture(every: Sequence[Latencies], *, name: str, title: str) -> Picture | None:
    """Draw the latencies of all outputs below each other; None where no output was asked."""
    if not every:
        return None
    data: list[Parts] = []
    labels: list[Parts] = []
    for number, own in enumerate(every):
        foot = -(number + 1) * PITCH
        traces = _row(own, foot)
        data += [{**trace, "showlegend": number == 0 and trace["showlegend"]} for trace in traces]
        labels.append({**label(f"<b>{clipped(own.output)}</b>  {_told(own, short=True)}", foot + NAME), "yref": "y"})
    shown = {trace["name"] for trace in data if trace["showlegend"]}
    for trace in data:
        if trace["name"] not in shown and trace["name"] != "":
            trace["showlegend"] = True
            shown.add(trace["name"])
    caption = (
        "From the control's change to the output's, as the log shows them. Each tick is one answer, the area how many "
        "there were; answers must lie left of the upright line."
    )
    if any(len(own.answered_s) > MOST_TICKS for own in every):
        caption += f" Where there are more than {MOST_TICKS} answers the ticks are left out."
    words = " ".join(f"{visible(own.output)}: {_told(own, short=False)}." for own in every)
    return Picture(name, title, caption, words, figure_text(data, _layout(labels, every)))


def _layout(labels: list[Parts], every: Sequence[Latencies]) -> Parts:
    number = len(every)
    longest_s = max(float(own.edge_s[-1]) for own in every)
    layout = plain_layout(height=number * ROW_PX + LEGEND_PX + 56)
    layout["margin"] = {**layout["margin"], "l": 10}
    layout["annotations"] = labels
    layout["xaxis"] = {
        "range": [0, longest_s * 1050],
        "title": {"text": "milliseconds to the answer", "standoff": 6},
        "gridcolor": GRID,
        "zeroline": True,
        "zerolinecolor": GRID,
        "tickfont": {"size": SMALL},
    }
    layout["yaxis"] = {
        "range": [-number * PITCH, 0],
        "showgrid": False,
        "showticklabels": False,
        "zeroline": False,
        "fixedrange": True,
    }
    return layout


def _row(own: Latencies, foot: float) -> list[Parts]:
    """Draw one output: distribution, single answers, median, and what is allowed."""
    highest = max(int(own.number.max()), 1)
    height = foot + FOOT + (HEAD - FOOT) * own.number / highest
    steps_y = np.concatenate(([foot + FOOT], np.repeat(height, 2), [foot + FOOT]))
    steps_x = np.repeat(own.edge_s, 2) * 1000
    output = foreign(own.output)
    traces: list[Parts] = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": "how many",
            "legendgroup": "how many",
            "x": column(steps_x),
            "y": column(steps_y, "f4"),
            "fill": "toself",
            "line": {"color": GREEN, "width": 1.5},
            "customdata": column(np.concatenate(([0], np.repeat(own.number, 2), [0])), "i4"),
            "hovertemplate": f"<b>{output}</b>: %{{customdata:d}} answers near %{{x:.1f}} ms<extra></extra>",
            "showlegend": len(own.answered_s) > 0,
        },
        {
            "type": "scatter",
            "mode": "lines",
            "name": "allowed",
            "legendgroup": "allowed",
            "x": [own.within_s * 1000] * 2,
            "y": [foot + FOOT - 1, foot + HEAD],
            "line": {"color": VIOLET, "width": 2, "dash": "dash"},
            "hovertemplate": f"<b>{output}</b>: allowed {milliseconds(own.within_s)}<extra></extra>",
            "showlegend": True,
        },
    ]
    is_late = own.answered_s > own.within_s
    for name, chosen, sign in (
        ("one answer", ~is_late, {"symbol": "line-ns-open", "size": 9, "color": GREEN, "line": {"width": 1.5}}),
        (
            "after the time allowed",
            is_late,
            {"symbol": "diamond-open", "size": 9, "color": ORANGE, "line": {"width": 2}},
        ),
    ):
        if chosen.any() and (len(own.answered_s) <= MOST_TICKS or name != "one answer"):
            traces.append(_ticks(name, own.answered_s[chosen][-MOST_TICKS:], foot, sign, output))
    if not np.isnan(own.median_s):
        median = {"symbol": "triangle-up", "size": 9, "color": RED}
        traces.append(_ticks("median", np.array([own.median_s]), foot - 0.9, median, output))
    return traces


def _ticks(
    name: str, seconds: np.ndarray[tuple[int], np.dtype[np.float64]], foot: float, sign: Parts, of: str
) -> Parts:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "legendgroup": name,
        "x": column(seconds * 1000),
        "y": column(np.full(len(seconds), foot + FOOT - 0.4), "f4"),
        "marker": sign,
        "hovertemplate": f"<b>{of}</b>: {name}, %{{x:.1f}} ms<extra></extra>",
        "showlegend": True,
    }


def _told(own: Latencies, *, short: bool) -> str:
    """Say in words how an output answered."""
    parts = []
    if len(own.answered_s):
        parts.append(f"{count(len(own.answered_s), 'answer')}, median {milliseconds(own.median_s)}")
        if not short:
            parts.append(f"slowest {milliseconds(own.greatest_s)}")
    if own.late:
        parts.append(f"{own.late} late")
    if own.unanswered:
        parts.append(f"{own.unanswered} never answered")
    if not short:
        parts.append(f"allowed {milliseconds(own.within_s)}")
    return ", ".join(parts)
