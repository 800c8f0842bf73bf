"""Error words: what recorders write beside an error record, or of their controller's state, as plain text.

References
----------
There is no public specification of these lines; the forms are those of the sample files of python-can 4.6.1
(``test/data``: ``logfile.asc``, ``test_CanErrorFrames.asc``, ``test_CanMessage_V1_1.trc`` and ``_V2_0_BUS1.trc``).
The error code capture byte: Philips data sheet SJA1000 (2000), table 21.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canlens.wire import ErrorClass, ProtocolError

if TYPE_CHECKING:
    from canlens.error_evidence import NodeState
    from canlens.trace import Trace

ERROR_LINE: Final = re.compile(r"\bErrorFrame\b\s*(?P<fields>.*)", re.IGNORECASE)
CAPTURE: Final = re.compile(r"\bECC:\s*(?P<bits>[01]{8})\b", re.IGNORECASE)
SAID: Final[dict[str, tuple[int, int]]] = {
    "not acknowledge error": (ErrorClass.NO_ACKNOWLEDGE, 0),
    "ack error": (ErrorClass.NO_ACKNOWLEDGE, 0),
    "bit error": (ErrorClass.PROTOCOL, ProtocolError.BIT),
    "stuff error": (ErrorClass.PROTOCOL, ProtocolError.STUFF),
    "form error": (ErrorClass.PROTOCOL, ProtocolError.FORM),
    "crc error": (ErrorClass.PROTOCOL, 0),
}
"""Words that a line may say of its error frame: class, and kind of violation."""
CAPTURED: Final = (ProtocolError.BIT, ProtocolError.FORM, ProtocolError.STUFF, ProtocolError(0))
"""Bits 7 and 6 of the error code capture byte."""
RECEIVING, PLACE_BITS = 0x20, 0x1F

CHIP_STATUS: Final = re.compile(
    r"^(?P<seconds>\d+)[.,](?P<fraction>\d+)\s+CAN\s+(?P<channel>\S+)\s+Status:\s*chip status\s+(?P<state>[a-z -]+?)"
    r"\s*(?:-\s*TxErr:\s*(?P<tec>\d+)\s+RxErr:\s*(?P<rec>\d+))?\s*$",
    re.IGNORECASE,
)
CHIP_STATES: Final[dict[str, NodeState]] = {
    "error active": "active",
    "warning level": "warning",
    "error passive": "passive",
    "bus off": "bus-off",
    "busoff": "bus-off",
}
BUS_STATUS: Final = re.compile(
    r"^\d+\)?\s+(?P<milliseconds>\d+(?:\.\d+)?)\s+(?:(?P<channel>\d+)\s+)?"
    r"(?:Warng\s+FFFFFFFF|ST\b)\D*?(?:\d+\s+)?(?:-\s+)?(?:Rx\s+)?(?:-\s+)?(?:4\s+)?"
    r"(?P<code>(?:[0-9A-F]{2}\s+){3}[0-9A-F]{2})\b",
    re.IGNORECASE,
)
BUS_CODES: Final[dict[int, NodeState]] = {0x00: "active", 0x04: "warning", 0x08: "warning", 0x10: "bus-off"}
"""Status codes: none, light and heavy errors (an error counter reached its limit), bus off; of bits set together the
highest counts (status codes in python-can 4.6.1, ``can/interfaces``)."""
STATISTIC: Final = re.compile(r"\bStatistic:.*\bE\s+(?P<errors>\d+)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Told:
    """A state of the recorder's controller as a line tells it; the stamp [ns] as written, None where it has none."""

    line: int
    state: NodeState
    stamp_ns: int | None = None
    tec: int | None = None
    rec: int | None = None


def said_of_errors(trace: Trace) -> dict[int, tuple[int, int, int]]:
    """Return what lines of error records say in words, by line: class bits, kind of violation, place."""
    found: dict[int, tuple[int, int, int]] = {}
    for remark in trace.remarks:
        match = ERROR_LINE.search(remark.text)
        if match is None:
            continue
        capture = CAPTURE.search(match["fields"])
        if capture is not None:
            found[remark.line] = _captured(int(capture["bits"], 2))
            continue
        lowered = match["fields"].lower()
        for words, (classes, violation) in SAID.items():
            if lowered.startswith(words):
                found[remark.line] = (int(classes), int(violation), 0)
                break
    return found


def _captured(code: int) -> tuple[int, int, int]:
    """Return class, violation and place of an error code capture byte."""
    sending = 0 if code & RECEIVING else int(ProtocolError.SENDING)
    return int(ErrorClass.PROTOCOL), int(CAPTURED[code >> 6]) | sending, code & PLACE_BITS


def told_states(trace: Trace, channel: str | None) -> tuple[Told, ...]:
    """Return the states that lines between the frames tell, of one channel or of all."""
    found = []
    for remark in trace.remarks:
        text = remark.text.strip()
        match = CHIP_STATUS.match(text)
        if match is not None and match["state"].lower() in CHIP_STATES:
            if channel is not None and match["channel"] != channel:
                continue
            stamp_ns = int(match["seconds"]) * 10**9 + int(match["fraction"].ljust(9, "0")[:9])
            tec, rec = (int(match[name]) if match[name] else None for name in ("tec", "rec"))
            found.append(Told(remark.line, CHIP_STATES[match["state"].lower()], stamp_ns, tec, rec))
            continue
        match = BUS_STATUS.match(text)
        if match is not None and (channel is None or match["channel"] in {None, channel}):
            code = int(match["code"].split()[-1], 16)
            state = BUS_CODES.get(1 << code.bit_length() - 1 if code else 0)
            if state is not None:
                found.append(Told(remark.line, state))
    return tuple(found)


def counted_errors(trace: Trace) -> int | None:
    """Return how many error frames the recorder's own statistics count; None where it keeps none."""
    counts = [int(match["errors"]) for remark in trace.remarks if (match := STATISTIC.search(remark.text))]
    return sum(counts) if counts else None
