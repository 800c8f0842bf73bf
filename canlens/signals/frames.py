"""The data frames of one message, with what several of its signals share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.signals.extraction import WORD_BYTES, read_pattern
from canlens.trace import NANOSECONDS_PER_SECOND, Bools, Bytes, Ints, Rows, Trace

if TYPE_CHECKING:
    from canlens.database import Message, SignalDefinition
    from canlens.database.nouns import ByteOrder
    from canlens.signals.nouns import Floats

Words = npt.NDArray[np.uint64]
Pages = tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class Selection:
    """Those frames of a message that carry a signal.

    Attributes
    ----------
    trace
        The recording.
    at
        intp (k,): places among the frames of the message; None if all of them.
    rows
        intp (k,): rows of the trace.
    """

    trace: Trace
    at: Rows | None
    rows: Rows

    @cached_property
    def time_s(self) -> Floats:
        """float64 (k,): time since the recording's first frame [s]."""
        return (self.trace.time_ns[self.rows] - self.trace.start_ns) / NANOSECONDS_PER_SECOND

    @cached_property
    def line(self) -> Ints:
        """int64 (k,): line numbers of the log."""
        return self.trace.line[self.rows]


class Frames:
    """Payload words and selections of one message, each made once, when it is first asked for."""

    def __init__(self, trace: Trace, message: Message, rows: Rows, *, shortest: int) -> None:
        self._trace = trace
        self._message = message
        self._payload = trace.payload
        self._rows = rows
        self._shortest = shortest
        self._all = Selection(trace, None, rows)
        self._selections: dict[tuple[object, ...], Selection] = {}
        self._bytes: dict[int, Words] = {}
        self._words: dict[tuple[int, ByteOrder], Words] = {}
        self._long: tuple[Bools, Rows] | None = None

    def __len__(self) -> int:
        return len(self._rows)

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
            if byte == 0:
                whole = np.ascontiguousarray(self._payload.first8)
                self._bytes[byte] = whole.view(np.uint64)[:, 0].take(self._rows)
            else:
                self._bytes[byte] = self.columns(byte, byte + WORD_BYTES).view(np.uint64)[:, 0]
        return self._bytes[byte]

    @cached_property
    def _length(self) -> Bytes:
        return self._payload.length[self._rows]

    def columns(self, start: int, end: int) -> Bytes:
        """Return uint8 (n, end - start): bytes of the frames longer than eight bytes, zero in the others."""
        is_long, at = self._long_frames()
        columns = np.ascontiguousarray(self._payload.long[at, start:end])
        if len(at) == len(self):
            return columns
        out = np.zeros((len(self), end - start), np.uint8)
        out[is_long] = columns
        return out

    def _long_frames(self) -> tuple[Bools, Rows]:
        """Return which frames are longer than eight bytes, and where their bytes stand."""
        if self._long is None:
            is_long = self._length > WORD_BYTES
            self._long = is_long, np.searchsorted(self._payload.long_rows, self._rows[is_long])
        return self._long

    def carrying(self, signal: SignalDefinition) -> Selection:
        """Return the frames that carry a signal."""
        page = self._on_page(signal)
        needed = signal.needed_length
        if needed <= self._shortest:
            return page
        key = (*self._page_key(signal), needed)
        if key not in self._selections:
            length = self._length if page.at is None else self._length[page.at]
            self._selections[key] = self._select(page, length >= needed)
        return self._selections[key]

    @staticmethod
    def _page_key(signal: SignalDefinition) -> tuple[object, ...]:
        return signal.multiplexer, signal.pages

    def _on_page(self, signal: SignalDefinition) -> Selection:
        """Return the frames that show a page of the signal; none where nothing can tell the page."""
        if signal.multiplexer is None:
            return self._all
        key = self._page_key(signal)
        if key not in self._selections:
            multiplexer = self._message.signal(signal.multiplexer)
            if multiplexer is None or self._message.multiplexers(signal) is None:
                carrier, shown = self._all, np.zeros(len(self), bool)
            else:
                carrier = self.carrying(multiplexer)
                shown = self._shows(multiplexer, carrier, signal.pages)
            self._selections[key] = self._select(carrier, shown)
        return self._selections[key]

    def _shows(self, multiplexer: SignalDefinition, carrier: Selection, pages: tuple[tuple[int, int], ...]) -> Bools:
        """Return bool (k,): whether the multiplexer's bits, read as unsigned, lie in one of the ranges."""
        raw = read_pattern(self, multiplexer, carrier.at)
        shown = np.zeros(len(raw), bool)
        for low, high in pages:
            shown |= (raw == low) if low == high else (raw >= low) & (raw <= high)
        return shown

    @staticmethod
    def _select(of: Selection, keep: Bools) -> Selection:
        if keep.all():
            return of
        chosen = np.flatnonzero(keep)
        at = chosen if of.at is None else of.at[chosen]
        return Selection(of.trace, at, of.rows[chosen])
