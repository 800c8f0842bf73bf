"""Messages: what python-can read of a recording, checked one by one, as a Trace.

Text goes through it line by line, so that it can be told what became of each; of databases it is asked for one record
after the other.
"""

from __future__ import annotations

import binascii
import logging
import math
import re
import shutil
import sqlite3
import struct
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canlens.readers.engine.assembly import ProblemList, RemarkList, segments_of
from canlens.readers.engine.grammar import READABLE, TOO_LONG, readable
from canlens.trace import COLUMNS, NANOSECONDS_PER_SECOND, Kind, Payload, Problem, Remark, Source, Trace
from canlens.wire import FD_DLC, FD_LENGTH

if TYPE_CHECKING:
    from collections.abc import Iterable

    from can import Message

    from canlens.readers.opening import Opened

TROUBLE: Final = (
    *(ArithmeticError, AttributeError, EOFError, LookupError, MemoryError, NotImplementedError, OSError, TypeError),
    *(ValueError, binascii.Error, sqlite3.Error, struct.error, zlib.error),
)
"""Everything that python-can has been seen to raise on damaged files."""

logging.getLogger("can").addHandler(logging.NullHandler())  # what it cannot read is told as a problem

LONGEST_TEXT: Final = 1 << 16
STATUS: Final = re.compile(rb"\b(?:Warng|ST|EC|EV|Event|Status)\b|\bFFFFFFFF\b")

LARGEST: Final = {False: 0x7FF, True: 0x1FFFFFFF}
LATEST_S: Final = 2**63 / NANOSECONDS_PER_SECOND
LONGEST_CLASSICAL: Final = 8
COARSE_FROM_S: Final = 2**29
FLOAT_RESOLUTION_NS: Final = 1000
"""python-can keeps time stamps as floats; those of our years step by 0.24 µs."""


@dataclass
class MessageList:
    """Messages in file order, on their way to become columns.

    Attributes
    ----------
    channel_of
        Turns the channel of python-can back into the name as written.
    has_classes
        Whether the identifier of an error record holds its classes.
    is_text
        Whether a frame may have been cut off behind a data byte.
    """

    channel_of: Callable[[object], str] = str
    has_classes: bool = True
    is_text: bool = False
    rows: list[tuple[int | bool, ...]] = field(default_factory=list)
    payloads: list[bytes] = field(default_factory=list)
    channels: dict[str, int] = field(default_factory=dict)
    problems: ProblemList = field(default_factory=ProblemList)
    remarks: RemarkList = field(default_factory=RemarkList)

    def add(self, message: Message, line: int) -> str:
        """Take in one message; return what should stand there instead, if it cannot be."""
        told: tuple[object, object] = (message.timestamp, message.arbitration_id)  # a damaged database tells anything
        if not isinstance(told[0], int | float) or not isinstance(told[1], int):
            return "a time stamp and an identifier"
        length: object = message.dlc
        if not isinstance(length, int) or length < 0:
            return "a length of 0 or more"
        if not -LATEST_S < message.timestamp < LATEST_S:  # false for what is no number, too
            return "a time stamp before the year 2262"
        is_error = bool(message.is_error_frame)
        kind = Kind.ERROR if is_error else Kind.REMOTE if message.is_remote_frame else Kind.DATA
        payload = b"" if kind is Kind.REMOTE else bytes(message.data)[: int(FD_LENGTH[-1])]
        wrong = self._unlike_a_frame(message, payload, kind)
        if wrong:
            return wrong
        identifier = 0 if is_error and not self.has_classes else message.arbitration_id & LARGEST[True]
        name = self.channel_of(message.channel)
        self.rows.append((
            _nanoseconds(message.timestamp), 0, self.channels.setdefault(name, len(self.channels)),
            identifier, bool(message.is_extended_id) and not is_error, int(kind), bool(message.is_fd),
            bool(message.bitrate_switch), bool(message.error_state_indicator), bool(message.is_rx),
            _dlc(message, payload, kind), line,
        ))  # fmt: skip
        self.payloads.append(payload)
        return ""

    def _unlike_a_frame(self, message: Message, payload: bytes, kind: Kind) -> str:
        """Tell what no frame on a bus can have; error records may."""
        if kind is Kind.ERROR:
            return ""
        if not 0 <= message.arbitration_id <= LARGEST[bool(message.is_extended_id)]:
            return f"an identifier of at most 0x{LARGEST[bool(message.is_extended_id)]:X}"
        if len(payload) > LONGEST_CLASSICAL and not message.is_fd:
            return f"at most {LONGEST_CLASSICAL} data bytes in a classical frame"
        due = min(int(message.dlc), int(FD_LENGTH[-1]) if message.is_fd else LONGEST_CLASSICAL)
        if kind is Kind.DATA and len(payload) < due and (self.is_text or not message.is_fd):
            return f"{due} data bytes, as the length says"
        return ""

    def trace(self, source: Source) -> Trace:
        """Make the trace."""
        table = list(zip(*self.rows, strict=True)) or [()] * len(COLUMNS)
        columns: dict[str, Any] = {
            name: np.array(values, dtype) for (name, dtype), values in zip(COLUMNS.items(), table, strict=True)
        }
        columns["segment"] = segments_of(columns["time_ns"], columns["line"], [])
        return Trace(
            **columns,
            payload=Payload.of(self.payloads),
            channels=tuple(self.channels),
            problems=self.problems.as_tuple(),
            remarks=self.remarks.as_tuple(),
            source=source,
        )


def _nanoseconds(stamp_s: float) -> int:
    """Return a time stamp [ns]; of an absolute one, which a float holds to 0.24 µs, the nearest microsecond."""
    whole = math.floor(stamp_s)
    if abs(whole) < COARSE_FROM_S:
        return whole * NANOSECONDS_PER_SECOND + round((stamp_s - whole) * NANOSECONDS_PER_SECOND)
    return whole * NANOSECONDS_PER_SECOND + round((stamp_s - whole) * 1e6) * FLOAT_RESOLUTION_NS


def _dlc(message: Message, payload: bytes, kind: Kind) -> int:
    """Return the code that was sent; python-can tells lengths."""
    if kind is Kind.REMOTE or (not message.is_fd and message.dlc <= LONGEST_CLASSICAL):
        return min(int(message.dlc), 15)
    length = max(len(payload), int(message.dlc)) if message.dlc <= int(FD_LENGTH[-1]) else len(payload)
    return int(FD_DLC[length])


def guarded(messages: Iterable[Message], *further: type[Exception]) -> Iterator[Message | str]:
    """Yield messages; where python-can gives up, by ``further`` exceptions too, say why and end."""
    iterator = iter(messages)
    while True:
        try:
            message = next(iterator)
        except StopIteration:
            return
        except TROUBLE + further as error:
            yield str(error) or type(error).__name__
            return
        yield message


def finish(read: MessageList, opened: Opened, name: str, *, can_hold_errors: bool) -> Trace:
    """Make the trace of an opened file."""
    for problem in opened.problems:
        read.problems.add(problem)
    return read.trace(
        Source(
            opened.name, opened.sha256(), name, can_hold_errors=can_hold_errors, stamp_resolution_ns=FLOAT_RESOLUTION_NS
        )
    )


IsHeader = Callable[[bytes, int], bool]
Make = Callable[["MessageLines"], Iterator["Message"]]


class MessageLines:
    """The lines of a stream as python-can wants them, counted; it may start over with the header."""

    def __init__(self, opened: Opened, is_header: IsHeader) -> None:
        self._stream = opened.stream
        self._is_header = is_header
        self._header: list[str] = []
        self._again: list[str] = []
        self.number = 0
        self.line = b""
        self.passed: list[tuple[int, bytes]] = []
        self._ended = False

    def __iter__(self) -> MessageLines:
        return self

    def __next__(self) -> str:
        if self._again:
            return self._again.pop(0)
        self.line = self._stream.readline(LONGEST_TEXT)
        if not self.line:
            self._ended = True
            raise StopIteration
        self.number += 1
        if len(self.line) == LONGEST_TEXT and not self.line.endswith(b"\n"):
            while (more := self._stream.readline(LONGEST_TEXT)) and not more.endswith(b"\n"):
                pass
        self.passed.append((self.number, self.line))
        text = self.line.decode("utf-8", "replace")
        if self._is_header(self.line, self.number):
            self._header.append(text)
        return text

    def at_end(self) -> bool:
        """Tell whether the last line has been read."""
        return self._ended

    def start_over(self) -> None:
        """Let the next reader see the header once more and then go on; a line of it at which it stopped is left out."""
        if self._header and self._header[-1] == self.line.decode("utf-8", "replace"):
            self._header.pop()
        self._again = list(self._header)

    def read(self) -> str:
        """Stand for a method by which python-can tells files from paths."""
        return "".join(self)

    def write(self, text: str) -> int:
        """Stand for a method by which python-can tells files from paths."""
        raise NotImplementedError(text)

    def close(self) -> None:
        """Leave the stream open; who opened it closes it."""


def read_lines(opened: Opened, name: str, make: Make, is_header: IsHeader, expected: str) -> Trace:
    """Read text through python-can, which is asked again behind each line at which it gives up.

    Parameters
    ----------
    make
        Makes a reader of python-can over some lines; it may fail at once.
    is_header
        Tells a line, by its bytes and its number, that every reader must see again.
    expected
        What should stand in place of a line that cannot be read.
    """
    read = MessageList(channel_of=lambda channel: "" if channel is None else str(channel), is_text=True)
    lines = MessageLines(opened, is_header)
    while not lines.at_end():
        reached = lines.number
        lines.start_over()
        for message in _messages(make, lines):
            if isinstance(message, str) and lines.at_end():
                break  # there was no line left to stumble over
            number, line = lines.number, lines.line
            if lines.passed and lines.passed[-1][0] == number:
                lines.passed.pop()
            wrong = expected if isinstance(message, str) else read.add(message, number)
            if len(line) >= LONGEST_TEXT:
                wrong = TOO_LONG
            if wrong:
                read.problems.add(Problem(number, readable(line), wrong))
            _account_for(lines, read, is_header, expected)
        _account_for(lines, read, is_header, expected)
        if lines.number == reached:  # python-can stumbles over the header itself, and would do so for ever
            for _ in lines:
                _account_for(lines, read, is_header, expected)
    return finish(read, opened, name, can_hold_errors=name != "trc")


def _messages(make: Make, lines: MessageLines) -> Iterator[Message | str]:
    """Yield what a reader finds; also its making may fail."""

    def all_of() -> Iterator[Message]:
        yield from make(lines)

    return guarded(all_of())


def _account_for(lines: MessageLines, read: MessageList, is_header: IsHeader, expected: str) -> None:
    """Say what became of the lines of which python-can made nothing."""
    for number, line in lines.passed:
        if is_header(line, number) or not line.strip():
            continue
        if STATUS.search(line) or line.lstrip().startswith(b";"):
            read.remarks.add([Remark(number, line.decode("utf-8", "replace").strip()[: 4 * READABLE])])
        else:
            read.problems.add(Problem(number, readable(line), expected))
    lines.passed.clear()


def take_all(out: MessageList, messages: Iterable[Message | str]) -> None:
    """Take in the messages of a database, record by record, or say why there is none."""
    for number, message in enumerate(messages, 1):
        wrong = message if isinstance(message, str) else out.add(message, number)
        if wrong:
            found = "a record that python-can cannot read" if isinstance(message, str) else "a record"
            out.problems.add(Problem(number, found, wrong))


@contextmanager
def on_disk(opened: Opened, suffix: str) -> Iterator[Path]:
    """Give the plain bytes a path."""
    if opened.path is not None and opened.path.is_file():  # a pipe has a name but can be read only once
        yield opened.path
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"recording{suffix}"
        with path.open("wb") as file:
            shutil.copyfileobj(opened.stream, file)
        yield path
