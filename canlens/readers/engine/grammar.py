"""What a log's grammar says about one line: the nouns between a format and the engine that reads it.

A format states its grammar once, as regular expressions over one line. The engine asks the grammar about a
single line and then reads all lines that look alike by the answer, see :mod:`canlens.readers.engine.layouts`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from canlens.readers.opening import LONGEST_LINE
from canlens.trace import Kind

if TYPE_CHECKING:
    import re
    from collections.abc import Callable

READABLE: Final = 60
"""Characters of a line that are shown to a person."""

TOO_LATE: Final = "a time stamp before the year 2262"
TOO_LONG: Final = f"a line of at most {LONGEST_LINE} characters"


@dataclass(frozen=True)
class Dialect:
    """What a file said of itself so far and what changes the meaning of its lines.

    Attributes
    ----------
    base
        Of identifiers and data bytes: 16 or 10.
    relative
        Whether a time stamp counts from the line before it.
    """

    base: int = 16
    relative: bool = False


@dataclass(frozen=True, slots=True)
class Span:
    """Columns ``start`` up to, not including, ``stop`` of a line."""

    start: int
    stop: int


@dataclass(frozen=True)
class Constants:
    """What all frames of one layout share.

    Attributes
    ----------
    identifier_bits
        Bits of the identifier that do not stand among its digits.
    """

    channel: bytes
    kind: Kind = Kind.DATA
    is_extended: bool = False
    is_fd: bool = False
    bit_rate_switch: bool = False
    error_state_indicator: bool = False
    is_rx: bool = True
    dlc: int = 0
    payload_length: int = 0
    identifier_bits: int = 0

    @property
    def largest_identifier(self) -> int:
        """The largest number that eleven or 29 bits hold; the classes of an error record take 29."""
        return 0x1FFFFFFF if self.is_extended or self.kind is Kind.ERROR else 0x7FF


@dataclass(frozen=True)
class FrameLine:
    """One line that records a frame, and where its numbers stand.

    Attributes
    ----------
    constants
        Everything that the other columns of the line fix.
    channel
        The columns of its name; empty if it stands in none.
    seconds, fraction
        Digits of the time stamp before and after the decimal sign; at most ten and nine.
    identifier
        Its digits, at most ten; empty span: there are none.
    payload
        The columns of the data bytes, from the first to the last digit. Without data bytes: the empty span where the
        columns before them end.
    base
        Of the identifier's and the data's digits; data bytes have two hexadecimal ones, or one to three decimal ones.
    joint
        What stands between two data bytes, such as a blank or a dash; empty: nothing.
    counted
        Column of a digit that tells the number of data bytes, -1 if the end of the line tells it.
    is_fixed
        Whether lines with more or fewer data bytes differ in more than that.
    tail_kind
        Lines of one kind may exchange all that follows the data bytes, nothing included; empty: they may not.
    passed_over
        Columns of decimal digits that mean nothing to us but may differ from line to line.
    unread
        Columns in which any character may stand.
    remark
        Whether the line says more than a frame can hold and is therefore also kept as written.
    """

    constants: Constants
    channel: Span
    seconds: Span
    fraction: Span
    identifier: Span
    payload: Span
    base: int = 16
    joint: bytes = b""
    counted: int = -1
    is_fixed: bool = True
    tail_kind: str = ""
    passed_over: tuple[Span, ...] = ()
    unread: tuple[Span, ...] = ()
    remark: bool = False

    def __post_init__(self) -> None:
        if self.joint and not self.is_fixed and self.counted < 0:
            raise ValueError("the end of a line tells the number of data bytes only where nothing stands between them")

    @classmethod
    def of(cls, match: re.Match[bytes], constants: Constants, *, joint: bytes = b"") -> FrameLine:
        """Make one of a match whose groups bear the names of the columns; the payload may be missing."""
        channel, seconds, fraction, identifier = (
            Span(*match.span(name)) for name in ("channel", "seconds", "fraction", "identifier")
        )
        has_payload = "payload" in match.re.groupindex and match["payload"] is not None
        payload = Span(*match.span("payload")) if has_payload else Span(match.end(), match.end())
        return cls(constants, channel, seconds, fraction, identifier, payload, joint=joint)

    @property
    def run(self) -> int:
        """Column where the data bytes begin, each with the character before it if they are joined by one."""
        return self.payload.start - (len(self.joint) if self.payload.start < self.payload.stop else 0)

    @property
    def pitch(self) -> int:
        """Columns from one data byte to the next."""
        return 2 + len(self.joint)


@dataclass(frozen=True)
class OtherLine:
    """One line that records no frame.

    Attributes
    ----------
    expected
        What should stand there; empty where nothing is wrong.
    remark
        Whether the recorder speaks of itself.
    stamp_ns
        Time stamp [ns]; -1 if the line bears none.
    dialect
        The dialect of the lines that follow, if this line changes it.
    restart
        Whether the clock may start anew after this line.
    """

    expected: str = ""
    remark: bool = False
    stamp_ns: int = -1
    dialect: Dialect | None = None
    restart: bool = False


@dataclass(frozen=True)
class Grammar:
    """A format of one line a record.

    Attributes
    ----------
    read_line
        Tells what one line (without its end) is; may be asked about any bytes.
    writes_length
        Whether a frame says how many data bytes it has, so that a cut can be seen.
    block
        Bytes of text that are read at once: enough lines of each layout to pay for the calls, few enough for the cache.
    """

    name: str
    read_line: Callable[[bytes, Dialect], FrameLine | OtherLine]
    can_hold_errors: bool = True
    writes_length: bool = True
    block: int = 1 << 20
    dialect: Dialect = field(default_factory=Dialect)


def readable(line: bytes) -> str:
    """Return the line as a person can read it, cut to :data:`READABLE` characters."""
    text = line[: 4 * READABLE].decode("utf-8", "replace")
    shown = "".join(char if char.isprintable() else ascii(char)[1:-1] for char in text.strip("\r\n"))
    return shown if len(shown) <= READABLE and len(line) <= 4 * READABLE else shown[: READABLE - 1] + "…"
