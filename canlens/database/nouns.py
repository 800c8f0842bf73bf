"""The nouns of a database: messages and their signals, and what could not be used of a file."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

from canlens.trace import Problem

ByteOrder = Literal["intel", "motorola"]
FLOAT_LENGTHS = frozenset({16, 32, 64})
"""Lengths of floats [bits] (IEEE 754 binary16, 32, 64)."""


INVALID_WORDS = re.compile(
    r"fault|error|invalid|not.?(fitted|avail|used|valid)|unavail|reserved|\bsna\b", re.IGNORECASE
)
"""Entries of a value table that say nothing of the control."""


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
        value = raw x scale + offset. ``int`` where both are whole numbers, so that whole values stay exact.
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
    line
        Line of the file that defines it, 1-based; 0 where none can be told.
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
    line: int = field(default=0, compare=False)

    @property
    def named_invalid(self) -> set[int]:
        """The raw values that the value table says to be no values: error, not available."""
        return {raw for raw, text in self.table.items() if INVALID_WORDS.search(str(text))}

    @property
    def invalid_raw(self) -> set[int]:
        """Those, and all bits set where the table has no name for that; one bit has no value to spare."""
        full = (1 << self.length) - 1
        is_spare = self.length > 1 and not self.is_signed and not self.is_float and full not in self.table
        return self.named_invalid | ({full} if is_spare else set())

    @property
    def first_bit(self) -> int:
        """Bits that stand before this signal, counted in the direction in which its bytes follow each other.

        The least significant bit of byte 0 is the first for Intel, the most significant for Motorola.
        """
        if self.byte_order == "intel":
            return self.start_bit
        return self.start_bit // 8 * 8 + 7 - self.start_bit % 8

    @property
    def needed_length(self) -> int:
        """Payload length [bytes] from which all bits of the signal are there."""
        return (self.first_bit + self.length + 7) // 8

    @property
    def bits(self) -> int:
        """The bits it takes of the payload, as a mask; bit n is the DBC bit number n."""
        if self.byte_order == "intel":
            return ((1 << self.length) - 1) << self.start_bit
        mask, first = 0, self.first_bit
        for byte in range(first // 8, self.needed_length):
            left, right = max(first - 8 * byte, 0), min(first + self.length - 8 * byte, 8)
            mask |= ((1 << (right - left)) - 1) << (8 * byte + 8 - right)
        return mask


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
        In DBC order; no two bear the same name.
    is_fd
        Whether it is declared as CAN FD.
    line
        Line of the file that defines it, 1-based; 0 where none can be told.
    channel
        Name of the only channel on which it means this; None: on any.
    """

    name: str
    identifier: int
    is_extended: bool
    length: int
    senders: tuple[str, ...] = ()
    cycle_time_s: float | None = None
    signals: tuple[SignalDefinition, ...] = ()
    is_fd: bool = False
    line: int = field(default=0, compare=False)
    channel: str | None = None

    @cached_property
    def _by_name(self) -> dict[str, SignalDefinition]:
        return {signal.name: signal for signal in reversed(self.signals)}

    def signal(self, name: str) -> SignalDefinition | None:
        """Return the signal of that name, or None."""
        return self._by_name.get(name)

    def multiplexers(self, signal: SignalDefinition) -> tuple[SignalDefinition, ...] | None:
        """Return the multiplexers that a signal hangs on, from the next one up.

        None if one of them is missing in the message, or if they hang on each other in a circle: then nothing
        tells whether a frame carries the signal.
        """
        chain: list[SignalDefinition] = []
        above = signal.multiplexer
        while above is not None:
            multiplexer = self.signal(above)
            if multiplexer is None or multiplexer in chain:
                return None
            chain.append(multiplexer)
            above = multiplexer.multiplexer
        return tuple(chain)


@dataclass(frozen=True)
class DatabaseProblem(Problem):
    """An entry of a database that could not be used as it stands.

    Attributes
    ----------
    file
        The file as the user named it.
    done
        What was done with the entry, as a sentence.
    mend
        What the author most likely has to write instead, as a sentence; empty where nothing can be said.
    message
        Name of the message concerned; empty where there is none.
    """

    file: str = ""
    done: str = ""
    mend: str = ""
    message: str = ""


@dataclass(frozen=True)
class Database:
    """The messages of one bus, with what could not be used of the files.

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
    set_aside
        Messages that are not used, since a file before has others under their identifiers.
    """

    messages: tuple[Message, ...] = ()
    nodes: tuple[str, ...] = ()
    problems: tuple[DatabaseProblem, ...] = ()
    files: tuple[str, ...] = ()
    set_aside: tuple[Message, ...] = ()

    @cached_property
    def _by_name(self) -> dict[str, Message]:
        return {message.name: message for message in reversed(self.messages)}

    @cached_property
    def _by_identifier(self) -> dict[tuple[int, bool], list[Message]]:
        found: dict[tuple[int, bool], list[Message]] = {}
        for message in self.messages:
            found.setdefault((message.identifier, message.is_extended), []).append(message)
        return found

    @cached_property
    def _by_path(self) -> dict[str, tuple[Message, SignalDefinition]]:
        return {
            f"{message.name}.{signal.name}": (message, signal)
            for message in reversed(self.messages)
            for signal in reversed(message.signals)
        }

    def message(self, name: str) -> Message | None:
        """Return the message of that name (the first, if several bear it), or None."""
        return self._by_name.get(name)

    def with_identifier(self, identifier: int, *, is_extended: bool, channel: str | None = None) -> Message | None:
        """Return the message that bears the identifier, on a channel if one is named, or None."""
        for message in self._by_identifier.get((identifier, is_extended), ()):
            if channel is None or message.channel in (None, channel):
                return message
        return None

    def on_channel(self, name: str) -> Database:
        """Return the messages that may be on a channel."""
        return replace(self, messages=tuple(each for each in self.messages if each.channel in (None, name)))

    def find(self, path: str) -> tuple[Message, SignalDefinition] | None:
        """Return message and signal of a path ``MESSAGE.SIGNAL``, or None."""
        return self._by_path.get(path)
