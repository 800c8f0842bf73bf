"""Values that a signal's definition does not know, and signals that move smoothly only in the other byte order."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.nouns.definitions import OddValue, SwappedBytes
from canlens.nouns.tracks import Places
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.database import Message, SignalDefinition
    from canlens.signals import Raw, Signal
    from canlens.trace import Bools, Ints, Rows, Trace


MOST_PLACES = 20
"""Frames named as evidence."""
HALF_A_STEP = 0.5
"""How far, in raw steps, a declared limit may lie from the value that it names: it was rounded."""
WORD = 64
LEAST_LISTED = 0.5
"""A table that names at least this share of what its bits can hold means to name all (our choice)."""
ERROR_BYTE = 0xFE
"""Top byte of a value that means an error; the one above it means not available. Regulation (EU) 2016/799, Annex I C,
Appendix 8, Table 38, prints these ranges for one, two and four bytes; FB to FD are specific or reserved."""
RANGED_LENGTHS = (8, 16, 32)

OddKind = Literal["range", "table", "error", "not-available"]


def odd_values(trace: Trace, message: Message, signal: Signal, accepted: Sequence[int]) -> Iterator[OddValue]:
    """Find values of one signal that its definition does not know.

    Parameters
    ----------
    trace
        The recording.
    message, signal
        The message, and one of its signals, decoded.
    accepted
        Raw values that the plan knows to say nothing.
    """
    own = signal.definition
    if own.length > WORD or not len(signal.rows) or not _can_be_odd(message, own):
        return
    raw = signal.raw
    outside = _outside(own, raw)
    if outside is not None and accepted:
        outside &= ~np.isin(raw, np.array(accepted))
    if _has_special_ranges(message, own):
        yield from _special(trace, signal, raw, outside)
        top = raw.astype(np.int64) >> (own.length - 8)
        outside = outside & (top < ERROR_BYTE) if outside is not None else None
    if outside is not None and outside.any():
        yield _found(trace, signal, "range", outside)
    if _names_all(own):
        known = np.array([*own.table, *accepted])
        least, greatest = int(raw.min()), int(raw.max())
        if least not in own.table or greatest not in own.table or greatest - least >= len(own.table):
            unnamed = ~np.isin(raw, known)
            if unnamed.any():
                yield _found(trace, signal, "table", unnamed)


def _can_be_odd(message: Message, own: SignalDefinition) -> bool:
    """Tell whether the bits can hold a value that the definition does not know."""
    return _has_limits(own) or _names_all(own) or _has_special_ranges(message, own)


def _has_limits(own: SignalDefinition) -> bool:
    if own.minimum is None or own.maximum is None or not own.minimum < own.maximum or not own.scale:
        return False
    return own.is_float or _limits(own) != _held(own)


def _held(own: SignalDefinition) -> tuple[int, int]:
    """Return the least and the greatest raw value that the bits can hold."""
    if own.is_signed:
        return -(1 << own.length - 1), (1 << own.length - 1) - 1
    return 0, (1 << own.length) - 1


def _limits(own: SignalDefinition) -> tuple[int, int]:
    """Return the declared range in raw values, not wider than what the bits can hold."""
    least, greatest = _held(own)
    ends = sorted((float(end or 0) - own.offset) / own.scale for end in (own.minimum, own.maximum))
    low = min(max(ends[0], least), greatest + 1)
    high = max(min(ends[1], greatest), least - 1)
    return math.ceil(low - HALF_A_STEP), math.floor(high + HALF_A_STEP)


def _outside(own: SignalDefinition, raw: Raw) -> Bools | None:
    """Return bool (k,): which values lie outside the declared range; None if none does."""
    if not _has_limits(own):
        return None
    if own.is_float and own.minimum is not None and own.maximum is not None:
        with np.errstate(invalid="ignore"):
            value = np.asarray(raw, np.float64) * own.scale + own.offset
            odd = (value < own.minimum) | (value > own.maximum) | np.isnan(value)
        return odd if odd.any() else None
    low, high = _limits(own)
    if low <= int(raw.min()) and int(raw.max()) <= high:
        return None
    least, greatest = _held(own)
    odd = np.zeros(len(raw), bool)
    if low > least:
        odd |= raw < low
    if high < greatest:
        odd |= raw > high
    return odd


def _names_all(own: SignalDefinition) -> bool:
    """Tell whether a value table means to name every value: without a gap, or at least half of what the bits hold."""
    named = sorted(own.table)
    if len(named) < 2 or own.is_float:  # noqa: PLR2004 – one text names a special value
        return False
    return named[-1] - named[0] == len(named) - 1 or len(named) >= LEAST_LISTED * (1 << min(own.length, WORD))


def _has_special_ranges(message: Message, own: SignalDefinition) -> bool:
    """Tell whether J1939's ranges may hold for a signal: 29 bits, whole bytes, not signed, least byte first."""
    return (
        message.is_extended
        and own.length in RANGED_LENGTHS
        and own.byte_order == "intel"
        and own.start_bit % 8 == 0
        and not (own.is_signed or own.is_float)
        and not own.table
    )


def _special(trace: Trace, signal: Signal, raw: Raw, outside: Bools | None) -> Iterator[OddValue]:
    """Find error and not available: outside the declared range; where none is declared, in every frame."""
    own = signal.definition
    shift = own.length - 8
    if int(raw.max()) >> shift < ERROR_BYTE:
        return
    top = raw.astype(np.int64) >> shift
    for kind, byte in (("error", ERROR_BYTE), ("not-available", ERROR_BYTE + 1)):
        odd = top == byte
        is_declared = own.minimum is not None and own.maximum is not None and own.minimum < own.maximum
        if is_declared:
            odd = odd & outside if outside is not None else np.zeros(len(raw), bool)
        if odd.all() if not is_declared else odd.any():
            yield _found(trace, signal, "error" if kind == "error" else "not-available", odd)


def _found(trace: Trace, signal: Signal, kind: OddKind, odd: Bools) -> OddValue:
    own = signal.definition
    values = signal.raw[odd].astype(np.float64) * own.scale + own.offset
    return OddValue(
        path=signal.path,
        unit=own.unit,
        kind=kind,
        count=int(odd.sum()),
        frames=len(odd),
        least=float(values.min()),
        greatest=float(values.max()),
        declared=_declared(own, kind),
        places=places_of(trace, signal.rows[np.flatnonzero(odd)[:MOST_PLACES]]),
    )


def _declared(own: SignalDefinition, kind: OddKind) -> str:
    if kind == "table":
        return ", ".join(f"{raw} {text}" for raw, text in sorted(own.table.items())[:4])
    return f"{own.minimum:g} to {own.maximum:g}" if own.minimum is not None and own.maximum is not None else ""


def places_of(trace: Trace, rows: Rows) -> Places:
    """Return lines and times of some rows."""
    return Places(trace.line[rows], (trace.time_ns[rows] - trace.start_ns) / NANOSECONDS_PER_SECOND)


# Signals that move smoothly only when their bytes are read in the other order.


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
