"""Signal: one decoded column; and the decoding of whole recordings, each message's frames looked up once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.signals.lookup import Frames, Selection, channel_index
from canlens.signals.payloads import Floats, read_raw, scale

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.database import Message, SignalDefinition
    from canlens.signals.payloads import Payloads, Raw
    from canlens.trace import Ints, Rows, Trace


@dataclass(frozen=True, eq=False)
class Signal:
    """One decoded signal: its value in every frame that carries it, in file order.

    A frame carries a signal if its payload is long enough for all bits of the signal and, where the signal is
    multiplexed, shows one of its pages. Signals of one message share the columns that do not differ.

    Attributes
    ----------
    path
        ``MESSAGE.SIGNAL``.
    definition
        How it was decoded.
    rows
        intp (k,): rows of the trace.
    time_s
        float64 (k,): time since the recording's first frame [s].
    line
        int64 (k,): line numbers of the log.
    raw
        Raw value, exact (k,): int64; uint64 for unsigned signals of 64 bits; float64 for floats; Python
        integers (object) for signals longer than 64 bits.
    value
        float64 (k,): scaled value in the definition's unit. Whole numbers are scaled exactly, then rounded
        once.
    """

    path: str
    definition: SignalDefinition
    rows: Rows
    time_s: Floats
    line: Ints
    raw: Raw
    value: Floats

    def __post_init__(self) -> None:
        for column in (self.rows, self.time_s, self.line, self.raw, self.value):
            column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.rows)


def decode(trace: Trace, message: Message, *, channel: str | None = None) -> dict[str, Signal]:
    """Decode every signal of one message; keyed and restricted as in :func:`decode_signals`."""
    return decode_signals(trace, [(message, signal) for signal in message.signals], channel=channel)


def decode_signals(
    trace: Trace, wanted: Iterable[tuple[Message, SignalDefinition]], *, channel: str | None = None
) -> dict[str, Signal]:
    """Decode some signals of several messages.

    Parameters
    ----------
    trace
        The recording; only its data frames are decoded.
    wanted
        Messages, each with one of its signals.
    channel
        Name of the only channel to look at; None for all.

    Returns
    -------
    dict
        Path ``MESSAGE.SIGNAL`` -> signal, in the order asked for. A signal that no frame carries is there,
        without rows. Times, lines, raw values and values are each worked out when they are first asked for.

    Examples
    --------
    >>> from canlens.database import Message, SignalDefinition
    >>> from canlens.trace import Trace
    >>> horn = SignalDefinition("Horn", start_bit=0, length=1)
    >>> pod = Message("Pod", 0x123, is_extended=False, length=1, signals=(horn,))
    >>> decode_signals(Trace.empty(), [(pod, horn)])["Pod.Horn"].value.tolist()
    []
    """
    pairs = list(wanted)
    index = channel_index(trace, channel)
    shortest = int(trace.payload.length.min()) if len(trace) else 0
    frames: dict[int, Frames] = {}
    decoded: dict[str, Signal] = {}
    for message, definition in pairs:
        if id(message) not in frames:
            frames[id(message)] = _frames(trace, message, shortest=shortest, channel=index)
        path = f"{message.name}.{definition.name}"
        decoded[path] = _Decoded(path, definition, frames[id(message)])
    return decoded


def _frames(trace: Trace, message: Message, *, shortest: int, channel: int | None) -> Frames:
    """Return the frames of a message, of one channel or all."""
    which, is_extended = message.identifier, message.is_extended
    rows = trace.streams.data_rows(which, is_extended=is_extended, channel=channel)
    part = trace.streams.data_part(which, is_extended=is_extended, channel=channel)
    return Frames(trace, message, rows, shortest=shortest, part=part)


class _Decoded(Signal):
    """A signal whose columns are worked out when they are first asked for, each once."""

    _payloads: Payloads
    _carrying: Selection

    def __init__(self, path: str, definition: SignalDefinition, frames: Frames) -> None:
        carrying = frames.carrying(definition)
        carrying.rows.setflags(write=False)
        vars(self).update(
            path=path, definition=definition, rows=carrying.rows, _payloads=frames.payloads, _carrying=carrying
        )

    def __getattr__(self, name: str) -> object:
        """Work out a column that is not there yet; Python asks here only for what an object does not have."""
        if name in {"time_s", "line"}:
            column = getattr(self._carrying, name)
        elif name == "raw":
            column = read_raw(self._payloads, self.definition, self._carrying.at)
        elif name == "value":
            column = self._scaled()
        else:
            raise AttributeError(f"a signal has no attribute {name!r}")
        column.setflags(write=False)
        vars(self)[name] = column
        return column

    def _scaled(self) -> Floats:
        raw = vars(self).get("raw")
        if raw is None:
            raw = read_raw(self._payloads, self.definition, self._carrying.at)
        values = np.empty(len(raw))
        scale(raw, self.definition, values)
        return values

    def __reduce__(self) -> tuple[type[Signal], tuple[object, ...]]:
        """Travel as a plain signal, with all columns and without the recording."""
        columns = (self.rows, self.time_s, self.line, self.raw, self.value)
        return Signal, (self.path, self.definition, *columns)
