"""Strips: drawings one above the other that share one time axis, so that all of them zoom together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.reports.pictures.looks import CLEAR, FONT_SIZE, GRID, SMALL, plain_layout

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.reports.pictures.picture import Parts

TITLE_PX, TICKS_PX, LEGEND_PX = 24, 22, 66
LABEL_SHIFT = -44
"""Names of lanes begin where the numbers of the other strips do, to have more room on a phone."""


@dataclass(frozen=True)
class Strip:
    """One drawing of several that share the time axis.

    Attributes
    ----------
    title
        Text of the figure above it; empty for none.
    height
        In pixels.
    traces
        What is drawn, without the names of axes.
    axis
        Its upright axis, without its place.
    labels
        Annotations inside it, without the names of axes.
    """

    title: str
    height: int
    traces: tuple[Parts, ...]
    axis: Parts
    labels: tuple[Parts, ...] = ()


def stacked(strips: Sequence[Strip], *, end_s: float) -> tuple[list[Parts], Parts]:
    """Put strips below each other: data and layout of one figure.

    All traces lie on one time axis, so that zooming one zooms all. The first strip shows its times too: a second axis
    that is bound to the first.

    Parameters
    ----------
    strips
        At least one, from the top.
    end_s
        Length of the time axis [s].
    """
    above = [TITLE_PX if strip.title else 0 for strip in strips]
    gaps = [TICKS_PX if number == 1 else 0 for number in range(len(strips))]
    inner = sum(strip.height for strip in strips) + sum(above) + sum(gaps)
    layout = plain_layout(height=inner + LEGEND_PX + 12 + 44)
    data: list[Parts] = []
    annotations: list[Parts] = []
    top = 0
    for number, strip in enumerate(strips):
        top += above[number] + gaps[number]
        suffix = "" if number == 0 else str(number + 1)
        bottom = top + strip.height
        layout[f"yaxis{suffix}"] = {
            "domain": [max(0.0, 1 - bottom / inner), 1 - top / inner],
            "anchor": "x",
            "fixedrange": True,
            "zeroline": False,
            "gridcolor": GRID,
            "automargin": False,
            "tickfont": {"size": SMALL},
            **strip.axis,
        }
        if strip.title:
            annotations.append(_title(strip.title, f"y{suffix} domain"))
        annotations += [{**label, "xshift": LABEL_SHIFT, "yref": f"y{suffix}"} for label in strip.labels]
        data += [{**trace, "xaxis": "x", "yaxis": f"y{suffix}"} for trace in strip.traces]
        top = bottom
    layout["annotations"] = annotations
    layout["xaxis"] = _time_axis(len(strips), end_s)
    if len(strips) > 1:
        layout["xaxis2"] = {**_time_axis(1, end_s), "overlaying": "x", "matches": "x", "showgrid": False, "title": {}}
        data.append(_binding())
    return data, layout


def label(text: str, y: float) -> Parts:
    """Return a text at the left edge of a strip, standing on a value of its upright axis."""
    return {
        "text": text,
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": y,
        "yanchor": "bottom",
        "showarrow": False,
        "align": "left",
        "borderpad": 0,
        "font": {"size": SMALL},
    }


def _title(text: str, yref: str) -> Parts:
    return {**label(text, 1.0), "yref": yref, "font": {"size": FONT_SIZE}}


def _time_axis(last: int, end_s: float) -> Parts:
    """Return the time axis under strip number ``last``, counted from 1."""
    return {
        "anchor": "y" if last == 1 else f"y{last}",
        "side": "bottom",
        "range": [0, end_s or 1.0],
        "title": {"text": "seconds from the start of the recording", "standoff": 6, "font": {"size": SMALL}},
        "gridcolor": GRID,
        "zeroline": False,
        "showline": True,
        "linecolor": GRID,
        "exponentformat": "none",
        "separatethousands": True,
        "ticks": "outside",
        "ticklen": 4,
        "tickcolor": GRID,
        "tickfont": {"size": SMALL},
        "showspikes": True,
        "spikemode": "across",
        "spikesnap": "cursor",
        "spikethickness": 1,
        "spikedash": "dot",
        "spikecolor": "#808080",
    }


def _binding() -> Parts:
    """Return a trace that shows nothing; it makes the second time axis be drawn."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [0],
        "y": [0],
        "marker": {"color": CLEAR, "size": 1},
        "hoverinfo": "skip",
        "showlegend": False,
        "xaxis": "x2",
        "yaxis": "y",
    }
