"""screen: the form in which the Linux CAN tools show frames to a person (``candump`` without ``-L``).

::

    (0000000012.250000)  can0  RX - -  123   [8]  11 22 33 44 55 66 77 88   '."3DUfw.'
    (2015-07-10 08:17:32.249713)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME
        controller-problem{rx-error-warning}

Stamps are seconds since 1970, seconds since the first frame, seconds since the frame before, dates or missing.
The second and the third look alike. Stamps that count from the first frame rise; so they are taken for differences, and
added up, if many are smaller than the one before, or all are the same. A date says nothing of its zone and is
taken for UTC. Without stamps all times are 0, and the source says that none were recorded.

A binary view and one with swapped bytes become the plain one before the lines are read, and dates become seconds::

    can0  123   [2]  00010001 00100010      (candump -i)
    can0  123   [2]  22`11   `".`           (candump -S: the last byte first)

Both say every byte exactly: the swapped view is marked by its sign between the bytes, and a group of eight digits 0
and 1 is no hexadecimal byte.

References
----------
can-utils ``candump.c``; ``lib.c``, ``snprintf_long_canframe`` and ``snprintf_can_error_frame``; CANLIB_VIEW_BINARY,
CANLIB_VIEW_SWAP, SWAP_DELIMITER.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from canlens.readers.engine import Constants, Dialect, FrameLine, Grammar, OtherLine, Span, line_reader
from canlens.readers.opening import Reader, rewritten
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
FRAME: Final = (
    rb"^(?P<start>[^\n]*?[^\S\n](?:\[[0-9]{1,2}\]|\{[0-9A-Fa-f]\}))"
    rb"(?P<bytes>[^\S\n]+(?:%b))(?P<end>[^\S\n]+(?:`[^\n]*`|'[^\n]*'|ERRORFRAME))?(?P<rest>[^\S\n]*)$"
)
BINARY: Final = rb"[01]{8}(?:[^\S\n][01]{8})*"
SWAPPED: Final = rb"[0-9A-Fa-f]{2}(?:`[0-9A-Fa-f]{2})*"
SWAPPED_BINARY: Final = rb"[01]{8}(?:`[01]{8})*"
VIEWED: Final = re.compile(FRAME % b"|".join((BINARY, SWAPPED_BINARY, SWAPPED)), re.MULTILINE)
MARKED: Final = re.compile(rb"(?:\]|\})[^\S\n]+(?:[01]{8}(?![0-9A-Fa-f])|[0-9A-Fa-f]{2}`)")
DATE: Final = re.compile(
    rb"^([^\S\n]*\(\s*)([0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}:[0-9]{2})([.,][0-9]{1,9}\s*\))", re.MULTILINE
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
    if MARKED.search(opened.head):
        opened = replace(opened, stream=rewritten(opened.stream, lambda text: VIEWED.sub(_in_plain, text)))
    if stamp is None:
        trace = READ_BARE(opened)
        return replace(trace, source=replace(trace.source, stamps="none"))
    if DATE.match(stamp):
        return READ_STAMPED(replace(opened, stream=rewritten(opened.stream, lambda text: DATE.sub(_in_seconds, text))))
    trace = READ_STAMPED(opened)
    is_since_1970 = len(stamp.strip(b"() \t").replace(b",", b".").partition(b".")[0]) >= DIGITS_SINCE_1970
    return trace if is_since_1970 or not _are_differences(trace) else _added_up(trace)


def _in_plain(match: re.Match[bytes]) -> bytes:
    """Write one line in the plain view; a tail of characters, which the bytes repeat, is left out."""
    groups = match["bytes"].replace(b"`", b" ").split()
    if b"`" in match["bytes"]:
        groups.reverse()
    if len(groups[0]) > 2:  # noqa: PLR2004 – eight digits, not two
        groups = [b"%02X" % int(group, 2) for group in groups]
    end = match["end"] or b""
    return match["start"] + b"  " + b" ".join(groups) + (end if end.endswith(b"ERRORFRAME") else b"") + match["rest"]


def _in_seconds(match: re.Match[bytes]) -> bytes:
    seconds = _seconds(match[2])
    return match[0] if seconds is None else b"%b%010d%b" % (match[1], seconds, match[3])


@lru_cache(maxsize=1024)
def _seconds(date: bytes) -> int | None:
    """Return the seconds since 1970, ``None`` for a date that no calendar has, or one before 1970."""
    try:
        seconds = int(datetime.fromisoformat(date.decode()).replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None
    return seconds if seconds >= 0 else None


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
