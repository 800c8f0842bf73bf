"""Senders: frames of one identifier that come as from two."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.combs import two_combs
from canlens.measures.counters import CHANGING_SHARE, SAMPLE, counting_fields
from canlens.measures.families import two_families
from canlens.measures.sleep import places_at
from canlens.message_evidence import TwoSenders
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.counters import Field
    from canlens.measures.intervals import Intervals
    from canlens.message_evidence import Clue
    from canlens.signals import Floats
    from canlens.streams import Streams
    from canlens.trace import Bools, Ints, Rows, Trace

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
    trace, streams, found
        The recording, its frames put together, their intervals.
    number
        Which stream.
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
