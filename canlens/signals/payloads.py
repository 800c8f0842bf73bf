"""The payload bytes of one message's frames, as words that several signals share."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from canlens.database import ByteOrder
    from canlens.trace import Bools, Bytes, Rows, Trace

Words = npt.NDArray[np.uint64]

WORD_BYTES = 8


class Payloads:
    """The payloads of n frames; each word is made once, when it is first asked for.

    Parameters
    ----------
    trace
        The recording.
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
