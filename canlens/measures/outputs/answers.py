"""Answers: which edges of a rule its output followed, in time, late or never, and how it went off again."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.outputs.wanted import BOUNCE_S
from canlens.nouns.outputs import Answers, Places, Timer, Track
from canlens.nouns.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Rows


# Answers: which rising edges of a rule did its output follow, in time, late, or never – and what came unasked.


LATE_FACTOR = 5.0
"""A rise this many answer times after its edge (at least :data:`LATE_S`) is still taken as its late answer (our
choice)."""
LATE_S = 2.0
ROWS_OF_GRACE = 2.0
"""The first row after a deadline may be this many intervals away and still be judged as that row."""
ROWS_NEAR = 3.0
"""Nothing is judged at a time that has no row of the output within this many intervals: the recorder lost them."""
FEWEST_LEADS = 3
"""Fewer exercises than this do not tell an output that leads from one that came on by itself."""
LONGEST_LEAD_S = 1.0
"""No gateway passes a message on later than this [s] (our choice)."""
LEAD_SPREAD_S = 0.05
"""Leads that differ by less, rows left out, are alike [s] (our choice)."""


class _Exercises(NamedTuple):
    """The exercises of a rule, bounces and hurried presses taken together: n of them.

    Attributes
    ----------
    edge
        intp (n,): the rising edge that is judged: of the first press that is long enough to be answered.
    since_s, next_s
        float64 (n,): the earliest time at which the exercise can have begun, and when the next one does [s].
    fall_s
        float64 (n,): when the judged press ended [s].
    """

    edge: Rows
    since_s: Floats
    fall_s: Floats
    next_s: Floats

    @classmethod
    def of(cls, rule: Track, *, apart_s: float) -> _Exercises:
        """Take the rises of a rule together that are closer than ``apart_s``, and those between which it bounced."""
        rise = rule.rises
        rise_s, fall_s = rule.time_s[rise], np.append(rule.time_s[1:], rule.end_s)[rise]
        since_s = np.maximum(rule.since_s[rise], rule.time_s[np.maximum(rise - 1, 0)])
        if not len(rise):
            return cls(rise, since_s, fall_s, rise_s)
        press = np.flatnonzero(np.append(True, rise_s[1:] - fall_s[:-1] > BOUNCE_S))
        ends_s = fall_s[np.append(press[1:], len(rise)) - 1]
        begin_s = rise_s[press]
        first = np.flatnonzero(np.append(True, np.diff(begin_s) >= apart_s))
        group = np.cumsum(np.append(True, np.diff(begin_s) >= apart_s)) - 1
        is_long = ends_s - begin_s >= apart_s
        judged = np.lexsort((np.arange(len(press)), ~is_long, group))[first]
        next_s = np.append(begin_s[first[1:]], np.inf)
        return cls(rise[press[judged]], since_s[press[first]], ends_s[judged], next_s)


def exercises(control: Track, *, apart_s: float) -> Places:
    """Return the exercises of a control: its rising edges, those as one that are closer than an answer needs [s]."""
    return Places.of(control, _Exercises.of(control, apart_s=apart_s).edge)


def answers(
    rule: Track,
    output: Track,
    *,
    within_s: float,
    run_on_s: float = 0.0,
    flashing: Track | None = None,
    flash_s: float = 0.0,
) -> Answers:
    """Match each rising edge of a rule with the rise of the output that follows it.

    The first row is never an edge. An edge lies between two rows: an output that rises anywhere from the row before it
    to the deadline answers it. Edges closer than an answer needs are one exercise. An output that is already on cannot
    answer: if the rule was on a moment ago (or a run-on explains it) the edge does not count, else it counts and is
    unanswered. One that answers in time and is off again at the deadline has dropped out. An edge whose exercise is
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
    flashing, flash_s
        State of the flash condition, and how long the output may be dark between two flashes [s]; while it holds the
        output's falls mean nothing, nor does being off where rows come too seldom to meet a flash.

    Returns
    -------
    Answers
        All empty where the rule has no rising edge.
    """
    made = _Exercises.of(rule, apart_s=within_s + output.slack_s)
    edge, fall_s, next_s = made.edge, made.fall_s, made.next_s
    edge_s = rule.time_s[edge]
    rise = output.rises
    rise_s = output.time_s[rise]
    deadline_s = edge_s + within_s + ROUNDING_S
    row_s = _first_row_after(output, deadline_s)

    taken = _first_rise(output, rise, rule, made)
    taken_s = np.append(rise_s, np.inf)[taken]
    in_time = (taken_s <= np.maximum(deadline_s, row_s)) & (taken_s < next_s)
    if not output.slack_s:
        in_time |= (np.append(output.since_s[rise], np.inf)[taken] <= deadline_s) & (taken_s < next_s)
    stays = (output.at(deadline_s) != OFF) | (taken_s > deadline_s) | (fall_s <= deadline_s)
    if flashing is not None:
        stays |= flashing.ever(ON, edge_s, deadline_s)
    answered, dropped_out = in_time & stays, in_time & ~stays

    was_on = output.at(np.minimum(made.since_s, edge_s), side="left") == ON
    recently_s = edge_s - (run_on_s + within_s + output.slack_s) - ROUNDING_S
    before_s = np.nextafter(edge_s, -np.inf)
    held = was_on & ~in_time & (rule.ever(ON, recently_s, before_s) | rule.ever(UNKNOWN, recently_s, before_s))

    open_edge = ~in_time & ~held
    need_s = within_s + output.slack_s - ROUNDING_S
    ends_s = min(rule.end_s, output.end_s)
    short = (fall_s - edge_s < need_s) | (ends_s - edge_s < need_s)
    unseen = open_edge & ~short & _unseen(output, edge_s, deadline_s, fall_s)
    too_short = open_edge & (short | unseen)
    if flashing is not None and output.slack_s > flash_s / ROWS_NEAR:
        too_short |= open_edge & flashing.ever(ON, edge_s, fall_s)
    later = np.maximum(taken, np.searchsorted(rise_s, deadline_s, "right"))
    later_s = np.append(rise_s, np.inf)[later]
    late = open_edge & ~was_on & ~too_short & _comes_late(later_s, edge_s, fall_s, next_s, within_s)
    unanswered = open_edge & ~too_short & ~late
    due = in_time | late | unanswered

    used = np.zeros(len(rise) + 1, bool)
    used[taken[in_time]] = used[later[late]] = True
    used[taken[too_short & _comes_late(taken_s, edge_s, fall_s, next_s, within_s)]] = True
    unasked = rise[~used[:-1] & _unasked(rule, output, rise, within_s=within_s, run_on_s=run_on_s)]
    return Answers(
        due=Places.of(rule, edge[due]),
        answered=Places.of(rule, edge[answered]),
        late=Places.of(rule, edge[late]),
        unanswered=Places.of(rule, edge[unanswered]),
        too_short=Places.of(rule, edge[too_short]),
        held=Places.of(rule, edge[held]),
        unasked=Places.of(output, unasked),
        latency_s=np.maximum(taken_s - edge_s, 0.0)[answered],
        late_s=(later_s - edge_s)[late],
        dropped_out=Places.of(rule, edge[dropped_out]),
        unseen=Places.of(rule, edge[unseen]),
    )


def lead(rule: Track, output: Track, *, within_s: float) -> float:
    """Measure by how much an output comes on before the bus tells of its control [s]; 0 where it does not.

    It leads only if it does so before every exercise, alike, by more than the rows around the edge explain: then it
    also hangs on the control's wire, or the control's message is a copy that comes late.
    """
    made = _Exercises.of(rule, apart_s=within_s + output.slack_s)
    rise_s = output.time_s[output.rises]
    if len(made.edge) < FEWEST_LEADS or not len(rise_s):
        return 0.0
    edge_s = rule.time_s[made.edge]
    ahead_s = edge_s - rise_s[np.maximum(np.searchsorted(rise_s, edge_s, "left") - 1, 0)]
    free_s = edge_s - made.since_s
    spread_s = float(np.ptp(ahead_s))
    if ahead_s.min() < 0 or ahead_s.max() > LONGEST_LEAD_S or spread_s > free_s.max() + output.slack_s + LEAD_SPREAD_S:
        return 0.0
    return float(ahead_s.max()) + ROUNDING_S if (ahead_s > free_s).any() else 0.0


def _earliest_s(output: Track) -> Floats:
    """Return when each step of an output can have happened at the earliest [s]: its own frame may have been lost."""
    return output.before_s if output.slack_s else output.since_s


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
        row_s = np.append(output.rows_s, np.inf)[np.searchsorted(output.rows_s, deadline_s, "left")]
        away |= (row_s > fall_s) | (row_s > deadline_s + ROWS_NEAR * output.slack_s)
    return np.asarray(away, bool)


def _first_rise(output: Track, rise: Rows, rule: Track, made: _Exercises) -> Rows:
    """Return for each exercise the index of the first rise of the output after it can have begun.

    Of equal stamps the later line is the later one, where the edge is known to the moment.
    """
    rise_s, edge_s = output.time_s[rise], rule.time_s[made.edge]
    first = np.searchsorted(rise_s, made.since_s, "left")
    lines = np.append(output.line[rise], 0)
    same = (np.append(rise_s, np.inf)[first] == edge_s) & (made.since_s == edge_s)
    passed: Rows = first + (same & (lines[first] < rule.line[made.edge]))
    return passed


def _comes_late(taken_s: Floats, edge_s: Floats, fall_s: Floats, next_s: Floats, within_s: float) -> Bools:
    """Tell which rises are late answers: before the next edge, and while the rule holds or not long after."""
    horizon_s = edge_s + max(LATE_FACTOR * within_s, LATE_S)
    in_time: Bools = (taken_s < next_s) & ((taken_s <= fall_s + within_s) | (taken_s <= horizon_s))
    return in_time


def _unasked(rule: Track, output: Track, rise: Rows, *, within_s: float, run_on_s: float) -> Bools:
    """Tell which rises came while the rule was off, and had been off for the answer time and the run-on."""
    rise_s = output.time_s[rise]
    before_s = _earliest_s(output)[rise]
    since_s = before_s - within_s - run_on_s - ROUNDING_S
    off = (rule.at(rise_s) == OFF) & ~_in_span_of(rule, rule.rises, rise_s)
    known = rule.time_s[0] <= since_s if len(rule.time_s) else np.zeros(len(rise), bool)
    asked = rule.ever(ON, since_s, rise_s) | rule.ever(UNKNOWN, since_s, rise_s)
    return np.asarray(off & ~asked & known, bool)


def _in_span_of(rule: Track, steps: Rows, time_s: Floats) -> Bools:
    """Tell which times lie between the rows within which the rule's next step of some kind must have happened."""
    since_s = np.append(rule.since_s[steps], np.inf)
    return np.asarray(since_s[np.searchsorted(rule.time_s[steps], time_s, "left")] <= time_s, bool)


# Release: whether the output goes off as planned – at once, after its run-on, or cut off while the condition lasts.


def release(rule: Track, output: Track, *, within_s: float, run_on_s: float = 0.0, tolerance_s: float = 0.0) -> Timer:
    """Measure the time from each falling edge of the rule to the output's.

    A time counts as completed when the output was on at the edge and went off before the rule came on again; not so
    where it had been on before an exercise too short to answer, since its fall may belong to the time before. The
    change is known to lie between two rows; it is right when that span meets run-on ± tolerance, with the answer
    time added to the late side.

    Parameters
    ----------
    rule, output
        Their states over time.
    within_s, run_on_s, tolerance_s
        As planned [s]; run-on 0 for an output that goes off at once.

    Returns
    -------
    Timer
        ``overdue`` holds the edges after which the output stayed on although the time had passed.
    """
    edge = rule.falls
    edge_s, since_s = rule.time_s[edge], np.maximum(rule.since_s[edge], rule.time_s[edge - 1])
    next_s = np.append(rule.time_s[1:], np.inf)[edge]
    fall = output.falls
    after = np.searchsorted(output.time_s[fall], since_s, "left")
    off_s = np.append(output.time_s[fall], np.inf)[after]
    before_s = np.append(_earliest_s(output)[fall], np.inf)[after]
    was_on = (output.at(edge_s) == ON) | (off_s <= edge_s)
    latest_s = edge_s + run_on_s + within_s + tolerance_s + ROUNDING_S
    begin_s = rule.time_s[edge - 1]
    doubtful = (output.at(begin_s, side="left") == ON) & (edge_s - begin_s < within_s + output.slack_s)
    went_off = np.isfinite(off_s) & (off_s <= next_s)
    done = was_on & went_off & ~doubtful
    early = off_s < since_s + run_on_s - tolerance_s - ROUNDING_S
    late = before_s > latest_s
    ends_s = np.minimum(np.minimum(next_s, rule.end_s), output.end_s)
    overdue = was_on & ~went_off & (ends_s > latest_s + 2 * output.slack_s) & _stays_on(output, latest_s)
    wrong = done & (early | late)
    from_start = _on_from_start(rule, output, run_on_s + within_s + tolerance_s)
    return Timer(
        planned_s=run_on_s,
        shortest_s=(np.maximum(before_s, edge_s) - edge_s)[done],
        longest_s=np.maximum(off_s - edge_s, 0.0)[done],
        completed=int(done.sum()),
        wrong=Places.of(rule, edge[wrong]),
        overdue=Places.joined((Places.of(rule, edge[overdue]), Places.of(output, from_start))),
    )


def cut_off(
    rule: Track,
    output: Track,
    *,
    within_s: float,
    cut_after_s: float,
    tolerance_s: float,
    flashing: Track | None = None,
) -> Timer:
    """Measure how long the output stays on while the rule lasts, counted from the rule's rising edge.

    Parameters and Returns as in :func:`release`; ``overdue`` holds the edges after which the output was never cut. An
    output that comes on again after its cut-off, while the rule still lasts, was cut off wrongly.
    Falls while ``flashing`` holds, or until ``within_s`` after it, are its own; one that soon after the rule's rise
    still belongs to the time before.
    """
    edge = rule.rises
    edge_s = rule.time_s[edge]
    next_s = np.append(rule.time_s[1:], np.inf)[edge]
    ended_s = np.minimum(np.minimum(next_s, rule.end_s), output.end_s)
    fall = output.falls[_while_on(rule, output, flashing, settle_s=within_s)]
    after = np.searchsorted(output.time_s[fall], edge_s, "right")
    off_s = np.append(output.time_s[fall], np.inf)[after]
    before_s = np.append(_earliest_s(output)[fall], np.inf)[after]
    done = off_s < next_s
    early = off_s < rule.since_s[edge] + cut_after_s - tolerance_s - ROUNDING_S
    latest_s = edge_s + cut_after_s + within_s + tolerance_s + ROUNDING_S
    late = before_s > latest_s
    overdue = ~done & (ended_s > latest_s + 2 * output.slack_s) & (output.at(latest_s) == ON)
    wrong = done & (early | late | _comes_back(output, off_s, np.minimum(next_s, rule.end_s), flashing))
    return Timer(
        planned_s=cut_after_s,
        shortest_s=(np.maximum(before_s, edge_s) - edge_s)[done],
        longest_s=(off_s - edge_s)[done],
        completed=int(done.sum()),
        wrong=Places.of(rule, edge[wrong]),
        overdue=Places.of(rule, edge[overdue]),
    )


def dropped(rule: Track, output: Track, *, flashing: Track | None, settle_s: float) -> Places:
    """Find the falls of the output while its rule held and nothing planned explains them.

    An output that was on, whose message stayed away, and that is off when the message comes back has fallen too.

    Parameters
    ----------
    rule, output
        Their states over time.
    flashing
        State of the flash condition; falls while it holds, or until ``settle_s`` after it [s], are its own.

    Returns
    -------
    Places
        Of the output.
    """
    falls = output.falls[_while_on(rule, output, flashing, settle_s=settle_s)]
    return Places.of(output, np.sort(np.append(falls, _lost_unseen(rule, output))))


def _lost_unseen(rule: Track, output: Track) -> Rows:
    """Return the steps by which an output came back off from a silence into which it went on, its rule on all along."""
    off = np.flatnonzero((output.state[2:] == OFF) & (output.state[1:-1] == UNKNOWN) & (output.state[:-2] == ON)) + 2
    since_s, seen_s = output.time_s[off - 1], output.time_s[off]
    kept: Rows = off[~rule.ever(OFF, since_s, seen_s) & ~rule.ever(UNKNOWN, since_s, seen_s)]
    return kept


def _comes_back(output: Track, off_s: Floats, until_s: Floats, flashing: Track | None) -> Bools:
    """Tell after which falls the output rose again before a time, without flashing [s]."""
    rise_s = output.time_s[output.rises]
    if flashing is not None:
        rise_s = rise_s[flashing.at(rise_s) != ON]
    return np.asarray(np.searchsorted(rise_s, off_s, "right") < np.searchsorted(rise_s, until_s, "left"), bool)


def _while_on(rule: Track, output: Track, flashing: Track | None, *, settle_s: float) -> Bools:
    """Tell which falls of the output came while the rule had been on, and nothing flashed, for ``settle_s`` [s]."""
    seen_s = output.time_s[output.falls]
    since_s = _earliest_s(output)[output.falls] - settle_s - ROUNDING_S
    on: Bools = (rule.at(seen_s) == ON) & ~rule.ever(OFF, since_s, seen_s) & ~rule.ever(UNKNOWN, since_s, seen_s)
    on &= ~_in_span_of(rule, rule.falls, seen_s)
    return on if flashing is None else on & ~flashing.ever(ON, since_s, seen_s)


def _on_from_start(rule: Track, output: Track, allowed_s: float) -> Rows:
    """Return the output's first step if it was on from the start for longer than allowed while its rule was off."""
    if not len(output.state) or output.state[0] != ON or not len(rule.state):
        return np.zeros(0, np.intp)
    since_s = max(output.time_s[0], rule.time_s[0])
    later = np.flatnonzero((rule.time_s > since_s) & (rule.state != OFF))
    rule_s = rule.time_s[later[0]] if len(later) else rule.end_s
    gone_s = output.time_s[1] if len(output.time_s) > 1 else output.end_s
    lasts_s = min(rule_s, gone_s) - since_s
    is_off = rule.at(np.array([since_s]))[0] == OFF
    long = is_off and lasts_s > allowed_s + 2 * output.slack_s
    return np.zeros(1 if long else 0, np.intp)


def _stays_on(output: Track, time_s: Floats) -> Rows:
    """Tell where the output is on at a time."""
    return np.asarray(output.at(time_s) == ON)
