"""TRC and CSV through python-can, line by line, so that damage of one line harms only that line."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from canlens.readers.grammar import READABLE, TOO_LONG, readable
from canlens.readers.messages import MessageList, finish, guarded
from canlens.readers.reader import Reader
from canlens.trace import Problem, Remark, Trace

if TYPE_CHECKING:
    from can import Message

    from canlens.readers.opening import Opened

LONGEST: Final = 1 << 16
CSV_HEADER: Final = re.compile(
    rb'(?:sep=.\r?\n)?\s*"?timestamp"?(?P<mark> *[,;\t] *)'
    + rb"(?P=mark)".join(
        rb'"?%b"?' % name for name in (b"arbitration_id", b"extended", b"remote", b"error", b"dlc", b"data")
    ),
    re.IGNORECASE,
)
CSV_ROW: Final = re.compile(
    r"-?[0-9]+(?:\.[0-9]+)?(?:e-[0-9]+)?,0x[0-9a-f]{1,8},[01],[01],[01],[0-9]{1,2},[a-z0-9+/]*={0,2}", re.IGNORECASE
)
CSV_MARK: Final = "sep="
CSV_FIELDS: Final = 7
CSV_EXPECTED: Final = "seven fields, as the header says, such as 1.25,0x123,0,0,0,2,ESI="
TRC_START: Final = re.compile(rb"\s*;(?:\$FILEVERSION\b|#{5}|\s*-{3})", re.IGNORECASE)
TRC_ROW: Final = re.compile(
    rb"^\s*\d+\)\s+\d+(?:\.\d+)?\s+(?:(?:Rx|Tx|Warng|Error)\s+)?[0-9A-F]{4,8}\s+\d\b", re.MULTILINE
)
TRC_1_2: Final = re.compile(r"\s*;\$FILEVERSION\s*=\s*1\.2\s*$", re.IGNORECASE)
TRC_1_2_ROW: Final = re.compile(r"^(\s*[0-9]+\)\s+[0-9]+\.[0-9]+\s+[0-9]+\s+\w+\s+[0-9A-F]+)(?=\s)")
TRC_STATUS: Final = re.compile(rb"\b(?:Warng|ST|EC|EV|Event|Status)\b|\bFFFFFFFF\b")

Make = Callable[["_Lines"], Iterator["Message"]]


class _Lines:
    """The lines of a stream as python-can wants them, counted; it may start over with the header."""

    def __init__(self, opened: Opened, is_header: Callable[[bytes, int], bool]) -> None:
        self._stream = opened.stream
        self._is_header = is_header
        self._header: list[str] = []
        self._again: list[str] = []
        self.number = 0
        self.line = b""
        self.passed: list[tuple[int, bytes]] = []
        self._ended = False

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if self._again:
            return self._again.pop(0)
        self.line = self._stream.readline(LONGEST)
        if not self.line:
            self._ended = True
            raise StopIteration
        self.number += 1
        if len(self.line) == LONGEST and not self.line.endswith(b"\n"):
            while (more := self._stream.readline(LONGEST)) and not more.endswith(b"\n"):
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


def _read(opened: Opened, name: str, make: Make, is_header: Callable[[bytes, int], bool], expected: str) -> Trace:
    read = MessageList(channel_of=lambda channel: "" if channel is None else str(channel), is_text=True)
    lines = _Lines(opened, is_header)
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
            if len(line) >= LONGEST:
                wrong = TOO_LONG
            if wrong:
                read.problems.add(Problem(number, readable(line), wrong))
            _account_for(lines, read, is_header, expected)
        _account_for(lines, read, is_header, expected)
        if lines.number == reached:  # python-can stumbles over the header itself, and would do so for ever
            for _ in lines:
                _account_for(lines, read, is_header, expected)
    return finish(read, opened, name, can_hold_errors=name != "trc")


def _messages(make: Make, lines: _Lines) -> Iterator[Message | str]:
    """Yield what a reader finds; also its making may fail."""

    def all_of() -> Iterator[Message]:
        yield from make(lines)

    return guarded(all_of())


def _account_for(lines: _Lines, read: MessageList, is_header: Callable[[bytes, int], bool], expected: str) -> None:
    """Say what became of the lines of which python-can made nothing."""
    for number, line in lines.passed:
        if is_header(line, number) or not line.strip():
            continue
        if TRC_STATUS.search(line) or line.lstrip().startswith(b";"):
            read.remarks.add([Remark(number, line.decode("utf-8", "replace").strip()[: 4 * READABLE])])
        else:
            read.problems.add(Problem(number, readable(line), expected))
    lines.passed.clear()


def _make_trc(lines: _Lines) -> Iterator[Message]:
    from can.io.trc import TRCReader  # noqa: PLC0415 – 0.1 s that only readers of such files pay

    return iter(TRCReader(_Newer(lines)))  # type: ignore[arg-type]  # it only iterates


class _Newer:
    """Lines of a TRC file as python-can understands them: those of version 1.2 with the dash of version 1.3."""

    def __init__(self, lines: _Lines) -> None:
        self._lines = lines
        self._is_1_2 = False
        self.read, self.write, self.close = lines.read, lines.write, lines.close

    def __iter__(self) -> _Newer:
        return self

    def __next__(self) -> str:
        text = next(self._lines)
        if TRC_1_2.match(text):
            self._is_1_2 = True
            return ";$FILEVERSION=1.3\n"
        if text.startswith(";$"):
            return text.rstrip().rstrip(";") + "\n"
        return TRC_1_2_ROW.sub(r"\1  -", text) if self._is_1_2 else text


class _Commas:
    """Rows of a CSV file as python-can writes them, though a spreadsheet may have saved them in its own way."""

    def __init__(self, lines: _Lines) -> None:
        self._lines = lines
        self._mark = ","
        self._has_header = False
        self.read, self.write, self.close = lines.read, lines.write, lines.close

    def __iter__(self) -> _Commas:
        return self

    def __next__(self) -> str:
        while True:
            text = next(self._lines)
            if header := CSV_HEADER.match(text.encode()):
                self._mark = header["mark"].decode().strip() or "\t"
                if not self._has_header:
                    self._has_header = True
                    return text
            elif text.strip() and not text.startswith(CSV_MARK):
                return self._row(text)

    def _row(self, text: str) -> str:
        fields = [field.strip().strip('"').strip() for field in text.split(self._mark)]
        while len(fields) > CSV_FIELDS and not fields[-1]:
            fields.pop()  # a spreadsheet that had wider rows
        if self._mark != ",":
            fields[0] = fields[0].replace(",", ".")
        row = ",".join(fields)
        return row + "\n" if CSV_ROW.fullmatch(row) else ""  # python-can would read what is no number as 0


def _make_csv(lines: _Lines) -> Iterator[Message]:
    from can.io.csv import CSVReader  # noqa: PLC0415 – as above

    return iter(CSVReader(_Commas(lines)))  # type: ignore[arg-type]  # it only iterates


def read_trc(opened: Opened) -> Trace:
    """Read a TRC file of any version that python-can knows."""
    return _read(
        opened, "trc", _make_trc, lambda line, _: line.startswith(b";$"), "a row as the columns of this TRC file say"
    )


def read_csv(opened: Opened) -> Trace:
    """Read the CSV form of python-can."""
    return _read(opened, "csv", _make_csv, _is_csv_header, CSV_EXPECTED)


def _is_csv_header(line: bytes, _: int) -> bool:
    return CSV_HEADER.match(line) is not None or line.startswith(CSV_MARK.encode())


def recognises_trc(head: bytes) -> bool:
    """Tell whether the head of a file is that of a TRC file."""
    return TRC_START.match(head) is not None or (head.lstrip().startswith(b";") and TRC_ROW.search(head) is not None)


def recognises_csv(head: bytes) -> bool:
    """Tell whether a file starts with the header of python-can's CSV form."""
    return CSV_HEADER.match(head) is not None


TRC: Final = Reader(
    "trc",
    recognises_trc,
    read_trc,
    keeps="frames, direction; warning and status rows as remarks",
    cannot_hold="the error class; in old versions the channel and the date",
)
CSV: Final = Reader(
    "csv",
    recognises_csv,
    read_csv,
    keeps="frames, error frames without their class",
    cannot_hold="channel, direction, CAN FD flags",
)
