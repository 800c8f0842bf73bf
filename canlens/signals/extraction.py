"""Raw values: the bits of a signal, cut out of payload words for all frames at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.signals.payloads import WORD_BYTES

if TYPE_CHECKING:
    from canlens.database import SignalDefinition
    from canlens.signals.nouns import Raw
    from canlens.signals.payloads import Payloads, Words
    from canlens.trace import Rows

Pattern = npt.NDArray[np.unsignedinteger]

WORD_BITS = 64
FLOATS: dict[int, tuple[type[np.unsignedinteger], type[np.floating]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}
"""Length [bits] of a float -> the integer that holds its bits, and its type (IEEE 754 binary16, 32, 64)."""


def raw_type(signal: SignalDefinition) -> npt.DTypeLike:
    """Return the type of a signal's raw values."""
    if signal.is_float:
        return np.float64
    if signal.length > WORD_BITS:
        return np.object_
    return np.uint64 if signal.length == WORD_BITS and not signal.is_signed else np.int64


def read_raw(payloads: Payloads, signal: SignalDefinition, at: Rows | None) -> Raw:
    """Read the raw values of a signal.

    Parameters
    ----------
    payloads
        The payloads of its message's frames.
    signal
        Its layout.
    at
        intp (k,): the frames to read, all of which are long enough; None for all.

    Returns
    -------
    (k,)
        int64, uint64, float64 or Python integers, see :class:`canlens.signals.Signal`.
    """
    count = len(payloads) if at is None else len(at)
    if count == 0:
        return np.zeros(0, raw_type(signal))
    if signal.length > WORD_BITS:
        return _read_big(payloads, signal, at)
    top = _aligned_to_top(payloads, signal, at)
    unused = WORD_BITS - signal.length
    if signal.is_float:
        bits, kind = FLOATS[signal.length]
        with np.errstate(invalid="ignore"):  # a signalling NaN stays a NaN
            return (top >> unused).astype(bits).view(kind).astype(np.float64)
    if signal.is_signed:
        signed = top.view(np.int64)
        signed >>= unused
        return signed
    top >>= np.uint64(unused)
    return top.view(np.int64) if unused else top


def read_pattern(payloads: Payloads, signal: SignalDefinition, at: Rows | None) -> Raw | Pattern:
    """Read the bits of a multiplexer as an unsigned number, in the narrowest type that holds them."""
    count = len(payloads) if at is None else len(at)
    if count == 0 or signal.length > WORD_BITS:
        return read_raw(payloads, signal, at)
    pattern = _aligned_to_top(payloads, signal, at)
    pattern >>= np.uint64(WORD_BITS - signal.length)
    return pattern.astype(np.min_scalar_type((1 << signal.length) - 1))


def _aligned_to_top(payloads: Payloads, signal: SignalDefinition, at: Rows | None) -> Words:
    """Return uint64 (k,), fresh: the signal's bits at the top of a word, other bits or zero below them."""
    first = signal.first_bit // 8
    last = signal.needed_length - 1
    start = _word_that_holds(first, last)
    word = payloads.word(start, signal.byte_order)
    if at is not None:
        word = word.take(at)
    lead = signal.first_bit - 8 * start
    end = lead + signal.length
    if signal.byte_order == "motorola":
        words = word << np.uint64(lead)
        if end > WORD_BITS:
            words |= _ninth(payloads, last, at) >> np.uint64(8 - lead)
        return words
    if end <= WORD_BITS:
        return word << np.uint64(WORD_BITS - end)
    words = word >> np.uint64(lead)
    words |= _ninth(payloads, last, at) << np.uint64(WORD_BITS - lead)
    words <<= np.uint64(WORD_BITS - signal.length)
    return words


def _word_that_holds(first: int, last: int) -> int:
    """Return the byte at which the word begins that holds bytes ``first`` to ``last`` (or eight of them).

    Words that begin at a multiple of eight are preferred, since signals can share them.
    """
    aligned = first - first % WORD_BYTES
    return aligned if last < aligned + WORD_BYTES else first


def _ninth(payloads: Payloads, byte: int, at: Rows | None) -> Words:
    column = payloads.columns(byte, byte + 1)[:, 0].astype(np.uint64)
    return column if at is None else column.take(at)


def _read_big(payloads: Payloads, signal: SignalDefinition, at: Rows | None) -> npt.NDArray[np.object_]:
    """Read a signal longer than a word, frame by frame."""
    first, end = signal.first_bit // 8, signal.needed_length
    columns = payloads.columns(first, end)
    packed = (columns if at is None else columns[at]).tobytes()
    width = end - first
    lead = signal.first_bit - 8 * first
    intel = signal.byte_order == "intel"
    shift = lead if intel else 8 * width - lead - signal.length
    mask = (1 << signal.length) - 1
    sign = 1 << (signal.length - 1) if signal.is_signed else 0
    out = np.empty(len(packed) // width, np.object_)
    for row in range(len(out)):
        number = int.from_bytes(packed[row * width : (row + 1) * width], "little" if intel else "big")
        out[row] = ((number >> shift & mask) ^ sign) - sign
    return out
