"""Quantity strips: currents and supply against their limits, bus load with error episodes, over the shared time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.pictures.looks import BLUE, CHANNEL_DASHES, GREEN, LIMIT_DASHES, LIMIT_WORDS, ORANGE, RED, VIOLET
from canlens.reports.pictures.picture import Strip, clipped, column, foreign, places
from canlens.wording import counted, quantity

if TYPE_CHECKING:
    from canlens.nouns.pictures import Bursts, Current, DrawnRecording, Load, Series, Supply
    from canlens.reports.pictures.looks import Parts


CURRENT_PX, SUPPLY_PX, LOAD_PX = 84, 84, 110
SHOWN_SHARE = 0.4
"""A limit is drawn where the highest value reaches this share of it; else it would flatten the rest (our choice)."""
MOST_SIGNS = 400


def quantity_strips(drawn: DrawnRecording) -> list[Strip]:
    """Draw all quantities of a recording below each other; errors, if any, next to the lanes that may explain them."""
    strips = [current_strip(each, drawn) for each in drawn.currents]
    if drawn.supply is not None:
        strips.append(supply_strip(drawn.supply, drawn))
    load = [load_strip(drawn.loads, drawn)] if drawn.loads or drawn.errors.total else []
    return [*load, *strips] if drawn.errors.total else [*strips, *load]


def current_strip(current: Current, drawn: DrawnRecording) -> Strip:
    """Draw the current of an output against its continuous and its peak limit."""
    highest = 0.0 if np.isnan(current.series.greatest) else current.series.greatest
    limits: list[tuple[str, float]] = []
    told = []
    for kind, limit in (("continuous", current.continuous_a), ("peak", current.peak_a)):
        if limit is None:
            continue
        shown = highest >= SHOWN_SHARE * limit or (kind == "continuous" and highest == 0)
        if shown:
            limits.append((kind, limit))
        told.append(f"peak {limit:g}" if kind == "peak" else f"limit {limit:g}")
    top = max([highest, *(limit for _, limit in limits)]) or 1.0
    title = f"<b>{clipped(current.output)}</b>, A" + (f"  {', '.join(told)}" if told else "")
    own = _line(current.series, f"{foreign(current.output)}", "A", ORANGE, drawn)
    rules = [_limit(f"{kind} limit", limit, "A", kind, drawn) for kind, limit in limits]
    return Strip(title, CURRENT_PX, (own, *rules), _axis(0.0, top, "A"))


def supply_strip(supply: Supply, drawn: DrawnRecording) -> Strip:
    """Draw the controller's supply against the least that the plan allows."""
    known = [each for each in (supply.series.least, supply.series.greatest, supply.least_v) if each is not None]
    known = [each for each in known if not np.isnan(each)] or [0.0]
    title = "<b>supply</b>, V"
    rules: list[Parts] = []
    if supply.least_v is not None:
        title += f"  minimum {supply.least_v:g}"
        rules.append(_limit("minimum", supply.least_v, "V", "least", drawn))
    own = _line(supply.series, "supply", "V", BLUE, drawn)
    return Strip(title, SUPPLY_PX, (own, *rules), _axis(min(known), max(known), "V"))


def load_strip(loads: tuple[Load, ...], drawn: DrawnRecording) -> Strip:
    """Draw the bus load of every channel, and the error episodes."""
    traces = []
    for number, load in enumerate(loads):
        named = f"load of {foreign(load.channel)}" if len(loads) > 1 else "load"
        own = _line(load.series, named, "%", GREEN, drawn, factor=100.0)
        own["line"] = {"shape": "hv", "color": GREEN, "width": 1.5, "dash": CHANNEL_DASHES[number % 4]}
        own["showlegend"] = len(loads) > 1
        traces.append(own)
    peaks = [load.series.greatest for load in loads if not np.isnan(load.series.greatest)]
    top = max(peaks, default=0.0) * 100 or 1.0
    if drawn.errors.total:
        traces += error_traces(drawn.errors, top, start=drawn.start)
    title = f"<b>bus load</b>, % of {loads[0].window_s:g} s" if loads else "<b>errors</b>"
    if drawn.errors.total:
        title += f"  <b>{counted(drawn.errors.total, 'error episode')}</b>"
    return Strip(title, LOAD_PX, tuple(traces), _axis(0.0, top * 1.12, "%"))


def error_traces(errors: Bursts, top: float, *, start: float | None) -> list[Parts]:
    """Draw error episodes as upright lines, and a sign at the head of each as long as they are few."""
    number = len(errors.from_s)
    told, where = places(errors.from_s, errors.line, start=start)
    words = f"<b>error episode</b>: %{{text}} error records<br>%{{x:.3f}} s from start{where}<extra></extra>"
    gap = np.full(number, np.nan)
    lines: Parts = {
        "type": "scatter",
        "mode": "lines",
        "name": "error episode",
        "legendgroup": "error episode",
        "showlegend": number > MOST_SIGNS,
        "x": column(np.column_stack((errors.from_s, errors.from_s, gap)).ravel()),
        "y": column(np.tile([0.0, top * 1.08, 0.0], number), "f4"),
        "line": {"color": RED, "width": 1, "dash": "dot"},
        "hoverinfo": "skip",
    }
    if number > MOST_SIGNS:
        return [lines]
    signs: Parts = {
        "type": "scatter",
        "mode": "markers",
        "name": "error episode",
        "legendgroup": "error episode",
        "showlegend": True,
        "x": column(errors.from_s),
        "y": column(np.full(number, top * 1.08), "f4"),
        "marker": {"symbol": "asterisk-open", "size": 10, "color": RED, "line": {"width": 2}},
        "customdata": told,
        "text": [str(each) for each in errors.number.tolist()],
        "hovertemplate": words,
    }
    return [lines, signs]


def _line(series: Series, named: str, unit: str, colour: str, drawn: DrawnRecording, *, factor: float = 1.0) -> Parts:
    """Draw a quantity over time."""
    told, where = places(series.time_s, series.line, start=drawn.start)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": named,
        "showlegend": False,
        "x": column(series.time_s),
        "y": column(series.value * factor, "f4"),
        "line": {"shape": "hv", "color": colour, "width": 1.5},
        "connectgaps": False,
        "customdata": told,
        "hovertemplate": f"<b>{named}</b>: %{{y:.3f}} {unit}<br>%{{x:.3f}} s from start{where}<extra></extra>",
    }


def _limit(named: str, limit: float, unit: str, kind: str, drawn: DrawnRecording) -> Parts:
    """Draw a limit as a level line from start to end."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": LIMIT_WORDS[kind],
        "legendgroup": LIMIT_WORDS[kind],
        "x": [0, drawn.duration_s],
        "y": [limit, limit],
        "line": {"color": VIOLET, "width": 2, "dash": LIMIT_DASHES[kind]},
        "hovertemplate": f"<b>{named}</b>: {quantity(limit, unit)}<extra></extra>",
    }


def _axis(low: float, high: float, unit: str) -> Parts:
    """Return an upright axis with a little room above and below."""
    room = 0.08 * (high - low) or 1.0
    low = 0.0 if low == 0 else low - room
    return {"range": [low, high + room], "nticks": 4, "ticksuffix": f" {unit}"}
