"""``BO_`` and ``SG_`` entries → messages with their signals, as the parser shall be given them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import re

FLAG_EXTENDED: int = 0x8000_0000
"""Bit 31 of a DBC message number marks a 29-bit identifier."""
MOST_BASE = 0x7FF
MOST_EXTENDED = 0x1FFF_FFFF
NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
"""Under this name stand signals that belong to no message (open description of the format)."""
MOST_BITS = 1 << 16
"""A start bit or length from here on is none: transport protocols carry 1785 bytes, other buses a few thousand."""


@dataclass(frozen=True)
class SignalEntry:
    """An ``SG_`` line: its name, its multiplexer mark (``M``, ``m3``, ``m3M`` or none), its line and length [bits]."""

    name: str
    mark: str
    line: int
    length: int = 0


@dataclass
class MessageEntry:
    """A ``BO_`` line with the ``SG_`` lines under it.

    Attributes
    ----------
    number
        As the parser is given it, with its flag bit; -1 where it could not be read.
    written
        As it stands in the file.
    name, line
        Of the ``BO_`` line.
    length, sender
        Declared payload length [bytes], None where it is to be told from the signals; the node that sends it.
    is_used
        Whether the parser is given it; False for one that is lost, whose entries are lost with it.
    signals
        Those that are used, in file order.
    texts
        ``SG_`` lines and all entries about this message, as the parser is given them.
    """

    number: int
    written: int
    name: str
    line: int
    length: int | None = 0
    sender: str = ""
    is_used: bool = True
    signals: list[SignalEntry] = field(default_factory=list)
    signal_texts: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    needed_length: int = 0

    def signal(self, name: str) -> SignalEntry | None:
        """Return the first signal of that name, or None."""
        return next((each for each in self.signals if each.name == name), None)

    def add(self, match: re.Match[str], text: str, line: int) -> None:
        """Add a signal that is well written."""
        length, start = int(match["length"]), int(match["start"])
        self.signals.append(SignalEntry(match["name"], match["mark"] or "", line, length))
        self.signal_texts.append(text)
        first = start if match["order"] == "1" else start // 8 * 8 + 7 - start % 8
        self.needed_length = max(self.needed_length, (first + length + 7) // 8)

    def text(self) -> str:
        """Return all that the parser shall know of this message."""
        length = self.needed_length if self.length is None else self.length
        head = f"BO_ {self.number} {self.name}: {length} {self.sender}"
        return "\n".join((head, *self.signal_texts, "", *self.texts, ""))


def numbered(written: int) -> tuple[int, str] | None:
    """Return the number that a message number stands for, and what was expected if it was mended.

    Parameters
    ----------
    written
        As it stands behind ``BO_``.

    Returns
    -------
    tuple or None
        None where no frame can bear such an identifier.

    Examples
    --------
    >>> numbered(0x123), numbered(0x8CF00400), numbered(0x4000_0123)
    ((291, ''), (2364539904, ''), None)
    """
    if written <= MOST_BASE or FLAG_EXTENDED <= written <= FLAG_EXTENDED + MOST_EXTENDED:
        return written, ""
    if written <= MOST_EXTENDED:
        expected = f"at most 11 bits, or 29 bits with 2147483648 added to the number: {written + FLAG_EXTENDED}"
        return written + FLAG_EXTENDED, expected
    return None


def unfit(match: re.Match[str]) -> str:
    """Return what is expected of a signal's numbers and not met, empty if all can be used."""
    length, start = int(match["length"][:9]), int(match["start"][:9])
    if not 0 < length < MOST_BITS:
        return "a length of at least 1 bit" if not length else f"a length of less than {MOST_BITS} bits"
    if start >= MOST_BITS:
        return f"a start bit below {MOST_BITS}"
    if not all(math.isfinite(float(match[part])) for part in ("scale", "offset", "minimum", "maximum")):
        return "numbers that a computer can hold"
    if len(match["mark"] or "") > 12:  # noqa: PLR2004 – ten digits hold any 32-bit multiplexer
        return "a page number of 32 bits"
    return ""
