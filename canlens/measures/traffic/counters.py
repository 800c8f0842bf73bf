"""Counters: bit fields that count the frames of their message, found by themselves, and payload lengths."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.measures.traffic.silences import places_at
from canlens.nouns.messages import Counter, Lengths
from canlens.nouns.tracks import Places

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.traffic.intervals import Intervals
    from canlens.trace import Bools, Ints, Streams, Trace

    Shorts = npt.NDArray[np.int16]


def lengths_of(trace: Trace, streams: Streams) -> list[Lengths]:
    """Count the payload lengths of each stream; those that are not the usual one are named."""
    if not len(streams):
        return []
    length = trace.payload_length[streams.rows]
    least = np.minimum.reduceat(length, streams.start[:-1])
    most = np.maximum.reduceat(length, streams.start[:-1])
    out: list[Lengths] = []
    for number, (low, high) in enumerate(zip(least.tolist(), most.tolist(), strict=True)):
        part = slice(int(streams.start[number]), int(streams.start[number + 1]))
        if low == high:
            out.append(Lengths({low: part.stop - part.start}, Places.none()))
            continue
        values, counts = np.unique(length[part], return_counts=True)
        usual = Lengths(dict(zip(values.tolist(), counts.tolist(), strict=True)), Places.none()).usual
        odd = streams.rows[part][length[part] != usual]
        out.append(Lengths(dict(zip(values.tolist(), counts.tolist(), strict=True)), places_at(trace, odd)))
    return out


FEWEST_PAIRS = 11
"""Fewer pairs of neighbours do not tell a counter from chance (our choice)."""
SAMPLE = 256
"""Pairs of each stream that are looked at to see which bits change with nearly every frame."""
CHANGING_SHARE = 0.75
COUNTING_SHARE = 0.8
"""A field counts when so many of its steps are steps by one. A counter that fails more often cannot be told from a
value that rises (our choice)."""
NARROW = 3
NARROW_SHARE = 0.95
"""Fields of so few bits count by chance more easily, as parts of values that change steadily (our choice)."""
FIRST_LOOK = 2000
"""Pairs of a longer stream that are looked at first."""
HOPELESS = 0.1
"""So much less than needed among those, ten standard errors, and a field does not count."""
FEWEST_VALUES = 4
"""A field of fewer values is a toggle."""
"""Counters are looked for in the first eight bytes."""


@dataclass(frozen=True, eq=False)
class Field:
    """A field that may count: its lowest bit, its bits, its range, and each pair's step, where 1 is right."""

    start_bit: int
    length: int
    lowest: int
    highest: int
    step: Shorts

    @property
    def share(self) -> float:
        """Share of the steps that are right."""
        return float((self.step == 1).mean())


def counters_of(trace: Trace, streams: Streams, found: Intervals) -> list[Counter | None]:
    """Find the counter of each stream.

    Steps across a silence of the bus or a restart of the clock are not looked at: a node that slept counts anew. A
    counter that crosses a border between bytes is seen by its lowest byte.

    Returns
    -------
    list
        For each stream the field that counts best; None where none does.
    """
    candidates = _changing_bits(trace, streams, found)
    out: list[Counter | None] = [None] * len(streams)
    payload = trace.payload.words
    for number, bits in candidates.items():
        rows = streams.rows[streams.start[number] : streams.start[number + 1]]
        later = found.place[found.of(number)] - streams.start[number]
        fields = _fields(payload.take(rows), later, bits)
        best = max(fields, key=lambda each: (round(each.share, 3), each.length), default=None)
        if best is not None:
            out[number] = Counter(
                start_bit=best.start_bit,
                length=best.length,
                lowest=best.lowest,
                highest=best.highest,
                skipped=places_at(trace, rows[later[(best.step != 1) & (best.step != 0)]]),
                repeated=places_at(trace, rows[later[best.step == 0]]),
            )
    return out


def _fields(words: npt.NDArray[np.uint64], later: Ints, bits: list[int]) -> Iterator[Field]:
    """Yield the fields that may be a stream's counter; behind a perfect one none of the same bits, which are shorter.

    Parameters
    ----------
    words
        uint64 (n,): the first eight bytes of each frame, byte 0 the least significant.
    later
        int64 (k,): the second frame of each pair of neighbours.
    bits
        DBC numbers of the bits that change with nearly every frame, ascending.
    """
    for byte, own in groupby(bits, lambda bit: bit // 8):
        value = (words >> np.uint64(8 * byte)).astype(np.uint8).astype(np.int16)
        before, after = value[later - 1], value[later]
        for bit in own:
            for field in counting_fields(before, after, bit):
                yield field
                if round(field.share, 3) == 1:
                    break


def _changing_bits(trace: Trace, streams: Streams, found: Intervals) -> dict[int, list[int]]:
    """Return for each stream the bits that change with nearly every frame, in a sample of its frames."""
    counts = np.where(streams.is_remote | (found.counts < FEWEST_PAIRS), 0, np.minimum(found.counts, SAMPLE))
    chosen = np.flatnonzero(counts)
    if not len(chosen):
        return {}
    first = np.append(0, np.cumsum(counts[chosen]))
    inside = np.arange(first[-1]) - np.repeat(first[:-1], counts[chosen])
    later = found.place[inside + np.repeat(found.start[chosen], counts[chosen])]
    payload = trace.payload.first8
    flipped = payload[streams.rows[later]] ^ payload[streams.rows[later - 1]]
    bits = np.unpackbits(flipped, axis=1, bitorder="little")
    share = np.add.reduceat(bits, first[:-1], axis=0, dtype=np.int64) / counts[chosen, np.newaxis]
    streams_found, bits_found = np.nonzero(share >= CHANGING_SHARE)
    out: dict[int, list[int]] = {}
    for stream, bit in zip(chosen[streams_found].tolist(), bits_found.tolist(), strict=True):
        out.setdefault(stream, []).append(bit)
    return out


def counting_fields(before: Shorts, after: Shorts, bit: int) -> Iterator[Field]:
    """Yield the fields that begin at a bit and count from the earlier to the later frames.

    Parameters
    ----------
    before, after
        int16 (n,): the byte that holds the bit, in the frames of each pair.
    bit
        DBC number of the lowest bit; the field stays inside its byte.
    """
    before, after = before >> bit % 8, after >> bit % 8
    every = slice(None, None, 1 + len(before) // FIRST_LOOK)
    changed = int(np.bitwise_or.reduce(before ^ after, initial=0))
    for length in range(changed.bit_length(), 1, -1):
        mask = (1 << length) - 1
        least = NARROW_SHARE if length <= NARROW else COUNTING_SHARE
        looked_at = _steps(bit, length, before[every] & mask, after[every] & mask)
        if max(each.share for each in looked_at) < least - HOPELESS:
            continue
        field = max(_steps(bit, length, before & mask, after & mask), key=lambda each: each.share)
        if field.share >= least and field.highest - field.lowest + 1 >= FEWEST_VALUES:
            yield field


def _steps(bit: int, length: int, before: Shorts, after: Shorts) -> tuple[Field, Field]:
    """Return a field as one that uses its whole range, and as one that begins anew at the greatest value seen."""
    lowest, highest = int(min(before.min(), after.min())), int(max(before.max(), after.max()))
    whole = (after - before) & ((1 << length) - 1)
    seen = np.where(before == highest, after - lowest + 1, after - before)
    seen = np.where(_stood(before, after), 0, np.where(seen < 0, seen + highest - lowest + 1, seen))
    return (Field(bit, length, 0, (1 << length) - 1, whole), Field(bit, length, lowest, highest, seen))


def _stood(before: Shorts, after: Shorts) -> Bools:
    same: Bools = before == after
    return same
