"""TRC through python-can, line by line, so that damage of one line harms only that line."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from canlens.readers.engine.foreign_messages import MessageLines, read_lines
from canlens.readers.opening import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from can import Message

    from canlens.readers.opening import Opened
    from canlens.trace import Trace

START: Final = re.compile(rb"\s*;(?:\$FILEVERSION\b|#{5}|\s*-{3})", re.IGNORECASE)
ROW: Final = re.compile(rb"^\s*\d+\)\s+\d+(?:\.\d+)?\s+(?:(?:Rx|Tx|Warng|Error)\s+)?[0-9A-F]{4,8}\s+\d\b", re.MULTILINE)
VERSION_1_2: Final = re.compile(r"\s*;\$FILEVERSION\s*=\s*1\.2\s*$", re.IGNORECASE)
ROW_1_2: Final = re.compile(r"^(\s*[0-9]+\)\s+[0-9]+\.[0-9]+\s+[0-9]+\s+\w+\s+[0-9A-F]+)(?=\s)")


class _Newer:
    """Lines of a TRC file as python-can understands them: those of version 1.2 with the dash of version 1.3."""

    def __init__(self, lines: MessageLines) -> None:
        self._lines = lines
        self._is_1_2 = False
        self.read, self.write, self.close = lines.read, lines.write, lines.close

    def __iter__(self) -> _Newer:
        return self

    def __next__(self) -> str:
        text = next(self._lines)
        if VERSION_1_2.match(text):
            self._is_1_2 = True
            return ";$FILEVERSION=1.3\n"
        if text.startswith(";$"):
            return text.rstrip().rstrip(";") + "\n"
        return ROW_1_2.sub(r"\1  -", text) if self._is_1_2 else text


def _messages(lines: MessageLines) -> Iterator[Message]:
    from can.io.trc import TRCReader  # noqa: PLC0415 – 0.1 s that only readers of such files pay

    return iter(TRCReader(_Newer(lines)))  # type: ignore[arg-type]  # it only iterates


def read(opened: Opened) -> Trace:
    """Read a TRC file of any version that python-can knows."""
    return read_lines(
        opened, "trc", _messages, lambda line, _: line.startswith(b";$"), "a row as the columns of this TRC file say"
    )


def recognises(head: bytes) -> bool:
    """Tell whether the head of a file is that of a TRC file."""
    return START.match(head) is not None or (head.lstrip().startswith(b";") and ROW.search(head) is not None)


READER: Final = Reader(
    "trc",
    recognises,
    read,
    keeps="frames, direction; warning and status rows as remarks",
    cannot_hold="the error class; in old versions the channel and the date",
)
