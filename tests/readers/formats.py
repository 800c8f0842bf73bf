"""Recordings of any format, for the tests that hold for every reader.

The test of each reader, ``test_<name of the reader>.py``, says in ``FORMAT`` what its format can hold, and how to write
it where python-can does not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import can

from canlens.readers import read_trace
from canlens.trace import Kind, Trace

if TYPE_CHECKING:
    from pathlib import Path

EPOCH_S = 1_436_509_052.25
EPOCH_NS = 1_436_509_052_250_000_000
STEP_S = 0.0625  # exactly held by a float, and by a stamp of milliseconds or microseconds


@dataclass(frozen=True)
class Format:
    """A format and what it can hold.

    Attributes
    ----------
    name
        Of its reader.
    suffix
        By which python-can chooses the writer.
    first_line
        Line (record) number of the first frame.
    text
        Writes frames as text; ``None``: python-can does.
    options
        For the writer of python-can.
    needs
        A further package, without which the tests are skipped.
    end
        How the file goes on behind the last frame.
    is_text
        Whether a line of the file is a record.
    writes_length
        Whether a frame says how many data bytes it has.
    holds_channel, holds_direction, holds_extended, holds_fd, holds_remote, is_absolute
        What a frame keeps in this format.
    """

    name: str
    suffix: str = ""
    first_line: int = 1
    text: Callable[[list[can.Message]], str] | None = None
    options: dict[str, Any] = field(default_factory=dict)
    needs: str = ""
    end: bytes = b""
    is_text: bool = True
    writes_length: bool = True
    holds_channel: bool = True
    holds_direction: bool = True
    holds_extended: bool = True
    holds_fd: bool = True
    holds_remote: bool = True
    is_absolute: bool = True

    def write(self, path: Path, messages: list[can.Message]) -> bytes:
        """Write a recording; return its bytes."""
        if self.text is not None:
            path.write_bytes(self.text(messages).encode())
            return path.read_bytes()
        with can.Logger(path, **self.options) as writer:
            for message in messages:
                writer.on_message_received(message)
        return path.read_bytes()


def frames(form: Format, count: int, *, fd: bool = False) -> list[can.Message]:
    """Make frames of both forms, all lengths, two channels and both directions; every seventh is remote."""
    return [_frame(form, number, fd=fd) for number in range(count)]


def _frame(form: Format, number: int, *, fd: bool) -> can.Message:
    length = (0, 1, 8, 12, 64)[number % 5] if fd else number % 9
    is_remote = form.holds_remote and not fd and number % 7 == 6
    is_extended = form.holds_extended and not number % 2
    return can.Message(
        timestamp=EPOCH_S + STEP_S * number,
        arbitration_id=(0x18FEF100 if is_extended else 0x100) + number,
        is_extended_id=is_extended,
        is_remote_frame=is_remote,
        is_fd=fd,
        bitrate_switch=fd and bool(number % 3),
        error_state_indicator=fd and bool(number % 5),
        is_rx=bool(number % 3),
        channel=number // 2 % 2,
        dlc=length,
        data=None if is_remote else bytes(range(number, number + length)),
    )


def facts(trace: Trace, form: Format) -> list[tuple[object, ...]]:
    """Return what each frame of a trace tells, as far as the format can hold it."""
    return [
        (
            int(trace.time_ns[row]) - trace.start_ns,
            int(trace.identifier[row]),
            bool(trace.is_extended[row]),
            int(trace.kind[row]),
            trace.payload[row],
            bool(trace.is_rx[row]) if form.holds_direction else None,
            bool(trace.is_fd[row]),
            bool(trace.bit_rate_switch[row]),
            bool(trace.error_state_indicator[row]),
        )
        for row in range(len(trace))
    ]


def expected(messages: list[can.Message], form: Format) -> list[tuple[object, ...]]:
    """Return the same of the messages that were written."""
    return [
        (
            round((message.timestamp - messages[0].timestamp) * 1e9),
            message.arbitration_id,
            message.is_extended_id,
            int(Kind.REMOTE if message.is_remote_frame else Kind.DATA),
            bytes(message.data),
            message.is_rx if form.holds_direction else None,
            message.is_fd,
            message.bitrate_switch,
            message.error_state_indicator,
        )
        for message in messages
    ]


Reading = Callable[[bytes], Trace]


def read_bytes(path: Path, content: bytes) -> Trace:
    """Put bytes into a file and read it."""
    path.write_bytes(content)
    return read_trace(path)
