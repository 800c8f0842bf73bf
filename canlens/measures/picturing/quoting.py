"""Quoting: the frames that a finding rests on, each with its bytes and what they say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.signals import decode_signals
from canlens.trace import NANOSECONDS_PER_SECOND, Kind
from canlens.wire import describe_error

if TYPE_CHECKING:
    from collections.abc import Collection

    from canlens.database import Database, Message, SignalDefinition
    from canlens.signals import Signal
    from canlens.trace import Rows, Trace


VALUES_SHOWN = 8
"""Signals decoded of one frame; those that are asked for come first."""


@dataclass(frozen=True)
class QuotedValue:
    """One signal of a frame: raw value, scaled value with its unit, text of the value table (empty without one)."""

    signal: str
    raw: str
    value: float
    unit: str
    text: str
    is_wanted: bool


@dataclass(frozen=True)
class Quote:
    """One frame as it was recorded.

    Attributes
    ----------
    line, time_s, stamp
        Where it stands; seconds from the first frame; the recorder's own stamp [s], exact, as text.
    channel, identifier, is_extended
        Its channel by name, and its identifier; of an error record that is its class.
    kind
        ``data``, ``remote`` or ``error``.
    payload
        Its bytes, each with whether a wanted signal lies in it.
    message, sender
        Name of its message and node that sends it; empty where no database knows them.
    values
        What the bytes say; of an error record nothing.
    left_out
        Signals of the message that are not among them.
    error
        What an error record says, in words.
    """

    line: int
    time_s: float
    stamp: str
    channel: str
    identifier: int
    is_extended: bool
    kind: str
    payload: tuple[tuple[int, bool], ...]
    message: str = ""
    sender: str = ""
    values: tuple[QuotedValue, ...] = ()
    left_out: int = 0
    error: str = ""


def quotes(
    trace: Trace, database: Database, lines: Collection[int], *, wanted: Collection[str] = ()
) -> dict[int, Quote]:
    """Pick the frames of some lines of a recording and decode them.

    Parameters
    ----------
    trace
        The recording.
    database
        Gives messages and signals.
    lines
        Line numbers of the log; those that hold no frame are left out.
    wanted
        Paths ``MESSAGE.SIGNAL`` that come first and are told apart.

    Returns
    -------
    dict
        Line number -> frame, in order of lines.
    """
    few = trace.where(_rows(trace, lines))
    messages = {row: message for row in range(len(few)) if (message := _message(few, row, database)) is not None}
    pairs = {
        f"{message.name}.{signal.name}": (message, signal)
        for message in messages.values()
        for signal in message.signals
    }
    decoded = decode_signals(few, pairs.values())
    found = (_quote(few, row, messages.get(row), decoded, frozenset(wanted)) for row in range(len(few)))
    return {quote.line: quote for quote in sorted(found, key=lambda quote: quote.line)}


def _rows(trace: Trace, lines: Collection[int]) -> Rows:
    """Return the rows of some lines; lines ascend in file order."""
    asked = np.array(sorted(set(lines)), np.int64)
    at = np.searchsorted(trace.line, asked)
    at, asked = at[at < len(trace)], asked[at < len(trace)]
    rows: Rows = at[trace.line[at] == asked]
    return rows


def _channel(trace: Trace, row: int) -> str:
    """Return the name of a frame's channel; empty where the recorder told none."""
    index = int(trace.channel[row])
    return trace.channels[index] if 0 <= index < len(trace.channels) else ""


def _message(trace: Trace, row: int, database: Database) -> Message | None:
    if trace.kind[row] == Kind.ERROR:
        return None
    return database.with_identifier(
        int(trace.identifier[row]), is_extended=bool(trace.is_extended[row]), channel=_channel(trace, row) or None
    )


def _quote(
    trace: Trace, row: int, message: Message | None, decoded: dict[str, Signal], wanted: frozenset[str]
) -> Quote:
    payload = trace.payload[row]
    is_error = trace.kind[row] == Kind.ERROR
    values = _values(row, message, decoded, wanted) if message is not None else []
    bits = _bits(message, wanted) if message is not None else 0
    time_ns = int(trace.time_ns[row])
    return Quote(
        line=int(trace.line[row]),
        time_s=(time_ns - trace.start_ns) / NANOSECONDS_PER_SECOND,
        stamp=_stamp(time_ns),
        channel=_channel(trace, row),
        identifier=int(trace.identifier[row]),
        is_extended=bool(trace.is_extended[row]),
        kind=Kind(int(trace.kind[row])).name.lower(),
        payload=tuple((byte, bool(bits >> 8 * at & 0xFF)) for at, byte in enumerate(payload)),
        message=message.name if message is not None else "",
        sender=", ".join(message.senders) if message is not None else "",
        values=tuple(values[:VALUES_SHOWN]),
        left_out=max(len(values) - VALUES_SHOWN, 0),
        error=str(describe_error(int(trace.identifier[row]), payload)) if is_error else "",
    )


def _stamp(time_ns: int) -> str:
    """Write a stamp in seconds with microseconds, and nanoseconds only where there are any."""
    seconds, rest = divmod(abs(time_ns), NANOSECONDS_PER_SECOND)
    digits = f"{rest:09d}"
    return f"{'-' if time_ns < 0 else ''}{seconds}.{digits if rest % 1000 else digits[:6]}"


def _bits(message: Message, wanted: frozenset[str]) -> int:
    """Return the bits of a payload in which wanted signals lie, as a mask."""
    mask = 0
    for signal in message.signals:
        if f"{message.name}.{signal.name}" in wanted:
            mask |= signal.bits
    return mask


def _values(row: int, message: Message, decoded: dict[str, Signal], wanted: frozenset[str]) -> list[QuotedValue]:
    """Decode one frame; a signal that is not on this frame's page, or lies behind its end, is left out."""
    found = []
    for definition in sorted(message.signals, key=lambda each: f"{message.name}.{each.name}" not in wanted):
        path = f"{message.name}.{definition.name}"
        signal = decoded[path]
        at = np.flatnonzero(signal.rows == row)
        if len(at):
            found.append(_value(signal, int(at[0]), definition, is_wanted=path in wanted))
    return found


def _value(signal: Signal, at: int, definition: SignalDefinition, *, is_wanted: bool) -> QuotedValue:
    raw = signal.raw[at]
    text = "" if definition.is_float else definition.table.get(int(raw), "")
    return QuotedValue(definition.name, str(raw), float(signal.value[at]), definition.unit, text, is_wanted)
