"""Columns of decoded signals, and the rows of many identifiers."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from canlens.database import Message, SignalDefinition
from canlens.signals import Signal, decode, decode_signals, find_rows
from canlens.trace import Kind, Trace
from tests.recordings import Frame, recording

LEVEL = SignalDefinition("Level", 0, 8, scale=0.5, offset=1)
PAGE = SignalDefinition("Page", 0, 4, scale=2, is_signed=True, is_multiplexer=True)
DEEP = SignalDefinition("Deep", 8, 4, multiplexer="Page", pages=((1, 2), (15, 15)), is_multiplexer=True)
LEAF = SignalDefinition("Leaf", 16, 8, multiplexer="Deep", pages=((3, 3),))


def message(*signals: SignalDefinition, length: int = 8) -> Message:
    return Message("M", 0x123, is_extended=False, length=length, signals=signals)


def rows_of(signals: dict[str, Signal]) -> dict[str, list[int]]:
    return {path: signal.rows.tolist() for path, signal in signals.items()}


def test_columns_belong_to_the_frames_that_carry_the_signal() -> None:
    frames = [Frame(b"\x02"), Frame(b"\x07", identifier=0x124), Frame(b"\x03"), Frame(b"")]
    signal = decode(recording(frames), message(LEVEL))["M.Level"]
    assert signal.rows.tolist() == [0, 2]
    assert signal.time_s.tolist() == [0.0, 0.002]
    assert signal.line.tolist() == [3, 5]
    assert signal.raw.tolist() == [2, 3]
    assert signal.value.tolist() == [2.0, 2.5]
    assert len(signal) == 2


def test_times_of_a_part_count_from_the_start_of_the_recording() -> None:
    trace = recording([Frame(b"\x02"), Frame(b"\x03"), Frame(b"\x04")]).where(slice(1, None))
    assert decode(trace, message(LEVEL))["M.Level"].time_s.tolist() == [0.001, 0.002]


def test_columns_cannot_be_written() -> None:
    signal = decode(recording([Frame(b"\x02")]), message(LEVEL))["M.Level"]
    for name in ("rows", "time_s", "line", "raw", "value"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(signal, name)[0] = 0


def test_a_column_is_worked_out_once_and_shared_where_it_does_not_differ() -> None:
    other = SignalDefinition("Other", 8, 8)
    signals = decode(recording([Frame(b"\x02\x03")]), message(LEVEL, other))
    assert signals["M.Level"].value is signals["M.Level"].value
    assert signals["M.Level"].time_s is signals["M.Other"].time_s
    assert signals["M.Level"].line is signals["M.Other"].line


def test_a_signal_has_no_other_attributes() -> None:
    signal = decode(recording([Frame(b"\x02")]), message(LEVEL))["M.Level"]
    assert not hasattr(signal, "values")


def test_a_signal_travels_between_processes_without_the_recording() -> None:
    signal = decode(recording([Frame(b"\x02")] * 100_000), message(LEVEL))["M.Level"]
    few = decode(recording([Frame(b"\x02")]), message(LEVEL))["M.Level"]
    copy = pickle.loads(pickle.dumps(signal))  # noqa: S301 – our own bytes
    assert type(copy) is Signal
    assert (copy.path, copy.definition) == (signal.path, signal.definition)
    for name in ("rows", "time_s", "line", "raw", "value"):
        assert getattr(copy, name).tolist() == getattr(signal, name).tolist()
    assert len(pickle.dumps(few)) < 2000


def test_pages_go_by_the_bits_of_the_multiplexer_not_by_its_value() -> None:
    payloads = [b"\x01\x03\xaa", b"\x0f\x03\xbb", b"\x02\x04\xcc", b"\x03\x03\xdd", b"\x01", b""]
    found = decode(recording([Frame(payload) for payload in payloads]), message(PAGE, DEEP, LEAF))
    assert rows_of(found) == {"M.Page": [0, 1, 2, 3, 4], "M.Deep": [0, 1, 2], "M.Leaf": [0, 1]}
    assert found["M.Page"].raw.tolist() == [1, -1, 2, 3, 1]
    assert found["M.Page"].value.tolist() == [2, -2, 4, 6, 2]
    assert found["M.Leaf"].raw.tolist() == [0xAA, 0xBB]


def test_one_page_alone_finds_its_multiplexers_itself() -> None:
    whole = message(PAGE, DEEP, LEAF)
    found = decode_signals(recording([Frame(b"\x01\x03\xaa")]), [(whole, LEAF)])
    assert rows_of(found) == {"M.Leaf": [0]}


@pytest.mark.parametrize(
    "signals",
    [
        pytest.param((SignalDefinition("A", 0, 4, multiplexer="Gone", pages=((0, 15),)),), id="missing"),
        pytest.param((SignalDefinition("A", 0, 4, multiplexer="A", pages=((0, 15),)),), id="itself"),
        pytest.param(
            (
                SignalDefinition("A", 0, 4, multiplexer="B", pages=((0, 15),)),
                SignalDefinition("B", 4, 4, multiplexer="A", pages=((0, 15),)),
            ),
            id="circle",
        ),
    ],
)
def test_where_nothing_tells_the_page_no_frame_carries_the_signal(signals: tuple[SignalDefinition, ...]) -> None:
    found = decode(recording([Frame(b"\x00\x00")]), message(*signals))
    assert all(len(signal.raw) == len(signal.value) == 0 for signal in found.values())


def test_a_page_range_may_span_all_64_bits() -> None:
    top = SignalDefinition("Top", 0, 64, is_multiplexer=True)
    on = SignalDefinition("On", 64, 8, multiplexer="Top", pages=((1, 2**64 - 1),))
    frames = [Frame(bytes(8) + b"\x05" * 4), Frame(b"\xff" * 12)]
    assert decode(recording(frames), message(top, on, length=12))["M.On"].raw.tolist() == [0xFF]


@pytest.mark.parametrize(
    ("definition", "dtype"),
    [
        (SignalDefinition("S", 0, 1), np.int64),
        (SignalDefinition("S", 0, 63), np.int64),
        (SignalDefinition("S", 0, 64), np.uint64),
        (SignalDefinition("S", 0, 64, is_signed=True), np.int64),
        (SignalDefinition("S", 0, 32, is_float=True), np.float64),
        (SignalDefinition("S", 0, 65), np.object_),
    ],
)
@pytest.mark.parametrize("payload", [b"\xff" * 64, b""])
def test_the_type_of_raw_values_does_not_depend_on_the_frames(
    definition: SignalDefinition, dtype: type[np.generic], payload: bytes
) -> None:
    signal = decode(recording([Frame(payload)]), message(definition, length=64))["M.S"]
    assert signal.raw.dtype == dtype
    assert signal.value.dtype == np.float64


def test_whole_numbers_are_rounded_once() -> None:
    # 2**53 + 1 is no float64, 3 x 2**53 is one (IEEE 754, 53 significant bits).
    signal = SignalDefinition("S", 0, 60, scale=3, offset=-3)
    payload = (2**53 + 1).to_bytes(8, "little")
    assert decode(recording([Frame(payload)]), message(signal))["M.S"].value.tolist() == [3 * 2**53]


def test_a_signalling_nan_of_the_bus_passes_silently() -> None:
    # Sign 0, exponent all ones, quiet bit clear (IEEE 754, 6.2.1).
    signal = SignalDefinition("S", 0, 32, is_float=True, scale=2.0)
    payload = bytes.fromhex("0100807F")
    assert np.isnan(decode(recording([Frame(payload)]), message(signal))["M.S"].value).tolist() == [True]


def test_only_the_channel_asked_for_is_decoded() -> None:
    trace = recording([Frame(b"\x02", channel="can0"), Frame(b"\x03", channel="can1"), Frame(b"\x04")])
    assert decode(trace, message(LEVEL), channel="can1")["M.Level"].raw.tolist() == [3]
    assert decode(trace, message(LEVEL), channel="can0")["M.Level"].raw.tolist() == [2, 4]
    assert decode(trace, message(LEVEL), channel="can7")["M.Level"].raw.tolist() == []


class TestRows:
    def test_an_identifier_counts_with_its_kind(self) -> None:
        trace = recording(
            [
                Frame(identifier=5),
                Frame(identifier=5, is_extended=True),
                Frame(identifier=5, kind=Kind.REMOTE),
                Frame(identifier=5, kind=Kind.ERROR),
                Frame(identifier=5),
            ]
        )
        found = find_rows(trace, [(5, False), (5, True), (6, False)])
        assert {key: rows.tolist() for key, rows in found.items()} == {
            (5, False): [0, 4],
            (5, True): [1],
            (6, False): [],
        }

    def test_an_empty_recording_has_no_rows(self) -> None:
        assert find_rows(Trace.empty(), [(5, False)])[5, False].tolist() == []

    def test_nothing_asked_for_gives_nothing(self) -> None:
        assert find_rows(recording([Frame()]), []) == {}

    def test_thousands_of_identifiers_in_many_blocks_are_all_found(self) -> None:
        # Far more keys than a table can place without two of them meeting in one cell.
        draw = np.random.default_rng(3)
        keys = [(int(number), True) for number in draw.choice(2**29, 6000, replace=False)]
        keys += [(number, False) for number in range(2048)]
        base = recording([Frame()])
        which = draw.integers(0, len(keys), 150_000)
        trace = base.where(np.zeros(len(which), np.intp))
        trace.identifier.setflags(write=True)
        trace.is_extended.setflags(write=True)
        trace.identifier[:] = np.array([identifier for identifier, _ in keys], np.uint32)[which]
        trace.is_extended[:] = np.array([is_extended for _, is_extended in keys])[which]
        found = find_rows(trace, keys)
        assert sum(len(rows) for rows in found.values()) == len(which)
        for index, key in enumerate(keys):
            rows = found[key]
            assert (which[rows] == index).all()
            assert (np.diff(rows) > 0).all()
