"""Beats: which messages are sent in a rhythm, and how long their cycle really is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    from canlens.message_evidence import Kind
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

    At = Callable[[float], Floats]

TOO_FEW, EVENT_DRIVEN, MIXED, CYCLIC = range(4)
KINDS: tuple[Kind, ...] = ("too-few", "event-driven", "mixed", "cyclic")

FEWEST_INTERVALS = 10
"""Fewer intervals do not tell a beat from chance (our choice)."""
SPREAD = 0.25
"""On a beat alone: the middle 80 % of the intervals stay within this share of the median (our choice: frames that wait
for the bus stay well inside it; people and events do not keep time that well)."""
PILE = 0.05
"""On a beat and besides: a quarter or 15 % of all intervals lie within this share of each other, hardly any above."""
FEW_LONGER = 0.95
MANY = 16
FEWEST_TIMES_MANY = 5
ALIKE = 0.08
"""The times that so many intervals take, from the first tenth to the last, lie within this share of the middle one (our
choice: of events they spread by a half)."""


NEAR_BEAT = {CYCLIC: 0.5, MIXED: PILE}
"""How far an interval may be off the beat and still tell of it, by kind: where frames come between the beats, other
intervals are parts of one."""


def kind_of(at: At, count: Ints) -> npt.NDArray[np.int8]:
    """Tell how each of g streams is sent.

    Parameters
    ----------
    at
        Gives for a share the interval that so many of each stream's do not pass [ns], float64 (g,).
    count
        int64 (g,): intervals of each.

    Returns
    -------
    int8 (g,)
        :data:`CYCLIC` where nearly all intervals are alike; :data:`MIXED` where intervals pile up at one length,
        shorter ones occur and longer ones hardly; :data:`EVENT_DRIVEN` where neither holds.
    """
    median = at(0.5)
    cyclic = (median > 0) & (at(0.1) >= (1 - SPREAD) * median) & (at(0.9) <= (1 + SPREAD) * median)
    mixed = _pile_is_upper(at) | _pile_is_wide(at)
    kind = np.where(cyclic, CYCLIC, np.where(mixed, MIXED, EVENT_DRIVEN))
    return np.where(count < FEWEST_INTERVALS, TOO_FEW, kind).astype(np.int8)


def _pile_is_wide(at: At) -> Bools:
    """Tell where at least a quarter of the intervals, up to the third quarter, are alike and few are longer."""
    pile = at(0.75)
    return (pile > 0) & (at(0.5) >= (1 - PILE) * pile) & (at(FEW_LONGER) <= (1 + SPREAD) * pile)


def _pile_is_upper(at: At) -> Bools:
    """Tell where the intervals from the third quarter to nine tenths are alike and few are longer."""
    pile = at(0.9)
    return (pile > 0) & (at(0.75) >= (1 - PILE) * pile) & (at(FEW_LONGER) <= (1 + SPREAD) * pile)


def blurred_beat(length_ns: Ints) -> float:
    """Return the beat of frames that jitter much but keep their schedule [ns]; 0 where they keep none.

    The times that :data:`MANY` intervals take together are then alike, since lateness does not add up; for events
    they are not.

    Parameters
    ----------
    length_ns
        int64 (k,): intervals of one identifier in file order [ns].
    """
    if len(length_ns) < FEWEST_TIMES_MANY * MANY:
        return 0.0
    total = np.append(0, np.cumsum(length_ns))
    low, middle, high = np.quantile(total[MANY:] - total[:-MANY], (0.1, 0.5, 0.9)) / MANY
    return float(middle) if high - low <= ALIKE * middle else 0.0


def beat_of(at: At, kind: npt.NDArray[np.int8]) -> Floats:
    """Return the length at which the intervals pile up [ns], float64 (g,): the median, or the third quarter."""
    return np.where(kind == CYCLIC, at(0.5), np.where(_pile_is_wide(at), at(0.75), at(0.9)))


def fitted_cycles(length_ns: Ints, start: Ints, beat_ns: Floats, near: Floats) -> Floats:
    """Fit the cycle of each stream: the slope of time over number, by least squares.

    Frames are taken in runs of intervals that are near the beat, each run with an origin of its own,
    so that neither gaps nor frames in between bend the slope. The mean of the intervals would be less sure: it rests
    on the first and the last frame alone.

    Parameters
    ----------
    length_ns
        int64 (k,): intervals, stream by stream, in order [ns].
    start
        int64 (g + 1,): where each stream's begin.
    beat_ns
        float64 (g,): about how long the cycle is [ns]; 0 where there is none.
    near
        float64 (g,): how far an interval may be off the beat, as a share of it.

    Returns
    -------
    float64 (g,)
        Cycle [ns]; nan where there is no beat.
    """
    cycle_ns = np.where(beat_ns > 0, beat_ns, np.nan)
    if not len(length_ns):
        return cycle_ns
    beat = np.repeat(beat_ns, np.diff(start))
    over_ns = length_ns - beat
    on_beat = (np.abs(over_ns) <= np.repeat(near * beat_ns, np.diff(start))) & (beat > 0)
    is_first = on_beat.copy()
    is_first[1:] &= ~on_beat[:-1]
    is_first[start[:-1][np.diff(start) > 0]] |= on_beat[start[:-1][np.diff(start) > 0]]
    first = np.flatnonzero(is_first)
    if not len(first):
        return cycle_ns
    moment, weight = _moments(np.where(on_beat, over_ns, 0.0), on_beat, first)
    stream = np.searchsorted(start, first, "right") - 1
    total = np.bincount(stream, weight, minlength=len(beat_ns))
    slope = np.bincount(stream, moment, minlength=len(beat_ns))
    return cycle_ns + np.divide(slope, total, out=np.zeros(len(total)), where=total > 0)


def _moments(over_ns: Floats, on_beat: Bools, first: Ints) -> tuple[Floats, Floats]:
    """Return for each run of frames the sums of (number x excess time) and (number squared), both from their means.

    Frame 0 of a run has number 0; frame j lies off the beat by what its j intervals were longer than one, all together.
    """
    origin = int(first[0])
    first = first - origin
    on_beat, over_ns = on_beat[origin:], over_ns[origin:]
    span = np.diff(np.append(first, len(over_ns)))
    excess = np.cumsum(over_ns)
    excess -= np.repeat(excess[first] - over_ns[first], span)
    excess *= on_beat
    number = np.arange(1, len(over_ns) + 1) - np.repeat(first, span)
    frames = np.add.reduceat(on_beat, first, dtype=np.int64)
    product = np.add.reduceat(number * excess, first) - frames / 2 * np.add.reduceat(excess, first)
    return product, frames * (frames + 1) * (frames + 2) / 12
