"""Before and after: load, errors and changed messages of two recordings, each pair on one scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.baselines import BLOCK_S
from canlens.reports.layout import visible
from canlens.reports.pictures.looks import BLUE, FONT_SIZE, GREEN, GRID, ORANGE, RED, SMALL, VIOLET, plain_layout
from canlens.reports.pictures.picture import (
    LEGEND_PX,
    TITLE_PX,
    Picture,
    clipped,
    column,
    figure_text,
    foreign,
    label,
)
from canlens.reports.pictures.quantity_strips import MOST_SIGNS
from canlens.wording import percent, short_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.pictures import ComparedChannel, ComparedMessage, DrawnComparison, Series
    from canlens.reports.pictures.looks import Parts


ROW_PX, TICKS_PX, HEAD_PX = 110, 24, 22
NOT_TOLD = "not there, or not to be told"
COLUMNS = ((0.0, 0.485), (0.515, 1.0))
"""Share of the width for before and for after."""
WORDS = {"interval": "interval", "jitter": "jitter (standard deviation)"}


@dataclass(frozen=True)
class _Row:
    """One quantity: title, unit, traces before and after, span of both scales, and words where there are no traces."""

    title: str
    unit: str
    sides: Sequence[list[Parts]]
    span: tuple[float, float]
    absent: tuple[str, str] = (NOT_TOLD, NOT_TOLD)


def compared_picture(drawn: DrawnComparison, *, name: str, title: str) -> Picture | None:
    """Draw before and after side by side; None where there is nothing to draw."""
    rows = [*_channel_rows(drawn), *map(_message_row, drawn.messages)]
    if not rows:
        return None
    caption = (
        "Left before, right after; both halves of a row have the same scale, and all rows of a half zoom "
        f"together. Each value stands for {BLOCK_S:g} s of recording."
    )
    if drawn.left_out:
        caption += f" {drawn.left_out} more messages changed and are not drawn; the table holds all."
    words = " ".join(_sentences(drawn))
    return Picture(name, title, caption, words, figure_text(*_figure(rows, drawn)))


def _channel_rows(drawn: DrawnComparison) -> Iterator[_Row]:
    for before, after in drawn.channels:
        peaks = [each.load.greatest for each in (before, after) if each.load is not None]
        hits = [int(each.episodes.max()) for each in (before, after) if len(each.episodes)]
        channel = f" of {clipped(after.name)}" if len(drawn.channels) > 1 else ""
        if peaks:
            sides = [
                [_line(side.load, GREEN, "%", 100.0, "bus load")] if side.load is not None else []
                for side in (before, after)
            ]
            yield _Row(f"<b>bus load</b>{channel}, %", "%", sides, (0.0, max(peaks) * 108 or 1.0))
        if hits:
            sides = [_episodes(side) for side in (before, after)]
            absent = _no_errors(before), _no_errors(after)
            yield _Row(f"<b>error episodes</b>{channel} in {BLOCK_S:g} s", "", sides, (0.0, max(hits) * 1.2), absent)


def _message_row(own: ComparedMessage) -> _Row:
    known = [each for each in (own.before, own.after) if each is not None]
    low, high = min(each.least for each in known), max(each.greatest for each in known)
    colour = BLUE if own.quantity == "interval" else ORANGE
    title = f"<b>{clipped(own.subject[-1])}</b> {WORDS[own.quantity]}, ms"
    named = f"{foreign(own.subject[-1])} {own.quantity}"
    sides = [[_line(side, colour, "ms", 1000.0, named)] if side is not None else [] for side in (own.before, own.after)]
    declared = own.declared_s if own.quantity == "interval" else None
    if declared is not None and low / 2 < declared < high * 2:
        low, high = min(low, declared), max(high, declared)
        for side, series in zip(sides, (own.before, own.after), strict=True):
            if series is not None:
                side.append(_declared(declared, series))
    room = 0.1 * (high - low) or 0.02 * high or 1e-6
    return _Row(title, "ms", sides, ((max(0.0, low - room)) * 1000, (high + room) * 1000))


def _figure(rows: list[_Row], drawn: DrawnComparison) -> tuple[list[Parts], Parts]:
    """Put rows below each other, each with a half for before and one for after."""
    inner = len(rows) * (ROW_PX + TITLE_PX) + HEAD_PX
    layout = plain_layout(height=inner + LEGEND_PX + 56)
    layout["margin"]["l"] = 56
    layout["margin"]["t"] = 28
    annotations: list[Parts] = []
    data: list[Parts] = []
    named: set[str] = set()
    for number, row in enumerate(rows):
        top = HEAD_PX + number * (ROW_PX + TITLE_PX) + TITLE_PX
        domain = [max(0.0, 1 - (top + ROW_PX) / inner), 1 - top / inner]
        for side in (0, 1):
            axis = 2 * number + side + 1
            suffix = "" if axis == 1 else str(axis)
            layout[f"yaxis{suffix}"] = _upright(row, domain, side, first=2 * number + 1)
            for trace in row.sides[side]:
                shown = trace["name"] in {"declared cycle time", "error episodes"} and trace["name"] not in named
                named.add(trace["name"])
                data.append({**trace, "xaxis": ("x", "x2")[side], "yaxis": f"y{suffix}", "showlegend": shown})
            if not row.sides[side]:
                data.append({**_nothing(), "xaxis": ("x", "x2")[side], "yaxis": f"y{suffix}"})
                annotations.append(_absent(row.absent[side], COLUMNS[side][0], f"y{suffix} domain"))
        annotations.append({**label(row.title, 1.0), "yref": f"y{'' if number == 0 else 2 * number + 1} domain"})
    last = 2 * len(rows)
    for side, (words, end_s) in enumerate((("BEFORE", drawn.before_s), ("AFTER", drawn.after_s))):
        layout[("xaxis", "xaxis2")[side]] = _level(side, last - 1 + side, end_s)
        annotations.append(_head(words, COLUMNS[side][0]))
    layout["annotations"] = annotations
    return data, layout


def _upright(row: _Row, domain: list[float], side: int, *, first: int) -> Parts:
    axis: Parts = {
        "domain": domain,
        "anchor": ("x", "x2")[side],
        "fixedrange": True,
        "range": list(row.span),
        "zeroline": False,
        "gridcolor": GRID,
        "nticks": 4,
        "tickfont": {"size": SMALL},
        "ticksuffix": f" {row.unit}" if row.unit else "",
        "showline": True,
        "linecolor": GRID,
    }
    if side:
        axis["showticklabels"] = False
        axis["matches"] = "y" if first == 1 else f"y{first}"
    return axis


def _level(side: int, last: int, end_s: float) -> Parts:
    return {
        "domain": list(COLUMNS[side]),
        "anchor": "y" if last == 1 else f"y{last}",
        "range": [0, end_s or 1.0],
        "title": {"text": "seconds", "standoff": 6, "font": {"size": SMALL}},
        "gridcolor": GRID,
        "zeroline": False,
        "nticks": 5,
        "tickfont": {"size": SMALL},
    }


def _head(words: str, x: float) -> Parts:
    return {**label(f"<b>{words}</b>", 1.0), "x": x, "yref": "paper", "yanchor": "top", "font": {"size": FONT_SIZE + 1}}


def _absent(words: str, x: float, yref: str) -> Parts:
    return {**label(words, 0.5), "x": x, "xshift": 8, "yref": yref, "yanchor": "middle"}


def _nothing() -> Parts:
    """Return a trace that shows nothing; it makes an empty half be drawn."""
    return {
        "type": "scatter",
        "x": [0],
        "y": [0],
        "mode": "markers",
        "opacity": 0,
        "hoverinfo": "skip",
        "showlegend": False,
    }


def _line(series: Series, colour: str, unit: str, factor: float, named: str) -> Parts:
    return {
        "type": "scatter",
        "mode": "lines+markers" if len(series.time_s) <= 60 else "lines",  # noqa: PLR2004 – signs need room
        "name": named,
        "x": column(series.time_s),
        "y": column(series.value * factor),
        "line": {"color": colour, "width": 1.5},
        "marker": {"size": 5, "color": colour},
        "hovertemplate": f"<b>{named}</b>: %{{y:.4g}} {unit}<br>%{{x:.0f}} s from start<extra></extra>",
    }


def _declared(declared_s: float, series: Series) -> Parts:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": "declared cycle time",
        "x": [0, float(series.time_s[-1])],
        "y": [declared_s * 1000] * 2,
        "line": {"color": VIOLET, "width": 2, "dash": "dash"},
        "hovertemplate": f"declared {short_time(declared_s)}<extra></extra>",
    }


def _episodes(side: ComparedChannel) -> list[Parts]:
    """Draw the error episodes of each block as an upright line with a sign at its head."""
    if not len(side.episodes):
        return []
    number = len(side.episodes)
    gap = np.full(number, np.nan)
    x = np.column_stack((side.episode_s, side.episode_s, gap)).ravel()
    y = np.column_stack((np.zeros(number), side.episodes, gap)).ravel()
    words = "%{y:d} error episodes<br>%{x:.0f} s from start<extra></extra>"
    lines: Parts = {
        "type": "scatter",
        "mode": "lines",
        "name": "error episodes",
        "x": column(x),
        "y": column(y),
        "line": {"color": RED, "width": 1.5, "dash": "dot"},
    }
    if number > MOST_SIGNS:
        return [{**lines, "hovertemplate": words}]
    signs: Parts = {
        "type": "scatter",
        "mode": "markers",
        "name": "error episodes",
        "x": column(side.episode_s),
        "y": column(side.episodes),
        "marker": {"symbol": "asterisk-open", "size": 9, "color": RED, "line": {"width": 2}},
        "hovertemplate": words,
    }
    return [{**lines, "hoverinfo": "skip"}, signs]


def _no_errors(side: ComparedChannel) -> str:
    return "none" if side.recorded == "yes" else "none in the recording"


def _sentences(drawn: DrawnComparison) -> Iterator[str]:
    """Say with its numbers what is drawn."""
    for before, after in drawn.channels:
        for when, side in (("Before", before), ("After", after)):
            load = "not known" if side.load is None else f"{percent(side.load.least)} to {percent(side.load.greatest)}"
            errors = f"{int(side.episodes.sum())} error episodes"
            if not len(side.episodes) and side.recorded != "yes":
                errors = "no error episodes in the recording, which is not known to hold errors"
            yield f"{when}, channel {visible(side.name)}: bus load {load}, {errors}."
    for own in drawn.messages:
        sides = [
            "not to be told" if side is None else f"{short_time(side.least)} to {short_time(side.greatest)}"
            for side in (own.before, own.after)
        ]
        yield f"{visible(own.subject[-1])}, {WORDS[own.quantity]}: before {sides[0]}, after {sides[1]}."
