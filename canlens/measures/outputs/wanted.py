"""Wanted: what a rule and the keys of its output ask for over time, as the track that the output is held against.

A step may have happened anywhere between its ``since_s`` and its ``time_s``; so a planned time bears its tolerance.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.plan.nouns import TIMER_SHARE, timer_tolerance_s
from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.tracks import Track
    from canlens.plan import Output
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools, Rows


BOUNCE_S = 0.05
"""A contact that opens for less than this [s] has bounced (bounces of buttons and levers last 5 to 30 ms, common
practice, no source)."""
RETURNS_V = 0.5
"""An output that went off at low supply returns when the supply has risen so much above that [V] (our choice)."""
NEVER_S = np.zeros((0, 2))
TICK_S = 1e-6


class _Step(NamedTuple):
    """One step: when it can have happened at the earliest, when it had happened at the latest [s], state, line."""

    since_s: float
    time_s: float
    state: int
    line: int


def wanted(rule: Track, output: Output, own: Track | None = None, excused_s: Floats = NEVER_S) -> Track:
    """Turn the state of a rule into that of an output which does all that its keys say.

    Parameters
    ----------
    rule
        State of the rule.
    output
        Its ``latch``, ``pulse_s``, ``min_on_s`` and ``delay_s`` count.
    own
        What the output did: one that latches is judged press by press, from the state in which each press met it.
    excused_s
        float64 (k, 2): spans in which nothing is asked of it [s].

    Returns
    -------
    Track
        Unknown where a press came so soon after another that either state would be right.
    """
    if output.latch:
        rule = _track(rule, _latched(rule, own, output.within_s))
    elif output.pulse_s is not None:
        rule = _track(rule, _pulses(rule, output.pulse_s))
    elif output.min_on_s is not None:
        rule = _track(rule, _kept_on(rule, output.min_on_s))
    elif output.delay_s is not None:
        rule = _track(rule, _delayed(rule, output.delay_s))
    return hidden(rule, excused_s)


def held_on(rule: Track, pulse_s: float) -> Track:
    """Return the rule of an output with a pulse as if each operation lasted until the next: its pulse is a cut-off."""
    until_s, steps = -np.inf, []
    for press in presses(rule).tolist():
        since_s, time_s, line = float(rule.since_s[press]), float(rule.time_s[press]), int(rule.line[press])
        state = ON if time_s > until_s else UNKNOWN
        if state == ON:
            steps.append(_Step(since_s - TICK_S, max(since_s - TICK_S, 0.0), OFF, line))
        steps.append(_Step(since_s, time_s, state, line))
        until_s = time_s + pulse_s + timer_tolerance_s(pulse_s)
    return _track(rule, steps)


def presses(rule: Track) -> Rows:
    """Return the rises of a rule without those by which a contact only bounced."""
    rises = rule.rises
    if not len(rises):
        return rises
    off_s = rule.time_s[rises] - rule.time_s[rises - 1]
    bounced = (off_s <= BOUNCE_S) & (rises >= 2) & (rule.state[rises - 2] == ON)  # noqa: PLR2004 – on, off, on again
    told: Rows = rises[~bounced]
    return told


def _latched(rule: Track, own: Track | None, within_s: float) -> Iterator[_Step]:
    """Yield the steps of an output that each press toggles."""
    told = presses(rule)
    slack_s = own.slack_s if own is not None else 0.0
    since_s, time_s = rule.since_s[told], rule.time_s[told]
    soon_s = within_s + slack_s
    state = UNKNOWN if not len(rule.time_s) else _met(own, np.array([rule.time_s[0]]), OFF)
    if len(rule.time_s):
        yield _Step(float(rule.since_s[0]), float(rule.time_s[0]), state, int(rule.line[0]))
    for place, press in enumerate(told.tolist()):
        line, begin_s = int(rule.line[press]), float(since_s[place])
        hurried = place + 1 < len(told) and time_s[place + 1] - time_s[place] < soon_s
        follows = place > 0 and time_s[place] - time_s[place - 1] < soon_s
        if hurried or follows:
            state = UNKNOWN
            yield _Step(begin_s, float(time_s[place]), UNKNOWN, line)
            continue
        met = _met(own, np.array([begin_s]), state)
        if met != state:
            yield _Step(begin_s - 2 * TICK_S, begin_s - 2 * TICK_S, UNKNOWN, line)
            yield _Step(begin_s - TICK_S, begin_s - TICK_S, met, line)
        state = met if met == UNKNOWN else OFF if met == ON else ON
        yield _Step(begin_s, float(time_s[place]), state, line)


def _met(own: Track | None, time_s: Floats, state: int) -> int:
    """Return in which state something found an output; ``state`` where nothing shows it."""
    if own is None:
        return state
    return int(own.at(time_s, side="left")[0])


def _pulses(rule: Track, pulse_s: float) -> Iterator[_Step]:
    """Yield the steps of an output that is on for a fixed time at each press."""
    off_s = timer_tolerance_s(pulse_s)
    told = set(presses(rule).tolist())
    until_s = -np.inf
    open_step: _Step | None = None
    for place, (since_s, time_s, state, line) in enumerate(_steps(rule)):
        if open_step is not None and open_step.time_s <= time_s:
            yield open_step
            open_step = None
        if place in told or (state == ON and (not place or rule.state[place - 1] == UNKNOWN)):
            plain = place in told and time_s > until_s
            yield _Step(since_s, time_s, ON if plain else UNKNOWN, line)
            until_s = time_s + pulse_s + off_s
            open_step = _Step(since_s + pulse_s - off_s if plain else until_s, until_s, OFF, line)
        elif state == UNKNOWN:
            yield _Step(since_s, time_s, UNKNOWN, line)
            open_step, until_s = None, np.inf
        elif not place or until_s == np.inf:
            until_s = -np.inf
            yield _Step(since_s, time_s, OFF, line)
    if open_step is not None and open_step.time_s < rule.end_s:
        yield open_step


def _kept_on(rule: Track, least_s: float) -> Iterator[_Step]:
    """Yield the steps of an output that stays on at least for some time."""
    early_s = timer_tolerance_s(least_s)
    began_s = -np.inf
    ends = np.append(rule.time_s[1:], np.inf)
    for place, (since_s, time_s, state, line) in enumerate(_steps(rule)):
        if state == ON:
            began_s = time_s
        if state != OFF or time_s >= began_s + least_s + early_s:
            yield _Step(since_s, time_s, state, line)
            continue
        least, most = max(since_s, began_s + least_s - early_s), began_s + least_s + early_s
        if most < ends[place]:
            yield _Step(least, most, OFF, line)
        elif least < ends[place]:
            yield _Step(least, least, UNKNOWN, line)


def _delayed(rule: Track, delay_s: float) -> Iterator[_Step]:
    """Yield the steps of an output that comes on only after its rule has lasted for some time."""
    early_s, late_s = timer_tolerance_s(delay_s), TIMER_SHARE * delay_s
    ends = np.append(rule.time_s[1:], np.inf)
    for place, (since_s, time_s, state, line) in enumerate(_steps(rule)):
        if state != ON:
            yield _Step(since_s, time_s, state, line)
            continue
        if not place:
            yield _Step(since_s, time_s, UNKNOWN, line)
        soon_s, on_s = time_s + delay_s - early_s, time_s + delay_s + late_s
        if on_s < min(ends[place], rule.end_s):
            yield _Step(max(since_s, since_s + delay_s - early_s), on_s, ON, line)
        elif soon_s < min(ends[place], rule.end_s):
            yield _Step(soon_s, soon_s, UNKNOWN, line)


def _steps(rule: Track) -> Iterator[_Step]:
    """Yield the steps of a track one by one."""
    columns = (rule.since_s, rule.time_s, rule.state, rule.line)
    for since_s, time_s, state, line in zip(*(column.tolist() for column in columns), strict=True):
        yield _Step(since_s, time_s, state, line)


def _track(rule: Track, steps: Iterator[_Step] | list[_Step]) -> Track:
    """Put steps together that follow each other; those that change nothing are left out."""
    kept: list[_Step] = []
    for each in steps:
        if not kept or kept[-1].state != each.state:
            kept.append(each)
    since_s, time_s = np.array([each.since_s for each in kept]), np.array([each.time_s for each in kept])
    return replace(
        rule,
        time_s=time_s,
        state=np.array([each.state for each in kept], np.int8),
        line=np.array([each.line for each in kept], np.int64),
        before_s=np.minimum(since_s, time_s),
        since_s=np.minimum(since_s, time_s),
    )


# Excused: spans in which nothing is asked, and drops that the plan allows.


def hidden(track: Track, spans_s: Floats) -> Track:
    """Return a track of which nothing is known in some spans, float64 (k, 2) [s]."""
    if not len(spans_s) or not len(track.time_s):
        return track
    start_s, stop_s = np.maximum(spans_s[:, 0], track.time_s[0]), spans_s[:, 1]
    inside = np.zeros(len(track.time_s), bool)
    for begin_s, end_s in zip(start_s, stop_s, strict=True):
        inside |= (track.time_s >= begin_s) & (track.time_s < end_s)
    stop_s = stop_s[(stop_s > track.time_s[0]) & (stop_s < track.end_s)]
    time_s = np.unique(np.concatenate([track.time_s, start_s, stop_s]))
    last = np.searchsorted(track.time_s, time_s, "right") - 1
    state = track.state[last].copy()
    for begin_s, end_s in zip(start_s, spans_s[:, 1], strict=True):
        state[(time_s >= begin_s) & (time_s < end_s)] = UNKNOWN
    own = track.time_s[last] == time_s
    before_s = np.where(own, track.before_s[last], time_s)
    since_s = np.where(own, track.since_s[last], time_s)
    kept = np.append(True, state[1:] != state[:-1])
    return replace(
        track,
        time_s=time_s[kept],
        state=state[kept],
        line=track.line[last][kept],
        before_s=before_s[kept],
        since_s=since_s[kept],
    )


def low_supply(supply: Signal | None, limit_v: float | None, *, settle_s: float) -> Floats:
    """Return the spans in which the supply was low enough for an output to be off, float64 (k, 2) [s]."""
    if supply is None or limit_v is None or not len(supply):
        return NEVER_S
    low = supply.value < limit_v
    back = supply.value >= limit_v + RETURNS_V
    told = np.maximum.accumulate(np.where(low | back, np.arange(len(low)), -1))
    is_low: Bools = np.where(told >= 0, low[told], False)
    edge = np.diff(np.concatenate(([False], is_low, [False])).astype(np.int8))
    start, stop = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    start_s = supply.time_s[np.maximum(start - 1, 0)] - settle_s
    stop_s = np.append(supply.time_s, np.inf)[stop] + settle_s
    return np.column_stack([start_s, stop_s])


def without_retries(own: Track, rule: Track, retries: int | None) -> Track:
    """Return what an output did without the drops after which it returned, where a hold has no more than allowed."""
    if not retries:
        return own
    keep = np.ones(len(own.time_s), bool)
    starts = np.flatnonzero(rule.state == ON)
    ends_s = np.append(rule.time_s[1:], rule.end_s)[starts]
    for begin_s, end_s in zip(rule.since_s[starts], ends_s, strict=True):
        inside = own.falls[(own.time_s[own.falls] > begin_s) & (own.time_s[own.falls] < end_s)]
        back = inside + 1
        returned = back < len(own.time_s)
        inside, back = inside[returned], back[returned]
        returned = (own.state[back] == ON) & (own.time_s[back] < end_s)
        if returned.sum() <= retries:
            keep[inside[returned]] = keep[back[returned]] = False
    return replace(
        own,
        time_s=own.time_s[keep],
        state=own.state[keep],
        line=own.line[keep],
        before_s=own.before_s[keep],
        since_s=own.since_s[keep],
    )
