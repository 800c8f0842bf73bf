"""Answers: which rising edges of a rule did its output follow, in time, late, or never – and what came unasked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import Answers, Steps, Track
from canlens.measures.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Rows

LATE_FACTOR = 5.0
"""A rise this many answer times after its edge (at least :data:`LATE_S`) is still taken as its late answer (our
choice)."""
LATE_S = 2.0
ROWS_OF_GRACE = 2.0
"""The first row after a deadline may be this many intervals away and still be judged as that row."""


def answers(
    rule: Track, output: Track, *, within_s: float, run_on_s: float = 0.0, flashing: Track | None = None
) -> Answers:
    """Match each rising edge of a rule with the rise of the output that follows it.

    The first row is never an edge. An output that is already on cannot answer: if the rule was on a moment ago (or
    a run-on explains it) the edge does not count, else it counts and is unanswered. An edge whose exercise is
    shorter than ``within_s`` and one interval of the output's message, too near the end, or during which the output's
    message stayed away, counts only if it is answered.

    Parameters
    ----------
    rule, output
        Their states over time.
    within_s
        An answer is due within this time [s].
    run_on_s
        How long the output may stay on after the rule ended, tolerance included [s].
    flashing
        State of the flash condition; while it holds the output's falls mean nothing.

    Returns
    -------
    Answers
        All empty where the rule has no rising edge.
    """
    edge = rule.rises
    edge_s = rule.time_s[edge]
    fall_s = np.append(rule.time_s[1:], rule.end_s)[edge]
    next_s = np.append(edge_s[1:], np.inf)
    rise = output.rises
    rise_s = output.time_s[rise]
    deadline_s = edge_s + within_s + ROUNDING_S
    row_s = _first_row_after(output, deadline_s)

    taken = _first_rise(output, rise, rule, edge)
    taken_s = np.append(rise_s, np.inf)[taken]
    in_time = (taken_s <= np.maximum(deadline_s, row_s)) & (taken_s < next_s)
    stays = (output.at(deadline_s) != OFF) | (taken_s > deadline_s) | (fall_s <= deadline_s)
    if flashing is not None:
        stays |= flashing.ever(ON, edge_s, deadline_s)
    answered = in_time & stays

    was_on = output.at(edge_s, side="left") == ON
    recently_s = edge_s - (run_on_s + within_s + output.slack_s) - ROUNDING_S
    before_s = np.nextafter(edge_s, -np.inf)
    held = was_on & ~answered & (rule.ever(ON, recently_s, before_s) | rule.ever(UNKNOWN, recently_s, before_s))

    open_edge = ~answered & ~held
    need_s = within_s + output.slack_s - ROUNDING_S
    ends_s = min(rule.end_s, output.end_s)
    short = (fall_s - edge_s < need_s) | (ends_s - edge_s < need_s)
    too_short = open_edge & (short | _unseen(output, edge_s, deadline_s, fall_s))
    later = np.maximum(taken, np.searchsorted(rise_s, deadline_s, "right"))
    later_s = np.append(rise_s, np.inf)[later]
    late = open_edge & ~was_on & ~too_short & _comes_late(later_s, edge_s, fall_s, next_s, within_s)
    unanswered = open_edge & ~too_short & ~late
    due = answered | late | unanswered

    used = np.zeros(len(rise) + 1, bool)
    used[taken[answered]] = used[later[late]] = True
    used[taken[too_short & _comes_late(taken_s, edge_s, fall_s, next_s, within_s)]] = True
    unasked = rise[~used[:-1] & _unasked(rule, output, rise, within_s=within_s, run_on_s=run_on_s)]
    return Answers(
        due=Steps.of(rule, edge[due]),
        answered=Steps.of(rule, edge[answered]),
        late=Steps.of(rule, edge[late]),
        unanswered=Steps.of(rule, edge[unanswered]),
        too_short=Steps.of(rule, edge[too_short]),
        held=Steps.of(rule, edge[held]),
        unasked=Steps.of(output, unasked),
        latency_s=(taken_s - edge_s)[answered],
        late_s=(later_s - edge_s)[late],
    )


def _first_row_after(output: Track, deadline_s: Floats) -> Floats:
    """Return the first row at or after each deadline [s], the deadline itself where rows are too far away."""
    if not output.slack_s:
        return deadline_s
    row_s = np.append(output.rows_s, np.inf)[np.searchsorted(output.rows_s, deadline_s, "left")]
    return np.where(row_s <= deadline_s + ROWS_OF_GRACE * output.slack_s, row_s, deadline_s)


def _unseen(output: Track, edge_s: Floats, deadline_s: Floats, fall_s: Floats) -> Bools:
    """Tell which exercises passed while the output's message stayed away, so that they show nothing."""
    away = (output.at(edge_s, side="left") == UNKNOWN) | output.ever(UNKNOWN, edge_s, deadline_s)
    if output.slack_s:
        away |= np.append(output.rows_s, np.inf)[np.searchsorted(output.rows_s, deadline_s, "left")] > fall_s
    return np.asarray(away, bool)


def _first_rise(output: Track, rise: Rows, rule: Track, edge: Rows) -> Rows:
    """Return for each edge the index of the first rise after it; of equal stamps the later line is the later one."""
    rise_s, edge_s = output.time_s[rise], rule.time_s[edge]
    first = np.searchsorted(rise_s, edge_s, "left")
    lines = np.append(output.line[rise], 0)
    same = np.append(rise_s, np.inf)[first] == edge_s
    passed: Rows = first + (same & (lines[first] < rule.line[edge]))
    return passed


def _comes_late(taken_s: Floats, edge_s: Floats, fall_s: Floats, next_s: Floats, within_s: float) -> Bools:
    """Tell which rises are late answers: before the next edge, and while the rule holds or not long after."""
    horizon_s = edge_s + max(LATE_FACTOR * within_s, LATE_S)
    in_time: Bools = (taken_s < next_s) & ((taken_s <= fall_s + within_s) | (taken_s <= horizon_s))
    return in_time


def _unasked(rule: Track, output: Track, rise: Rows, *, within_s: float, run_on_s: float) -> Bools:
    """Tell which rises came while the rule was off, and had been off for the answer time and the run-on."""
    rise_s = output.time_s[rise]
    before_s = output.before_s[rise] if output.slack_s else rise_s
    since_s = before_s - within_s - run_on_s - ROUNDING_S
    off = rule.at(rise_s) == OFF
    known = rule.time_s[0] <= since_s if len(rule.time_s) else np.zeros(len(rise), bool)
    asked = rule.ever(ON, since_s, rise_s) | rule.ever(UNKNOWN, since_s, rise_s)
    return np.asarray(off & ~asked & known, bool)
