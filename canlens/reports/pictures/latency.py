"""Latencies of a job: how long each output took to answer, against the time that the plan allows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.characters import visible
from canlens.reports.pictures.lane_words import clipped
from canlens.reports.pictures.looks import BLUE, GREEN, GRID, ORANGE, SMALL, VIOLET, plain_layout
from canlens.reports.pictures.picture import Picture, column, figure_text, foreign
from canlens.reports.pictures.quantity_words import count, short_time
from canlens.reports.pictures.rows import PITCH
from canlens.reports.pictures.strips import LEGEND_PX, label

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.picture_evidence import Latencies
    from canlens.reports.pictures.picture import Parts
    from canlens.signals import Floats

ROW_PX = 58
IN_TIME: Parts = {"symbol": "line-ns-open", "size": 9, "color": GREEN, "line": {"width": 1.5}}
LATE: Parts = {"symbol": "diamond-open", "size": 9, "color": ORANGE, "line": {"width": 2}}
MEDIAN: Parts = {"symbol": "triangle-up", "size": 9, "color": BLUE}
FOOT, HEAD, NAME = 3.6, 12.4, 13.2
"""Height in a row of the distribution's foot and head, and of the row's name."""
MOST_TICKS = 300
"""More answers than this are shown by the distribution alone."""


def latency_picture(every: Sequence[Latencies], *, name: str, title: str) -> Picture | None:
    """Draw the latencies of all outputs below each other; None where no output was asked."""
    if not every:
        return None
    data: list[Parts] = []
    named: set[str] = set()
    for number, own in enumerate(every):
        for trace in _row(own, -(number + 1) * PITCH):
            data.append({**trace, "showlegend": trace["name"] not in named})
            named.add(trace["name"])
    caption = (
        "From the control's change to the output's, as the log shows them. Each tick is one answer, the area how many "
        "there were; answers must lie left of the upright line, or be seen in the output's next message."
    )
    if any(len(own.answered_s) > MOST_TICKS for own in every):
        caption += f" Where there are more than {MOST_TICKS} answers in time, their ticks are left out."
    words = " ".join(f"{visible(own.output)}: {_told(own, short=False)}." for own in every)
    return Picture(name, title, caption, words, figure_text(data, _layout(every)))


def _layout(every: Sequence[Latencies]) -> Parts:
    number = len(every)
    longest_s = max(float(own.edge_s[-1]) for own in every)
    layout = plain_layout(height=number * ROW_PX + LEGEND_PX + 56)
    layout["margin"] = {**layout["margin"], "l": 10}
    layout["annotations"] = [
        {**label(f"<b>{clipped(own.output)}</b>  {_told(own, short=True)}", -(row + 1) * PITCH + NAME), "yref": "y"}
        for row, own in enumerate(every)
    ]
    layout["xaxis"] = {
        "range": [0, longest_s * 1050],
        "title": {"text": "milliseconds to the answer", "standoff": 6, "font": {"size": SMALL}},
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


def _row(own: Latencies, foot: float) -> Iterator[Parts]:
    """Draw one output: distribution, what is allowed, single answers, and their median."""
    output = foreign(own.output)
    yield {
        "type": "scatter",
        "mode": "lines",
        "name": "allowed",
        "legendgroup": "allowed",
        "x": [own.within_s * 1000] * 2,
        "y": [foot + FOOT - 2, foot + HEAD],
        "line": {"color": VIOLET, "width": 2, "dash": "dash"},
        "hovertemplate": f"<b>{output}</b>: allowed {short_time(own.within_s)}<extra></extra>",
    }
    if math.isnan(own.median_s):
        return
    yield _distribution(own, foot, output)
    if 0 < len(own.answered_s) <= MOST_TICKS:
        yield _signs("one answer", own.answered_s, foot, IN_TIME, output)
    if len(own.late_s):
        yield _signs("late answer", own.late_s[-MOST_TICKS:], foot, LATE, output)
    yield _signs("median", np.array([own.median_s]), foot - 1.8, MEDIAN, output)


def _distribution(own: Latencies, foot: float, output: str) -> Parts:
    """Draw how many answers took how long, as an area of steps."""
    height = foot + FOOT + (HEAD - FOOT) * own.number / max(int(own.number.max()), 1)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "how many",
        "legendgroup": "how many",
        "x": column(np.repeat(own.edge_s, 2) * 1000),
        "y": column(np.concatenate(([foot + FOOT], np.repeat(height, 2), [foot + FOOT])), "f4"),
        "fill": "toself",
        "line": {"color": GREEN, "width": 1.5},
        "customdata": column(np.concatenate(([0], np.repeat(own.number, 2), [0])), "i4"),
        "hovertemplate": f"<b>{output}</b>: %{{customdata:d}} answers near %{{x:.1f}} ms<extra></extra>",
    }


def _signs(name: str, latency_s: Floats, foot: float, sign: Parts, output: str) -> Parts:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "legendgroup": name,
        "x": column(latency_s * 1000),
        "y": column(np.full(len(latency_s), foot + FOOT - 0.8), "f4"),
        "marker": sign,
        "hovertemplate": f"<b>{output}</b>: {name}, %{{x:.1f}} ms<extra></extra>",
    }


def _told(own: Latencies, *, short: bool) -> str:
    """Say in words how an output answered."""
    parts = []
    number = len(own.answered_s) + len(own.late_s)
    if number:
        parts.append(f"{count(number, 'answer')}, median {short_time(own.median_s)}")
        if not short:
            parts.append(f"slowest {short_time(own.greatest_s)}")
    if len(own.late_s):
        parts.append(f"{len(own.late_s)} late")
    if own.unanswered:
        parts.append(f"{own.unanswered} never answered")
    if not short:
        parts.append(f"allowed {short_time(own.within_s)}")
    return ", ".join(parts)
