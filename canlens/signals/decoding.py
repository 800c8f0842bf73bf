"""Decode signals of whole recordings, each message's frames looked up once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.signals.extraction import read_raw
from canlens.signals.frames import Frames
from canlens.signals.lookup import Key, find_rows
from canlens.signals.nouns import Signal
from canlens.signals.scaling import scale

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.database import Message, SignalDefinition
    from canlens.trace import Trace


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
        without rows.

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
    rows = find_rows(trace, (_key(message) for message, _ in pairs), channel=channel)
    frames: dict[int, Frames] = {}
    decoded: dict[str, Signal] = {}
    for message, definition in pairs:
        if id(message) not in frames:
            frames[id(message)] = Frames(trace, message, rows[_key(message)])
        path = f"{message.name}.{definition.name}"
        decoded[path] = _decode(frames[id(message)], path, definition)
    return decoded


def _key(message: Message) -> Key:
    return message.identifier, message.is_extended


def _decode(frames: Frames, path: str, definition: SignalDefinition) -> Signal:
    carrying = frames.carrying(definition)
    raw = read_raw(frames, definition, carrying.at)
    return Signal(
        path, definition, carrying.rows, carrying.time_s, carrying.line, raw, scale(raw, definition)
    )
