"""CSV in the form of python-can and through it, line by line, so that damage of one line harms only that line."""

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

HEADER: Final = re.compile(
    rb'(?:sep=.\r?\n)?\s*"?timestamp"?(?P<mark> *[,;\t] *)'
    + rb"(?P=mark)".join(
        rb'"?%b"?' % name for name in (b"arbitration_id", b"extended", b"remote", b"error", b"dlc", b"data")
    ),
    re.IGNORECASE,
)
ROW: Final = re.compile(
    r"-?[0-9]+(?:\.[0-9]+)?(?:e-[0-9]+)?,0x[0-9a-f]{1,8},[01],[01],[01],[0-9]{1,2},[a-z0-9+/]*={0,2}", re.IGNORECASE
)
MARK: Final = "sep="
FIELDS: Final = 7
EXPECTED: Final = "seven fields, as the header says, such as 1.25,0x123,0,0,0,2,ESI="


class _Commas:
    """Rows of a CSV file as python-can writes them, though a spreadsheet may have saved them in its own way."""

    def __init__(self, lines: MessageLines) -> None:
        self._lines = lines
        self._mark = ","
        self._has_header = False
        self.read, self.write, self.close = lines.read, lines.write, lines.close

    def __iter__(self) -> _Commas:
        return self

    def __next__(self) -> str:
        while True:
            text = next(self._lines)
            if header := HEADER.match(text.encode()):
                self._mark = header["mark"].decode().strip() or "\t"
                if not self._has_header:
                    self._has_header = True
                    return text
            elif text.strip() and not text.startswith(MARK):
                return self._row(text)

    def _row(self, text: str) -> str:
        fields = [field.strip().strip('"').strip() for field in text.split(self._mark)]
        while len(fields) > FIELDS and not fields[-1]:
            fields.pop()  # a spreadsheet that had wider rows
        if self._mark != ",":
            fields[0] = fields[0].replace(",", ".")
        row = ",".join(fields)
        return row + "\n" if ROW.fullmatch(row) else ""  # python-can would read what is no number as 0


def _messages(lines: MessageLines) -> Iterator[Message]:
    from can.io.csv import CSVReader  # noqa: PLC0415 – as above

    return iter(CSVReader(_Commas(lines)))  # type: ignore[arg-type]  # it only iterates


def read(opened: Opened) -> Trace:
    """Read the CSV form of python-can."""
    return read_lines(opened, "csv", _messages, _is_csv_header, EXPECTED)


def _is_csv_header(line: bytes, _: int) -> bool:
    return HEADER.match(line) is not None or line.startswith(MARK.encode())


def recognises(head: bytes) -> bool:
    """Tell whether a file starts with the header of python-can's CSV form."""
    return HEADER.match(head) is not None


READER: Final = Reader(
    "csv",
    recognises,
    read,
    keeps="frames, error frames without their class",
    cannot_hold="channel, direction, CAN FD flags",
)
