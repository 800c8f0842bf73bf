"""Database: what the frames of a bus mean, read from a DBC through cantools."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from canlens.trace import Problem

ByteOrder = Literal["intel", "motorola"]


@dataclass(frozen=True)
class SignalDefinition:
    """One signal of a message.

    Attributes
    ----------
    name
        As in the DBC.
    start_bit
        DBC bit number 8 x byte + bit; least significant bit for Intel, most significant for Motorola.
    length
        Bits.
    byte_order
        ``intel`` (DBC ``@1``) or ``motorola`` (``@0``).
    is_signed, is_float
        How the raw bits read; a float is 16, 32 or 64 bits long.
    scale, offset
        value = raw x scale + offset. ``int`` where the DBC writes whole numbers, so that whole values stay exact.
    minimum, maximum
        Declared range; None where the DBC declares none.
    unit
        As written; may be empty.
    table
        Value table: raw value -> text.
    multiplexer
        Name of the signal that selects the page this signal is on; None if it is on every page.
    pages
        Raw values of the multiplexer for which this signal is present, as closed ranges (low, high).
    is_multiplexer
        Whether other signals hang on this one.
    """

    name: str
    start_bit: int
    length: int
    byte_order: ByteOrder = "intel"
    is_signed: bool = False
    is_float: bool = False
    scale: float | int = 1
    offset: float | int = 0
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    table: dict[int, str] = field(default_factory=dict)
    multiplexer: str | None = None
    pages: tuple[tuple[int, int], ...] = ()
    is_multiplexer: bool = False


@dataclass(frozen=True)
class Message:
    """The definition of a frame.

    Attributes
    ----------
    name, identifier, is_extended
        As in the DBC; the identifier without flag bits.
    length
        Declared payload length [bytes].
    senders
        Nodes that transmit it.
    cycle_time_s
        Declared repetition time [s]; None where the DBC declares none.
    signals
        In DBC order.
    is_fd
        Whether it is declared as CAN FD.
    """

    name: str
    identifier: int
    is_extended: bool
    length: int
    senders: tuple[str, ...] = ()
    cycle_time_s: float | None = None
    signals: tuple[SignalDefinition, ...] = ()
    is_fd: bool = False

    def signal(self, name: str) -> SignalDefinition | None:
        """Return the signal of that name, or None."""
        return next((signal for signal in self.signals if signal.name == name), None)


@dataclass(frozen=True)
class Database:
    """The messages of one bus, with what could not be used of the file.

    Attributes
    ----------
    messages
        In file order.
    nodes
        Names of the nodes.
    problems
        Entries that could not be used as they stand.
    files
        The files it was read from.
    """

    messages: tuple[Message, ...] = ()
    nodes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    files: tuple[str, ...] = ()

    def message(self, name: str) -> Message | None:
        """Return the message of that name, or None."""
        return next((message for message in self.messages if message.name == name), None)

    def with_identifier(self, identifier: int, *, is_extended: bool) -> Message | None:
        """Return the message that bears the identifier, or None."""
        return next(
            (m for m in self.messages if m.identifier == identifier and m.is_extended == is_extended), None
        )

    def find(self, path: str) -> tuple[Message, SignalDefinition] | None:
        """Return message and signal of a path ``MESSAGE.SIGNAL``, or None."""
        message_name, _, signal_name = path.partition(".")
        message = self.message(message_name)
        signal = message.signal(signal_name) if message else None
        return (message, signal) if message and signal else None
