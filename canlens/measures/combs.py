"""Combs: frames of one identifier taken apart into two beats of different cycle."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

FEWEST_FRAMES = 60
MOST_FRAMES = 2000
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
    first = max(0, (len(time_ns) - MOST_FRAMES) // 2)
    part_ns = (time_ns[first : first + MOST_FRAMES] - time_ns[first]).astype(np.float64)
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
