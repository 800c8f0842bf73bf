"""Error classes: what the bits and bytes of an error record mean, in words.

References
----------
Linux ``include/uapi/linux/can/error.h`` (6.1), which is also how candump logs write error records. The places
are those of the error code capture register, Philips data sheet SJA1000 (2000), table 21. The limits of the
error counters: Bosch CAN Specification 2.0 (1991), section 8 of part A, 96 being the usual warning limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

from canlens.wording import ERROR_CLASSES

RECORD_FLAG = 0x2000_0000
"""Set in the identifier of a log line that is an error record."""

WARNING_COUNT, PASSIVE_COUNT, BUS_OFF_COUNT = 96, 128, 256
"""Error counter values from which a node warns, becomes error passive, and leaves the bus."""


class ErrorClass(IntFlag):
    """What an error record reports: the bits of its identifier."""

    TX_TIMEOUT = 0x001
    LOST_ARBITRATION = 0x002
    CONTROLLER = 0x004
    PROTOCOL = 0x008
    TRANSCEIVER = 0x010
    NO_ACKNOWLEDGE = 0x020
    BUS_OFF = 0x040
    BUS_ERROR = 0x080
    RESTARTED = 0x100
    COUNTERS = 0x200


class ControllerState(IntFlag):
    """Controller problem or state: byte 1."""

    RX_OVERFLOW = 0x01
    TX_OVERFLOW = 0x02
    RX_WARNING = 0x04
    TX_WARNING = 0x08
    RX_PASSIVE = 0x10
    TX_PASSIVE = 0x20
    ACTIVE = 0x40


class ProtocolError(IntFlag):
    """Kind of protocol violation: byte 2."""

    BIT = 0x01
    FORM = 0x02
    STUFF = 0x04
    DOMINANT_BIT = 0x08
    RECESSIVE_BIT = 0x10
    OVERLOAD = 0x20
    ANNOUNCED = 0x40
    SENDING = 0x80


CLASS_KEYS: dict[ErrorClass, str] = {
    ErrorClass.LOST_ARBITRATION: "lost-arbitration",
    ErrorClass.CONTROLLER: "controller",
    ErrorClass.PROTOCOL: "protocol",
    ErrorClass.TRANSCEIVER: "transceiver",
    ErrorClass.NO_ACKNOWLEDGE: "no-acknowledge",
    ErrorClass.BUS_OFF: "bus-off",
    ErrorClass.BUS_ERROR: "bus-error",
    ErrorClass.RESTARTED: "restarted",
    ErrorClass.TX_TIMEOUT: "tx-timeout",
}
"""Names of the classes in results; a record with none of these bits is ``unspecified``."""

_CLASS_WORDS: dict[int, str] = {
    **{flag: ERROR_CLASSES[key] for flag, key in sorted(CLASS_KEYS.items())},
    ErrorClass.COUNTERS: "error counters given",
}
_CONTROLLER_WORDS: dict[int, str] = {
    ControllerState.RX_OVERFLOW: "receive buffer overflow",
    ControllerState.TX_OVERFLOW: "transmit buffer overflow",
    ControllerState.RX_WARNING: "warning level of receive errors",
    ControllerState.TX_WARNING: "warning level of transmit errors",
    ControllerState.RX_PASSIVE: "error passive by receive errors",
    ControllerState.TX_PASSIVE: "error passive by transmit errors",
    ControllerState.ACTIVE: "error active again",
}
_PROTOCOL_WORDS: dict[int, str] = {
    ProtocolError.BIT: "bit error",
    ProtocolError.FORM: "form error",
    ProtocolError.STUFF: "stuff error",
    ProtocolError.DOMINANT_BIT: "a dominant bit could not be sent",
    ProtocolError.RECESSIVE_BIT: "a recessive bit could not be sent",
    ProtocolError.OVERLOAD: "overload",
    ProtocolError.ANNOUNCED: "active error announced",
    ProtocolError.SENDING: "while sending",
}
PLACES: dict[int, str] = {
    0x02: "identifier bits 28 to 21",
    0x03: "start of frame",
    0x04: "substitute remote request",
    0x05: "identifier extension bit",
    0x06: "identifier bits 20 to 18",
    0x07: "identifier bits 17 to 13",
    0x08: "CRC sequence",
    0x09: "reserved bit 0",
    0x0A: "payload",
    0x0B: "DLC",
    0x0C: "remote request",
    0x0D: "reserved bit 1",
    0x0E: "identifier bits 4 to 0",
    0x0F: "identifier bits 12 to 5",
    0x12: "intermission",
    0x18: "CRC delimiter",
    0x19: "acknowledge slot",
    0x1A: "end of frame",
    0x1B: "acknowledge delimiter",
}
"""Where in the frame the error was seen: byte 3; 0 says nothing."""
_LINE_FAULTS: dict[int, str] = {
    4: "not connected",
    5: "shorted to battery",
    6: "shorted to VCC",
    7: "shorted to ground",
}
_LINES_SHORTED = 0x80


def _words(value: int, words: dict[int, str]) -> tuple[str, ...]:
    """Return the words of the bits that are set, and a hexadecimal number for those that have none."""
    unknown = value & ~sum(words)
    named = tuple(text for bit, text in words.items() if value & bit)
    return (*named, f"unknown 0x{unknown:x}") if unknown else named


def class_words(classes: int) -> tuple[str, ...]:
    """Say the classes of an error record, lowest bit first; empty where it names none.

    Examples
    --------
    >>> class_words(0x88)
    ('protocol violation', 'bus error')
    """
    return _words(classes, _CLASS_WORDS)


def controller_words(state: int) -> tuple[str, ...]:
    """Say byte 1, controller problem or state; empty where it says nothing."""
    return _words(state, _CONTROLLER_WORDS)


def protocol_words(violation: int) -> tuple[str, ...]:
    """Say byte 2, kind of protocol violation; empty where it says nothing."""
    return _words(violation, _PROTOCOL_WORDS)


def place_words(place: int) -> str:
    """Say byte 3, place in the frame; empty where it says nothing."""
    return PLACES.get(place, f"unknown place 0x{place:x}" if place else "")


def transceiver_words(status: int) -> tuple[str, ...]:
    """Say byte 4, transceiver status, CAN_H first; empty where it says nothing.

    Examples
    --------
    >>> transceiver_words(0x74)
    ('CAN_H not connected', 'CAN_L shorted to ground')
    """
    shorted = ("CAN_L shorted to CAN_H",) if status & _LINES_SHORTED else ()
    faults = []
    for line, code in (("CAN_H", status & 0x0F), ("CAN_L", status >> 4 & 0x07)):
        if code:
            faults.append(f"{line} {_LINE_FAULTS.get(code, f'unknown 0x{code:x}')}")
    return (*faults, *shorted)


@dataclass(frozen=True)
class ErrorRecord:
    """An error record in words.

    Attributes
    ----------
    classes
        What it reports.
    arbitration_bit
        Bit at which arbitration was lost; None where it was not lost or the bit is not told.
    controller, protocol, transceiver
        Bits of bytes 1, 2 and 4, in words; each empty unless the class that owns it is set.
    place
        Place in the frame, in words; empty where not told.
    transmit_errors, receive_errors
        Error counters; None where the record gives none.
    """

    classes: ErrorClass
    arbitration_bit: int | None
    controller: tuple[str, ...]
    protocol: tuple[str, ...]
    place: str
    transceiver: tuple[str, ...]
    transmit_errors: int | None
    receive_errors: int | None

    def __str__(self) -> str:
        parts = [
            *class_words(self.classes & ~ErrorClass.COUNTERS),
            *self.controller,
            *self.protocol,
            self.place,
        ]
        parts += self.transceiver
        if self.transmit_errors is not None:
            parts.append(f"transmit errors {self.transmit_errors}, receive errors {self.receive_errors}")
        return ", ".join(part for part in parts if part) or "unspecified"


def describe_error(classes: int, detail: bytes) -> ErrorRecord:
    """Decode one error record.

    Parameters
    ----------
    classes
        Class bits: the identifier without :data:`RECORD_FLAG`.
    detail
        Its eight bytes; missing ones count as zero.

    Returns
    -------
    ErrorRecord
        A byte is read where the class that owns it is set. The counters of bytes 6 and 7 are taken where the
        record says so, and also where they are not both zero: older drivers fill them without saying so.

    Examples
    --------
    >>> str(describe_error(0x04, bytes.fromhex("0020000000008800")))
    'controller state, error passive by transmit errors, transmit errors 136, receive errors 0'
    """
    data = detail[:8].ljust(8, b"\0")
    bits = ErrorClass(classes & ~RECORD_FLAG)
    has_counters = bool(bits & ErrorClass.COUNTERS) or any(data[6:8])
    lost = bool(bits & ErrorClass.LOST_ARBITRATION) and data[0] > 0
    return ErrorRecord(
        classes=bits,
        arbitration_bit=data[0] if lost else None,
        controller=controller_words(data[1]) if bits & ErrorClass.CONTROLLER else (),
        protocol=protocol_words(data[2]) if bits & ErrorClass.PROTOCOL else (),
        place=place_words(data[3]) if bits & ErrorClass.PROTOCOL else "",
        transceiver=transceiver_words(data[4]) if bits & ErrorClass.TRANSCEIVER else (),
        transmit_errors=data[6] if has_counters else None,
        receive_errors=data[7] if has_counters else None,
    )
