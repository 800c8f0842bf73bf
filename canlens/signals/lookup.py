"""Lookup: the rows of a recording that carry a message, and those of them that carry one of its signals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canlens.signals.payloads import Pattern, Payloads, read_pattern
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.database import Message, SignalDefinition
    from canlens.signals.payloads import Floats, Raw
    from canlens.trace import Bools, Ints, Rows, Trace

Key = tuple[int, bool]
"""Identifier and whether it is extended."""


def find_rows(trace: Trace, keys: Iterable[Key], *, channel: str | None = None) -> dict[Key, Rows]:
    """Find the data frames of each identifier.

    Parameters
    ----------
    keys
        (identifier, is_extended), each at most once of interest.
    channel
        Name of the only channel to look at; None for all.

    Returns
    -------
    dict
        Key -> intp (k,): rows in file order, empty where the recording has none. Remote frames and error
        records carry no payload and are not among them.
    """
    index = channel_index(trace, channel)
    return {key: trace.streams.data_rows(key[0], is_extended=key[1], channel=index) for key in keys}


def channel_index(trace: Trace, channel: str | None) -> int | None:
    """Return the number of a channel, -1 where the recording has none of that name; None for all channels."""
    if channel is None:
        return None
    return trace.channels.index(channel) if channel in trace.channels else -1


@dataclass(frozen=True, eq=False)
class Selection:
    """Those frames of a message that carry a signal.

    Attributes
    ----------
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
        since_ns = self.trace.time_ns.take(self.rows)
        since_ns -= self.trace.start_ns
        return since_ns / NANOSECONDS_PER_SECOND

    @cached_property
    def line(self) -> Ints:
        """int64 (k,): line numbers of the log."""
        return self.trace.line.take(self.rows)


class Frames:
    """Payloads and selections of one message, each made once, when it is first asked for.

    Parameters
    ----------
    rows
        intp (n,): rows of its data frames.
    shortest
        No payload of the recording is shorter [bytes].
    part
        Where the frames lie in ``trace.words``, if they lie there together.
    """

    def __init__(self, trace: Trace, message: Message, rows: Rows, *, shortest: int, part: slice | None = None) -> None:
        self.payloads = Payloads(trace, rows, part)
        self._message = message
        self._shortest = shortest
        self._all = Selection(trace, None, rows)
        self._selections: dict[tuple[object, ...], Selection] = {}
        self._patterns: dict[str, Raw | Pattern] = {}

    def carrying(self, signal: SignalDefinition) -> Selection:
        """Return the frames that carry a signal."""
        page = self._on_page(signal)
        needed = signal.needed_length
        if needed <= self._shortest:
            return page
        key = (*self._page_key(signal), needed)
        if key not in self._selections:
            length = self.payloads.length if page.at is None else self.payloads.length[page.at]
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
                carrier, shown = self._all, np.zeros(len(self.payloads), bool)
            else:
                carrier = self.carrying(multiplexer)
                shown = self._shows(signal, multiplexer, carrier)
            self._selections[key] = self._select(carrier, shown)
        return self._selections[key]

    def _shows(self, signal: SignalDefinition, multiplexer: SignalDefinition, carrier: Selection) -> Bools:
        """Return bool (k,): whether the multiplexer's bits, read as unsigned, name a page of the signal."""
        if multiplexer.name not in self._patterns:
            self._patterns[multiplexer.name] = read_pattern(self.payloads, multiplexer, carrier.at)
        pattern = self._patterns[multiplexer.name]
        shown = np.zeros(len(pattern), bool)
        for low, high in signal.pages:
            shown |= (pattern == low) if low == high else (pattern >= low) & (pattern <= high)
        return shown

    @staticmethod
    def _select(of: Selection, keep: Bools) -> Selection:
        if keep.all():
            return of
        chosen = np.flatnonzero(keep)
        at = chosen if of.at is None else of.at[chosen]
        return Selection(of.trace, at, of.rows[chosen])
