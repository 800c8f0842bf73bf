"""Dropping: counters, checksums, clocks and toggles, fields that change all the time by themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.discovering.changes import Changes
    from canlens.trace import Bytes, Ints

SAMPLE = 1500
"""Frames with a change that are looked at."""
FEWEST = 24
"""Fewer changes tell nothing (our choice)."""
REGULAR = 0.95
EVERY_FRAME = 0.8
"""What changes in so many of the frames goes with the frame, not with time."""
LEAST_FLIPS, MOST_FLIPS = 0.3, 0.7
"""Share of the changes in which each bit of a checksum flips: a half, and what chance adds."""


class Span(NamedTuple):
    """Bits of a stream."""

    stream: int
    start_bit: int
    length: int


@dataclass(frozen=True)
class Found:
    """The fields of one or all streams that do the bus's own work."""

    counters: tuple[Span, ...] = ()
    checksums: tuple[Span, ...] = ()
    clocks: tuple[Span, ...] = ()
    toggles: tuple[Span, ...] = ()

    def __add__(self, other: Found) -> Found:
        return Found(
            self.counters + other.counters,
            self.checksums + other.checksums,
            self.clocks + other.clocks,
            self.toggles + other.toggles,
        )


def own_work(changes: Changes) -> Found:
    """Find the fields of a stream that change all the time by themselves.

    A counter goes up by one with nearly every frame; a clock goes up by one now and then; a toggle changes with every
    frame; of a checksum each bit flips with half of the changes, and the same payload always has the same checksum.
    """
    if len(changes.row) <= FEWEST:
        return Found()
    part = changes.payload[:SAMPLE]
    flipped = np.unpackbits(part[1:] ^ part[:-1], axis=1, bitorder="little")
    share = flipped.mean(axis=0)
    often = len(changes.row) / changes.frames >= EVERY_FRAME
    counting = list(_counting(part, flipped, changes.stream))
    taken = {bit for span in counting for bit in range(span.start_bit, span.start_bit + span.length)}
    always = [span for span in counting if often and share[span.start_bit] >= REGULAR]
    toggles = [
        Span(changes.stream, bit, 1) for bit in np.flatnonzero(share >= REGULAR).tolist() if often and bit not in taken
    ]
    checksums = [
        Span(changes.stream, 8 * byte, 8)
        for byte in range(part.shape[1])
        if not taken & set(range(8 * byte, 8 * byte + 8)) and _is_checksum(part, share, byte)
    ]
    clocks = [span for span in counting if span not in always]
    return Found(tuple(always), tuple(checksums), tuple(clocks), tuple(toggles))


def _counting(part: Bytes, flipped: Bytes, stream: int) -> Iterator[Span]:
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
            yield Span(stream, bit, length)
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
