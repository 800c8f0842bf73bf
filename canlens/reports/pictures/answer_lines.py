"""Answer lines: each exercise joined to its answer, and signs where an answer is missing, late or unasked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.pictures.looks import ANSWER_LINES, ANSWER_SIGNS, MOMENT_SIGNS, MOMENT_WORDS, OUTCOME_WORDS
from canlens.reports.pictures.picture import column, foreign, places
from canlens.reports.pictures.quantity_words import short_time
from canlens.reports.pictures.rows import BASE, TOP

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.picture_evidence import DrawnRecording, Joins, Moments
    from canlens.reports.pictures.picture import Parts
    from canlens.reports.pictures.rows import Rows

MOST_ACROSS = 150
"""More lines than this across the lanes hide what is in them (our choice)."""
MOST_SIGNS = 400
"""Signs that one outcome of one output shows singly; more would make the page slow (our choice)."""


def answer_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw every exercise: a line to its answer, and a sign on the output's lane where it was not answered in time."""
    for own in drawn.joins:
        if own.outcome in ANSWER_LINES and not np.isnan(own.latency_s).all():
            yield _joining_line(own, rows, in_lane=are_many(drawn))
        if own.outcome in ANSWER_SIGNS:
            yield _signs(own, rows, drawn.start)


def are_many(drawn: DrawnRecording) -> bool:
    """Tell whether there are so many exercises that lines across the lanes would hide them."""
    return sum(len(each.time_s) for each in drawn.joins if each.outcome in ANSWER_LINES) > MOST_ACROSS


def _joining_line(own: Joins, rows: Rows, *, in_lane: bool) -> Parts:
    """Draw the lines from the control's step to the output's: two vertices and a break each, as one trace.

    The latency is told by the output's step, where the line ends. ``in_lane``: it begins at the foot of the
    output's own lane.
    """
    foot = rows["output", own.output]
    from_y = np.array([foot if in_lane else rows.get(("control", name), foot) for name in own.control]) + BASE
    to_y = np.full(len(from_y), foot + TOP)
    gap = np.full(len(from_y), np.nan)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": OUTCOME_WORDS[own.outcome],
        "legendgroup": None if own.outcome in ANSWER_SIGNS else own.outcome,
        "x": column(np.column_stack((own.time_s, own.time_s + own.latency_s, gap)).ravel()),
        "y": column(np.column_stack((from_y, to_y, to_y)).ravel(), "i2"),
        "line": ANSWER_LINES[own.outcome],
        "hoverinfo": "skip",
    }


def _signs(own: Joins, rows: Rows, start: float | None) -> Parts:
    """Draw a sign on the output's lane for each exercise."""
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    words = OUTCOME_WORDS[own.outcome]
    told, where = places(time_s, own.line[at], start=start)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": words,
        "legendgroup": own.outcome,
        "x": column(time_s),
        "y": column(np.full(len(time_s), rows["output", own.output] + (BASE + TOP) // 2), "i2"),
        "marker": ANSWER_SIGNS[own.outcome],
        "customdata": told,
        "text": list(map(_asked, own.control[at], own.latency_s[at].tolist())),
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {words}%{{text}}<br>asked %{{x:.3f}} s from start{where}"
        "<extra></extra>",
    }


def _asked(control: str, latency_s: float) -> str:
    """Say who asked, and how long it took where there was an answer."""
    after = "" if math.isnan(latency_s) else f" after {short_time(latency_s)}"
    return after + (f", asked by {foreign(control)}" if control else "")


def moment_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw a sign where an output came on unasked, or went off though nothing explains it."""
    for own in drawn.moments:
        yield _moment(own, rows["output", own.output], drawn.start)


def _moment(own: Moments, foot: int, start: float | None) -> Parts:
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    told, where = places(time_s, own.line[at], start=start)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": MOMENT_WORDS[own.kind],
        "legendgroup": own.kind,
        "x": column(time_s),
        "y": column(np.full(len(time_s), foot + TOP - 2), "i2"),
        "marker": MOMENT_SIGNS[own.kind],
        "customdata": told,
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {MOMENT_WORDS[own.kind]}<br>%{{x:.3f}} s from start{where}"
        "<extra></extra>",
    }


def unlabelled(drawn: DrawnRecording) -> int:
    """Count the exercises and moments that have no sign of their own."""
    signed = [len(each.time_s) for each in drawn.joins if each.outcome in ANSWER_SIGNS]
    signed += [len(each.time_s) for each in drawn.moments]
    return sum(max(0, number - MOST_SIGNS) for number in signed)
