"""Opening: what is no recording, what is damaged before any line is read, what holds no frame."""

from __future__ import annotations

import gzip
import io
import sys
import zipfile
from typing import TYPE_CHECKING

import pytest

from canlens.errors import LogError, UnknownFormatError
from canlens.readers import ALL, read_trace

if TYPE_CHECKING:
    from pathlib import Path

LINE = b"(1436509052.249713) vcan0 044#2A366C2BBA\n"


@pytest.mark.parametrize("content", [b"", b"\n", b" \r\n\t\n", gzip.compress(b"")])
def test_an_empty_file_is_a_recording_without_frames(content: bytes) -> None:
    trace = read_trace(io.BytesIO(content))
    assert len(trace) == 0
    assert trace.source.format == "empty"
    assert trace.problems == ()


@pytest.mark.parametrize("content", [b"# Fellside rescue buggy\n", b"\x00" * 300, bytes(range(256)) * 9, b"%PDF-1.7\n"])
def test_a_file_that_is_no_log_names_the_formats_that_were_tried(content: bytes) -> None:
    with pytest.raises(UnknownFormatError) as caught:
        read_trace(io.BytesIO(content))
    assert caught.value.tried == tuple(reader.name for reader in ALL if reader.name != "empty")
    assert caught.value.claimed == ()
    assert "candump" in str(caught.value)


def test_a_file_of_two_formats_names_both() -> None:
    with pytest.raises(UnknownFormatError) as caught:
        read_trace(io.BytesIO(LINE + b"base hex  timestamps absolute\n"))
    assert caught.value.claimed == ("asc", "candump")


def test_a_missing_file_is_told_by_name(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"nowhere\.log: cannot be opened"):
        read_trace(tmp_path / "nowhere.log")


def test_a_folder_is_no_recording(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot be"):
        read_trace(tmp_path)


def test_a_minus_is_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(LINE * 2)))
    trace = read_trace("-")
    assert len(trace) == 2
    assert trace.source.file == "-"


def test_a_cut_off_gzip_file_keeps_what_was_good_with_one_problem() -> None:
    lines = b"".join(b"(%d.250000) can0 123#%04X\n" % (number, number * 7919 % 65536) for number in range(20_000))
    packed = gzip.compress(lines)
    trace = read_trace(io.BytesIO(packed[: len(packed) // 2]))
    assert 5_000 < len(trace) < 15_000
    assert trace.line.tolist() == list(range(1, len(trace) + 1))
    assert "cut off" in trace.problems[0].found


def test_a_damaged_gzip_file_ends_with_a_problem() -> None:
    packed = bytearray(gzip.compress(LINE * 10, mtime=0))
    packed[-6] ^= 0xFF  # the check sum of the content
    trace = read_trace(io.BytesIO(bytes(packed)))
    assert "damaged" in trace.problems[-1].found


def test_several_gzip_members_are_one_file() -> None:
    assert len(read_trace(io.BytesIO(gzip.compress(LINE) + gzip.compress(LINE) + bytes(512)))) == 2


@pytest.mark.parametrize("names", [(), ("a.log", "b.log")])
def test_a_zip_archive_must_hold_one_recording(names: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("folder/", b"")
        for name in names:
            archive.writestr(name, LINE)
    with pytest.raises(LogError, match="one recording"):
        read_trace(path)


def test_a_broken_zip_archive_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    path.write_bytes(b"PK\x03\x04" + b"x" * 100)
    with pytest.raises(LogError, match="zip"):
        read_trace(path)


def test_standard_input_that_is_closed_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(LogError, match="standard input is closed"):
        read_trace("-")


def test_lines_that_end_by_a_carriage_return_alone_are_lines() -> None:
    trace = read_trace(io.BytesIO(LINE.replace(b"\n", b"\r") * 3 + b"no frame\r" + LINE.replace(b"\n", b"\r") * 9_000))
    assert len(trace) == 9_003
    assert [(problem.line, problem.count) for problem in trace.problems] == [(4, 1)]
    assert trace.line[-1] == 9_004
