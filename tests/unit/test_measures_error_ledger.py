"""Error ledger: classes, places, states and episodes of a recording's errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.measures.errors.broken_frames import episode_starts
from canlens.measures.errors.ledger import error_ledger, errors_recorded, lone_sender
from canlens.measures.errors.records import error_records, traffic_of
from canlens.nouns.bus import StateStep
from canlens.trace import Source, Trace
from tests.reference.bit_by_bit import Frame, trace_of
from tests.unit.error_logs import Record, error_trace, with_records, with_remark

# Public logs: github.com/Seeed-Studio/pi-hats issue 18, CANopenNode/CANopenNode issue 319, candle-usb/candleLight_fw
# issue 179; the counters are given by drivers that do not set the bit for them.
PUBLIC: list[Record] = [
    (0.0, 0x88, "0000900000000000"),
    (0.1, 0x04, "0008000000006000"),
    (0.2, 0x04, "0020000000008800"),
    (0.3, 0x04, "0020000000008000"),
    (0.4, 0x04, "0008000000007800"),
    (0.5, 0x20, "000000000000887F"),
    (0.6, 0x40, "0000000000000000"),
]
STUFF = "0000040A00000000"
MS = 1_000_000


def steady(number: int = 1000) -> Trace:
    """Return frames of one identifier every 10 ms."""
    return trace_of([Frame(0x123, b"\1\2")] * number, time_ns=[10**18 + 10 * MS * row for row in range(number)])


def test_the_records_of_public_logs_are_counted_by_class() -> None:
    ledger = error_ledger(error_trace(PUBLIC))
    seen = {name: count for name, count in ledger.classes.items() if count}
    assert seen == {"controller": 4, "protocol": 1, "no-acknowledge": 1, "bus-off": 1, "bus-error": 1}
    assert ledger.frames == 7
    assert ledger.details["error passive by transmit errors"] == 2
    assert ledger.details["a recessive bit could not be sent"] == 1


def test_the_classes_are_those_of_the_contract_even_where_none_was_seen() -> None:
    names = {
        "lost-arbitration", "controller", "protocol", "transceiver", "no-acknowledge", "bus-off", "bus-error",
        "restarted", "tx-timeout", "unspecified",
    }  # fmt: skip
    assert set(error_ledger(Trace.empty()).classes) == names
    assert error_ledger(error_trace([(0, 0, "00" * 8), (1, 0x200, "00" * 8)])).classes["unspecified"] == 2


def test_the_states_of_public_logs_make_a_time_line() -> None:
    states = error_ledger(error_trace(PUBLIC)).states
    assert [(each.state, each.tec, each.rec) for each in states] == [
        ("warning", 96, 0),
        ("passive", 136, 0),
        ("warning", 120, 0),
        ("passive", 136, 127),
        ("bus-off", None, None),
    ]
    assert [each.time_s for each in states] == pytest.approx([0.1, 0.2, 0.4, 0.5, 0.6])
    assert [each.line for each in states] == [2, 3, 5, 6, 7]


# Limits 96 and 128: Linux include/uapi/linux/can/error.h (CAN_ERROR_WARNING_THRESHOLD, CAN_ERROR_PASSIVE_THRESHOLD)
@pytest.mark.parametrize(
    ("tec", "rec", "state"),
    [(95, 0, "active"), (96, 0, "warning"), (0, 127, "warning"), (128, 0, "passive"), (0, 136, "passive")],
)
def test_counters_alone_tell_the_state(tec: int, rec: int, state: str) -> None:
    states = error_ledger(error_trace([(0, 0x200, f"000000000000{tec:02x}{rec:02x}")])).states
    assert states == (StateStep(0.0, 1, state, tec, rec),)


def test_a_controller_that_restarts_comes_back_active() -> None:
    records = [(0.0, 0x40, "00" * 8), (1.0, 0x100, "00" * 8), (1.5, 0x204, "0040000000000000")]
    states = error_ledger(error_trace(records)).states
    assert [each.state for each in states] == ["bus-off", "restarted", "active"]


# The lines are those of python-can 4.6.1, test/data/logfile.asc and test_CanErrorFrames.asc
def test_a_status_line_of_the_recorder_is_a_state() -> None:
    trace = replace(steady(3), line=np.array([5, 6, 7]))
    said = with_remark(trace, "0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0", line=6)
    said = with_remark(said, "0.025 CAN 2 Status:chip status error active", line=6)
    states = error_ledger(said).states
    assert [(each.state, each.tec, each.rec) for each in states] == [("passive", 132, 0), ("active", None, None)]
    assert error_ledger(said, channel="can0").states == ()


def test_an_error_code_capture_beside_a_record_is_read() -> None:
    # 10100010: stuff error, receiving, in identifier bits 28 to 21 (SJA1000 data sheet, table 21)
    ledger = error_ledger(with_remark(error_trace([(2.5, 0, "00" * 8)]), "2.501010 1 ErrorFrame ECC: 10100010"))
    assert (ledger.classes["protocol"], ledger.classes["unspecified"]) == (1, 0)
    assert ledger.places == {"identifier bits 28 to 21": 1}
    assert ledger.details == {"stuff error": 1}


def test_the_words_of_an_error_frame_are_read() -> None:
    line = "30.806898 CANFD   5 Tx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44 0"
    assert error_ledger(with_remark(error_trace([(30.8, 0, "00" * 8)]), line)).classes["no-acknowledge"] == 1


# Forms of python-can 4.6.1, test/data/test_CanMessage_V1_1.trc, _V1_3.trc, _V2_0_BUS1.trc and _V2_1.trc
@pytest.mark.parametrize(
    "line",
    [
        "2)     17540.3  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY",
        "2)     17540.300 1  Warng FFFFFFFF -  4    00 00 00 08 BUSHEAVY",
        "2     17540.300 ST          Rx    00 00 00 08",
        "2     17540.300 ST 1         - Rx -  4    00 00 00 08",
    ],
)
def test_a_bus_status_is_a_state(line: str) -> None:
    assert [each.state for each in error_ledger(with_remark(steady(3), line)).states] == ["warning"]


def test_not_recorded_is_told_from_none() -> None:
    quiet = steady(3)
    assert errors_recorded(quiet)[0] == "unknown"
    assert errors_recorded(replace(quiet, source=Source(format="trc", can_hold_errors=False)))[0] == "no"
    counted = with_remark(quiet, "1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%")
    assert errors_recorded(counted)[0] == "yes"
    assert "only when it is asked" in errors_recorded(replace(quiet, source=Source(format="candump")))[1]


def starts_of(times_s: list[float], *, bit_rate: int = 100_000) -> list[int]:
    """Return the records with which episodes start; a frame of :func:`steady` and its intermission last 0.66 ms."""
    trace = with_records(steady(), [(time_s, 0x88, STUFF) for time_s in times_s])
    starts: list[int] = episode_starts(traffic_of(trace, bit_rate=bit_rate), error_records(trace)).tolist()
    return starts


@pytest.mark.parametrize(("apart_s", "starts"), [(0.0002, [0]), (0.012, [0, 1])])
def test_records_within_ten_frame_times_are_one_episode(apart_s: float, starts: list[int]) -> None:
    assert starts_of([1.001, 1.001 + apart_s]) == starts


def test_ten_frame_times_are_the_limit() -> None:
    bits = int(steady(1).exact_bits()[0]) + 3
    ten_s = 10 * bits / 100_000
    # a good frame stands between at 1.01 s
    assert starts_of([1.009, 1.009 + ten_s - 1e-6]) == [0]
    assert starts_of([1.009, 1.009 + ten_s + 1e-6]) == [0, 1]


def test_without_a_good_frame_between_them_records_are_one_episode() -> None:
    assert starts_of([1.001, 1.0095]) == [0]  # 8.5 ms, more than ten frame times of 6.6 ms


def test_records_of_the_controller_alone_are_no_episode() -> None:
    trace = with_records(steady(), [(1.001, 0x04, "0008000000006000"), (3.001, 0x88, STUFF)])
    ledger = error_ledger(trace, bit_rate=100_000)
    assert ledger.frames == 2
    assert ledger.episodes.start_s.tolist() == pytest.approx([3.001])


def test_the_frame_that_follows_at_once_is_the_victim() -> None:
    # 0x300 is broken at 0.5 s and sent again without a pause; frames of 0x300 take 0.63 ms at 100 kbit/s
    often = [(row * 10 * MS, 0x100) for row in range(100)]
    rare = [(row * 100 * MS + 5 * MS, 0x300) for row in range(10)]
    sent = sorted([*often, *rare])
    late = [(time if (time, number) != (505 * MS, 0x300) else time + MS, number) for time, number in sent]
    frames = [Frame(number, b"\1\2") for _, number in late]
    trace = trace_of(frames, time_ns=[10**18 + time for time, _ in late])
    ledger = error_ledger(with_records(trace, [(0.5053, 0x88, STUFF)]), bit_rate=100_000)
    assert ledger.episodes.victim.tolist() == [0x300]


def test_channels_are_counted_apart() -> None:
    trace = error_trace([(0, 0x88, STUFF), (1, 0x88, STUFF), (2, 0x40, "00" * 8)])
    two = replace(trace, channel=np.array([0, 1, 1], np.int16), channels=("can0", "can1"))
    assert error_ledger(two, channel="can0").frames == 1
    assert error_ledger(two, channel="can1").classes["bus-off"] == 1
    assert error_ledger(two).frames == 3


# candleLight_fw issue 179: 7DF#0100 at 200 kbit/s, stamps .551031 .551454 .551861 .552270 .552678, counters 136/127
STAMPS = [0.551031, 0.551454, 0.551861, 0.552270, 0.552678]


def test_the_public_log_of_a_lone_sender_is_known_as_one() -> None:
    times_s = [STAMPS[0] + 4.1175e-4 * number for number in range(11)] + [STAMPS[0] + 0.005 + each for each in STAMPS]
    trace = error_trace([(time_s, 0x20, "000000000000887F") for time_s in sorted(times_s)])
    found = lone_sender(trace, error_records(trace))
    assert found is not None
    assert (found.identifier, found.tec, found.records) == (None, 136, 16)
    # Bosch 2.0: stuffed bits 55 to the end of the CRC, 27 more while error passive: 82 bits, 410 us at 200 kbit/s
    assert found.interval_s == pytest.approx(410e-6, abs=5e-6)


def test_a_lone_sender_never_leaves_the_bus() -> None:
    # Bosch 2.0, part A 7, exception 1: a missing acknowledge does not count for an error passive sender
    trace = error_trace([(number * 4e-4, 0x20, "000000000000887F") for number in range(100)])
    assert all(each.state != "bus-off" for each in error_ledger(trace).states)


def test_a_bus_with_other_errors_is_no_lone_sender() -> None:
    records = [(number * 4e-4, 0x20 if number % 2 else 0x88, STUFF) for number in range(100)]
    trace = error_trace(records)
    assert lone_sender(trace, error_records(trace)) is None


def test_a_second_node_makes_it_no_lone_sender() -> None:
    both = trace_of([Frame(0x100), Frame(0x200)], time_ns=[10**18, 10**18 + 1])
    trace = with_records(both, [(number * 4e-4, 0x20, "000000000000887F") for number in range(100)])
    assert lone_sender(trace, error_records(trace)) is None
