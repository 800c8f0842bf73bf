"""The form of error records beyond the published ones, and the tables of the DLC."""

from __future__ import annotations

import numpy as np

from canlens.trace import Kind
from canlens.wire import (
    CLASSICAL_LENGTH,
    FD_DLC,
    FD_LENGTH,
    ErrorClass,
    class_words,
    controller_words,
    describe_error,
    place_words,
    protocol_words,
)
from canlens.wire.error_classes import CLASS_KEYS
from canlens.wire.exact import ERROR, REMOTE
from tests.reference.bit_by_bit import Frame, trace_of


def test_the_kinds_of_frames_have_the_numbers_of_the_trace() -> None:
    assert (REMOTE, ERROR) == (Kind.REMOTE, Kind.ERROR)


def test_every_length_of_can_fd_comes_back_from_its_dlc() -> None:
    assert FD_LENGTH[FD_DLC[FD_LENGTH]].tolist() == FD_LENGTH.tolist()
    assert FD_DLC[[0, 8, 9, 12, 13, 64]].tolist() == [0, 8, 9, 9, 10, 15]
    assert CLASSICAL_LENGTH[[0, 8, 9, 15]].tolist() == [0, 8, 8, 8]


def test_a_frame_whose_bytes_were_not_kept_counts_them_as_zero() -> None:
    cut, whole = Frame(0x123, b"\x11", dlc=8), Frame(0x123, b"\x11" + bytes(7))
    lost, zeros = Frame(0x123, dlc=15, is_fd=True), Frame(0x123, bytes(64), is_fd=True)
    bits = trace_of([cut, whole, lost, zeros]).exact_bits()
    assert bits[0] == bits[1]
    assert bits[2] == bits[3]


def test_a_long_frame_keeps_its_bytes_among_short_ones() -> None:
    long = Frame(0x123, bytes(range(64)), is_fd=True)
    short = Frame(0x123, bytes(8), is_fd=True)
    alone = int(trace_of([long]).exact_bits()[0])
    bits = trace_of([short, long, short, long]).exact_bits()
    assert bits[[1, 3]].tolist() == [alone, alone]
    assert trace_of([long, short]).where(np.array([True, False])).exact_bits().tolist() == [alone]


def test_the_sums_are_right_across_blocks() -> None:
    frames = [Frame(0x123, bytes.fromhex("deadbeef")), Frame(0x0)]
    trace = trace_of(frames).where(np.tile([0, 1], 140_000))
    assert trace.exact_bits().reshape(-1, 2).tolist() == [[78, 50]] * 140_000


def test_every_class_but_the_counters_has_a_name_in_results() -> None:
    assert set(CLASS_KEYS) == set(ErrorClass) - {ErrorClass.COUNTERS}


def test_bits_without_a_meaning_are_shown_as_they_are() -> None:
    assert class_words(0x1002) == ("arbitration lost", "unknown 0x1000")
    assert controller_words(0x81) == ("receive buffer overflow", "unknown 0x80")
    assert protocol_words(0x06) == ("form error", "stuff error")
    assert place_words(0x1F) == "unknown place 0x1f"
    assert place_words(0) == ""


def test_bytes_are_read_only_where_their_class_is_set() -> None:
    record = describe_error(ErrorClass.BUS_ERROR, bytes.fromhex("0504040a45000000"))
    assert (record.controller, record.protocol, record.place, record.transceiver) == ((), (), "", ())
    assert record.transmit_errors is None


def test_counters_at_zero_are_given_where_the_record_says_so() -> None:
    record = describe_error(ErrorClass.CONTROLLER | ErrorClass.COUNTERS, bytes(8))
    assert (record.transmit_errors, record.receive_errors) == (0, 0)


def test_a_record_without_classes_is_unspecified() -> None:
    assert str(describe_error(0, bytes(8))) == "unspecified"
