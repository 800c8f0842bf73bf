"""Senders: frames of one identifier that come as from two."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.traffic.counters import CHANGING_SHARE, SAMPLE, counting_fields
from canlens.measures.traffic.intervals import SPREAD, blurred_beat
from canlens.measures.traffic.silences import places_at
from canlens.nouns.messages import TwoSenders
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.traffic.counters import Field
    from canlens.measures.traffic.intervals import Intervals
    from canlens.nouns.messages import Clue
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows, Streams, Trace


FEWEST_FRAMES = 60
MOST_COMBED = 2000
"""Frames that are taken apart, from the middle of longer streams."""
NEIGHBOURS = 4
"""The next frame of the same sender is among so many next frames."""
WINDOW = 0.03
"""Distances that differ by less than this share pile up."""
NEAR = 0.12
"""A frame belongs to a beat when it lies this close to where it is due, as a share of the cycle."""
FOLLOWING = 0.2
"""How far the beat follows each frame, so that a clock that is off does not run away."""
COVERED = 0.9
"""So many of the due frames of each beat must be there (our choice: a beat that is none meets a half by chance)."""
FEWEST_COVERED = 0.8
"""With fewer frames than this share of those due, none can be covered, wherever the beat begins."""
ALONE = 0.9
"""So many of the frames that are left after the first beat must lie on the second."""
WHOLE = 2e-4
"""Two cycles of which one is a whole multiple of the other, within this share, may be one sender's (our choice: clocks
of nodes are off by less)."""
MOST_WHOLE = 10
ROUNDS = 3
EARLY = 40
EARLY_SHARE = 0.7
"""A beat that is not there for most of its first due times is followed no further."""


@dataclass(frozen=True, eq=False)
class Comb:
    """Frames on one beat: which, its cycle [ns], and how many of the due ones are there, as a ratio."""

    member: Bools
    cycle_ns: float
    covered: float


def two_combs(time_ns: Ints, *, may_be_whole: bool = False) -> tuple[Comb, Comb] | None:
    """Take frames apart into two beats.

    Parameters
    ----------
    time_ns
        int64 (n,): stamps of frames of one identifier, ascending [ns]; the middle :data:`MOST_FRAMES` are looked at.
    may_be_whole
        Whether one cycle may be a whole multiple of the other.

    Returns
    -------
    (Comb, Comb) or None
        None unless two beats, and hardly anything else, explain the frames; also where one cycle is a whole multiple
        of the other, since one sender could do so, unless that may be.
    """
    first = max(0, (len(time_ns) - MOST_COMBED) // 2)
    part_ns = (time_ns[first : first + MOST_COMBED] - time_ns[first]).astype(np.float64)
    if len(part_ns) < FEWEST_FRAMES:
        return None
    one = _best_comb(part_ns)
    if one is None or one.member.all():
        return None
    rest_ns = part_ns[~one.member]
    if len(rest_ns) < FEWEST_FRAMES / NEIGHBOURS:
        return None
    other = _best_comb(rest_ns)
    if other is None or other.member.mean() < ALONE or _spans(rest_ns) < COVERED * _spans(part_ns):
        return None
    ratio = max(one.cycle_ns, other.cycle_ns) / min(one.cycle_ns, other.cycle_ns)
    if not may_be_whole and ratio < MOST_WHOLE and abs(ratio / round(ratio) - 1) < WHOLE:
        return None
    return one, other


def _spans(time_ns: Floats) -> float:
    return float(time_ns[-1] - time_ns[0])


def _best_comb(time_ns: Floats) -> Comb | None:
    """Find the beat that most frames lie on; None where none is covered well."""
    best: Comb | None = None
    for cycle_ns in _likely_cycles(time_ns):
        if len(time_ns) < FEWEST_COVERED * _spans(time_ns) / cycle_ns:
            continue  # more frames would be due than there are
        starts = np.flatnonzero(time_ns < time_ns[0] + 2 * cycle_ns)[: 2 * NEIGHBOURS]
        for start in starts.tolist():
            comb = _followed(time_ns, start, cycle_ns)
            if comb.covered < COVERED:
                continue
            if best is None or comb.member.sum() > best.member.sum():
                best = comb
            break
    return best


def _likely_cycles(time_ns: Floats) -> list[float]:
    """Return the distances between frames that come most often [ns], and their halves to quarters.

    A beat also shows at twice its cycle and more; of those that are covered the true one holds most frames.
    """
    reach = min(NEIGHBOURS, len(time_ns) - 1)
    distance = np.sort(np.concatenate([time_ns[step:] - time_ns[:-step] for step in range(1, reach + 1)]))
    distance = distance[distance > 0]
    found: list[float] = []
    for _ in range(ROUNDS):
        if not len(distance):
            break
        last = np.searchsorted(distance, distance * (1 + WINDOW))
        at = int(np.argmax(last - np.arange(len(distance))))
        cycle_ns = float(np.median(distance[at : int(last[at])]))
        found.append(cycle_ns)
        distance = distance[np.abs(distance - cycle_ns) > WINDOW * cycle_ns]
    return [cycle_ns / parts for cycle_ns in found for parts in range(1, NEIGHBOURS + 1)]


def _followed(time_ns: Floats, start: int, cycle_ns: float) -> Comb:
    """Follow a beat from one frame on: of the frames near each due time the nearest belongs to it."""
    times = time_ns.tolist()
    member = np.zeros(len(times), np.bool_)
    member[start] = True
    near, due_ns, at, hits, number = NEAR * cycle_ns, times[start], start, [], 0
    end_ns = times[-1] + near
    while (due_ns := due_ns + cycle_ns) <= end_ns:
        number += 1
        nearest = bisect_left(times, due_ns, at + 1)
        if nearest == len(times) or (nearest - 1 > at and due_ns - times[nearest - 1] <= times[nearest] - due_ns):
            nearest -= 1
        if nearest > at and abs(times[nearest] - due_ns) <= near:
            member[nearest] = True
            hits.append((number, times[nearest]))
            due_ns += FOLLOWING * (times[nearest] - due_ns)
            at = nearest
        if number == EARLY and len(hits) < EARLY_SHARE * EARLY:
            break
    if len(hits) < 2:  # noqa: PLR2004 – no line through fewer points
        return Comb(member, cycle_ns, 0.0)
    index, seen = np.array(hits, np.float64).T
    slope = float(((index - index.mean()) * (seen - seen.mean())).sum() / ((index - index.mean()) ** 2).sum())
    return Comb(member, slope, len(hits) / max(number, 1))


# Families: frames of one identifier that a bit of their payload splits into two beats.


MIXED_SHARE = 0.5
"""Frames of two senders come one among the other; a bit that changes more seldom, for so many frames of the smaller
family, is a value of one sender (our choice)."""
ALIKE = 0.005
"""Cycles that are whole multiples of each other within this share may be those of one sender that sends in turn."""
LONGEST_PATTERN = 64
PATTERN_SHARE = 0.97
"""A pattern of up to so many frames that fits so many of them is one sender's (our choice)."""
MOST_SPLIT = 4000
"""Frames that are looked at, from the middle of longer streams."""


def two_families(trace: Trace, rows: Rows, *, may_be_whole: bool = False) -> tuple[float, float] | None:
    """Look for a bit that splits frames into two families, each of which is on a beat though all together are not.

    The bit may be any of the first eight bytes, or whether a frame has the usual payload length.

    Parameters
    ----------
    rows
        intp (n,): rows of the frames of one identifier, in the order of time.
    may_be_whole
        Whether one cycle may be a whole multiple of the other, and the families follow each other in a pattern.

    Returns
    -------
    (float, float) or None
        Cycle of each family [ns], the shorter one first; None where no bit does so, or where one cycle is a whole
        multiple of the other, as one sender's may be, unless that may be.
    """
    rows = rows[max(0, (len(rows) - MOST_SPLIT) // 2) :][:MOST_SPLIT]
    if len(rows) < FEWEST_FRAMES:
        return None
    time_ns = trace.time_ns[rows]
    if may_be_whole and _beat(np.diff(time_ns)):
        return None
    bits = np.unpackbits(trace.payload.first8[rows], axis=1, bitorder="little").astype(np.bool_)
    length = trace.payload.length[rows]
    split = np.column_stack([length == np.bincount(length).argmax(), bits])
    least = FEWEST_FRAMES / 4
    ones = split.sum(axis=0)
    for column in np.flatnonzero((ones >= least) & (len(rows) - ones >= least)).tolist():
        cycles_ns = _beats(time_ns, split[:, column], may_be_whole=may_be_whole)
        if cycles_ns:
            return cycles_ns
    return None


def _beats(time_ns: Ints, member: Bools, *, may_be_whole: bool) -> tuple[float, float] | None:
    """Return the cycles of both families [ns], the shorter one first; None where they are not two beats."""
    fewer = min(int(member.sum()), int((~member).sum()))
    if np.count_nonzero(member[1:] != member[:-1]) < MIXED_SHARE * fewer:
        return None
    if not may_be_whole and _has_pattern(member):
        return None
    cycles_ns = []
    for which in (member, ~member):
        own = time_ns[which]
        cycle_ns = _beat(np.diff(own))
        if not cycle_ns or own[-1] - own[0] < COVERED * (time_ns[-1] - time_ns[0]):
            return None
        cycles_ns.append(cycle_ns)
    short, long = sorted(cycles_ns)
    if not may_be_whole and long / short < MOST_WHOLE and abs(long / short / round(long / short) - 1) < ALIKE:
        return None
    return short, long


def _has_pattern(member: Bools) -> bool:
    """Tell whether the families follow each other in a fixed pattern, as values of one sender that go round do."""
    reach = min(LONGEST_PATTERN, len(member) // 2)
    return any((member[step:] == member[:-step]).mean() >= PATTERN_SHARE for step in range(1, reach + 1))


def _beat(length_ns: Ints) -> float:
    """Return the beat of intervals [ns]; 0 where they keep none."""
    low, middle, high = np.quantile(length_ns, (0.1, 0.5, 0.9)).tolist()
    if middle > 0 and low >= (1 - SPREAD) * middle and high <= (1 + SPREAD) * middle:
        return float(length_ns[np.abs(length_ns - middle) <= SPREAD * middle].mean())
    return blurred_beat(length_ns)


SAME = 0.1
"""Times are alike within this share of the cycle (our choice: jitter of a healthy bus stays inside it)."""
UNEVEN = 0.6
"""Two beats can be told from one of half the cycle when the shorter of their distances is below this share of the
longer (our choice: waiting for the bus makes every other interval of one beat up to a third longer)."""
FEWEST_TURNS = 20
"""So many times in a row short and long must take turns: events in between do not do so by chance (our choice)."""
DECLARED = 0.2
"""A cycle is the declared one within this share of it."""
FEWEST_OF_TWO = 100
"""Frames in which two counters must be seen: a value that falls steadily looks like them for a while (our choice)."""
MOST_OF_TWO = 4000
"""Frames that are looked at for that, from the middle of longer runs."""
FEWEST_CHANGE = 0.01
"""So much of the cycle must the distance of two beats change between the halves of a recording to be a drift (our
choice; two clocks 100 millionths apart do so in 200 cycles)."""
SURE_ERRORS = 6.0
"""Two clocks drift apart when the slope of their distance is so many standard errors from none."""


def two_senders_of(
    trace: Trace, streams: Streams, found: Intervals, number: int, *, declared_s: float | None, may_differ: bool
) -> TwoSenders | None:
    """Look for a second sender of one stream.

    Two beats of different cycle that explain all frames are those of two senders, as are two beats that a bit of the
    payload splits the frames into. Two beats of the same cycle make
    short and long intervals take turns for a long time. That alone may be one sender that sends in pairs; a second
    sender is told by a declared cycle that both together break, by two counters, or by two clocks that drift apart.
    Two beats of which one is a whole multiple of the other tell of one only where the declared cycle is one of them.

    Parameters
    ----------
    declared_s
        Declared cycle time [s]; None where there is none.
    may_differ
        Whether two beats of different cycle may be two senders': not where nearly all intervals are alike, nor where
        the message has pages that one sender may send at different rates.

    Returns
    -------
    TwoSenders or None
        None where one sender explains the frames, or nothing tells.
    """
    length_ns = found.length_ns[found.of(number)]
    if streams.is_remote[number] or len(length_ns) < FEWEST_TURNS:
        return None
    whole = streams.rows[found.place[found.of(number)]]
    combs = two_combs(np.sort(trace.time_ns[whole])) if may_differ else None
    families = two_families(trace, whole) if may_differ else None
    turns = None if combs or families else longest_turns(length_ns)
    part = turns or slice(0, len(length_ns))
    rows = whole[part]
    two_count = has_two_counters(trace, rows)
    beats_ns = families or (min(each.cycle_ns for each in combs) if combs else _of_both(length_ns[part]),)
    is_declared = _is_declared(beats_ns[:1], declared_s)
    is_sure = bool(combs or families or turns or two_count)
    extra_ns = None if is_sure or not (may_differ and declared_s) else _beside_declared(trace, whole, declared_s)
    cycle_ns = (extra_ns or beats_ns)[0]
    found_clues: dict[Clue, bool] = {
        "beats": combs is not None,
        "payloads": families is not None,
        "rate": turns is not None and is_declared,
        "clocks": _drift(length_ns[part], has_turns=turns is not None, known=bool(declared_s), is_declared=is_declared),
        "extra": extra_ns is not None,
        "counters": two_count,
    }
    clues = tuple(clue for clue, is_found in found_clues.items() if is_found)
    if not clues:
        return None
    seen = places_at(trace, rows)
    return TwoSenders(
        clues=clues,
        from_s=float(seen.time_s[0]),
        to_s=float(seen.time_s[-1]),
        cycle_s=cycle_ns / NANOSECONDS_PER_SECOND,
        seen=seen,
    )


def _of_both(length_ns: Ints) -> float:
    """Return the cycle of two beats that take turns [ns], by the middle of longer runs."""
    length_ns = length_ns[max(0, (len(length_ns) - MOST_OF_TWO) // 2) :][:MOST_OF_TWO]
    return float(np.median(length_ns[1:] + length_ns[:-1]))


def _is_declared(cycles_ns: tuple[float, ...], declared_s: float | None) -> bool:
    """Tell whether one of some cycles [ns] is the declared one [s]."""
    declared_ns = (declared_s or 0.0) * NANOSECONDS_PER_SECOND
    return any(abs(each - declared_ns) <= DECLARED * declared_ns for each in cycles_ns)


def _beside_declared(trace: Trace, whole: Rows, declared_s: float) -> tuple[float, ...] | None:
    """Look for two beats, one a whole multiple of the other, of which one has the declared cycle; return them [ns]."""
    combs = two_combs(np.sort(trace.time_ns[whole]), may_be_whole=True)
    found = tuple(sorted(each.cycle_ns for each in combs)) if combs else two_families(trace, whole, may_be_whole=True)
    return found if found and _is_declared(found, declared_s) else None


def _drift(length_ns: Ints, *, has_turns: bool, known: bool, is_declared: bool) -> bool:
    """Tell whether two beats drift apart; where they hardly differ from one, only against a declared cycle."""
    if has_turns:
        return (is_declared or not known) and drifts_apart(length_ns)
    return known and is_declared and drift_in_turn(length_ns)


def longest_turns(length_ns: Ints) -> slice | None:
    """Find the longest run in which a short and a long interval take turns and add up to the same; None if too short.

    Parameters
    ----------
    length_ns
        int64 (k,): intervals of one identifier in file order [ns].
    """
    if len(length_ns) < FEWEST_TURNS:
        return None
    usual_ns = float(np.median(length_ns[:: 1 + len(length_ns) // MOST_OF_TWO]))
    short_ns, long_ns = int(math.sqrt(UNEVEN) * usual_ns) + 1, int(usual_ns / math.sqrt(UNEVEN))
    odd = np.flatnonzero((length_ns < short_ns) | (length_ns > long_ns))
    least = FEWEST_TURNS // 2  # of two neighbours that are uneven one at least is so far from what is usual
    if len(odd) < least or (odd[least - 1 :] - odd[: len(odd) - least + 1]).min() > FEWEST_TURNS:
        return None
    uneven = np.minimum(length_ns[2:], length_ns[1:-1]) < UNEVEN * np.maximum(length_ns[2:], length_ns[1:-1])
    if np.count_nonzero(uneven) < FEWEST_TURNS:
        return None
    pair = length_ns[1:] + length_ns[:-1]
    alike = np.abs(pair[1:] - pair[:-1]) <= SAME * pair[1:]
    turn = uneven & alike & (np.abs(length_ns[2:] - length_ns[:-2]) <= SAME * pair[1:])
    borders = np.flatnonzero(np.diff(np.concatenate(([False], turn, [False])).astype(np.int8)))
    first, last = borders[::2], borders[1::2]
    if not len(first):
        return None
    best = int(np.argmax(last - first))
    if last[best] - first[best] < FEWEST_TURNS:
        return None
    return slice(int(first[best]), int(last[best]) + 2)


def drifts_apart(length_ns: Ints) -> bool:
    """Tell whether the distance of two beats changes steadily, as that of two clocks does."""
    distance: Floats = length_ns[::2].astype(np.float64)
    number = np.arange(len(distance)) - (len(distance) - 1) / 2
    weight = float((number**2).sum())
    slope = float((number * distance).sum()) / weight
    rest = distance - distance.mean() - slope * number
    error = float(np.sqrt((rest**2).sum() / max(len(distance) - 2, 1) / weight))
    return abs(slope) > SURE_ERRORS * error


def drift_in_turn(length_ns: Ints) -> bool:
    """Tell whether every other interval grows as steadily as those between shrink, as with two clocks that take turns.

    A sender that changes its pace changes all its intervals alike.
    """
    if len(length_ns) < FEWEST_OF_TWO:
        return False
    even, odd = length_ns[:-1:2], length_ns[1::2]
    change_ns = float(np.median(even[len(even) // 2 :]) - np.median(even[: len(even) // 2]))
    if abs(change_ns) < FEWEST_CHANGE * _of_both(length_ns):
        return False
    opposite = change_ns * float(np.median(odd[len(odd) // 2 :]) - np.median(odd[: len(odd) // 2])) < 0
    return opposite and drifts_apart(length_ns) and drifts_apart(length_ns[1:])


def has_two_counters(trace: Trace, rows: Rows) -> bool:
    """Tell whether every other frame counts by one while neighbours do not, as with two counters that take turns.

    Counters that are equal, or one apart, could be those of one sender that sends each frame twice, and a field that
    counts every other frame may be the upper bits of one counter: where any field does so, nothing is claimed.
    """
    if len(rows) < FEWEST_OF_TWO:
        return False
    rows = rows[max(0, (len(rows) - MOST_OF_TWO) // 2) :][:MOST_OF_TWO]
    sample = trace.payload.first8[rows[: SAMPLE + 2]]
    changing = _share(sample[2:] ^ sample[:-2]) >= CHANGING_SHARE
    value = trace.payload.first8[rows].astype(np.int16)
    fields = [
        field
        for bit in np.flatnonzero(changing).tolist()
        for field in counting_fields(value[:-2, bit // 8], value[2:, bit // 8], bit)
    ]
    return bool(fields) and not any(_counts_every_other(trace, rows, field) for field in fields)


def _counts_every_other(trace: Trace, rows: Rows, field: Field) -> bool:
    """Tell whether a field stands still and goes up by one in turn."""
    byte, shift = divmod(field.start_bit, 8)
    value = trace.payload.first8[rows, byte].astype(np.int64) >> shift & ((1 << field.length) - 1)
    step = np.diff(value) % (field.highest - field.lowest + 1)
    return bool(((step == 0) | (step == 1)).mean() > 1 - CHANGING_SHARE)


def _share(flipped: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> Floats:
    """Return how often each of the 64 bits is set, as shares."""
    bits: Bools = np.unpackbits(flipped, axis=1, bitorder="little").astype(np.bool_)
    return np.asarray(bits.mean(axis=0), np.float64)
