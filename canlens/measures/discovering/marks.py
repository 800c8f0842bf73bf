"""Marks on the log's clock: which lie inside the recording, how far they are trusted, how far they are moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np

from canlens.measures.discovering.chances import chances, coverage, modelled
from canlens.measures.discovering.places import BIT
from canlens.measures.discovering.slots import JITTER_S, LEAST_JITTER_S, REACTION_S, matched, pairs, slots_of
from canlens.measures.outputs.observations import marks_offset
from canlens.plan.nouns import REST
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.measures.discovering.chances import Chances
    from canlens.measures.discovering.places import TriedPlaces
    from canlens.measures.discovering.slots import Slots
    from canlens.plan import Mark
    from canlens.signals import Floats
    from canlens.trace import Bools, Rows, Trace


NAMED_AT = 0.01
"""A session without anything to find may name something once in so many times (our choice)."""
AS_WRITTEN = 0.75
"""Share of the error allowed that is spent on the marks as written; the rest is for marks that are shifted."""
PROMISING = 0.5
"""What unrelated places equal less often than this may tell how the marks lie."""
STEPS_A_WINDOW = 5
MOST_OFFSETS = 2000


class Judge(Protocol):
    """Puts all places to a test for one control."""

    def __call__(self, hits: Bools, control: str) -> Chances:
        """Return the chances, given in which slots each place went on and off."""


@dataclass(frozen=True)
class Shift:
    """How far all marks are moved [s], within what range the same would be found, and how often was searched for it."""

    shift_s: float = 0.0
    half_range_s: float = 0.0
    tries: float = 1 / AS_WRITTEN
    estimated: bool = False


def best_shift(
    tried: TriedPlaces,
    slots: Slots,
    judge: Judge,
    judge_for: Callable[[TriedPlaces], Judge],
    reach_s: tuple[float, float],
) -> Shift:
    """Find how far the marks must be moved.

    Parameters
    ----------
    judge, judge_for
        The test of these places, and that of others: the shift is looked for by bits alone.
    reach_s
        Least and greatest shift that leaves the marks inside the recording [s].

    Returns
    -------
    Shift
        None at all where some control can be named without, or nothing is found with any other.
    """
    plain = evidence(tried, slots, judge, Shift())
    if not len(tried.pulses) or plain <= NAMED_AT:
        return Shift()
    window_s = 2 * slots.jitter_s + REACTION_S
    step_s = max(window_s / STEPS_A_WINDOW, (reach_s[1] - reach_s[0]) / MOST_OFFSETS)
    offsets = np.arange(reach_s[0], reach_s[1] + step_s, step_s)
    bits = tried.only(np.flatnonzero([place.kind == BIT for place in tried.places]))
    judge_bits = judge_for(bits)
    scores = np.array([_score(bits, slots, judge_bits, float(each)) for each in offsets])
    top = np.flatnonzero(scores >= scores.max() - 1e-9)
    run = np.split(top, np.flatnonzero(np.diff(top) > 1) + 1)
    longest = max(run, key=len)
    found = Shift(
        float(offsets[longest].mean()),
        float(len(longest) * step_s / 2),
        max(1.0, (reach_s[1] - reach_s[0]) / window_s) / (1 - AS_WRITTEN),
        estimated=True,
    )
    return found if evidence(tried, slots, judge, found) < plain else Shift()


def centred(tried: TriedPlaces, slots: Slots, judge: Judge, shift: Shift) -> Shift:
    """Move the marks so that their windows lie about what follows them; keep them where that finds no more."""
    hits = matched(tried, slots, shift_s=shift.shift_s)
    told = [np.zeros(0)]
    for control in slots.controls:
        found = judge(hits, control)
        if len(found.single) and found.least <= PROMISING:
            told.append(lags(tried, slots, int(found.weighed.argmin()), slots.of(control), shift_s=shift.shift_s)[0])
    every = np.concatenate(told)
    if not len(every):
        return shift
    moved = replace(shift, shift_s=shift.shift_s + float(np.median(every)) - REACTION_S / 2)
    better = evidence(tried, slots, judge, moved) < evidence(tried, slots, judge, shift)
    return moved if better else shift


def _score(tried: TriedPlaces, slots: Slots, judge: Judge, shift_s: float) -> float:
    """Return how unlikely the best place of each control is, all controls together."""
    hits = matched(tried, slots, shift_s=shift_s)
    found = [judge(hits, control).weighed for control in slots.controls]
    return float(sum(-np.log10(max(each.min(), 1e-300)) for each in found if len(each)))


def evidence(tried: TriedPlaces, slots: Slots, judge: Judge, shift: Shift) -> float:
    """Return how many places would be expected to do as well as the best one of any control, with a shift."""
    hits = matched(tried, slots, shift_s=shift.shift_s)
    times = shift.tries * len(slots.controls)
    return min(judge(hits, control).least * times for control in slots.controls)


@dataclass(frozen=True)
class Clock:
    """How the written times lie against the log's, as the places that follow tell [s].

    ``lag_s`` is to be added to the marks so that the earliest place follows at once; ``scatter_s`` is how far single
    marks lie off, None where nothing follows.
    """

    lag_s: float = 0.0
    uncertainty_s: float | None = None
    scatter_s: float | None = None


PRECISE_S = 0.35
"""Marks that scatter less, the wait for the next frame apart, were not noted by hand (our choice: nobody keeps time so
well)."""
LATEST_S = 1.2
"""A place that follows later than this after marks that scatter little does so because the clocks differ."""
EARLY = 0.1
"""The lag that so many exercises do not reach stands for the quickest answer."""


def clock_of(lags_s: Sequence[tuple[Floats, float]]) -> Clock:
    """Tell offset and scatter of the marks by how long after each mark the earliest place of each control went on.

    Parameters
    ----------
    lags_s
        For each named control, the lag of every answered exercise behind its mark, and the wait for a beat [s].
    """
    every = np.concatenate([np.zeros(0), *(own for own, _ in lags_s)])
    if len(every) < 2:  # noqa: PLR2004 – one lag tells no scatter
        return Clock()
    middle, early = float(np.median(every)), float(np.quantile(every, EARLY))
    scatter_s = float(np.median(np.abs(every - middle))) * 1.4826
    uncertainty_s = 2 * 1.25 * max(scatter_s, 0.01) / float(np.sqrt(len(every)))
    wait_s = max(slack for _, slack in lags_s)
    if scatter_s > PRECISE_S + wait_s / 2:
        return Clock(middle, uncertainty_s, scatter_s)
    if early >= -LEAST_JITTER_S and middle <= LATEST_S + wait_s:
        return Clock(0.0, uncertainty_s, scatter_s)
    return Clock(early, uncertainty_s, scatter_s)


def lags(tried: TriedPlaces, slots: Slots, place: int, exercises: Bools, *, shift_s: float) -> tuple[Floats, Rows]:
    """Return for each answered exercise of a place its lag behind the mark [s] and the row of the trace, both (h,)."""
    one = tried.one(place)
    pulse, slot = pairs(one, slots, shift_s=shift_s)
    own = exercises[slot]
    pulse, slot = pulse[own], slot[own]
    slot, first = np.unique(slot, return_index=True)
    pulse = pulse[first]
    return one.pulses.rise_s[pulse] - slots.time_s[slot] - shift_s, one.pulses.row[pulse]


OUTSIDE_S = 1.0
"""A mark may lie so far outside the recording [s]."""
CLOSER_S = (LEAST_JITTER_S, 1.0)
"""Where no slot was left alone, narrow windows tell more: marks are also tried as if they were so good [s]."""
MODEL_DOUBT = 10
"""Chances by the model count so many times more: it takes exercises for unrelated to the rhythm of the bus."""


@dataclass(frozen=True, eq=False)
class AlignedMarks:
    """Marks as they lie against the recording.

    Attributes
    ----------
    slots
        Those inside the recording, read as the log's seconds and not yet moved.
    judge, judge_for
        Puts all places to the test; the same for other places.
    prompted
        Whether slots were left alone.
    """

    slots: Slots
    judge: Judge
    judge_for: Callable[[TriedPlaces], Judge]
    shift: Shift
    prompted: bool


def plain_offset(trace: Trace, marks: Sequence[Mark], span_s: tuple[float, float]) -> float:
    """Return what turns the written times into the log's seconds, if both clocks are the same [s]."""
    written = {"": np.array([mark.time_s for mark in marks])}
    return marks_offset(written, {}, start_s=trace.start_ns / NANOSECONDS_PER_SECOND, duration_s=span_s[1])


def aligned(tried: TriedPlaces, marks: Sequence[Mark], *, plain_s: float, span_s: tuple[float, float]) -> AlignedMarks:
    """Choose how far marks are trusted, and how far they are moved, by what finds most.

    Parameters
    ----------
    plain_s
        What turns them into the log's seconds [s].
    span_s
        First and last time of the recording [s].
    """
    prompted = any(mark.label == REST for mark in marks)
    sets = [kept for kept in (_inside(marks, plain_s, span_s), list(marks)) if kept]
    sets = sets[:1] if len(sets[0]) == len(marks) else sets
    choices = [(kept, jitter_s) for kept in sets for jitter_s in ((JITTER_S,) if prompted else (*CLOSER_S, JITTER_S))]
    found = [_tried_out(tried, kept, plain_s, jitter_s, span_s, prompted=prompted) for kept, jitter_s in choices]
    best = min(range(len(found)), key=lambda number: found[number][0])
    slots, shift = found[best][1].slots, found[best][1].shift
    shift = replace(shift, tries=shift.tries * len(choices) * (1 if prompted else MODEL_DOUBT))
    inside = _inside(marks, plain_s + shift.shift_s, span_s)
    if inside and len(inside) != len(slots):
        slots = slots_of(inside, offset_s=plain_s, jitter_s=choices[best][1])
    judge_for = partial(judge_of, slots=slots, prompted=prompted, duration_s=span_s[1] - span_s[0])
    return AlignedMarks(slots, judge_for(tried), judge_for, shift, prompted)


def _tried_out(
    tried: TriedPlaces,
    marks: Sequence[Mark],
    plain_s: float,
    jitter_s: float,
    span_s: tuple[float, float],
    *,
    prompted: bool,
) -> tuple[float, AlignedMarks]:
    """Return how far marks must be moved, and how many places would then do as well by chance."""
    slots = slots_of(marks, offset_s=plain_s, jitter_s=jitter_s)
    judge_for = partial(judge_of, slots=slots, prompted=prompted, duration_s=span_s[1] - span_s[0])
    judge = judge_for(tried)
    shift = centred(tried, slots, judge, best_shift(tried, slots, judge, judge_for, _reach(slots, span_s)))
    return evidence(tried, slots, judge, shift), AlignedMarks(slots, judge, judge_for, shift, prompted)


def _inside(marks: Sequence[Mark], offset_s: float, span_s: tuple[float, float]) -> list[Mark]:
    """Return the marks that lie inside the recording; none if no exercise or no more than half of them does."""
    inside = [mark for mark in marks if span_s[0] - OUTSIDE_S <= mark.time_s + offset_s <= span_s[1] + OUTSIDE_S]
    enough = 2 * len(inside) > len(marks) and any(mark.label != REST for mark in inside)
    return inside if enough else []


def _reach(slots: Slots, span_s: tuple[float, float]) -> tuple[float, float]:
    """Return the least and the greatest shift that keeps the marks inside the recording, and small ones in any case."""
    last_s = np.where(np.isnan(slots.until_s), slots.time_s, slots.until_s)
    low_s, high_s = sorted((span_s[0] - float(slots.time_s.min()), span_s[1] - float(last_s.max())))
    near_s = 2 * slots.jitter_s
    if low_s - near_s <= 0 <= high_s + near_s:
        low_s, high_s = min(low_s, -near_s), max(high_s, near_s)
    return low_s, high_s


def judge_of(tried: TriedPlaces, *, slots: Slots, prompted: bool, duration_s: float) -> Judge:
    """Return the exact test where slots were left alone, else the chance model."""
    kind = np.array([place.kind for place in tried.places], np.int64)
    strata = {name: slots.strata(name) for name in slots.controls}
    covered = (
        {}
        if prompted
        else {name: coverage(tried, slots, slots.of(name), duration_s=duration_s) for name in slots.controls}
    )

    def judge(hits: Bools, control: str) -> Chances:
        exercises, compared = slots.of(control), slots.compared(control)
        if prompted:
            return chances(hits, kind, exercises, compared, strata[control])
        return modelled(hits, kind, covered[control], exercises, compared)

    return judge
