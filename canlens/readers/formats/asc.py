"""ASC: text recordings with a header, an event a line, in several dialects.

::

    date Sam Sep 30 15:06:13.191 2017
    base hex  timestamps absolute
    internal events logged
    Begin Triggerblock Sam Sep 30 15:06:13.191 2017
       0.000000 Start of measurement
      17.876708 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 00  Length = 240015 BitCount = 124 ID = 1785
    End TriggerBlock

Times count from the start of the measurement; the date stays among the remarks, since it is written in any
language and says nothing of the zone.

References
----------
There is no public specification; the forms are those of the sample files of python-can 4.6.1 (``test/data``).
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canlens.readers.engine import Constants, Dialect, FrameLine, Grammar, OtherLine, Span, line_reader
from canlens.readers.engine.grammar import readable
from canlens.readers.opening import Reader
from canlens.trace import Kind, Problem, Remark
from canlens.wire import CLASSICAL_LENGTH, FD_LENGTH

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.readers.opening import Opened
    from canlens.trace import Trace

STAMP: Final = rb"\s* 0*(?P<seconds>[0-9]{1,10}) [.,] (?P<fraction>[0-9]{1,9})[0-9]* \s+ "
IDENTIFIER: Final = rb"(?P<identifier>[0-9A-Fa-f]{1,10}) (?P<extended>[xX])? \s+ "
DIRECTION: Final = rb"(?P<direction>Rx|TxRq|Tx) \s+ "
BYTES: Final = rb"(?P<payload> (?: \s+ [0-9A-Fa-f]{1,3} (?!\S) )* )"
FIELDS: Final = (
    rb"(?: \s+ Length \s* = \s* (?P<length>[0-9]+) )?"
    rb"(?: \s+ BitCount \s* = \s* (?P<bits>[0-9]+) )?"
    rb"(?: \s+ ID \s* = \s* (?P<number>[0-9]+) x? )?"
    rb"(?: \s+ // .* )? \s*"
)
OPTIONS: Final = re.VERBOSE | re.IGNORECASE
CLASSICAL: Final = re.compile(
    STAMP + rb"(?P<channel>[0-9]+) \s+ " + IDENTIFIER + DIRECTION
    + rb"(?: d \s+ (?P<dlc>[0-9A-Fa-f]{1,2}) (?!\S)" + BYTES
    + rb"  | (?P<remote>r) (?: \s+ (?P<remote_dlc>[0-9A-Fa-f]{1,2}) (?!\S) )? )" + FIELDS,
    OPTIONS,
)  # fmt: skip
FD: Final = re.compile(
    STAMP + rb"CANFD \s+ (?P<channel>[0-9]+) \s+ " + DIRECTION + IDENTIFIER
    + rb"(?: (?![01]\s+[01]\s+[0-9A-Fa-f]\s) \S+ \s+ )?"  # a symbolic name
    + rb"(?P<switch>[01]) \s+ (?P<indicator>[01]) \s+ (?P<dlc>[0-9A-Fa-f]) \s+ (?P<count>[0-9]{1,2}) (?!\S)"
    + rb"(?P<rest> .* )",
    OPTIONS | re.DOTALL,
)  # fmt: skip
FD_TAIL: Final = re.compile(
    rb"(?: \s+ (?P<duration>[0-9]+) \s+ (?P<bits>[0-9]+) \s+ (?P<flags>[0-9A-Fa-f]+)"
    rb"(?P<unread> (?: \s+ [0-9A-Fa-f]+ )* ) )? \s*",
    OPTIONS,
)
ERROR: Final = re.compile(
    STAMP + rb"(?: CANFD \s+ (?P<fd_channel>[0-9]+) \s+ (?: (?:Rx|TxRq|Tx) \s+ )? | (?P<channel>[0-9]+) \s+ )"
    + rb"ErrorFrame (?!\S) \s* (?P<fields> \S.* )?",
    OPTIONS | re.DOTALL,
)  # fmt: skip
STAMPED: Final = re.compile(STAMP + rb"(?P<event> .* )", OPTIONS | re.DOTALL)
BASE: Final = re.compile(
    rb"\s* base \s+ (?P<base>hex|dec) (?: \s+ timestamps \s+ (?P<stamps>absolute|relative) )? .*", OPTIONS
)
TRIGGER: Final = re.compile(rb"\s* begin \s+ triggerblock \b .*", OPTIONS | re.DOTALL)
HEADER: Final = re.compile(
    rb"\s* (?: date \b | (?:no \s+)? internal \s+ events \b | end \s+ triggerblock \b | // | version \b ) .*",
    OPTIONS | re.DOTALL,
)
HEAD: Final = re.compile(
    rb"^\s*(?:date\s+\S.*\r?$\s*base\s|base\s+(?:hex|dec)\b|begin\s+triggerblock\b"
    rb"|[0-9]+[.,][0-9]+\s+(?:CANFD\s+)?[0-9]+\s+(?:[0-9A-Fa-f]+x?\s+(?:Rx|TxRq|Tx)\s+[dr]\b"
    rb"|(?:Rx|TxRq|Tx)\s|ErrorFrame\b|Statistic:)|[0-9]+[.,][0-9]+\s+(?:CAN\s+[0-9]+\s+Status:|Start\s+of\s+measurement))",
    re.MULTILINE | re.IGNORECASE,
)

BROKEN: Final = re.compile(
    rb"""
    [0-9]+ \s+ [0-9A-F]+x? (?: \s | $ )            # a channel and an identifier
    | [0-9]+ \s+ \S+ \s+ (?:Rx|Tx|TxRq) \b
    | [0-9]+ \s+ ErrorFrame
    | (?: [0-9]+ \s+ )? CAN (?: FD | XL ) \b
    | [0-9]* \s* $
    | .* \b (?:Rx|TxRq|Tx) \s+ [dr] \s
    | .* [\x00-\x08\x0E-\x1F\x7F\xFF]              # no text at all
    """,
    OPTIONS,
)
"""How an event begins that must be a frame."""
JOINED: Final = re.compile(rb".*\bJ1939TP\b", OPTIONS)
"""Several frames told once more as one message."""
NAMED: Final = re.compile(
    rb"(?: [0-9]+ \s+ (?P<name> [A-Z_]\w* ) \s+ (?:Rx|TxRq|Tx) \s+ [dr] \s"
    rb" | CANFD \s+ [0-9]+ \s+ (?:Rx|TxRq|Tx) \s+ (?P<fd_name> [A-Z_]\w* ) \s+ [01] \s+ [01] \s )",
    OPTIONS,
)
EXPECTED: Final = "a frame such as 17.876708 1 6F9 Rx d 2 05 0C"
EXPECTED_NUMBER: Final = "an identifier in digits, not the name of a message: export the log without names"
OTHER_BUS: Final = re.compile(r"[0-9.,]+\s+(?P<bus>Li|LIN|L[0-9]+|Fr|ETH|MOST[0-9]*|M[0-9]+)(?=\s)", re.IGNORECASE)
BUSES: Final = {"l": "LIN", "f": "FlexRay", "e": "Ethernet", "m": "MOST"}

EXPECTED_OTHER: Final = "a frame, an event with a time stamp or a line of the header"
FDF: Final = 1 << 12
RTR: Final = 1 << 4
CLASSICAL_LONGEST: Final = 8
HEX: Final = 16
LARGEST_BYTE: Final = 0xFF


def read_line(line: bytes, dialect: Dialect) -> FrameLine | OtherLine:
    """Tell what one line is."""
    if match := CLASSICAL.fullmatch(line):
        return _classical(line, match, dialect)
    if match := FD.fullmatch(line):
        seen = _fd(line, match, dialect)
        if seen is not None:
            return seen
    if match := ERROR.fullmatch(line):
        return _error(line, match)
    return _other(line, dialect)


def _classical(line: bytes, match: re.Match[bytes], dialect: Dialect) -> FrameLine | OtherLine:
    is_remote = match["dlc"] is None
    dlc = _number(match["remote_dlc"] if is_remote else match["dlc"], dialect)
    if not 0 <= dlc <= 15:  # noqa: PLR2004 – four bits
        return OtherLine(expected="a DLC of 0 to 15")
    length = 0 if is_remote else int(CLASSICAL_LENGTH[dlc])
    behind = match.end("remote_dlc" if match["remote_dlc"] else "remote") if is_remote else match.end("dlc")
    payload = _data(line, Span(behind, match.end("payload")), length, dialect)
    if payload is None or (match["payload"] and payload.stop != match.end("payload")):
        return OtherLine(expected=f"{length} data bytes, as the DLC {dlc} says")
    passed = tuple(Span(*match.span(name)) for name in ("length", "bits", "number") if match[name])
    constants = Constants(
        channel=match["channel"],
        kind=Kind.REMOTE if is_remote else Kind.DATA,
        is_extended=bool(match["extended"]),
        is_rx=match["direction"].lower() == b"rx",
        dlc=dlc,
        payload_length=length,
    )
    seen = replace(_frame(match, constants, payload, dialect), passed_over=passed)
    if is_remote or dialect.base != HEX or dlc > CLASSICAL_LONGEST or len(match["dlc"]) > 1:
        return seen
    return replace(seen, counted=match.start("dlc"), is_fixed=False, tail_kind="figures")


def _fd(line: bytes, match: re.Match[bytes], dialect: Dialect) -> FrameLine | OtherLine | None:
    length = int(match["count"])
    dlc = int(match["dlc"], 16)
    payload = _data(line, Span(*match.span("rest")), length, dialect)
    tail = FD_TAIL.fullmatch(line, payload.stop) if payload is not None else None
    if payload is None or tail is None or length > int(FD_LENGTH[-1]):
        return OtherLine(expected=f"{length} data bytes and the closing numbers of a CANFD line")
    flags = int(tail["flags"] or b"0", 16)  # 0: not told
    is_remote = length == 0 and (bool(flags & RTR) if flags else dlc > 0)
    is_fd = not is_remote and (length > CLASSICAL_LONGEST or not flags or bool(flags & FDF))
    if not is_remote and length != int((FD_LENGTH if is_fd else CLASSICAL_LENGTH)[dlc]):
        return OtherLine(expected=f"{int(FD_LENGTH[dlc])} data bytes, as the DLC {dlc} says")
    constants = Constants(
        channel=match["channel"],
        kind=Kind.REMOTE if is_remote else Kind.DATA,
        is_extended=bool(match["extended"]),
        is_fd=is_fd,
        bit_rate_switch=is_fd and match["switch"] == b"1",
        error_state_indicator=is_fd and match["indicator"] == b"1",
        is_rx=match["direction"].lower() == b"rx",
        dlc=dlc,
        payload_length=length,
    )
    passed = tuple(Span(*tail.span(name)) for name in ("duration", "bits") if tail[name])
    unread = (Span(*tail.span("unread")),) if tail["unread"] else ()
    return replace(_frame(match, constants, payload, dialect), passed_over=passed, unread=unread)


def _frame(match: re.Match[bytes], constants: Constants, payload: Span, dialect: Dialect) -> FrameLine:
    return replace(FrameLine.of(match, constants, joint=b" "), payload=payload, base=dialect.base)


def _error(line: bytes, match: re.Match[bytes]) -> FrameLine:
    group = "channel" if match["channel"] else "fd_channel"
    return FrameLine(
        constants=Constants(channel=match[group], kind=Kind.ERROR),
        channel=Span(*match.span(group)),
        seconds=Span(*match.span("seconds")),
        fraction=Span(*match.span("fraction")),
        identifier=Span(0, 0),
        payload=Span(len(line), len(line)),
        remark=match["fields"] is not None,
    )


def _number(digits: bytes | None, dialect: Dialect) -> int:
    """Read a number in the base of the file; -1 if it has other digits."""
    try:
        return int(digits or b"0", dialect.base)
    except ValueError:
        return -1


def _data(line: bytes, span: Span, length: int, dialect: Dialect) -> Span | None:
    """Find the columns of the data bytes, first to last digit; ``None`` if they are too few or no bytes."""
    if length == 0:
        return Span(span.start, span.start)
    found = list(re.finditer(rb"\S+", line[: span.stop][span.start :]))[:length]
    digits = {2} if dialect.base == HEX else {1, 2, 3}
    if len(found) < length or not all(
        len(byte[0]) in digits and 0 <= _number(byte[0], dialect) <= LARGEST_BYTE for byte in found
    ):
        return None
    return Span(span.start + found[0].start(), span.start + found[-1].end())


def _other(line: bytes, dialect: Dialect) -> OtherLine:
    """Tell what a line is that records no frame."""
    if not line.strip():
        return OtherLine()
    if match := BASE.fullmatch(line):
        new = Dialect(16 if match["base"].lower() == b"hex" else 10, (match["stamps"] or b"").lower() == b"relative")
        return OtherLine(remark=True, dialect=new if new != dialect else None)
    if TRIGGER.fullmatch(line) or HEADER.fullmatch(line):
        return OtherLine(remark=True, restart=TRIGGER.fullmatch(line) is not None)
    match = STAMPED.fullmatch(line)
    if match is None:
        return OtherLine(expected=EXPECTED_OTHER)
    stamp_ns = int(match["seconds"]) * 10**9 + int(match["fraction"].ljust(9, b"0"))
    wrong = _wrong_with(match["event"])
    return OtherLine(expected=wrong, remark=not wrong, stamp_ns=stamp_ns)


def _wrong_with(event: bytes) -> str:
    """Tell what should stand in place of an event that must be a frame and is none; empty if it is an event."""
    if JOINED.match(event):
        return ""
    if match := NAMED.match(event):
        name = match["name"] or match["fd_name"]
        return EXPECTED_NUMBER if any(letter in b"GHIJKLMNOPQRSTUVWXYZ_" for letter in name.upper()) else EXPECTED
    return EXPECTED if BROKEN.match(event) else ""


def recognises(head: bytes) -> bool:
    """Tell whether the head of a file holds a header or a frame of this form."""
    return HEAD.search(head) is not None


def _with_other_buses(trace: Trace) -> Trace:
    """Say how many lines tell of other buses; where there is nothing else, that is why no frame was read."""
    found = [
        (remark, BUSES[match["bus"][0].lower()])
        for remark in trace.remarks
        if (match := OTHER_BUS.match(remark.text)) is not None
    ]
    if not found:
        return trace
    said = ", ".join(f"{count} of {bus}" for bus, count in sorted(Counter(bus for _, bus in found).items()))
    summary = Remark(0, f"// lines of other buses, which hold no CAN frame: {said}")
    problems = trace.problems
    if not len(trace):
        first = found[0][0]
        expected = f"frames of a CAN bus; there are only lines of other buses: {said}"
        problems = (*problems, Problem(first.line, readable(first.text.encode()), expected, len(found)))
    return replace(trace, remarks=(summary, *trace.remarks), problems=problems)


READ: Final[Callable[[Opened], Trace]] = line_reader(Grammar("asc", read_line, block=1 << 21))


def read(opened: Opened) -> Trace:
    """Read a file."""
    return _with_other_buses(READ(opened))


READER = Reader(
    "asc",
    recognises,
    read,
    keeps=(
        "frames of every kind, error frames with their fields, direction, channel as written; status, statistics and "
        "header lines as remarks"
    ),
    cannot_hold="whether errors were recorded at all",
)
