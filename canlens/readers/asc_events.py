"""Events of ASC recordings that are no frame: which are damaged frames, which speak of other buses."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canlens.readers.grammar import readable
from canlens.trace import Problem, Remark

if TYPE_CHECKING:
    from canlens.trace import Trace

OPTIONS: Final = re.VERBOSE | re.IGNORECASE | re.DOTALL
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


def wrong_with(event: bytes) -> str:
    """Tell what should stand in place of an event that must be a frame and is none; empty if it is an event."""
    if JOINED.match(event):
        return ""
    if match := NAMED.match(event):
        name = match["name"] or match["fd_name"]
        return EXPECTED_NUMBER if any(letter in b"GHIJKLMNOPQRSTUVWXYZ_" for letter in name.upper()) else EXPECTED
    return EXPECTED if BROKEN.match(event) else ""


def with_other_buses(trace: Trace) -> Trace:
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
