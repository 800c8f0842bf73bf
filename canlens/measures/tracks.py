"""Tracks: rows of a signal → the state of a control or an output over time; controls → the state of a rule."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.evidence import Track
from canlens.plan.rule import OFF, ON, UNKNOWN, States

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.plan import Condition, Rule
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools, Ints

    Column = npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64] | npt.NDArray[np.object_]

REGULAR_SPREAD = 1.5
"""Rows count as cyclic when 95 % of their intervals stay below this multiple of the median (our choice: arbitration and
jitter of a healthy bus stay well inside it, event-driven messages far outside)."""
REGULAR_ROWS = 20
"""Fewer rows than this do not tell a rhythm."""
ENOUGH_INTERVALS = 20_000
"""Of a longer recording every so many intervals are looked at; the quantiles of that many are good to a per cent."""
BRIDGE_INTERVALS = 3
"""A stretch of rows that say nothing is bridged when it lasts no longer than this many intervals."""
SILENCE_INTERVALS = 10
"""A cyclic message that stays away for longer than this many intervals (and a second) leaves the state unknown."""
SILENCE_S = 1.0
ROUNDING_S = 1e-9
"""Times closer than the finest stamp [s] are equal, so that rounding decides nothing exactly at a limit."""
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
        on = value > condition.above
    elif condition.below is not None:
        on = value < condition.below
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


def typical_interval(time_s: Floats) -> tuple[float, bool]:
    """Measure the median interval of rows [s], and tell whether they come in a rhythm.

    Returns
    -------
    float
        Median interval [s]; 0 with fewer than two rows.
    bool
        Whether there are at least :data:`REGULAR_ROWS` rows and they are cyclic.
    """
    intervals = np.diff(time_s)
    if not len(intervals):
        return 0.0, False
    intervals = intervals[:: 1 + len(intervals) // ENOUGH_INTERVALS]
    median, high = np.quantile(intervals, [0.5, 0.95])
    return float(median), len(time_s) >= REGULAR_ROWS and bool(high <= REGULAR_SPREAD * median)


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
    has_gaps
        Whether the message stayed away for longer than that, before its last row.
    """

    time_s: Floats
    interval_s: float
    hold_s: float
    has_gaps: bool

    @classmethod
    def of(cls, time_s: Floats) -> Rhythm:
        """Measure the rhythm of rows."""
        if (time_s[1:] < time_s[:-1]).any():
            time_s = np.maximum.accumulate(time_s)
        interval_s, regular = typical_interval(time_s)
        hold_s = max(SILENCE_S, SILENCE_INTERVALS * interval_s) if regular else np.inf
        return cls(time_s, interval_s, hold_s, regular and bool((np.diff(time_s) > hold_s).any()))


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
    rows_s = time_s
    if (states == UNKNOWN).any():
        rows_s = time_s[states != UNKNOWN]
    on_changes = not may_be_cyclic and _nearly_all(int(np.count_nonzero(states[1:] != states[:-1])), len(states))
    has_gaps = rhythm.has_gaps or bool(len(time_s) and end_s - time_s[-1] > rhythm.hold_s)
    if has_gaps and not on_changes:
        time_s, states, line = _mark_silences(time_s, states, line, hold_s=rhythm.hold_s, end_s=end_s)
    if len(rows_s) != len(time_s):
        keep = _bridged(time_s, states, BRIDGE_INTERVALS * interval_s, end_s)
        time_s, states, line = time_s[keep], states[keep], line[keep]
    changes = np.flatnonzero(states[1:] != states[:-1]) + 1
    step = np.append(0, changes) if len(states) else changes
    before_s = np.append(-np.inf, time_s[changes - 1]) if len(states) else time_s
    on_beat = changes_on_the_beat(time_s, step, interval_s, may_be_cyclic=may_be_cyclic)
    slack_s = interval_s if on_beat else 0.0
    return Track(time_s[step], states[step], line[step], before_s, end_s, rows_s, slack_s)


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
    last = np.append(every_s[1:] != every_s[:-1], True) if len(every_s) else np.zeros(0, bool)
    every_s, line, before_s = every_s[last], line[last], before_s[last]
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
    )


def _is_in(column: Column, values: Sequence[float]) -> Bools:
    """Tell which elements are one of a few values."""
    found = np.zeros(len(column), bool)
    for value in values:
        found |= column == value
    return found


def _mark_silences(
    time_s: Floats, states: States, line: Ints, *, hold_s: float, end_s: float
) -> tuple[Floats, States, Ints]:
    """Insert an unknown row where a cyclic message stays away for longer than ``hold_s``, also before the end."""
    gap = np.flatnonzero(np.diff(np.append(time_s, end_s)) > hold_s)
    return (
        np.insert(time_s, gap + 1, time_s[gap] + hold_s),
        np.insert(states, gap + 1, np.int8(UNKNOWN)),
        np.insert(line, gap + 1, line[gap]),
    )


def _bridged(time_s: Floats, states: States, bridge_s: float, end_s: float) -> Ints:
    """Return the rows to keep: all but short stretches that say nothing."""
    silent = states == UNKNOWN
    if not silent.any():
        return np.arange(len(states))
    edge = np.diff(np.concatenate(([False], silent, [False])).astype(np.int8))
    start, stop = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    after_s = np.append(time_s, end_s)
    short = (after_s[stop] - time_s[start] <= bridge_s) & (stop < len(states))
    drop = np.zeros(len(states) + 1, np.int64)
    np.add.at(drop, start[short], 1)
    np.add.at(drop, stop[short], -1)
    return np.flatnonzero(np.cumsum(drop[:-1]) == 0)


def changes_on_the_beat(time_s: Floats, step: Ints, interval_s: float, *, may_be_cyclic: bool = True) -> bool:
    """Tell whether changes wait for the message's rhythm (true) or are sent at once (false).

    Where nearly every row is a change, and rows come at uneven intervals, the message is sent on changes only.

    Parameters
    ----------
    time_s
        float64 (n,): times of all rows [s].
    step
        Rows that changed something; row 0 does not count.
    interval_s
        Typical interval of the rows [s].
    may_be_cyclic
        Whether rows at even intervals may be a rhythm though nearly every one is a change.
    """
    changes = step[step > 0]
    if not len(changes) or not interval_s:
        return bool(interval_s)
    apart = time_s[changes] - time_s[changes - 1]
    uneven = apart.max() > REGULAR_SPREAD * interval_s or apart.min() * REGULAR_SPREAD < interval_s
    if (uneven or not may_be_cyclic) and _nearly_all(len(changes), len(time_s)):
        return False
    return bool(np.mean(np.abs(apart - interval_s) <= ON_THE_BEAT * interval_s) > 0.5)  # noqa: PLR2004 – the majority


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
