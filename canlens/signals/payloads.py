"""Payload bytes of one message's frames → raw values → values in a signal's unit, for all frames at once."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from canlens.database import ByteOrder, SignalDefinition
    from canlens.trace import Bools, Bytes, Rows, Trace

Floats = npt.NDArray[np.float64]
Raw = npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64] | npt.NDArray[np.object_]
Words = npt.NDArray[np.uint64]

Pattern = npt.NDArray[np.unsignedinteger]

WORD_BYTES = 8
WORD_BITS = 64
FLOATS: dict[int, tuple[type[np.unsignedinteger], type[np.floating]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}
"""Length [bits] of a float -> the integer that holds its bits, and its type (IEEE 754 binary16, 32, 64)."""
EXACT_IN_FLOAT = 2**53
"""Whole numbers up to this size are exact in a float64 (IEEE 754)."""
INT64 = np.iinfo(np.int64)


class Payloads:
    """The payloads of n frames; each word is made once, when it is first asked for.

    Parameters
    ----------
    rows
        intp (n,): rows of the frames.
    part
        Where they lie in ``trace.words``, if they lie there together.
    """

    def __init__(self, trace: Trace, rows: Rows, part: slice | None = None) -> None:
        self._trace = trace
        self._rows = rows
        self._part = part
        self._bytes: dict[int, Words] = {}
        self._words: dict[tuple[int, ByteOrder], Words] = {}

    def __len__(self) -> int:
        return len(self._rows)

    @cached_property
    def length(self) -> Bytes:
        """uint8 (n,): payload length [bytes]."""
        return self._trace.payload.length[self._rows]

    def word(self, byte: int, byte_order: ByteOrder) -> Words:
        """Return uint64 (n,): the eight bytes from ``byte``, zero where the payload is shorter."""
        key = byte, byte_order
        if key not in self._words:
            written = "<u8" if byte_order == "intel" else ">u8"
            self._words[key] = self._eight_bytes(byte).view(written).astype(np.uint64, copy=False)
        return self._words[key]

    def _eight_bytes(self, byte: int) -> Words:
        """Return (n,): eight bytes of each payload as they are, in elements of eight bytes."""
        if byte not in self._bytes:
            if byte == 0 and self._part is not None:
                self._bytes[byte] = self._trace.words[self._part]
            elif byte == 0:
                self._bytes[byte] = self._trace.payload.words.take(self._rows)
            else:
                self._bytes[byte] = self.columns(byte, byte + WORD_BYTES).view(np.uint64)[:, 0]
        return self._bytes[byte]

    def columns(self, start: int, end: int) -> Bytes:
        """Return uint8 (n, end - start): bytes of the payloads longer than eight, zero in the others."""
        is_long, at = self._long
        columns = np.ascontiguousarray(self._trace.payload.long[at, start:end])
        if len(at) == len(self):
            return columns
        out = np.zeros((len(self), end - start), np.uint8)
        out[is_long] = columns
        return out

    @cached_property
    def _long(self) -> tuple[Bools, Rows]:
        """Which payloads are longer than eight bytes, and where their bytes stand."""
        is_long = self.length > WORD_BYTES
        return is_long, np.searchsorted(self._trace.payload.long_rows, self._rows[is_long])


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


def scale(raw: Raw, signal: SignalDefinition, out: Floats) -> None:
    """Write raw x scale + offset.

    Where scale and offset are whole numbers the sum is formed in exact integers and rounded once; else the
    product and the sum are each rounded, as float64 arithmetic does.

    Parameters
    ----------
    raw
        (k,): raw values.
    out
        float64 (k,): where the values go.
    """
    whole_scale, whole_offset = isinstance(signal.scale, int), isinstance(signal.offset, int)
    if signal.is_float or not whole_scale:
        _scale_in_floats(raw, signal.scale, signal.offset, out)
    elif whole_offset:
        _scale_whole(raw, signal, int(signal.offset), out)
    else:
        _scale_whole(raw, signal, 0, out)
        out += signal.offset


def _scale_in_floats(raw: Raw, factor: float, offset: float, out: Floats) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # infinities and NaN of the bus stay what they are
        if raw.dtype == np.object_:
            out[:] = raw
            out *= float(factor)
        elif factor == 1:
            out[:] = raw
        else:
            np.multiply(raw, float(factor), out=out)
        if offset != 0:
            out += float(offset)


def _scale_whole(raw: Raw, signal: SignalDefinition, offset: int, out: Floats) -> None:
    """Write raw x scale + offset, exact until it is rounded to float64."""
    factor = int(signal.scale)
    low = -(1 << (signal.length - 1)) if signal.is_signed else 0
    high = low + (1 << signal.length) - 1
    products = low * factor, high * factor
    ends = (low, high, factor, offset, *products, *(product + offset for product in products))
    if (factor, offset) == (1, 0) or max(map(abs, ends)) <= EXACT_IN_FLOAT:
        _scale_in_floats(raw, factor, offset, out)
    elif raw.dtype == np.int64 and INT64.min <= min(ends) and max(ends) <= INT64.max:
        out[:] = raw * np.int64(factor) + np.int64(offset)
    else:
        out[:] = [float(int(number) * factor + offset) for number in raw.tolist()]
