"""Traffic: the good frames of one channel as columns that say who sent what, when, and how long it took."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canlens import wire
from canlens.measures.bit_rate import inferred_bit_rate
from canlens.trace import Kind

if TYPE_CHECKING:
    from canlens.error_evidence import Identity
    from canlens.signals import Floats
    from canlens.trace import Identifiers, Ints, Rows, Trace

EXTENDED_FLAG = 1 << 29
INFERRING_FRAMES = 50_000
"""Frames from which an unknown bit rate is inferred here; more of them would not change the answer."""
USUAL_BITS = 120.0
"""Bits of a frame with eight bytes and its intermission, give or take; only used where the bit rate is unknown."""
SHORTEST_PERCENT = 5.0
"""So many percent of the gaps are taken to be frames without a pause, where the bit rate is unknown."""


@dataclass(frozen=True, eq=False)
class Traffic:
    """Data and remote frames of one channel, in file order.

    Attributes
    ----------
    trace
        All records of the channel.
    row
        intp (n,): rows of the frames in the trace.
    time_s
        float64 (n,): their stamps [s].
    identity
        int64 (n,): index into ``identities``.
    identities
        Identifiers with their format, each once.
    bit_s
        Duration of a nominal bit [s].
    """

    trace: Trace
    row: Rows
    time_s: Floats
    identity: Ints
    identities: tuple[Identity, ...]
    bit_s: float

    def __len__(self) -> int:
        return len(self.row)

    @cached_property
    def frames(self) -> Trace:
        """The frames alone."""
        return self.trace if len(self.row) == len(self.trace) else self.trace.where(self.row)

    @cached_property
    def bits(self) -> Ints:
        """int64 (n,): bits of each frame on the wire, with intermission."""
        return self.frames.exact_bits() + wire.INTERMISSION_BITS

    @cached_property
    def edges(self) -> Ints:
        """int64 (n,): recessive-to-dominant edges of each frame."""
        return wire.falling_edges(self.frames)

    @cached_property
    def rank(self) -> Ints:
        """int64 (k,): order in which the identities win the bus."""
        numbers: Identifiers = np.array([number for number, _ in self.identities], np.uint32)
        return wire.arbitration_rank(numbers, np.array([extended for _, extended in self.identities], np.bool_))

    @cached_property
    def counts(self) -> Ints:
        """int64 (k,): number of frames of each identity."""
        return np.bincount(self.identity, minlength=len(self.identities))

    @property
    def duration_s(self) -> float:
        """Span of the frames [s]."""
        return float(np.ptp(self.time_s)) if len(self) else 0.0

    @property
    def busy_share(self) -> float:
        """Share of the time for which frames hold the bus, about, 0 to 1."""
        return min(float(self.bits.sum()) * self.bit_s / self.duration_s, 1.0) if self.duration_s > 0 else 0.0

    @property
    def frame_s(self) -> float:
        """Duration of a usual frame [s]."""
        return float(np.median(self.bits[:INFERRING_FRAMES])) * self.bit_s if len(self) else USUAL_BITS * self.bit_s


def traffic_of(trace: Trace, *, bit_rate: float | None = None) -> Traffic:
    """Put the frames of one channel into columns.

    Parameters
    ----------
    trace
        All records of one channel.
    bit_rate
        Nominal [bit/s]; None: inferred, or guessed from the shortest gaps where that cannot be.
    """
    row = np.flatnonzero(trace.kind != Kind.ERROR)
    time_s = trace.time_s[row]
    codes = trace.identifier[row].astype(np.int64) | trace.is_extended[row].astype(np.int64) << 29
    numbers, identity = np.unique(codes, return_inverse=True)
    identities = tuple((int(code) & EXTENDED_FLAG - 1, bool(code >> 29)) for code in numbers)
    if bit_rate is None:
        bit_rate = inferred_bit_rate(trace.where(slice(0, INFERRING_FRAMES))).bit_rate
    bit_s = 1 / bit_rate if bit_rate else _guessed_bit_s(time_s)
    return Traffic(trace, row, time_s, identity.astype(np.int64), identities, bit_s)


def _guessed_bit_s(time_s: Floats) -> float:
    """Guess the duration of a bit from the shortest gaps between frames [s]; that of 250 kbit/s without any."""
    gaps_s = np.diff(time_s)
    gaps_s = gaps_s[gaps_s > 0]
    return float(np.percentile(gaps_s, SHORTEST_PERCENT)) / USUAL_BITS if len(gaps_s) else 1 / 250_000
