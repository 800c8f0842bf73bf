"""Error records from public logs, decoded."""

from __future__ import annotations

import pytest

from canlens.wire import ErrorClass, describe_error, transceiver_words
from canlens.wire.error_classes import PLACES

# Class bits, detail bytes, what they say; Linux include/uapi/linux/can/error.h (6.1) is the key to the code.
# Sources of the lines: github.com/Seeed-Studio/pi-hats issue 18, CANopenNode/CANopenNode issue 319,
# candle-usb/candleLight_fw issue 179.
DECODED = [
    (
        0x88,
        "0000900000000000",
        "protocol violation, bus error, a recessive bit could not be sent, while sending",
    ),
    (
        0x04,
        "0008000000006000",
        "controller state, warning level of transmit errors, transmit errors 96, receive errors 0",
    ),
    (
        0x04,
        "0020000000008800",
        "controller state, error passive by transmit errors, transmit errors 136, receive errors 0",
    ),
    (
        0x04,
        "0020000000008000",
        "controller state, error passive by transmit errors, transmit errors 128, receive errors 0",
    ),
    (
        0x04,
        "0008000000007800",
        "controller state, warning level of transmit errors, transmit errors 120, receive errors 0",
    ),
    (0x20, "000000000000887F", "no acknowledge, transmit errors 136, receive errors 127"),
    (0x40, "0000000000000000", "bus off"),
]


@pytest.mark.parametrize(("classes", "detail", "words"), DECODED)
def test_an_error_record_of_a_public_log_is_said_in_words(classes: int, detail: str, words: str) -> None:
    assert str(describe_error(classes, bytes.fromhex(detail))) == words


def test_the_record_flag_of_the_log_line_is_no_class() -> None:
    assert describe_error(0x2000_0040, bytes(8)).classes == ErrorClass.BUS_OFF


def test_places_are_those_of_the_error_code_capture_register() -> None:
    # Philips data sheet SJA1000 (2000), table 21, and its example 0xA2: in identifier bits 28 to 21.
    assert PLACES[0xA2 & 0x1F] == "identifier bits 28 to 21"
    assert sorted(PLACES) == [*range(2, 16), 0x12, 0x18, 0x19, 0x1A, 0x1B]


@pytest.mark.parametrize(
    ("status", "words"),
    [
        # Linux include/uapi/linux/can/error.h, "error status of CAN-transceiver / data[4]"
        (0x04, ("CAN_H not connected",)),
        (0x05, ("CAN_H shorted to battery",)),
        (0x06, ("CAN_H shorted to VCC",)),
        (0x07, ("CAN_H shorted to ground",)),
        (0x40, ("CAN_L not connected",)),
        (0x50, ("CAN_L shorted to battery",)),
        (0x60, ("CAN_L shorted to VCC",)),
        (0x70, ("CAN_L shorted to ground",)),
        (0x80, ("CAN_L shorted to CAN_H",)),
        (0x00, ()),
    ],
)
def test_each_transceiver_status_of_the_kernel_header_has_its_words(status: int, words: tuple[str, ...]) -> None:
    assert transceiver_words(status) == words
