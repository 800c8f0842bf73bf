"""Presence: messages that come only while a control is operated, whatever they say."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.discovering.matching import matched
from canlens.measures.discovering.places import LATE_START_S, Place, Pulses, Tried, tried

if TYPE_CHECKING:
    from canlens.measures.discovering.choosing import Aligned
    from canlens.measures.discovering.places import Found, Limits
    from canlens.streams import Streams
    from canlens.trace import Trace

PAUSE_INTERVALS = 3.0
LEAST_PAUSE_S = 0.5
"""A message paused where it stayed away for so many of its usual intervals, and for this at least [s] (our choice)."""
LONGEST_INTERVAL_S = 2.0
"""What comes less often than this even in its bursts is sent on single events [s]."""


class Came(NamedTuple):
    """A message that came with a control; ``chance`` is that any message would do as well."""

    stream: int
    answered: int
    stray: int
    chance: float


def comings(trace: Trace, together: Streams, limits: Limits, *, segment: int) -> Tried:
    """Gather the times for which each message was there, of those that come and go.

    Parameters
    ----------
    trace, together
        The recording, and its frames put together.
    limits
        Which times are kept.
    segment
        Where the clock restarts: the part of the recording that is looked at.
    """
    found: list[Found] = []
    slack_s = np.zeros(len(together))
    time_s = trace.time_s
    for stream in np.flatnonzero(~together.is_remote & (together.frames > 1)).tolist():
        rows = together.rows[together.start[stream] : together.start[stream + 1]]
        rows = rows[trace.segment[rows] == segment]
        own_s = time_s[rows]
        interval_s = float(np.median(np.diff(own_s))) if len(rows) > 1 else np.inf
        if interval_s > LONGEST_INTERVAL_S:
            continue
        begins = np.append(own_s[0] - limits.start_s > LATE_START_S, np.diff(own_s) > _pause(interval_s))
        first = np.flatnonzero(begins)
        if not 0 < len(first) <= limits.most_pulses:
            continue
        last = np.append(first[1:], len(rows)) - 1
        slack_s[stream] = interval_s
        pulses = Pulses(np.zeros(len(first), np.int64), own_s[first], own_s[last] + interval_s, rows[first])
        found.append(([Place(stream, 0, 0, 1)], limits.keeps(pulses)))
    return tried(found, slack_s, 0)


def _pause(interval_s: float) -> float:
    return max(LEAST_PAUSE_S, PAUSE_INTERVALS * interval_s)


def came_with(there: Tried, lie: Aligned, control: str, *, level: float) -> tuple[Came, ...]:
    """Return the messages that came with a control beyond chance, the surest first.

    Parameters
    ----------
    there
        The messages that come and go.
    lie
        How the marks lie, and the test.
    control
        Its name.
    level
        The chance allowed that any message is told wrongly.
    """
    if not there.places:
        return ()
    found = lie.judge_for(there)(matched(there, lie.slots, shift_s=lie.shift.shift_s), control)
    times = lie.shift.tries * len(lie.slots.controls)
    came = [
        Came(place.stream, int(found.answered[index]), int(found.stray[index]), found.corrected(index, times=times))
        for index, place in enumerate(there.places)
    ]
    return tuple(sorted((each for each in came if each.chance <= level), key=lambda each: each.chance))
