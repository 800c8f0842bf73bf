"""Intervals of a bus: how often each message came, against its declared cycle time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.characters import visible
from canlens.reports.pictures.lane_words import clipped
from canlens.reports.pictures.looks import BLUE, GREY, GRID, RED, SMALL, VIOLET, plain_layout
from canlens.reports.pictures.picture import Picture, column, figure_text, foreign
from canlens.reports.pictures.quantity_words import count, short_time
from canlens.reports.pictures.rows import PITCH
from canlens.reports.pictures.strips import LEGEND_PX, label

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.picturing.intervals import IntervalRow
    from canlens.reports.pictures.picture import Parts
    from canlens.signals import Floats

ROW_PX = 36
LINE, NAME = 4.4, 9.6
"""Height in a row of its line, and of its name."""
SHORTEST_S = 1e-5
"""The axis is logarithmic and begins here at the earliest [s]."""
MOST_DECADES = 2.5
"""Over more decades the axis is labelled at powers of ten only."""


def interval_picture(rows: Sequence[IntervalRow], total: int, *, name: str, title: str) -> Picture | None:
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
        "95 % where it is sent on a beat, the dot the median; the upright tick is the declared cycle time. "
        "The scale is logarithmic: each equal step is the same factor."
    )
    if total > len(rows):
        caption += (
            f" {len(rows)} of {total} messages are drawn: those furthest from their declared cycle time or with gaps "
            "come first. The table holds all."
        )
    words = " ".join(_told(row) for row in rows)
    return Picture(name, title, caption, words, figure_text(_traces(rows), _layout(rows)))


def _traces(rows: Sequence[IntervalRow]) -> list[Parts]:
    """Draw all rows; each kind of part is one trace."""
    y: Floats = np.array([-(number + 1) * PITCH + LINE for number in range(len(rows))])
    median = np.array([row.median_s for row in rows])
    least = np.array([row.least_s for row in rows])
    greatest = np.array([row.greatest_s for row in rows])
    middle = np.array([row.middle_s or (np.nan, np.nan) for row in rows])
    declared = np.array([np.nan if row.declared_s is None else row.declared_s for row in rows])
    gaps = np.array([row.gaps for row in rows])
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


def _layout(rows: Sequence[IntervalRow]) -> Parts:
    shortest = [each for row in rows for each in (row.least_s, row.middle_s and row.middle_s[0]) if each]
    low_s, high_s = max(min(shortest, default=SHORTEST_S), SHORTEST_S), max(row.greatest_s for row in rows)
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


def _where(row: IntervalRow, rows: Sequence[IntervalRow]) -> str:
    """Name the channel of a row where there are several."""
    return f" on {clipped(row.channel)}" if len({each.channel for each in rows}) > 1 else ""


def _short(row: IntervalRow) -> str:
    declared = f", declared {short_time(row.declared_s)}" if row.declared_s is not None else ""
    gaps = f", <b>{count(row.gaps, 'gap')}</b>" if row.gaps else ""
    return f"{short_time(row.median_s)}{declared}{gaps}"


def _told(row: IntervalRow) -> str:
    """Say all of a row in a sentence."""
    declared = f", declared {short_time(row.declared_s)}" if row.declared_s is not None else ""
    gaps = f", {count(row.gaps, 'gap')} with {count(row.missed, 'frame')} missing" if row.gaps else ""
    which = row.identifier if row.name == row.identifier else f"{row.name} ({row.identifier})"
    which += f" on {row.channel}" if row.channel else ""
    return visible(
        f"{which}: median {short_time(row.median_s)}, {short_time(row.least_s)} to "
        f"{short_time(row.greatest_s)}{declared}{gaps}, {count(row.frames, 'frame')}."
    )
