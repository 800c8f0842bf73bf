"""The frames behind a finding, each with its bytes and what they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canlens.database import Database, Message, SignalDefinition
from canlens.measures.picturing.quoting import VALUES_SHOWN, quotes
from canlens.trace import Kind
from tests.recordings import FIRST_LINE, Frame, recording

LAMP = SignalDefinition("Lamp", start_bit=0, length=2, table={1: "On"})
VOLTS = SignalDefinition("Volts", start_bit=8, length=8, scale=0.1, unit="V")
POD = Message("Pod", 0x123, is_extended=False, length=2, senders=("Box",), signals=(LAMP, VOLTS))
DATABASE = Database((POD,))


def test_bytes_stand_beside_what_they_say() -> None:
    trace = recording([Frame(b"\x00\x00"), Frame(b"\x01\x7d")])
    (quote,) = quotes(trace, DATABASE, [FIRST_LINE + 1]).values()
    assert (quote.line, quote.time_s, quote.stamp) == (FIRST_LINE + 1, 0.001, "1000000000.001000")
    assert (quote.channel, quote.identifier, quote.kind) == ("can0", 0x123, "data")
    assert (quote.message, quote.sender) == ("Pod", "Box")
    assert quote.payload == ((0x01, False), (0x7D, False))
    told = [(each.signal, each.raw, each.value, each.unit, each.text) for each in quote.values]
    assert told == [("Lamp", "1", 1.0, "", "On"), ("Volts", "125", 12.5, "V", "")]


def test_wanted_signals_come_first_and_their_bytes_are_told_apart() -> None:
    (quote,) = quotes(recording([Frame(b"\x01\x7d")]), DATABASE, [FIRST_LINE], wanted=["Pod.Volts"]).values()
    assert quote.payload == ((0x01, False), (0x7D, True))
    assert [(each.signal, each.is_wanted) for each in quote.values] == [("Volts", True), ("Lamp", False)]


def test_a_signal_behind_the_end_of_the_payload_is_left_out() -> None:
    (quote,) = quotes(recording([Frame(b"\x01")]), DATABASE, [FIRST_LINE]).values()
    assert [each.signal for each in quote.values] == ["Lamp"]


def test_lines_without_a_frame_are_left_out_and_the_others_ascend() -> None:
    trace = recording([Frame(), Frame(), Frame()])
    found = quotes(trace, DATABASE, [FIRST_LINE + 2, 1, FIRST_LINE, 99])
    assert list(found) == [FIRST_LINE, FIRST_LINE + 2]
    assert quotes(trace, DATABASE, []) == {}


def test_a_frame_that_no_database_knows_keeps_its_bytes() -> None:
    (quote,) = quotes(recording([Frame(b"\xff", identifier=0x7FF)]), DATABASE, [FIRST_LINE]).values()
    assert (quote.message, quote.values, quote.payload) == ("", (), ((0xFF, False),))


def test_an_error_record_says_what_it_is_and_is_no_message() -> None:
    # class 0x20: no acknowledge (Linux include/uapi/linux/can/error.h)
    (quote,) = quotes(recording([Frame(bytes(8), identifier=0x20, kind=Kind.ERROR)]), DATABASE, [FIRST_LINE]).values()
    assert quote.kind == "error"
    assert "acknowledge" in quote.error
    assert quote.message == ""


def test_many_signals_are_counted_and_not_all_shown() -> None:
    signals = tuple(SignalDefinition(f"S{number}", start_bit=number, length=1) for number in range(VALUES_SHOWN + 3))
    database = Database((replace(POD, signals=signals),))
    (quote,) = quotes(recording([Frame(b"\x01\x00")]), database, [FIRST_LINE]).values()
    assert (len(quote.values), quote.left_out) == (VALUES_SHOWN, 3)


def test_a_stamp_keeps_nanoseconds_only_where_there_are_any() -> None:
    trace = recording([Frame(), Frame()])
    trace = replace(trace, time_ns=np.array([1_500_000_000, 1_500_000_007]))
    found = quotes(trace, DATABASE, [FIRST_LINE, FIRST_LINE + 1])
    assert [each.stamp for each in found.values()] == ["1.500000", "1.500000007"]


def test_a_frame_of_no_channel_has_none() -> None:
    trace = replace(recording([Frame()]), channel=np.array([-1], np.int16))
    (quote,) = quotes(trace, DATABASE, [FIRST_LINE]).values()
    assert quote.channel == ""
