"""Blocks: the time of a recording in pieces of five seconds, by channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.baseline import BLOCK_S, CHANGING, STATES
from canlens.plan.rule import OFF, ON
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.measures.sleep import Awake
    from canlens.signals import Floats
    from canlens.steps import Track
    from canlens.trace import Ints, Trace

BLOCK_NS = int(BLOCK_S * NANOSECONDS_PER_SECOND)


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks of all channels of a recording, k in all; those without frames are left out.

    Attributes
    ----------
    number
        int64 (n,): block of each row; its channel's blocks follow each other.
    start
        int64 (c + 1,): where the blocks of each channel begin, and their end.
    start_s
        float64 (k,): since the recording's first frame [s].
    awake_s
        float64 (k,): how long the channel was awake in it [s].
    """

    number: Ints
    start: Ints
    start_s: Floats
    awake_s: Floats

    def __len__(self) -> int:
        return len(self.start_s)

    def of(self, channel: int) -> slice:
        """Return the blocks of a channel."""
        return slice(int(self.start[channel]), int(self.start[channel + 1]))


def blocks_of(trace: Trace, awake: Awake) -> Blocks:
    """Cut the time of a recording into blocks, each channel's anew where the clock restarts.

    Parameters
    ----------
    trace, awake
        The recording, and when its channels were silent.
    """
    since_ns = trace.time_ns - _segment_starts(trace)
    place = since_ns // BLOCK_NS
    key = np.stack([trace.channel.astype(np.int64), trace.segment.astype(np.int64), place], axis=1)
    packed, number = _ranked(key)
    channels = packed[:, 0]
    start = np.searchsorted(channels, np.arange(len(trace.channels) + 1))
    first_ns = np.full(len(packed), np.iinfo(np.int64).max)
    np.minimum.at(first_ns, number, trace.time_ns - since_ns % BLOCK_NS)
    return Blocks(
        number=number,
        start=start,
        start_s=(first_ns - trace.start_ns) / NANOSECONDS_PER_SECOND,
        awake_s=_awake_s(trace, awake, number, first_ns, channels),
    )


def _segment_starts(trace: Trace) -> Ints:
    """Return for each row the earliest stamp of its stretch between two restarts of the clock, int64 (n,)."""
    if not len(trace):
        return np.zeros(0, np.int64)
    border = np.append(0, np.flatnonzero(np.diff(trace.segment)) + 1)
    earliest = np.minimum.reduceat(trace.time_ns, border)
    return np.repeat(earliest, np.diff(np.append(border, len(trace))))


def _ranked(key: Ints) -> tuple[Ints, Ints]:
    """Return the different rows of a key in order, and the rank of each row among them."""
    if not len(key):
        return key, np.zeros(0, np.int64)
    changes = np.append(True, (key[1:] != key[:-1]).any(axis=1))
    runs = key[changes]  # neighbouring rows mostly share a block, so that few keys need sorting
    known, rank = np.unique(runs, axis=0, return_inverse=True)
    return known, rank.reshape(-1)[np.cumsum(changes) - 1].astype(np.int64)


def _awake_s(trace: Trace, awake: Awake, number: Ints, first_ns: Ints, channels: Ints) -> Floats:
    """Return how long each block's channel was awake in it [s]: from its first to its last moment, less silences."""
    count = len(first_ns)
    begin_ns, end_ns = first_ns.copy(), first_ns + BLOCK_NS
    heard = trace.kind != Kind.ERROR
    low_ns = np.full(count, np.iinfo(np.int64).max)
    high_ns = np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(low_ns, number[heard], trace.time_ns[heard])
    np.maximum.at(high_ns, number[heard], trace.time_ns[heard])
    known = low_ns <= high_ns
    is_first = np.append(True, np.diff(channels) != 0)[:count]
    is_first[1:] |= first_ns[1:] != first_ns[:-1] + BLOCK_NS
    is_last = np.append(is_first[1:], True)[:count]
    begin_ns[is_first & known] = low_ns[is_first & known]
    end_ns[is_last & known] = high_ns[is_last & known]
    out = np.where(known, (end_ns - begin_ns) / NANOSECONDS_PER_SECOND, 0.0)
    for before, after in zip(awake.before.tolist(), awake.after.tolist(), strict=True):
        from_ns, to_ns = int(trace.time_ns[before]), int(trace.time_ns[after])
        first, last = int(number[before]), int(number[after])
        if first == last:
            out[first] -= (to_ns - from_ns) / NANOSECONDS_PER_SECOND
        else:
            out[first] -= max(0, int(end_ns[first]) - from_ns) / NANOSECONDS_PER_SECOND
            out[last] -= max(0, to_ns - int(begin_ns[last])) / NANOSECONDS_PER_SECOND
    return np.maximum(out, 0.0)


def control_signs(blocks: Blocks, channel: int, track: Track | None) -> str:
    """Return one sign for each block of a channel: on, off, or changing; empty without a control."""
    if track is None or not len(track.time_s):
        return ""
    start_s = blocks.start_s[blocks.of(channel)]
    stop_s = start_s + BLOCK_S
    starts = track.at(np.maximum(start_s, track.time_s[0]))
    steps = np.searchsorted(track.time_s, stop_s, "left") - np.searchsorted(
        track.time_s, np.maximum(start_s, track.time_s[0]), "right"
    )
    signs = {ON: STATES["on"], OFF: STATES["off"]}
    pairs = zip(starts.tolist(), steps.tolist(), strict=True)
    return "".join(CHANGING if changed > 0 else signs.get(state, CHANGING) for state, changed in pairs)
