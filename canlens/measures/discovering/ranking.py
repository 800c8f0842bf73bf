"""Ranking: the places that may show a control, best first, those that did the same in every slot as one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.discovering.aligning import NAMED_AT, lags
from canlens.measures.discovering.places import BIT

if TYPE_CHECKING:
    from canlens.measures.discovering.chances import Chances
    from canlens.measures.discovering.places import Place, Tried
    from canlens.measures.discovering.slots import Slots
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows

MOST_RANKED = 400
"""Places that are looked at closely; the rest stands far behind."""
MOST_GROUPS = 10
HARDLY = 0.5
"""Places that unrelated ones equal so often are not worth a line."""


@dataclass(frozen=True, eq=False)
class Group:
    """Places that did the same in every slot.

    Attributes
    ----------
    lead
        Index of the place that follows first; of several, a single bit before a field, the lowest bit before others.
    mirrors
        The others.
    answered, stray
        Exercises it went along with, and slots left alone in which it went on and off.
    single
        The chance of an unrelated place.
    ticks
        bool (T,): in which slots.
    lag_s, row
        float64, intp (h,): lag of each answered exercise behind its mark [s], and the row of the trace.
    """

    lead: int
    mirrors: tuple[int, ...]
    answered: int
    stray: int
    single: float
    ticks: Bools
    lag_s: Floats
    row: Rows


@dataclass(frozen=True, eq=False)
class View:
    """All that is known of the places for one control.

    Attributes
    ----------
    tried, slots, hits
        F places, T slots, and in which slots each place went on and off, bool (F, T).
    found
        The chances of the control.
    exercises, used
        bool (T,): slots of the control, and all that count for it.
    shift_s
        How far the marks are moved [s].
    """

    tried: Tried
    slots: Slots
    hits: Bools
    found: Chances
    exercises: Bools
    used: Bools
    shift_s: float


def ranked(view: View, among: Ints) -> list[Group]:
    """Return the best groups of places for one control.

    Parameters
    ----------
    view
        The control.
    among
        int64: the places that are looked at.
    """
    found = view.found
    order = among[np.lexsort((found.stray[among], -found.answered[among], found.weighed[among]))][:MOST_RANKED]
    order = order[(found.answered[order] > 0) & (found.single[order] <= HARDLY)]
    groups: dict[bytes, list[int]] = {}
    for place in order.tolist():
        groups.setdefault(view.hits[place, view.used].tobytes(), []).append(place)
    made = [_group(view, members) for members in list(groups.values())[: 2 * MOST_GROUPS]]
    made.sort(key=lambda each: _merit(view, each))
    return made[:MOST_GROUPS]


def _merit(view: View, group: Group) -> tuple[bool, float, int, float, float]:
    """Return what puts groups in order, less being better.

    What follows beyond doubt goes by the slots it gets right, a bit before a field; all else by its chance.
    """
    doubtful = view.found.corrected(group.lead) > NAMED_AT
    wrong = float(group.stray - group.answered)
    weighed, kind = float(view.found.weighed[group.lead]), view.tried.places[group.lead].kind
    if doubtful:
        return doubtful, weighed, kind, wrong, _middle(group.lag_s)
    return doubtful, wrong, kind, weighed, _middle(group.lag_s)


def _group(view: View, members: list[int]) -> Group:
    """Choose the member that leads, and leave out fields that say no more than a bit of theirs."""
    tried = view.tried
    told = {index: lags(tried, view.slots, index, view.exercises, shift_s=view.shift_s) for index in members}
    members = sorted(members, key=lambda index: _order(tried.places[index], told[index][0]))
    kept = [
        index
        for index in members
        if not any(_covers(tried.places[index], tried.places[other]) for other in members if other != index)
    ]
    lead = kept[0]
    return Group(
        lead=lead,
        mirrors=tuple(kept[1:]),
        answered=int(view.found.answered[lead]),
        stray=int(view.found.stray[lead]),
        single=float(view.found.single[lead]),
        ticks=view.hits[lead],
        lag_s=told[lead][0],
        row=told[lead][1],
    )


def _order(place: Place, lag_s: Floats) -> tuple[float, int, int, int, int]:
    """Return what decides which of several equal places leads."""
    return round(_middle(lag_s), 3), place.kind, place.length, place.stream, place.start_bit


def _covers(place: Place, other: Place) -> bool:
    """Tell whether a field or level only repeats a bit, or a smaller field, of the same message."""
    if place.stream != other.stream or place.kind == BIT or place.length <= other.length:
        return False
    mine = range(place.start_bit, place.start_bit + place.length)
    return other.start_bit in mine and other.start_bit + other.length - 1 in mine


def overlap(place: Place, other: Place) -> bool:
    """Tell whether two places share a byte of the same message."""
    one, two = (
        {each.start_bit // 8 + step * (-1 if each.is_motorola else 1) for step in range((each.length + 7) // 8)}
        for each in (place, other)
    )
    return place.stream == other.stream and bool(one & two)


def _middle(lag_s: Floats) -> float:
    return float(np.median(lag_s)) if len(lag_s) else np.inf
