"""candump text of our recordings, read back by python-can."""

from __future__ import annotations

import gzip
from dataclasses import replace
from typing import TYPE_CHECKING

import can
import numpy as np

from canlens.rehearsal import candump_text, write_candump
from canlens.trace import Kind, Trace
from tests.recordings import Frame, recording

if TYPE_CHECKING:
    from pathlib import Path

FRAMES = [
    Frame(b"\x01\xab", 0x7FF),
    Frame(b"", 0x000),
    Frame(bytes(range(8)), 0x1ABCDEF0, is_extended=True, channel="vcan1"),
    Frame(b"", 0x123, kind=Kind.REMOTE),
]


def with_lengths(trace: Trace) -> Trace:
    return replace(trace, dlc=trace.payload_length.copy())


def test_python_can_reads_back_what_we_write(tmp_path: Path) -> None:
    trace = with_lengths(recording(FRAMES))
    write_candump(trace, tmp_path / "job.log")
    read = list(can.CanutilsLogReader(tmp_path / "job.log"))
    assert [one.arbitration_id for one in read] == trace.identifier.tolist()
    assert [one.is_extended_id for one in read] == trace.is_extended.tolist()
    assert [one.is_remote_frame for one in read] == (trace.kind == Kind.REMOTE).tolist()
    assert [bytes(one.data) for one in read] == list(trace.payload)
    assert [one.channel for one in read] == ["can0", "can0", "vcan1", "can0"]
    assert [round(one.timestamp * 1000) for one in read] == (trace.time_ns // 1_000_000).tolist()


def test_python_can_reads_back_can_fd(tmp_path: Path) -> None:
    plain = recording([Frame(bytes(range(12)), 0x321)])
    trace = replace(plain, is_fd=np.array([True]), bit_rate_switch=np.array([True]), dlc=np.array([9], np.uint8))
    write_candump(trace, tmp_path / "fd.log")
    (read,) = can.CanutilsLogReader(tmp_path / "fd.log")
    assert (read.is_fd, read.bitrate_switch, read.error_state_indicator) == (True, True, False)
    assert bytes(read.data) == bytes(range(12))


def test_an_error_record_carries_its_flag_in_eight_digits() -> None:
    # Linux include/uapi/linux/can.h: CAN_ERR_FLAG 0x20000000; can/error.h: CAN_ERR_ACK 0x20
    trace = with_lengths(recording([Frame(bytes(8), 0x20, kind=Kind.ERROR)]))
    assert candump_text(trace).split()[2] == "20000020#0000000000000000"


def test_a_remote_frame_shows_its_length_and_a_dlc_above_eight_is_kept() -> None:
    # can-utils lib.h: 'R' with an optional length, '_' and the raw DLC behind eight bytes
    trace = recording([Frame(b"", 0x1, kind=Kind.REMOTE), Frame(bytes(8), 0x2)])
    lines = candump_text(replace(trace, dlc=np.array([5, 12], np.uint8))).splitlines()
    assert [line.split()[2] for line in lines] == ["001#R5", "002#0000000000000000_C"]


def test_the_same_trace_gives_the_same_compressed_bytes(tmp_path: Path) -> None:
    trace = with_lengths(recording(FRAMES))
    write_candump(trace, tmp_path / "a.log.gz")
    write_candump(trace, tmp_path / "b.log.gz")
    assert (tmp_path / "a.log.gz").read_bytes() == (tmp_path / "b.log.gz").read_bytes()
    assert gzip.decompress((tmp_path / "a.log.gz").read_bytes()).decode() == candump_text(trace)
