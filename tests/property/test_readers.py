# ruff: noqa: E501 – lines of logs are as long as they are
"""Whatever bytes a log holds, it becomes a Trace or a sentence; what is written comes back."""

from __future__ import annotations

import gzip
import io
from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from canlens.errors import CanlensError
from canlens.readers import ALL, read_trace
from canlens.readers.engine import line_files
from canlens.trace import COLUMNS, Kind, Trace

CANDUMP = b"(1436509052.249713) can0 123#11\n"
ASC = b"base hex  timestamps absolute\n   1.000000 1  123             Rx   d 1 11\n"
BLF = b"LOGG" + (144).to_bytes(4, "little") + bytes(136)
CONTAINER = BLF + b"LOBJ\x10\x00\x01\x00\xff\x00\x00\x00\x0a\x00\x00\x00" + bytes(16)
TRC = b";$FILEVERSION=2.1\n;$STARTTIME=43008.9\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n      1      2501.000 DT 2      00C8 Tx -  1    09\n"
CSV = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n0.5,0x123,0,0,0,1,EQ==\n"
MAGICS = (
    b"", CANDUMP, ASC, BLF, CONTAINER, TRC, CSV, b"SQLite format 3\x00\x10\x00\x01\x01\x00\x40\x20\x20", b"MDF     4.10    ",
    b"\x1f\x8b\x08\x00", b"\xfd7zXZ\x00", b"BZh9", b"PK\x03\x04", b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf" + CANDUMP, gzip.compress(CANDUMP),
)  # fmt: skip
FRAGMENTS = st.sampled_from([
    b"(1.5) can0 123#11\n", b"(1.5) ", b"can0", b" 123#", b"##1", b"#R", b"\n", b"\r\n", b"\0", b" ", b"  1.5 1 123 Rx d 1 11\n",
    b" 1.5 CANFD 1 Rx 123 1 0 8 8", b" 11", b"base dec timestamps relative\n", b"Begin Triggerblock\n", b"LOBJ", b"(", b"\xff", b"9" * 30,
])  # fmt: skip
SOUP = st.lists(FRAGMENTS | st.binary(max_size=8), max_size=60).map(b"".join)


def must_be_a_trace_or_a_sentence(content: bytes) -> None:
    """Read; every other outcome is a bug."""
    try:
        trace = read_trace(io.BytesIO(content))
    except CanlensError:
        return
    assert all(len(getattr(trace, name)) == len(trace) for name in COLUMNS)
    assert len(trace.payload) == len(trace)
    assert np.all(np.diff(trace.line) >= 1)
    assert np.all(trace.payload_length <= 64)
    assert np.all(trace.identifier <= 0x1FFFFFFF)
    assert np.all(trace.channel < max(len(trace.channels), 1))
    assert trace.problem_count >= len(trace.problems)


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=600))
def test_any_bytes_become_a_trace_or_a_sentence(content: bytes) -> None:
    must_be_a_trace_or_a_sentence(content)


@settings(deadline=None, max_examples=400)
@given(st.sampled_from(MAGICS), st.binary(max_size=400) | SOUP)
def test_any_bytes_behind_the_start_of_a_format_become_a_trace_or_a_sentence(magic: bytes, content: bytes) -> None:
    must_be_a_trace_or_a_sentence(magic + content)


@settings(deadline=None, max_examples=200)
@given(st.sampled_from(MAGICS), st.data())
def test_a_flipped_byte_becomes_a_trace_or_a_sentence(magic: bytes, data: st.DataObject) -> None:
    content = bytearray(magic * 30)
    for _ in range(data.draw(st.integers(1, 4))):
        if content:
            content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    must_be_a_trace_or_a_sentence(bytes(content))


@settings(deadline=None, max_examples=200)
@given(st.binary(max_size=4096))
def test_at_most_one_reader_claims_any_bytes_at_random(head: bytes) -> None:
    assert sum(reader.recognises(head) for reader in ALL) <= 1


@dataclass(frozen=True)
class Drawn:
    """A frame and the two spellings of it."""

    facts: tuple[object, ...]
    candump: str
    asc: str


@st.composite
def drawn_frames(draw: st.DrawFn) -> Drawn:
    """Draw one frame as candump and as ASC write it."""
    time_us = draw(st.integers(0, 4_000_000_000_000_000))
    stamp = f"{time_us // 10**6}.{time_us % 10**6:06}"
    is_extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF if is_extended else 0x7FF))
    channel = draw(st.integers(0, 3))
    is_rx = draw(st.booleans())
    form = draw(st.sampled_from(["data", "remote", "fd"]))
    length = draw(st.sampled_from([0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64] if form == "fd" else list(range(9))))
    payload = draw(st.binary(min_size=length, max_size=length)) if form != "remote" else b""
    flags = draw(st.integers(0, 3)) if form == "fd" else 0
    dlc = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64].index(length)
    number = f"{identifier:08X}" if is_extended else f"{identifier:03X}"
    name = f"{identifier:X}{'x' if is_extended else ''}"
    body = {"data": payload.hex().upper(), "remote": f"R{length or ''}", "fd": f"#{flags:X}{payload.hex().upper()}"}[
        form
    ]
    way = "Rx" if is_rx else "Tx"
    spaced = f" {payload.hex(' ')}" if payload else ""
    asc = {
        "data": f"{stamp} {channel}  {name:<15} {way:<4} d {length:x}{spaced}",
        "remote": f"{stamp} {channel}  {name:<15} {way:<4} r {length:x}",
        "fd": f"{stamp} CANFD {channel:>3} {way:<4} {name:>8}  {'':>32} {flags & 1} {flags >> 1} {dlc:x} {length:>2}{spaced} 0 0 1000",
    }[form]
    kind = Kind.REMOTE if form == "remote" else Kind.DATA
    facts = (
        time_us * 1000,
        identifier,
        is_extended,
        int(kind),
        form == "fd",
        bool(flags & 1),
        bool(flags & 2),
        is_rx,
        dlc,
        payload,
    )
    return Drawn((*facts, str(channel)), f"({stamp}) {channel} {number}#{body} {'R' if is_rx else 'T'}", asc)


def facts_of(trace: Trace) -> list[tuple[object, ...]]:
    """Return what each frame of a trace tells."""
    names = (
        "time_ns",
        "identifier",
        "is_extended",
        "kind",
        "is_fd",
        "bit_rate_switch",
        "error_state_indicator",
        "is_rx",
        "dlc",
    )
    columns = [getattr(trace, name).tolist() for name in names]
    channels = [trace.channels[index] for index in trace.channel.tolist()]
    return list(zip(*columns, list(trace.payload), channels, strict=True))


@settings(deadline=None, max_examples=150)
@given(st.lists(drawn_frames(), min_size=1, max_size=60), st.sampled_from([1, 40]))
def test_what_is_written_comes_back(frames: list[Drawn], times: int) -> None:
    """Once as single lines, and repeated, so that the same lines are read many at a time."""
    expected = [frame.facts for frame in frames] * times
    assert facts_of(read_trace(io.BytesIO("\n".join([frame.candump for frame in frames] * times).encode()))) == expected
    text = "\n".join(["base hex  timestamps absolute", *[frame.asc for frame in frames] * times])
    assert facts_of(read_trace(io.BytesIO(text.encode()))) == expected


@settings(deadline=None, max_examples=60)
@given(st.lists(drawn_frames() | SOUP, min_size=1, max_size=30), st.integers(1, 30), st.sampled_from([1, 7, 100]))
def test_where_a_file_is_cut_into_blocks_changes_nothing(parts: list[Drawn | bytes], times: int, step: int) -> None:
    lines = [part.candump.encode() + b"\n" if isinstance(part, Drawn) else part for part in parts]
    content = CANDUMP + b"".join(lines * times)
    whole = _read_in_blocks(content, 1 << 20)
    assert _read_in_blocks(content, 10_000 + step) == whole


def _read_in_blocks(content: bytes, size: int) -> object:
    kept = line_files.BLOCK_LIMIT
    line_files.BLOCK_LIMIT = size
    try:
        trace = read_trace(io.BytesIO(content))
    except CanlensError as error:  # lines of two formats in the head
        return str(error)
    finally:
        line_files.BLOCK_LIMIT = kept
    return facts_of(trace), trace.line.tolist(), trace.segment.tolist(), trace.problems, trace.channels
