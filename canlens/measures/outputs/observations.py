"""Observations: what a person wrote down, placed on the recording's clock, and what eye or ear saw of an output."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.tracks import rule_track
from canlens.nouns.outputs import Answers, Places, Track
from canlens.plan.rule import OFF, ON, UNKNOWN, Rule
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.plan import Observation, Plan
    from canlens.signals import Floats
    from canlens.trace import Bools, Trace


# Clock: how the times that a person wrote down lie against the recording's own.


HAND_NOTED_S = 2.0
"""Times noted by hand are good to about this much [s] (common practice, no source)."""
FEWEST_MATCHES = 2
"""An offset that only one mark supports is no better than a plain reading of the stamps."""


def marks_offset(
    marks_s: Mapping[str, Floats], edges_s: Mapping[str, Floats], *, start_s: float, duration_s: float
) -> float:
    """Estimate what must be added to written times to reach seconds from the recording's first frame.

    Parameters
    ----------
    marks_s
        Written times by control [s], as written.
    edges_s
        Rising edges of the same controls [s from the first frame].
    start_s, duration_s
        Stamp of the first frame and span of the recording [s].

    Returns
    -------
    float
        ``-start_s`` where the times are the log's own stamps, 0 where they count from its first frame, that of a time
        zone where they are those of a clock, in seconds of the day, anything
        else where a constant offset brings clearly more marks to an edge of their control. 0 without marks.
    """
    every_s = np.concatenate([np.zeros(0), *marks_s.values()])
    if not len(every_s):
        return 0.0
    plain = [-start_s, 0.0]
    inside = [_share_inside(every_s + offset, duration_s) for offset in plain]
    if max(inside) < 0.5:  # noqa: PLR2004 – the majority
        of_day_s = start_s % DAY_S
        clocks = [day_s - of_day_s + zone * ZONE_S for day_s in (0.0, DAY_S) for zone in ZONES]
        plain += [offset for offset in clocks if _share_inside(every_s + offset, duration_s) > max(inside)]
        inside = [_share_inside(every_s + offset, duration_s) for offset in plain]
    matched = [_matches(marks_s, edges_s, offset) for offset in plain]
    best = max(range(len(plain)), key=lambda index: (matched[index], inside[index], -index))
    apart = [edges_s[name][:, None] - marks_s[name][None, :] for name in marks_s if name in edges_s]
    tries = np.concatenate([np.zeros(0), *(each.ravel() for each in apart)])
    counts = np.array([_matches(marks_s, edges_s, offset) for offset in tries[:TRIES]], np.int64)
    if len(counts) and counts.max() >= FEWEST_MATCHES and counts.max() > matched[best]:
        top = tries[:TRIES][counts == counts.max()]
        centre = top[np.argmin(np.abs(top - plain[best]))]
        near = tries[np.abs(tries - centre) <= HAND_NOTED_S]
        return float(np.median(near))
    return plain[best]


def _share_inside(time_s: Floats, duration_s: float) -> float:
    """Return which share of some times lies in the recording [s]."""
    return float(np.mean((time_s >= -1) & (time_s <= duration_s + 1)))


DAY_S, ZONE_S, ZONES = 86_400.0, 900.0, range(-56, 57)
"""Clocks differ from the recorder's, which counts in universal time, by quarters of an hour, at most by fourteen."""
TRIES = 2000
"""At most this many offsets are tried; more edges and marks than that agree long before."""


def _matches(marks_s: Mapping[str, Floats], edges_s: Mapping[str, Floats], offset_s: float) -> int:
    """Count the marks that have an edge of their control within :data:`HAND_NOTED_S`."""
    count = 0
    for name, written_s in marks_s.items():
        sorted_s = np.sort(edges_s.get(name, np.zeros(0)))
        if not len(sorted_s):
            continue
        at = np.searchsorted(sorted_s, written_s + offset_s)
        before = np.abs(written_s + offset_s - sorted_s[np.maximum(at - 1, 0)])
        after = np.abs(written_s + offset_s - sorted_s[np.minimum(at, len(sorted_s) - 1)])
        count += int((np.minimum(before, after) <= HAND_NOTED_S).sum())
    return count


def missed_marks(marked_s: Floats, edge_s: Floats) -> int:
    """Count the marked exercises without an edge of their own near them, both as sorted times [s].

    Examples
    --------
    >>> missed_marks(np.array([1.0, 5.0, 9.0]), np.array([1.2, 5.1]))
    1
    """
    used, missed = 0, 0
    for at_s in marked_s.tolist():
        used += int(np.searchsorted(edge_s[used:], at_s - HAND_NOTED_S, "left"))
        if used < len(edge_s) and edge_s[used] <= at_s + HAND_NOTED_S:
            used += 1
        else:
            missed += 1
    return missed


# The observer's clock: what brings observations to the log's seconds.


MOST_TRIED = 40
"""Exercises and observations of an output that are laid over each other to find how the observer's clock was off."""
LONGEST_SHIFT_S = 120.0
"""A watch is off by no more than this [s] (our choice)."""
NEARLY_ALL, FEWEST_WON = 0.9, 2
"""A shift of the observer's clock must make so many of the observations agree, and so many more than none does."""


def observations_of(observed: Sequence[Observation], output: str) -> tuple[Observation, ...]:
    """Return the observations of one output."""
    return tuple(each for each in observed if each.output == output)


def plain_offset(observed: Sequence[Observation], trace: Trace) -> float:
    """Tell by where they lie whether observations bear the log's own stamps or count from its first frame [s]."""
    written = {"": np.array([each.time_s for each in observed])} if observed else {}
    return marks_offset(written, {}, start_s=trace.start_ns / NANOSECONDS_PER_SECOND, duration_s=trace.duration_s)


def observed_offset(
    plan: Plan, controls: Mapping[str, Track], observed: Sequence[Observation], offsets_s: list[float]
) -> float:
    """Choose what to add to the times of observations [s].

    The first of the given offsets with which most agree; another one, that brings an observation of *on* into an
    exercise of its output's rule, only if it makes nearly all agree, several more than before: the clock was another.
    """
    if not observed:
        return offsets_s[0]
    end_s = max((each.end_s for each in controls.values()), default=0.0)
    rules = {name: rule_track(output.when, controls) for name, output in plan.outputs.items()}
    seen = [
        (
            rules[name],
            state,
            np.array([each.time_s for each in observed if each.output == name and each.on == bool(state)]),
        )
        for name in plan.outputs
        for state in (OFF, ON)
    ]

    def agreeing(offset_s: float) -> int:
        return sum(
            int(rule.ever(state, time_s + offset_s - OBSERVED_S, time_s + offset_s + OBSERVED_S).sum())
            for rule, state, time_s in seen
        )

    written_s = np.array([each.time_s for each in observed])

    def inside(offset_s: float) -> int:
        moved_s = written_s + offset_s
        return int(((moved_s >= -OBSERVED_S) & (moved_s <= end_s + OBSERVED_S)).sum())

    best_s = max(offsets_s, key=agreeing)
    number = agreeing(best_s)
    if number == len(observed) or _another_fits(plan, controls, observed, best_s):
        return best_s
    others_s = [
        float(rise_s - written_s)
        for rule, state, time_s in seen
        if state == ON
        for rise_s in rule.time_s[rule.rises][:MOST_TRIED] + OBSERVED_S
        for written_s in time_s[:MOST_TRIED]
    ]
    longest_s = LONGEST_SHIFT_S if inside(best_s) else np.inf
    near_s = sorted((each for each in others_s if abs(each - best_s) <= longest_s), key=lambda each: abs(each - best_s))
    shifted_s = max(near_s, key=lambda each: 2 * agreeing(each) - inside(each), default=best_s)
    wins = agreeing(shifted_s)
    return shifted_s if wins >= NEARLY_ALL * inside(shifted_s) and wins >= number + FEWEST_WON else best_s


def _another_fits(plan: Plan, controls: Mapping[str, Track], observed: Sequence[Observation], offset_s: float) -> bool:
    """Tell whether some output was seen to follow another control of the plan, as the clock stands."""
    for name, output in plan.outputs.items():
        own = observations_of(observed, name)
        time_s, on = np.array([each.time_s for each in own]) + offset_s, np.array([each.on for each in own], bool)
        for control, track in controls.items():
            near = track.ever(ON, time_s - OBSERVED_S, time_s + OBSERVED_S) == on
            if on.any() and near.mean() >= NEARLY_ALL and not output.when.same_as(Rule.of(control)):
                return True
    return False


# Observations: what eye, ear or meter saw of an output, against its rule and against what the bus said.


OBSERVED_S = 0.5
"""Times seen by eye or ear are good to about this much [s]."""


def observed_answers(
    rule: Track, observed: Sequence[Observation], *, within_s: float, stays_s: float, offset_s: float
) -> tuple[Answers, bool]:
    """Judge the mapping of an output that nothing on the bus shows.

    An exercise counts when something was seen of the output during it; it is answered when that was *on*. On while
    the rule had been off for long enough is unasked. Latencies are not judged; exercises that nobody looked at stand
    under ``too_short``.

    Parameters
    ----------
    rule
        State of the output's rule.
    observed
        Of this output, in any order.
    within_s, stays_s
        Answer time, and how long the output may stay on after its rule [s].
    offset_s
        To be added to the written times [s].

    Returns
    -------
    Answers
        Lines of ``unasked`` are lines of the observations' file.
    bool
        Whether the output was also seen off at a time when its rule was off.
    """
    seen = sorted(observed, key=lambda each: each.time_s)
    time_s = np.array([each.time_s for each in seen]) + offset_s
    on = np.array([each.on for each in seen], bool)
    line = np.array([each.line for each in seen], np.int64)
    edge = rule.rises
    edge_s = rule.time_s[edge]
    fall_s = np.append(rule.time_s[1:], rule.end_s)[edge]
    answered, dark = np.zeros(len(edge), bool), np.zeros(len(edge), bool)
    for row, (begin_s, end_s) in enumerate(zip(edge_s, fall_s, strict=True)):
        during = (time_s >= begin_s - OBSERVED_S) & (time_s <= end_s + within_s)
        well_inside = (time_s >= begin_s + within_s + OBSERVED_S) & (time_s <= end_s - OBSERVED_S)
        answered[row] = (during & on).any()
        dark[row] = (well_inside & ~on).any() and not answered[row]
    since_s, until_s = time_s - OBSERVED_S - within_s - stays_s, time_s + OBSERVED_S
    off_before = ~rule.ever(ON, since_s, until_s) & ~rule.ever(UNKNOWN, since_s, until_s)
    due = answered | dark
    none = Places.none()
    found = Answers(
        due=Places.of(rule, edge[due]),
        answered=Places.of(rule, edge[answered]),
        late=none,
        unanswered=Places.of(rule, edge[dark]),
        too_short=Places.of(rule, edge[~due]),
        held=none,
        unasked=Places(line[on & off_before], time_s[on & off_before]),
        latency_s=np.zeros(0),
        late_s=np.zeros(0),
    )
    seen_off = bool((~on & (rule.at(time_s + OBSERVED_S) == OFF)).any())
    return found, seen_off


def agreement(output: Track, observed: Sequence[Observation], *, offset_s: float) -> tuple[int, Places]:
    """Compare what was seen with what the bus said, away from the output's own changes.

    Returns
    -------
    int
        How many observations of *on* agree.
    Places
        Those that disagree, lines of the observations' file.
    """
    seen = sorted(observed, key=lambda each: each.time_s)
    time_s = np.array([each.time_s for each in seen]) + offset_s
    on = np.array([each.on for each in seen], bool)
    line = np.array([each.line for each in seen], np.int64)
    agrees = np.where(on, _near(output, ON, time_s), _near(output, OFF, time_s))
    said = _near(output, ON, time_s) | _near(output, OFF, time_s)
    wrong = said & ~agrees
    return int((agrees & on).sum()), Places(line[wrong], time_s[wrong])


def _near(output: Track, state: int, time_s: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Bools:
    """Tell whether the bus showed a state within :data:`OBSERVED_S`, or one interval later where it shows it late."""
    since_s = np.nextafter(time_s - OBSERVED_S, -np.inf)
    return output.ever(state, since_s, time_s + OBSERVED_S + output.slack_s)
