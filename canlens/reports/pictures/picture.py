"""Picture: one drawing of a page with its words; drawings one above the other that share one time axis."""

from __future__ import annotations

import base64
import html
import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.layout import visible
from canlens.reports.pictures.looks import CLEAR, FONT_SIZE, GRID, SHADES, SMALL, plain_layout
from canlens.wording import OUTCOMES, counted, percent, quantity, seconds, short_time, some

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from canlens.nouns.pictures import DrawnRecording, Joins, Outcome, StepLane
    from canlens.reports.pictures.looks import Parts
    from canlens.signals import Floats


# Picture: one drawing of a page with its words, and the form in which the plotting script takes it.


CONFIG: Parts = {
    "responsive": True,
    "displaylogo": False,
    "typesetMath": False,
    "scrollZoom": False,
    "showTips": False,
    "plotlyServerURL": "",
    "modeBarButtons": [["toImage"], ["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]],
}
"""The buttons are named one by one, since the script's own choice holds one that sends the picture away."""


LARGEST = np.iinfo(np.int32).max


@dataclass(frozen=True)
class Picture:
    """One drawing.

    Attributes
    ----------
    name
        For addresses in the page: small letters, digits and hyphens.
    title, caption
        Plain text: what it shows, and how it is to be read and what it leaves out.
    alternative
        Plain text that says with its numbers what the drawing shows, for those who cannot see it.
    figure
        JSON object with ``data``, ``layout`` and ``config``, for ``Plotly.newPlot``. It holds no ``<``, ``>`` or ``&``,
        so that it may stand in a script element as it is. ``layout.height`` is in pixels; the width follows the page.
        Backgrounds are clear and ``layout.font.color`` is the only colour of text.
    """

    name: str
    title: str
    caption: str
    alternative: str
    figure: str


def figure_text(data: Sequence[Parts], layout: Parts) -> str:
    """Write a figure as JSON that may stand in a script element."""
    whole = {"data": list(data), "layout": layout, "config": CONFIG}
    text = json.dumps(whole, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def column(values: npt.ArrayLike, kind: str = "f8") -> Parts:
    """Return a column in plotly's binary form.

    Parameters
    ----------
    values
        Numbers (n,) or (n, m); nan where a line is to be broken.
    kind
        Type of the elements: ``f8``, ``f4``, ``i4``, ``i2``.
    """
    array = np.ascontiguousarray(values, np.dtype(f"<{kind}"))
    form: Parts = {"dtype": kind, "bdata": base64.b64encode(array.tobytes()).decode("ascii")}
    if array.ndim > 1:
        form["shape"] = ", ".join(str(each) for each in array.shape)
    return form


def places(time_s: npt.ArrayLike, line: npt.ArrayLike, *, start: float | None) -> tuple[Parts, str]:
    """Return a column of stamps and lines of the log, and the words of a hover text that show them.

    Parameters
    ----------
    time_s, line
        (n,): times since the start [s], and lines; 0 where there is none.
    start
        Stamp of the first frame [s].

    Returns
    -------
    column
        int32 (n, 3): whole seconds and microseconds of the recording's own clock, and the line. Small, since every
        vertex of a picture has one.
    str
        Part of a ``hovertemplate``.
    """
    stamp_us = np.rint((np.asarray(time_s, float) + (start or 0.0)) * 1e6)
    whole, part = np.divmod(np.nan_to_num(stamp_us).astype(np.int64), 1_000_000)
    lines = np.asarray(line, np.int64)
    words = "<br>log time %{customdata[0]}.%{customdata[1]:06d}"
    words += ", line %{customdata[2]}" if lines.any() else ""
    table = np.column_stack((whole, part, lines))
    fits = not len(table) or (table.max() <= LARGEST and table.min() >= -LARGEST)
    return column(table, "i4" if fits else "f8"), words


def foreign(name: str) -> str:
    """Return a name of a plan, database or recording as text of a figure that means nothing but itself.

    Plotly reads a few tags, entities and ``%{...}`` in labels; all of them lose their effect, as do characters that
    act on the writing.

    Examples
    --------
    >>> foreign("<b>horn</b> %{x}")
    '&lt;b&gt;horn&lt;/b&gt; %&#123;x&#125;'
    """
    return html.escape(visible(name), quote=False).replace("{", "&#123;").replace("}", "&#125;")


def plotly_script() -> str:
    """Return the plotting script that every page with pictures holds once."""
    from plotly.offline import get_plotlyjs  # noqa: PLC0415 – 0.15 s that only a page with pictures needs

    return str(get_plotlyjs())


# Rows: where the lanes of a picture stand.


Rows = dict[tuple[str, str], int]
"""Kind and name of a lane → height of its foot."""

PITCH = 20
"""Height of a row in units of the upright axis; the row's name stands in its upper half. Heights are whole numbers, so
that a column of them takes two bytes each."""
PITCH_PX = 38
BASE, TOP, NAME = 2, 10, 11
"""Height of off, of on and of the name above the foot of a row."""


def row_of(drawn: DrawnRecording) -> Rows:
    """Return the foot of every lane, from the top downwards."""
    return {(lane.kind, lane.name): -(number + 1) * PITCH for number, lane in enumerate(drawn.lanes)}


# Strips: drawings one above the other that share one time axis, so that all of them zoom together.


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


# Lane words: the line above each lane, and what a time line shows, for those who cannot see it.


LONGEST_NAME = 24
WRONG: dict[Outcome, str] = {"late": "late", "unanswered": "without answer"}


def clipped(name: str) -> str:
    """Return a name as text of a figure, cut where it would not fit a phone."""
    return foreign(name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…")


def lane_title(lane: StepLane, drawn: DrawnRecording) -> str:
    """Return the line above a lane: its name, and what it did in a few words."""
    return f"<b>{clipped(lane.name)}</b>  {_told(lane, drawn)}"


def _told(lane: StepLane, drawn: DrawnRecording) -> str:
    """Say in a few words what a lane did."""
    if lane.kind == "control":
        if not lane.changes:
            return "its message never came"
        marked = f", {len(lane.marked_s)} marked" if len(lane.marked_s) else ""
        return f"operated {lane.exercises}×{marked}"
    return ", ".join(_output_parts(lane, drawn))


def _output_parts(lane: StepLane, drawn: DrawnRecording) -> Iterator[str]:
    own = {each.outcome: each for each in drawn.joins if each.output == lane.name}
    answered = len(own["answered"].time_s) if "answered" in own else 0
    wrong = [(len(own[outcome].time_s), word) for outcome, word in WRONG.items() if outcome in own]
    if not lane.exercises:
        yield "never asked" if lane.changes else "nothing on the bus shows it"
    elif answered or len(wrong) != 1:
        yield f"answered {answered} of {lane.exercises}"
        yield from (f"<b>{number} {word}</b>" for number, word in wrong)
    else:
        yield f"<b>{wrong[0][0]} of {lane.exercises} {wrong[0][1]}</b>"
    for each in drawn.moments:
        if each.output == lane.name:
            word = " unasked" if each.kind == "unasked" else "× off by itself"
            yield f"<b>{len(each.time_s)}{word}</b>"


def time_line_words(drawn: DrawnRecording) -> str:
    """Say with its numbers what the time line of a recording shows."""
    return " ".join(_sentences(drawn))


def _sentences(drawn: DrawnRecording) -> Iterator[str]:
    yield f"Time line of {seconds(drawn.duration_s)} s."
    for lane in drawn.lanes:
        if lane.kind == "control":
            yield f"Control {visible(lane.name)}: {_told(lane, drawn)}."
    for lane in drawn.lanes:
        if lane.kind == "output":
            told = _told(lane, drawn).replace("<b>", "").replace("</b>", "")
            yield f"Output {visible(lane.name)}: {told}{_slowest(lane, drawn)}."
    for joined in drawn.joins:
        if joined.outcome in {"late", "unanswered"}:
            yield _failures(joined)
    for moment in drawn.moments:
        yield f"{visible(moment.output)} {OUTCOMES[moment.kind]} at {_moments(moment.time_s)}."
    for shade in drawn.shades:
        spans = [f"{seconds(start)} to {seconds(stop)} s" for start, stop in zip(shade.from_s, shade.to_s, strict=True)]
        yield f"Shaded, {SHADES[shade.kind][0]}: {some(spans, most=12)}."
    yield from _quantities(drawn)
    yield error_words(drawn)


def _quantities(drawn: DrawnRecording) -> Iterator[str]:
    """Say between what values currents, supply and load lay."""
    for current in drawn.currents:
        limit = f", limit {quantity(current.continuous_a, 'A')} continuous" if current.continuous_a is not None else ""
        peak = f", {quantity(current.peak_a, 'A')} peak" if current.peak_a is not None else ""
        yield f"Current of {visible(current.output)}: at most {quantity(current.series.greatest, 'A')}{limit}{peak}."
    if drawn.supply is not None:
        least = f"; planned minimum {quantity(drawn.supply.least_v, 'V')}" if drawn.supply.least_v is not None else ""
        low, high = drawn.supply.series.least, drawn.supply.series.greatest
        yield f"Supply of the controller: {quantity(low, 'V')} to {quantity(high, 'V')}{least}."
    for load in drawn.loads:
        low, high = load.series.least, load.series.greatest
        where = f" of {visible(load.channel)}" if len(drawn.loads) > 1 else ""
        yield f"Bus load{where} in windows of {load.window_s:g} s: {percent(low)} to {percent(high)}."


def error_words(drawn: DrawnRecording) -> str:
    """Say how many error episodes there were, or why nothing can be said."""
    if drawn.errors.total:
        return f"{counted(drawn.errors.total, 'error episode')}, at {_moments(drawn.errors.from_s)}."
    if drawn.errors_recorded == "yes":
        return "No error episodes."
    return "No error episodes are in the recording, but it is not known to hold errors."


def _slowest(lane: StepLane, drawn: DrawnRecording) -> str:
    """Say how long an output took at the median and at most."""
    for each in drawn.latencies:
        if each.output == lane.name and not math.isnan(each.median_s):
            return f", median {short_time(each.median_s)}, slowest {short_time(each.greatest_s)}"
    return ""


def _failures(joined: Joins) -> str:
    word = "late" if joined.outcome == "late" else "not at all"
    return f"{visible(joined.output)} answered {word} when asked at {_moments(joined.time_s)}."


def _moments(time_s: Floats) -> str:
    """Say when something happened, the first times of many."""
    return some((f"{seconds(each)} s" for each in time_s.tolist()), most=12)
