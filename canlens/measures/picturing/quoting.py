"""Quoting: the frames that a finding rests on, each with its bytes and what they say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.pictures import Quote, QuotedValue
from canlens.signals import decode_signals
from canlens.trace import NANOSECONDS_PER_SECOND, Kind
from canlens.wire import describe_error

if TYPE_CHECKING:
    from collections.abc import Collection

    from canlens.database import Database, Message, SignalDefinition
    from canlens.plan import Plan
    from canlens.results.finding import Finding
    from canlens.signals import Signal
    from canlens.trace import Rows, Trace


VALUES_SHOWN = 8
"""Signals decoded of one frame; those that are asked for come first."""


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


def quoted(trace: Trace, plan: Plan, finding: Finding) -> tuple[Quote, ...]:
    """Return the frames behind a finding, the signals that it is about told apart."""
    return tuple(quotes(trace, plan.database, finding.evidence.lines, wanted=_wanted(plan, finding)).values())


def _wanted(plan: Plan, finding: Finding) -> set[str]:
    """Return the signals that a finding is about: those of its outputs and their controls, of its controls, its own."""
    wanted = set(finding.subject)
    controls = set(finding.subject) & set(plan.controls)
    for name in set(finding.subject) & set(plan.outputs):
        output = plan.outputs[name]
        controls |= set(output.when.controls)
        references = [output.level, output.current, output.voltage, output.command and output.command.reference]
        wanted |= {each.path for each in references if each}
    return wanted | {plan.controls[name].condition.reference.path for name in controls}


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
