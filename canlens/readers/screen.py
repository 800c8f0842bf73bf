"""screen: the form in which the Linux CAN tools show frames to a person (``candump`` without ``-L``).

::

    (0000000012.250000)  can0  RX - -  123   [8]  11 22 33 44 55 66 77 88   '."3DUfw.'
    (2015-07-10 08:17:32.249713)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME
        controller-problem{rx-error-warning}

Stamps are seconds since 1970, seconds since the first frame, seconds since the frame before, dates or missing.
The second and the third look alike. Stamps that count from the first frame rise; so they are taken for differences, and
added up, if many are smaller than the one before, or all are the same. A date says nothing of its zone and is
taken for UTC. Without stamps all times are 0, and the source says that none were recorded.

References
----------
can-utils ``candump.c``; ``lib.c``, ``snprintf_long_canframe`` and ``snprintf_can_error_frame``.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from canlens.readers.dates import DATE, seconds_for_dates
from canlens.readers.grammar import Constants, Dialect, FrameLine, Grammar, OtherLine, Span
from canlens.readers.line_files import line_reader
from canlens.readers.reader import Reader
from canlens.readers.views import is_viewed, plain_view
from canlens.trace import Kind, Trace
from canlens.wire import FD_DLC, FD_LENGTH

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.readers.opening import Opened

STAMP: Final = rb"\s* \( \s* 0*(?P<seconds>[0-9]{1,10}) [.,] (?P<fraction>[0-9]{1,9})[0-9]* \s* \) \s+"
REST: Final = rb"""
    (?P<channel>[^\s\x00-\x1F\x7F(]+) \s+
    (?: (?P<direction>RX|TX) \s+ (?P<switch>[-B]) \s+ (?P<indicator>[-E]) \s+ )?
    (?: (?P<flags>[23]) (?=[0-9A-Fa-f]{7}\s.*ERRORFRAME) )?
    (?P<identifier> (?(flags) [0-9A-Fa-f]{7} | (?: [01][0-9A-Fa-f]{7} | [0-7][0-9A-Fa-f]{2} ) ) )
    \s+ (?: \[ (?P<length>[0-8]) \] | \[ (?P<fd_length>[0-6][0-9]) \] | \{ (?P<dlc>[0-9A-Fa-f]) \} )
    (?: \s+ (?P<remote>remote\ request) )?
    (?P<payload> (?: \s+ [0-9A-Fa-f]{2} (?!\S) )* )
    (?: \s+ (?: '(?P<text>.*)' | (?P<error>ERRORFRAME) ) )?
    \s*
"""
STAMPED: Final = re.compile(STAMP + REST, re.VERBOSE | re.DOTALL)
BARE: Final = re.compile(rb"(?P<seconds>) (?P<fraction>) \s*" + REST, re.VERBOSE | re.DOTALL)
WORDS: Final = re.compile(rb"\t\s*[a-z]+(?:-[a-z]+)+(?:\{.*)?\s*", re.DOTALL)
HEAD: Final = re.compile(
    rb"^[^\S\n]*(?P<stamp>\([^()\n]*\)[^\S\n]+)?[^\s(]+[^\S\n]+(?:[RT]X[^\S\n]+[-B][^\S\n]+[-E][^\S\n]+)?"
    rb"(?:[0-9A-Fa-f]{3}|[0-3][0-9A-Fa-f]{7})[^\S\n]+(?:\[[0-9]{1,2}\]|\{[0-9A-Fa-f]\})(?:[^\S\n]|\r?$)",
    re.MULTILINE,
)
EXPECTED: Final = "a frame such as {}can0  123   [2]  11 22"

LONGEST_CLASSICAL: Final = 8
DIGITS_SINCE_1970: Final = 10
BACKWARD_SHARE: Final = 0.1
"""Of stamps that count from the first frame far fewer step back; of differences about half do (our choice)."""
FEWEST: Final = 3
"""Stamps, the first left out, that must be the same to be taken for differences (our choice)."""


def read_stamped(line: bytes, _: Dialect) -> FrameLine | OtherLine:
    """Tell what one line of a file with stamps is."""
    return _read_line(line, STAMPED.fullmatch(line), EXPECTED.format("(1436509052.249713)  "))


def read_bare(line: bytes, _: Dialect) -> FrameLine | OtherLine:
    """Tell what one line of a file without stamps is."""
    return _read_line(line, BARE.fullmatch(line), EXPECTED.format(""))


def _read_line(line: bytes, match: re.Match[bytes] | None, expected: str) -> FrameLine | OtherLine:
    if match is None:
        return OtherLine(remark=True) if WORDS.fullmatch(line) else OtherLine(expected=expected if line.strip() else "")
    constants = _constants(match)
    start, stop = match.span("payload")
    count = len(match["payload"].split())
    if count != constants.payload_length:
        return OtherLine(expected=f"{constants.payload_length} data bytes, as the length says")
    if (constants.kind is Kind.ERROR) != (match["error"] is not None):
        return OtherLine(expected=expected)
    if match["text"] is not None and len(match["text"]) != count:
        return OtherLine(expected=f"{count} characters between the quotes")
    found = re.search(rb"\S", match["payload"])
    first = start + found.start() if found else start
    seen = replace(FrameLine.of(match, constants, joint=b" "), payload=Span(first, stop))
    return seen if match["text"] is None else replace(seen, unread=(Span(*match.span("text")),))


def _constants(match: re.Match[bytes]) -> Constants:
    """Return what the columns before the data bytes tell."""
    is_fd = match["fd_length"] is not None
    length = int(match["fd_length"] or match["length"] or b"0")
    dlc = int(match["dlc"], 16) if match["dlc"] else length
    if is_fd:
        dlc = int(FD_DLC[min(length, int(FD_LENGTH[-1]))])
        length = int(FD_LENGTH[dlc])
    elif match["dlc"]:
        length = min(dlc, LONGEST_CLASSICAL)
    kind = Kind.ERROR if match["flags"] else Kind.REMOTE if match["remote"] else Kind.DATA
    return Constants(
        channel=match["channel"],
        kind=kind,
        is_extended=len(match["identifier"]) > 3 and kind is not Kind.ERROR,  # noqa: PLR2004 – digits of a base one
        is_fd=is_fd,
        bit_rate_switch=is_fd and match["switch"] == b"B",
        error_state_indicator=is_fd and match["indicator"] == b"E",
        is_rx=match["direction"] != b"TX",
        dlc=dlc,
        payload_length=0 if kind is Kind.REMOTE else length,
        identifier_bits=(int(match["flags"] or b"0") & 1) << 28,
    )


def recognises(head: bytes) -> bool:
    """Tell whether the head of a file holds a line of this form."""
    return HEAD.search(head) is not None


READ_STAMPED: Final[Callable[[Opened], Trace]] = line_reader(Grammar("candump screen", read_stamped))
READ_BARE: Final[Callable[[Opened], Trace]] = line_reader(Grammar("candump screen", read_bare))


def read(opened: Opened) -> Trace:
    """Read a file; its first frame tells how all are stamped."""
    first = HEAD.search(opened.head)
    stamp = first["stamp"] if first else None
    if is_viewed(opened.head):
        opened = replace(opened, stream=plain_view(opened.stream))
    if stamp is None:
        trace = READ_BARE(opened)
        return replace(trace, source=replace(trace.source, stamps="none"))
    if DATE.match(stamp):
        return READ_STAMPED(replace(opened, stream=seconds_for_dates(opened.stream)))
    trace = READ_STAMPED(opened)
    is_since_1970 = len(stamp.strip(b"() \t").replace(b",", b".").partition(b".")[0]) >= DIGITS_SINCE_1970
    return trace if is_since_1970 or not _are_differences(trace) else _added_up(trace)


def _are_differences(trace: Trace) -> bool:
    """Tell whether the stamps count from the frame before."""
    steps = np.diff(trace.time_ns[1:])  # the first stamp is 0 either way
    if len(steps) < FEWEST - 1:
        return bool(np.any(steps < 0))
    is_same = bool(trace.time_ns[1] > 0) and not steps.any()
    return is_same or int(np.count_nonzero(steps < 0)) > BACKWARD_SHARE * len(steps)


def _added_up(trace: Trace) -> Trace:
    return replace(
        trace,
        time_ns=np.cumsum(trace.time_ns),
        segment=np.zeros(len(trace), np.int32),
        source=replace(trace.source, stamps="added up"),
    )


READER = Reader(
    "candump screen",
    recognises,
    read,
    keeps=(
        "frames of every kind, also in binary or with swapped bytes, error records of every class with their bytes, "
        "their words as remarks; direction and CAN FD flags where they were shown; differences are added up"
    ),
    cannot_hold="the zone of a date; whether errors were recorded at all; without stamps, any time",
)
