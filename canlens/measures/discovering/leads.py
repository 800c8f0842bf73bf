"""Leads: the places that may show a control, best first; what is left out, and messages that only come with it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.discovering.marks import NAMED_AT, lags
from canlens.measures.discovering.places import BIT, LATE_START_S, Pulses, TriedPlace, TriedPlaces, tried
from canlens.measures.discovering.slots import matched

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.discovering.chances import Chances
    from canlens.measures.discovering.marks import AlignedMarks
    from canlens.measures.discovering.places import Changes, Found, Limits
    from canlens.measures.discovering.slots import Slots
    from canlens.signals import Floats
    from canlens.trace import Bools, Bytes, Ints, Rows, Streams, Trace


SAMPLE = 1500
"""Frames with a change that are looked at."""
FEWEST = 24
"""Fewer changes tell nothing (our choice)."""
REGULAR = 0.95
EVERY_FRAME = 0.8
"""What changes in so many of the frames goes with the frame, not with time."""
LEAST_FLIPS, MOST_FLIPS = 0.3, 0.7
"""Share of the changes in which each bit of a checksum flips: a half, and what chance adds."""


class BitSpan(NamedTuple):
    """Bits of a stream."""

    stream: int
    start_bit: int
    length: int


@dataclass(frozen=True)
class FoundField:
    """The fields of one or all streams that do the bus's own work."""

    counters: tuple[BitSpan, ...] = ()
    checksums: tuple[BitSpan, ...] = ()
    clocks: tuple[BitSpan, ...] = ()
    toggles: tuple[BitSpan, ...] = ()

    def __add__(self, other: FoundField) -> FoundField:
        return FoundField(*(getattr(self, each.name) + getattr(other, each.name) for each in fields(self)))


def own_work(changes: Changes) -> FoundField:
    """Find the fields of a stream that change all the time by themselves.

    A counter goes up by one with nearly every frame; a clock goes up by one now and then; a toggle changes with every
    frame; of a checksum each bit flips with half of the changes, and the same payload always has the same checksum.
    """
    if len(changes.row) <= FEWEST:
        return FoundField()
    part = changes.payload[:SAMPLE]
    flipped = np.unpackbits(part[1:] ^ part[:-1], axis=1, bitorder="little")
    share = flipped.mean(axis=0)
    often = len(changes.row) / changes.frames >= EVERY_FRAME
    counting = list(_counting(part, flipped, changes.stream))
    taken = {bit for span in counting for bit in range(span.start_bit, span.start_bit + span.length)}
    always = [span for span in counting if often and share[span.start_bit] >= REGULAR]
    toggles = [
        BitSpan(changes.stream, bit, 1)
        for bit in np.flatnonzero(share >= REGULAR).tolist()
        if often and bit not in taken
    ]
    checksums = [
        BitSpan(changes.stream, 8 * byte, 8)
        for byte in range(part.shape[1])
        if not taken & set(range(8 * byte, 8 * byte + 8)) and _is_checksum(part, share, byte)
    ]
    clocks = [span for span in counting if span not in always]
    return FoundField(tuple(always), tuple(checksums), tuple(clocks), tuple(toggles))


def _counting(part: Bytes, flipped: Bytes, stream: int) -> Iterator[BitSpan]:
    """Yield the fields that count upwards: each bit flips just when the bit below it falls."""
    bits = np.unpackbits(part, axis=1, bitorder="little")
    changes = flipped.sum(axis=0, dtype=np.int64)
    bit = 0
    while bit < flipped.shape[1]:
        top = bit
        while (
            top + 1 < flipped.shape[1]
            and (top + 1) % 8
            and changes[top + 1] > 1
            and _carries(bits[:, top], flipped[:, top], flipped[:, top + 1])
        ):
            top += 1
        length = top - bit + 1
        if length > 1 and changes[bit] >= FEWEST and _steps_by_one(part, bit, length):
            yield BitSpan(stream, bit, length)
        bit = top + 1


def _carries(level: Bytes, lower: Bytes, upper: Bytes) -> bool:
    """Tell whether a bit flips just when the one below it falls."""
    falls = (lower == 1) & (level[1:] == 0)
    return bool(int((upper != falls).sum()) <= (1 - REGULAR) * max(int(upper.sum()), 1))


def _steps_by_one(part: Bytes, bit: int, length: int) -> bool:
    """Tell whether a field mostly goes up by one where it changes."""
    byte, shift = divmod(bit, 8)
    mask = (1 << length) - 1
    value = (part[:, byte].astype(np.int64) >> shift) & mask
    step: Ints = np.diff(value) & mask
    return bool(np.mean(step[step != 0] == 1) >= REGULAR)


def _is_checksum(part: Bytes, share: Ints, byte: int) -> bool:
    """Tell whether a byte follows from the rest of the payload, and flips as if by chance."""
    own = share[8 * byte : 8 * byte + 8]
    if own.min() < LEAST_FLIPS or own.max() > MOST_FLIPS:
        return False
    rest = np.delete(part, byte, axis=1)
    if not rest.shape[1]:
        return False
    _, number = np.unique(rest, axis=0, return_inverse=True)
    order = np.argsort(number.ravel(), kind="stable")
    same = np.diff(number.ravel()[order]) == 0
    repeated = int(same.sum())
    equal = np.diff(part[order, byte].astype(np.int64)) == 0
    return repeated >= FEWEST // 4 and bool(np.mean(equal[same]) >= REGULAR)


# Presence: messages that come only while a control is operated, whatever they say.


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


def comings(trace: Trace, together: Streams, limits: Limits, *, segment: int) -> TriedPlaces:
    """Gather the times for which each message was there, of those that come and go.

    Parameters
    ----------
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
        pause_s = max(LEAST_PAUSE_S, PAUSE_INTERVALS * interval_s)
        begins = np.append(own_s[0] - limits.start_s > LATE_START_S, np.diff(own_s) > pause_s)
        first = np.flatnonzero(begins)
        if not 0 < len(first) <= limits.most_pulses:
            continue
        last = np.append(first[1:], len(rows)) - 1
        slack_s[stream] = interval_s
        pulses = Pulses(np.zeros(len(first), np.int64), own_s[first], own_s[last] + interval_s, rows[first])
        found.append(([TriedPlace(stream, 0, 0, 1)], limits.keeps(pulses)))
    return tried(found, slack_s, 0)


def came_with(there: TriedPlaces, lie: AlignedMarks, control: str, *, level: float) -> tuple[Came, ...]:
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


# Ranking: the places that may show a control, best first, those that did the same in every slot as one.


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
    exercises, used
        bool (T,): slots of the control, and all that count for it.
    shift_s
        How far the marks are moved [s].
    """

    tried: TriedPlaces
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


def _order(place: TriedPlace, lag_s: Floats) -> tuple[float, int, int, int, int]:
    """Return what decides which of several equal places leads."""
    return round(_middle(lag_s), 3), place.kind, place.length, place.stream, place.start_bit


def _covers(place: TriedPlace, other: TriedPlace) -> bool:
    """Tell whether a field or level only repeats a bit, or a smaller field, of the same message."""
    if place.stream != other.stream or place.kind == BIT or place.length <= other.length:
        return False
    mine = range(place.start_bit, place.start_bit + place.length)
    return other.start_bit in mine and other.start_bit + other.length - 1 in mine


def overlap(place: TriedPlace, other: TriedPlace) -> bool:
    """Tell whether two places share a byte of the same message."""
    one, two = (
        {each.start_bit // 8 + step * (-1 if each.is_motorola else 1) for step in range((each.length + 7) // 8)}
        for each in (place, other)
    )
    return place.stream == other.stream and bool(one & two)


def _middle(lag_s: Floats) -> float:
    return float(np.median(lag_s)) if len(lag_s) else np.inf
