"""The data frames of one message, with what several of its signals share."""

from __future__ import annotations

from dataclasses import dataclass
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
    at
        intp (k,): places among the frames of the message; None if all of them.
    rows, time_s, line
        As in :class:`canlens.signals.Signal`.
    """

    at: Rows | None
    rows: Rows
    time_s: Floats
    line: Ints


class Frames:
    """Payload words and selections of one message, each made once, when it is first asked for."""

    def __init__(self, trace: Trace, message: Message, rows: Rows) -> None:
        self._message = message
        self._payload = trace.payload
        self._rows = rows
        self._length: Bytes = trace.payload.length[rows]
        self._shortest = int(self._length.min()) if len(rows) else 0
        time_s = (trace.time_ns[rows] - trace.start_ns) / NANOSECONDS_PER_SECOND
        self._all = Selection(None, rows, time_s, trace.line[rows])
        self._selections: dict[tuple[object, ...], Selection] = {}
        self._words: dict[tuple[int, ByteOrder], Words] = {}
        self._long: tuple[Bools, Rows] | None = None

    def __len__(self) -> int:
        return len(self._rows)

    def word(self, byte: int, byte_order: ByteOrder) -> Words:
        """Return uint64 (n,): the eight bytes from ``byte``, zero where the payload is shorter."""
        key = byte, byte_order
        if key not in self._words:
            written = "<u8" if byte_order == "intel" else ">u8"
            if byte == 0:
                words = np.ascontiguousarray(self._payload.first8).view(written)[:, 0].take(self._rows)
            else:
                words = self.columns(byte, byte + WORD_BYTES).view(written)[:, 0]
            self._words[key] = words.astype(np.uint64, copy=False)
        return self._words[key]

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
        page = self._on_page(signal, ())
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

    def _on_page(self, signal: SignalDefinition, above: tuple[str, ...]) -> Selection:
        """Return the frames that show a page of the signal; ``above`` are the signals that hang on it."""
        if signal.multiplexer is None:
            return self._all
        key = self._page_key(signal)
        if key not in self._selections:
            multiplexer = self._message.signal(signal.multiplexer)
            if multiplexer is None or multiplexer.name in above:
                carrier, shown = (
                    self._all,
                    np.zeros(len(self), bool),
                )  # nothing can say which page a frame shows
            else:
                self._on_page(multiplexer, (*above, multiplexer.name))
                carrier = self.carrying(multiplexer)
                shown = self._shows(multiplexer, carrier, signal.pages)
            self._selections[key] = self._select(carrier, shown)
        return self._selections[key]

    def _shows(
        self, multiplexer: SignalDefinition, carrier: Selection, pages: tuple[tuple[int, int], ...]
    ) -> Bools:
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
        return Selection(at, of.rows[chosen], of.time_s[chosen], of.line[chosen])
