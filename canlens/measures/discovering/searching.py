"""Searching: Trace and marks in, for every control the places that follow it out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.discovering.chances import shift_chance
from canlens.measures.discovering.leads import FoundField, View, came_with, comings, overlap, own_work, ranked
from canlens.measures.discovering.marks import NAMED_AT, Clock, Shift, aligned, clock_of, plain_offset
from canlens.measures.discovering.places import (
    LEVEL,
    Limits,
    TriedPlaces,
    bit_pulses,
    bits_of,
    changes_of,
    field_pulses,
    level_pulses,
    tried,
)
from canlens.measures.discovering.slots import REACTION_S, matched, slots_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.discovering.chances import Chances
    from canlens.measures.discovering.leads import Came, Group
    from canlens.measures.discovering.marks import Judge
    from canlens.measures.discovering.places import Found as FoundPlaces
    from canlens.measures.discovering.slots import Slots
    from canlens.plan import Mark
    from canlens.signals import Floats
    from canlens.trace import Bools, Streams, Trace


BUSY_A_SLOT = 40
BUSY = 400
"""A bit that changes more often than this for each slot, and this besides, shows no control (our choice)."""
PULSES_A_SLOT, FEWEST_PULSES = 4, 60
"""A place that goes on and off for about the right time more often than so often for each slot, and this at least,
does so by itself (our choice)."""
MOST_CYCLE_S = 1.5
"""A change waits at most so long for the next frame [s]; slower messages are met only if they happen to be quick."""
SHIFTED_AT, WINDOWS = 0.05, 1.5
"""A named place does as well with this share of all shifts at most, or with so many times what one window takes."""
FAR_BETTER = 100.0
"""A place belongs to one of two controls where its chance is so many times smaller (our choice)."""


@dataclass(frozen=True, eq=False)
class Searched:
    """What was found of one control.

    Attributes
    ----------
    exercises, compared
        bool (T,): its slots, and those it was left alone in.
    groups, levels
        Bits and fields, best first; numbers that move with the control, apart.
    tries
        How often the search was made: each chance counts so many times.
    shifted
        For each of ``groups`` the share of shifts that do as well; empty where slots were left alone.
    shared_with
        Other controls that the best place follows as well, so that it cannot be told whose it is.
    named
        Whether the best place is beyond chance, all controls of the session allowed for.
    came
        Messages that came only with it.
    """

    exercises: Bools
    compared: Bools
    groups: tuple[Group, ...]
    levels: tuple[Group, ...]
    chances: Chances
    tries: float
    shifted: tuple[float, ...] = ()
    named: bool = False
    shared_with: tuple[str, ...] = ()
    came: tuple[Came, ...] = ()


@dataclass(frozen=True, eq=False)
class Search:
    """What was found of all controls.

    Attributes
    ----------
    changes_s
        float64 (g,): median interval of each stream [s].
    found
        Fields that do the bus's own work.
    prompted
        Whether slots were left alone.
    offset_s
        What was added to the written times to reach ``slots`` [s].
    """

    streams: Streams
    interval_s: Floats
    slots: Slots
    tried: TriedPlaces
    found: FoundField
    shift: Shift
    clock: Clock
    controls: dict[str, Searched]
    outside: int
    prompted: bool
    offset_s: float

    @property
    def moved_s(self) -> float:
        """What must be added to the times of ``slots`` to reach the times at which things were done [s]."""
        return self.clock.lag_s if self.clock.scatter_s is not None else self.shift.shift_s


def search(trace: Trace, marks: Sequence[Mark]) -> Search:
    """Look for the places that follow each marked control.

    Parameters
    ----------
    trace
        The recording, of one or several channels; with frames.
    marks
        What the person did; at least one exercise.
    """
    segment = int(np.bincount(trace.segment - trace.segment.min()).argmax() + trace.segment.min())
    own = trace.time_s[trace.segment == segment]
    span_s = float(own.min()), float(own.max())
    together = trace.streams
    plain_s = plain_offset(trace, marks, span_s)
    every = slots_of(marks, offset_s=plain_s)
    limits = _limits(trace, every, span_s[0])
    tried, found, interval_s = _places(trace, together, limits, segment)
    lie = aligned(tried, marks, plain_s=plain_s, span_s=span_s)
    slots, judge, shift, prompted = lie.slots, lie.judge, lie.shift, lie.prompted
    hits = matched(tried, slots, shift_s=shift.shift_s)
    controls = {name: _searched(name, tried, slots, hits, judge, shift) for name in slots.controls}
    if not prompted:
        controls = {name: _with_shifts(each, tried, slots, shift, span_s) for name, each in controls.items()}
    controls = told_apart(controls)
    there = comings(trace, together, limits, segment=segment)
    controls = {
        name: replace(each, came=came_with(there, lie, name, level=NAMED_AT)) for name, each in controls.items()
    }
    return Search(
        streams=together,
        interval_s=interval_s,
        slots=slots,
        tried=tried,
        found=found,
        shift=shift,
        clock=_clock(tried, controls, shift),
        controls=controls,
        outside=len(marks) - len(slots),
        prompted=prompted,
        offset_s=plain_s,
    )


def _limits(trace: Trace, slots: Slots, start_s: float) -> Limits:
    """Return which pulses may be an operation of a control that was marked."""
    most_s = float((slots.fall_s[~slots.is_rest, 1] - slots.rise_s[~slots.is_rest, 0]).max()) + MOST_CYCLE_S
    least_s = max(slots.held_s[0] - MOST_CYCLE_S, 0.1)
    longer = max(1.0, trace.duration_s / max(float(np.ptp(slots.time_s)), 1.0))
    most_pulses = int(longer * max(FEWEST_PULSES, PULSES_A_SLOT * len(slots)))
    return Limits(least_s, most_s, BUSY + BUSY_A_SLOT * len(slots), most_pulses, start_s)


def _places(trace: Trace, together: Streams, limits: Limits, segment: int) -> tuple[TriedPlaces, FoundField, Floats]:
    """Gather every place that may show a control, the fields that do the bus's own work, and the intervals [s]."""
    interval_s = np.zeros(len(together))
    pulses: list[FoundPlaces] = []
    found, changing = FoundField(), 0
    for changes in changes_of(trace, together, segment=segment):
        interval_s[changes.stream] = changes.interval_s
        if len(changes.row) < 2:  # noqa: PLR2004 – a payload that never changes
            continue
        found += own_work(changes)
        changing += int((changes.flips > 0).sum())
        pulses += [bit_pulses(changes, limits), *field_pulses(changes, limits), level_pulses(changes, limits)]
    slack_s = np.minimum(interval_s, MOST_CYCLE_S)
    return tried(pulses, slack_s, changing), found, interval_s


def _searched(name: str, tried: TriedPlaces, slots: Slots, hits: Bools, judge: Judge, shift: Shift) -> Searched:
    """Rank the places for one control; a level leads where no bit or field is beyond chance and it is."""
    exercises, compared = slots.of(name), slots.compared(name)
    found = judge(hits, name)
    view = View(tried, slots, hits, found, exercises, exercises | compared, shift.shift_s)
    groups = ranked(view, np.flatnonzero(found.kind != LEVEL))
    levels = ranked(view, np.flatnonzero(found.kind == LEVEL))
    times = shift.tries * len(slots.controls)
    levels = [each for each in levels if found.corrected(each.lead, times=times) <= NAMED_AT]
    levels = [each for each in levels if not (groups and _is_one_bit(tried, each, groups[0]))]
    if levels and not (groups and groups[0].single <= levels[0].single):
        groups = [levels[0], *groups]
    named = bool(groups) and found.corrected(groups[0].lead, times=times) <= NAMED_AT
    if named:
        groups = _plainest_first(tried, found, groups, times)
        groups = [groups[0], *(each for each in groups[1:] if not _is_part_of(tried, each, groups[0]))]
    return Searched(exercises, compared, tuple(groups), tuple(levels), found, shift.tries, named=named)


def _plainest_first(tried: TriedPlaces, found: Chances, groups: list[Group], times: float) -> list[Group]:
    """Put a bit before the field it is part of, unless the field does far better: a foreign bit beside it may help."""
    for number, each in enumerate(groups[1:], 1):
        sure = found.corrected(each.lead, times=times) <= NAMED_AT
        if sure and each.single <= FAR_BETTER * groups[0].single and _holds(tried, groups[0], each):
            return [each, *groups[:number], *groups[number + 1 :]]
    return groups


def _holds(tried: TriedPlaces, group: Group, part: Group) -> bool:
    """Tell whether a place is made of the bits of a smaller one and more."""
    place, smaller = tried.places[group.lead], tried.places[part.lead]
    return place.stream == smaller.stream and bits_of(place) & bits_of(smaller) == bits_of(smaller) != bits_of(place)


def _is_part_of(tried: TriedPlaces, group: Group, best: Group) -> bool:
    """Tell whether a place is made of the same bits as one that is named: no rival, but a worse way to read it."""
    place = tried.places[group.lead]
    return any(
        place.stream == other.stream and bool(bits_of(place) & bits_of(other))
        for other in (tried.places[index] for index in (best.lead, *best.mirrors))
    )


def _is_one_bit(tried: TriedPlaces, level: Group, best: Group) -> bool:
    """Tell whether a level only repeats one bit of its own that is found already."""
    members = (best.lead, *best.mirrors)
    shared = [index for index in members if overlap(tried.places[level.lead], tried.places[index])]
    return len(shared) == 1


def _with_shifts(
    searched: Searched, tried: TriedPlaces, slots: Slots, shift: Shift, span_s: tuple[float, float]
) -> Searched:
    """Put the best places to the test by shifts as well; a place that fails it is not named."""
    few = tried.only(np.array([group.lead for group in searched.groups], np.int64))
    moved = replace(slots, rise_s=slots.rise_s + shift.shift_s, fall_s=slots.fall_s + shift.shift_s)
    hits = np.array([group.answered for group in searched.groups], np.int64)
    shares = shift_chance(few, moved, searched.exercises, hits, span_s=span_s)
    window_s = 2 * slots.jitter_s + REACTION_S
    most = max(SHIFTED_AT, WINDOWS * window_s / max(span_s[1] - span_s[0], window_s))
    named = searched.named and bool(shares[0] <= most)
    return replace(searched, shifted=tuple(shares.tolist()), named=named)


def told_apart(controls: dict[str, Searched]) -> dict[str, Searched]:
    """Leave a place that is the best of several controls to the one it follows far better, or to none."""
    best: dict[int, list[str]] = {}
    for name, each in controls.items():
        if each.named:
            best.setdefault(each.groups[0].lead, []).append(name)
    out = dict(controls)
    for names in best.values():
        single = sorted(controls[name].groups[0].single for name in names)
        for name in names:
            own = controls[name].groups[0].single
            if len(names) > 1 and not (own == single[0] and single[1] > FAR_BETTER * own):
                out[name] = replace(controls[name], named=False, shared_with=tuple(set(names) - {name}))
    return out


def _clock(tried: TriedPlaces, controls: dict[str, Searched], shift: Shift) -> Clock:
    """Tell how the marks lie against the log, by the controls whose best place is beyond chance."""
    told = [
        (each.groups[0].lag_s + shift.shift_s, float(tried.slack_s[each.groups[0].lead]))
        for each in controls.values()
        if each.named
    ]
    return clock_of(told)
