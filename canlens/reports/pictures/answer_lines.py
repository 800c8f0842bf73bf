"""Answer lines: each exercise joined to its answer, and signs where an answer is missing, late or unasked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.reports.pictures.looks import ANSWER_LINES, ANSWER_SIGNS, MOMENT_SIGNS, MOMENT_WORDS, OUTCOME_WORDS
from canlens.reports.pictures.picture import column, foreign
from canlens.reports.pictures.rows import BASE, TOP

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.picture_evidence import DrawnRecording, Joins, Moments
    from canlens.reports.pictures.picture import Parts
    from canlens.reports.pictures.rows import Rows

MOST_SIGNS = 400
"""Signs that one outcome of one output shows singly; more would make the page slow (our choice)."""


def answer_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw every exercise: a line to its answer, and a sign on the output's lane where it was not answered in time."""
    for own in drawn.joins:
        if own.outcome in ANSWER_LINES and not np.isnan(own.latency_s).all():
            yield _joining_line(own, rows, drawn.start or 0.0)
        if own.outcome in ANSWER_SIGNS:
            yield _signs(own, rows, drawn.start or 0.0)


def _joining_line(own: Joins, rows: Rows, start: float) -> Parts:
    """Draw the lines from the control's step to the output's: two vertices and a break each, as one trace."""
    foot = rows["output", own.output]
    from_y = np.array([rows.get(("control", name), foot) for name in own.control]) + BASE
    number = len(own.time_s)
    gap = np.full(number, np.nan)
    answer_s = own.time_s + own.latency_s
    milliseconds = np.repeat(own.latency_s * 1000, 3)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": OUTCOME_WORDS[own.outcome],
        "legendgroup": own.outcome,
        "x": column(np.column_stack((own.time_s, answer_s, gap)).ravel()),
        "y": column(np.column_stack((from_y, np.full(number, foot + TOP), gap)).ravel(), "f4"),
        "line": ANSWER_LINES[own.outcome],
        "customdata": column(np.column_stack((milliseconds, np.repeat(own.time_s + start, 3), np.repeat(own.line, 3)))),
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {OUTCOME_WORDS[own.outcome]}, %{{customdata[0]:.1f}} ms<br>"
        "asked at log time %{customdata[1]:.6f}, line %{customdata[2]:d}<extra></extra>",
    }


def _signs(own: Joins, rows: Rows, start: float) -> Parts:
    """Draw a sign on the output's lane for each exercise."""
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    words = OUTCOME_WORDS[own.outcome]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": words,
        "legendgroup": f"{own.outcome} sign",
        "x": column(time_s),
        "y": column(np.full(len(time_s), rows["output", own.output] + (BASE + TOP) / 2), "f4"),
        "marker": ANSWER_SIGNS[own.outcome],
        "customdata": column(np.column_stack((time_s + start, own.line[at]))),
        "text": [f"asked by {foreign(name)}" if name else "asked" for name in own.control[at]],
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {words}<br>%{{text}} %{{x:.3f}} s from start<br>"
        "log time %{customdata[0]:.6f}, line %{customdata[1]:d}<extra></extra>",
    }


def moment_traces(drawn: DrawnRecording, rows: Rows) -> Iterator[Parts]:
    """Draw a sign where an output came on unasked, or went off though nothing explains it."""
    for own in drawn.moments:
        yield _moment(own, rows["output", own.output], drawn.start or 0.0)


def _moment(own: Moments, foot: float, start: float) -> Parts:
    at = slice(None, MOST_SIGNS)
    time_s = own.time_s[at]
    return {
        "type": "scatter",
        "mode": "markers",
        "name": MOMENT_WORDS[own.kind],
        "legendgroup": own.kind,
        "x": column(time_s),
        "y": column(np.full(len(time_s), foot + TOP - 0.8), "f4"),
        "marker": MOMENT_SIGNS[own.kind],
        "customdata": column(np.column_stack((time_s + start, own.line[at]))),
        "hovertemplate": f"<b>{foreign(own.output)}</b>: {MOMENT_WORDS[own.kind]}<br>%{{x:.3f}} s from start<br>"
        "log time %{customdata[0]:.6f}, line %{customdata[1]:d}<extra></extra>",
    }


def unlabelled(drawn: DrawnRecording) -> int:
    """Count the exercises and moments that have no sign of their own."""
    signed = [len(each.time_s) for each in drawn.joins if each.outcome in ANSWER_SIGNS]
    signed += [len(each.time_s) for each in drawn.moments]
    return sum(max(0, number - MOST_SIGNS) for number in signed)
