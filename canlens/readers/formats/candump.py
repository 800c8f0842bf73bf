"""candump: the log form of the Linux CAN tools (``candump -L``), one frame a line.

::

    (1436509052.249713) vcan0 044#2A366C2BBA

References
----------
can-utils ``lib.c``, ``parse_canframe`` and ``snprintf_canframe``; Linux ``include/uapi/linux/can.h``.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

from canlens.readers.engine import Constants, Dialect, FrameLine, Grammar, OtherLine, Span, line_reader
from canlens.readers.opening import Reader
from canlens.trace import Kind
from canlens.wire import FD_DLC

LINE: Final = re.compile(
    rb"""
    \s* \( \s* 0*(?P<seconds>[0-9]{1,10}) [.,] (?P<fraction>[0-9]{1,9})[0-9]* \s* \) \s+
    (?P<channel>[^\s\x00-\x1F\x7F]+) \s+
    (?: (?P<flags>[2-9A-Fa-f]) (?=[0-9A-Fa-f]{7}\#) )?
    (?P<identifier> (?(flags) [0-9A-Fa-f]{7} | (?: [01][0-9A-Fa-f]{7} | [0-7][0-9A-Fa-f]{2} ) ) )
    \#
    (?: \#(?P<fd_flags>[0-9A-Fa-f]) (?P<fd_payload>(?:[0-9A-Fa-f]{2}){0,64})
      | [Rr](?P<remote_dlc>[0-9]?) (?: _(?P<remote_raw_dlc>[9A-Fa-f]) )?
      | (?P<payload>(?:[0-9A-Fa-f]{2}){0,8}) (?: _(?P<raw_dlc>[9A-Fa-f]) )?
    )
    (?: \s+ (?P<direction>[RrTt]) )?
    \s*
    """,
    re.VERBOSE,
)
HEAD: Final = re.compile(rb"^\s*\(\s*[0-9]+[.,][0-9]+\s*\)\s+\S+\s+[0-9A-Fa-f]+#", re.MULTILINE)
EXPECTED: Final = "a frame such as (1436509052.249713) can0 044#2A366C2BBA"

BIT_RATE_SWITCH: Final = 1  # CANFD_BRS
ERROR_STATE_INDICATOR: Final = 2  # CANFD_ESI
ERROR: Final = 2  # CAN_ERR_FLAG, bit 29, as bit of the identifier's first digit
REMOTE: Final = 4  # CAN_RTR_FLAG, bit 30
LONGEST_CLASSICAL: Final = 8


def read_line(line: bytes, _: Dialect) -> FrameLine | OtherLine:
    """Tell what one line is."""
    match = LINE.fullmatch(line)
    if match is None:
        return OtherLine(expected=EXPECTED if line.strip() else "")
    start, stop = match.span("fd_payload" if match["fd_flags"] else "payload")
    length = (stop - start) // 2
    raw_dlc = match["raw_dlc"] or match["remote_raw_dlc"]
    if raw_dlc and (length if match["raw_dlc"] else int(match["remote_dlc"] or b"0")) != LONGEST_CLASSICAL:
        return OtherLine(expected=f"eight data bytes before the DLC _{raw_dlc.decode()}")
    flags = int(match["flags"] or b"0", 16)
    is_remote = match["remote_dlc"] is not None or bool(flags & REMOTE)
    dlc = int(match["remote_dlc"] or b"0") if match["remote_dlc"] is not None else int(FD_DLC[length])
    fd_flags = int(match["fd_flags"] or b"0", 16)
    constants = Constants(
        channel=match["channel"],
        kind=Kind.ERROR if flags & ERROR else Kind.REMOTE if is_remote else Kind.DATA,
        is_extended=len(match["identifier"]) > 3 and not flags & ERROR,  # noqa: PLR2004 – digits of a base identifier
        is_fd=match["fd_flags"] is not None,
        bit_rate_switch=bool(fd_flags & BIT_RATE_SWITCH),
        error_state_indicator=bool(fd_flags & ERROR_STATE_INDICATOR),
        is_rx=(match["direction"] or b"R").upper() == b"R",
        dlc=int(raw_dlc, 16) if raw_dlc else dlc,
        payload_length=length,
        identifier_bits=(flags & 1) << 28,
    )
    payload = Span(start, stop) if start >= 0 else Span(match.end("identifier") + 1, match.end("identifier") + 1)
    is_fixed = constants.kind is not Kind.DATA or constants.is_fd or raw_dlc is not None
    return replace(FrameLine.of(match, constants), payload=payload, is_fixed=is_fixed)


def recognises(head: bytes) -> bool:
    """Tell whether the head of a file holds a line of this form."""
    return HEAD.search(head) is not None


READER = Reader(
    "candump",
    recognises,
    line_reader(Grammar("candump", read_line, writes_length=False)),
    keeps="frames of every kind, error records of every class with their bytes, direction, channel as written",
    cannot_hold="whether errors were recorded at all",
)
