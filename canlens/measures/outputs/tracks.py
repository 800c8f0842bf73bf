"""Tracks: rows of a signal → the state of a control, a rule or an output over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.nouns.outputs import Places, Track
from canlens.plan.rule import OFF, ON, UNKNOWN, States

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.plan import Condition, Rule
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools, Ints, Rows

    Column = npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64] | npt.NDArray[np.object_]


REGULAR_SPREAD = 1.5
"""Rows count as cyclic when 95 % of their intervals stay below this multiple of the median (our choice: arbitration and
jitter of a healthy bus stay well inside it, event-driven messages far outside)."""
REGULAR_ROWS = 20
"""Fewer rows than this do not tell a rhythm."""
ENOUGH_INTERVALS = 5_000
"""Of a longer recording every so many intervals are looked at; that many tell a quantile's share to a third of a per
cent."""
BRIDGE_INTERVALS = 3
"""A stretch of rows that say nothing is bridged when it lasts no longer than this many intervals."""
SILENCE_INTERVALS = 10
"""A cyclic message that stays away for longer than this many intervals (and a second) leaves the state unknown."""
SILENCE_S = 1.0
CHANGE_SHARE = 0.25
"""A step of this share of a number's range is a change, a smaller one may be noise (our choice)."""
FLICKER_QUANTILE = 0.95
"""So many of the moves to and fro stay within what is called flicker (our choice)."""
FLICKER_ROWS = 50_000
"""Rows that are looked at for flicker; more would not change the answer."""
ON_REPETITION = 0.03
"""A change that comes a whole cycle of the repetition, less this share, after the row before may have lost its frame:
sent at once it comes sooner (our choice: jitter of a healthy bus stays well inside it)."""
SAMPLED_S = 0.05
"""A node reads its inputs up to this long before it sends what it read [s]; whoever hangs on the same wire is faster by
as much (our choice: nodes read every 10 to 50 ms)."""
ON_THE_BEAT = 0.2
"""A change that comes this close (as a share of the interval) to the beat was not sent at once."""
NEARLY_ALL = 0.9
"""Where this share of the rows are changes, they are what the message is sent for (our choice; a stray repetition is
borne)."""
FEWEST_CHANGES = 3
"""Fewer changes than this do not tell a message that is sent on changes only."""


def states_of(signal: Signal, condition: Condition) -> States:
    """Judge every row of a signal: on, off, or unknown.

    Parameters
    ----------
    signal
        n rows.
    condition
        When the signal counts as on; its ``unknown`` raw values say nothing.

    Returns
    -------
    int8 (n,)
        1 on, 0 off, -1 unknown; a value that is no number is unknown.
    """
    is_plain = (signal.definition.scale, signal.definition.offset) == (1, 0)
    value = signal.raw if is_plain or condition.on_raw else signal.value
    if condition.above is not None:
        on = _beyond(value, condition.above, condition.off_below, upwards=True)
    elif condition.below is not None:
        on = _beyond(value, condition.below, condition.off_above, upwards=False)
    elif condition.on_raw:
        on = _is_in(value, condition.on_raw)
        if condition.on_values:
            on |= _is_in(signal.value, condition.on_values)
    elif condition.on_values:
        on = _is_in(value, condition.on_values)
    else:
        on = value != 0
    states = on.astype(np.int8)
    if condition.unknown:
        states[_is_in(signal.raw, condition.unknown)] = UNKNOWN
    if signal.definition.is_float:
        states[np.isnan(signal.value)] = UNKNOWN
    return states


def counted_invalid(signal: Signal, condition: Condition) -> tuple[tuple[int, int, Places], ...]:
    """Return the raw values that look invalid and count nevertheless, each with its state and its rows."""
    if signal.definition.is_float:
        return ()
    found = []
    for raw in sorted(signal.definition.invalid_raw - {*condition.unknown, *condition.on_raw}):
        rows = np.flatnonzero(signal.raw == raw)
        value = raw * signal.definition.scale + signal.definition.offset
        if len(rows) and value not in condition.on_values:
            state = int(states_of(signal, condition)[rows[0]])
            found.append((raw, state, Places(signal.line[rows], signal.time_s[rows])))
    return tuple(found)


def _beyond(value: Column, limit: float, back: float | None, *, upwards: bool) -> Bools:
    """Tell at which rows a number is beyond a limit: on past it, off when it has come back, between them as it was.

    Where the plan names no value to come back to, the two lie as far from the limit as the number flickers, so that
    one that hovers about it does not turn on and off with every row.
    """
    plain = np.asarray(value > limit if upwards else value < limit, bool)
    if back is None:
        flicker = flicker_of(value, limit)
        if not flicker:
            return plain
        limit, back = (limit + flicker, limit - flicker) if upwards else (limit - flicker, limit + flicker)
    on = np.asarray(value > limit if upwards else value < limit, bool)
    off = np.asarray(value <= back if upwards else value >= back, bool)
    told = np.maximum.accumulate(np.where(on | off, np.arange(len(on)), -1))
    return np.where(told >= 0, on[told], plain)


def flicker_of(value: Column, limit: float) -> float:
    """Measure how far a number moves to and fro from row to row: noise, or the last digit that it shows.

    Half a move is the smaller of two that follow each other in opposite directions: a ramp has none, and steps of a
    quarter of the range are changes. Never so much that either side of ``limit`` could not be reached any more.
    """
    number = np.asarray(value[:FLICKER_ROWS], np.float64)
    number = number[np.isfinite(number)]
    if len(number) < REGULAR_ROWS:
        return 0.0
    low, high = np.quantile(number, [0.01, 0.99])
    move = np.diff(number)
    to_and_fro = np.where(move[1:] * move[:-1] < 0, np.minimum(np.abs(move[1:]), np.abs(move[:-1])), 0.0)
    small = to_and_fro[to_and_fro < CHANGE_SHARE * (high - low)]
    flicker = float(np.quantile(small, FLICKER_QUANTILE)) if len(small) else 0.0
    return max(0.0, min(flicker, float(high - limit) / 2, float(limit - low) / 2))


def typical_interval(time_s: Floats) -> tuple[float, bool]:
    """Measure the median interval of rows [s], and tell whether they come in a rhythm.

    Returns
    -------
    float
        Median interval [s]; 0 with fewer than two rows.
    bool
        Whether there are at least :data:`REGULAR_ROWS` rows and they are cyclic.
    """
    return _typical(np.diff(time_s))


def _typical(apart_s: Floats) -> tuple[float, bool]:
    """Measure the median of intervals, and tell whether they are a rhythm's; as :func:`typical_interval`."""
    if not len(apart_s):
        return 0.0, False
    median, high = np.quantile(apart_s[:: 1 + len(apart_s) // ENOUGH_INTERVALS], [0.5, 0.95])
    return float(median), len(apart_s) + 1 >= REGULAR_ROWS and bool(high <= REGULAR_SPREAD * median)


class Rhythm(NamedTuple):
    """When the rows of a message come.

    Attributes
    ----------
    time_s
        float64 (n,): times [s]; those that stepped backwards are held at the latest time seen.
    interval_s
        Median interval [s]; 0 with fewer than two rows.
    hold_s
        How long a row's state holds without a next row [s]; endless for messages without a rhythm.
    silent
        intp (k,): rows after which the message stayed away for longer than that, before its last row.
    """

    time_s: Floats
    interval_s: float
    hold_s: float
    silent: Rows

    @classmethod
    def of(cls, time_s: Floats) -> Rhythm:
        """Measure the rhythm of rows."""
        apart_s = np.diff(time_s)
        if len(apart_s) and apart_s.min() < 0:
            time_s = np.maximum.accumulate(time_s)
            apart_s = np.diff(time_s)
        interval_s, regular = _typical(apart_s)
        hold_s = max(SILENCE_S, SILENCE_INTERVALS * interval_s) if regular else np.inf
        silent = np.flatnonzero(apart_s > hold_s) if regular else np.zeros(0, np.intp)
        return cls(time_s, interval_s, hold_s, silent)


def track(
    time_s: Floats,
    states: States,
    line: Ints,
    *,
    end_s: float,
    rhythm: Rhythm | None = None,
    may_be_cyclic: bool = True,
) -> Track:
    """Turn rows into steps.

    Rows that say nothing are bridged when the stretch is short; a cyclic message that stays away leaves the state
    unknown until its next row, or to the end. Times that step backwards are held at the latest time seen.

    Parameters
    ----------
    time_s, states, line
        float64, int8 and int64 (n,): rows in file order.
    end_s
        End of the recording [s].
    rhythm
        Of these rows, where it has been measured already.
    may_be_cyclic
        Whether the message may come in a rhythm; not so where the database declares no cycle. Then rows nearly all of
        which change something are sent for that, however evenly a person operates.

    Returns
    -------
    Track
        With ``slack_s`` 0 where changes come between the beats of the rhythm, else the median interval.
    """
    rhythm = rhythm or Rhythm.of(time_s)
    time_s, interval_s = rhythm.time_s, rhythm.interval_s
    if not len(states):
        return Track.empty(end_s)
    changes = np.flatnonzero(states[1:] != states[:-1]) + 1
    on_changes = not may_be_cyclic and _nearly_all(len(changes), len(states))
    runs = _Runs.of(time_s, states, line, np.append(0, changes))
    rows_s = time_s[states != UNKNOWN] if (runs.states == UNKNOWN).any() else time_s
    silent = rhythm.silent
    if end_s - time_s[-1] > rhythm.hold_s:
        silent = np.append(silent, len(time_s) - 1)
    if len(silent) and not on_changes:
        runs = _Runs.of(time_s, states, line, np.union1d(runs.row, silent[silent < len(states) - 1] + 1))
        runs = runs.with_silences(silent, time_s[silent] + rhythm.hold_s, line[silent])
    if (runs.states == UNKNOWN).any():
        runs = runs.bridged(BRIDGE_INTERVALS * interval_s, end_s)
    step = np.append(0, np.flatnonzero(runs.states[1:] != runs.states[:-1]) + 1)
    first_s, before_s = runs.first_s[step], np.append(-np.inf, runs.last_s[step[1:] - 1])
    on_beat = changes_on_the_beat(
        first_s[1:] - before_s[1:], interval_s, rows=int(runs.rows.sum()), may_be_cyclic=may_be_cyclic
    )
    slack_s = interval_s if on_beat else 0.0
    if slack_s > 0 or (np.isfinite(rhythm.hold_s) and not on_changes):
        since_s = before_s - SAMPLED_S
    else:
        since_s = np.where(_on_repetition(time_s, changes, first_s - before_s), before_s - SAMPLED_S, first_s)
    return Track(first_s, runs.states[step], runs.line[step], before_s, end_s, rows_s, slack_s, since_s)


def _on_repetition(time_s: Floats, changes: Rows, apart_s: Floats) -> Bools:
    """Tell which steps came when their message would have been repeated anyhow: the row of the change may be lost.

    Parameters
    ----------
    time_s, changes
        Times of all rows [s], and the rows that changed something; most of them where none is repeated.
    apart_s
        float64 (k,): how long after the row before each step came [s].
    """
    repeated = np.setdiff1d(np.arange(1, len(time_s)), changes)
    if len(repeated) < REGULAR_ROWS or len(repeated) < len(changes) / 2:
        return np.zeros(len(apart_s), bool)
    repeats_s = float(np.median(time_s[repeated] - time_s[repeated - 1]))
    if not repeats_s:
        return np.zeros(len(apart_s), bool)
    return np.asarray(np.isfinite(apart_s) & (apart_s >= (1 - ON_REPETITION) * repeats_s), bool)


class _Runs(NamedTuple):
    """Rows of one state that follow each other: k runs.

    Attributes
    ----------
    row
        intp (k,): the first row of each.
    first_s, last_s
        float64 (k,): time of its first and of its last row [s].
    states, line
        int8, int64 (k,): its state, and the line of its first row.
    rows
        int64 (k,): how many rows it has.
    """

    row: Rows
    first_s: Floats
    last_s: Floats
    states: States
    line: Ints
    rows: Ints

    @classmethod
    def of(cls, time_s: Floats, states: States, line: Ints, row: Rows) -> _Runs:
        """Put rows together that lie between those at which runs begin."""
        end = np.append(row[1:], len(states))
        return cls(row, time_s[row], time_s[end - 1], states[row], line[row], end - row)

    def with_silences(self, silent: Rows, from_s: Floats, line: Ints) -> _Runs:
        """Insert an unknown row after each row behind which a cyclic message stayed away; each ends a run."""
        at = np.searchsorted(self.row, silent, "right")
        return _Runs(
            np.insert(self.row, at, silent),
            np.insert(self.first_s, at, from_s),
            np.insert(self.last_s, at, from_s),
            np.insert(self.states, at, np.int8(UNKNOWN)),
            np.insert(self.line, at, line),
            np.insert(self.rows, at, 1),
        )

    def bridged(self, bridge_s: float, end_s: float) -> _Runs:
        """Leave out short stretches that say nothing, but for one at the end."""
        edge = np.diff(np.concatenate(([False], self.states == UNKNOWN, [False])).astype(np.int8))
        start, stop = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
        short = (np.append(self.first_s, end_s)[stop] - self.first_s[start] <= bridge_s) & (stop < len(self.states))
        depth = np.zeros(len(self.states) + 1, np.int64)
        depth[start[short]] = 1
        depth[stop[short]] = -1
        kept = np.cumsum(depth[:-1]) == 0
        return _Runs(*(column[kept] for column in self))


def rule_track(rule: Rule, controls: Mapping[str, Track]) -> Track:
    """Combine the controls of a rule into the rule's own state.

    Parameters
    ----------
    rule
        Its controls must all be in ``controls``.
    controls
        Tracks by name.

    Returns
    -------
    Track
        Steps of the rule; each bears line and time of the control's step that made it.
    """
    tracks = [controls[name] for name in rule.controls]
    every_s = np.concatenate([one.time_s for one in tracks])
    order = np.argsort(every_s, kind="stable")
    every_s = every_s[order]
    line = np.concatenate([one.line for one in tracks])[order]
    before_s = np.concatenate([one.before_s for one in tracks])[order]
    since_s = np.concatenate([one.since_s for one in tracks])[order]
    last = np.append(every_s[1:] != every_s[:-1], True) if len(every_s) else np.zeros(0, bool)
    every_s, line, before_s, since_s = every_s[last], line[last], before_s[last], since_s[last]
    states = rule.evaluate({name: controls[name].at(every_s) for name in rule.controls})
    step = np.flatnonzero(np.concatenate(([True], np.diff(states) != 0))) if len(states) else np.zeros(0, np.intp)
    return Track(
        every_s[step],
        states[step],
        line[step],
        before_s[step],
        min(one.end_s for one in tracks),
        np.zeros(0),
        max(one.slack_s for one in tracks),
        since_s[step],
    )


def _is_in(column: Column, values: Sequence[float]) -> Bools:
    """Tell which elements are one of a few values."""
    found = np.zeros(len(column), bool)
    for value in values:
        found |= column == value
    return found


def changes_on_the_beat(apart_s: Floats, interval_s: float, *, rows: int, may_be_cyclic: bool = True) -> bool:
    """Tell whether changes wait for the message's rhythm (true) or are sent at once (false).

    Where nearly every row is a change, and rows come at uneven intervals, the message is sent on changes only.

    Parameters
    ----------
    apart_s
        float64 (k,): how long after the row before each change came [s].
    interval_s
        Typical interval of the rows [s].
    rows
        How many rows there are.
    may_be_cyclic
        Whether rows at even intervals may be a rhythm though nearly every one is a change.
    """
    if not len(apart_s) or not interval_s:
        return bool(interval_s)
    uneven = apart_s.max() > REGULAR_SPREAD * interval_s or apart_s.min() * REGULAR_SPREAD < interval_s
    if (uneven or not may_be_cyclic) and _nearly_all(len(apart_s), rows):
        return False
    return bool(np.mean(np.abs(apart_s - interval_s) <= ON_THE_BEAT * interval_s) > 0.5)  # noqa: PLR2004 – the majority


def _nearly_all(changes: int, rows: int) -> bool:
    """Tell whether nearly every row but the first is a change."""
    return changes >= max(FEWEST_CHANGES, NEARLY_ALL * (rows - 1))


__all__ = [
    "OFF",
    "ON",
    "UNKNOWN",
    "Rhythm",
    "changes_on_the_beat",
    "rule_track",
    "states_of",
    "track",
    "typical_interval",
]
