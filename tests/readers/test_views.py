"""The binary and the byte-swapped view of the screen form, as can-utils ``lib.c`` writes them."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace
from canlens.trace import Kind

STAMP = b" (1436509052.249713)  can0  123   "


@pytest.mark.parametrize(
    ("shown", "payload"),
    [
        (b"[2]  00010001 00100010", "1122"),
        (b"[2]  00010001 00100010   '.\"'", "1122"),
        (b"[3]  33`22`11", "112233"),
        (b'[3]  33`22`11                 `3".`', "112233"),
        (b"[8]  88`77`66`55`44`33`22`11", "1122334455667788"),
        (b"[2]  00100010`00010001", "1122"),
        (b"[12]  0C`0B`0A`09`08`07`06`05`04`03`02`01", "0102030405060708090a0b0c"),
    ],
)
def test_each_view_gives_the_bytes_as_they_were_sent(shown: bytes, payload: str) -> None:
    others = [b"[1]  5A", b"[0]", b"[4]  remote request"]
    lines = b"".join(STAMP + each + b"\n" for each in [shown, *others, shown])
    trace = read_trace(io.BytesIO(lines))
    assert trace.problems == ()
    assert trace.line.tolist() == [1, 2, 3, 4, 5]
    assert [trace.payload[row].hex() for row in range(5)] == [payload, "5a", "", "", payload]
    assert trace.kind.tolist() == [Kind.DATA, Kind.DATA, Kind.DATA, Kind.REMOTE, Kind.DATA]


def test_a_single_swapped_byte_with_its_character_is_read() -> None:
    trace = read_trace(io.BytesIO(b'  can0  123   [2]  22`11   `".`\n  can0  124   [1]  41                      `A`\n'))
    assert trace.problems == ()
    assert [trace.payload[row].hex() for row in range(2)] == ["1122", "41"]


def test_an_error_record_in_the_swapped_view_keeps_its_bytes() -> None:
    record = (
        b"  can0  20000088   [8]  08`07`06`05`04`03`02`01   ERRORFRAME\n\tprotocol-violation{{}{acknowledge-slot}}\n"
    )
    trace = read_trace(io.BytesIO(record * 2))
    assert trace.problems == ()
    assert trace.kind.tolist() == [Kind.ERROR] * 2
    assert trace.payload[0].hex() == "0102030405060708"
    assert [remark.line for remark in trace.remarks] == [2, 4]


def test_a_broken_line_of_a_view_is_told_as_it_stands() -> None:
    trace = read_trace(io.BytesIO(STAMP + b"[2]  22`11\n" + STAMP + b"[2]  22`1\n" + STAMP + b"[3]  22`11\n"))
    assert trace.line.tolist() == [1]
    assert [problem.line for problem in trace.problems] == [2, 3]
    assert "22`1" in trace.problems[0].found
