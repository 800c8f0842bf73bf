"""Choosing: which marks lie inside the recording, how far they are trusted, and how far they must be moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.clock import marks_offset
from canlens.measures.discovering.aligning import best_shift, centred, evidence
from canlens.measures.discovering.chances import chances
from canlens.measures.discovering.coverage import coverage, modelled
from canlens.measures.discovering.slots import JITTER_S, LEAST_JITTER_S, slots_of
from canlens.plan.nouns import REST
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.measures.discovering.aligning import Judge, Shift
    from canlens.measures.discovering.chances import Chances
    from canlens.measures.discovering.places import Tried
    from canlens.measures.discovering.slots import Slots
    from canlens.plan import Mark
    from canlens.trace import Bools, Trace

OUTSIDE_S = 1.0
"""A mark may lie so far outside the recording [s]."""
CLOSER_S = (LEAST_JITTER_S, 1.0)
"""Where no slot was left alone, narrow windows tell more: marks are also tried as if they were so good [s]."""
MODEL_DOUBT = 10
"""Chances by the model count so many times more: it takes exercises for unrelated to the rhythm of the bus."""


@dataclass(frozen=True, eq=False)
class Aligned:
    """Marks as they lie against the recording.

    Attributes
    ----------
    slots
        Those inside the recording, read as the log's seconds and not yet moved.
    judge, judge_for
        Puts all places to the test; the same for other places.
    shift
        How far they must be moved.
    prompted
        Whether slots were left alone.
    """

    slots: Slots
    judge: Judge
    judge_for: Callable[[Tried], Judge]
    shift: Shift
    prompted: bool


def plain_offset(trace: Trace, marks: Sequence[Mark], span_s: tuple[float, float]) -> float:
    """Return what turns the written times into the log's seconds, if both clocks are the same [s]."""
    written = {"": np.array([mark.time_s for mark in marks])}
    return marks_offset(written, {}, start_s=trace.start_ns / NANOSECONDS_PER_SECOND, duration_s=span_s[1])


def aligned(tried: Tried, marks: Sequence[Mark], *, plain_s: float, span_s: tuple[float, float]) -> Aligned:
    """Choose how far marks are trusted, and how far they are moved, by what finds most.

    Parameters
    ----------
    tried
        All places.
    marks
        As written.
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
    return Aligned(slots, judge_for(tried), judge_for, shift, prompted)


def _tried_out(
    tried: Tried, marks: Sequence[Mark], plain_s: float, jitter_s: float, span_s: tuple[float, float], *, prompted: bool
) -> tuple[float, Aligned]:
    """Return how far marks must be moved, and how many places would then do as well by chance."""
    slots = slots_of(marks, offset_s=plain_s, jitter_s=jitter_s)
    judge_for = partial(judge_of, slots=slots, prompted=prompted, duration_s=span_s[1] - span_s[0])
    judge = judge_for(tried)
    shift = centred(tried, slots, judge, best_shift(tried, slots, judge, judge_for, _reach(slots, span_s)))
    return evidence(tried, slots, judge, shift), Aligned(slots, judge, judge_for, shift, prompted)


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


def judge_of(tried: Tried, *, slots: Slots, prompted: bool, duration_s: float) -> Judge:
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
