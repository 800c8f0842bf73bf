"""Intervals and latencies: how often each message came, and how long each output took to answer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.layout import visible
from canlens.reports.pictures.looks import BLUE, GREEN, GREY, GRID, ORANGE, RED, SMALL, VIOLET, plain_layout
from canlens.reports.pictures.picture import (
    LEGEND_PX,
    PITCH,
    Picture,
    clipped,
    column,
    figure_text,
    foreign,
    label,
)
from canlens.wording import counted, short_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.pictures import Latencies
    from canlens.reports.pictures.looks import Parts
    from canlens.signals import Floats


# Intervals of a bus: how often each message came, against its declared cycle time.


ROW_PX = 36
LINE, NAME = 4.4, 9.6
"""Height in a row of its line, and of its name."""
SHORTEST_S = 1e-5
"""The axis is logarithmic and begins here at the earliest [s]."""
MOST_DECADES = 2.5
"""Over more decades the axis is labelled at powers of ten only."""


def interval_picture(rows: Sequence[MessageEvidence], total: int, *, name: str, title: str) -> Picture | None:
    """Draw the intervals of messages below each other; None where there is none.

    Parameters
    ----------
    rows
        Those to be drawn, from the top.
    total
        How many messages have intervals.
    """
    if not rows:
        return None
    caption = (
        "Each row is a message: the thin line from its shortest to its longest interval, the thick part the middle "
        "95 % where it is cyclic, the dot the median; the upright tick is the declared cycle time. "
        "The scale is logarithmic: each equal step is the same factor."
    )
    if total > len(rows):
        caption += (
            f" {len(rows)} of {total} messages are drawn: those furthest from their declared cycle time or with gaps "
            "come first. The table holds all."
        )
    words = " ".join(_told(row) for row in rows)
    return Picture(name, title, caption, words, figure_text(_traces(rows), _layout(rows)))


def _traces(rows: Sequence[MessageEvidence]) -> list[Parts]:
    """Draw all rows; each kind of part is one trace."""
    y: Floats = np.array([-(number + 1) * PITCH + LINE for number in range(len(rows))])
    median = np.array([row.times.median for row in rows])
    least = np.array([row.times.min for row in rows])
    greatest = np.array([row.times.max for row in rows])
    middle = np.array([row.middle_s or (np.nan, np.nan) for row in rows])
    declared = np.array([np.nan if row.declared_s is None else row.declared_s for row in rows])
    gaps = np.array([len(row.gaps.seen) for row in rows])
    told = [foreign(_told(row)).replace(": ", "<br>", 1) for row in rows]
    traces = [
        _line("shortest to longest", least, greatest, y, {"color": GREY, "width": 1.5}),
        _line("middle 95 %", middle[:, 0], middle[:, 1], y, {"color": BLUE, "width": 7}),
        _signs("median", median, y, {"symbol": "circle", "size": 8, "color": BLUE}, told),
    ]
    known = ~np.isnan(declared)
    if known.any():
        sign = {"symbol": "line-ns-open", "size": 13, "color": VIOLET, "line": {"width": 2.5}}
        chosen = [text for text, is_known in zip(told, known, strict=True) if is_known]
        traces.append(_signs("declared cycle time", declared[known], y[known], sign, chosen))
    if gaps.any():
        sign = {"symbol": "x-thin-open", "size": 10, "color": RED, "line": {"width": 2.5}}
        chosen = [text for text, number in zip(told, gaps, strict=True) if number]
        traces.append(_signs("stayed away", greatest[gaps > 0], y[gaps > 0], sign, chosen))
    return traces


def _line(name: str, low_s: Floats, high_s: Floats, y: Floats, line: Parts) -> Parts:
    gap = np.full(len(y), np.nan)
    x = np.column_stack((_shown(low_s), _shown(high_s), gap)).ravel()
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": column(x),
        "y": column(np.repeat(y, 3), "f4"),
        "line": line,
        "hoverinfo": "skip",
    }


def _signs(name: str, value_s: Floats, y: Floats, marker: Parts, told: list[str]) -> Parts:
    return {
        "type": "scatter",
        "mode": "markers",
        "name": name,
        "x": column(_shown(value_s)),
        "y": column(y, "f4"),
        "marker": marker,
        "text": told,
        "hovertemplate": f"%{{text}}<extra>{name}</extra>",
    }


def _shown(value_s: Floats) -> Floats:
    """Return times [s] that a logarithmic axis can show."""
    return np.maximum(value_s, SHORTEST_S)


def _ticks(low_s: float, high_s: float) -> list[float]:
    """Return round times that label the axis [s]."""
    steps = (1, 2, 5) if high_s / low_s < 10**MOST_DECADES else (1,)
    decades = range(math.floor(math.log10(low_s)), math.ceil(math.log10(high_s)) + 1)
    return [step * 10.0**decade for decade in decades for step in steps]


def _layout(rows: Sequence[MessageEvidence]) -> Parts:
    shortest = [each for row in rows for each in (row.times.min, row.middle_s and row.middle_s[0]) if each]
    low_s, high_s = max(min(shortest, default=SHORTEST_S), SHORTEST_S), max(row.times.max for row in rows)
    ticks = _ticks(low_s, high_s)
    layout = plain_layout(height=len(rows) * ROW_PX + LEGEND_PX + 56)
    layout["margin"] = {**layout["margin"], "l": 10, "r": 24}
    layout["annotations"] = [
        {
            **label(f"<b>{clipped(row.name)}</b>{_where(row, rows)}  {_short(row)}", -(number + 1) * PITCH + NAME),
            "yref": "y",
        }
        for number, row in enumerate(rows)
    ]
    layout["xaxis"] = {
        "type": "log",
        "range": [math.log10(low_s / 1.3), math.log10(high_s * 1.3)],
        "tickvals": ticks,
        "ticktext": [f"{each:g} s" if each >= 1 else f"{each * 1000:g} ms" for each in ticks],
        "title": {"text": "time between two frames", "standoff": 6, "font": {"size": SMALL}},
        "gridcolor": GRID,
        "tickfont": {"size": SMALL},
    }
    layout["yaxis"] = {
        "range": [-len(rows) * PITCH, 0],
        "showgrid": False,
        "showticklabels": False,
        "zeroline": False,
        "fixedrange": True,
    }
    return layout


def _where(row: MessageEvidence, rows: Sequence[MessageEvidence]) -> str:
    """Name the channel of a row where there are several."""
    return f" on {clipped(row.channel)}" if len({each.channel for each in rows}) > 1 else ""


def _short(row: MessageEvidence) -> str:
    gaps = f", <b>{counted(len(row.gaps.seen), 'gap')}</b>" if len(row.gaps.seen) else ""
    return f"{short_time(row.times.median)}{_declared(row)}{gaps}"


def _declared(row: MessageEvidence) -> str:
    return f", declared {short_time(row.declared_s)}" if row.declared_s is not None else ""


def _told(row: MessageEvidence) -> str:
    """Say all of a row in a sentence."""
    stayed_away = len(row.gaps.seen)
    gaps = f", {counted(stayed_away, 'gap')} with {counted(row.gaps.missed, 'frame')} missing" if stayed_away else ""
    which = row.number if row.name == row.number else f"{row.name} ({row.number})"
    which += f" on {row.channel}" if row.channel else ""
    return visible(
        f"{which}: median {short_time(row.times.median)}, {short_time(row.times.min)} to "
        f"{short_time(row.times.max)}{_declared(row)}{gaps}, {counted(row.frames, 'frame')}."
    )


# Latencies of a job: how long each output took to answer, against the time that the plan allows.


LATENCY_ROW_PX = 58
IN_TIME: Parts = {"symbol": "line-ns-open", "size": 9, "color": GREEN, "line": {"width": 1.5}}
LATE: Parts = {"symbol": "diamond-open", "size": 9, "color": ORANGE, "line": {"width": 2}}
MEDIAN: Parts = {"symbol": "triangle-up", "size": 9, "color": BLUE}
FOOT, HEAD, LATENCY_NAME = 3.6, 12.4, 13.2
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
    words = " ".join(f"{visible(own.output)}: {_latency_told(own, short=False)}." for own in every)
    return Picture(name, title, caption, words, figure_text(data, _latency_layout(every)))


def _latency_layout(every: Sequence[Latencies]) -> Parts:
    number = len(every)
    longest_s = max(float(own.edge_s[-1]) for own in every)
    layout = plain_layout(height=number * LATENCY_ROW_PX + LEGEND_PX + 56)
    layout["margin"] = {**layout["margin"], "l": 10}
    layout["annotations"] = [
        {
            **label(
                f"<b>{clipped(own.output)}</b>  {_latency_told(own, short=True)}", -(row + 1) * PITCH + LATENCY_NAME
            ),
            "yref": "y",
        }
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
        yield _latency_signs("one answer", own.answered_s, foot, IN_TIME, output)
    if len(own.late_s):
        yield _latency_signs("late answer", own.late_s[-MOST_TICKS:], foot, LATE, output)
    yield _latency_signs("median", np.array([own.median_s]), foot - 1.8, MEDIAN, output)


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


def _latency_signs(name: str, latency_s: Floats, foot: float, sign: Parts, output: str) -> Parts:
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


def _latency_told(own: Latencies, *, short: bool) -> str:
    """Say in words how an output answered."""
    parts = []
    number = len(own.answered_s) + len(own.late_s)
    if number:
        parts.append(f"{counted(number, 'answer')}, median {short_time(own.median_s)}")
        if not short:
            parts.append(f"slowest {short_time(own.greatest_s)}")
    if len(own.late_s):
        parts.append(f"{len(own.late_s)} late")
    if own.unanswered:
        parts.append(f"{own.unanswered} without answer")
    if not short:
        parts.append(f"allowed {short_time(own.within_s)}")
    return ", ".join(parts)
