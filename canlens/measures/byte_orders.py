"""Signals that move smoothly only when their bytes are read in the other order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.definition_evidence import SwappedBytes
from canlens.measures.declared_values import MOST_PLACES, places_of

if TYPE_CHECKING:
    from canlens.signals import Signal
    from canlens.trace import Ints, Trace

LENGTHS = (16, 24, 32)
"""Signals of whole bytes can be read in the other order over the same bytes [bits]."""
MOST_FRAMES = 20_000
"""Frames looked at; more tell no more."""
LEAST_MOVES = 30
"""Changes from which a habit can be told (our choice)."""
LEAST_RATIO = 8.0
"""How much longer the way of the declared order must be (our choice; random bytes give 1, exchanged ones tens to
hundreds)."""
STEP = 256
NEARLY = 8
"""A change within this of a multiple of 256 looks like a byte that counts in the wrong place (our choice)."""


def swapped_bytes(trace: Trace, signal: Signal, moved: int) -> SwappedBytes | None:
    """Tell whether a signal looks as if its byte order were wrong.

    Parameters
    ----------
    trace
        The recording.
    signal
        Decoded.
    moved
        Bits of the message that moved, as a mask.

    Returns
    -------
    SwappedBytes or None
        None where the declared order is the smoother one, or where too little moved to tell.
    """
    own = signal.definition
    first = own.first_bit
    if own.length not in LENGTHS or own.is_float or first % 8:
        return None
    count = own.length // 8
    if any(not moved >> (first + 8 * byte) & 0xFF for byte in range(count)):
        return None
    declared = signal.raw[:MOST_FRAMES].astype(np.int64) & ((1 << own.length) - 1)
    other = sum(((declared >> 8 * byte & 0xFF) << 8 * (count - 1 - byte) for byte in range(count)), np.int64(0))
    way, other_way = _steps(declared, own.length), _steps(np.asarray(other, np.int64), own.length)
    moves = int(np.count_nonzero(way))
    if moves < LEAST_MOVES:
        return None
    ratio = float(np.abs(way).sum() / max(1, np.abs(other_way).sum()))
    if ratio < LEAST_RATIO:
        return None
    rest = np.abs(way) % STEP
    jumps = np.flatnonzero((np.abs(way) >= STEP - NEARLY) & (np.minimum(rest, STEP - rest) <= NEARLY))
    return SwappedBytes(signal.path, moves, ratio, len(jumps), places_of(trace, signal.rows[jumps[:MOST_PLACES] + 1]))


def _steps(values: Ints, length: int) -> Ints:
    """Return the changes from frame to frame, the shorter way round."""
    half = 1 << (length - 1)
    return (np.diff(values) + half & (1 << length) - 1) - half
